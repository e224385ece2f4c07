package main

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"cagebook/configs"
	"cagebook/phases"
	"cagebook/pipeline/studio"
	"cagebook/pose"
	"cagebook/report"
)

// truthful is a scene's truth, and a clip that says exactly that.
func truthful(t *testing.T, seed uint64, plant string) (*studio.Truth, clip) {
	t.Helper()
	s := studio.RandomScene(seed, studio.Variety{Azimuths: []float64{0}, FPS: []float64{60}})
	if plant != "" {
		s.Hitter.Style.Faults.HeadPull = 0.14
	}
	tr, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	c := clip{label: "scene", truth: tr, hitter: hitterOf(tr)}
	for i := range tr.Swings {
		want := &tr.Swings[i]
		sw := phases.Swing{Bats: phases.Bats(tr.Bats), View: phases.View{Side: want.View.Side, AzimuthDeg: want.View.AzimuthDeg, SigmaDeg: 3}}
		for _, e := range want.Events {
			x := phases.Event{Name: phases.EventName(e.Name), TimeS: e.TimeS, SigmaS: 0.003, From: "keypoints"}
			if e.Name == "contact" {
				x.From, x.Cues = "audio", []phases.ContactCue{{TimeS: e.TimeS + 0.01, SigmaS: 0.02, From: "keypoints"}, {TimeS: e.TimeS, SigmaS: 0.002, From: "audio"}}
			}
			sw.Events = append(sw.Events, x)
		}
		for _, m := range want.Measures {
			sw.Measures = append(sw.Measures, phases.Measure{Name: m.Name, Event: m.Event, Unit: m.Unit, Value: m.Value, Sigma: 0.01 + 0.001*math.Abs(m.Value), Status: phases.Measured})
		}
		track := &pose.Track{Width: tr.Width, Height: tr.Height}
		for k := range tr.Frames {
			f := &tr.Frames[k]
			var p pose.Pose
			var e [pose.NumJoints]pose.Estimate
			for j := range p {
				p[j] = pose.Keypoint{X: f.Image[j][0], Y: f.Image[j][1], Score: 1}
				e[j] = pose.Estimate{X: f.Image[j][0], Y: f.Image[j][1], Sigma: 1}
			}
			if f.Bat != nil {
				f.Bat.Visible = true
			}
			track.Times, track.Frames, track.Raw, track.Smooth = append(track.Times, f.TimeS), append(track.Frames, k), append(track.Raw, p), append(track.Smooth, e)
			track.Bat = append(track.Bat, pose.BatSample{Status: "measured", Knob: pose.Estimate{X: f.Knob[0], Y: f.Knob[1], Sigma: 1}, Barrel: pose.Estimate{X: f.Barrel[0], Y: f.Barrel[1], Sigma: 1}})
		}
		rules, err := configs.DefaultRules()
		if err != nil {
			t.Fatal(err)
		}
		c.swings = append(c.swings, found{sw, report.Judge(&sw, rules, c.hitter), track})
	}
	return tr, c
}

func tableOf(clips ...clip) *table {
	b := newBench()
	for _, c := range clips {
		b.add(c)
	}
	return b.table()
}

// shareOf is the share of a row, NaN if there is none.
func shareOf(t *testing.T, tab *table, section, name, group string) float64 {
	t.Helper()
	r := tab.find(section, name, group)
	if r == nil {
		t.Fatalf("no row %s %s %s", section, name, group)
	}
	if r.Share == nil {
		return math.NaN()
	}
	return *r.Share
}

