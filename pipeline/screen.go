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
	// Of somebody who only may be a hitter the sketch must say more than of a hitter.
	maybeDoubt = 2.5
	sketchS    = 1.0 / 20
)

// screened is what the screen leaves.
type screened struct {
	hitters  []pose.Hitter
	rejected []phases.Rejected // what was taken for no swing, and why
	sketches []DenseWindow
}

// screen leaves of the hitters' windows the stretches that may hold a swing. What the people model saw there decides first;
// where it saw no fast motion of the hands, the window is read 20 times a second by the quick landmark model.
// Who only may be a hitter is read so where no hitter swings without doubt, or one does who stands farther off.
func (a *Analyzer) screen(ctx context.Context, open OpenSource, nets Nets, hitters []pose.Hitter, given phases.Given, progress func(done, total int)) (screened, error) {
	var out screened
	kept := make([][]pose.Window, len(hitters))
	ask := make([]pose.Hitter, 0, len(hitters)) // hitters with the windows that need a sketch
	clearPx := 0.0                              // body of the nearest hitter who swings without doubt
	for i := range hitters {
		h := hitters[i]
		h.Windows = nil
		clear := false
		bursts := make([][]phases.Burst, len(hitters[i].Windows))
		for k, w := range hitters[i].Windows {
			var err error
			if bursts[k], err = coarseBursts(&hitters[i].Coarse, w, given); err != nil {
				return out, err
			}
			clear = clear || !h.Maybe && slices.ContainsFunc(bursts[k], func(b phases.Burst) bool { return b.Doubt <= clearSwing })
		}
		if clear {
			clearPx = math.Max(clearPx, h.Evidence.BodyPx)
		}
		most := coarseDoubt
		if clear {
			most = besideClear
		}
		for k, w := range hitters[i].Windows {
			near, rejected := narrowed(w, bursts[k], most)
			switch {
			case clear: // the coarse look suffices here
				out.rejected = append(out.rejected, rejected...)
				fallthrough
			case len(near) > 0 && !h.Maybe:
				kept[i] = append(kept[i], near...)
			default:
				h.Windows = append(h.Windows, w)
			}
		}
		if len(h.Windows) > 0 {
			ask = append(ask, h)
		}
	}
	ask = slices.DeleteFunc(ask, func(h pose.Hitter) bool { return h.Maybe && h.Evidence.BodyPx <= clearPx })
	if len(ask) > 0 {
		var err error
		out.sketches, err = lookClosely(ctx, open, nets.Sketch, ask, DenseOptions{SketchS: sketchS}, progress)
		if err != nil {
			return out, err
		}
		for k := range out.sketches {
			d := &out.sketches[k]
			bursts, err := smoothBursts(&d.Track, given)
			if err != nil {
				return out, err
			}
			i := slices.IndexFunc(hitters, func(h pose.Hitter) bool { return h.ID == d.Hitter })
			most := sketchDoubt
			if hitters[i].Maybe {
				most = maybeDoubt
			}
			near, rejected := narrowed(d.Window, bursts, most)
			kept[i] = append(kept[i], near...)
			if !hitters[i].Maybe {
				out.rejected = append(out.rejected, rejected...)
			}
		}
	}
	for i, h := range hitters {
		if h.Windows = pose.MergeWindows(kept[i]); len(h.Windows) > 0 {
			out.hitters = append(out.hitters, h)
		}
	}
	return out, nil
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
		n.FromS, n.ToS = math.Max(w.FromS, b.TimeS-pose.WindowBeforeS), math.Min(w.ToS, b.TimeS+pose.WindowAfterS)
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
