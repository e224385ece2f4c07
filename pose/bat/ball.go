package bat

import (
	"math"
	"slices"

	"cagebook/pose"
)

// Flight is what the ball's way says of contact.
type Flight struct {
	In, Out  bool    // a way toward the hitter, and one away, was seen
	ContactS float64 // s; NaN = cannot be told
	SigmaS   float64
	From     string        // "in and out", "tee and out", "in and bat"
	Point    pose.Estimate // where ball and bat met, px of the pictures
}

// A ball is 0.04 of an adult's height wide, a softball 0.075 of a child's;
// fast ones are streaks. Heights, and heights a second.
const (
	ballLevels   = 22 // least difference from the background
	ballMin      = 0.016
	leastWay     = 0.08 // a flight goes at least so far in the picture
	ballMaxMinor = 0.085
	ballMaxMajor = 0.30
	ballSearchS  = 0.30  // to either side of contact
	ballFit      = 0.022 // distance from its way at which a spot belongs to it
	inMin, inMax = 2.0, 32.0
	outMin       = 6.0
	outMax       = 40.0
	gravityH     = 5.6  // 9.81 m/s² for a hitter of 1.75 m; over a tenth of a second it does not matter whether 1.4 or 1.9
	meetApart    = 0.07 // two ways that are farther apart where they are nearest do not meet
	meetS        = 0.16 // s about the body's contact in which they may meet
	spotSD       = 0.008
	narrowest    = 0.023 // median width of a way's spots: three fifths of a baseball on a hitter of 1.9 m
	leastAhead   = 0.30
	inFall       = 3.5    // heights/s
	fewFrameS    = 0.0105 // s between pictures from which a ball can leave the picture after two of them
)

// spot is something small that differs from the background.
type spot struct {
	i            int
	t, x, y      float64 // heights, places of the background
	major, minor float64
	angle        float64 // direction of the longer axis
	peak         int
}

// ray is a flight: a straight line with gravity.
type ray struct {
	t0, x, y, vx, vy float64
	n                int
	meanT, varT      float64
	used             []int   // indices of spots
	from, to         float64 // times of the first and the last
	wide             float64 // their median width, heights
}

func (r *ray) at(t float64) (x, y float64) {
	u := t - r.t0
	return r.x + r.vx*u, r.y + r.vy*u + gravityH/2*u*u
}

// sd is the standard uncertainty of a place on the way at a time, heights.
func (r *ray) sd(t float64) float64 {
	if r.varT <= 0 {
		return math.Inf(1)
	}
	d := t - r.meanT
	return spotSD * math.Sqrt((1+d*d/r.varT)/float64(r.n))
}

// ball looks for the ball about contact and writes what it found.
func (f *follower) ball(r *Result) {
	r.Flight.ContactS = math.NaN()
	c := f.s.ContactS
	if !(c > 0) {
		return
	}
	lo, hi := 0, len(f.s.Times)
	for lo < hi && f.s.Times[lo] < c-ballSearchS {
		lo++
	}
	for hi > lo && f.s.Times[hi-1] > c+ballSearchS {
		hi--
	}
	if hi-lo < 4 {
		return
	}
	per := make([][]spot, hi-lo)
	f.s.each(hi-lo, func(k int) { per[k] = f.spots(lo+k, r) })
	spots := slices.Concat(per...)
	spots = moving(spots)
	zone := f.zone()
	out := bestRay(spots, func(k int) bool { return spots[k].t > c-meetS }, func(w *ray) bool {
		return f.flies(w, true) && f.leaves(w, zone, true)
	})
	taken := make([]bool, len(spots))
	if out != nil {
		for _, k := range out.used {
			taken[k] = true
		}
	}
	in := bestRay(spots, func(k int) bool { return spots[k].t < c+meetS && !taken[k] }, func(w *ray) bool {
		return f.flies(w, false) && f.leaves(w, zone, false)
	})
	f.meet(r, spots, in, out)
}

// flies says whether a way is one that a ball can take, off the bat or toward it. From the side a hit ball goes toward the
// pitcher, whom Turn puts on one side, and hardly ever steeper than 70°; what is thrown or tossed comes from there and falls at
// most as from 1.5 m. Both are as wide as a ball.
func (f *follower) flies(w *ray, out bool) bool {
	v := math.Hypot(w.vx, w.vy)
	ahead := -w.vx * float64(f.s.Turn) / v // share of the way that goes toward the pitcher
	switch {
	case w.wide < narrowest:
		return false
	case out:
		return v >= outMin && v <= outMax && (f.s.Turn == 0 || ahead > leastAhead)
	}
	return v >= inMin && v <= inMax && math.Abs(w.vy) < inFall && (f.s.Turn == 0 || ahead < -leastAhead)
}

