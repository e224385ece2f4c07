package kinematics

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.9g, want %.9g ± %g", what, got, want, tol)
	}
}

func nearAll(t *testing.T, what string, got, want []float64, tol float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%s: %d values, want %d", what, len(got), len(want))
	}
	for i := range want {
		if !(math.Abs(got[i]-want[i]) <= tol) {
			t.Errorf("%s[%d] = %.9g, want %.9g ± %g", what, i, got[i], want[i], tol)
		}
	}
}

// Coefficients of Winter, Biomechanics and Motor Control of Human Movement: the
// uncorrected row is that book's example for a ratio of 10 (from memory); the
// digits of all rows were computed with scipy 1.10.1 (signal.butter with the
// cut-off that the corrected warped frequency stands for).
func TestButterworthCoefficients(t *testing.T) {
	for _, c := range []struct {
		cutoffHz, sampleHz float64
		passes             int
		want               [5]float64
	}{
		{6, 60, 1, [5]float64{0.067455274, 0.134910548, 0.067455274, 1.142980503, -0.412801598}},
		{6, 60, 2, [5]float64{0.094446744, 0.188893488, 0.094446744, 0.962641309, -0.340428284}},
		{6, 120, 2, [5]float64{0.029569075, 0.059138149, 0.029569075, 1.458103860, -0.576380159}},
		{6, 240, 2, [5]float64{0.008380648, 0.016761296, 0.008380648, 1.724850923, -0.758373516}},
		{10, 120, 2, [5]float64{0.070431042, 0.140862085, 0.070431042, 1.121841358, -0.403565528}},
		{6, 30, 2, [5]float64{0.264493773, 0.528987547, 0.264493773, 0.115976527, -0.173951620}},
	} {
		f, err := Butterworth(c.cutoffHz, c.sampleHz, c.passes)
		if err != nil {
			t.Fatal(err)
		}
		nearAll(t, "coefficients", []float64{f.A0, f.A1, f.A2, f.B1, f.B2}, c.want[:], 1e-8)
		near(t, "gain at 0 Hz", f.Gain(0, c.sampleHz), 1, 1e-12)
	}
}

// Two-pass gains computed with scipy 1.10.1. Dividing the cut-off itself by the
// correction would give 0.722877 at 6 of 60 Hz and 0.779071 at 6 of 30 Hz.
func TestButterworthGain(t *testing.T) {
	f, _ := Butterworth(6, 60, 2)
	for hz, want := range map[float64]float64{2: 0.995485, 6: 0.707107, 12: 0.088064} {
		near(t, "two-pass gain", math.Pow(f.Gain(hz, 60), 2), want, 1e-6)
	}
	near(t, "single-pass gain at the cut-off", f.Gain(6, 60), 0.840896, 1e-6)
	for _, fs := range []float64{24, 30, 59.94, 120, 240, 1000} {
		for _, fc := range []float64{1, 6, 11} {
			f, err := Butterworth(fc, fs, 2)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "two-pass gain at the cut-off", math.Pow(f.Gain(fc, fs), 2), math.Sqrt(0.5), 1e-9)
		}
	}
}

// Computed with scipy 1.10.1 (signal.lfilter, zero state).
func TestButterworthOnce(t *testing.T) {
	f, _ := Butterworth(6, 60, 2)
	nearAll(t, "step", f.Once([]float64{0, 0, 1, 1, 1, 1, 1, 1}),
		[]float64{0, 0, 0.094446744, 0.374258569, 0.705911391, 0.929918238, 1.032652482, 1.055290442}, 1e-8)
}

