package phases

import (
	"math"

	k "cagebook/phases/kinematics"
	"cagebook/pose"
)

// Joints of the mirrored hitter: lead = left.
const (
	leadShoulder, rearShoulder = pose.LeftShoulder, pose.RightShoulder
	leadElbow, rearElbow       = pose.LeftElbow, pose.RightElbow
	leadWrist, rearWrist       = pose.LeftWrist, pose.RightWrist
	leadHip, rearHip           = pose.LeftHip, pose.RightHip
	leadKnee, rearKnee         = pose.LeftKnee, pose.RightKnee
	leadAnkle, rearAnkle       = pose.LeftAnkle, pose.RightAnkle
	leadHeel, rearHeel         = pose.LeftHeel, pose.RightHeel
	leadToe, rearToe           = pose.LeftFootIndex, pose.RightFootIndex
)

func (d *draw) mid(e EventName, j pose.Joint) spot { return middle(d.at(e, j), d.at(e, j.Swap())) }

// hands is the point midway between the wrists. When one wrist is not known the other one stands in.
func (d *draw) hands(e EventName) spot {
	l, r := d.at(e, leadWrist), d.at(e, rearWrist)
	switch {
	case !l.known():
		return r
	case !r.known():
		return l
	}
	return middle(l, r)
}

// head is midway between the ears; where there are none, the nose.
func (d *draw) head(e EventName) spot {
	if h := d.mid(e, pose.LeftEar); h.known() {
		return h
	}
	return d.at(e, pose.Nose)
}

// com is the centre of mass of Winter's adult model.
func (d *draw) com(e EventName) spot {
	m := k.Winter
	on := func(r k.SegmentRow, p, q spot) spot { return plus(weigh(p, 1-r.COM), weigh(q, r.COM)) }
	sum := plus(weigh(d.head(e), m.Head.Mass), weigh(on(m.Trunk, d.mid(e, leadHip), d.mid(e, leadShoulder)), m.Trunk.Mass))
	for _, s := range [2][7]pose.Joint{
		{leadShoulder, leadElbow, leadWrist, leadHip, leadKnee, leadAnkle, leadToe},
		{rearShoulder, rearElbow, rearWrist, rearHip, rearKnee, rearAnkle, rearToe},
	} {
		p := func(i int) spot { return d.at(e, s[i]) }
		foot := p(5) // without foot points: at the ankle
		if toe := p(6); toe.known() {
			foot = middle(p(5), toe)
		}
		wrist := p(2)
		if !wrist.known() {
			wrist = d.hands(e)
		}
		sum = plus(sum, weigh(on(m.UpperArm, p(0), p(1)), m.UpperArm.Mass))
		sum = plus(sum, weigh(on(m.Forearm, p(1), wrist), m.Forearm.Mass))
		sum = plus(sum, weigh(wrist, m.Hand.Mass))
		sum = plus(sum, weigh(on(m.Thigh, p(3), p(4)), m.Thigh.Mass))
		sum = plus(sum, weigh(on(m.Shank, p(4), p(5)), m.Shank.Mass))
		sum = plus(sum, weigh(foot, m.Foot.Mass))
	}
	// The model's own error: masses and trunk of one person against the table's.
	sum.u += d.once("com"+string(e), 0, 0.008)
	return sum
}

// alongX is the part along +X of a displacement between two points of one instant. What the picture does
// not show is taken from the world landmarks' depth where there are any; otherwise
// the part toward the plate is assumed, with an uncertainty, from how people stand.
//
//	plate, plateSD  usual part of the displacement along +Y and its standard deviation, body heights
func (d *draw) alongX(name string, p spot, plate, plateSD float64) float64 {
	s, c := math.Sincos(d.az)
	if !math.IsNaN(p.d) {
		if math.Abs(s) > 0.3 {
			d.usedWorld = true
		}
		return p.u*c + p.d*s
	}
	return d.shownX(name, p.u, plate, plateSD)
}

// shownX is alongX from the picture alone: for displacements over time, which world landmarks do not know.
func (d *draw) shownX(name string, u, plate, plateSD float64) float64 {
	s, c := math.Sincos(d.az)
	if math.Abs(c) < 0.3 { // a draw far off; its neighbours decide
		c = math.Copysign(0.3, c)
	}
	return (u + d.once("y "+name, plate, plateSD)*s) / c
}