// onBat says whether a bat that was seen about time t lies at a place of the background, heights; known is false if none was seen.
func (f *follower) onBat(r *Result, t, x, y float64) (on, known bool) {
	const (
		nearS  = 0.022 // s: a bat seen farther away in time says too little
		beside = 0.09  // heights: half a ball and half a barrel, and what spots and bat are unsure by
		speed  = 8.0   // heights a second by which the middle of the bat moves on
	)
	j, _ := slices.BinarySearch(f.s.Times, t)
	for _, i := range [2]int{j - 1, j} {
		if i < 0 || i >= len(r.Bat) || r.Bat[i].Status != measured || math.Abs(f.s.Times[i]-t) > nearS {
			continue
		}
		known = true
		h := f.s.Height
		kx, ky := f.onBackground(i, r.Bat[i].Knob.X, r.Bat[i].Knob.Y)
		ex, ey := f.onBackground(i, r.Bat[i].Barrel.X, r.Bat[i].Barrel.Y)
		kx, ky, ex, ey = kx/h, ky/h, ex/h, ey/h
		u := ((x-kx)*(ex-kx) + (y-ky)*(ey-ky)) / math.Max(1e-6, (ex-kx)*(ex-kx)+(ey-ky)*(ey-ky))
		u = math.Max(0, math.Min(1, u))
		if math.Hypot(x-kx-u*(ex-kx), y-ky-u*(ey-ky)) < beside+speed*math.Abs(f.s.Times[i]-t) {
			on = true
		}
	}
	return on, known
}

// moving leaves out what is at one place for long: remains of the hitter in the
// background, and what was moved.
func moving(spots []spot) []spot {
	const (
		laterS = 0.042 // a ball that comes straight at the camera moves 0.015 heights in that time
		same   = 0.012
	)
	var out []spot
	for k := range spots {
		s := &spots[k]
		stays := false
		for m := range spots {
			q := &spots[m]
			if d := math.Abs(q.t - s.t); d > laterS && d < laterS+0.035 && math.Hypot(q.x-s.x, q.y-s.y) < same {
				stays = true
				break
			}
		}
		if !stays {
			out = append(out, *s)
		}
	}
	return out
}

// zone is where the ball can be met: about the hands at contact, within the bat's reach; heights.
type zone struct{ x, y, r float64 }

func (f *follower) zone() zone {
	k := nearestTime(f.s.Times, f.s.ContactS)
	for d := range len(f.s.Times) {
		for _, i := range [2]int{k - d, k + d} {
			if i >= 0 && i < len(f.grips) && f.grips[i].ok {
				x, y := f.onBackground(i, f.grips[i].x, f.grips[i].y)
				return zone{x / f.s.Height, y / f.s.Height, f.maxR + 0.08}
			}
		}
	}
	return zone{}
}

func nearestTime(ts []float64, t float64) int {
	k, _ := slices.BinarySearch(ts, t)
	if k > 0 && (k == len(ts) || t-ts[k-1] < ts[k]-t) {
		k--
	}
	return k
}

// onBackground maps a place of frame i to the background.
func (f *follower) onBackground(i int, x, y float64) (float64, float64) {
	if f.move[i].still {
		return x, y
	}
	return f.move[i].from(x, y)
}

// leaves says whether a way passes through the zone about contact and goes away from it (or comes toward it).
func (f *follower) leaves(w *ray, z zone, out bool) bool {
	c := f.s.ContactS
	near := math.Inf(1)
	for t := c - meetS; t <= c+meetS; t += 0.01 {
		x, y := w.at(t)
		near = math.Min(near, math.Hypot(x-z.x, y-z.y))
	}
	if near > z.r {
		return false
	}
	x0, y0 := w.at(w.from)
	x1, y1 := w.at(w.to)
	before, after := math.Hypot(x0-z.x, y0-z.y), math.Hypot(x1-z.x, y1-z.y)
	if out {
		return after > before && w.to > c-meetS/2
	}
	return before > after && w.from < c
}

