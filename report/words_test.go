package report

import (
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