// bend is the flexion in space of the chain a–b–c. Depth comes from the world landmarks and from how much
// shorter than its own length each segment appears; usual says to which side.
func (d *draw) bend(name string, a, b, c spot, ab, bc lengthGuess, usual limb) float64 {
	if !a.known() || !b.known() || !c.known() {
		return math.NaN()
	}
	inPicture := k.Flexion2Deg(k.Vec2{X: a.u, Y: a.w}, k.Vec2{X: b.u, Y: b.w}, k.Vec2{X: c.u, Y: c.w})
	world := math.NaN()
	if !math.IsNaN(a.d) {
		world = k.Flexion3Deg(a.v3(), b.v3(), c.v3())
		if math.Abs(world-inPicture) > 5 {
			d.usedWorld = true
		}
		if usual == (limb{}) {
			return world
		}
	}
	hidden := func(p, q spot, g lengthGuess, key string) float64 {
		l, seen := d.long(key, g), q.minus(p).flat()
		return math.Sqrt(math.Max(0, l*l-seen*seen))
	}
	d1, d2 := hidden(a, b, ab, name+"1"), hidden(b, c, bc, name+"2")
	with := func(s1, s2 float64) float64 {
		p, q := b, c
		a.d, p.d = 0, s1*d1
		q.d = p.d + s2*d2
		return k.Flexion3Deg(a.v3(), p.v3(), q.v3())
	}
	if usual == (limb{}) { // not known: both ways are possible
		if d.nominal {
			return (with(1, 1) + with(1, -1)) / 2
		}
		return with(1, math.Copysign(1, d.once(name+" way", 0, 1)))
	}
	sin, cos := math.Sincos(d.az)
	way := func(v k.Vec2, key string) float64 {
		return math.Copysign(1, v.X*sin+v.Y*cos+d.once(key, 0, limbSpread))
	}
	shown := with(way(usual.first, name+" way 1"), way(usual.second, name+" way 2"))
	if math.IsNaN(world) {
		return shown
	}
	// Two witnesses: from the chest side the landmarks are the better one; legs that bend away from the
	// camera they make too straight, by up to 30° on rendered clips with known truth. The
	// disagreement is in the draws' spread.
	trust := 0.8 + 0.2*math.Cos(d.sw.View.AzimuthDeg*math.Pi/180)
	f := clamp(trust+d.once(name+" witness", 0, math.Max(0.05, 0.7*(1-trust))), 0, 1)
	return f*world + (1-f)*shown
}

// limb is how the two segments of a limb usually lie over the ground, away from the body: X and Y, body heights. Only
// the sign of what of it points at the camera is used.
type limb struct{ first, second k.Vec2 }

// limbSpread is how far single hitters differ from the usual, body heights. No source.
const limbSpread = 0.035

// A hitter's legs spread along the line to the pitcher, and the knees bend over the feet: until landing thighs go toward the
// plate and shanks back from it; at contact the lead shank stands about upright as seen along that line. Common
// practice, no source.
func usualLeg(e EventName, lead bool) limb {
	l := limb{k.Vec2{X: 0.09, Y: 0.09}, k.Vec2{X: 0.07, Y: -0.07}}
	if e == Contact {
		l = limb{k.Vec2{X: 0.12, Y: 0.06}, k.Vec2{X: 0.07, Y: 0}}
	}
	if !lead {
		l.first.X, l.second.X = -l.first.X, -l.second.X
	}
	return l
}

func (d *draw) knee(e EventName, lead bool) float64 {
	name, hip, knee, ankle := "lead knee", leadHip, leadKnee, leadAnkle
	if !lead {
		name, hip, knee, ankle = "rear knee", rearHip, rearKnee, rearAnkle
	}
	return d.bend(name, d.at(e, hip), d.at(e, knee), d.at(e, ankle), d.thigh, d.shank, usualLeg(e, lead)) + worldAlone*d.worldApart(e, hip, knee, ankle)
}

// worldAlone is the weight of a knee's bend from world landmarks alone, beside that from image points with world depth. The
// errors of the image's hips bear on the latter only.
const worldAlone = 0.3

// worldApart is the bend from world landmarks alone minus that from image points with world depth, degrees; 0 where there are no world landmarks.
func (d *draw) worldApart(e EventName, a, b, c pose.Joint) float64 {
	t, known := d.times[e]
	if d.worldM == 0 || !known {
		return 0
	}
	i := d.before(t)
	point := func(j pose.Joint) k.Vec3 {
		p := d.t.World[i][d.side(j)]
		return k.Vec3{X: p.X, Y: p.Y, Z: p.Z}
	}
	p, q, r := d.exact(d.t.Times[i], a), d.exact(d.t.Times[i], b), d.exact(d.t.Times[i], c)
	apart := k.Flexion3Deg(point(a), point(b), point(c)) - k.Flexion3Deg(p.v3(), q.v3(), r.v3())
	if math.IsNaN(apart) {
		return 0
	}
	return apart
}