// Who tells the truth misses nothing.
func TestBenchOfTheTruth(t *testing.T) {
	var clips []clip
	for seed := uint64(1); seed <= 3; seed++ {
		_, c := truthful(t, seed, "head")
		clips = append(clips, c)
	}
	tab := tableOf(clips...)
	if m, _ := tab.misses(); len(m) > 0 {
		t.Errorf("missed: %s", strings.Join(m, "\n"))
	}
	if len(tab.Notices) > 0 {
		t.Errorf("notices: %s", strings.Join(tab.Notices, "\n"))
	}
	for _, r := range []struct{ section, name, group string }{
		{"swings", "swings found", ""},
		{"swings", "right person in the swings found", ""},
		{"swings", "bats side right", ""},
		{"findings", "planted fault named", "head_pull"},
		{"findings", "true fault named", "head_steady"},
		{"bat", "barrel end within 5 % of body height", ""},
		{"bat", "knob end within 5 % of body height", ""},
		{"measures", "head_travel @ foot_down_to_contact", ""},
	} {
		if s := shareOf(t, tab, r.section, r.name, r.group); s != 1 {
			t.Errorf("%s, %s %s: share %g, want 1", r.section, r.name, r.group, s)
		}
	}
	if r := tab.find("contact", "body alone", ""); r.N != 3 || math.Abs(*r.Bias-10) > 1e-6 {
		t.Errorf("contact by the body alone, planted 10 ms late in 3: %+v", r)
	}
}

// Each lie shows in its row, and in no other clip's.
func TestBenchFindsErrors(t *testing.T) {
	head := func(*studio.Truth, *clip) {}
	for _, c := range []struct {
		what                 string
		lie                  func(tr *studio.Truth, c *clip)
		section, name, group string
		want                 float64 // share
	}{
		{"swing left out", func(_ *studio.Truth, c *clip) { c.swings = nil }, "swings", "swings found", "", 0},
		{"contact half a second late", func(_ *studio.Truth, c *clip) { shift(&c.swings[0], phases.Contact, 0.5) }, "swings", "swings found", "", 0},
		{"other side", func(tr *studio.Truth, c *clip) {
			c.swings[0].Bats = map[string]phases.Bats{"R": "L", "L": "R"}[tr.Bats]
		}, "swings", "bats side right", "", 0},
		{"other view", func(_ *studio.Truth, c *clip) { c.swings[0].View.Side = "closed" }, "swings", "view side right", "", 0},
		{"somebody else", func(tr *studio.Truth, c *clip) { moveTrack(&c.swings[0], 0.3*tr.HeightM*tr.PxPerM) }, "swings", "right person in the swings found", "", 0},
		{"bat 8 % of height off", func(tr *studio.Truth, c *clip) {
			for i := range c.swings[0].track.Bat {
				c.swings[0].track.Bat[i].Barrel.X += 0.08 * tr.HeightM * tr.PxPerM
			}
		}, "bat", "barrel end within 5 % of body height", "", 0},
		{"bat not answered", func(_ *studio.Truth, c *clip) {
			for i := range c.swings[0].track.Bat {
				c.swings[0].track.Bat[i].Status = "no_bat"
			}
		}, "bat", "knob end within 5 % of body height", "", 0},
		{"fault not named", func(_ *studio.Truth, c *clip) { say(&c.swings[0], "head_steady", report.Note) }, "findings", "planted fault named", "head_pull", 0},
		{"another fault not named", func(_ *studio.Truth, c *clip) { say(&c.swings[0], "head_steady", report.Keep) }, "findings", "praised though outside the band", "head_steady", 1},
		{"no lie", head, "findings", "fault named that is not there, of chances", "no_drift", 0},
		{"fault that is not there", func(_ *studio.Truth, c *clip) { say(&c.swings[0], "no_drift", report.WorkOn) }, "findings", "fault named that is not there, of chances", "no_drift", 1},
		{"the same, of findings to work on", func(_ *studio.Truth, c *clip) { say(&c.swings[0], "no_drift", report.WorkOn) }, "findings", "fault named that is not there, of findings to work on", "no_drift", 1},
		{"status without a value", func(_ *studio.Truth, c *clip) {
			for i := range c.swings[0].Measures {
				c.swings[0].Measures[i].Status = phases.NotInView
			}
		}, "measures", "trunk_lean @ contact", "", 0},
	} {
		tr, cl := truthful(t, 1, "head")
		c.lie(tr, &cl)
		if s := shareOf(t, tableOf(cl), c.section, c.name, c.group); s != c.want {
			t.Errorf("%s: %s %s %s is %g, want %g", c.what, c.section, c.name, c.group, s, c.want)
		}
	}
}

