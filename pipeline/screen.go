package pipeline

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"cagebook/phases"
	"cagebook/pose"
	"cagebook/pose/smooth"
)

const (
	// Rendered swings with known truth, read from the people model 14 times a second, mostly have no doubts at all; a window
	// in which they have more, or in which the hands are not seen so well that a burst is found, is decided by a sketch.
	coarseDoubt, sketchDoubt = 2.5, 3.5
	// Where the same hitter swings without doubt in the same clip, other swings look as clear from the same camera.
	clearSwing, besideClear = 0.5, 1.5
	sketchS                 = 1.0 / 20
	// A window reaches from the stance to the finish.
	windowBeforeS, windowAfterS = 2.6, 1.1
)

// screen leaves of the hitters' windows the stretches that may hold a swing. What the people model saw there decides first;
// where it saw no fast motion of the hands, the window is read 20 times a second by the quick landmark model.
// The second value says what was taken for no swing and why.
func (a *Analyzer) screen(ctx context.Context, open OpenSource, nets Nets, hitters []pose.Hitter, given phases.Given, progress func(done, total int)) ([]pose.Hitter, []phases.Rejected, error) {
	var none []phases.Rejected
	var unsure []pose.Hitter // hitters with the windows that need a sketch
	kept := make([][]pose.Window, len(hitters))
	for i := range hitters {
		h := hitters[i]
		h.Windows = nil
		clear := false
		bursts := make([][]phases.Burst, len(hitters[i].Windows))
		for k, w := range hitters[i].Windows {
			var err error
			if bursts[k], err = coarseBursts(&hitters[i].Coarse, w, given); err != nil {
				return nil, nil, err
			}
			clear = clear || slices.ContainsFunc(bursts[k], func(b phases.Burst) bool { return b.Doubt <= clearSwing })
		}
		for k, w := range hitters[i].Windows {
			most := coarseDoubt
			if clear {
				most = besideClear
			}
			near, rejected := narrowed(w, bursts[k], most)
			if clear { // the coarse look suffices here
				kept[i], none = append(kept[i], near...), append(none, rejected...)
				continue
			}
			if kept[i] = append(kept[i], near...); len(near) == 0 {
				h.Windows = append(h.Windows, w)
			}
		}
		if len(h.Windows) > 0 {
			unsure = append(unsure, h)
		}
	}
	if len(unsure) > 0 {
		sketches, err := a.sketch(ctx, open, nets, unsure, progress)
		if err != nil {
			return nil, nil, err
		}
		for k := range sketches {
			d := &sketches[k]
			bursts, err := smoothBursts(&d.Track, given)
			if err != nil {
				return nil, nil, err
			}
			near, rejected := narrowed(d.Window, bursts, sketchDoubt)
			none = append(none, rejected...)
			for i := range hitters {
				if hitters[i].ID == d.Hitter {
					kept[i] = append(kept[i], near...)
				}
			}
		}
	}
	var out []pose.Hitter
	for i, h := range hitters {
		if h.Windows = pose.MergeWindows(kept[i]); len(h.Windows) > 0 {
			out = append(out, h)
		}
	}
	return out, none, nil
}

// narrowed is the window about those of its bursts that have at most maxDoubt, and why the others are no swings.
// None is left where no burst has.
func narrowed(w pose.Window, bursts []phases.Burst, maxDoubt float64) (near []pose.Window, none []phases.Rejected) {
	for _, b := range bursts {
		if b.Doubt > maxDoubt {
			none = append(none, phases.Rejected{TimeS: b.TimeS, Reason: b.Reason})
			continue
		}
		n := w
		n.PeakS, n.Peaks = b.TimeS, []float64{b.TimeS}
		n.FromS, n.ToS = math.Max(w.FromS, b.TimeS-windowBeforeS), math.Min(w.ToS, b.TimeS+windowAfterS)
		near = append(near, n)
	}
	if len(bursts) == 0 {
		none = append(none, phases.Rejected{TimeS: w.PeakS, Reason: "the hands move too slowly for a swing"})
	}
	return near, none
}

// coarseBursts judges what the people model saw in a window.
func coarseBursts(coarse *pose.Track, w pose.Window, given phases.Given) ([]phases.Burst, error) {
	t := pose.Track{Width: coarse.Width, Height: coarse.Height, Has: coarse.Has}
	for k, at := range coarse.Times {
		if at >= w.FromS-0.1 && at <= w.ToS+0.1 {
			t.Times, t.Frames, t.Raw = append(t.Times, at), append(t.Frames, coarse.Frames[k]), append(t.Raw, coarse.Raw[k])
		}
	}
	return smoothBursts(&t, given)
}

func smoothBursts(t *pose.Track, given phases.Given) ([]phases.Burst, error) {
	if err := smooth.Track(t, smooth.Options{}); errors.Is(err, smooth.ErrShort) {
		return nil, nil
	} else if err != nil {
		return nil, fmt.Errorf("smoothing: %w", err)
	}
	bursts, err := phases.Bursts(t, given)
	if errors.Is(err, phases.ErrNoTrack) {
		return nil, nil
	}
	return bursts, err
}

// sketch reads the windows 20 times a second by the quick landmark model.
func (a *Analyzer) sketch(ctx context.Context, open OpenSource, nets Nets, hitters []pose.Hitter, progress func(done, total int)) (_ []DenseWindow, err error) {
	src, err := open()
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	nets.Landmarks = nets.Sketch
	return dense(ctx, src, hitters, nets, DenseOptions{SketchS: sketchS}, progress)
}