func (d *draw) elbow(e EventName, lead bool) float64 {
	if lead {
		return d.bend("lead elbow", d.at(e, leadShoulder), d.at(e, leadElbow), d.at(e, leadWrist), d.upperArm, d.forearm, limb{})
	}
	return d.bend("rear elbow", d.at(e, rearShoulder), d.at(e, rearElbow), d.at(e, rearWrist), d.upperArm, d.forearm, limb{})
}

// trunkLean is the lean of the line from mid-hip to mid-shoulder in the vertical plane along X, + = toward the pitcher.
func (d *draw) trunkLean(e EventName) float64 {
	v := d.mid(e, leadShoulder).minus(d.mid(e, leadHip))
	x := d.alongX("trunk"+string(e), v, 0.08, 0.05) // bent over the plate by 17° ± 10°; common practice, no source
	return d.turnedLean(e, math.Atan2(x, v.w)*180/math.Pi)
}

// A trunk that has turned with the arms across it is placed too upright: on rendered clips with known truth leans of 20° to 24° came out
// as 10° to 14°. A part of the lean.
const turnedLeanPart = 0.25

// turnedLean is a lean, degrees, with what makes it less sure once the trunk has turned.
func (d *draw) turnedLean(e EventName, lean float64) float64 {
	if e == Stance {
		return lean
	}
	return lean + d.once("lean "+string(e), 0, turnedLeanPart*lean)
}

// trunkLeanToPlate is the same in the vertical plane along Y, + = over the plate. It is seen from the ends.
func (d *draw) trunkLeanToPlate(e EventName) float64 {
	v := d.mid(e, leadShoulder).minus(d.mid(e, leadHip))
	s, c := math.Sincos(d.az)
	y := -v.u*s + v.d*c
	if math.IsNaN(v.d) {
		if math.Abs(s) < 0.3 {
			s = math.Copysign(0.3, s)
		}
		y = (d.once("x trunk"+string(e), -0.02, 0.05)*c - v.u) / s
	} else if math.Abs(c) > 0.3 {
		d.usedWorld = true
	}
	// From the ends the landmark model puts hips and shoulders of a bent trunk up to
	// 10° too upright, on rendered clips with known truth: no noise that averages out. Half of it is
	// taken back; whether another body shows it, too, is not known.
	lean := math.Atan2(y, v.w) * 180 / math.Pi
	if d.worldM > 0 {
		lean += uprightDeg
	}
	return d.turnedLean(e, lean+d.once("upright", 0, 6))
}

// uprightDeg is half of what a landmark model straightens a bent trunk by, seen from the ends.
const uprightDeg = 4.0

// feetApart is the horizontal distance between the ankles.
func (d *draw) feetApart(e EventName) float64 {
	p := d.at(e, leadAnkle).minus(d.at(e, rearAnkle))
	const plateSD = 0.05 // feet stand up to a foot's width off the line to the pitcher; common practice, no source
	x := d.alongX("feet", p, 0, plateSD)
	return math.Hypot(x, d.once("y feet", 0, plateSD))
}

func (d *draw) bodyOverFeet(e EventName) float64 {
	rear, lead, com := d.at(e, rearAnkle), d.at(e, leadAnkle), d.com(e)
	x := d.alongX("feet", lead.minus(rear), 0, 0.05)
	c := d.alongX("body", com.minus(rear), 0.04, 0.035)
	if math.Abs(x) < 0.08 { // feet together: over which foot the body is means nothing
		d.why = FailedCheck
		return math.NaN()
	}
	return k.COMFraction(0, x, c)
}

func (d *draw) handsBack(e EventName) float64 {
	return d.alongX("hands back", d.at(e, rearShoulder).minus(d.hands(e)), -0.12, 0.08)
}

func (d *draw) rearKneeInside(e EventName) float64 {
	return d.alongX("rear knee", d.at(e, rearKnee).minus(d.at(e, rearAnkle)), 0.06, 0.05)
}

func (d *draw) handsSeparation(e EventName) float64 {
	return d.alongX("hands foot", d.at(e, leadAnkle).minus(d.hands(e)), -0.14, 0.08)
}

// travel is the displacement of a point from foot down to contact: along X (+ = toward the pitcher) and up. slideSD
// is how far such a point usually goes toward or away from the plate meanwhile, body heights.
func (d *draw) travel(name string, at func(EventName) spot, slideSD float64) (x, up, plate float64) {
	p := at(Contact).minus(at(FootDown))
	return d.shownX(name, p.u, 0, slideSD), p.w, d.once("y "+name, 0, slideSD)
}

