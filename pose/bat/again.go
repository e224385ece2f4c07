package bat

import (
	"math"

	"cagebook/pose"
)

// A second look. What the way answered tells where the barrel's end can be in the frames between and beside, as a heavy bat cannot go
// elsewhere: what jumps is taken back, the end is looked for about the place that the motion leaves, and where that place is sure by
// itself it is the answer, with the uncertainty that the motion has there. On 48 rendered swings (0 to 50 of the standard set, but for two in which
// something else was followed) 83 to 88 % of the ends in view came within 0.05 heights so, with 97 % of answers right before and after.
const (
	believed   = 4.0  // gap of the clearest answer of a stretch that others are judged by
	leastKnown = 5    // answers that make a motion
	jumpOff    = 5.0  // standard deviations off the motion are a jump,
	jumpApart  = 0.05 // if they are as much as this, heights;
	jumpSD     = 0.03 // an answer may claim no more for itself there
	nearSD     = 0.08 // heights: where the motion leaves more open than this, nothing is looked for,
	bridgeSD   = 0.03 // and where less than this, nothing need be seen
	placeSD    = 0.02 // heights by which hands that are put elsewhere move an end
	mostOff    = 3.0  // standard deviations that an answer may be off the motion
	stepScore  = 0.4  // evidence that each step of a short bat must have
	rounds     = 10   // each carries answers on to the frames beside
)

// again adds to the answers of a way, and takes back what jumps; full is the bat's length as of fullLength.
func (f *follower) again(r *Result, w way, full float64) {
	aside := f.setAside(r, w)
	f.dropJumps(r)
	if len(r.known(barrelOf)) >= leastKnown {
		for range rounds {
			m := f.smoothed(f.withShort(r))
			found := false
			for i := range r.Bat {
				if r.Bat[i].Status != measured && f.polar[i] != nil && m.sigma[i] < nearSD && f.lookNear(r, w, i, &m, full) {
					found = true
				}
			}
			if !found {
				break
			}
			f.dropJumps(r)
		}
		f.bridge(r)
	}
	f.giveBack(r, aside)
}

func barrelOf(b *pose.BatSample) pose.Estimate { return b.Barrel }
func knobOf(b *pose.BatSample) pose.Estimate   { return b.Knob }

// ends are those of the frames that are answered; elsewhere they are not known.
func (r *Result) ends(of func(*pose.BatSample) pose.Estimate) []pose.Estimate {
	out := make([]pose.Estimate, len(r.Bat))
	for i := range r.Bat {
		if r.Bat[i].Status == measured {
			out[i] = of(&r.Bat[i])
		}
	}
	return out
}

// known are the ends of the frames that are answered alone.
func (r *Result) known(of func(*pose.BatSample) pose.Estimate) (out []pose.Estimate) {
	for _, e := range r.ends(of) {
		if e.Known() {
			out = append(out, e)
		}
	}
	return out
}

func (r *Result) answer(i int, b pose.BatSample) {
	r.Bat[i], r.AngleRad[i] = b, math.Atan2(b.Barrel.Y-b.Knob.Y, b.Barrel.X-b.Knob.X)
}

func (r *Result) refuse(i int) {
	r.Bat[i], r.AngleRad[i] = pose.BatSample{Status: occluded}, math.NaN()
}

// setAside takes out the stretches of answers of which none is clear: a line that is followed for a while may be the edge of a leg or a
// sleeve, and what is wrong there would be carried on to other frames.
func (f *follower) setAside(r *Result, w way) []pose.BatSample {
	n := len(r.Bat)
	aside := make([]pose.BatSample, n)
	for i := 0; i < n; i++ {
		from, top := i, 0.0
		for ; i < n && r.Bat[i].Status == measured; i++ {
			top = math.Max(top, w.gap[i])
		}
		if top >= believed {
			continue
		}
		for k := from; k < i; k++ {
			aside[k] = r.Bat[k]
			r.refuse(k)
		}
	}
	return aside
}

// giveBack answers what was set aside and the motion does not speak against.
func (f *follower) giveBack(r *Result, aside []pose.BatSample) {
	m := f.smoothed(r.ends(barrelOf))
	for i, b := range aside {
		if r.Bat[i].Status != measured && b.Status == measured && m.off(i, b.Barrel, f.s.Height) <= mostOff*math.Hypot(m.sigma[i], jumpSD) {
			r.answer(i, b)
		}
	}
}

// off is how far a point is from where the motion has it in frame i, heights.
func (m *motion) off(i int, e pose.Estimate, height float64) float64 {
	return math.Hypot(e.X/height-m.x[i], e.Y/height-m.y[i])
}

// dropJumps takes back the answers, the worst first, that do not go with the motion of all.
func (f *follower) dropJumps(r *Result) {
	h := f.s.Height
	for range r.Bat {
		at := r.ends(barrelOf)
		m := f.smoothed(at)
		worst, i := jumpOff, -1
		for k, e := range at {
			if !e.Known() {
				continue
			}
			// The motion was drawn halfway to it.
			off := m.off(k, e, h)
			if q := off / math.Max(placeSD, math.Min(e.Sigma/h, jumpSD)); off > jumpApart/2 && q > worst {
				worst, i = q, k
			}
		}
		if i < 0 {
			return
		}
		r.refuse(i)
	}
}

