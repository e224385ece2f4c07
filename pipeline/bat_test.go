package pipeline

import (
	"bytes"
	"context"
	"errors"
	"image"
	"image/color"
	"image/jpeg"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"cagebook/pipeline/video"
	"cagebook/pose"
)

// A phone's slow motion of 240 frames/s that plays at 30 stretches its sound by eight or keeps it at its own length; either way it runs
// past the pictures or ends before them. Half a second at the end is what phones cut off.
func TestSoundOfAnotherLengthIsNotUsed(t *testing.T) {
	for _, c := range []struct {
		name              string
		soundS, picturesS float64
		want              bool
	}{
		{"in step", 10, 10, true},
		{"ends early", 9.6, 10, true},
		{"stretched by a tenth", 11.1, 10, false},
		{"stretched by eight", 24, 3, false},
		{"plays at its own speed beside slow motion", 3, 24, false},
		{"a long clip, 4 % off", 62.4, 60, true},
	} {
		a := &video.Audio{RateHz: 8000, Samples: make([]float32, int(c.soundS*8000))}
		if got := runsAlong(a, c.picturesS); got != c.want {
			t.Errorf("%s: used %v, want %v", c.name, got, c.want)
		}
	}
	if runsAlong(&video.Audio{}, 0) {
		t.Error("a sound without a rate is used")
	}
}

// Neither file is opened: what the pictures say is enough.
func TestSoundOfSlowMotionIsNotHeard(t *testing.T) {
	for _, info := range []video.Info{{HasAudio: true, TimeScale: 0.125, DurationS: 3}, {HasAudio: false, TimeScale: 1, DurationS: 3}} {
		if a, err := hear(context.Background(), "/nowhere", nil, &info); a != nil || err != nil {
			t.Errorf("%+v: %v, %v", info, a, err)
		}
	}
}

// A reduced picture that was not put comes from the spool, of the same part, and differs by what its coding takes.
func TestReducedPictureFromSpool(t *testing.T) {
	img := image.NewRGBA(image.Rect(0, 0, 400, 300))
	whole := pose.Image{W: 400, H: 300, Stride: 1200, Pix: make([]byte, 400*300*3)}
	for y := range 300 {
		for x := range 400 {
			c := color.RGBA{uint8(x / 2), uint8(y / 2), uint8(60 + (x+y)/8), 255}
			img.SetRGBA(x, y, c)
			copy(whole.Pix[y*1200+3*x:], []byte{c.B, c.G, c.R})
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: jpegQuality}); err != nil {
		t.Fatal(err)
	}
	spool, err := NewSpool(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer spool.Close()
	part := pose.Box{X0: 50, Y0: 20, X1: 350, Y1: 280}
	s, err := newSmallPictures(part, 500, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	s.spool, s.frames = spool, []int{70, 71}
	cutout, _, _ := cut(whole, part, nil)
	var scratch []byte
	if err := errors.Join(spool.Put(71, b.Bytes(), image.Rectangle{}), s.put(0, cutout, &scratch)); err != nil {
		t.Fatal(err)
	}
	put, ok1, err1 := s.image(0)
	got, ok2, err2 := s.image(1)
	if !ok1 || !ok2 || err1 != nil || err2 != nil || put.W != got.W || put.H != got.H {
		t.Fatal(ok1, ok2, err1, err2, put.W, got.W)
	}
	sum := 0
	for i := range put.Pix {
		sum += abs(int(put.Pix[i]) - int(got.Pix[i]))
	}
	if mean := float64(sum) / float64(len(put.Pix)); mean > 2 {
		t.Errorf("the picture from the spool differs by %.1f levels", mean)
	}
	if _, ok, err := s.image(2); ok || err != nil {
		t.Errorf("a frame beyond the window: %v, %v", ok, err)
	}
}

// An ffmpeg that is killed while it decodes the sound says nothing of the sound: contact must not come to rest on less because of it.
func TestHearOfAKilledTool(t *testing.T) {
	needFFmpeg(t)
	dir := t.TempDir()
	clip := filepath.Join(dir, "a.mp4")
	if out, err := exec.Command("ffmpeg", "-nostdin", "-v", "error", "-f", "lavfi", "-i", "testsrc2=s=64x48:r=10:d=1", "-f", "lavfi", "-i", "sine=d=1", "-c:v", "mpeg4", clip).CombinedOutput(); err != nil {
		t.Skipf("ffmpeg: %v: %s", err, out)
	}
	info := &video.Info{HasAudio: true, TimeScale: 1, DurationS: 1}
	if a, err := hear(t.Context(), clip, nil, info); err != nil || a == nil {
		t.Fatalf("%v, %v", a, err)
	}
	const killed = "#!/bin/sh\n[ \"$1\" = -version ] && echo ffmpeg version 5 && exit 0\nkill -KILL $$\n"
	if err := os.WriteFile(filepath.Join(dir, "ffmpeg"), []byte(killed), 0o755); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", dir+":"+os.Getenv("PATH"))
	if a, err := hear(t.Context(), clip, nil, info); a != nil || classify(err) != classTransient {
		t.Errorf("%v, %v: want an error that may pass", a, err)
	}
}