// headAsideSD is how far a head usually moves to or from the plate between foot down and contact, body heights. No source.
const headAsideSD = 0.05

// straightenedSD: landmarks make a bent knee too straight and a straight one too bent, so that the difference comes out up
// to 13° too small on rendered clips with known truth, beyond what depthScale explains. Whether real hitters show it, too, is not known: it widens, and corrects nothing: with 7° 95 % intervals held 92 % of 144. Degrees.
const straightenedSD = 9

// straightening is by how much the lead knee is straighter at contact than at foot down.
func (d *draw) straightening() float64 {
	return d.knee(FootDown, true) - d.knee(Contact, true) + d.once("straightened", 0, straightenedSD)
}

func (d *draw) headTravel() float64 {
	x, up, y := d.travel("head", d.head, headAsideSD)
	if d.nominal { // what is not seen is not nothing: its mean size
		y = headAsideSD * math.Sqrt(2/math.Pi)
	}
	return math.Sqrt(x*x + up*up + y*y)
}

func (d *draw) footSlide() float64 {
	x, _, y := d.travel("foot", func(e EventName) spot { return d.at(e, leadAnkle) }, 0.01)
	return math.Hypot(x, y)
}

func (d *draw) leadKneeDrift() float64 {
	x, _, _ := d.travel("knee", func(e EventName) spot { return d.at(e, leadKnee) }, 0.03)
	return x
}

func (d *draw) pelvisDrift() float64 {
	x, _, _ := d.travel("pelvis", func(e EventName) spot { return d.mid(e, leadHip) }, 0.03)
	return x
}

// steadiness is the mean speed of the trunk's centre over half a second after the finish, body heights per second,
// along a path of steps of 0.1 s (shorter steps would measure the noise). A phone in a hand moves the whole picture: the foot that moves
// less in it is taken to stand still.
func (d *draw) steadiness() float64 {
	const stepS, steps, least = 0.1, 5, 3
	t0, ok := d.times[Finish]
	if !ok {
		return math.NaN()
	}
	end := d.t.Times[d.t.Len()-1]
	var trunk [steps + 1]spot
	ankles := [2]pose.Joint{leadAnkle, rearAnkle}
	var feet [2][steps + 1]spot
	n := -1 // steps
	for i := 0; i <= steps; i++ {
		t := t0 + float64(i)*stepS
		if t > end {
			break
		}
		var p spot
		for _, j := range trunkJoints {
			p = plus(p, weigh(d.atTime(t, j), 0.25))
		}
		for k, j := range ankles {
			feet[k][i] = d.atTime(t, j)
		}
		if !p.known() {
			break
		}
		trunk[i] = p
		n = i
	}
	if n < least {
		d.why = Occluded
		return math.NaN()
	}
	foot, shortest := -1, math.Inf(1)
	for k := range feet {
		way := 0.0
		for i := range n {
			way += feet[k][i+1].minus(feet[k][i]).flat() // NaN where it is not seen at all instants
		}
		if way < shortest {
			foot, shortest = k, way
		}
	}
	var path float64
	for i := range n {
		t := t0 + float64(i)*stepS
		step, noise := trunk[i+1].minus(trunk[i]), d.freshVariance(t, trunkJoints)
		if foot >= 0 {
			step = step.minus(feet[foot][i+1].minus(feet[foot][i]))
			noise += d.freshVariance(t, ankles[foot:foot+1])
		}
		// Noise makes every step longer: two coordinates at two ends. What it adds on average is taken off.
		path += math.Sqrt(math.Max(0, step.flat()*step.flat()-4*noise))
	}
	return path/(float64(n)*stepS) + d.once("steady", 0, steadySD)
}

// steadySD is the standard uncertainty of steadiness that points which wander in the body leave, body heights/s.
const steadySD = 0.03

var trunkJoints = []pose.Joint{leadShoulder, rearShoulder, leadHip, rearHip}

// freshVariance is the variance per coordinate that keypoint noise gives the middle of joints, body heights², in the
// nominal draw; the other draws have the noise twice.
func (d *draw) freshVariance(timeS float64, joints []pose.Joint) float64 {
	var v float64
	for _, j := range joints {
		_, _, s, _, _ := d.sample(timeS, d.side(j))
		if fresh, _ := d.parts(j, s); !math.IsNaN(fresh) {
			v += fresh * fresh
		}
	}
	v /= float64(len(joints) * len(joints))
	if !d.nominal {
		v *= 2
	}
	return v
}