// bestRay is the way through most spots, of those that please; nil if fewer than three lie on any.
func bestRay(spots []spot, use func(k int) bool, please func(*ray) bool) *ray {
	var idx []int
	for k := range spots {
		if use(k) {
			idx = append(idx, k)
		}
	}
	const most = 220 // a busy picture: the strongest spots
	if len(idx) > most {
		slices.SortStableFunc(idx, func(a, b int) int { return spots[b].peak - spots[a].peak })
		idx = idx[:most]
		slices.Sort(idx)
	}
	var best *ray
	bestCost := 0.0
	for ai, a := range idx {
		for _, b := range idx[ai+1:] {
			p, q := &spots[a], &spots[b]
			dt := q.t - p.t
			if p.i == q.i || dt > 0.13 {
				continue
			}
			w := &ray{t0: p.t, x: p.x, y: p.y, vx: (q.x - p.x) / dt, vy: (q.y-p.y)/dt - gravityH/2*dt}
			if v := math.Hypot(w.vx, w.vy); v < inMin || v > outMax {
				continue
			}
			cost, n := inliers(w, spots, idx)
			if n < 3 || best != nil && (n < best.n || n == best.n && cost >= bestCost) {
				continue
			}
			w.fit(spots)
			if cost, n = inliers(w, spots, idx); n < 3 {
				continue
			}
			if w.describe(spots); !w.steady(spots) || !please(w) {
				continue
			}
			if best == nil || n > best.n || n == best.n && cost < bestCost {
				best, bestCost = w, cost
			}
		}
	}
	return best
}

// inliers collects the nearest spot of each frame that lies on a way.
func inliers(w *ray, spots []spot, idx []int) (cost float64, n int) {
	w.used = w.used[:0]
	last, lastD := -1, 0.0
	for _, k := range idx {
		s := &spots[k]
		x, y := w.at(s.t)
		d := math.Hypot(s.x-x, s.y-y)
		if d > ballFit || !w.along(s) {
			continue
		}
		if last == s.i {
			if d < lastD {
				cost += d - lastD
				lastD = d
				w.used[len(w.used)-1] = k
			}
			continue
		}
		last, lastD = s.i, d
		cost += d
		w.used = append(w.used, k)
	}
	w.n = len(w.used)
	return cost, w.n
}

// along says whether a spot has the form of a ball on this way: round, or drawn out along it.
func (w *ray) along(s *spot) bool {
	if s.major < 1.7*s.minor {
		return true
	}
	dir := math.Atan2(w.vy+gravityH*(s.t-w.t0), w.vx)
	return math.Abs(math.Sin(dir-s.angle)) < 0.35
}

// fit is the least-squares way through the spots used.
func (w *ray) fit(spots []spot) {
	var n, st, sx, sy float64
	for _, k := range w.used {
		n, st = n+1, st+spots[k].t
	}
	m := st / n
	var stt, stx, sty float64
	for _, k := range w.used {
		s := &spots[k]
		u := s.t - m
		y := s.y - gravityH/2*u*u
		sx, sy, stt, stx, sty = sx+s.x, sy+y, stt+u*u, stx+u*s.x, sty+u*y
	}
	if stt <= 0 {
		return
	}
	w.t0, w.x, w.y, w.vx, w.vy = m, sx/n, sy/n, stx/stt, sty/stt
	w.meanT, w.varT = m, stt/n
	w.describe(spots)
}

// describe notes the times and the width of the spots used.
func (w *ray) describe(spots []spot) {
	var ms []float64
	for _, k := range w.used {
		ms = append(ms, spots[k].minor)
	}
	slices.Sort(ms)
	w.wide = ms[len(ms)/2]
	w.from, w.to = spots[w.used[0]].t, spots[w.used[len(w.used)-1]].t
	w.n = len(w.used)
}

// steady says whether the spots of a way follow each other without long holes and are alike in size.
func (w *ray) steady(spots []spot) bool {
	if len(w.used) < 3 {
		return false
	}
	first, last := spots[w.used[0]], spots[w.used[len(w.used)-1]]
	if last.i-first.i+1 > 2*len(w.used) {
		return false
	}
	small, large := math.Inf(1), 0.0
	faint, strong := math.MaxInt, 0
	for _, k := range w.used {
		small, large = math.Min(small, spots[k].minor), math.Max(large, spots[k].minor)
		faint, strong = min(faint, spots[k].peak), max(strong, spots[k].peak)
	}
	return large < 1.7*small+0.006 && 2*faint > strong && math.Hypot(last.x-first.x, last.y-first.y) > leastWay
}

