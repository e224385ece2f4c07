package trackfile

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"cagebook/pose"
)

func TestRoundTrip(t *testing.T) {
	tr := &pose.Track{Width: 640, Height: 360, FocalPx: 612.5}
	for k := range 4 {
		var p pose.Pose
		var s [pose.NumJoints]pose.Estimate
		var w [pose.NumJoints]pose.Point3
		for _, j := range []pose.Joint{pose.Nose, pose.LeftWrist, pose.RightAnkle} {
			tr.Has[j] = true
			p[j] = pose.Keypoint{X: 10.25 + float64(k), Y: 20.5, Score: 0.75}
			s[j] = pose.Estimate{X: 10.5 + float64(k), Y: 20.25, Sigma: 1.125}
			w[j] = pose.Point3{X: 0.1, Y: -0.2, Z: 0.3}
		}
		if k == 2 {
			p[pose.LeftWrist], s[pose.LeftWrist] = pose.Keypoint{}, pose.Estimate{}
		}
		tr.Frames, tr.Times = append(tr.Frames, 40+2*k), append(tr.Times, 1.25+0.125*float64(k))
		tr.Raw, tr.Smooth, tr.World = append(tr.Raw, p), append(tr.Smooth, s), append(tr.World, w)
		tr.Repeat = append(tr.Repeat, k == 1)
		tr.Bat = append(tr.Bat, pose.BatSample{Status: "measured", Knob: pose.Estimate{X: 1, Y: 2, Sigma: 3}, Barrel: pose.Estimate{X: 4, Y: 5, Sigma: 6}})
		tr.Ball = append(tr.Ball, pose.BallSample{Status: "no_ball"})
	}
	var a, b bytes.Buffer
	if err := Write(&a, Tool{Version: "v"}, []Swing{{1, tr, 0, 4}, {2, tr, 1, 3}}); err != nil {
		t.Fatal(err)
	}
	got, err := Read(bytes.NewReader(a.Bytes()), "t.json.gz", Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 2 || got[0].Len() != 4 || got[1].Len() != 2 || got[1].Frames[0] != 42 || got[1].Times[0] != 1.375 {
		t.Fatalf("got %d tracks: %+v", len(got), got)
	}
	g := got[0]
	if g.Has != tr.Has || g.Width != 640 || g.FocalPx != tr.FocalPx || !g.Repeat[1] || g.Repeat[0] {
		t.Error("names, size or repeats are lost")
	}
	for k := range tr.Times {
		if g.Raw[k] != tr.Raw[k] || g.Smooth[k] != tr.Smooth[k] || g.World[k] != tr.World[k] || g.Bat[k] != tr.Bat[k] || g.Ball[k] != tr.Ball[k] {
			t.Errorf("frame %d differs: %+v", k, g.Raw[k][pose.Nose])
		}
	}
	if err := Write(&b, Tool{Version: "v"}, []Swing{{1, tr, 0, 4}, {2, tr, 1, 3}}); err != nil || !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("the same track gives other bytes")
	}
}

func TestRead(t *testing.T) {
	const one = `{"names":["nose","left_wrist"],"frames":[{"time_s":0,"raw":[[1,2,0.5],null]},{"time_s":0.1,"raw":[[1,2,7],[null,3,1]]}]}`
	got, err := Read(strings.NewReader(one), "t.json", Options{})
	if err != nil {
		t.Fatal(err)
	}
	g := got[0]
	if g.Len() != 2 || g.Raw[0][pose.Nose] != (pose.Keypoint{X: 1, Y: 2, Score: 0.5}) || g.Raw[0][pose.LeftWrist].Seen() || g.Raw[1][pose.LeftWrist].Seen() {
		t.Errorf("got %+v", g)
	}
	if g.Raw[1][pose.Nose].Score != 1 || g.Smooth != nil || g.World != nil || g.Has[pose.RightWrist] || !g.Has[pose.LeftWrist] {
		t.Error("score is not limited to 1, or something is there that the file does not give")
	}
}

