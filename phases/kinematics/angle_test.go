package kinematics

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Worked by hand (difference of two atan2) to six digits.
func TestFlexion(t *testing.T) {
	near(t, "knee", Flexion2Deg(Vec2{100, 200}, Vec2{120, 260}, Vec2{110, 320}), 27.897271, 1e-6)
	near(t, "straight", Flexion2Deg(Vec2{0, 0}, Vec2{1, 2}, Vec2{3, 6}), 0, 1e-9)
	near(t, "right angle", Flexion2Deg(Vec2{0, 0}, Vec2{1, 0}, Vec2{1, 1}), 90, 1e-9)
	near(t, "folded", Flexion2Deg(Vec2{0, 0}, Vec2{1, 0}, Vec2{0, 0}), 180, 1e-9)
	near(t, "in space", Flexion3Deg(Vec3{0, 0, 0}, Vec3{0, 0, 1}, Vec3{0, 1, 2}), 45, 1e-9)
	if v := Flexion2Deg(Vec2{1, 1}, Vec2{1, 1}, Vec2{2, 3}); !math.IsNaN(v) {
		t.Errorf("two equal points: %g, want NaN", v)
	}
}

func TestFlexionIsRigid(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for range 200 {
		p := func() Vec2 { return Vec2{rng.NormFloat64(), rng.NormFloat64()} }
		a, b, c := p(), p(), p()
		want := Flexion2Deg(a, b, c)
		s, co := math.Sincos(rng.Float64() * 7)
		k := 0.1 + 5*rng.Float64()
		move := func(v Vec2) Vec2 { return Vec2{k*(co*v.X-s*v.Y) + 3, -(k*(s*v.X+co*v.Y) - 8)} } // turn, scale, mirror, shift
		near(t, "flexion after a move", Flexion2Deg(move(a), move(b), move(c)), want, 1e-7)
		near(t, "the other way round", Flexion2Deg(c, b, a), want, 1e-9)
	}
}

// First-order propagation; Monte Carlo with numpy 1.24.2 gave 3.50, 5.81 and 11.67.
func TestFlexionSigma(t *testing.T) {
	for _, c := range [][3]float64{{3, 120, 3.489}, {5, 120, 5.814}, {5, 60, 11.629}} {
		s, l := c[0], c[1]
		near(t, "sigma", FlexionSigmaDeg(s, s, s, l, l, 15), c[2], 1e-3)
	}
	// Unequal segments and noises against our own Monte Carlo.
	rng := rand.New(rand.NewPCG(7, 8))
	a, b := Vec2{0, 0}, Vec2{0, 100}
	bend := 40 * math.Pi / 180
	c := Vec2{60 * math.Sin(bend), 100 + 60*math.Cos(bend)}
	const sa, sb, sc, n = 1.0, 2.0, 1.5, 20000
	var sum, sum2 float64
	noisy := func(v Vec2, s float64) Vec2 { return Vec2{v.X + s*rng.NormFloat64(), v.Y + s*rng.NormFloat64()} }
	for range n {
		d := Flexion2Deg(noisy(a, sa), noisy(b, sb), noisy(c, sc)) - 40
		sum, sum2 = sum+d, sum2+d*d
	}
	near(t, "sigma of unequal segments", FlexionSigmaDeg(sa, sb, sc, 100, 60, 40), math.Sqrt(sum2/n-sum*sum/n/n), 0.06)
}

// Exact projection of a thigh that stands upright, to two digits.
func TestForeshortening(t *testing.T) {
	for _, c := range []struct{ deg, yaw, seen float64 }{
		{40, 10, 39.57},
		{40, 20, 38.26},
		{40, 30, 36.01},
		{40, 45, 30.68},
		{40, 60, 22.76},
		{40, 90, 0},
		{15, 10, 14.78},
		{15, 20, 14.13},
		{15, 30, 13.06},
		{15, 45, 10.73},
		{15, 60, 7.63},
		{15, 90, 0},
	} {
		got := ForeshortenedFlexionDeg(c.deg, c.yaw)
		near(t, "seen", got, c.seen, 0.005)
		if c.yaw < 90 {
			near(t, "undone", UnforeshortenedFlexionDeg(got, c.yaw), c.deg, 1e-9)
		}
		// The same by projecting points.
		d, y := c.deg*math.Pi/180, c.yaw*math.Pi/180
		ankle := Vec2{math.Sin(d) * math.Cos(y), 1 + math.Cos(d)}
		near(t, "projected", Flexion2Deg(Vec2{0, 0}, Vec2{0, 1}, ankle), got, 1e-9)
	}
}

// arccos by hand, to two digits.
func TestTurnFromWidth(t *testing.T) {
	for r, want := range map[float64]float64{1: 0, 0.9: 25.84, 0.5: 60, 0.2: 78.46, 0.95: 18.19, 1.2: 0} {
		near(t, "turn", TurnFromWidthDeg(r, 1), want, 0.005)
	}
	if v := TurnFromWidthDeg(1, 0); !math.IsNaN(v) {
		t.Errorf("no true width: %g, want NaN", v)
	}
}

func TestDirections(t *testing.T) {
	near(t, "foot half open", OpenAngleDeg(0.15, 0.15), 45, 1e-9)
	near(t, "foot at the plate", OpenAngleDeg(0, 1), 0, 1e-9)
	near(t, "foot at the pitcher", OpenAngleDeg(1, 0), 90, 1e-9)
	near(t, "separation", WrapDeg(20-(-15)), 35, 1e-9)
	near(t, "attack angle", AttackAngleDeg(0.30, 0.05), 9.4623, 5e-5) // atan(1/6)
}

func TestWrapAndUnwrap(t *testing.T) {
	near(t, "wrap", WrapDeg(-170-170), 20, 1e-9)
	near(t, "wrap 180", WrapDeg(-180), 180, 1e-9)
	near(t, "wrap 540", WrapDeg(540), 180, 1e-9)
	nearAll(t, "unwrap", UnwrapDeg([]float64{170, 179, -172, -160}), []float64{170, 179, 188, 200}, 1e-9)
	u := UnwrapDeg([]float64{170, math.NaN(), -172})
	if !math.IsNaN(u[1]) {
		t.Errorf("NaN became %g", u[1])
	}
	near(t, "unwrap across NaN", u[2], 188, 1e-9)
}

func FuzzWrap(f *testing.F) {
	f.Add(0.0)
	f.Add(-180.0)
	f.Add(1e9)
	f.Fuzz(func(t *testing.T, deg float64) {
		if math.IsNaN(deg) || math.Abs(deg) > 1e12 {
			t.Skip()
		}
		w := WrapDeg(deg)
		if !(w > -180 && w <= 180) {
			t.Errorf("WrapDeg(%g) = %g", deg, w)
		}
		if d := math.Remainder(w-deg, 360); math.Abs(d) > 1e-3 {
			t.Errorf("WrapDeg(%g) = %g is another direction", deg, w)
		}
	})
}
