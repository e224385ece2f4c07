package phases

import (
	"math"

	"cagebook/pose"
)

// cue is one way of telling when an event was.
type cue struct {
	t, sigma float64 // s
}

// fuse combines cues by their weights. Where they disagree by more than they
// claim, the disagreement goes into sigma.
func fuse(cs ...cue) (t, sigma float64, ok bool) {
	var w, wt float64
	for _, c := range cs {
		if c.sigma > 0 && !math.IsNaN(c.t) && !math.IsInf(c.sigma, 0) {
			k := 1 / (c.sigma * c.sigma)
			w += k
			wt += k * c.t
		}
	}
	if w == 0 {
		return 0, 0, false
	}
	t = wt / w
	var between float64
	n := 0
	for _, c := range cs {
		if c.sigma > 0 && !math.IsNaN(c.t) && !math.IsInf(c.sigma, 0) {
			between += (c.t - t) * (c.t - t) / (c.sigma * c.sigma)
			n++
		}
	}
	v := 1 / w
	if n > 1 {
		v *= math.Max(1, between/float64(n-1)) // Birge ratio: inflate to the observed scatter
	}
	// The cues look at the same noisy joints: their errors do not average out freely.
	return t, math.Sqrt(v * 1.3), true
}

// reading is all that the search for events knows of one swing.
type reading struct {
	b     *body
	f     fit
	bats  Bats
	view  View
	cosAz float64
	lead  func(pose.Joint) pose.Joint
	rear  func(pose.Joint) pose.Joint
	ev    map[EventName]cue
	noise float64 // σ of a joint, body lengths
}

// forward is the image displacement d as a way toward the pitcher, px of the image (foreshortened by cos azimuth).
func (r *reading) forward(d vec) float64 {
	return d.x * sign(imageX(1, 0, r.view.AzimuthDeg*math.Pi/180, r.bats))
}

// sideOn says whether the line to the pitcher lies well within the image.
func (r *reading) sideOn() bool { return math.Abs(r.cosAz) > 0.45 }

func sign(x float64) float64 {
	if x < 0 {
		return -1
	}
	return 1
}

// expected is when the fitted template has the event, and how far real swings stray from it.
func (r *reading) expected(n EventName, spread float64) cue {
	m := templates()[r.f.variant]
	c := r.ev[Contact]
	d, ok := m.Events[n]
	if !ok {
		return cue{math.NaN(), 0}
	}
	return cue{c.t + d*r.f.tempo, math.Hypot(c.sigma, math.Max(0.02, spread*math.Abs(d)*r.f.tempo))}
}

// findEvents fills r.ev. Contact must be there already.
func (r *reading) findEvents() {
	r.footDown()
	r.handsStart()
	r.load()
	r.leadFootOff()
	r.stance()
	r.heelDown()
	r.extension()
	r.finish()
}

// footPoints are the points of a foot that the track has, px at grid index i.
func (r *reading) footPoints(side func(pose.Joint) pose.Joint) []pose.Joint {
	out := []pose.Joint{side(pose.LeftAnkle)}
	for _, j := range []pose.Joint{side(pose.LeftHeel), side(pose.LeftFootIndex)} {
		if r.b.has[j] {
			out = append(out, j)
		}
	}
	return out
}

// footDown looks for the moment from which the lead foot is where it stays
// until contact: per point of the foot the last sustained departure from the
// planted place, carried on to the place itself by the approach's own speed.
func (r *reading) footDown() {
	b := r.b
	c := r.ev[Contact]
	prior := r.expected(FootDown, 0.40)
	var cs []cue
	for _, j := range r.footPoints(r.lead) {
		if t, s, ok := r.plant(j, c.t); ok {
			cs = append(cs, cue{t, s})
		}
	}
	if len(cs) == 0 {
		r.ev[FootDown] = prior
		return
	}
	// The first of toe and heel counts; the ankle rides above both.
	best := cs[0]
	if len(cs) == 3 {
		first := cs[1]
		if cs[2].t < first.t {
			first = cs[2]
		}
		t, s, _ := fuse(cs[0], first)
		best = cue{t, s}
	}
	t, s, _ := fuse(best, prior)
	floor := math.Hypot(0.015, 1.1*r.noise) // s; from the probe: 15 ms and 13 ms a percent of body length, heel and toe help a little
	r.ev[FootDown] = cue{t, math.Hypot(math.Max(s, floor), 0.29*b.frameS)}
}

