package report

import (
	"strings"
	"testing"

	"cagebook/phases"
)

// Every measure and every moment has a name in plain words, not one spelled from its identifier.
func TestEverythingHasAName(t *testing.T) {
	for _, d := range phases.Definitions {
		if _, ok := measureWords[d.Name]; !ok {
			t.Errorf("measure %s has no name in words", d.Name)
		}
	}
	for _, e := range append([]phases.EventName{phases.LeadFootOff, phases.HeelDown}, phases.KeyFrames[:]...) {
		if phases.EventWords[e] == "" {
			t.Errorf("moment %s has no name in words", e)
		}
	}
}

// A hitter whose settings ask for it is told in inches, feet and mph; an inch is 25.4 mm and a mile an hour 0.44704 m/s
// (International Yard and Pound Agreement, 1959). Files keep metres.
func TestUnits(t *testing.T) {
	us := Hitter{HeightM: 1.6764, Units: unitsUS} // 66 inches
	for _, c := range []struct{ name, got, want string }{
		{"height", us.Tall(), "5 ft 6 in"},
		{"height below a foot's edge", Hitter{HeightM: 1.8279, Units: unitsUS}.Tall(), "6 ft 0 in"},
		{"metric height", Hitter{HeightM: 1.68}.Tall(), "1.68 m"},
		{"a long way", PlainValue(0.5, "body_heights", us), "33 inches"},
		{"a short way", PlainValue(0.02, "m", us), "0.8 inches"},
		{"both with as many decimals", PlainPM(0.5, 0.01, "body_heights", us), "33.0 ± 0.7 inches"},
		{"whole inches", PlainPM(0.5, 0.05, "body_heights", us), "33 ± 3 inches"},
		{"speed", PlainPM(30, 2, "m/s", us), "67 ± 4 mph"},
		{"height not known", PlainPM(0.5, 0.05, "body_heights", Hitter{Units: unitsUS}), "50 ± 5 % of your height"},
		{"a share is a percentage everywhere", ValuePM(0.291, 0.078, "fraction"), "29 ± 8 %"},
	} {
		if c.got != c.want {
			t.Errorf("%s: %q, want %q", c.name, c.got, c.want)
		}
	}
	in := exInput(t)
	in.Said.Units = "us"
	metric, r := Build(exInput(t)), Build(in)
	for i, m := range r.Swings[0].Measures {
		if w := metric.Swings[0].Measures[i]; m.Unit != w.Unit || m.Value.Known() && m.Value != w.Value {
			t.Errorf("%s is %v %s in report.json, want %v %s: numbers in files stay metric", m.Name, m.Value, m.Unit, w.Value, w.Unit)
		}
	}
	if err := validate(schema(t, ReportSchema), marshal(t, r)); err != nil {
		t.Error(err)
	}
	page, err := r.HTML()
	if err != nil {
		t.Fatal(err)
	}
	if text := string(page); strings.Contains(text, "m/s<") || strings.Contains(text, " cm") || !strings.Contains(text, " inches") {
		t.Error("the page of a hitter who is told in inches has metres in it, or no inches")
	}
}

// What cannot be told is said once for every reason, and all of it.
func TestBecause(t *testing.T) {
	in := exInput(t)
	in.Swings[0].Swing.View.Side = "pitcher"
	r := Build(in)
	p := r.swingPage(&r.Swings[0])
	seen := map[string]bool{}
	for _, b := range p.Cannot {
		if seen[b.Why] || b.Why == "Other reasons" {
			t.Errorf("the reason %q stands there twice, or is none", b.Why)
		}
		seen[b.Why] = true
	}
	if want := len(r.Swings[0].titles(CannotTell)); want == 0 || p.CannotN() != want {
		t.Errorf("%d things that cannot be told, want %d and more than none", p.CannotN(), want)
	}
}

// Moments that stand in the wrong order are told of; hands that start before the foot is down are not.
func TestMomentsOutOfOrder(t *testing.T) {
	move := func(name phases.EventName, s float64) []string {
		r := Build(exInput(t))
		for i := range r.Swings[0].Events {
			if e := &r.Swings[0].Events[i]; e.Name == name {
				e.TimeS = Num(s)
			}
		}
		return r.order(&r.Swings[0])
	}
	if got := move(phases.Load, 0.600); len(got) > 0 {
		t.Errorf("a swing in order: %q", got)
	}
	if got := move(phases.HandsStart, 0.780); len(got) > 0 {
		t.Errorf("hands before the foot is down: %q", got)
	}
	if got := move(phases.Load, 0.900); len(got) != 1 || !strings.HasPrefix(got[0], "Load was read 0.10 s later than foot down") {
		t.Errorf("load after foot down: %q", got)
	}
	if got := move(phases.Stance, 0.600); len(got) != 1 || !strings.HasPrefix(got[0], "Stance and load are the same picture") {
		t.Errorf("stance at the load: %q", got)
	}
}

// The page of a file that could not be read leads back, and speaks neither of the hitter nor of filming.
func TestPageOfNoVideo(t *testing.T) {
	page, err := Build(Input{Path: "day/notes.mp4", Outcome: Outcome{NotVideo, "no video can be read in it."}, InBatch: true}).HTML()
	if err != nil {
		t.Fatal(err)
	}
	text := string(page)
	if !strings.Contains(text, "All clips") || !strings.Contains(text, "<strong>Not a video.</strong> No video can be read in it.") {
		t.Error("want a link to the morning page and the reason as a sentence")
	}
	for _, no := range []string{"Correct the hitter", "How to film", "±"} {
		if strings.Contains(text, no) {
			t.Errorf("it says %q", no)
		}
	}
}
