package phases

import (
	"math"
	"math/rand/v2"

	k "cagebook/phases/kinematics"
	"cagebook/pose"
	"cagebook/pose/smooth"
)

// A measure's standard uncertainty is found by drawing: keypoints, event times, azimuth, scale and
// the lengths of segments are varied together within their own uncertainties, and every measure is
// evaluated for each draw. All that knows left from right happens once, in newSubject: from there on
// the hitter is right-handed, "left" joints are those of the lead side, u runs toward the right
// of a picture in which the chest side shows the pitcher on the right, w runs up.

const draws = 300 // the standard error of a σ from 300 draws is 4 %

// Bias of a landmark model's joint centres against the anatomical ones, body heights, per axis. Needham et
// al. 2021 (Scientific Reports 11) give 30 to 50 mm in space at hip and knee and 1 to 15 mm at the
// ankle, the same way in most frames; in the picture plane, and of a height of 1.7 m, the part that
// turns segments is about half of that. Other joints: no source, taken like hip and knee.
var biasOf = func() (b [pose.NumJoints]float64) {
	for j := range b {
		b[j] = 0.008
	}
	for _, j := range []pose.Joint{pose.LeftAnkle, pose.RightAnkle, pose.LeftHeel, pose.RightHeel, pose.LeftFootIndex, pose.RightFootIndex} {
		b[j] = 0.005
	}
	for _, j := range []pose.Joint{pose.LeftHip, pose.RightHip, pose.LeftKnee, pose.RightKnee} {
		b[j] = 0.009
	}
	return b
}()

// placingError is the part of a smoothed point's uncertainty that no smoothing removes, body heights:
// where in the body the model puts a joint. Like a bias it lasts.
func placingError(j pose.Joint) float64 { return smooth.DefaultOptions.FloorBL * smooth.Placing(j) }

// sharedOf is the part of a joint's lasting errors (as a part of their variance) that is the same at all instants of a swing,
// and so drops out of differences over time. Such an error belongs to the look of a limb and turns with it: feet
// hardly turn from foot down to contact, knees do by half a right angle, hips and shoulders by a right angle, arms by more.
var sharedOf = func() (b [pose.NumJoints]float64) {
	for j := range b {
		b[j] = 0.3
	}
	for j := pose.Nose; j <= pose.MouthRight; j++ {
		b[j] = 0.6
	}
	for _, l := range []struct {
		j pose.Joint
		b float64
	}{
		{pose.LeftElbow, 0},
		{pose.LeftWrist, 0},
		{pose.LeftPinky, 0},
		{pose.LeftIndex, 0},
		{pose.LeftThumb, 0},
		{pose.LeftKnee, 0.6},
		{pose.LeftAnkle, 0.9},
		{pose.LeftHeel, 0.9},
		{pose.LeftFootIndex, 0.9},
	} {
		b[l.j], b[l.j.Swap()] = l.b, l.b
	}
	return b
}()

// alongLimb divides a joint's lasting error, u across and w along a limb if it were alike in both: a limb is narrow, so that a joint is known
// across it, and less along it. The sum of squares is the same. Limbs and trunk stand near enough to upright. From the
// open side of 40 rendered swings, up to the launch, hips, shoulders and knees lay 5 to 8 thousandths of body height from the truth across, 12 to 20 along
// (root mean square, means and all); ankles 12 and 27.
func alongLimb(j pose.Joint, u, w float64) [2]float64 {
	switch j {
	case pose.LeftAnkle, pose.RightAnkle:
		return [2]float64{0.6 * u, 1.28 * w}
	case pose.LeftHip, pose.RightHip, pose.LeftKnee, pose.RightKnee, pose.LeftShoulder, pose.RightShoulder:
		return [2]float64{0.75 * u, 1.2 * w}
	}
	return [2]float64{u, w}
}

