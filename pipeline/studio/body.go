package studio

import (
	"math"

	"cagebook/pose"
)

// Lengths of the body as fractions of stature: Drillis & Contini 1966, as in
// Winter, Biomechanics and Motor Control of Human Movement, figure 4.1.
const (
	thighFrac    = 0.245
	shankFrac    = 0.246
	upperArmFrac = 0.186
	forearmFrac  = 0.146
	trunkFrac    = 0.288 // shoulder height .818 less hip height .530
	ankleFrac    = 0.039 // height of the ankle
	footFrac     = 0.152
	// The table's breadths (.259, .191) are those of the body; joint centres lie within.
	shoulderFrac = 0.198
	hipFrac      = 0.108
	// Wrist to the middle of a hand closed about a handle: about half of the hand's .108.
	gripFrac = 0.050
	// Along the foot from the heel: the ankle, and the base of the big toe.
	heelToAnkleFrac = 0.036
	heelToToeFrac   = 0.132
	soleFrac        = 0.012 // height of heel and toe points above the ground
)

// Body is what is constant of a person.
type Body struct {
	HeightM float64
}

func (b Body) h(frac float64) float64 { return frac * b.HeightM }

// Bat is what is constant of a bat. Distances run from the knob.
type Bat struct {
	LengthM float64
}

// sweetSpotFromEndM is where a bat is meant to hit: about 15 cm from the barrel's end.
const sweetSpotFromEndM = 0.15

// bottomHandM is how far the middle of the bottom hand is from the knob's end.
const bottomHandM = 0.055

// Figure is a person at one instant. Joints are in model or world axes.
type Figure struct {
	Joints       [pose.NumJoints]Vec
	HasBat       bool
	Knob, Barrel Vec

	// For drawing only.
	HeadC, HeadF, HeadU Vec // centre of the head, direction of the face, top of the head
	Chest               Vec // direction in which the chest faces
	PelvisF             Vec // direction in which the pelvis faces
}

func (f *Figure) mid(a pose.Joint) Vec { return f.Joints[a].to(f.Joints[a.Swap()], 0.5) }

// MidHip, MidShoulder and MidWrist are the middles of the pairs; Head is the middle of the ears.
func (f *Figure) MidHip() Vec      { return f.mid(pose.LeftHip) }
func (f *Figure) MidShoulder() Vec { return f.mid(pose.LeftShoulder) }
func (f *Figure) MidWrist() Vec    { return f.mid(pose.LeftWrist) }
func (f *Figure) Head() Vec        { return f.mid(pose.LeftEar) }

// SweetSpot is the point of the barrel that is meant to hit.
func (f *Figure) SweetSpot() Vec {
	l := f.Barrel.sub(f.Knob).norm()
	return f.Knob.to(f.Barrel, (l-sweetSpotFromEndM)/l)
}

// foot is one foot: a rigid shape that turns about its toe point.
type foot struct {
	toe   Vec     // toe point; Z is its lift above the planted height
	yaw   float64 // degrees, as in facing
	pitch float64 // degrees by which the heel is raised about the toe point
}

// points returns ankle, heel and toe.
func (f foot) points(b Body) (ankle, heel, toe Vec) {
	dir := facing(f.yaw)
	s, c := math.Sincos(rad(f.pitch))
	at := func(along, up float64) Vec { // along from the toe point, both m
		v := dir.mul(along*c + up*s)
		v.Z = -along*s + up*c
		return v
	}
	toe = f.toe
	toe.Z += b.h(soleFrac)
	ankle = toe.add(at(b.h(heelToAnkleFrac-heelToToeFrac), b.h(ankleFrac-soleFrac)))
	heel = toe.add(at(-b.h(heelToToeFrac), 0))
	return ankle, heel, toe
}

// limb holds what places one arm's hand.
type grip struct {
	at   Vec     // middle of the closed hand
	axis Vec     // unit vector through the closed hand, thumb side positive (along the handle toward the barrel)
	pole Vec     // direction to which the elbow points
	open float64 // 0 = on a handle, 1 = hand straight in line with the forearm
}

// stick is the state from which a figure is built; lead and rear are the sides
// nearer to and farther from the pitcher.
type stick struct {
	pelvis              Vec     // mid-hip
	pelvisYaw, trunkYaw float64 // degrees
	shoulders           Vec     // offset of mid-shoulder from mid-hip in X and Y; Z follows from the trunk's length
	shoulderTilt        float64 // degrees by which the lead shoulder is raised beyond what the trunk's lean gives
	headYaw, headPitch  float64 // degrees; pitch + = looking down
	headFollow          float64 // 0 = neck upright, 1 = neck in line with the trunk
	lead, rear          foot
	leadKnee, rearKnee  Vec // directions to which the knees point
	leadHand, rearHand  grip
	bat                 bool
	batAxis             Vec // unit vector from knob to barrel end
	batLength           float64
	knob                Vec
}

// twoBone places the middle joint between root and tip for bones of length a
// and b; pole says to which side. A tip out of reach is brought into reach.
func twoBone(root, tip Vec, a, b float64, pole Vec) (mid, end Vec) {
	d := tip.sub(root)
	l := d.norm()
	u := d.unit()
	most, least := (a+b)*0.9995, math.Abs(a-b)*1.02
	if l > most || l < least {
		l = clamp(l, least, most)
		tip = root.plus(l, u)
	}
	x := (a*a - b*b + l*l) / (2 * l)
	y := math.Sqrt(math.Max(0, a*a-x*x))
	return root.plus(x, u).plus(y, pole.orth(u)), tip
}

