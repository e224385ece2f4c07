package phases

import (
	"math"

	"cagebook/pose"
)

// stride is the lead foot's way from stance to landing as curves: at rest, lifted and carried, at
// rest, with or without a tap of the toe before. Many such curves are held against the track,
// and every instant is averaged over all of them by how well each fits: where
// two of them explain the track alike, their disagreement is in sigma.
type stride struct {
	off, top, down cue     // start of the first lift, last top, end of the descent, with their uncertainty
	quiet          cue     // last time before the lift at which the foot is at rest by the definition of stance
	downOf         [3]cue  // end of the descent of ankle, heel, toe; zero where the point is not there
	offOf          [3]cue  // start of their lift
	landed         [3]cue  // within the definition's height of the planted place
	risen          [3]cue  // above it after the stance
	stirred        cue     // the same of whichever point is first, be it only in a tap
	lift           float64 // height of the top above the planted height: of the point that rises least
	liftOf         [3]float64
	topLoose       float64 // s; spread of the top where the fit is believed less
	carry          float64 // way in the image from stance to landing
	limit          float64 // lift that stands out of the misfit
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
	// Standard deviations of what a foot does, body lengths: carried along the picture, lifted, and, where it is
	// carried to or from a camera that looks down, lower or higher in the picture. They say how much a
	// curve with more freedom must explain. No source.
	carrySD, liftSD, nearSD = 0.15, 0.08, 0.03
	// tapShare is the share of hitters who tap. No source.
	tapShare = 0.15
)

// path is one hypothesis about the lead foot: off, top and down of the stride, where between off
// and top the way forward begins, and start and end of a tap before it (tapEnd 0 = none).
type path struct {
	off, top, down, from float64
	tapOff, tapEnd       float64
	prior                float64              // log, of its instants
	sums                 [6][maxBasis]float64 // basis · series
	gram                 [maxBasis][maxBasis]float64
	log                  [3]float64 // log likelihood of ankle, heel, toe
	amp                  [6][maxBasis]float64
}

const maxBasis = 4

func (p *path) size() int {
	if p.tapEnd > 0 {
		return 4
	}
	return 2
}

// basis evaluates the curve's shapes: carried from stance to landing, lifted, and the
// same of the tap, which stays carried until the stride begins.
func (p *path) basis(t float64, out *[maxBasis]float64) {
	if t < p.top {
		out[1] = minJerk(t, p.off, p.top)
	} else {
		out[1] = 1 - minJerk(t, p.top, p.down)
	}
	out[0] = minJerk(t, p.off+p.from*(p.top-p.off), p.down)
	if p.tapEnd > 0 {
		mid := (p.tapOff + p.tapEnd) / 2
		if t < mid {
			out[3] = minJerk(t, p.tapOff, mid)
		} else {
			out[3] = 1 - minJerk(t, mid, p.tapEnd)
		}
		out[2] = minJerk(t, p.tapOff, p.tapEnd) * (1 - minJerk(t, p.off, p.down))
	}
}

