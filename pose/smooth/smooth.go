// Package smooth turns the raw keypoints of a track into smoothed ones with a
// standard uncertainty. It looks at the whole stretch at once, so nothing lags.
//
// Each joint moves by a Singer model (acceleration that dies out within a
// twentieth of a second, Singer 1970, IEEE Trans. Aerospace and Electronic
// Systems AES-6:473–483) and is seen through two noises: a white one and one
// that stays alike for about 60 ms, for a pose model errs alike in neighbouring
// frames and more frames of the same error are no more information. The
// acceleration that a joint is granted follows its own speed, so quiet joints
// are smoothed hard and a swing's hands hardly at all.
package smooth

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"cagebook/pose"
)

// Errors of Track. Test with errors.Is.
var (
	ErrShort = errors.New("too few frames to smooth")
	ErrForm  = errors.New("malformed track")
)

// Options steer the smoother. Zero values mean DefaultOptions.
type Options struct {
	NoiseBL    float64 // usual keypoint noise, standard deviation a coordinate, body lengths
	WhiteShare float64 // share of the noise's variance that is new in every frame
	NoiseCorrS float64 // s over which the rest of the noise stays alike
	FloorBL    float64 // uncertainty that no smoothing removes, of a well-seen trunk joint: where the model puts a joint in the body, body lengths; other joints have multiples of it; < 0 = none
	MaxGapS    float64 // longer gaps between seen points are not filled, s
}

// DefaultOptions are the values used where an option is zero.
var DefaultOptions = Options{
	NoiseBL:    0.010, // landmark models err by 1.4 % of body height in the median, part of it constant
	WhiteShare: 0.35,
	NoiseCorrS: 0.06,
	FloorBL:    0.010, // constant part: hips, shoulders and knees of rendered figures lie 1.0–1.5 % of body height (radially) from the truth
	MaxGapS:    0.12,  // about 0.1 s: two frames at 25 frames/s
}

func (o Options) withDefaults() Options {
	d := DefaultOptions
	if o.NoiseBL <= 0 {
		o.NoiseBL = d.NoiseBL
	}
	if o.WhiteShare <= 0 || o.WhiteShare > 1 {
		o.WhiteShare = d.WhiteShare
	}
	if o.NoiseCorrS <= 0 {
		o.NoiseCorrS = d.NoiseCorrS
	}
	if o.FloorBL == 0 {
		o.FloorBL = d.FloorBL
	}
	o.FloorBL = math.Max(0, o.FloorBL)
	if o.MaxGapS <= 0 {
		o.MaxGapS = d.MaxGapS
	}
	return o
}

// motion is what a class of joints can do, in body lengths and seconds: the
// acceleration granted at rest, the length of the arc it swings on (v²/r), how
// quickly it can stop (v/s), and how long an acceleration lasts.
type motion struct{ restAcc, arcBL, stopS, accS float64 }

// The trunk turns slowly; feet stop within some hundredths of a second when
// they land; hands run on an arc of about an arm's length (0.33 of stature).
var (
	bodyMotion = motion{restAcc: 1.0, arcBL: 0.5, stopS: 0.15, accS: 0.07}
	footMotion = motion{restAcc: 1.0, arcBL: 0.4, stopS: 0.06, accS: 0.04}
	handMotion = motion{restAcc: 2.0, arcBL: 0.33, stopS: 0.10, accS: 0.05}
)

func motionOf(j pose.Joint) motion {
	switch {
	case j >= pose.LeftElbow && j <= pose.RightThumb:
		return handMotion
	case j >= pose.LeftAnkle:
		return footMotion
	default:
		return bodyMotion
	}
}

// Placing is how much less surely a joint is placed in the body than a hip or
// a knee: from the mean errors on rendered figures with known joints
// (elbows, wrists and ankles 2.5–3.5 % of body height, fingers 3–5 %, face 1.7 %).
func Placing(j pose.Joint) float64 {
	switch {
	case j <= pose.MouthRight:
		return 1.3
	case j == pose.LeftElbow || j == pose.RightElbow:
		return 2.0
	case j == pose.LeftWrist || j == pose.RightWrist:
		return 2.2
	case j >= pose.LeftPinky && j <= pose.RightThumb:
		return 2.8
	case j == pose.LeftAnkle || j == pose.RightAnkle:
		return 1.8
	case j == pose.LeftHeel || j == pose.RightHeel:
		return 1.5
	default:
		return 1
	}
}

