package report

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"cagebook/phases"
)

func exCompared(t *testing.T, change func(in *Input)) Compared {
	t.Helper()
	in := exInput(t)
	if change != nil {
		change(&in)
	}
	r := Build(in)
	r.Swings[0].Film = r.Swings[0].PlanFilm()
	c, err := SwingOf(r, 1)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestCompareAligns(t *testing.T) {
	a := exCompared(t, nil)
	b := exCompared(t, func(in *Input) { // the same way with a slower load
		sw := *in.Swings[0].Swing
		sw.Events = append([]phases.Event{}, sw.Events...)
		sw.Events[2].TimeS, sw.Events[2].Frame = 0.7, 84
		sw.Bats = phases.Left
		sw.View.AzimuthDeg = 3
		in.Swings[0].Swing = &sw
	})
	c, err := Compare(a, b)
	if err != nil {
		t.Fatal(err)
	}
	if !c.Mirror {
		t.Error("a left-hander beside a right-hander is not mirrored")
	}
	last := -1
	for i, p := range c.Partner {
		if p < last {
			t.Fatalf("position %d goes back from %d to %d", i, last, p)
		}
		last = p
	}
	atB := b.Swing.FilmSamples()
	for n, pos := range c.KeyPositions() {
		e, _ := b.Swing.event(phases.KeyFrames[c.Moments[n]])
		if got := b.Swing.Track.Frames[atB[c.Partner[pos]]]; got != e.Frame {
			t.Errorf("%s stands beside frame %d, want %d", e.Name, got, e.Frame)
		}
	}
	page, err := c.HTML("pair.mp4")
	if err != nil || !strings.Contains(string(page), "is shown mirrored") {
		t.Errorf("the page does not say that it is mirrored: %v", err)
	}
	if _, err := SwingOf(a.Report, 2); !errors.Is(err, ErrNoSwing) {
		t.Errorf("swing 2 of one: %v", err)
	}
}

// Only differences beyond their uncertainty are listed, and where there are none, few by chance.
func TestDifferences(t *testing.T) {
	a := exCompared(t, nil)
	b := exCompared(t, nil)
	set(b.Report, "head_travel", 0.20, 0.018) // 0.129 more; the uncertainty of the difference is 0.025
	set(b.Report, "swing_time", 160, 21)      // 26 more; 30
	d, n := differences(a.Swing, b.Swing)
	if len(d) != 1 || d[0].Name != "head_travel" || n != 20 { // 20 of the example's 25 measures have a value
		t.Errorf("%d compared, differences %+v", n, d)
	}
	rng := rand.New(rand.NewPCG(5, 6))
	pages := 0
	const runs = 2000
	for range runs {
		for _, s := range []*Swing{a.Swing, b.Swing} {
			for i := range s.Measures {
				if m := &s.Measures[i]; m.Status == phases.Measured {
					m.Value = Num(float64(m.Sigma) * rng.NormFloat64())
				}
			}
		}
		if d, _ := differences(a.Swing, b.Swing); len(d) > 0 {
			pages++
		}
	}
	// Benjamini and Hochberg: with nothing different, the chance of any false entry is 5 %.
	if share := float64(pages) / runs; share > 0.07 || share < 0.03 {
		t.Errorf("a false difference on %.3f of pages, want 0.05", share)
	}
}

func TestCompareEscapes(t *testing.T) {
	a := exCompared(t, func(in *Input) { in.HitterID, in.Path = nasty, nasty })
	c, err := Compare(a, exCompared(t, nil))
	if err != nil {
		t.Fatal(err)
	}
	page, err := c.HTML("pair.mp4")
	if err != nil || strings.Contains(string(page), "<script>alert") {
		t.Error("the page holds the name's markup", err)
	}
	if _, err := c.JSON("k"); err != nil {
		t.Error(err)
	}
	none, err := NoComparison(fmt.Sprint(nasty))
	if err != nil || strings.Contains(string(none), "<script>alert") {
		t.Error("the page of no comparison holds the name's markup", err)
	}
}
