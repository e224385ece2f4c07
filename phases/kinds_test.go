package phases

import (
	"slices"
	"testing"
)

// TestCutShortKinds: what detection calls cut short are kinds that the templates have, word for word: a kind that is renamed in the
// studio would be forgotten in silence.
func TestCutShortKinds(t *testing.T) {
	var kinds []string
	for _, m := range templates() {
		kinds = append(kinds, m.Kind)
	}
	for _, k := range cutShortKinds {
		if !slices.Contains(kinds, k) {
			t.Errorf("no template is %q; there are %q", k, kinds)
		}
	}
	if cutShort("swing") || !cutShort(cutShortKinds[0]) {
		t.Error("a swing is not cut short, a held one is")
	}
}