// A stated uncertainty that is too small is a miss, and so is an error over the goal.
func TestBenchFindsNarrowIntervals(t *testing.T) {
	var clips []clip
	for seed := uint64(1); seed <= 4; seed++ {
		_, c := truthful(t, 1, "head")
		shift(&c.swings[0], phases.Contact, 0.030)
		c.swings[0].Measures[0].Value += 1
		clips = append(clips, c, c, c)
	}
	tab := tableOf(clips...)
	m, _ := tab.misses()
	all := strings.Join(m, "\n")
	for _, want := range []string{"contact · 50-60 fps, ms; goal within 1 frame", "contact, ms; goal 90–99 % inside", "fused · clean crack in the clip, ms; goal within 4 ms", clips[0].swings[0].Measures[0].Name} {
		if !strings.Contains(all, want) {
			t.Errorf("%q is not among the misses:\n%s", want, all)
		}
	}
	var b bytes.Buffer
	tab.print(&b)
	if md := string(tab.markdown()); !strings.Contains(md, "MISSED") || !strings.Contains(b.String(), narrow) {
		t.Error("the printed table does not say so in words")
	}
}

func shift(f *found, name phases.EventName, s float64) {
	for i := range f.Events {
		if f.Events[i].Name == name {
			f.Events[i].TimeS += s
		}
	}
}

func moveTrack(f *found, px float64) {
	for i := range f.track.Raw {
		for j := range f.track.Raw[i] {
			f.track.Raw[i][j].X += px
		}
	}
}

func say(f *found, rule string, v report.Verdict) {
	for i := range f.findings {
		if f.findings[i].Rule == rule {
			f.findings[i].Verdict = v
		}
	}
}

// A floor can fail: one swing left out of four is below it, and so is a table without the row.
func TestFloorsFail(t *testing.T) {
	var clips []clip
	for range 4 {
		_, c := truthful(t, 1, "")
		clips = append(clips, c)
	}
	floors := []floor{{section: "swings", name: "swings found", what: "share", least: 0.85}, {section: "events", name: "contact", what: "p95_error", most: 40}}
	if below := tableOf(clips...).below(floors); len(below) > 0 {
		t.Errorf("the truth is below floors: %v", below)
	}
	clips[0].swings = nil
	shift(&clips[1].swings[0], phases.Contact, 0.1)
	if below := tableOf(clips...).below(floors); len(below) != len(floors) {
		t.Errorf("below %v, want both floors", below)
	}
	for _, all := range [][]floor{keypointFloors, quickFloors} {
		if below := newBench().table().below(all); len(all) == 0 || len(below) < len(all)-2 {
			t.Errorf("an empty table holds floors: only %v are not held", below)
		}
	}
}

// The file of the table keeps its form: every row has every field, and the names of fields stay.
func TestTableJSON(t *testing.T) {
	_, c := truthful(t, 1, "")
	data, err := tableOf(c).json()
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Schema int
		Rows   []map[string]any
	}
	if err := json.Unmarshal(data, &got); err != nil {
		t.Fatal(err)
	}
	want := []string{"bias", "counts", "goals", "group", "inside_95", "median_error", "median_sigma", "n", "name", "p95_error", "section", "share", "unit"}
	for _, r := range got.Rows {
		if k := sortedKeys(r); !slices.Equal(k, want) {
			t.Fatalf("row %v has the fields %v, want %v", r["name"], k, want)
		}
	}
	if got.Schema != tableSchema || len(got.Rows) < 100 {
		t.Errorf("schema %d, %d rows", got.Schema, len(got.Rows))
	}
}