// lookNear looks for the bat of frame i with its end about the place that the motion leaves, and says whether it was found.
func (f *follower) lookNear(r *Result, w way, i int, m *motion, full float64) bool {
	h := f.s.Height
	g := f.grips[i]
	// Ends are told from the hands, heights.
	end := func(k, turn int) (x, y float64) {
		l, d := length(k%lenSteps, f.maxR), dirs[(k/lenSteps+turn)%angles]
		return l * d[0], l * d[1]
	}
	wide := 2 * (m.sigma[i]*m.sigma[i] + placeSD*placeSD)
	scores := make([]float64, perSpeed)
	best := 0
	for k, p := range f.polar[i] {
		x, y := end(k, 0)
		x, y = x+g.x/h-m.x[i], y+g.y/h-m.y[i]
		scores[k] = float64(p) - (x*x+y*y)/wide
		if scores[k] > scores[best] {
			best = k
		}
	}
	bx, by := end(best, 0)
	other := math.Inf(-1)
	for k, s := range scores {
		if x, y := end(k, 0); s > other && math.Hypot(x-bx, y-by) > apartEnd {
			other = s
		}
	}
	gap := scores[best] - other
	score, least := float64(f.polar[i][best]), math.Min(clearScore, stepScore*float64(f.ends()[best%lenSteps]))
	was := way{[]int{w.angle[i]}, []int{w.length[i]}, []float64{w.gap[i]}, []float64{w.endGap[i]}}
	w.angle[i], w.length[i], w.gap[i], w.endGap[i] = best/lenSteps, best%lenSteps, gap, 1
	if gap > leastGap && score >= least && (score >= strong || f.beside(w, i) >= leastShare) {
		f.place(r, w, i, full)
		if m.off(i, r.Bat[i].Barrel, h) <= mostOff*math.Hypot(m.sigma[i], placeSD) {
			return true
		}
		r.refuse(i)
	}
	w.angle[i], w.length[i], w.gap[i], w.endGap[i] = was.angle[0], was.length[0], was.gap[0], was.endGap[0]
	return false
}

// bridge answers where the motion alone is sure enough.
func (f *follower) bridge(r *Result) {
	h := f.s.Height
	at := f.withShort(r)
	m, k := f.smoothed(at), f.smoothed(r.ends(knobOf))
	for i := range r.Bat {
		x, y := m.x[i]*h, m.y[i]*h
		if r.Bat[i].Status == measured || m.sigma[i] > bridgeSD || x < 0 || y < 0 || x >= float64(f.w) || y >= float64(f.h) {
			continue
		}
		sigma := math.Hypot(m.sigma[i], placeSD/2)
		if at[i].Known() { // hands are off by the same from frame to frame
			sigma = math.Max(sigma, shortSD)
		}
		r.answer(i, pose.BatSample{
			Status: measured,
			Knob:   pose.Estimate{X: k.x[i] * h, Y: k.y[i] * h, Sigma: h * math.Hypot(k.sigma[i], placeSD)},
			Barrel: pose.Estimate{X: x, Y: y, Sigma: h * sigma},
		})
	}
}

// A bat that was followed until it pointed at the camera, or away from it, lies before the hands as long as it is not seen to come out
// again, and its end is near them. In the middle of the swing it comes out within hundredths of a second, in any direction.
const (
	shortEnd = 0.21  // heights from the hands to the end that was seen last
	shortOff = 0.085 // heights: about half of that,
	shortSD  = 0.04
	shortS   = 0.12 // s: and for as long as this
)

// withShort are the barrel's ends that are answered, and about where it is while it points at the camera.
func (f *follower) withShort(r *Result) []pose.Estimate {
	h := f.s.Height
	at := r.ends(barrelOf)
	n := len(at)
	since := make([]float64, n) // s from the answer that says so; 0 = none
	for _, back := range [2]bool{false, true} {
		last, dx, dy := -1, 0.0, 0.0
		for i := range n {
			if back {
				i = n - 1 - i
			}
			g := f.grips[i]
			if b := &r.Bat[i]; b.Status == measured {
				last = -1
				if l := math.Hypot(b.Barrel.X-g.x, b.Barrel.Y-g.y); f.polar[i] != nil && l < shortEnd*h && l > 0 {
					last, dx, dy = i, (b.Barrel.X-g.x)/l, (b.Barrel.Y-g.y)/l
				}
				continue
			}
			if last < 0 || f.polar[i] == nil {
				continue
			}
			s := math.Abs(f.s.Times[i] - f.s.Times[last])
			// Hands that are apart say little of where the bat is.
			if s > shortS || len(f.tries[i]) > 1 || f.jerk(f.s.Times[i]) > jerkAfter {
				last = -1
				continue
			}
			if since[i] == 0 || s < since[i] {
				since[i] = s
				at[i] = pose.Estimate{X: g.x + shortOff*h*dx, Y: g.y + shortOff*h*dy, Sigma: shortSD * h}
			}
		}
	}
	return at
}
