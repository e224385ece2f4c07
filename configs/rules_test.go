package configs

import (
	"strings"
	"testing"
)

func TestDefaultRules(t *testing.T) {
	rs, err := DefaultRules()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rs.Rules {
		all := strings.Join([]string{r.Keep, r.Note, r.CannotTell, r.CueOutcome, r.CueBody, r.Drill, r.LookAt}, " ")
		for _, c := range r.Checks {
			all += " " + c.Label + " " + c.Below + " " + c.Above
		}
		// A camera sees position, not force; and a hitter's picture is never called dangerous.
		for _, word := range []string{"weight", "dangerous", "injur", "risk", "wrong "} {
			if strings.Contains(strings.ToLower(all), word) {
				t.Errorf("rule %s: the words hold %q", r.ID, word)
			}
		}
	}
}

func TestParseRulesErrors(t *testing.T) {
	const head = "rules:\n  - id: a\n    title: A\n    moment: contact\n    mode: praise\n    keep: k\n    note: n\n    cannot_tell: c\n    checks:\n      - measure: m\n        event: contact\n        label: l\n        bands:\n"
	for _, c := range []struct{ name, in, want string }{
		{"unknown key has its line", "rules:\n  - id: a\n    titel: A\n", "line 3"},
		{"empty file", "", "EOF"},
		{"band without limits", head + "          - {unit: deg, level: any, sport: any, task: any, source: \"common practice, no source\", source_kind: practice, words: w, why: y}\n", "low or high"},
		{"band upside down", head + "          - {low: 3, high: 2, unit: deg, level: any, sport: any, task: any, source: \"common practice, no source\", source_kind: practice, words: w, why: y}\n", "not below"},
		{"practice dressed as published", head + "          - {low: 3, unit: deg, level: any, sport: any, task: any, source: \"common practice, no source\", source_kind: published, words: w, why: y}\n", "does not go with"},
		{"level that nobody has", head + "          - {low: 3, unit: deg, level: pro, sport: any, task: any, source: \"common practice, no source\", source_kind: practice, words: w, why: y}\n", "level"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := ParseRules("x.yaml", strings.NewReader(c.in))
			if err == nil || !strings.Contains(err.Error(), c.want) || !strings.HasPrefix(err.Error(), "x.yaml: ") {
				t.Errorf("got %v, want an error with %q", err, c.want)
			}
		})
	}
}

func TestBandFor(t *testing.T) {
	one, two := 1.0, 2.0
	c := Check{Bands: []Band{
		{Low: &one, Level: "any", Sport: "any", Task: "any"},
		{Low: &two, Level: "college", Sport: "baseball", Task: "tee"},
	}}
	for _, q := range []struct {
		name, level, sport, task string
		want                     float64
	}{
		{"nothing stated takes the general band", "", "", "", 1},
		{"all stated takes the special one", "college", "baseball", "tee", 2},
		{"another task does not borrow it", "college", "baseball", "live", 1},
	} {
		if b := c.For(q.level, q.sport, q.task); b == nil || *b.Low != q.want {
			t.Errorf("%s: got %+v, want low %g", q.name, b, q.want)
		}
	}
	if b := (Check{Bands: c.Bands[1:]}).For("youth", "baseball", "tee"); b != nil {
		t.Errorf("a college band was given to a youth hitter: %+v", b)
	}
}