// Track fills t.Smooth from t.Raw, per frame and joint: position and the
// standard uncertainty of each coordinate, px; Sigma 0 where there is no
// answer (never seen, or inside a gap that is too long). Raw is not changed.
//
// Frames that repeat the one before are bridged, not taken as rest. Points
// that no body could reach and leave in time are left out as outliers. The
// uncertainty grows in gaps, with low scores and where raw and smooth differ
// by more than they should.
//
// It returns ErrShort for fewer than 3 frames and ErrForm if times do not
// increase or slices differ in length.
func Track(t *pose.Track, o Options) error {
	n := t.Len()
	if n < 3 {
		return fmt.Errorf("%w: %d, want at least 3", ErrShort, n)
	}
	if len(t.Raw) != n || t.Repeat != nil && len(t.Repeat) != n {
		return fmt.Errorf("%w: %d times, %d poses, %d repeat marks", ErrForm, n, len(t.Raw), len(t.Repeat))
	}
	for i, s := range t.Times {
		if math.IsNaN(s) || math.IsInf(s, 0) || i > 0 && s <= t.Times[i-1] {
			return fmt.Errorf("%w: time %d is %g s, after %g s", ErrForm, i, s, t.Times[max(0, i-1)])
		}
	}
	o = o.withDefaults()
	body := bodyPx(t)
	out := make([][pose.NumJoints]pose.Estimate, n)
	if body > 0 {
		for j := range pose.NumJoints {
			smoothJoint(t, pose.Joint(j), body, o, out)
		}
	}
	t.Smooth = out
	return nil
}

// bodyPx is the unit of length: the body along its joints, or the height that
// the points span where it is never seen whole.
func bodyPx(t *pose.Track) float64 {
	if b := t.BodyPx(math.Inf(-1), math.Inf(1)); b > 0 && !math.IsInf(b, 0) {
		return b
	}
	var spans []float64
	for i := range t.Raw {
		if b, n := t.Raw[i].Bounds(1e-9); n >= 2 {
			spans = append(spans, math.Hypot(b.X1-b.X0, b.Y1-b.Y0))
		}
	}
	if len(spans) == 0 {
		return 0
	}
	slices.Sort(spans)
	return spans[len(spans)*9/10]
}

const (
	passes     = 3    // speed from the pass before sets the acceleration of the next
	slackS     = 1e-4 // so that rounded times do not move a limit
	spreadS    = 0.05 // a speed grants its acceleration this long before and after
	outlierChi = 16.0 // squared, of 2 coordinates, in units of what the neighbours predict: about 1 in 3000 of good points
	outlierBL  = 0.03 // nearer than this to where it was expected is no outlier
	shareOut   = 0.2  // more outliers than this are not outliers
)

func smoothJoint(t *pose.Track, j pose.Joint, body float64, o Options, out [][pose.NumJoints]pose.Estimate) {
	n := t.Len()
	s := newSeries(t, j, body)
	if s.count() < 3 {
		return
	}
	noise := s.noise(o)
	m := motionOf(j)
	acc := make([]float64, n)
	for i := range acc {
		acc[i] = m.restAcc + 8 // before anything is known: half-way
	}
	var k kalman
	limit := int(shareOut * float64(s.count()))
	for pass := range passes {
		k.run(s, acc, noise, m.accS, o)
		if pass > 0 { // with the right acceleration granted, look for outliers, worst first
			for limit > 0 {
				w := k.worst(s)
				if w < 0 {
					break
				}
				s.use[w] = false
				limit--
				k.run(s, acc, noise, m.accS, o)
			}
		}
		if pass < passes-1 {
			m.grant(acc, s.t, k.speed)
		}
	}
	inflate := s.misfit(&k)
	for i := range n {
		if !s.near(i, o.MaxGapS) {
			continue
		}
		floor := o.FloorBL * Placing(j) * s.weightAbout(i)
		sigma := math.Sqrt(k.varP[i]*inflate[i]*inflate[i] + floor*floor)
		e := pose.Estimate{X: k.x[i]*body + s.cx, Y: k.y[i]*body + s.cy, Sigma: sigma * body}
		if math.IsNaN(e.X+e.Y+e.Sigma) || math.IsInf(e.X+e.Y+e.Sigma, 0) {
			continue
		}
		out[i][j] = e
	}
}