// plant is when point j comes to the place at which it rests around contact.
func (r *reading) plant(j pose.Joint, contactS float64) (t, sigma float64, ok bool) {
	b := r.b
	rest := vec{median(b.over(b.index(contactS), -0.06, 0.03, func(i int) float64 { return b.at[j][i].x })),
		median(b.over(b.index(contactS), -0.06, 0.03, func(i int) float64 { return b.at[j][i].y }))}
	d := func(i int) float64 { return b.at[j][i].sub(rest).norm() / b.length }
	limit := math.Max(0.03, 3*r.noise)
	sustain := int(0.05 / b.dt)
	lo := max(0, b.index(contactS-0.9))
	gone := -1
	for i := b.index(contactS - 0.03); i >= lo+sustain; i-- {
		away := true
		for k := 0; k < sustain && away; k += 2 {
			away = d(i-k) > limit
		}
		if away {
			gone = i
			break
		}
	}
	if gone < 0 {
		return 0, 0, false // it did not move: no stride, or it cannot be seen
	}
	// speed of approach over the last 60 ms before the limit was crossed
	from := max(lo, gone-int(0.06/b.dt))
	v := (d(from) - d(gone)) / (float64(gone-from) * b.dt)
	if gone == from || v < 0.05 {
		v = 0.25
	}
	ahead := clamp(0.6*(d(gone)-0.006)/v, 0, 0.08) // it slows down as it lands... and the smoothing rounds the corner
	return b.time(gone) + ahead, math.Hypot(0.012, 0.5*ahead+r.noise/math.Max(v, 0.15)), true
}

// handsStart: 10 % of the peak of the forward speed of the hands relative to mid-hip.
func (r *reading) handsStart() {
	b := r.b
	c := r.ev[Contact]
	exp := r.expected(HandsStart, 0.16)
	if r.sideOn() {
		v := func(i int) float64 { return r.forward(b.speed(b.hands, i, 0.04)) }
		lo, hi := b.index(c.t-0.40), b.index(c.t+0.04)
		peak := lo
		for i := lo; i <= hi; i++ {
			if v(i) > v(peak) {
				peak = i
			}
		}
		i := peak
		for i > lo && v(i) > 0.1*v(peak) {
			i--
		}
		if i > lo && v(peak) > 0.5 {
			// between i and i+1
			w := (0.1*v(peak) - v(i)) / math.Max(v(i+1)-v(i), 1e-9)
			slope := (v(min(i+int(0.03/b.dt), peak)) - v(i)) / 0.03
			s := math.Hypot(0.015, clamp(2*r.noise/0.04/math.Max(slope, 1)*0.6, 0, 0.06))
			cr := cue{b.time(i) + clamp(w, 0, 1)*b.dt + 0.004, s}
			t, sg, _ := fuse(cr, exp)
			r.ev[HandsStart] = cue{t, math.Hypot(sg, 0.29*b.frameS)}
			return
		}
	}
	r.ev[HandsStart] = cue{exp.t, math.Hypot(math.Max(exp.sigma, 0.025), 0.29*b.frameS)}
}

// footHeight is how high the lead foot is above the rear one, body lengths: up is positive.
// The rear foot cancels the camera's own motion.
func (r *reading) footHeight(i int) float64 {
	b := r.b
	return (b.at[r.rear(pose.LeftAnkle)][i].y - b.at[r.lead(pose.LeftAnkle)][i].y) / b.length
}

// load: lead ankle highest before it comes down; hands deepest of a hitter who does not lift the foot.
func (r *reading) load() {
	b := r.b
	fd := r.ev[FootDown]
	exp := r.expected(Load, 0.5)
	lo, hi := b.index(fd.t-1.2), b.index(fd.t-0.02)
	top := lo
	for i := lo; i <= hi; i++ {
		if r.footHeight(i) > r.footHeight(top) {
			top = i
		}
	}
	base := r.footHeight(b.index(fd.t + 0.03))
	lift := r.footHeight(top) - base
	start := quantile(b.over(b.index(fd.t), -1.2, 0, r.footHeight), 0.1)
	if lift > math.Max(0.02, 3*r.noise) && r.footHeight(top)-start > math.Max(0.012, 2*r.noise) {
		// middle of the flat top: centroid of what lies within a tenth of it
		level := r.footHeight(top) - math.Max(0.12*lift, 0.5*r.noise)
		a, z := top, top
		for a > lo && r.footHeight(a-1) > level {
			a--
		}
		for z < hi && r.footHeight(z+1) > level {
			z++
		}
		t := 0.5*b.time(top) + 0.5*(b.time(a)+b.time(z))/2
		s := math.Hypot(0.015, 0.3*float64(z-a)*b.dt)
		r.ev[Load] = cue{t, math.Hypot(s, 0.29*b.frameS)}
		return
	}
	if r.sideOn() {
		deep := hi
		hs := b.index(r.ev[HandsStart].t)
		for i := b.index(fd.t - 0.8); i <= hs; i++ {
			if r.forward(b.hands(i)) < r.forward(b.hands(deep)) {
				deep = i
			}
		}
		r.ev[Load] = cue{b.time(deep), math.Hypot(0.05, 0.29*b.frameS)}
		return
	}
	r.ev[Load] = cue{math.Min(exp.t, fd.t-0.03), math.Max(exp.sigma, 0.06)}
}