// meet finds where the ways cross, each other or the bat, and writes the ball's places.
func (f *follower) meet(r *Result, spots []spot, in, out *ray) {
	fl := &r.Flight
	c := f.s.ContactS
	fl.In, fl.Out = in != nil, out != nil
	h := f.s.Height
	try := func(t, sigma, x, y float64, from string) {
		on, known := f.onBat(r, t, x, y)
		if known && !on || !known && f.s.Turn == 0 { // along the line to the pitcher a way alone does not say when
			return
		}
		if math.Abs(t-c) > meetS || !(sigma < 0.02) || !math.IsNaN(fl.ContactS) && sigma >= fl.SigmaS {
			return
		}
		fl.ContactS, fl.SigmaS, fl.From = t, math.Max(sigma, 0.001), from
		fl.Point = pose.Estimate{X: x * h, Y: y * h, Sigma: 0.02 * h}
	}
	if in != nil && out != nil {
		if t, sigma, x, y, ok := f.cross(in, out); ok {
			try(t, sigma, x, y, "in and out")
		}
	}
	if math.IsNaN(fl.ContactS) && out != nil {
		if t, sigma, x, y, ok := f.fromTee(out); ok {
			in = nil // what came was no ball
			try(t, sigma, x, y, "tee and out")
		}
	}
	if math.IsNaN(fl.ContactS) {
		if w, t, sigma, x, y, from := f.fewAfter(spots, in); w != nil {
			out = w
			if from == "tee and out" {
				in = nil
			}
			try(t, sigma, x, y, from)
		}
	}
	if math.IsNaN(fl.ContactS) && in != nil {
		if t, sigma, ok := f.crossBat(r, in); ok && math.Abs(t-c) < 0.045 && t > in.to-late && t-in.to < 0.06 {
			x, y := in.at(t)
			try(t, sigma, x, y, "in and bat")
		}
	}
	f.samples(r, spots, in, out)
}

// late is how far a spot may lie beyond contact on the wrong way, s: timing of the exposure.
const late = 0.008

// bent is the standard uncertainty of a way's end for want of straightness, a part
// of the time over which it is carried on: air and, toward the camera, perspective bend it.
func (f *follower) bent(gapS float64) float64 {
	if f.s.Turn == 0 { // the line to the pitcher points at the camera
		return 0.25 * math.Max(0, gapS)
	}
	return 0.08 * math.Max(0, gapS)
}

// cross is when and where two flights are nearest to each other.
func (f *follower) cross(in, out *ray) (t, sigma, x, y float64, ok bool) {
	vx, vy := in.vx-out.vx, in.vy-out.vy
	t = f.s.ContactS
	for range 4 { // gravity bends both a little
		x0, y0 := in.at(t)
		x1, y1 := out.at(t)
		t -= ((x0-x1)*vx + (y0-y1)*vy) / (vx*vx + vy*vy)
	}
	x0, y0 := in.at(t)
	x1, y1 := out.at(t)
	if math.Hypot(x0-x1, y0-y1) > meetApart || in.to > t+late || out.from < t-late {
		return 0, 0, 0, 0, false
	}
	v := math.Hypot(vx, vy)
	sigma = math.Hypot(math.Hypot(in.sd(t), out.sd(t))/v, f.bent(math.Max(t-in.to, out.from-t)))
	return t, sigma, (x0 + x1) / 2, (y0 + y1) / 2, true
}

// fromTee is when a flight left the place where a ball lay.
func (f *follower) fromTee(out *ray) (t, sigma, x, y float64, ok bool) {
	c := f.s.ContactS
	x, y, ok = f.vanished(out)
	if !ok {
		return 0, 0, 0, 0, false
	}
	v2 := out.vx*out.vx + out.vy*out.vy
	t = c
	for range 3 {
		x0, y0 := out.at(t)
		t += ((x-x0)*out.vx + (y-y0)*out.vy) / v2
	}
	if x0, y0 := out.at(t); math.Hypot(x0-x, y0-y) > meetApart/2 || out.from < t-late {
		return 0, 0, 0, 0, false
	}
	return t, math.Hypot(math.Hypot(out.sd(t), spotSD)/math.Sqrt(v2), f.bent(out.from-t)), x, y, true
}

