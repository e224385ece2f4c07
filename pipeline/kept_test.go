package pipeline

import (
	"bytes"
	"context"
	"math"
	"os"
	"path/filepath"
	"testing"

	"cagebook/configs"
	"cagebook/phases"
	"cagebook/pipeline/video"
	"cagebook/pose"
	"cagebook/report"
)

// keptClip keeps the figure's clip in a folder.
func keptClip(t *testing.T) (*Clip, *report.Report) {
	t.Helper()
	needFFmpeg(t)
	store := NewStore(t.TempDir())
	clip := &Clip{Rel: "a.mp4", SHA256: "00ff", Put: store.ClipPut("a.mp4"), Tool: Tool{Version: "1", Models: map[string]string{"m": "1"}}}
	clip.Kept = func() ([]byte, error) { return store.Read(KeptDir + "/00ff") }
	clip.Keep = func(data []byte) error { return store.Put(KeptDir+"/00ff", data) }
	r, jpg := filmed()
	pics := spooled(t, jpg)
	if err := films(context.Background(), *clip, r, pics, t.TempDir()); err != nil {
		t.Fatal(err)
	}
	for _, e := range r.Swings[0].Events {
		if _, err := pics.part(r.Swings[0].Film, e.Frame); err != nil {
			t.Fatal(err)
		}
	}
	// Beside the figure stands somebody else, and a shadow that is hardly a person.
	figure, other := pose.Person{Points: r.Swings[0].Track.Raw[0], Score: 0.9, Box: pose.Box{X0: 110, Y0: 50, X1: 180, Y1: 200}}, pose.Person{Score: 0.7, Box: pose.Box{X0: 20, Y0: 60, X1: 60, Y1: 180}}
	for j, q := range figure.Points {
		other.Points[j] = pose.Keypoint{X: q.X - 100, Y: q.Y, Score: 0.9}
	}
	shadow := pose.Person{Score: 0.16, Box: pose.Box{X0: 250, Y0: 60, X1: 290, Y1: 180}}
	pics.all = []pose.Sample{{Frame: 4, TimeS: 0.067}, {Frame: 40, TimeS: 40.0 / 60, People: []pose.Person{figure, shadow, other}}}
	if err := notePeople(clip, r, pics); err != nil {
		t.Fatal(err)
	}
	windows := []DenseWindow{{Hitter: 1, Track: *r.Swings[0].Track, flights: []keptFlight{{ContactS: 0.66}}}}
	if err := keepClip(clip, phases.Given{}, video.Info{Width: 320, Height: 240}, screened{}, windows, r, pics); err != nil {
		t.Fatal(err)
	}
	return clip, r
}

// What was kept is used for moved instants, and not where something else must be looked at again.
func TestKeptFits(t *testing.T) {
	clip, _ := keptClip(t)
	for _, c := range []struct {
		name   string
		change func(c *Clip, g *phases.Given)
		want   bool
	}{
		{"nothing changed", func(*Clip, *phases.Given) {}, true},
		{"marks, level and hitter", func(c *Clip, g *phases.Given) {
			c.Sidecar.Hitter, c.Sidecar.Level = "ada", "youth"
			g.Marks = map[phases.EventName][]float64{phases.Contact: {0.7}}
		}, true},
		{"the side that was found is stated", func(_ *Clip, g *phases.Given) { g.Bats = phases.Right }, true},
		{"the other side is stated", func(_ *Clip, g *phases.Given) { g.Bats = phases.Left }, false},
		{"height without the bat's length", func(_ *Clip, g *phases.Given) { g.HeightM = 1.5 }, true},
		{"the bat's length", func(_ *Clip, g *phases.Given) { g.HeightM, g.BatLengthM = 1.5, 0.8 }, false},
		{"another model", func(c *Clip, _ *phases.Given) { c.Tool.Models = map[string]string{"m": "2"} }, false},
		{"another version", func(c *Clip, _ *phases.Given) { c.Tool.Version = "2" }, false},
		{"another frame rate", func(c *Clip, _ *phases.Given) { c.Sidecar.CapturedFPS = 240 }, false},
		{"another person", func(c *Clip, _ *phases.Given) { c.Sidecar.HitterAt = &configs.Place{TimeS: 1, X: 0.1, Y: 0.5} }, false},
		{"hidden faces", func(c *Clip, _ *phases.Given) { c.Sidecar.HideFaces = "yes" }, false},
	} {
		other, given := *clip, phases.Given{}
		c.change(&other, &given)
		if got := readKept(&other, given) != nil; got != c.want {
			t.Errorf("%s: used %v, want %v", c.name, got, c.want)
		}
	}
}

// The same clip looked at twice gives the same bytes.
func TestKeptIsTheSameEveryTime(t *testing.T) {
	clip, _ := keptClip(t)
	k := readKept(clip, phases.Given{})
	if k == nil || len(k.Swings) != 1 || len(k.Swings[0].Shots) < 2 {
		t.Fatal("no two key frames were kept")
	}
	first, err := clip.Kept()
	if err != nil {
		t.Fatal(err)
	}
	for range 20 { // a map of two has two orders
		if err := k.write(clip); err != nil {
			t.Fatal(err)
		}
		if again, err := clip.Kept(); err != nil || !bytes.Equal(again, first) {
			t.Fatalf("other bytes the second time: %v", err)
		}
	}
}

// A moved instant gets its picture from the film; one that lies outside asks for a second look.
func TestKeptAgain(t *testing.T) {
	clip, r := keptClip(t)
	k := readKept(clip, phases.Given{})
	if k == nil {
		t.Fatal("nothing was kept")
	}
	dir := t.TempDir()
	clip.Put = NewStore(dir).ClipPut("a.mp4")
	again := func(contact int) (Result, bool) {
		sw := *r.Swings[0].Source
		sw.Events = append([]phases.Event{}, sw.Events...)
		sw.Events[1].Frame, sw.Events[1].TimeS, sw.Events[1].From = contact, float64(contact)/60, "mark"
		in := report.Input{Path: "a.mp4", Swings: []report.SwingInput{{Swing: &sw, Track: &k.Windows[0].Track}}, Outcome: report.Outcome{State: report.Done}}
		res, ok, err := k.again(context.Background(), *clip, in, t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		return res, ok
	}
	if _, ok := again(9); ok {
		t.Error("frame 9 is not in the film, which begins at frame 10")
	}
	res, ok := again(44)
	if !ok {
		t.Fatal("frame 44 is in the film")
	}
	if sw := res.Report.Swings[0]; len(sw.Notes) > 0 || sw.Stills[phases.Contact] != "swing-1/5-contact.jpg" {
		t.Errorf("stills %v, notes %q", sw.Stills, sw.Notes)
	}
	// The one on the left is number 1, the figure number 2; the shadow is nobody.
	if p := res.Report.Swings[0].People; p == nil || len(p.Of) != 2 || p.Of[0].Hitter || !p.Of[1].Hitter || math.Abs(float64(p.Of[0].X)-0.125) > 1e-9 || math.Abs(float64(p.Of[0].Y)-0.5) > 1e-9 {
		t.Errorf("people in view: %+v", p)
	}
	for _, name := range []string{"people.jpg", "film.mp4", "replay.mp4", "5-contact.jpg", "3-foot-down.jpg", "proof.jpg", "handout.pdf"} {
		if info, err := os.Stat(filepath.Join(dir, "clips", "a.mp4", "swing-1", name)); err != nil || info.Size() == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
}