// grant sets the acceleration from the speed, the greatest within spreadS.
func (m motion) grant(acc, times, speed []float64) {
	own := make([]float64, len(speed))
	for i, v := range speed {
		own[i] = m.restAcc + v*v/m.arcBL + v/m.stopS
	}
	for i := range acc {
		acc[i] = own[i]
		for k := i - 1; k >= 0 && times[i]-times[k] <= spreadS+slackS; k-- {
			acc[i] = math.Max(acc[i], own[k])
		}
		for k := i + 1; k < len(own) && times[k]-times[i] <= spreadS+slackS; k++ {
			acc[i] = math.Max(acc[i], own[k])
		}
	}
}

// series is one joint's points in body lengths about their own middle.
type series struct {
	t      []float64
	x, y   []float64
	weight []float64 // noise of this point ÷ usual noise, ≥ 1
	use    []bool    // seen, not a repeat, not an outlier
	cx, cy float64   // px
}

func newSeries(t *pose.Track, j pose.Joint, body float64) *series {
	n := t.Len()
	s := &series{t: t.Times, x: make([]float64, n), y: make([]float64, n), weight: make([]float64, n), use: make([]bool, n)}
	count := 0
	for i := range n {
		k := t.Raw[i][j]
		s.use[i] = k.Seen() && !math.IsInf(k.X, 0) && !math.IsInf(k.Y, 0) && (t.Repeat == nil || i == 0 || !t.Repeat[i])
		if s.use[i] {
			s.cx += k.X
			s.cy += k.Y
			count++
		}
	}
	if count == 0 {
		return s
	}
	s.cx /= float64(count)
	s.cy /= float64(count)
	for i := range n {
		if s.use[i] {
			k := t.Raw[i][j]
			s.x[i], s.y[i] = (k.X-s.cx)/body, (k.Y-s.cy)/body
			s.weight[i] = scoreWeight(k.Score)
		}
	}
	return s
}

// scoreWeight: landmarks err by 2.4 % above a score of 0.9 and by 5.2 % below
// 0.5, of which the constant part is the same; hardly visible ones by more.
func scoreWeight(score float64) float64 {
	if score >= 0.9 {
		return 1
	}
	return 1 + 3*(0.9-math.Max(0, score))
}

// weightAbout is the mean weight of the points within 50 ms: a hidden joint is
// misplaced for as long as it is hidden, which no smoothing shows.
func (s *series) weightAbout(i int) float64 {
	var sum, n float64
	for _, step := range [2]int{-1, 1} {
		for k := i; k >= 0 && k < len(s.t) && math.Abs(s.t[k]-s.t[i]) <= 0.05+slackS; k += step {
			if s.use[k] {
				sum += s.weight[k]
				n++
			}
		}
	}
	if n == 0 {
		return 1
	}
	return sum / n
}

func (s *series) count() int {
	n := 0
	for _, u := range s.use {
		if u {
			n++
		}
	}
	return n
}

// near says whether frame i has an answer: a point of its own, or points on
// both sides that are at most maxGapS apart.
func (s *series) near(i int, maxGapS float64) bool {
	if s.use[i] {
		return true
	}
	a, b := i-1, i+1
	for a >= 0 && !s.use[a] {
		a--
	}
	for b < len(s.use) && !s.use[b] {
		b++
	}
	return a >= 0 && b < len(s.use) && s.t[b]-s.t[a] <= maxGapS+1e-9
}

