package kinematics

import (
	"errors"
	"fmt"
	"math"
)

// ErrInput marks an argument that no result exists for. Test with errors.Is.
var ErrInput = errors.New("bad input")

// LowPass is a second-order low-pass filter in Winter's form,
//
//	y[i] = A0·x[i] + A1·x[i−1] + A2·x[i−2] + B1·y[i−1] + B2·y[i−2]
//
// Mind the sign: B1 and B2 are added. Signal-processing libraries that divide
// by a denominator a = [1, a1, a2] have a1 = −B1 and a2 = −B2.
type LowPass struct{ A0, A1, A2, B1, B2 float64 }

// Butterworth designs a second-order Butterworth low-pass filter that will be
// run over the data a number of times.
//
//	cutoffHz  frequency at which the amplitude after all passes is 1/√2, 0 < cutoffHz < sampleHz/2
//	sampleHz  samples per second, constant
//	passes    1 for a single pass, 2 for forward and back
//
// Each pass damps the cut-off frequency again, so that the filter of one pass
// must be designed wider by C = (2^(1/passes) − 1)^¼. C divides the
// tangent-warped frequency, not cutoffHz itself: dividing cutoffHz passes too
// much where cutoffHz is not small against sampleHz.
//
// It returns ErrInput for a cut-off outside of the range or passes < 1.
//
// Source: Winter, Biomechanics and Motor Control of Human Movement, chapter on
// kinematics; pass correction as there.
func Butterworth(cutoffHz, sampleHz float64, passes int) (LowPass, error) {
	if !(cutoffHz > 0) || !(cutoffHz < sampleHz/2) || math.IsInf(sampleHz, 0) {
		return LowPass{}, fmt.Errorf("%w: cut-off %g Hz at %g samples a second; want 0 < cut-off < half the sample rate", ErrInput, cutoffHz, sampleHz)
	}
	if passes < 1 {
		return LowPass{}, fmt.Errorf("%w: %d passes; want at least 1", ErrInput, passes)
	}
	c := math.Pow(math.Pow(2, 1/float64(passes))-1, 0.25)
	w := math.Tan(math.Pi*cutoffHz/sampleHz) / c
	k1, k2 := math.Sqrt2*w, w*w
	a0 := k2 / (1 + k1 + k2)
	k3 := 2 * a0 / k2
	return LowPass{A0: a0, A1: 2 * a0, A2: a0, B1: -2*a0 + k3, B2: 1 - 2*a0 - k3}, nil
}

// Once runs the filter forward over x from a zero state and returns a new slice
// of the same length. It delays; use ZeroLag to measure.
func (f LowPass) Once(x []float64) []float64 {
	y := make([]float64, len(x))
	var x1, x2, y1, y2 float64
	for i, v := range x {
		y[i] = f.A0*v + f.A1*x1 + f.A2*x2 + f.B1*y1 + f.B2*y2
		x2, x1 = x1, v
		y2, y1 = y1, y[i]
	}
	return y
}

// Gain is the amplitude that one pass leaves of a steady oscillation.
func (f LowPass) Gain(freqHz, sampleHz float64) float64 {
	w := 2 * math.Pi * freqHz / sampleHz
	c1, s1, c2, s2 := math.Cos(w), math.Sin(w), math.Cos(2*w), math.Sin(2*w)
	num := math.Hypot(f.A0+f.A1*c1+f.A2*c2, f.A1*s1+f.A2*s2)
	den := math.Hypot(1-f.B1*c1-f.B2*c2, f.B1*s1+f.B2*s2)
	return num / den
}

// ZeroLag runs the filter forward and back, which cancels the delay and doubles
// the order.
//
//	x  evenly sampled, no NaN, length ≥ 2; not changed
//
// Padding: both ends are continued by their point reflection (2·x[0] − x[i]) over
// a stretch in which a disturbance has died down to 1 in 10,000, or over as much
// as x has, and the state starts at rest at the first padded value. A constant
// and a straight line come out unchanged; near an end an accelerated motion is
// still pulled towards a straight one, so that peaks within about 1/cutoffHz of
// an end are not to be trusted.
//
// Design the filter for two passes. It returns ErrInput for NaN or a shorter x.
func (f LowPass) ZeroLag(x []float64) ([]float64, error) {
	n := len(x)
	if n < 2 {
		return nil, fmt.Errorf("%w: %d samples; want at least 2", ErrInput, n)
	}
	for i, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("%w: sample %d is %g; fill gaps or cut the run there first", ErrInput, i, v)
		}
	}
	// The poles' radius is √(−B2) for complex poles, as Butterworth's are.
	pad := n - 1
	if r := math.Sqrt(math.Abs(f.B2)); r < 1 && r > 0 {
		pad = min(pad, int(math.Ceil(math.Log(1e-4)/math.Log(r))))
	}
	p := make([]float64, 0, n+2*pad)
	for i := pad; i > 0; i-- {
		p = append(p, 2*x[0]-x[i])
	}
	p = append(p, x...)
	for i := 1; i <= pad; i++ {
		p = append(p, 2*x[n-1]-x[n-1-i])
	}
	f.fromRest(p)
	reverse(p)
	f.fromRest(p)
	reverse(p)
	return append([]float64(nil), p[pad:pad+n]...), nil
}

// fromRest filters in place, as if the first value had stood for ever.
func (f LowPass) fromRest(x []float64) {
	x1, x2, y1, y2 := x[0], x[0], x[0], x[0]
	for i, v := range x {
		y := f.A0*v + f.A1*x1 + f.A2*x2 + f.B1*y1 + f.B2*y2
		x2, x1 = x1, v
		y2, y1 = y1, y
		x[i] = y
	}
}

func reverse(x []float64) {
	for i, j := 0, len(x)-1; i < j; i, j = i+1, j-1 {
		x[i], x[j] = x[j], x[i]
	}
}