// fewAfter looks for a way off that has only two spots: at 60 pictures a second
// a ball leaves the picture after two or three. Two are enough where they lead
// back to a ball that lay on a tee, or to one that came in.
func (f *follower) fewAfter(spots []spot, in *ray) (way *ray, t, sigma, x, y float64, from string) {
	c := f.s.ContactS
	z := f.zone()
	sigma = math.Inf(1)
	if n := len(f.s.Times) - 1; (f.s.Times[n]-f.s.Times[0])/float64(n) < fewFrameS {
		return nil, 0, sigma, 0, 0, ""
	}
	for a := range spots {
		for b := range spots {
			p, q := &spots[a], &spots[b]
			if q.i != p.i+1 || p.t < c-meetS/2 || p.t > c+meetS {
				continue
			}
			if math.Max(p.minor, q.minor) > 1.5*math.Min(p.minor, q.minor) || 2*min(p.peak, q.peak) < max(p.peak, q.peak) {
				continue
			}
			w := &ray{used: []int{a, b}}
			w.fit(spots)
			if !f.flies(w, true) || !w.along(p) || !w.along(q) || !f.leaves(w, z, true) {
				continue
			}
			if in != nil && w.wide < 1.6*in.wide && in.wide < 1.6*w.wide {
				if tt, s, xx, yy, ok := f.cross(in, w); ok && s < sigma && math.Abs(tt-c) < meetS {
					way, t, sigma, x, y, from = w, tt, math.Hypot(s, 0.002), xx, yy, "in and out"
				}
			}
			if tt, s, xx, yy, ok := f.fromTee(w); ok && s < sigma && math.Abs(tt-c) < meetS {
				way, t, sigma, x, y, from = w, tt, math.Hypot(s, 0.002), xx, yy, "tee and out"
			}
		}
	}
	return way, t, sigma, x, y, from
}

// samples writes the ball's places into the frames.
func (f *follower) samples(r *Result, spots []spot, in, out *ray) {
	h := f.s.Height
	put := func(i int, x, y, sd float64) {
		if !f.move[i].still {
			x, y = f.move[i].to(x*h, y*h)
		} else {
			x, y = x*h, y*h
		}
		r.Ball[i] = pose.BallSample{Status: measured, At: pose.Estimate{X: x, Y: y, Sigma: math.Max(sd, spotSD) * h}}
	}
	for _, w := range [2]*ray{in, out} {
		if w == nil {
			continue
		}
		for _, k := range w.used {
			put(spots[k].i, spots[k].x, spots[k].y, spotSD)
		}
	}
	t := r.Flight.ContactS
	if math.IsNaN(t) {
		return
	}
	// Beside the bat the ball cannot be made out; its ways say where it was.
	for i, s := range f.s.Times {
		if math.Abs(s-t) > 0.05 || r.Ball[i].Status == measured {
			continue
		}
		switch {
		case s <= t && in != nil:
			x, y := in.at(s)
			put(i, x, y, in.sd(s))
		case s <= t && r.Flight.From == "tee and out":
			put(i, r.Flight.Point.X/h, r.Flight.Point.Y/h, spotSD)
		case s > t && out != nil:
			x, y := out.at(s)
			put(i, x, y, out.sd(s))
		}
	}
}

// crossBat is when a flight meets the line of the bat, from the frames in which the bat is known.
func (f *follower) crossBat(r *Result, w *ray) (t, sigma float64, ok bool) {
	h := f.s.Height
	c := f.s.ContactS
	side := func(i int) (across, along float64, ok bool) {
		b := &r.Bat[i]
		if b.Status != measured {
			return 0, 0, false
		}
		kx, ky := f.onBackground(i, b.Knob.X, b.Knob.Y)
		ex, ey := f.onBackground(i, b.Barrel.X, b.Barrel.Y)
		kx, ky, ex, ey = kx/h, ky/h, ex/h, ey/h
		l := math.Hypot(ex-kx, ey-ky)
		x, y := w.at(f.s.Times[i])
		dx, dy := x-kx, y-ky
		return (dx*(ey-ky) - dy*(ex-kx)) / l, (dx*(ex-kx) + dy*(ey-ky)) / (l * l), true
	}
	best := math.Inf(1)
	for i := 0; i+1 < len(f.s.Times); i++ {
		a, la, ok1 := side(i)
		b, lb, ok2 := side(i + 1)
		dt := f.s.Times[i+1] - f.s.Times[i]
		if !ok1 || !ok2 || a*b > 0 || dt > 0.02 || a == b {
			continue
		}
		u := a / (a - b)
		at, along := f.s.Times[i]+u*dt, la+u*(lb-la)
		if along < 0.45 || along > 1.1 || math.Abs(at-c) >= best || math.Abs(at-c) > meetS {
			continue
		}
		best = math.Abs(at - c)
		// The ball is met half a ball and half a barrel (0.03 heights) before its middle reaches the bat's.
		speed := math.Abs(b-a) / dt
		if speed < 5 {
			continue
		}
		t, sigma, ok = at-0.03/speed, math.Hypot(0.015, w.sd(at))/speed+0.1*dt, true
	}
	return t, sigma, ok
}