const (
	// turnedSD is what hips and shoulders err by in addition once the body has turned, from contact on, each for itself, body heights: there they lay 15 to 30
	// thousandths from the truth, apart from each other by more than together.
	turnedSD = 0.014
	// biasMarked is the bias of points that come without a landmark model's depth, e.g. marked by people, as
	// a part of the model's.
	biasMarked = 0.5
	// rollSigmaDeg is how far a phone's horizon is off. Common practice, no source.
	rollSigmaDeg = 1.5
	// A landmark model errs in depth in two ways: it draws all depths toward a usual body, by depthScale (a part of them; one
	// standard deviation, the same for all joints of a hitter), and each joint by depthSigma, body heights. From the median errors of
	// the model's knee: 9° of a bend of 45° that points at the camera, 4.5° of one of 18°, on rendered figures with known joints.
	depthScale    = 0.22
	depthAway     = 0.15 // on top where the hitter's back is to the camera: there bends of 38° to 70° came out 20 to 25° too small
	depthSigma    = 0.018
	depthSigmaArm = 0.036 // from the elbow's median error of 20°
	// alike is the part of the variance of a lasting error that left and right hip, or shoulder, have in common: what a model takes
	// for a hip it takes so on both sides.
	alike        = 0.5
	turnSigmaDeg = 12.0 // 8° median error = 12° standard
	// pelvisSigmaDeg comes on top for the hips, which are near to each other, where the camera looks along the line to the
	// pitcher; pelvisSideDeg where it looks across: there, on rendered clips with known truth, the turn was off
	// by 12° and by 33° in the median.
	pelvisSigmaDeg, pelvisSideDeg = 11.0, 28.0
	// shouldersSigmaDeg is the same for the shoulders: without it 95 % intervals of their turn at the load held 95 % and, on clips that nothing
	// was set on, 86 %; from the open side they came out 10° too open.
	shouldersSigmaDeg = 7.0
)

// spot is a joint at an instant, body heights: u along the picture, w up, d toward the camera (NaN where not known).
type spot struct{ u, w, d float64 }

func (s spot) v3() k.Vec3          { return k.Vec3{X: s.u, Y: s.w, Z: s.d} }
func (s spot) known() bool         { return !math.IsNaN(s.u) }
func (s spot) minus(o spot) spot   { return spot{s.u - o.u, s.w - o.w, s.d - o.d} }
func middle(a, b spot) spot        { return spot{(a.u + b.u) / 2, (a.w + b.w) / 2, (a.d + b.d) / 2} }
func (s spot) flat() float64       { return math.Hypot(s.u, s.w) }
func weigh(a spot, f float64) spot { return spot{a.u * f, a.w * f, a.d * f} }
func plus(a, b spot) spot          { return spot{a.u + b.u, a.w + b.w, a.d + b.d} }

var nowhere = spot{math.NaN(), math.NaN(), math.NaN()}

// subject is a swing prepared for measuring.
type subject struct {
	t        *pose.Track
	sw       *Swing
	given    Given
	mirror   float64
	scale    Scale
	frameS   float64 // median frame interval about the swing, s
	worldM   float64 // height of the world landmarks' body, m; 0 = no world landmarks
	biasPart float64

	// Own lengths, body heights, with relative standard uncertainty: where least foreshortened, or by proportion.
	thigh, shank, upperArm, forearm, trunk, foot, hipWidth, shoulderWidth lengthGuess
}

type lengthGuess struct{ length, rel float64 }

// side maps a joint of the right-handed hitter to the track's own.
func (s *subject) side(j pose.Joint) pose.Joint {
	if s.mirror < 0 {
		return j.Swap()
	}
	return j
}

