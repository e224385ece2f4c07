package phases

import (
	"math"
	"sort"

	"cagebook/phases/kinematics"
	"cagebook/pose"
)

// gridHz is the rate of the uniform grid on which events are looked for.
// Finer than any phone records, so that an instant falls between frames.
const gridHz = 240.0

// vec is a point or a displacement in the image, px.
type vec struct{ x, y float64 }

func (a vec) add(b vec) vec           { return vec{a.x + b.x, a.y + b.y} }
func (a vec) sub(b vec) vec           { return vec{a.x - b.x, a.y - b.y} }
func (a vec) mul(k float64) vec       { return vec{a.x * k, a.y * k} }
func (a vec) norm() float64           { return math.Hypot(a.x, a.y) }
func (a vec) dot(b vec) float64       { return a.x*b.x + a.y*b.y }
func lerp(a, b vec, w float64) vec    { return vec{a.x + (b.x-a.x)*w, a.y + (b.y-a.y)*w} }
func clamp(x, lo, hi float64) float64 { return math.Max(lo, math.Min(hi, x)) }

// body is a track resampled on a uniform grid of time, with what the search
// for swings needs from it.
type body struct {
	t0, dt float64 // s
	n      int
	frameS float64 // median interval between frames, s

	at    [pose.NumJoints][]vec     // px; interpolated across gaps
	sigma [pose.NumJoints][]float64 // px; grows in gaps; +Inf where nothing is near
	has   [pose.NumJoints]bool

	handAt []vec // mid-wrists, by how well each is seen
	hipAt  []vec
	shAt   []vec
	length float64 // px along the joints: head, mid-shoulder, mid-hip, knee, ankle
	noise  float64 // typical σ of a joint / length
}

// farPx: no picture is so large; a point beyond is none.
const farPx = 1e5

// coreJoints are those that every source of keypoints has.
var coreJoints = []pose.Joint{
	pose.Nose, pose.LeftShoulder, pose.RightShoulder, pose.LeftElbow, pose.RightElbow, pose.LeftWrist, pose.RightWrist,
	pose.LeftHip, pose.RightHip, pose.LeftKnee, pose.RightKnee, pose.LeftAnkle, pose.RightAnkle,
}

func (b *body) time(i int) float64 { return b.t0 + float64(i)*b.dt }
func (b *body) index(t float64) int {
	if math.IsNaN(t) {
		return 0
	}
	return int(clamp(math.Round((t-b.t0)/b.dt), 0, float64(b.n-1)))
}

// mid is the point halfway between a joint and its partner.
func (b *body) mid(j pose.Joint, i int) vec { return lerp(b.at[j][i], b.at[j.Swap()][i], 0.5) }

// frameSigma is what the frame interval alone leaves unknown of an instant, s.
func (b *body) frameSigma() float64 { return kinematics.InstantSigma(b.frameS) }

// hands are the mid-wrists relative to mid-hip, in body lengths.
func (b *body) hands(i int) vec { return b.handAt[i].sub(b.hipAt[i]).mul(1 / b.length) }

// newBody resamples the smoothed track. It returns nil if the track is too
// short or the trunk is never seen.
func newBody(t *pose.Track) *body {
	if t.Len() < 8 {
		return nil
	}
	b := &body{t0: t.Times[0], dt: 1 / gridHz}
	b.n = int((t.Times[t.Len()-1]-b.t0)/b.dt) + 1
	gaps := make([]float64, 0, t.Len())
	for i := 1; i < t.Len(); i++ {
		gaps = append(gaps, t.Times[i]-t.Times[i-1])
	}
	b.frameS = median(gaps)
	for j := pose.Joint(0); j < pose.NumJoints; j++ {
		if t.Has[j] {
			b.resample(t, j)
		}
	}
	for _, j := range coreJoints {
		if !b.has[j] {
			return nil
		}
	}
	b.handAt, b.hipAt, b.shAt = make([]vec, b.n), make([]vec, b.n), make([]vec, b.n)
	for i := range b.n {
		l, r := b.sigma[pose.LeftWrist][i], b.sigma[pose.RightWrist][i]
		w := 0.5
		if s := l*l + r*r; s > 0 && !math.IsInf(s, 1) {
			w = l * l / s // weight of the right wrist
		} else if math.IsInf(l, 1) && !math.IsInf(r, 1) {
			w = 1
		} else if math.IsInf(r, 1) && !math.IsInf(l, 1) {
			w = 0
		}
		b.handAt[i] = lerp(b.at[pose.LeftWrist][i], b.at[pose.RightWrist][i], clamp(w, 0.1, 0.9))
		b.hipAt[i] = b.mid(pose.LeftHip, i)
		b.shAt[i] = b.mid(pose.LeftShoulder, i)
	}
	b.length = b.bodyLength()
	if !(b.length > 0) {
		return nil
	}
	var ss []float64
	for _, j := range coreJoints {
		ss = append(ss, median(finite(b.sigma[j])))
	}
	b.noise = median(ss) / b.length
	return b
}

