package pipeline

import (
	"encoding/json"
	"math"
	"os"
	"slices"
	"testing"

	"cagebook/phases"
	"cagebook/pose"
	"cagebook/report"
)

// realTracks reads joints that people marked on real clips: the labels of Penn
// Action (Zhang, Zhu & Derpanis, ICCV 2013). They are evaluation data and no
// part of the project. Their rate is not recorded; about 28 frames a second.
func realTracks(t *testing.T, file string) map[string]*pose.Track {
	t.Helper()
	data, err := os.ReadFile("../../shared/data/tracks/" + file)
	if err != nil {
		t.Skipf("no evaluation data beside the checkout: %v", err)
	}
	var d struct {
		Joints []string
		Clips  []struct {
			ID   string
			X, Y [][]float64
		}
	}
	if err := json.Unmarshal(data, &d); err != nil {
		t.Fatal(err)
	}
	d.Joints[0] = pose.Nose.String() // the middle of the head
	out := map[string]*pose.Track{}
	for _, c := range d.Clips {
		tr := &pose.Track{}
		for i := range c.X {
			var p pose.Pose
			for k, n := range d.Joints {
				j, ok := pose.ParseJoint(n)
				if !ok {
					t.Fatalf("joint %q", n)
				}
				p[j], tr.Has[j] = pose.Keypoint{X: c.X[i][k], Y: c.Y[i][k], Score: 1}, true
			}
			tr.Frames, tr.Times, tr.Raw = append(tr.Frames, i), append(tr.Times, float64(i)/28), append(tr.Raw, p)
		}
		out[c.ID] = tr
	}
	return out
}

func swingsOf(t *testing.T, tr *pose.Track) []report.Swing {
	t.Helper()
	res, err := AnalyzeTrack(Clip{Rel: "x", Put: func(string, []byte) error { return nil }}, []*pose.Track{tr}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return res.Report.Swings
}

// Of 56 real swings at least 52 are found: in the others hidden wrists were
// marked far off, or left and right are exchanged. No clip gives two.
func TestRealSwingsAreFound(t *testing.T) {
	found := 0
	all := realTracks(t, "swing_dev.json")
	for id, tr := range all {
		switch n := len(swingsOf(t, tr)); n {
		case 1:
			found++
		case 0:
			t.Logf("%s: not found", id)
		default:
			t.Errorf("%s: %d swings", id, n)
		}
	}
	t.Logf("%d of %d found", found, len(all))
	if found < 52 {
		t.Errorf("%d of %d found", found, len(all))
	}
}

func TestRealPitchesAreNoSwings(t *testing.T) {
	for id, tr := range realTracks(t, "pitch_dev.json") {
		if n := len(swingsOf(t, tr)); n != 0 {
			t.Errorf("pitch %s: %d swings", id, n)
		}
	}
}

// Contact and foot down against marks made by eye on the same tracks (they are
// sure to 1 to 1.5 frames themselves).
func TestRealInstants(t *testing.T) {
	data, err := os.ReadFile("../../shared/data/tracks/marks_dev.json")
	if err != nil {
		t.Skipf("no evaluation data beside the checkout: %v", err)
	}
	var m struct {
		Marks []struct {
			Clip, Event string
			Frame       *float64
		}
	}
	if err := json.Unmarshal(data, &m); err != nil {
		t.Fatal(err)
	}
	tracks := realTracks(t, "swing_dev.json")
	errs := map[string][]float64{}
	for _, k := range m.Marks {
		if k.Frame == nil {
			continue
		}
		for _, sw := range swingsOf(t, tracks[k.Clip]) {
			for _, e := range sw.Events {
				if string(e.Name) == k.Event {
					errs[k.Event] = append(errs[k.Event], float64(e.TimeS)*28-*k.Frame)
				}
			}
		}
	}
	for event, limit := range map[string]float64{string(phases.Contact): 1.0, string(phases.FootDown): 1.5} {
		var abs []float64
		for _, e := range errs[event] {
			abs = append(abs, math.Abs(e))
		}
		med := median(abs)
		t.Logf("%s: %d marks, median error %.2f frames: %.1f", event, len(abs), med, errs[event])
		if len(abs) < 8 || med > limit {
			t.Errorf("%s: median error %.2f frames of %d marks, want at most %.1f", event, med, len(abs), limit)
		}
	}
}

func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := slices.Clone(x)
	slices.Sort(s)
	return s[len(s)/2]
}
