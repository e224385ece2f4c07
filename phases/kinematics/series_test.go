package kinematics

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

// Arithmetic by hand.
func TestDerivative(t *testing.T) {
	var ts []float64
	for i := range 5 {
		ts = append(ts, float64(i)/60)
	}
	d, err := Derivative(ts, []float64{0, 5, 12, 21, 32})
	if err != nil {
		t.Fatal(err)
	}
	nearAll(t, "central difference", d[1:4], []float64{360, 480, 600}, 1e-9)
	// A parabola's slope is exact at uneven times.
	ts = []float64{0, 0.01, 0.05, 0.06, 0.2}
	x := make([]float64, 5)
	for i, s := range ts {
		x[i] = 4*s*s - s
	}
	d, _ = Derivative(ts, x)
	for i := 1; i < 4; i++ {
		near(t, "slope", d[i], 8*ts[i]-1, 1e-9)
	}
	if _, err := Derivative([]float64{0, 0}, []float64{1, 2}); !errors.Is(err, ErrInput) {
		t.Errorf("repeated time: error %v, want ErrInput", err)
	}
}

// σ/(√2·dt): 5 mm of noise give 0.21, 0.42 and 0.85 m/s at 60, 120 and 240 frames a second.
func TestDerivativeNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for fps, want := range map[float64]float64{60: 0.21, 120: 0.42, 240: 0.85} {
		const n = 20000
		ts, x := make([]float64, n), make([]float64, n)
		for i := range ts {
			ts[i], x[i] = float64(i)/fps, 0.005*rng.NormFloat64()
		}
		d, _ := Derivative(ts, x)
		var s float64
		for _, v := range d[1 : n-1] {
			s += v * v
		}
		near(t, "noise of the derivative", math.Sqrt(s/float64(n-2)), want, 0.012)
	}
}

// By hand: offset 60/280, value 700 + 60·offset/4.
func TestParabolicPeak(t *testing.T) {
	o, v := ParabolicPeak(600, 700, 660)
	near(t, "offset", o, 0.214286, 1e-6)
	near(t, "value", v, 703.2143, 1e-4)
	if o, v := ParabolicPeak(1, 2, 3); o != 0 || v != 2 {
		t.Errorf("straight line: %g, %g; want the middle sample", o, v)
	}
	// The top of any parabola is found exactly.
	rng := rand.New(rand.NewPCG(11, 12))
	for range 100 {
		at, k := rng.Float64()-0.5, 0.1+rng.Float64()
		f := func(x float64) float64 { return 5 - k*(x-at)*(x-at) }
		o, v := ParabolicPeak(f(-1), f(0), f(1))
		near(t, "top at", o, at, 1e-9)
		near(t, "top", v, 5, 1e-9)
	}
}

func TestCrossingAndInterpolate(t *testing.T) {
	near(t, "crossing", Crossing(1, -1, 2, 3, 0), 1.25, 1e-12)
	near(t, "downward", Crossing(0, 10, 1, 0, 2.5), 0.75, 1e-12)
	if v := Crossing(0, 1, 1, 2, 5); !math.IsNaN(v) {
		t.Errorf("no crossing: %g, want NaN", v)
	}
	ts, x := []float64{0, 0.1, 0.4}, []float64{0, 1, 4}
	for _, s := range []float64{0, 0.05, 0.1, 0.3, 0.4} {
		near(t, "interpolated", Interpolate(ts, x, s), 10*s, 1e-12)
	}
	if v := Interpolate(ts, x, 0.5); !math.IsNaN(v) {
		t.Errorf("outside: %g, want NaN", v)
	}
}

// dt/√6: the difference of two independent roundings, each uniform over a frame.
func TestIntervalSigma(t *testing.T) {
	near(t, "240", 1000*IntervalSigma(1.0/240), 1.70, 0.005)
	near(t, "60", 1000*IntervalSigma(1.0/60), 6.80, 0.005)
	near(t, "30", 1000*IntervalSigma(1.0/30), 13.6, 0.05)
	rng := rand.New(rand.NewPCG(13, 14))
	var s float64
	const n = 50000
	for range n {
		a, b := 10*rng.Float64(), 20+10*rng.Float64()
		e := (math.Round(b) - math.Round(a)) - (b - a)
		s += e * e
	}
	near(t, "simulated", math.Sqrt(s/n), IntervalSigma(1), 0.005)
}

// Flight at constant speed, distance over speed (rounded as usually quoted): a check of
// units only; and a bat end seen in two frames at 240 a second, 17 in = 130 px.
func TestSpeedUnits(t *testing.T) {
	const ftM, mphMS = 0.3048, 0.44704 // exact by definition
	for _, c := range [][3]float64{{60.5, 90, 458.3}, {46, 60, 522.7}, {43, 60, 488.6}, {40, 50, 545.5}, {35, 40, 596.6}} {
		near(t, "flight", 1000*c[0]*ftM/(c[1]*mphMS), c[2], 0.05)
	}
	d := Vec2{849, 431}.Sub(Vec2{812, 440}).Norm() * 17 * inchM / 130
	near(t, "bat end", d*240, 30.3553, 1e-4)
}
