package kinematics

import (
	"fmt"
	"math"
)

// Derivative is the first derivative of samples at any times, per second: the
// slope at each inner sample of the parabola through it and its neighbours
// (for even times the central difference), and the one-sided slope at both ends.
//
//	timesS  s, strictly increasing, length ≥ 2
//	x       same length; NaN makes its neighbours' derivatives NaN
//
// Noise of standard uncertainty σ in x becomes about σ/(√2·dt) in the result: a
// higher frame rate makes it worse, so smooth first.
func Derivative(timesS, x []float64) ([]float64, error) {
	n := len(x)
	if n < 2 || len(timesS) != n {
		return nil, fmt.Errorf("%w: %d samples at %d times; want two or more of both", ErrInput, n, len(timesS))
	}
	for i := 1; i < n; i++ {
		if !(timesS[i] > timesS[i-1]) {
			return nil, fmt.Errorf("%w: time %d (%g s) does not come after time %d (%g s)", ErrInput, i, timesS[i], i-1, timesS[i-1])
		}
	}
	d := make([]float64, n)
	d[0] = (x[1] - x[0]) / (timesS[1] - timesS[0])
	d[n-1] = (x[n-1] - x[n-2]) / (timesS[n-1] - timesS[n-2])
	for i := 1; i < n-1; i++ {
		h0, h1 := timesS[i]-timesS[i-1], timesS[i+1]-timesS[i]
		d[i] = (h0*(x[i+1]-x[i])/h1 + h1*(x[i]-x[i-1])/h0) / (h0 + h1)
	}
	return d, nil
}

// ParabolicPeak is the top (or bottom) of the parabola through three evenly
// spaced samples: its offset from the middle one, in samples, and its value.
// Where the three lie on a line, or the middle one is not the extreme, the
// middle sample is returned.
func ParabolicPeak(before, middle, after float64) (offset, value float64) {
	curve := before - 2*middle + after
	if curve == 0 || math.IsNaN(curve) {
		return 0, middle
	}
	offset = (before - after) / (2 * curve)
	if math.Abs(offset) > 1 {
		return 0, middle
	}
	return offset, middle - (before-after)*offset/4
}

// Crossing is the time at which the line between two samples meets the level; NaN if it does not.
func Crossing(t0S, x0, t1S, x1, level float64) float64 {
	a, b := x0-level, x1-level
	switch {
	case a == 0:
		return t0S
	case b == 0:
		return t1S
	case (a < 0) == (b < 0) || math.IsNaN(a) || math.IsNaN(b):
		return math.NaN()
	}
	return t0S + (t1S-t0S)*a/(a-b)
}

// Interpolate is the value at atS on the straight lines between samples; NaN
// outside of the samples' times or beside a NaN.
func Interpolate(timesS, x []float64, atS float64) float64 {
	n := len(timesS)
	if n == 0 || len(x) != n || !(atS >= timesS[0]) || !(atS <= timesS[n-1]) {
		return math.NaN()
	}
	lo, hi := 0, n-1
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; timesS[mid] <= atS {
			lo = mid
		} else {
			hi = mid
		}
	}
	if atS == timesS[lo] {
		return x[lo]
	}
	if atS == timesS[hi] {
		return x[hi]
	}
	f := (atS - timesS[lo]) / (timesS[hi] - timesS[lo])
	return x[lo] + f*(x[hi]-x[lo])
}

// IntervalSigma is the standard uncertainty of the time between two events that
// were each rounded to a frame independently: dt/√6. The worst case is dt.
func IntervalSigma(frameIntervalS float64) float64 { return frameIntervalS / math.Sqrt(6) }

// InstantSigma is the standard uncertainty of one event rounded to a frame: dt/√12.
func InstantSigma(frameIntervalS float64) float64 { return frameIntervalS / math.Sqrt(12) }