// paths are the hypotheses for a contact; the foot lands about when usual says.
func paths(contact, first float64, usual cue) []path {
	var out []path
	logPrior := func(p *path) float64 {
		z := (p.down - usual.t) / math.Max(usual.sigma, 0.03)
		zf, zr := math.Log((p.down-p.top)/0.2)/0.6, math.Log((p.top-p.off)/0.2)/0.6
		return -0.5 * (z*z + zf*zf + zr*zr)
	}
	add := func(p path) {
		if math.Min(p.off, p.tapOff+1e9*b2f(p.tapEnd == 0)) >= first-0.1 {
			p.prior = logPrior(&p)
			out = append(out, p)
		}
	}
	for down := contact - 0.60; down <= contact-0.02; down += footStepS {
		for _, fall := range [...]float64{0.07, 0.10, 0.13, 0.17, 0.22, 0.28, 0.35, 0.45, 0.6} {
			for _, rise := range [...]float64{0.08, 0.12, 0.16, 0.20, 0.26, 0.34, 0.45} {
				for _, from := range [2]float64{0, 0.9} {
					add(path{off: down - fall - rise, top: down - fall, down: down, from: from})
				}
			}
		}
	}
	single := len(out)
	for down := contact - 0.60; down <= contact-0.02; down += footStepS {
		for _, fall := range [...]float64{0.10, 0.17, 0.28} {
			for _, rise := range [...]float64{0.08, 0.13, 0.20} {
				for _, gap := range [...]float64{0, 0.08, 0.18, 0.32} {
					for _, last := range [...]float64{0.12, 0.18, 0.28} {
						off := down - fall - rise
						add(path{off: off, top: down - fall, down: down, tapOff: off - gap - last, tapEnd: off - gap})
					}
				}
			}
		}
	}
	// Each kind has its share, however many of its hypotheses are tried.
	share := func(ps []path, part float64) {
		var sum float64
		for i := range ps {
			sum += math.Exp(ps[i].prior)
		}
		for i := range ps {
			ps[i].prior += math.Log(part / math.Max(sum, 1e-300))
		}
	}
	share(out[:single], 1-tapShare)
	share(out[single:], tapShare)
	return out
}

