package studio

import (
	"testing"

	"cagebook/phases"
)

// Every measure that a report can hold has a truth of the same name, event and unit, or stands here with the reason why not.
func TestEveryMeasureHasATruth(t *testing.T) {
	without := map[string]string{}
	s := RandomScene(3, Variety{})
	s.Ball = "tee"
	tr, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	units := map[string]string{}
	for _, m := range tr.Swings[0].Measures {
		key := m.Event + " " + m.Name
		if _, twice := units[key]; twice {
			t.Errorf("%s has two truths", key)
		}
		units[key] = m.Unit
	}
	for _, d := range phases.Definitions {
		key := d.Event + " " + d.Name
		u, ok := units[key]
		why, listed := without[key]
		switch {
		case !ok && !listed:
			t.Errorf("%s has no truth", key)
		case ok && listed:
			t.Errorf("%s has a truth although it is listed as having none (%s)", key, why)
		case ok && u != d.Unit:
			t.Errorf("%s: truth in %s, measure in %s", key, u, d.Unit)
		}
	}
}