// noisy is the noise of one joint: standard deviations a coordinate, body
// lengths, of what is new in every frame and of what stays alike for a while.
type noisy struct{ white, corr float64 }

// noise estimates a joint's noise where it is quiet, within limits about the
// usual noise: from second differences over about 33 ms, and where the frame
// rate allows it from those over one frame, too, which tell the two kinds apart.
func (s *series) noise(o Options) noisy {
	const longS = 0.033
	whiteVar, corrVar := o.NoiseBL*o.NoiseBL*o.WhiteShare, o.NoiseBL*o.NoiseBL*(1-o.WhiteShare)
	long, gLong, ok := s.roughness(longS, o.NoiseCorrS)
	if !ok {
		return noisy{math.Sqrt(whiteVar), math.Sqrt(corrVar)}
	}
	share := o.WhiteShare
	if short, gShort, ok := s.roughness(0, o.NoiseCorrS); ok && gShort < 0.6*gLong {
		c := math.Max(0, (long-short)/(gLong-gShort))
		w := math.Max(0, (short-c*gShort)/whiteGain)
		if w+c > 0 {
			share = math.Min(math.Max(w/(w+c), 0.03), 0.9)
		}
	}
	total := long / (share*whiteGain + (1-share)*gLong)
	total = math.Min(math.Max(total, 0.09*o.NoiseBL*o.NoiseBL), 9*o.NoiseBL*o.NoiseBL)
	return noisy{math.Sqrt(total * share), math.Sqrt(total * (1 - share))}
}

const whiteGain = 1.5 // variance of (middle − mean of two neighbours) of white noise of variance 1

// roughness is the variance of (point − line between the points a lag before
// and after) where the joint is quiet, a coordinate, and the variance that
// correlated noise of variance 1 would have there. lag 0 = one frame.
func (s *series) roughness(lagS, corrS float64) (variance, corrGain float64, ok bool) {
	var d, gains []float64
	for i := range s.t {
		if !s.use[i] {
			continue
		}
		a, b := i-1, i+1
		for a >= 0 && (s.t[i]-s.t[a] < lagS-0.002 || !s.use[a]) {
			a--
		}
		for b < len(s.t) && (s.t[b]-s.t[i] < lagS-0.002 || !s.use[b]) {
			b++
		}
		if a < 0 || b >= len(s.t) || s.t[b]-s.t[a] > 0.14 {
			continue
		}
		f := (s.t[i] - s.t[a]) / (s.t[b] - s.t[a])
		d = append(d, math.Hypot(s.x[i]-s.x[a]-f*(s.x[b]-s.x[a]), s.y[i]-s.y[a]-f*(s.y[b]-s.y[a])))
		rho := math.Exp(-(s.t[b] - s.t[a]) / 2 / corrS)
		gains = append(gains, (6-8*rho+2*rho*rho)/4)
	}
	if len(d) < 5 {
		return 0, 0, false
	}
	slices.Sort(d)
	slices.Sort(gains)
	// The lower third is rest; of a Rayleigh distribution it lies below σ √(−2 ln(1 − 1/3)).
	sd := d[len(d)/3] / math.Sqrt(-2*math.Log(1-1.0/3))
	return sd * sd, gains[len(gains)/2], true
}

// misfit is by how much the residuals about each frame exceed what they
// should be: 1 where all is well.
func (s *series) misfit(k *kalman) []float64 {
	const about = 0.08 // s
	n := len(s.t)
	out := make([]float64, n)
	lo, hi := 0, 0
	for i := range n {
		for s.t[i]-s.t[lo] > about+slackS {
			lo++
		}
		for hi < n && s.t[hi]-s.t[i] <= about+slackS {
			hi++
		}
		var sum, count float64
		for q := lo; q < hi; q++ {
			if s.use[q] {
				sum += k.chi[q] / 2
				count++
			}
		}
		out[i] = 1
		if count > 0 {
			out[i] = math.Max(1, math.Sqrt(sum/count))
		}
	}
	return out
}