func b2f(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// prepare forms the sums that do not depend on the noise. The series are relative to their means, and so are the shapes.
func (p *path) prepare(ts []float64, series [][]float64) {
	n := p.size()
	var mean [maxBasis]float64
	var b [maxBasis]float64
	for _, t := range ts {
		p.basis(t, &b)
		for i := range n {
			mean[i] += b[i] / float64(len(ts))
		}
	}
	for q, t := range ts {
		p.basis(t, &b)
		for i := range n {
			b[i] -= mean[i]
			for k := range i + 1 {
				p.gram[i][k] += b[i] * b[k]
			}
		}
		for s := range series {
			for i := range n {
				p.sums[s][i] += b[i] * series[s][q]
			}
		}
	}
}

// judge computes the likelihood of each point's series under noise of the given variance, of which gain samples a
// sample are independent, with the amplitudes integrated out (normal about 0). It
// returns the squares that are left at the best amplitudes.
func (p *path) judge(square []float64, owner []int, variance, gain float64) (rss float64) {
	n := p.size()
	g := gain / variance
	var factors [2][maxBasis][maxBasis]float64 // for x and y: Cholesky factor of g·gram + 1/prior variance
	var half [2]float64                        // half the log determinant, in units of the prior's
	for axis, sd := range [2][maxBasis]float64{{carrySD, liftSD, carrySD / 2, liftSD / 2}, {nearSD, liftSD, nearSD / 2, liftSD / 2}} {
		a := &factors[axis]
		for i := range n {
			for k := range i + 1 {
				v := g * p.gram[i][k]
				if i == k {
					v += 1 / (sd[i] * sd[i])
				}
				for q := range k {
					v -= a[i][q] * a[k][q]
				}
				if i == k {
					a[i][i] = math.Sqrt(math.Max(v, 1e-12))
					half[axis] += math.Log(a[i][i] * sd[i])
				} else {
					a[i][k] = v / a[k][k]
				}
			}
		}
	}
	p.log = [3]float64{}
	for s := range square {
		a := &factors[s%2]
		var y [maxBasis]float64
		fit := 0.0
		for i := range n {
			v := g * p.sums[s][i]
			for q := range i {
				v -= a[i][q] * y[q]
			}
			y[i] = v / a[i][i]
			fit += y[i] * y[i]
		}
		for i := n - 1; i >= 0; i-- {
			v := y[i]
			for q := i + 1; q < n; q++ {
				v -= a[q][i] * p.amp[s][q]
			}
			p.amp[s][i] = v / a[i][i]
		}
		p.log[owner[s]] += -0.5*g*square[s] + 0.5*fit - half[s%2]
		left := square[s]
		for i := range n {
			left -= p.amp[s][i] * p.sums[s][i]
		}
		rss += math.Max(0, left)
	}
	return rss
}

// fitStride fits the curves to ankle, heel and toe at once. ok is false where the foot hardly moves.
func (r *reading) fitStride() (s stride, ok bool) {
	b := r.b
	contact := r.ev[Contact].t
	points := r.footPoints()
	var ts []float64
	for i := b.index(contact - footBackS); i <= b.index(contact-0.015); i += 4 {
		ts = append(ts, b.time(i))
	}
	if len(ts) < 20 {
		return s, false
	}
	var series [][]float64 // x and y of each point, body lengths
	var owner []int
	var square []float64
	for k, j := range points {
		if !b.has[j] {
			continue
		}
		x, y := make([]float64, len(ts)), make([]float64, len(ts))
		for i, t := range ts {
			p := b.at[j][b.index(t)]
			x[i], y[i] = p.x/b.length, p.y/b.length
		}
		for _, v := range [2][]float64{x, y} {
			m, sum := mean(v), 0.0
			for i := range v {
				v[i] -= m
				sum += v[i] * v[i]
			}
			series, owner, square = append(series, v), append(owner, k), append(square, sum)
		}
	}
	all := paths(contact, ts[0], r.expected(FootDown, 0.45))
	if len(all) == 0 {
		return s, false
	}
	gain := (ts[1] - ts[0]) / footCorrS // independent samples a sample
	n := float64(len(ts) * len(series))
	least := math.Inf(1)
	variance := 0.25 * r.noise * r.noise
	for i := range all {
		all[i].prepare(ts, series)
		least = math.Min(least, all[i].judge(square, owner, variance, gain))
	}
	variance = math.Max(variance, least/n)
	for i := range all {
		all[i].judge(square, owner, variance, gain)
	}
	total := func(h *path) float64 { return h.log[0] + h.log[1] + h.log[2] }
	m := newMixture(all, total)
	loose := newMixture(all, func(h *path) float64 { return looseShare * total(h) })
	s.off = m.of(all, func(h *path) float64 { return h.start() })
	s.top = m.of(all, func(h *path) float64 { return h.top })
	s.down = m.of(all, func(h *path) float64 { return h.down })
	s.quiet = m.of(all, (*path).lastQuiet)
	s.stirred = m.of(all, func(h *path) float64 {
		first := math.Inf(1)
		for q := 1; q < len(series); q += 2 {
			first = math.Min(first, h.rises(q))
		}
		return first
	})
	freer := newMixture(all, func(h *path) float64 { return risenShare * total(h) })
	s.topLoose = loose.about(all, s.top.t, func(h *path) float64 { return h.top })
	s.quiet.sigma = math.Max(s.quiet.sigma, loose.about(all, s.quiet.t, (*path).lastQuiet))
	s.lift = math.Inf(1)
	for q := 0; q < len(series); q += 2 {
		k := owner[q]
		// mostly its own points, a little of the others: one foot
		own := newMixture(all, func(h *path) float64 { return 2*h.log[k] + 0.25*total(h) })
		s.downOf[k] = own.of(all, func(h *path) float64 { return h.down })
		s.offOf[k] = own.of(all, func(h *path) float64 { return h.start() })
		s.landed[k] = own.of(all, func(h *path) float64 { return crossing(footClear/-h.amp[q+1][1], h.top, h.down, false) })
		// Whether it tapped is the whole foot's matter.
		s.risen[k] = newMixture(all, func(h *path) float64 { return h.log[k] + 0.5*total(h) }).of(all, func(h *path) float64 { return h.rises(q + 1) })
		s.risen[k].sigma = math.Max(s.risen[k].sigma, freer.about(all, s.risen[k].t, func(h *path) float64 { return h.rises(q + 1) }))
		s.liftOf[k] = m.mean(all, func(h *path) float64 { return -h.amp[q+1][1] })
		s.lift = math.Min(s.lift, s.liftOf[k])
		s.carry += m.mean(all, func(h *path) float64 { return math.Hypot(h.amp[q][0], h.amp[q+1][0]) }) / float64(len(series)/2)
	}
	s.limit = math.Max(0.012, 1.2*math.Sqrt(least/n)) // of the misfit, root mean square
	return s, s.lift > s.limit || s.carry > 3*s.limit
}

// footPoints are ankle, heel and toe of the lead foot.
func (r *reading) footPoints() [3]pose.Joint {
	return [3]pose.Joint{r.lead(pose.LeftAnkle), r.lead(pose.LeftHeel), r.lead(pose.LeftFootIndex)}
}

// mixture are the weights of hypotheses.
type mixture []float64

func newMixture(all []path, log func(*path) float64) mixture {
	w := make(mixture, len(all))
	top := math.Inf(-1)
	for i := range all {
		w[i] = log(&all[i]) + all[i].prior
		top = math.Max(top, w[i])
	}
	var sum float64
	for i := range w {
		w[i] = math.Exp(w[i] - top)
		if w[i] < 1e-5 {
			w[i] = 0
		}
		sum += w[i]
	}
	for i := range w {
		w[i] /= sum
	}
	return w
}

func (m mixture) mean(all []path, f func(*path) float64) float64 {
	var s float64
	for i, w := range m {
		if w > 0 {
			s += w * f(&all[i])
		}
	}
	return s
}

// of is mean and spread of an instant.
func (m mixture) of(all []path, f func(*path) float64) cue {
	t := m.mean(all, f)
	v := m.mean(all, func(p *path) float64 { return (f(p) - t) * (f(p) - t) })
	return cue{t, math.Sqrt(v + footStepS*footStepS/12)}
}

// about is the spread of an instant about t.
func (m mixture) about(all []path, t float64, f func(*path) float64) float64 {
	return math.Sqrt(m.mean(all, func(p *path) float64 { return (f(p) - t) * (f(p) - t) }))
}

// The part of the log likelihood that is believed when stance, load and lead_foot_off say how sure they are: feet rest,
// tap and shift in more ways than the curves have, so that the best curve is not as much better as its fit. Found on 178 rendered
// swings: with all of it 95 % intervals held 81 % (stance) and 86 % (lead_foot_off), and those that missed missed by 0.1 to 0.6 s.
const (
	looseShare = 0.15
	risenShare = 0.2 // each point of the foot tells of it
)

// start is when the foot first leaves its place.
func (p *path) start() float64 {
	if p.tapEnd > 0 {
		return p.tapOff
	}
	return p.off
}

// rises is when the height of series q (a y, down in the picture) first passes the definition's.
func (p *path) rises(q int) float64 {
	var b [maxBasis]float64
	for t := p.start(); t < p.top; t += 0.005 {
		p.basis(t, &b)
		if -p.amp[q][1]*b[1]-p.amp[q][3]*b[3] > footClear {
			return t
		}
	}
	return p.off + 0.6*(p.top-p.off) // not in this hypothesis: somewhere on the way up
}

// lastQuiet is the last time before the foot leaves its place at which the first point moves slower
// than the definition of stance allows.
func (p *path) lastQuiet() float64 {
	n := p.size()
	speed := func(t float64) float64 {
		const h = 0.004
		var a, b [maxBasis]float64
		p.basis(t-h, &a)
		p.basis(t+h, &b)
		var x, y float64
		for i := range n {
			x += p.amp[0][i] * (b[i] - a[i]) / (2 * h)
			y += p.amp[1][i] * (b[i] - a[i]) / (2 * h)
		}
		return math.Hypot(x, y)
	}
	start, until := p.start(), p.top
	if p.tapEnd > 0 {
		until = (p.tapOff + p.tapEnd) / 2
	}
	for t := start; t < until; t += 0.005 {
		if speed(t) > footQuiet {
			return t
		}
	}
	return start
}

// crossing is when a minimum-jerk rise (or fall) from a to b has the given share of its height.
func crossing(share, a, b float64, up bool) float64 {
	if !(share > 0.001) {
		share = 0.9
	}
	share = clamp(share, 0.001, 0.9)
	lo, hi := 0.0, 1.0
	for range 20 {
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