// resample fills at[j] and sigma[j] from the smoothed track by cubic Hermite
// interpolation in time; in gaps of more than 0.1 s the uncertainty grows.
func (b *body) resample(t *pose.Track, j pose.Joint) {
	var ts []float64
	var ps []pose.Estimate
	for i := range t.Len() {
		if e := t.Smooth[i][j]; e.Known() && math.Abs(e.X) < farPx && math.Abs(e.Y) < farPx && e.Sigma < farPx {
			ts, ps = append(ts, t.Times[i]), append(ps, e)
		}
	}
	if len(ts) < 4 {
		return
	}
	b.has[j] = true
	b.at[j], b.sigma[j] = make([]vec, b.n), make([]float64, b.n)
	slope := func(k int) vec {
		lo, hi := max(k-1, 0), min(k+1, len(ts)-1)
		d := ts[hi] - ts[lo]
		return vec{(ps[hi].X - ps[lo].X) / d, (ps[hi].Y - ps[lo].Y) / d}
	}
	k := 0
	for i := range b.n {
		tt := b.time(i)
		for k+1 < len(ts) && ts[k+1] <= tt {
			k++
		}
		switch {
		case tt <= ts[0]:
			b.at[j][i], b.sigma[j][i] = vec{ps[0].X, ps[0].Y}, ps[0].Sigma*(1+(ts[0]-tt)/0.05)
		case k+1 >= len(ts):
			e := ps[len(ps)-1]
			b.at[j][i], b.sigma[j][i] = vec{e.X, e.Y}, e.Sigma*(1+(tt-ts[len(ts)-1])/0.05)
		default:
			h := ts[k+1] - ts[k]
			s := (tt - ts[k]) / h
			p0, p1 := vec{ps[k].X, ps[k].Y}, vec{ps[k+1].X, ps[k+1].Y}
			if h > 0.25 { // too long for a curve: a straight line
				b.at[j][i] = lerp(p0, p1, s)
			} else {
				m0, m1 := slope(k).mul(h), slope(k+1).mul(h)
				s2, s3 := s*s, s*s*s
				b.at[j][i] = p0.mul(2*s3 - 3*s2 + 1).add(m0.mul(s3 - 2*s2 + s)).add(p1.mul(3*s2 - 2*s3)).add(m1.mul(s3 - s2))
			}
			far := math.Max(0, math.Min(tt-ts[k], ts[k+1]-tt)-0.05) / 0.05
			b.sigma[j][i] = (ps[k].Sigma + (ps[k+1].Sigma-ps[k].Sigma)*s) * (1 + far)
		}
	}
}

// bodyLength is the length of the body along its joints, px: the upper
// quartile over time, since foreshortening only shortens.
func (b *body) bodyLength() float64 {
	var ls []float64
	for i := 0; i < b.n; i += 8 {
		leg := func(h, k, a pose.Joint) float64 {
			return b.at[h][i].sub(b.at[k][i]).norm() + b.at[k][i].sub(b.at[a][i]).norm()
		}
		l := b.at[pose.Nose][i].sub(b.shAt[i]).norm() + b.shAt[i].sub(b.hipAt[i]).norm() +
			math.Max(leg(pose.LeftHip, pose.LeftKnee, pose.LeftAnkle), leg(pose.RightHip, pose.RightKnee, pose.RightAnkle))
		if !math.IsNaN(l) {
			ls = append(ls, l)
		}
	}
	return quantile(ls, 0.75)
}

// speed is the derivative of p at i over ± half a window, in units of p per s.
func (b *body) speed(p func(int) vec, i int, windowS float64) vec {
	h := max(1, int(windowS/2/b.dt))
	lo, hi := max(0, i-h), min(b.n-1, i+h)
	if hi == lo {
		return vec{}
	}
	return p(hi).sub(p(lo)).mul(1 / (float64(hi-lo) * b.dt))
}

func median(x []float64) float64 { return quantile(x, 0.5) }

// quantile is the q-quantile of x by linear interpolation; NaN if x is empty. x is not changed.
func quantile(x []float64, q float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := append([]float64(nil), x...)
	sort.Float64s(s)
	p := q * float64(len(s)-1)
	i := int(p)
	if i+1 >= len(s) {
		return s[len(s)-1]
	}
	return s[i] + (p-float64(i))*(s[i+1]-s[i])
}

func finite(x []float64) []float64 {
	var out []float64
	for _, v := range x {
		if !math.IsInf(v, 0) && !math.IsNaN(v) {
			out = append(out, v)
		}
	}
	return out
}