func TestZeroLagKeepsLinesAndTime(t *testing.T) {
	f, _ := Butterworth(6, 60, 2)
	line := make([]float64, 80)
	for i := range line {
		line[i] = 3 - 0.7*float64(i)
	}
	y, err := f.ZeroLag(line)
	if err != nil {
		t.Fatal(err)
	}
	nearAll(t, "line", y, line, 2e-3) // what is left of the state at rest before a slope

	// A symmetric pulse stays where it is: no delay, and its mirror gives the mirrored answer.
	pulse := make([]float64, 101)
	for i := range pulse {
		pulse[i] = math.Exp(-math.Pow(float64(i-50)/6, 2))
	}
	y, _ = f.ZeroLag(pulse)
	for i := range y {
		near(t, "mirror", y[i], y[len(y)-1-i], 1e-6)
	}
	// 3 Hz in the middle of 4 s: amplitude as the gain says, phase nil.
	wave := make([]float64, 240)
	for i := range wave {
		wave[i] = math.Sin(2 * math.Pi * 3 * float64(i) / 60)
	}
	y, _ = f.ZeroLag(wave)
	g := math.Pow(f.Gain(3, 60), 2)
	for i := 60; i < 180; i++ {
		near(t, "wave", y[i], g*wave[i], 1e-3)
	}
}

func TestButterworthRefuses(t *testing.T) {
	for _, c := range [][2]float64{{0, 60}, {30, 60}, {-1, 60}, {math.NaN(), 60}, {6, math.NaN()}, {6, math.Inf(1)}} {
		if _, err := Butterworth(c[0], c[1], 2); !errors.Is(err, ErrInput) {
			t.Errorf("cut-off %g at %g: error %v, want ErrInput", c[0], c[1], err)
		}
	}
	f, _ := Butterworth(6, 60, 2)
	if _, err := f.ZeroLag([]float64{1, math.NaN(), 2}); !errors.Is(err, ErrInput) {
		t.Errorf("NaN: error %v, want ErrInput", err)
	}
}

// Residual analysis as in Winter: a synthetic record of 0.3·sin(2π·1.5t) + 0.05·sin(2π·5t)
// with noise of 0.002. The line through the residuals from 15 Hz on meets 0 Hz at the
// noise (0.002030 for one record of numpy 1.24.2's generator; here the mean of several of our own).
func TestResidualAnalysisFindsNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	var mean float64
	const records = 20
	for range records {
		x := make([]float64, 240)
		for i := range x {
			s := float64(i) / 120
			x[i] = 0.3*math.Sin(2*math.Pi*1.5*s) + 0.05*math.Sin(2*math.Pi*5*s) + 0.002*rng.NormFloat64()
		}
		var n, sf, sr, sff, sfr float64
		for fc := 15.0; fc <= 25.5; fc += 0.5 {
			f, _ := Butterworth(fc, 120, 2)
			y, err := f.ZeroLag(x)
			if err != nil {
				t.Fatal(err)
			}
			var r float64
			for i := range x {
				r += (x[i] - y[i]) * (x[i] - y[i])
			}
			r = math.Sqrt(r / float64(len(x)))
			n, sf, sr, sff, sfr = n+1, sf+fc, sr+r, sff+fc*fc, sfr+fc*r
		}
		slope := (n*sfr - sf*sr) / (n*sff - sf*sf)
		mean += (sr - slope*sf) / n / records
	}
	near(t, "intercept", mean, 0.002, 0.0001)
}

// Savitzky & Golay 1964, Analytical Chemistry 36, with Steinier's corrections; the
// same from scipy 1.10.1 (signal.savgol_coeffs, use='dot').
func TestSavGolCoefficients(t *testing.T) {
	for _, c := range []struct {
		window, order, deriv int
		over                 float64
		want                 []float64
	}{
		{5, 2, 0, 35, []float64{-3, 12, 17, 12, -3}},
		{7, 2, 0, 21, []float64{-2, 3, 6, 7, 6, 3, -2}},
		{9, 2, 0, 231, []float64{-21, 14, 39, 54, 59, 54, 39, 14, -21}},
		{7, 4, 0, 231, []float64{5, -30, 75, 131, 75, -30, 5}},
		{5, 2, 1, 10, []float64{-2, -1, 0, 1, 2}},
		{5, 4, 1, 12, []float64{1, -8, 0, 8, -1}},
		{5, 2, 2, 7, []float64{2, -1, -2, -1, 2}},
	} {
		got, err := SavGolCoefficients(c.window, c.order, c.deriv)
		if err != nil {
			t.Fatal(err)
		}
		for i := range got {
			got[i] *= c.over
		}
		nearAll(t, "coefficients", got, c.want, 1e-9)
	}
}

