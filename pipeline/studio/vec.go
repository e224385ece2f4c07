package studio

import "math"

// Vec is a point or direction, metres unless said otherwise.
type Vec struct{ X, Y, Z float64 }

func (a Vec) add(b Vec) Vec             { return Vec{a.X + b.X, a.Y + b.Y, a.Z + b.Z} }
func (a Vec) sub(b Vec) Vec             { return Vec{a.X - b.X, a.Y - b.Y, a.Z - b.Z} }
func (a Vec) mul(k float64) Vec         { return Vec{a.X * k, a.Y * k, a.Z * k} }
func (a Vec) dot(b Vec) float64         { return a.X*b.X + a.Y*b.Y + a.Z*b.Z }
func (a Vec) norm() float64             { return math.Sqrt(a.dot(a)) }
func (a Vec) to(b Vec, k float64) Vec   { return a.add(b.sub(a).mul(k)) }
func (a Vec) plus(k float64, b Vec) Vec { return Vec{a.X + k*b.X, a.Y + k*b.Y, a.Z + k*b.Z} }

func (a Vec) cross(b Vec) Vec {
	return Vec{a.Y*b.Z - a.Z*b.Y, a.Z*b.X - a.X*b.Z, a.X*b.Y - a.Y*b.X}
}

// unit is the direction of a; the zero vector stays zero.
func (a Vec) unit() Vec {
	n := a.norm()
	if n == 0 {
		return a
	}
	return a.mul(1 / n)
}

// orth is the part of a that is perpendicular to the unit vector n, as a unit vector.
func (a Vec) orth(n Vec) Vec { return a.plus(-a.dot(n), n).unit() }

// rotZ turns a about +Z so that +Y goes toward +X (the sense in which a hitter opens).
func (a Vec) rotZ(angleRad float64) Vec {
	s, c := math.Sincos(angleRad)
	return Vec{a.X*c + a.Y*s, -a.X*s + a.Y*c, a.Z}
}

func rad(deg float64) float64 { return deg * math.Pi / 180 }
func deg(rad float64) float64 { return rad * 180 / math.Pi }

// facing is the horizontal unit vector at a yaw: 0° = +Y (the plate), +90° = +X (the pitcher).
func facing(yawDeg float64) Vec {
	s, c := math.Sincos(rad(yawDeg))
	return Vec{s, c, 0}
}

// line is the horizontal unit vector from rear to lead of a body at a yaw.
func line(yawDeg float64) Vec {
	s, c := math.Sincos(rad(yawDeg))
	return Vec{c, -s, 0}
}

// jerk is the minimum-jerk step from 0 at t0 to 1 at t1 (Flash & Hogan 1985).
func jerk(t, t0, t1 float64) float64 {
	if t1 <= t0 {
		if t < t0 {
			return 0
		}
		return 1
	}
	x := (t - t0) / (t1 - t0)
	switch {
	case x <= 0:
		return 0
	case x >= 1:
		return 1
	}
	return x * x * x * (10 + x*(-15+6*x))
}

// jerkAt is jerk with time bent so that half the way is done at the fraction
// mid of the duration (0.5 = plain). Useful between 0.4 and 0.75.
func jerkAt(t, t0, t1, mid float64) float64 {
	x := (t - t0) / (t1 - t0)
	switch {
	case x <= 0:
		return 0
	case x >= 1:
		return 1
	}
	x = math.Pow(x, math.Log(0.5)/math.Log(mid))
	return x * x * x * (10 + x*(-15+6*x))
}

// jerkInverse is the fraction of the duration at which jerk has done the share y.
func jerkInverse(y float64) float64 {
	lo, hi := 0.0, 1.0
	for range 50 {
		m := (lo + hi) / 2
		if jerk(m, 0, 1) < y {
			lo = m
		} else {
			hi = m
		}
	}
	return (lo + hi) / 2
}

// hump rises from 0 at t0 to 1 at tp and falls to 0 at t1.
func hump(t, t0, tp, t1 float64) float64 { return jerk(t, t0, tp) * (1 - jerk(t, tp, t1)) }

func clamp(x, lo, hi float64) float64 { return math.Max(lo, math.Min(hi, x)) }

// softMin is a smooth minimum that departs from min(a, b) within about w of equality.
func softMin(a, b, w float64) float64 {
	d := a - b
	return (a + b - math.Sqrt(d*d+w*w)) / 2
}