func TestReadErrors(t *testing.T) {
	frames := func(f string) string { return `{"names":["nose"],"frames":[{"time_s":0,"raw":[null]},` + f + `]}` }
	for _, c := range []struct{ name, in, at, msg string }{
		{"empty", " \n", "", "empty"},
		{"not JSON", "frame,x,y", "", "not JSON"},
		{"cut short", `{"names":["nose"],"frames":[{"ti`, "byte", "unexpected end"},
		{"gzip cut short", "\x1f\x8b\x08\x00", "", "gzip"},
		{"no frames", `{"names":["nose"]}`, "", "frames"},
		{"no names", `{"frames":[]}`, "names", "missing"},
		{"a lens behind the picture", `{"names":["nose"],"focal_px":-900,"frames":[]}`, "focal_px", "focal length"},
		{"a name that is none", `{"names":["nose","tail"],"frames":[]}`, "names[1]", "tail"},
		{"a name twice", `{"names":["nose","nose"],"frames":[]}`, "names[1]", "twice"},
		{"other version", `{"schema":9,"names":["nose"],"frames":[]}`, "schema", "version 9"},
		{"no time", frames(`{"raw":[null]}`), "frames[1].time_s", "missing"},
		{"time goes back", frames(`{"time_s":0,"raw":[null]}`), "frames[1].time_s", "come after"},
		{"too few points", frames(`{"time_s":1,"raw":[]}`), "frames[1].raw", "0 points for 1 names"},
		{"too many points", frames(`{"time_s":1,"raw":[null,null]}`), "frames[1].raw[1]", "more points"},
		{"two numbers", frames(`{"time_s":1,"raw":[[1,2]]}`), "frames[1].raw[0]", "three numbers"},
		{"a word", frames(`{"time_s":1,"raw":[["a",2,3]]}`), "frames[1].raw[0]", "string"},
		{"beyond any picture", frames(`{"time_s":1,"raw":[[1e9,2,3]]}`), "frames[1].raw[0]", "no place"},
		{"raw is no list", frames(`{"time_s":1,"raw":{}}`), "frames[1].raw", "list"},
		{"frame number goes back", frames(`{"frame":0,"time_s":1,"raw":[null]}`), "frames[1].frame", "more than the frame before"},
		{"smooth in one frame only", frames(`{"time_s":1,"raw":[null],"smooth":[null]}`), "frames", "all or none"},
		{"COCO without a rate", `[]`, "", "frame rate"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Read(strings.NewReader(c.in), "t.json", Options{})
			var e *Error
			if !errors.As(err, &e) {
				t.Fatalf("got %v, want an *Error", err)
			}
			if e.File != "t.json" || !strings.HasPrefix(e.At, c.at) || !strings.Contains(e.Msg, c.msg) {
				t.Errorf("got %v; want it at %q with %q", err, c.at, c.msg)
			}
		})
	}
}

func TestCOCO(t *testing.T) {
	kp := func(v string) string { return strings.Repeat("1,2,"+v+",", 16) + "1,2," + v }
	set := `{"images":[{"id":7,"width":64,"height":48},{"id":5},{"id":6}],"annotations":[{"image_id":5,"keypoints":[` + kp("2") + `]},{"image_id":7,"keypoints":[` + kp("1") + `]}]}`
	got, err := Read(strings.NewReader(set), "c.json", Options{FPS: 50})
	if err != nil {
		t.Fatal(err)
	}
	g := got[0]
	if g.Len() != 3 || g.Times[2] != 0.04 || g.Raw[0][pose.RightAnkle].Score != 1 || g.Raw[1][pose.Nose].Seen() || g.Raw[2][pose.Nose].Score != 0.5 {
		t.Errorf("got %+v", g)
	}
	if g.Has[pose.LeftHeel] || !g.Has[pose.LeftEar] {
		t.Error("the points of the task are not those of the track")
	}
	list := `[{"image_id":10,"keypoints":[` + kp("0.9") + `]},{"image_id":12,"keypoints":[` + kp("0.8") + `]}]`
	if got, err = Read(strings.NewReader(list), "r.json", Options{FPS: 10}); err != nil {
		t.Fatal(err)
	}
	if g := got[0]; g.Len() != 2 || math.Abs(g.Times[1]-0.2) > 1e-12 || g.Raw[1][pose.Nose].Score != 0.8 {
		t.Errorf("got %+v", g)
	}
	two := `[{"image_id":1,"keypoints":[` + kp("1") + `]},{"image_id":1,"keypoints":[` + kp("1") + `]}]`
	if _, err = Read(strings.NewReader(two), "r.json", Options{FPS: 10}); err == nil || !strings.Contains(err.Error(), "second person") {
		t.Errorf("two people in one picture: %v", err)
	}
}

// FuzzRead: no panic, and what is read holds the track's promises.
func FuzzRead(f *testing.F) {
	f.Add([]byte(`{"names":["nose"],"frames":[{"time_s":0,"raw":[[1,2,0.5]],"smooth":[[1,2,3]],"world":[null],"bat":{"status":"no_bat"},"ball":{"status":"measured","at":[1,2,3]}}]}`), 30.0)
	f.Add([]byte(`{"schema":1,"names":["nose"],"swings":[{"number":1,"frames":[]}]}`), 0.0)
	f.Add([]byte(`[{"image_id":1,"keypoints":[1,2,3]}]`), 25.0)
	f.Add([]byte(`{"images":[{"id":1}],"annotations":[],"categories":[{"keypoints":["nose"]}]}`), math.Inf(1))
	f.Add([]byte("\x1f\x8b\x08"), 1e-300)
	f.Fuzz(func(t *testing.T, data []byte, fps float64) {
		tracks, err := Read(bytes.NewReader(data), "f", Options{FPS: fps})
		if err != nil {
			var e *Error
			if !errors.As(err, &e) {
				t.Fatalf("%T: %v", err, err)
			}
			return
		}
		for _, tr := range tracks {
			n := tr.Len()
			if len(tr.Frames) != n || len(tr.Raw) != n || tr.Smooth != nil && len(tr.Smooth) != n || tr.World != nil && len(tr.World) != n {
				t.Fatal("slices of unequal length")
			}
			for k := range n {
				if k > 0 && !(tr.Times[k] > tr.Times[k-1]) {
					t.Fatal("times do not rise")
				}
				for _, p := range tr.Raw[k] {
					if math.IsNaN(p.X+p.Y+p.Score) || p.Score < 0 || p.Score > 1 {
						t.Fatal(fmt.Sprint("point ", p))
					}
				}
			}
		}
	})
}