func newSubject(t *pose.Track, sw *Swing, given Given) *subject {
	s := &subject{t: t, sw: sw, given: given, mirror: sw.Bats.mirror(), scale: sw.Scale, biasPart: biasMarked}
	from, to := max(sw.From, 0), min(sw.To, t.Len())
	if to <= from {
		from, to = 0, t.Len()
	}
	if !(s.scale.HeightPx > 0) {
		s.scale = EstimateScale(t, from, to, given)
	}
	var gaps []float64
	for i := from + 1; i < to; i++ {
		gaps = append(gaps, t.Times[i]-t.Times[i-1])
	}
	s.frameS = quantile(gaps, 0.5)
	if t.World != nil {
		s.worldM = worldHeight(t, from, to)
		if s.worldM > 0 {
			s.biasPart = 1
		}
	}
	h := s.scale.HeightPx
	if len(t.Smooth) == 0 || !(h > 0) {
		return s
	}
	// own takes the hitter's own longest view of a segment where it is not far below the usual proportion.
	own := func(l, noise, usual, usualRel, ownRel float64) lengthGuess {
		l, noise = l/h, noise/h
		if l > usual*(1-1.5*usualRel) {
			return lengthGuess{l, math.Hypot(ownRel, noise/l)}
		}
		return lengthGuess{usual, usualRel}
	}
	both := func(a, b pose.Joint) (float64, float64) {
		l, ln := segmentEnvelope(t, from, to, a, b)
		r, rn := segmentEnvelope(t, from, to, a.Swap(), b.Swap())
		if r > l || math.IsNaN(l) {
			return r, rn
		}
		return l, ln
	}
	l, n := both(pose.LeftHip, pose.LeftKnee)
	s.thigh = own(l, n, k.ThighLength, 0.06, 0.03)
	l, n = both(pose.LeftKnee, pose.LeftAnkle)
	s.shank = own(l, n, k.ShankLength, 0.06, 0.03)
	l, n = both(pose.LeftShoulder, pose.LeftElbow)
	s.upperArm = own(l, n, k.UpperArmLength, 0.08, 0.06)
	l, n = both(pose.LeftElbow, pose.LeftWrist)
	s.forearm = own(l, n, k.ForearmLength, 0.08, 0.06)
	l, n = both(pose.LeftHeel, pose.LeftFootIndex)
	s.foot = own(l, n, 0.135, 0.12, 0.06) // heel point to toe point, a little less than the foot's .152
	l, n = trunkEnvelope(t, from, to)
	s.trunk = own(l, n, k.TrunkLength, 0.06, 0.05)
	// Joint centres lie inside the body's breadths: about .12 and .21 of height. No source.
	l, n = segmentEnvelope(t, from, to, pose.LeftHip, pose.RightHip)
	s.hipWidth = own(l, n, 0.12, 0.15, 0.06)
	l, n = segmentEnvelope(t, from, to, pose.LeftShoulder, pose.RightShoulder)
	s.shoulderWidth = own(l, n, 0.21, 0.12, 0.06)
	return s
}

// worldHeight is the standing height of the world landmarks' body, from its legs, m.
func worldHeight(t *pose.Track, from, to int) float64 {
	var hs []float64
	for i := from; i < to && i < len(t.World); i++ {
		p := &t.World[i]
		dist := func(a, b pose.Joint) float64 {
			return math.Sqrt(math.Pow(p[a].X-p[b].X, 2) + math.Pow(p[a].Y-p[b].Y, 2) + math.Pow(p[a].Z-p[b].Z, 2))
		}
		leg := (dist(pose.LeftHip, pose.LeftKnee) + dist(pose.LeftKnee, pose.LeftAnkle) + dist(pose.RightHip, pose.RightKnee) + dist(pose.RightKnee, pose.RightAnkle)) / 2
		if leg > 0 {
			hs = append(hs, leg/(k.ThighLength+k.ShankLength))
		}
	}
	if len(hs) < 3 {
		return 0
	}
	return quantile(hs, 0.5)
}

// draw is one set of the values that are uncertain. The nominal draw has none of them moved.
type draw struct {
	*subject
	nominal  bool
	rng      *rand.Rand
	az       float64 // rad
	heightPx float64
	sinRoll  float64
	cosRoll  float64
	pxPerM   float64

	times map[EventName]float64
	spots map[spotKey]spot
	lasts [pose.NumJoints][2]float64 // standard normal: what lasts of each joint's error
	own   map[spotKey][2]float64     // the same: what it has of its own at an event
	deep  float64                    // by which depths are multiplied
	fixed map[string]float64         // values drawn once, by name

	why       Status // set by an evaluation that has no answer
	usedWorld bool   // set by an evaluation to which world depth contributed
}

type spotKey struct {
	event EventName
	joint pose.Joint
}