func TestSavGol(t *testing.T) {
	y, err := SavGol([]float64{2, 4, 7, 3, 1}, 5, 2, 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "middle", y[2], 194.0/35, 1e-9) // by hand from the published coefficients
	sq := []float64{1, 4, 9, 16, 25}
	for deriv, want := range []float64{9, 6, 2} {
		y, _ := SavGol(sq, 5, 2, deriv, 1)
		near(t, "squares", y[2], want, 1e-9)
	}
	// A cubic is exact everywhere, ends too, whatever the step.
	x := make([]float64, 30)
	const dt = 1.0 / 59.94
	p := func(s float64) (v, d float64) { return 2 - 3*s + 5*s*s - 40*s*s*s, -3 + 10*s - 120*s*s }
	for i := range x {
		x[i], _ = p(float64(i) * dt)
	}
	v, _ := SavGol(x, 9, 3, 0, dt)
	d, _ := SavGol(x, 9, 3, 1, dt)
	for i := range x {
		wv, wd := p(float64(i) * dt)
		near(t, "cubic", v[i], wv, 1e-9)
		near(t, "slope of a cubic", d[i], wd, 1e-7)
	}
	if _, err := SavGol(x[:5], 7, 2, 0, dt); !errors.Is(err, ErrInput) {
		t.Errorf("too short: error %v, want ErrInput", err)
	}
	if _, err := SavGolCoefficients(6, 2, 0); !errors.Is(err, ErrInput) {
		t.Errorf("even window: error %v, want ErrInput", err)
	}
}

func TestLocalPolynomial(t *testing.T) {
	// On even times it is Savitzky–Golay.
	at := []float64{0, 1, 2, 3, 4}
	v, s, err := LocalPolynomial(at, []float64{2, 4, 7, 3, 1}, []float64{1, 1, 1, 1, 1}, 2, 2.5, 2, 0)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "value", v, 194.0/35, 1e-9)
	near(t, "sigma", s, math.Sqrt(17.0/35), 1e-9) // noise gain of the filter = its middle weight (Savitzky & Golay)
	// On uneven times, with a gap, a parabola is exact between samples.
	rng := rand.New(rand.NewPCG(3, 4))
	var ts, xs []float64
	for s := 0.0; s < 1; s += 0.005 + 0.02*rng.Float64() {
		ts, xs = append(ts, s), append(xs, 1+2*s-7*s*s)
	}
	xs[7] = math.NaN()
	for s := 0.1; s < 0.9; s += 0.037 {
		v, _, err := LocalPolynomial(ts, xs, nil, s, 0.1, 2, 0)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "parabola", v, 1+2*s-7*s*s, 1e-9)
		d, _, _ := LocalPolynomial(ts, xs, nil, s, 0.1, 2, 1)
		near(t, "slope", d, 2-14*s, 1e-8)
	}
	if v, _, err := LocalPolynomial(ts, xs, nil, 3, 0.1, 2, 0); !errors.Is(err, ErrInput) || !math.IsNaN(v) {
		t.Errorf("nothing in reach: %g, %v; want NaN and ErrInput", v, err)
	}
}

func FuzzLocalPolynomial(f *testing.F) {
	f.Add(0.0, 0.1, 0.1, 1.0, 2.0, 3.0, 0.05, 0.2, 1, 0)
	f.Add(0.0, 0.0, 0.0, 1.0, math.Inf(1), math.NaN(), 0.05, 0.2, 2, 1)
	f.Fuzz(func(t *testing.T, t0, t1, t2, x0, x1, x2, at, half float64, order, deriv int) {
		order, deriv = order%5, deriv%5
		v, s, err := LocalPolynomial([]float64{t0, t1, t2}, []float64{x0, x1, x2}, []float64{1, 1, 1}, at, half, order, deriv)
		if err != nil && (!math.IsNaN(v) || s != 0) {
			t.Errorf("error %v together with value %g ± %g", err, v, s)
		}
	})
}
