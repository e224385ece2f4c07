package phases

import "math"

// witness is a cue of an instant that tells of it, or, with one chance in five, of something else.
type witness struct {
	cue
	weight float64 // exponent of its likelihood: several points of one foot count for less than as many feet
}

const (
	strayShare   = 0.2 // of witnesses that tell of something else: rests and taps before, slides after. No source.
	strayRangeS  = 0.6 // the stretch in which those lie
	witnessStepS = 0.002
)

// testimony is the median over all that the witnesses leave possible, and the half of the stretch about it that holds 95
// of 100 cases, over 1.96: where they fall into two camps, sigma spans both.
func testimony(ws []witness) (c cue, ok bool) {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, w := range ws {
		if w.says() {
			lo, hi = math.Min(lo, w.t-3*w.sigma), math.Max(hi, w.t+3*w.sigma)
		}
	}
	if !(hi > lo) {
		return c, false
	}
	n := int((hi-lo)/witnessStepS) + 1
	p := make([]float64, n)
	top := math.Inf(-1)
	for i := range p {
		t := lo + float64(i)*witnessStepS
		for _, w := range ws {
			if w.says() {
				z := (t - w.t) / w.sigma
				p[i] += w.weight * math.Log((1-strayShare)*math.Exp(-0.5*z*z)/(w.sigma*math.Sqrt(2*math.Pi))+strayShare/strayRangeS)
			}
		}
		top = math.Max(top, p[i])
	}
	var total float64
	for i := range p {
		p[i] = math.Exp(p[i] - top)
		total += p[i]
	}
	var sum float64
	mid := 0
	for i := range p {
		if sum += p[i]; sum >= total/2 {
			mid = i
			break
		}
	}
	half := 0
	for sum = p[mid]; sum < 0.95*total && half < n; {
		half++
		for _, k := range [2]int{mid - half, mid + half} {
			if k >= 0 && k < n {
				sum += p[k]
			}
		}
	}
	return cue{lo + float64(mid)*witnessStepS, math.Max(float64(half), 1) * witnessStepS / 1.959964}, true
}

// By how much a point of the foot comes to rest later than the first of toe and heel touches the ground, s: the curve of
// the whole point, and its way to its last place (plant). Most feet land toe first, and the rest follows. Seen along
// the foot's way a step nearer to the camera goes on sinking in the picture. Found on keypoints with known truth.
var footAfterS = struct{ curve, curveFromEnd, plant [3]float64 }{
	curve:        [3]float64{0.018, 0.030, 0},
	curveFromEnd: [3]float64{0.032, 0.042, 0.015},
	plant:        [3]float64{0, 0.015, -0.025},
}

// footSD is how far ankle, heel and toe stray from that from hitter to hitter, s.
var footSD = [3]float64{0.025, 0.030, 0.022}

// landing is when the lead foot first touches the ground where it will stand: the curve of each
// point, its way to its last place, and when feet usually land.
func (r *reading) landing(s *stride) cue {
	if !s.landed[2].says() && !s.landed[1].says() {
		return r.ankleLanding(s)
	}
	late := footAfterS.curve
	if !r.sideOn() {
		late = footAfterS.curveFromEnd
	}
	seen := 1.0
	if r.view.Side == "catcher" {
		seen = awayCounts
	}
	usual := r.expected(FootDown, usualSpread)
	ws := []witness{{cue{usual.t - usualLateS, usual.sigma}, 1}}
	for k, j := range r.footPoints() {
		if c := s.landed[k]; c.says() {
			ws = append(ws, witness{cue{c.t - late[k], math.Hypot(footSD[k], c.sigma)}, 0.8 * seen})
		}
		if !r.b.has[j] {
			continue
		}
		if t, sg, ok := r.plant(j, r.ev[Contact].t); ok {
			ws = append(ws, witness{cue{t - footAfterS.plant[k], math.Hypot(footSD[k], sg)}, 0.6 * seen})
		}
	}
	if t, ok := r.toeStops(); ok && r.sideOn() {
		ws = append(ws, witness{cue{t, math.Hypot(stopSD, 0.5*r.b.frameS)}, 0.9})
	}
	c, _ := testimony(ws) // the usual time at least says something
	return cue{c.t, r.landingSigma(c, usual)}
}

// landingSigma is the standard uncertainty, s, of a landing c with the spread that its signs leave, beside the usual time.
func (r *reading) landingSigma(c, usual cue) float64 {
	least, sigma := footDownEndSD, c.sigma
	if r.sideOn() {
		least = footDownSD
		// What tells of one foot errs together: where its signs disagree, they stray by more than their spread.
		sigma *= math.Max(apartLeast, sigma/apartS)
	}
	// They leave a landing no less sure than nothing but the usual time does.
	return math.Max(least, math.Min(sigma, math.Hypot(usual.sigma, c.t-usual.t)))
}

// footDownSD is the least uncertainty of foot_down, s, as seen from the side and from the ends, where the foot goes along the line of sight. What else
// of it there is depends on how far the signs agree: on 63 rendered swings from the side those whose spread was 12 to 15 ms strayed by 11 ms (root
// mean square), of 15 to 20 ms by 27, of more by 85.
const (
	footDownSD    = 0.018
	footDownEndSD = 0.036
	apartLeast    = 1.25
	apartS        = 0.0115
)

// usualSpread is how far real landings stray from the usual time before contact (logarithm); usualLateS is by how much
// the usual time is late, s.
const (
	usualSpread = 0.40
	usualLateS  = 0.016
)

// awayCounts is how much the foot counts that steps away from a camera behind the catcher, where its way hardly shows and the hitter's other leg
// hides it: there the usual time alone was nearer than the foot's curves (53 rendered swings: 20 and 40 ms in the median).
const awayCounts = 0.55

// A foot that is carried forward stops as it lands. stopShare is the part of its greatest speed below which it then falls, stopBackS how long
// before contact it is followed, and stopSD how far from the landing that is, s: seen from the open side it strayed by 14 ms in
// the median, less than any other sign.
const stopShare, stopBackS, stopSD = 0.35, 0.6, 0.024

// toeStops is when the lead toe falls below stopShare of its greatest speed.
func (r *reading) toeStops() (t float64, ok bool) {
	b := r.b
	j := r.footPoints()[2]
	if !b.has[j] {
		return 0, false
	}
	v := func(i int) float64 {
		return b.speed(func(k int) vec { return b.at[j][k] }, i, 0.05).norm() / b.length
	}
	c := r.ev[Contact].t
	lo, hi := b.index(c-stopBackS), b.index(c-0.02)
	peak := lo
	for i := lo; i <= hi; i++ {
		if v(i) > v(peak) {
			peak = i
		}
	}
	i := peak
	for i < hi && v(i) > stopShare*v(peak) {
		i++
	}
	return b.time(i), i < hi && peak > lo && v(peak) > 4*footQuiet
}

// ankleLanding is the same from the ankle alone: where it comes to rest, as people mark it on joints without feet.
func (r *reading) ankleLanding(s *stride) cue {
	cues := []cue{{s.landed[0].t, math.Max(s.landed[0].sigma, 0.06)}}
	if t, sg, ok := r.plant(r.footPoints()[0], r.ev[Contact].t); ok {
		cues = append(cues, cue{t, 0.8 * sg})
	}
	t, sg, _ := fuse(cues...)
	sg = math.Max(1.15*sg, 0.03)
	if !r.sideOn() {
		sg *= footFromEnd
	}
	return cue{t, sg}
}
