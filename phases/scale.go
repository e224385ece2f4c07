package phases

import (
	"math"
	"sort"

	k "cagebook/phases/kinematics"
	"cagebook/pose"
)

// segment is a stretch between two joints of one side whose share of standing height is known.
type segment struct {
	from, to pose.Joint // on the left; the right one follows by Swap
	part     float64    // ÷ standing height
	// lift corrects for the foreshortening that is left even at the best moment
	// of a swing; sd is its standard uncertainty together with that of people's
	// proportions (about 4 % between adults), both as parts of 1.
	lift, sd float64
}

// segments are the stretches that tell a hitter's height. The trunk stands apart: it
// joins two middles. Arms sweep through all directions in a swing and are seen in
// full at some moment; the legs stay near the picture plane from the sides; the
// trunk is bent over the plate throughout.
var segments = [...]segment{
	{pose.LeftHip, pose.LeftKnee, k.ThighLength, 1.02, 0.06},
	{pose.LeftKnee, pose.LeftAnkle, k.ShankLength, 1.01, 0.05},
	{pose.LeftShoulder, pose.LeftElbow, k.UpperArmLength, 1.01, 0.08},
	{pose.LeftElbow, pose.LeftWrist, k.ForearmLength, 1.01, 0.08},
}

const (
	trunkLift, trunkSD = 1.04, 0.08

	// envelope is the share of moments at which a segment is shorter than the
	// length taken for it: high, because foreshortening only shortens, but not the
	// maximum, which is the largest error.
	envelope = 0.90

	// heightFloor is the least standard uncertainty of the height as a part of it.
	// Proportions of different segments go together in one person (long legs
	// mean long arms), so that more segments do not average them away.
	heightFloor = 0.035
)

// EstimateScale estimates how many pixels the hitter's full standing height would span, and
// from it the scale, over track indices [from, to).
//
// A hitter in a stance is shorter than standing, so the height of the outline says little:
// it is the hitter's own segment lengths, each taken where it is least foreshortened, that
// are held against the parts of standing height of Drillis & Contini 1966 (adults).
// Thirteen joints are enough. With given.HeightM the result has px per metre with source
// "hitter height", otherwise source "none". HeightPx is 0 if no segment was seen.
func EstimateScale(t *pose.Track, from, to int, given Given) Scale {
	sc := Scale{Source: "none"}
	from, to = max(from, 0), min(to, len(t.Smooth))
	type guess struct{ height, rel float64 }
	var gs []guess
	add := func(lengthPx, noisePx float64, part, lift, sd float64) {
		if !(lengthPx > 0) {
			return
		}
		h := lengthPx * lift / part
		gs = append(gs, guess{h, math.Hypot(sd, noisePx/lengthPx)})
	}
	for _, s := range segments {
		l, ln := segmentEnvelope(t, from, to, s.from, s.to)
		r, rn := segmentEnvelope(t, from, to, s.from.Swap(), s.to.Swap())
		// The longer of both sides is the less foreshortened one.
		if r > l || math.IsNaN(l) {
			l, ln = r, rn
		}
		add(l, ln, s.part, s.lift, s.sd)
	}
	l, n := trunkEnvelope(t, from, to)
	add(l, n, k.TrunkLength, trunkLift, trunkSD)
	if len(gs) == 0 {
		return sc
	}
	sort.Slice(gs, func(i, j int) bool { return gs[i].height < gs[j].height })
	mid := gs[len(gs)/2].height
	var w, wh float64
	for _, g := range gs {
		if math.Abs(g.height-mid) > 3*g.rel*mid {
			continue // a segment that is never seen in full, or a joint that was mistaken
		}
		v := 1 / (g.rel * g.rel)
		w, wh = w+v, wh+v*g.height
	}
	h := wh / w
	var spread float64
	for _, g := range gs {
		spread += (g.height - h) * (g.height - h)
	}
	rel := math.Sqrt(1/w + heightFloor*heightFloor)
	if len(gs) > 2 {
		rel = math.Max(rel, math.Sqrt(spread/float64(len(gs)-1)/float64(len(gs)))/h)
	}
	sc.HeightPx, sc.HeightPxSD = h, rel*h
	if given.HeightM > 0 {
		sc.PxPerM = h / given.HeightM
		sc.Sigma = sc.PxPerM * math.Hypot(rel, statedHeightSD/given.HeightM)
		sc.Source = "hitter height"
	}
	return sc
}

// statedHeightSD is the standard uncertainty of a height that a person states, m: shoes,
// rounding, and a child's growth since it was measured.
const statedHeightSD = 0.015

// segmentEnvelope is the length of a segment where it is least foreshortened, px, and its
// standard uncertainty from keypoint noise; NaN if it is seen too seldom.
func segmentEnvelope(t *pose.Track, from, to int, a, b pose.Joint) (lengthPx, noisePx float64) {
	return envelopeOf(from, to, func(i int) (float64, float64) {
		p, q := t.Smooth[i][a], t.Smooth[i][b]
		if !p.Known() || !q.Known() {
			return math.NaN(), 0
		}
		return math.Hypot(p.X-q.X, p.Y-q.Y), math.Hypot(p.Sigma, q.Sigma)
	})
}

func trunkEnvelope(t *pose.Track, from, to int) (lengthPx, noisePx float64) {
	return envelopeOf(from, to, func(i int) (float64, float64) {
		s := &t.Smooth[i]
		ls, rs, lh, rh := s[pose.LeftShoulder], s[pose.RightShoulder], s[pose.LeftHip], s[pose.RightHip]
		if !ls.Known() || !rs.Known() || !lh.Known() || !rh.Known() {
			return math.NaN(), 0
		}
		return math.Hypot((ls.X+rs.X-lh.X-rh.X)/2, (ls.Y+rs.Y-lh.Y-rh.Y)/2),
			math.Sqrt(ls.Sigma*ls.Sigma+rs.Sigma*rs.Sigma+lh.Sigma*lh.Sigma+rh.Sigma*rh.Sigma) / 2
	})
}

// envelopeOf takes the high quantile of a length over time and takes off what noise adds to it.
func envelopeOf(from, to int, at func(i int) (lengthPx, sigmaPx float64)) (lengthPx, noisePx float64) {
	var ls, ss []float64
	for i := from; i < to; i++ {
		l, s := at(i)
		if !math.IsNaN(l) {
			ls, ss = append(ls, l), append(ss, s)
		}
	}
	if len(ls) < 5 {
		return math.NaN(), 0
	}
	s := quantile(ss, 0.5)
	// Of lengths that are spread evenly in direction but lie near their maximum for a
	// good part of the time, noise lifts the 0.90 quantile by about one σ; what is
	// left of it counts as uncertainty.
	return math.Max(0, quantile(ls, envelope)-0.8*s), 0.6 * s
}