// A folder in which some clips have no report yet is held against the truth of the others.
func TestPartialSet(t *testing.T) {
	dir := t.TempDir()
	for _, n := range []string{"a.mp4", "b.mp4"} {
		tr, _ := truthful(t, 1, "")
		if err := writeJSON(filepath.Join(dir, "truth", n+".json"), tr); err != nil {
			t.Fatal(err)
		}
	}
	rep := report.Build(report.Input{Path: "a.mp4", Outcome: report.Outcome{State: report.NoSwing}})
	data, err := rep.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(dir, "out", "clips", "a.mp4"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "out", "clips", "a.mp4", "report.json"), data, 0o644); err != nil {
		t.Fatal(err)
	}
	b := newBench()
	if err := b.reports(filepath.Join(dir, "out"), filepath.Join(dir, "truth"), false); err != nil {
		t.Fatal(err)
	}
	tab := b.table()
	if tab.Clips != 1 || tab.NoReport != 1 || shareOf(t, tab, "swings", "swings found", "") != 0 {
		t.Errorf("%d clips, %d without a report: %s", tab.Clips, tab.NoReport, tab.headline())
	}
}

// keypointFloors hold comfortably today (in brackets what was measured when they were set) for keypoints with noise of
// 1.2 % of body height in 14 scenes with a swing and 6 without. They are no goals: those stand in the table.
var keypointFloors = []floor{
	{section: "swings", name: "swings found", what: "share", least: 0.85},                               // 0.93
	{section: "swings", name: "swings invented per 100 clips", what: "goal", most: 9},                   // 0; one is 5
	{section: "swings", name: "bats side right", what: "share", least: 0.92},                            // 1
	{section: "swings", name: "view side right", what: "share", least: 0.92},                            // 1
	{section: "swings", name: "azimuth", what: "p95_error", most: 15},                                   // 6.2°
	{section: "events", name: "contact", what: "median_error", most: 12},                                // 5.9 ms
	{section: "events", name: "contact", what: "p95_error", most: 40},                                   // 16 ms
	{section: "events", name: "contact", what: "inside_95", least: 0.90},                                // 1
	{section: "events", name: "hands_start", what: "median_error", most: 45},                            // 31 ms
	{section: "events", name: "hands_start", what: "inside_95", least: 0.85},                            // 1
	{section: "events", name: "foot_down", what: "median_error", most: 30},                              // 13 ms
	{section: "events", name: "foot_down", what: "inside_95", least: 0.85},                              // 1
	{section: "events", name: "finish", what: "inside_95", least: 0.85},                                 // 1
	{section: "measures", name: "lead_knee_flexion @ contact", what: "inside_95", least: 0.80},          // 1
	{section: "findings", name: "fault named that is not there, of chances", what: "share", most: 0.05}, // 0 of 43
	{section: "keypoints", name: "left_wrist", group: "smoothed", what: "median_error", most: 1.4},      // 1.2 % of body height, 1.4 raw
	{section: "keypoints", name: "left_knee", group: "smoothed", what: "inside_95", least: 0.90},        // 1
}

// Everything after the pose model, on keypoints whose truth is known.
func TestKeypointAccuracy(t *testing.T) {
	if testing.Short() {
		t.Skip("short: takes several seconds")
	}
	b := newBench()
	if err := b.keypoints(14, 6, 1000, 0.012, false); err != nil {
		t.Fatal(err)
	}
	tab := b.table()
	for _, s := range tab.below(keypointFloors) {
		t.Error(s)
	}
	if t.Failed() || testing.Verbose() {
		var out bytes.Buffer
		tab.print(&out)
		t.Log(out.String())
	}
}

// Of a fault just clear of the interval every second one is named; 1.645 σ farther off 19 of 20 (the normal distribution).
func TestChanceOf(t *testing.T) {
	for _, c := range []struct{ beyond, want float64 }{{z95, 0.5}, {z95 + 1.645, 0.95}, {z95 + 1.2816, 0.9}, {10, 1}} {
		if got := chanceOf(0.03*c.beyond, 0.03); math.Abs(got-c.want) > 1e-4 {
			t.Errorf("%.2f σ beyond: %.4f, want %.4f", c.beyond, got, c.want)
		}
	}
}
