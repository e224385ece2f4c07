package kinematics

import "math"

// Vec2 is a point or direction in a plane.
type Vec2 struct{ X, Y float64 }

// Vec3 is a point or direction in space.
type Vec3 struct{ X, Y, Z float64 }

// Sub is a − b.
func (a Vec2) Sub(b Vec2) Vec2 { return Vec2{a.X - b.X, a.Y - b.Y} }

// Sub is a − b.
func (a Vec3) Sub(b Vec3) Vec3 { return Vec3{a.X - b.X, a.Y - b.Y, a.Z - b.Z} }

// Norm is the length.
func (a Vec2) Norm() float64 { return math.Hypot(a.X, a.Y) }

// Norm is the length.
func (a Vec3) Norm() float64 { return math.Sqrt(a.X*a.X + a.Y*a.Y + a.Z*a.Z) }

// WrapDeg brings an angle into (−180, 180].
func WrapDeg(deg float64) float64 {
	d := math.Mod(deg, 360)
	if d <= -180 {
		d += 360
	} else if d > 180 {
		d -= 360
	}
	return d
}

// UnwrapDeg removes the jumps of 360° from a series: each step is taken the short way
// round. NaN stays NaN and is stepped over.
func UnwrapDeg(deg []float64) []float64 {
	out := make([]float64, len(deg))
	last := math.NaN()
	for i, d := range deg {
		switch {
		case math.IsNaN(d):
			out[i] = d
			continue
		case math.IsNaN(last):
			out[i] = d
		default:
			out[i] = last + WrapDeg(d-last)
		}
		last = out[i]
	}
	return out
}

// Flexion2Deg is the bend at b of the chain a–b–c in a plane: 180° minus the included
// angle, 0° = straight. NaN if two neighbouring points coincide.
func Flexion2Deg(a, b, c Vec2) float64 {
	return Flexion3Deg(Vec3{a.X, a.Y, 0}, Vec3{b.X, b.Y, 0}, Vec3{c.X, c.Y, 0})
}

// Flexion3Deg is the bend at b of the chain a–b–c in space: 180° minus the included
// angle, 0° = straight. NaN if two neighbouring points coincide.
func Flexion3Deg(a, b, c Vec3) float64 {
	u, v := b.Sub(a), c.Sub(b)
	if u.Norm() == 0 || v.Norm() == 0 {
		return math.NaN()
	}
	// atan2 of cross and dot: exact near 0° and 180°, where acos loses half of its digits.
	cross := Vec3{u.Y*v.Z - u.Z*v.Y, u.Z*v.X - u.X*v.Z, u.X*v.Y - u.Y*v.X}
	return math.Atan2(cross.Norm(), u.X*v.X+u.Y*v.Y+u.Z*v.Z) * 180 / math.Pi
}

// FlexionSigmaDeg is the standard uncertainty of a plane flexion angle from keypoint noise.
//
//	sigmaA, sigmaB, sigmaC  standard uncertainty per axis of the chain's points, px (b is the joint)
//	lengthAB, lengthBC      lengths of the two segments as seen, px
//	flexionDeg              the angle itself
//
// First-order propagation: an end point turns its segment by σ/L; the middle
// point turns both, by the vector sum of two arms 1/L1 and 1/L2 that enclose the
// flexion. For equal σ and L this is (σ/L)·√(4 + 2·cos φ).
func FlexionSigmaDeg(sigmaA, sigmaB, sigmaC, lengthAB, lengthBC, flexionDeg float64) float64 {
	p, q := 1/lengthAB, 1/lengthBC
	c := math.Cos(flexionDeg * math.Pi / 180)
	v := sigmaA*sigmaA*p*p + sigmaC*sigmaC*q*q + sigmaB*sigmaB*(p*p+q*q+2*p*q*c)
	return math.Sqrt(v) * 180 / math.Pi
}

// ForeshortenedFlexionDeg is the flexion that a camera sees of a limb whose first
// segment stands along the axis about which the limb's plane is turned away from the
// picture by yawDeg (a vertical thigh and an oblique camera).
func ForeshortenedFlexionDeg(trueDeg, yawDeg float64) float64 {
	s, c := math.Sincos(trueDeg * math.Pi / 180)
	return math.Atan2(s*math.Cos(yawDeg*math.Pi/180), c) * 180 / math.Pi
}

// UnforeshortenedFlexionDeg undoes ForeshortenedFlexionDeg. NaN where the limb's plane
// points at the camera.
func UnforeshortenedFlexionDeg(seenDeg, yawDeg float64) float64 {
	k := math.Cos(yawDeg * math.Pi / 180)
	if math.Abs(k) < 1e-9 {
		return math.NaN()
	}
	s, c := math.Sincos(seenDeg * math.Pi / 180)
	return math.Atan2(s/math.Abs(k), c) * 180 / math.Pi
}

// TurnFromWidthDeg is the angle by which a line of true width trueW is turned out of the
// picture plane if it appears seenW wide: acos(seenW/trueW), 0 to 90°. The sign is not
// to be had. Where the line lies nearly in the picture plane the answer is worthless: a
// ratio of 0.95 instead of 1 moves it by 18°. Ratios above 1 give 0; NaN for no width.
func TurnFromWidthDeg(seenW, trueW float64) float64 {
	if !(trueW > 0) || !(seenW >= 0) {
		return math.NaN()
	}
	return math.Acos(math.Min(1, seenW/trueW)) * 180 / math.Pi
}

// AttackAngleDeg is the climb of a path: atan2(up, forward), + = upward.
func AttackAngleDeg(forward, up float64) float64 { return math.Atan2(up, forward) * 180 / math.Pi }

// OpenAngleDeg is the direction of a horizontal vector against straight-at-the-plate:
// 0° = toward the plate, +90° = toward the pitcher.
func OpenAngleDeg(towardPitcher, towardPlate float64) float64 {
	if towardPitcher == 0 && towardPlate == 0 {
		return math.NaN()
	}
	return math.Atan2(towardPitcher, towardPlate) * 180 / math.Pi
}