func newDraw(s *subject, rng *rand.Rand, nominal bool) *draw {
	d := &draw{subject: s, rng: rng, nominal: nominal, times: map[EventName]float64{}, spots: map[spotKey]spot{}, own: map[spotKey][2]float64{}, fixed: map[string]float64{}}
	d.az = (s.sw.View.AzimuthDeg + d.normal(s.sw.View.SigmaDeg)) * math.Pi / 180
	rel := d.normal(1)
	d.heightPx = s.scale.HeightPx * math.Max(0.5, 1+rel*s.scale.HeightPxSD/math.Max(s.scale.HeightPx, 1e-9))
	if s.scale.PxPerM > 0 { // px per metre comes from the same height, and errs with it
		d.pxPerM = s.scale.PxPerM * math.Max(0.5, 1+rel*s.scale.Sigma/s.scale.PxPerM)
	}
	d.sinRoll, d.cosRoll = math.Sincos(d.normal(rollSigmaDeg * math.Pi / 180))
	for _, e := range s.sw.Events {
		d.times[e.Name] = e.TimeS + math.Max(-2.5, math.Min(2.5, d.normal(1)))*e.SigmaS
	}
	for j := range pose.Joint(pose.NumJoints) {
		if j <= j.Swap() {
			d.lasts[j], d.lasts[j.Swap()] = d.pair(j)
		}
	}
	away := math.Max(0, -math.Cos(s.sw.View.AzimuthDeg*math.Pi/180))
	d.deep = math.Max(0.3, 1+d.normal(depthScale+away*depthAway))
	return d
}

// normal draws from N(0, sigma); 0 in the nominal draw.
func (d *draw) normal(sigma float64) float64 {
	if d.nominal {
		return 0
	}
	return sigma * d.rng.NormFloat64()
}

// once draws a value that stays the same within this draw.
func (d *draw) once(name string, mean, sigma float64) float64 {
	if v, ok := d.fixed[name]; ok {
		return v
	}
	v := mean + d.normal(sigma)
	d.fixed[name] = v
	return v
}

// long is a segment's own length in this draw, body heights.
func (d *draw) long(name string, g lengthGuess) float64 {
	return g.length * math.Max(0.3, d.once(name, 1, g.rel))
}

// at is a joint (left = lead) at an event.
func (d *draw) at(e EventName, j pose.Joint) spot {
	key := spotKey{e, j}
	if s, ok := d.spots[key]; ok {
		return s
	}
	s := nowhere
	if t, ok := d.times[e]; ok {
		s = d.moment(e, t, j)
	}
	d.spots[key] = s
	return s
}

// pair draws standard normal errors, in both coordinates, of a joint and of that of the other side.
func (d *draw) pair(j pose.Joint) (a, b [2]float64) {
	a, b = [2]float64{d.normal(1), d.normal(1)}, [2]float64{d.normal(1), d.normal(1)}
	if inPairs(j) {
		c, s := math.Sqrt(alike), math.Sqrt(1-alike)
		for i, both := range [2]float64{d.normal(1), d.normal(1)} {
			a[i], b[i] = c*both+s*a[i], c*both+s*b[i]
		}
	}
	return a, b
}

func inPairs(j pose.Joint) bool {
	return j == pose.LeftHip || j == pose.RightHip || j == pose.LeftShoulder || j == pose.RightShoulder
}

// moment is a joint (left = lead) at a time that goes by a name, with all of its error.
func (d *draw) moment(name EventName, timeS float64, j pose.Joint) spot {
	s, lasting := d.point(timeS, j)
	if !s.known() || d.nominal {
		return s
	}
	var z [2]float64
	if !inPairs(j) {
		z = [2]float64{d.normal(1), d.normal(1)}
	} else {
		key := spotKey{name, j}
		if _, ok := d.own[key]; !ok {
			d.own[key], d.own[spotKey{name, j.Swap()}] = d.pair(j)
		}
		z = d.own[key]
	}
	own := lasting * math.Sqrt(1-sharedOf[j])
	e := alongLimb(j, own*z[0], own*z[1])
	s.u, s.w = s.u+e[0], s.w+e[1]
	if inPairs(j) && (name == Contact || name == Extension || name == Finish) {
		s.u, s.w = s.u+d.normal(turnedSD), s.w+d.normal(turnedSD)
	}
	return s
}

// parts splits a smoothed point's uncertainty, px, into what is new after some 60 ms and what lasts, body heights; to the
// latter comes the landmark model's bias.
func (s *subject) parts(j pose.Joint, sigmaPx float64) (fresh, lasting float64) {
	all := sigmaPx / s.scale.HeightPx
	lasts := math.Min(placingError(j), 0.97*all) // a quarter is new at least
	return math.Sqrt(all*all - lasts*lasts), math.Hypot(lasts, biasOf[j]*s.biasPart)
}

// atTime is a joint (left = lead) at a time, with fresh keypoint noise and what lasts of its error.
func (d *draw) atTime(timeS float64, j pose.Joint) spot {
	s, _ := d.point(timeS, j)
	return s
}