// trunkZ is how high mid-shoulder is above mid-hip for a horizontal offset.
func trunkZ(b Body, off Vec) float64 {
	l := b.h(trunkFrac)
	return math.Sqrt(math.Max(0.04*l*l, l*l-off.X*off.X-off.Y*off.Y))
}

// midShoulder of a stick.
func (s *stick) midShoulder(b Body) Vec {
	off := s.shoulders
	off.Z = trunkZ(b, off)
	off = off.unit().mul(b.h(trunkFrac))
	return s.pelvis.add(off)
}

// shoulderLine is the unit vector from the rear to the lead shoulder: the
// yaw's line, made perpendicular to the trunk, plus the extra tilt.
func (s *stick) shoulderLine(b Body) Vec {
	axis := s.midShoulder(b).sub(s.pelvis).unit()
	l := line(s.trunkYaw) // keeps its horizontal direction
	l.Z = -l.dot(axis) / axis.Z
	l = l.unit()
	if s.shoulderTilt != 0 {
		sn, c := math.Sincos(rad(s.shoulderTilt))
		l = l.mul(c).plus(sn, axis)
	}
	return l
}

// build makes the figure. leadLeft says that the lead side is the left one.
func (s *stick) build(b Body, leadLeft bool) Figure {
	var f Figure
	set := func(left pose.Joint, lead bool, v Vec) {
		j := left
		if lead != leadLeft {
			j = left.Swap()
		}
		f.Joints[j] = v
	}
	hl := line(s.pelvisYaw)
	ms := s.midShoulder(b)
	sl := s.shoulderLine(b)
	axis := ms.sub(s.pelvis).unit()
	chest := facing(s.trunkYaw).orth(axis).orth(sl)
	f.Chest, f.PelvisF = chest, facing(s.pelvisYaw)

	side := func(lead bool, sign float64, ft foot, knee Vec, g grip) {
		hip := s.pelvis.plus(sign*b.h(hipFrac)/2, hl)
		ankle, heel, toe := ft.points(b)
		k, end := twoBone(hip, ankle, b.h(thighFrac), b.h(shankFrac), knee)
		if miss := end.sub(ankle); miss.norm() > 1e-9 { // the leg cannot reach: the foot comes along
			ankle, heel, toe = end, heel.add(miss), toe.add(miss)
		}
		set(pose.LeftHip, lead, hip)
		set(pose.LeftKnee, lead, k)
		set(pose.LeftAnkle, lead, ankle)
		set(pose.LeftHeel, lead, heel)
		set(pose.LeftFootIndex, lead, toe)

		sh := ms.plus(sign*b.h(shoulderFrac)/2, sl)
		// The hand stands mostly across the handle and partly in line with the arm.
		u := g.at.sub(sh).unit()
		w := u.plus(-0.7*(1-g.open)*u.dot(g.axis), g.axis).unit()
		wrist := g.at.plus(-b.h(gripFrac), w)
		el, wr := twoBone(sh, wrist, b.h(upperArmFrac), b.h(forearmFrac), g.pole)
		w = g.at.sub(wr).unit()
		k1 := wr.plus(b.h(gripFrac)*1.05, w)
		set(pose.LeftShoulder, lead, sh)
		set(pose.LeftElbow, lead, el)
		set(pose.LeftWrist, lead, wr)
		set(pose.LeftIndex, lead, k1.plus(b.h(0.018), g.axis))
		set(pose.LeftPinky, lead, k1.plus(-b.h(0.016), g.axis))
		set(pose.LeftThumb, lead, wr.plus(b.h(gripFrac)*0.75, w).plus(b.h(0.026), g.axis))
	}
	side(true, 1, s.lead, s.leadKnee, s.leadHand)
	side(false, -1, s.rear, s.rearKnee, s.rearHand)

	// Head: centre .112 of stature above mid-shoulder (.930 less .818), a little forward.
	up := Vec{0, 0, 1}.to(axis, s.headFollow).unit()
	face := facing(s.headYaw)
	sn, c := math.Sincos(rad(s.headPitch))
	fwd := face.mul(c).plus(-sn, up).unit()
	top := up.mul(c).plus(sn, face).orth(fwd)
	toLead := line(s.headYaw).orth(fwd) // from rear to lead when the face looks at the plate
	centre := ms.plus(b.h(0.060), Vec{0, 0, 1}.to(axis, 0.7).unit()).plus(b.h(0.052), top.to(up, 0.5).unit()).plus(b.h(0.012), fwd)
	f.HeadC, f.HeadF, f.HeadU = centre, fwd, top
	at := func(fw, upw, lead float64) Vec {
		return centre.plus(b.h(fw), fwd).plus(b.h(upw), top).plus(b.h(lead), toLead)
	}
	f.Joints[pose.Nose] = at(0.066, -0.010, 0)
	for i, fr := range [][3]float64{{0.052, 0.008, 0.010}, {0.051, 0.008, 0.018}, {0.048, 0.008, 0.026}} {
		set(pose.LeftEyeInner+pose.Joint(i), true, at(fr[0], fr[1], fr[2]))
		set(pose.LeftEyeInner+pose.Joint(i), false, at(fr[0], fr[1], -fr[2]))
	}
	set(pose.LeftEar, true, at(-0.002, 0, 0.043))
	set(pose.LeftEar, false, at(-0.002, 0, -0.043))
	set(pose.MouthLeft, true, at(0.053, -0.034, 0.014))
	set(pose.MouthLeft, false, at(0.053, -0.034, -0.014))

	if s.bat {
		f.HasBat = true
		f.Knob = s.knob
		f.Barrel = s.knob.plus(s.batLength, s.batAxis)
	}
	return f
}
