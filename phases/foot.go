package phases

import (
	"math"

	"cagebook/pose"
)

// stride is the lead foot's way from stance to landing as a curve: at rest,
// lifted and carried, at rest. Times in s, lengths in body lengths.
type stride struct {
	off, top, down cue     // start of the lift, its top, end of the descent, with their uncertainty
	downOf         [3]cue  // end of the descent of ankle, heel, toe; zero where the point is not there
	offOf          [3]cue  // start of their lift
	lift           float64 // height of the top above the planted height: of the point that rises least
	liftOf         [3]float64
	carry          float64 // way in the image from stance to landing
}

// minJerk goes smoothly from 0 at a to 1 at b, at rest at both ends (the
// minimum-jerk curve: Flash & Hogan 1985, J Neurosci 5:1688–1703).
func minJerk(t, a, b float64) float64 {
	x := clamp((t-a)/(b-a), 0, 1)
	return x * x * x * (10 + x*(-15+6*x))
}

const (
	footStepS = 0.02 // grid of the instants; their uncertainty is never smaller
	footBackS = 1.6  // s before contact that are looked at
	// footCorrS: errors of a keypoint hang together over about this long, so
	// that samples closer than it tell nothing new.
	footCorrS = 0.12
)

// basis evaluates the curve's two shapes: carried from stance to landing, and
// lifted. from says where between off and top the way forward begins.
func basis(t, off, top, down, from float64) (carried, lifted float64) {
	if t < top {
		lifted = minJerk(t, off, top)
	} else {
		lifted = 1 - minJerk(t, top, down)
	}
	return minJerk(t, off+from*(top-off), down), lifted
}

// fitStride fits the curve to ankle, heel and toe at once. Amplitudes follow by
// linear least squares; the instants are averaged over a grid by how well each
// fits, together with what is usual. ok is false where the foot hardly moves.
func (r *reading) fitStride() (s stride, ok bool) {
	b := r.b
	contact := r.ev[Contact].t
	points := []pose.Joint{r.lead(pose.LeftAnkle), r.lead(pose.LeftHeel), r.lead(pose.LeftFootIndex)}
	var ts []float64
	series := make([][]float64, 0, 6) // x and y of each point, body lengths
	owner := make([]int, 0, 6)
	for i := b.index(contact - footBackS); i <= b.index(contact-0.015); i += 4 {
		ts = append(ts, b.time(i))
	}
	if len(ts) < 20 {
		return s, false
	}
	for k, j := range points {
		if !b.has[j] {
			continue
		}
		x, y := make([]float64, len(ts)), make([]float64, len(ts))
		for i, t := range ts {
			p := b.at[j][b.index(t)]
			x[i], y[i] = p.x/b.length, p.y/b.length
		}
		series = append(series, x, y)
		owner = append(owner, k, k)
	}
	perSample := (ts[1] - ts[0]) / footCorrS // independent samples a sample
	type hyp struct {
		off, top, down, from, rss float64
		each                      [3]float64
	}
	var all []hyp
	best := hyp{rss: math.Inf(1)}
	usual := r.expected(FootDown, 0.45)
	f := newLeastSquares(len(ts))
	for down := contact - 0.60; down <= contact-0.02; down += footStepS {
		for _, fall := range []float64{0.07, 0.10, 0.13, 0.17, 0.22, 0.28, 0.35, 0.45, 0.6} {
			for _, rise := range []float64{0.08, 0.12, 0.16, 0.20, 0.26, 0.34, 0.45} {
				top := down - fall
				off := top - rise
				if off < ts[0]-0.1 {
					continue
				}
				for _, from := range [2]float64{0, 0.9} {
					for i, t := range ts {
						f.c[i], f.l[i] = basis(t, off, top, down, from)
					}
					h := hyp{off: off, top: top, down: down, from: from}
					f.prepare()
					for k, y := range series {
						_, _, rss := f.fit(y)
						h.each[owner[k]] += rss
						h.rss += rss
					}
					all = append(all, h)
					if h.rss < best.rss {
						best = h
					}
				}
			}
		}
	}
	if len(all) == 0 {
		return s, false
	}
	n := float64(len(ts) * len(series))
	variance := math.Max(best.rss/n, 0.25*r.noise*r.noise)
	weigh := func(rss func(*hyp) float64, at func(*hyp) float64) cue {
		least := math.Inf(1)
		for i := range all {
			least = math.Min(least, rss(&all[i]))
		}
		var w, wt, wtt float64
		for i := range all {
			h := &all[i]
			z := (h.down - usual.t) / math.Max(usual.sigma, 0.03)
			zf := math.Log((h.down-h.top)/0.2) / 0.6
			zr := math.Log((h.top-h.off)/0.2) / 0.6
			k := math.Exp(-0.5*(rss(h)-least)*perSample/variance - 0.5*(z*z+zf*zf+zr*zr))
			w += k
			wt += k * at(h)
			wtt += k * at(h) * at(h)
		}
		m := wt / w
		return cue{m, math.Sqrt(math.Max(0, wtt/w-m*m) + footStepS*footStepS/12)}
	}
	total := func(h *hyp) float64 { return h.rss }
	s.off = weigh(total, func(h *hyp) float64 { return h.off })
	s.top = weigh(total, func(h *hyp) float64 { return h.top })
	s.down = weigh(total, func(h *hyp) float64 { return h.down })
	for k, j := range points {
		if b.has[j] {
			// mostly its own points, a little of the others: one foot
			own := func(h *hyp) float64 { return 2*h.each[k] + 0.25*h.rss }
			s.downOf[k] = weigh(own, func(h *hyp) float64 { return h.down })
			s.offOf[k] = weigh(own, func(h *hyp) float64 { return h.off })
		}
	}
	for i, t := range ts {
		f.c[i], f.l[i] = basis(t, s.off.t, math.Max(s.top.t, s.off.t+0.02), math.Max(s.down.t, s.top.t+0.02), best.from)
	}
	f.prepare()
	s.lift = math.Inf(1)
	for k := 0; k < len(series); k += 2 {
		cx, _, _ := f.fit(series[k])
		cy, ly, _ := f.fit(series[k+1])
		s.carry += math.Hypot(cx, cy) / float64(len(series)/2)
		s.liftOf[owner[k]] = -ly
		s.lift = math.Min(s.lift, -ly)
	}
	limit := math.Max(0.012, 1.2*math.Sqrt(best.rss/n)) // of the misfit, root mean square
	return s, s.lift > limit || s.carry > 3*limit
}

