package report

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"cagebook/configs"
	"cagebook/phases"
)

func ptr(v float64) *float64 { return &v }

// rule makes a rule with one band on one measure.
func rule(id string, low, high *float64) configs.Rule {
	return configs.Rule{
		ID: id, Title: id, Moment: "contact", Mode: configs.ModeJudge, Views: []string{"open"},
		Keep: "keep {value}", Note: "note {value}", CannotTell: "This.", CueOutcome: "o", CueBody: "b", Drill: "d",
		Checks: []configs.Check{{
			Measure: id, Event: "contact", Label: id, Below: "below {value}", Above: "above {value}",
			Bands: []configs.Band{{Low: low, High: high, Unit: "deg", Level: "any", Sport: "any", Task: "any", Source: configs.PracticeSource, SourceKind: "practice", Words: "w", Why: "y"}},
		}},
	}
}

func TestVerdicts(t *testing.T) {
	// Band 10 to 20, sigma 2: work on beyond 10 − 3.92 = 6.08 and 20 + 3.92 = 23.92, keep from 12 to 18.
	r := rule("a", ptr(10), ptr(20))
	for _, c := range []struct {
		name         string
		value, sigma float64
		view         string
		status       phases.Status
		want         Verdict
		sentence     string
	}{
		{"in the middle", 15, 2, "open", phases.Measured, Keep, "keep 15°"},
		{"inside by just a sigma", 12, 2, "open", phases.Measured, Keep, "keep 12°"},
		{"inside by less", 11.9, 2, "open", phases.Measured, Note, "too close"},
		{"under it by less than 1.96 sigma", 6.1, 2, "open", phases.Measured, Note, "not by enough"},
		{"under it by less than a sigma", 8.1, 2, "open", phases.Measured, Note, "too close"},
		{"under it by more", 6.0, 2, "open", phases.Measured, WorkOn, "below 6°"},
		{"over it by less than 1.96 sigma", 23.9, 2, "open", phases.Measured, Note, "not by enough"},
		{"over it by more", 24, 2, "open", phases.Measured, WorkOn, "above 24°"},
		{"far out, but hardly known", 60, 30, "open", phases.Measured, Note, "not by enough"},
		{"camera stands elsewhere", 15, 2, "catcher", phases.Measured, CannotTell, "this camera"},
		{"hidden", 15, 2, "open", phases.Occluded, CannotTell, "hides"},
		{"too few frames", 15, 2, "open", phases.FrameRate, CannotTell, "frames"},
		{"measured without an uncertainty", 15, 0, "open", phases.Measured, CannotTell, "checks"},
	} {
		t.Run(c.name, func(t *testing.T) {
			sw := &phases.Swing{View: phases.View{Side: c.view}, Measures: []phases.Measure{{Name: "a", Event: "contact", Value: c.value, Sigma: c.sigma, Unit: "deg", Status: c.status}}}
			f := Judge(sw, &configs.RuleSet{Rules: []configs.Rule{r}}, Hitter{})[0]
			if f.Verdict != c.want || !strings.Contains(f.Sentence, c.sentence) {
				t.Errorf("%s, %q; want %s with %q", f.Verdict, f.Sentence, c.want, c.sentence)
			}
			if (f.Verdict == WorkOn) != (f.Cue != "" && f.CueBody != "" && f.Drill != "") {
				t.Error("cue and drill belong to what is to work on, and only there")
			}
			if c.want == CannotTell && (f.Measures[0].Value.Known() || f.Measures[0].Status == phases.Measured) {
				t.Error("a number is given where it cannot be told")
			}
		})
	}
}

// Hips that glide on after landing are named where the number is sure, and only there.
// The limit is half the width of the hips, 0.191/2 of standing height (Drillis and
// Contini 1966, as tabled by Winter).
func TestHipsThatGlide(t *testing.T) {
	rules, err := configs.DefaultRules()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		side         string
		value, sigma float64
		want         Verdict
	}{
		{"open", 0.143, 0.018, WorkOn},
		{"open", 0.110, 0.018, Note},
		{"open", 0.191/2 - 0.002, 0.018, Note},
		{"open", 0.052, 0.018, Keep},
		{"pitcher", 0.143, 0.018, CannotTell},
	} {
		sw := &phases.Swing{View: phases.View{Side: c.side}, Measures: []phases.Measure{m("pelvis_drift", "foot_down_to_contact", c.value, c.sigma, "body_heights")}}
		for _, f := range Judge(sw, rules, Hitter{HeightM: 1.5}) {
			if f.Rule == "hips_turn_in_place" && f.Verdict != c.want {
				t.Errorf("%s, %g ± %g: %s, want %s", c.side, c.value, c.sigma, f.Verdict, c.want)
			}
		}
	}
}

func TestModesAndUnits(t *testing.T) {
	sw := &phases.Swing{View: phases.View{Side: "open"}, Measures: []phases.Measure{{Name: "a", Event: "contact", Value: 90, Sigma: 2, Unit: "deg", Status: phases.Measured}}}
	for _, c := range []struct {
		name   string
		change func(*configs.Rule)
		want   Verdict
	}{
		{"praise never asks for work", func(r *configs.Rule) { r.Mode = configs.ModePraise }, Note},
		{"describe never judges", func(r *configs.Rule) { r.Mode = configs.ModeDescribe; r.Checks[0].Bands[0].High = ptr(200) }, Note},
		{"a band in another unit is not used", func(r *configs.Rule) { r.Checks[0].Bands[0].Unit = "m" }, Note},
		{"a band of another level is not used", func(r *configs.Rule) { r.Checks[0].Bands[0].Level = "adult" }, Note},
		{"judged", func(*configs.Rule) {}, WorkOn},
	} {
		r := rule("a", ptr(10), ptr(20))
		c.change(&r)
		if f := Judge(sw, &configs.RuleSet{Rules: []configs.Rule{r}}, Hitter{Level: "youth"})[0]; f.Verdict != c.want {
			t.Errorf("%s: %s, want %s", c.name, f.Verdict, c.want)
		}
	}
}

