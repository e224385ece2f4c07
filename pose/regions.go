package pose

import (
	"math"
	"sort"
)

// RegionPath is the region that the landmark model looks at over a window: one
// fixed square where the hitter stays in place (it jitters least), or a square
// of fixed size that follows the hips slowly.
type RegionPath struct {
	times   []float64
	regions []Region
}

// At is the region at a time.
func (p *RegionPath) At(timeS float64) Region {
	if len(p.regions) == 1 {
		return p.regions[0]
	}
	i := sort.SearchFloat64s(p.times, timeS)
	if i == 0 {
		return p.regions[0]
	}
	if i == len(p.times) {
		return p.regions[len(p.regions)-1]
	}
	a, b := p.regions[i-1], p.regions[i]
	f := (timeS - p.times[i-1]) / (p.times[i] - p.times[i-1])
	a.CX += f * (b.CX - a.CX)
	a.CY += f * (b.CY - a.CY)
	return a
}

// Bounds is the box that holds all of the path's regions.
func (p *RegionPath) Bounds() Box {
	b := p.regions[0].Bounds()
	for _, r := range p.regions[1:] {
		c := r.Bounds()
		b = Box{math.Min(b.X0, c.X0), math.Min(b.Y0, c.Y0), math.Max(b.X1, c.X1), math.Max(b.Y1, c.Y1)}
	}
	return b
}

const (
	stayPut   = 0.35 // hips that move less than this, in body lengths, get one fixed region
	followAvg = 0.4  // s to either side over which hips are averaged where the region follows
	tiltedRad = 0.7  // a trunk that lies over more than this at the median: the picture itself is turned
)

// NewRegionPath makes the path of a window from the coarse track. ok is false
// if the coarse track does not show the person's hips there.
func NewRegionPath(coarse *Track, fromS, toS float64) (_ *RegionPath, ok bool) {
	type at struct{ t, x, y, reach, tilt float64 }
	var pts []at
	var lengths []float64
	for i, t := range coarse.Times {
		if t < fromS-0.3 || t > toS+0.3 {
			continue
		}
		p := &coarse.Raw[i]
		hip, okHip := Mid(p, LeftHip, RightHip, coarseMin)
		r, okR := RegionOf(p, coarseMin)
		if !okHip || !okR {
			continue
		}
		pts = append(pts, at{t, hip.X, hip.Y, r.Side / (2 * regionReach * regionMargin), r.AngleRad})
		if l, okL := p.BodyLengthPx(coarseMin); okL {
			lengths = append(lengths, l)
		}
	}
	if len(pts) == 0 {
		return nil, false
	}
	column := func(f func(at) float64) []float64 {
		v := make([]float64, len(pts))
		for i, p := range pts {
			v[i] = f(p)
		}
		return v
	}
	xs, ys := column(func(p at) float64 { return p.x }), column(func(p at) float64 { return p.y })
	reach := quantile(column(func(p at) float64 { return p.reach }), 0.9)
	body := quantile(lengths, 0.8)
	if math.IsNaN(body) {
		body = 1.8 * reach
	}
	reach = math.Min(math.Max(reach, 0.5*body), 0.8*body) // a wrist gone astray shall not blow the region up
	angle := quantile(column(func(p at) float64 { return p.tilt }), 0.5)
	if math.Abs(angle) < tiltedRad {
		angle = 0
	}
	side := 2 * reach * regionReach * regionMargin
	x0, x1, y0, y1 := quantile(xs, 0.05), quantile(xs, 0.95), quantile(ys, 0.05), quantile(ys, 0.95)
	travel := math.Max(x1-x0, y1-y0)
	if travel < stayPut*body {
		return &RegionPath{regions: []Region{{(x0 + x1) / 2, (y0 + y1) / 2, side + 0.5*travel, angle}}}, true
	}
	p := &RegionPath{}
	for _, a := range pts {
		var sx, sy, n float64
		for _, b := range pts {
			if math.Abs(b.t-a.t) <= followAvg {
				sx, sy, n = sx+b.x, sy+b.y, n+1
			}
		}
		p.times = append(p.times, a.t)
		p.regions = append(p.regions, Region{sx / n, sy / n, side, angle})
	}
	return p, true
}

// PoseAt is the coarse pose at a time, interpolated between neighbours at most
// maxGapS apart; gapS is the distance in time to the nearer of them.
func (t *Track) PoseAt(timeS, maxGapS float64) (p Pose, gapS float64, ok bool) {
	n := len(t.Times)
	i := sort.SearchFloat64s(t.Times, timeS)
	if i == n || (i > 0 && timeS-t.Times[i-1] < t.Times[i]-timeS) {
		i--
	}
	if i < 0 {
		return p, 0, false
	}
	gapS = math.Abs(t.Times[i] - timeS)
	if gapS > maxGapS {
		return p, gapS, false
	}
	p = t.Raw[i]
	o := i + 1
	if t.Times[i] > timeS {
		o = i - 1
	}
	if gapS == 0 || o < 0 || o >= n || math.Abs(t.Times[o]-t.Times[i]) > 2*maxGapS {
		return p, gapS, true
	}
	f := (timeS - t.Times[i]) / (t.Times[o] - t.Times[i])
	for j := range p {
		a, b := p[j], t.Raw[o][j]
		if a.Seen() && b.Seen() {
			p[j] = Keypoint{a.X + f*(b.X-a.X), a.Y + f*(b.Y-a.Y), math.Min(a.Score, b.Score)}
		}
	}
	return p, gapS, true
}

// slow are the joints whose place between two coarse samples is known well.
var slow = [8]Joint{LeftShoulder, RightShoulder, LeftHip, RightHip, LeftKnee, RightKnee, LeftAnkle, RightAnkle}

const (
	coarseGapS   = 0.12 // a coarse pose farther away in time says nothing of this frame
	disagreement = 0.09 // mean distance of trunk and legs from the coarse pose, body lengths, above which a second region is tried
	unsure       = 0.5  // mean score of trunk and legs below which it is, too
)

// Doubt says whether a frame's landmarks should be held against a second
// region: they are unsure, or disagree with the people model's opinion.
func Doubt(p *Pose, coarse *Track, timeS, bodyPx float64) bool {
	var score float64
	for _, j := range slow {
		score += p[j].Score / float64(len(slow))
	}
	if score < unsure {
		return true
	}
	c, _, ok := coarse.PoseAt(timeS, coarseGapS)
	if !ok {
		return false
	}
	var d float64
	n := 0
	for _, j := range slow {
		if c[j].Seen() && c[j].Score >= coarseMin {
			d += math.Hypot(c[j].X-p[j].X, c[j].Y-p[j].Y)
			n++
		}
	}
	return n >= 5 && d/float64(n) > disagreement*bodyPx
}

// CoarseRegion is the second choice: the square about this instant's coarse
// pose alone, turned with the trunk.
func CoarseRegion(coarse *Track, timeS float64) (Region, bool) {
	c, _, ok := coarse.PoseAt(timeS, coarseGapS)
	if !ok {
		return Region{}, false
	}
	return RegionOf(&c, coarseMin)
}

// BodyPx is a high quantile of the body's length along its joints within a
// stretch of time, px; NaN if it was never seen whole.
func (t *Track) BodyPx(fromS, toS float64) float64 {
	var v []float64
	for i, s := range t.Times {
		if s < fromS || s > toS {
			continue
		}
		if l, ok := t.Raw[i].BodyLengthPx(coarseMin); ok {
			v = append(v, l)
		}
	}
	return quantile(v, 0.8)
}
