package pose

import (
	"math"
	"slices"
)

// LeftOut counts those who swing and are not the clip's hitter.
type LeftOut struct {
	Farther int // farther from the camera than somebody who swings or stands ready to
	Cut     int // cut by a side edge of the picture, beside somebody seen whole
}

const (
	// A trunk or a leg whose joints come this near to a side edge of the picture, body lengths, is cut by it: joints lie inside
	// of the body by about as much. The camera was aimed at somebody else, if there is one.
	edgeBL = 0.05
	// Who stands in a stance holds both hands on one handle at the rear shoulder. On 60 rendered clips with umpires, catchers, coaches and
	// passers-by only hitters do so for two thirds of the time: theirs are 0.01 to 0.09 body lengths below the shoulders, an umpire's
	// folded ones 0.25 to 0.4.
	readyShare, readyLow = 0.7, -0.12
	readyS               = 1.0 // for at least as long
)

// Choose leaves, of those of all hitters who swing, the nearest and whoever takes turns with that one. A nearer one, who swings or
// looks very much like a hitter or stands ready nearer to the middle of the picture, and is there meanwhile, hides the next cage; who is
// cut by a side edge of the picture hides nobody, and is left out where somebody is seen whole who swings or looks very much like a hitter.
func Choose(swing, all, ready []Hitter) ([]Hitter, LeftOut) {
	var out LeftOut
	near := slices.Clone(swing)
	for _, h := range all {
		if h.Score >= likelyMin {
			near = append(near, h)
		}
	}
	near = slices.DeleteFunc(near, func(h Hitter) bool { return h.cut() })
	swing = slices.DeleteFunc(slices.Clone(swing), func(h Hitter) bool {
		if !h.cut() || !slices.ContainsFunc(near, func(n Hitter) bool { return seenDuring(&n.Coarse, h.Windows) }) {
			return false
		}
		out.Cut++
		return true
	})
	kept := slices.DeleteFunc(swing, func(h Hitter) bool {
		hides := func(n Hitter) bool {
			return h.Evidence.BodyPx < farther*n.Evidence.BodyPx && seenDuring(&n.Coarse, h.Windows)
		}
		if !slices.ContainsFunc(near, hides) &&
			!slices.ContainsFunc(ready, func(n Hitter) bool { return hides(n) && n.aside() < h.aside() && !n.cut() }) {
			return false
		}
		out.Farther++
		return true
	})
	return dropUnlike(kept), out
}

// cut says whether a side edge of the picture cuts the hitter in the middle of the samples of the windows.
func (h *Hitter) cut() bool {
	return h.middleOf(func(x0, x1, width float64) float64 { return math.Min(x0, width-x1) }) < edgeBL*h.Evidence.BodyPx
}

// aside is how far from the middle of the picture's width the hitter stands, px.
func (h *Hitter) aside() float64 {
	return h.middleOf(func(x0, x1, width float64) float64 { return math.Abs(x0+x1-width) / 2 })
}

// middleOf is the median, over the samples of the hitter's windows, of what f makes of the ends of trunk and legs along
// the picture's width; NaN where they are not seen.
func (h *Hitter) middleOf(f func(x0, x1, width float64) float64) float64 {
	var v []float64
	for i := range h.Coarse.Times {
		if !slices.ContainsFunc(h.Windows, func(w Window) bool { return h.Coarse.Times[i] >= w.FromS && h.Coarse.Times[i] <= w.ToS }) {
			continue
		}
		x0, x1 := math.Inf(1), math.Inf(-1)
		for _, j := range [...]Joint{LeftShoulder, RightShoulder, LeftHip, RightHip, LeftKnee, RightKnee, LeftAnkle, RightAnkle} {
			if k := h.Coarse.Raw[i][j]; k.Seen() && k.Score >= coarseMin {
				x0, x1 = math.Min(x0, k.X), math.Max(x1, k.X)
			}
		}
		if x0 <= x1 {
			v = append(v, f(x0, x1, float64(h.Coarse.Width)))
		}
	}
	return quantile(v, 0.5)
}

// ready says whether the person stands in a hitter's stance for most of the time that the hands are seen.
func (s *series) ready() bool {
	first, last := s.t[0], s.t[len(s.t)-1]
	seen, together := 0, 0
	for _, d := range s.apart {
		if math.IsNaN(d) {
			continue
		}
		if seen++; d < togetherBL {
			together++
		}
	}
	return last-first >= readyS && 2*seen >= len(s.t) && float64(together) >= readyShare*float64(seen) &&
		s.median(s.high, first, last) >= readyLow && ramp(s.median(s.legs, first, last), 0.17, 0.29) == 1
}