// handPath follows mid-wrists from the start of the hands over the first 0.10 m and gives how straight the way was
// (chord ÷ path) and how far it went down, body heights.
func (d *draw) handPath() (straight, drop float64, ok bool) {
	t0, known := d.times[HandsStart]
	if !known {
		return 0, 0, false
	}
	// The path in space is longer than what is seen of it: hands also move to or from the plate. No source.
	longer := math.Max(1, 1.35*math.Exp(d.normal(0.18)))
	reach := 0.10 / usualHeightM * math.Exp(d.normal(usualHeightRel))
	if d.pxPerM > 0 {
		reach = 0.10 * d.pxPerM / d.heightPx
	}
	const stepS, longest = 1.0 / 240, 0.25
	// Keypoint noise hangs together over some 60 ms, and the wrists' place in the picture of the hands for as long as they are turned
	// alike, some 300 ms: both are drawn at knots and joined by lines. The knots stand as far apart as what is left of noise after
	// smoothing takes to bend: pose/smooth grants hands an acceleration that lasts 50 ms.
	const knotS, freshS, lastingS = 0.08, 0.06, 0.30
	var knots [8]spot
	var f, l spot
	for i := range knots {
		fresh, lasting := d.handSigma(t0 + float64(i)*knotS)
		keepF, keepL := math.Exp(-knotS/freshS), math.Exp(-knotS/lastingS)
		if i == 0 {
			keepF, keepL = 0, 0
		}
		sf, sl := fresh*math.Sqrt(1-keepF*keepF), lasting*math.Sqrt(1-keepL*keepL)
		f = plus(weigh(f, keepF), spot{d.normal(sf), d.normal(sf), 0})
		l = plus(weigh(l, keepL), spot{d.normal(sl), d.normal(sl), 0})
		knots[i] = plus(f, l)
	}
	c := math.Cos(d.az)
	if math.Abs(c) < 0.3 {
		c = math.Copysign(0.3, c)
	}
	at := func(t float64) spot {
		xl, yl, _, _, _ := d.sample(t, d.side(leadWrist))
		xr, yr, _, _, _ := d.sample(t, d.side(rearWrist))
		p := d.place((xl+xr)/2, (yl+yr)/2)
		q := math.Max(0, math.Min(float64(len(knots)-2), (t-t0)/knotS))
		i := int(q)
		f := math.Min(1, q-float64(i))
		p = plus(p, plus(weigh(knots[i], 1-f), weigh(knots[i+1], f)))
		p.u /= c
		return p
	}
	first := at(t0)
	last, path := first, 0.0
	for t := t0 + stepS; t < t0+longest; t += stepS {
		p := at(t)
		if !p.known() {
			return 0, 0, false
		}
		path += p.minus(last).flat() * longer
		last = p
		if path >= reach {
			return math.Min(1, p.minus(first).flat()*longer/path), first.w - p.w, true
		}
	}
	return 0, 0, false
}

// awayS is how long before contact it is told how far the hands are away from the body: about half-way from
// their launch to contact, which takes adults 0.13 to 0.18 s (from memory).
const awayS = 0.08

// handsAway is how far mid-wrists are from mid-shoulder toward the plate.
func (d *draw) handsAway() float64 {
	t := d.times[Contact] - awayS
	at := func(j pose.Joint) spot { return d.moment("half-way", t, j) }
	v := middle(at(leadWrist), at(rearWrist)).minus(middle(at(leadShoulder), at(rearShoulder)))
	s, c := math.Sincos(d.az)
	if math.Abs(s) < 0.3 { // a draw far off; its neighbours decide
		s = math.Copysign(0.3, s)
	}
	// Along the line to the pitcher the hands are behind the shoulders, by as much as they are usually held back in a
	// swing's first half. No source.
	return (d.once("x hands away", -0.07, 0.04)*c - v.u) / s
}

// usualHeightM stands in for a hitter's height where 0.10 m must be told in body heights; no more than that.
const (
	usualHeightM   = 1.70
	usualHeightRel = 0.10
)

// handSigma is the standard uncertainty of mid-wrists at a time, its fresh and its lasting part, body heights.
func (d *draw) handSigma(timeS float64) (fresh, lasting float64) {
	_, _, l, _, _ := d.sample(timeS, d.side(leadWrist))
	_, _, r, _, _ := d.sample(timeS, d.side(rearWrist))
	fl, ll := d.parts(leadWrist, l)
	fr, lr := d.parts(rearWrist, r)
	return math.Hypot(fl, fr) / 2, math.Hypot(ll, lr) / 2
}
