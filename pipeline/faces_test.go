package pipeline

import (
	"context"
	"image"
	"image/color"
	"image/draw"
	"math"
	"os"
	"path/filepath"
	"testing"

	"cagebook/pose"
)

// Heads of everybody about a frame's time are gone, other parts stay, and a frame that nobody knows is all grey.
func TestHideFaces(t *testing.T) {
	person := func(x, y float64, face bool) pose.Person {
		var p pose.Pose
		set := func(j pose.Joint, dx, dy float64) { p[j] = pose.Keypoint{X: x + dx, Y: y + dy, Score: 0.9} }
		if face {
			set(pose.Nose, 0, 0)
			set(pose.LeftEar, 8, -2)
		}
		set(pose.LeftShoulder, 15, 30)
		set(pose.RightShoulder, -15, 30)
		set(pose.LeftHip, 12, 90)
		set(pose.RightHip, -12, 90)
		return pose.Person{Points: p, Box: pose.Box{X0: x - 20, Y0: y - 15, X1: x + 20, Y1: y + 190}}
	}
	samples := []pose.Sample{
		{TimeS: 1.00, People: []pose.Person{person(100, 60, true), person(300, 60, false)}},
		{TimeS: 5.00, People: []pose.Person{person(500, 60, true)}},
	}
	h := newHeads(samples, []DenseWindow{{Track: pose.Track{Frames: []int{30}, Times: []float64{1.03}, Raw: make([]pose.Pose, 1)}}})
	skin := color.RGBA{200, 10, 10, 255}
	img := image.NewRGBA(image.Rect(0, 0, 640, 360))
	draw.Draw(img, img.Rect, image.NewUniform(skin), image.Point{}, draw.Src)
	h.hide(img, 30)
	covered := func(x, y int) bool { return img.RGBAAt(x, y) != skin }
	// A head 0.13 of the height tall: the torso of 60 px is 0.288 of 208 px, so 27 px.
	for a := 0.0; a < 2*math.Pi; a += 0.5 {
		for _, head := range []image.Point{{104, 59}, {300, 63}} { // the second is seen from behind: shoulders alone
			if x, y := head.X+int(13*math.Cos(a)), head.Y+int(13*math.Sin(a)); !covered(x, y) {
				t.Errorf("%d, %d of the head at %v can be seen", x, y, head)
			}
		}
	}
	if covered(100, 150) || covered(300, 150) || covered(500, 60) {
		t.Error("bodies, or heads of another time, are covered")
	}
	h.hide(img, 31)
	if !covered(100, 150) {
		t.Error("a frame of which nothing is known is shown")
	}
}

// All films and stills come from pictures without faces.
func TestFilmsWithoutFaces(t *testing.T) {
	needFFmpeg(t)
	r, jpg := filmed()
	pics := spooled(t, jpg)
	pics.hide = &heads{times: map[int]float64{}} // nothing known: every picture is grey
	clip := Clip{Rel: "a.mp4", Put: NewStore(t.TempDir()).ClipPut("a.mp4")}
	if err := films(context.Background(), clip, r, pics, t.TempDir()); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "film.mp4")
	if err := os.WriteFile(file, pics.films[1], 0o600); err != nil {
		t.Fatal(err)
	}
	film, err := openFilm(context.Background(), file, r.Swings[0].Film, 20)
	if err != nil {
		t.Fatal(err)
	}
	defer film.tool.stop()
	if err := film.to(0); err != nil {
		t.Fatal(err)
	}
	if c := film.pic.RGBAAt(20, 20); abs(int(c.R)-128) > 3 {
		t.Errorf("the film of hidden pictures has grey %d", c.R)
	}
	img, err := pics.part(r.Swings[0].Film, 30)
	if err != nil {
		t.Fatal(err)
	}
	c := r.Swings[0].Film.Crop().Min
	if red, _, _, _ := img.At(c.X+20, c.Y+20).RGBA(); abs(int(red>>8)-128) > 2 { // frame 30 was 90
		t.Errorf("the still of a hidden picture has grey %d", red>>8)
	}
}

// In a part of the picture at another size the same place of a head is covered.
func TestHideFacesInPart(t *testing.T) {
	h := &heads{times: map[int]float64{30: 1}, seen: []headAt{{1, 200, 100, 20}}}
	img := image.NewRGBA(image.Rect(0, 0, 150, 100))
	h.hideIn(img, 30, image.Rect(100, 50, 400, 250)) // half the size
	covered := func(x, y int) bool { return img.RGBAAt(x, y) != color.RGBA{} }
	if !covered(50, 25) || !covered(58, 25) || covered(62, 25) || covered(50, 37) {
		t.Error("the head at 50, 25 of radius 10 is not what is covered")
	}
}