// leastSquares fits y ≈ a + c·carried + l·lifted.
type leastSquares struct {
	c, l                       []float64
	mc, ml, scc, sll, scl, det float64
}

func newLeastSquares(n int) *leastSquares {
	return &leastSquares{c: make([]float64, n), l: make([]float64, n)}
}

// prepare works out what does not depend on y.
func (f *leastSquares) prepare() {
	n := float64(len(f.c))
	f.mc, f.ml, f.scc, f.sll, f.scl = 0, 0, 0, 0, 0
	for i := range f.c {
		f.mc += f.c[i] / n
		f.ml += f.l[i] / n
	}
	for i := range f.c {
		c, l := f.c[i]-f.mc, f.l[i]-f.ml
		f.scc += c * c
		f.sll += l * l
		f.scl += c * l
	}
	ridge := 1e-3 * n // amplitudes that nothing determines stay small
	f.scc += ridge * 0.01
	f.sll += ridge * 0.01
	f.det = f.scc*f.sll - f.scl*f.scl
}

// fit is the least-squares solution for y and what it leaves.
func (f *leastSquares) fit(y []float64) (carried, lifted, rss float64) {
	var my, sc, sl, syy float64
	for _, v := range y {
		my += v
	}
	my /= float64(len(y))
	for i, v := range y {
		d := v - my
		sc += (f.c[i] - f.mc) * d
		sl += (f.l[i] - f.ml) * d
		syy += d * d
	}
	if f.det <= 0 {
		return 0, 0, syy
	}
	carried, lifted = (sc*f.sll-sl*f.scl)/f.det, (sl*f.scc-sc*f.scl)/f.det
	return carried, lifted, math.Max(0, syy-carried*sc-lifted*sl)
}

// whenRisen is when a point that starts at off passes the height h (body lengths) on its way to lift.
func (s *stride) whenRisen(h, lift, off float64) float64 { return crossing(h/lift, off, s.top.t, true) }

// whenDown is when the descent from lift that ends at the time down comes within h of the planted height.
func (s *stride) whenDown(h, lift, down float64) float64 {
	return crossing(h/lift, s.top.t, down, false)
}

// crossing is when a minimum-jerk rise (or fall) from a to b has the given share of its height.
func crossing(share, a, b float64, up bool) float64 {
	if !(share > 0.001) {
		share = 0.9
	}
	share = clamp(share, 0.001, 0.9)
	lo, hi := 0.0, 1.0
	for range 40 {
		m := (lo + hi) / 2
		v := minJerk(m, 0, 1)
		if !up {
			v = 1 - v
		}
		if v > share == up {
			hi = m
		} else {
			lo = m
		}
	}
	return a + (b-a)*hi
}

// whenQuiet is the last time before the lift at which the foot moves slower than v (body lengths/s).
func (s *stride) whenQuiet(v float64) float64 {
	d := s.top.t - s.off.t
	full := s.down.t - s.off.t
	for t := s.off.t; t < s.top.t; t += 0.002 {
		x := (t - s.off.t) / d
		up := s.lift * 30 * x * x * (1 - x) * (1 - x) / d
		u := (t - s.off.t) / full
		along := s.carry * 30 * u * u * (1 - u) * (1 - u) / full
		if math.Hypot(up, along) > v {
			return t
		}
	}
	return s.off.t
}

// plant is when point j comes to the place at which it rests around contact.
func (r *reading) plant(j pose.Joint, contactS float64) (t, sigma float64, ok bool) {
	b := r.b
	rest := vec{
		median(b.over(b.index(contactS), -0.06, 0.03, func(i int) float64 { return b.at[j][i].x })),
		median(b.over(b.index(contactS), -0.06, 0.03, func(i int) float64 { return b.at[j][i].y })),
	}
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