// point is the same, and the standard uncertainty of what lasts of its error, body heights.
func (d *draw) point(timeS float64, j pose.Joint) (p spot, lasting float64) {
	x, y, sigma, i, f := d.sample(timeS, d.side(j))
	if math.IsNaN(x) {
		return nowhere, 0
	}
	p = d.place(x, y)
	if !d.nominal {
		var fresh float64
		fresh, lasting = d.parts(j, sigma)
		shared := lasting * math.Sqrt(sharedOf[j])
		e := alongLimb(j, shared*d.lasts[j][0], shared*d.lasts[j][1]) // along u: the same for both sides of the plate
		p.u += d.normal(fresh) + e[0]
		p.w += d.normal(fresh) + e[1]
	}
	if d.worldM > 0 {
		sd := depthSigma
		switch j {
		case pose.LeftElbow, pose.RightElbow, pose.LeftWrist, pose.RightWrist:
			sd = depthSigmaArm
		}
		p.d = d.worldDepth(i, f, d.side(j))*d.deep + d.normal(sd)
	}
	return p, lasting
}

// exact is a joint at a time without keypoint noise or bias of this draw, but with its azimuth and size.
func (d *draw) exact(timeS float64, j pose.Joint) spot {
	x, y, _, i, f := d.sample(timeS, d.side(j))
	if math.IsNaN(x) {
		return nowhere
	}
	p := d.place(x, y)
	if d.worldM > 0 {
		p.d = d.worldDepth(i, f, d.side(j))
	}
	return p
}

// worldDepth is how much nearer to the camera than mid-hip a world landmark (of the track's own side) is, body heights.
func (s *subject) worldDepth(i int, f float64, j pose.Joint) float64 {
	z := s.t.World[i][j].Z
	if f > 0 {
		z += f * (s.t.World[i+1][j].Z - z)
	}
	return -z / s.worldM
}

// place turns image coordinates into body heights along and up the picture.
func (d *draw) place(xPx, yPx float64) spot {
	u, w := d.subject.mirror*xPx/d.heightPx, -yPx/d.heightPx
	return spot{u*d.cosRoll - w*d.sinRoll, u*d.sinRoll + w*d.cosRoll, math.NaN()}
}

// maxGapS is the longest stretch without a point that is bridged.
const maxGapS = 0.1

// sample interpolates a smoothed joint of the track. i and f say where: between frames i and i+1.
func (s *subject) sample(timeS float64, j pose.Joint) (x, y, sigma float64, i int, f float64) {
	t := s.t
	n := len(t.Smooth)
	if n == 0 || !t.Has[j] {
		return math.NaN(), 0, 0, 0, 0
	}
	timeS = math.Max(t.Times[0], math.Min(t.Times[n-1], timeS))
	i = s.before(timeS)
	if i+1 < n {
		f = (timeS - t.Times[i]) / (t.Times[i+1] - t.Times[i])
	}
	a := i
	for a >= 0 && !t.Smooth[a][j].Known() {
		a--
	}
	b := min(i+1, n-1)
	for b < n && !t.Smooth[b][j].Known() {
		b++
	}
	near := func(q int) bool {
		return q >= 0 && q < n && math.Abs(t.Times[q]-timeS) <= math.Max(maxGapS, 1.01*s.frameS)
	}
	switch {
	case near(a) && near(b) && a != b:
		p, q := t.Smooth[a][j], t.Smooth[b][j]
		g := (timeS - t.Times[a]) / (t.Times[b] - t.Times[a])
		return p.X + g*(q.X-p.X), p.Y + g*(q.Y-p.Y), p.Sigma + g*(q.Sigma-p.Sigma), i, f
	case near(a):
		p := t.Smooth[a][j]
		return p.X, p.Y, p.Sigma, i, f
	case near(b):
		p := t.Smooth[b][j]
		return p.X, p.Y, p.Sigma, i, f
	}
	return math.NaN(), 0, 0, i, f
}

// before is the last index whose time is not after timeS, at least 0.
func (s *subject) before(timeS float64) int {
	lo, hi := 0, s.t.Len()
	for hi-lo > 1 {
		if m := (lo + hi) / 2; s.t.Times[m] <= timeS {
			lo = m
		} else {
			hi = m
		}
	}
	return lo
}