// leadFootOff: the foot rises above its stance height.
func (r *reading) leadFootOff() {
	b := r.b
	ld := r.ev[Load]
	top := b.index(ld.t)
	lo := b.index(ld.t - 1.2)
	ground := quantile(b.over(top, -1.2, 0, r.footHeight), 0.15)
	rise := r.footHeight(top) - ground
	if rise < math.Max(0.012, 2.5*r.noise) {
		return // not lifted, or not to be seen
	}
	limit := math.Max(0.006, math.Min(2*r.noise, 0.3*rise))
	i := top
	for i > lo && r.footHeight(i)-ground > limit {
		i--
	}
	if i == lo {
		return
	}
	k := min(i+int(0.05/b.dt), top)
	v := (r.footHeight(k) - r.footHeight(i)) / math.Max(float64(k-i)*b.dt, b.dt)
	back := clamp((limit-0.006)/math.Max(v, 0.05), 0, 0.08)
	r.ev[LeadFootOff] = cue{b.time(i) - back, math.Hypot(math.Hypot(0.02, r.noise/math.Max(v, 0.1)), 0.29*b.frameS)}
}

// stance: the last time before the load at which the lead foot is at rest.
func (r *reading) stance() {
	b := r.b
	ld := r.ev[Load]
	speed := func(i int) float64 {
		var s float64
		pts := r.footPoints(r.lead)
		if len(pts) == 3 {
			pts = pts[1:]
		}
		for _, j := range pts {
			s = math.Max(s, b.speed(func(k int) vec { return b.at[j][k].sub(b.at[r.rear(pose.LeftAnkle)][k]) }, i, 0.08).norm()/b.length)
		}
		return s
	}
	limit := math.Max(0.14, 2.5*r.noise/0.08) // 0.12 body heights/s; a body length along the joints is about 0.87 of the height
	from := ld.t
	if off, ok := r.ev[LeadFootOff]; ok {
		from = off.t + 0.02
	}
	lo := 0
	for i := b.index(from); i >= lo; i-- {
		if speed(i) < limit && speed(max(lo, i-int(0.03/b.dt))) < limit {
			r.ev[Stance] = cue{math.Min(b.time(i), ld.t-b.dt), math.Hypot(math.Hypot(0.03, r.noise/0.3), 0.29*b.frameS)}
			return
		}
	}
	// The clip begins after the load began: the first frame is the nearest to a stance that there is.
}

// heelDown: the lead heel comes to its planted height; only where there is a heel.
func (r *reading) heelDown() {
	b := r.b
	j := r.lead(pose.LeftHeel)
	if !b.has[j] {
		return
	}
	fd, c := r.ev[FootDown], r.ev[Contact]
	rest := median(b.over(b.index(c.t), -0.04, 0.02, func(i int) float64 { return b.at[j][i].y }))
	limit := math.Max(0.006, 1.5*r.noise)
	for i := b.index(c.t); i >= b.index(fd.t-0.02); i-- {
		if (rest-b.at[j][i].y)/b.length > limit {
			r.ev[HeelDown] = cue{b.time(i), math.Hypot(0.02+r.noise, 0.29*b.frameS)}
			return
		}
	}
	r.ev[HeelDown] = cue{fd.t, math.Hypot(fd.sigma, 0.015)}
}

// extension: mid-wrists farthest from mid-shoulders within 120 ms after contact.
func (r *reading) extension() {
	b := r.b
	c := r.ev[Contact]
	exp := r.expected(Extension, 0.35)
	if r.sideOn() {
		d := func(i int) float64 { return b.handAt[i].sub(b.shAt[i]).norm() }
		best := b.index(c.t)
		for i := best; i <= b.index(c.t+0.12); i++ {
			if d(i) > d(best) {
				best = i
			}
		}
		t, s, _ := fuse(cue{b.time(best), 0.03}, exp)
		r.ev[Extension] = cue{clamp(t, c.t+0.004, c.t+0.12), math.Hypot(math.Max(s, 0.02), 0.29*b.frameS)}
		return
	}
	r.ev[Extension] = cue{clamp(exp.t, c.t+0.004, c.t+0.12), math.Max(exp.sigma, 0.035)}
}

// finish: speed of the hands first below a tenth of its peak after contact.
func (r *reading) finish() {
	b := r.b
	c := r.ev[Contact]
	v := func(i int) float64 { return b.speed(func(k int) vec { return b.handAt[k] }, i, 0.05).norm() / b.length }
	var peak float64
	for i := b.index(c.t - 0.15); i <= b.index(c.t+0.15); i++ {
		peak = math.Max(peak, v(i))
	}
	exp := r.expected(Finish, 0.3)
	limit := 0.1 * peak
	for i := b.index(c.t + 0.08); i < b.n; i++ {
		if v(i) < limit {
			s := math.Hypot(0.03, 2.2*r.noise) // from the probe: 20 ms and 22 ms a percent of body length
			if t, sg, ok := fuse(cue{b.time(i), s}, cue{exp.t, 2 * exp.sigma}); ok {
				r.ev[Finish] = cue{t, math.Hypot(math.Max(sg, 0.02), 0.29*b.frameS)}
				return
			}
		}
	}
	// The clip ends before the hands come to rest: no finish is reported.
}