func TestAtMostTwoToWorkOn(t *testing.T) {
	sw := &phases.Swing{View: phases.View{Side: "open"}}
	rs := &configs.RuleSet{}
	// Distance over the limit in sigma: b is known worst although it comes early; a, c and d are sure.
	for _, q := range []struct {
		id string
		z  float64
	}{{"b", 2.2}, {"a", 5}, {"c", 4}, {"d", 9}, {"good", -3}} {
		rs.Rules = append(rs.Rules, rule(q.id, nil, ptr(10)))
		sw.Measures = append(sw.Measures, phases.Measure{Name: q.id, Event: "contact", Value: 10 + q.z, Sigma: 1, Unit: "deg", Status: phases.Measured})
	}
	var got []string
	for _, f := range Judge(sw, rs, Hitter{}) {
		s := string(f.Verdict) + " " + f.Rule
		if f.Later {
			s += " later"
		}
		got = append(got, s)
	}
	want := []string{"keep good", "work_on a", "work_on c", "note b later", "note d later"}
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

// What is past its band without being sure is pointed out: what is farthest past first, and two things with those to work on.
func TestPointedOut(t *testing.T) {
	for _, c := range []struct {
		name string
		z    map[string]float64 // distance over the limit in sigma
		want []string
	}{
		{"the two that are farthest past", map[string]float64{"a": 1.1, "b": 1.9, "c": 1.5, "d": 0.9}, []string{"b", "c"}},
		{"one beside one to work on", map[string]float64{"a": 1.1, "b": 4, "c": 1.5}, []string{"c"}},
		{"none beside two to work on", map[string]float64{"a": 3, "b": 4, "c": 1.5}, nil},
		{"none where all is close to the limit or inside", map[string]float64{"a": 0.9, "b": -0.5, "c": -4}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			sw := &phases.Swing{View: phases.View{Side: "open"}}
			rs := &configs.RuleSet{}
			for _, id := range slices.Sorted(maps.Keys(c.z)) {
				rs.Rules = append(rs.Rules, rule(id, nil, ptr(10)))
				sw.Measures = append(sw.Measures, phases.Measure{Name: id, Event: "contact", Value: 10 + c.z[id], Sigma: 1, Unit: "deg", Status: phases.Measured})
			}
			var got []string
			for _, f := range Judge(sw, rs, Hitter{}) {
				if f.Look {
					got = append(got, f.Rule)
				}
				if f.Look && (f.Verdict != Note || f.Cue != "" || f.Drill != "") {
					t.Errorf("%+v: asks for something", f)
				}
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("got %v, want %v", got, c.want)
			}
		})
	}
}

// Every rule that comes with the program names measures that the swing
// analysis has, at an event where it has them, in the unit that it gives.
func TestRulesFitMeasures(t *testing.T) {
	rules, err := configs.DefaultRules()
	if err != nil {
		t.Fatal(err)
	}
	unit := map[string]string{}
	for _, d := range phases.Definitions {
		unit[d.Name+"@"+d.Event] = d.Unit
	}
	for _, r := range rules.Rules {
		for _, c := range r.Checks {
			u, ok := unit[c.Measure+"@"+c.Event]
			if !ok {
				t.Errorf("rule %s: no measure %s at %s", r.ID, c.Measure, c.Event)
			}
			for _, b := range c.Bands {
				if ok && b.Unit != u {
					t.Errorf("rule %s: band of %s in %s, measured in %s", r.ID, c.Measure, b.Unit, u)
				}
			}
		}
	}
	for _, c := range csvMeasures {
		if _, ok := unit[c[0]+"@"+c[1]]; !ok {
			t.Errorf("batch.csv: no measure %s at %s", c[0], c[1])
		}
	}
}

func TestExampleFindings(t *testing.T) {
	in := exInput(t)
	verdict := map[string]Verdict{}
	for _, f := range Judge(in.Swings[0].Swing, in.Rules, Hitter{Level: "youth", HeightM: 1.52}) {
		verdict[f.Rule] = f.Verdict
		if strings.ContainsAny(f.Sentence, "{}") {
			t.Errorf("%s: a placeholder is left: %s", f.Rule, f.Sentence)
		}
	}
	for rule, want := range map[string]Verdict{
		"load_over_back_foot": Keep,       // 0.31 ± 0.04, limit 0.5
		"hands_back":          WorkOn,     // 0.14 ± 0.03, limit 0.25: 3.7 sigma
		"front_foot_closed":   Note,       // 38 ± 14, limit 45
		"firm_front_leg":      Keep,       // straightens by 17 ± 5
		"hips_then_hands":     CannotTell, // frame rate
		"bat_speed":           CannotTell, // no bat
		"athletic_stance":     Note,       // described, never graded
	} {
		if verdict[rule] != want {
			t.Errorf("%s: %s, want %s", rule, verdict[rule], want)
		}
	}
}
