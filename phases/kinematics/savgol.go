package kinematics

import (
	"fmt"
	"math"
)

// SavGolCoefficients are the weights that fit a polynomial to a window of evenly
// spaced samples by least squares and give its value, or a derivative, at the
// window's middle.
//
//	window  samples, odd, > order
//	order   degree of the polynomial, ≥ 0
//	deriv   0 for the value, k for the k-th derivative per sample^k, ≤ order
//
// The weights are applied without reversal: y = Σ c[i]·x[i].
//
// Source: Savitzky & Golay 1964, Analytical Chemistry 36(8), 1627–1639; errors
// of its tables corrected by Steinier et al. 1972.
func SavGolCoefficients(window, order, deriv int) ([]float64, error) {
	if err := checkSavGol(window, order, deriv); err != nil {
		return nil, err
	}
	return savGolAt(window, order, deriv, window/2)
}

func checkSavGol(window, order, deriv int) error {
	if order < 0 || window <= order || window%2 == 0 || deriv < 0 || deriv > order {
		return fmt.Errorf("%w: window %d, order %d, derivative %d; want an odd window > order ≥ derivative ≥ 0", ErrInput, window, order, deriv)
	}
	return nil
}

// savGolAt evaluates the fit at sample pos of the window.
func savGolAt(window, order, deriv, pos int) ([]float64, error) {
	t := make([]float64, window)
	for i := range t {
		t[i] = float64(i)
	}
	return polyWeights(t, nil, float64(pos), order, deriv)
}

// SavGol smooths or differentiates evenly spaced samples.
//
//	x       shape (T), no NaN, T ≥ window; not changed
//	window  samples, odd, > order
//	order   degree of the polynomial
//	deriv   0 for the value, k for the k-th derivative
//	stepS   time between samples, s; the result is in units of x per s^deriv
//
// Ends are evaluated on the first and the last full window (no padding).
// A polynomial up to the order comes out exact everywhere.
//
// Source: Savitzky & Golay 1964, Analytical Chemistry 36(8), 1627–1639.
func SavGol(x []float64, window, order, deriv int, stepS float64) ([]float64, error) {
	if err := checkSavGol(window, order, deriv); err != nil {
		return nil, err
	}
	if len(x) < window {
		return nil, fmt.Errorf("%w: %d samples for a window of %d", ErrInput, len(x), window)
	}
	if !(stepS > 0) {
		return nil, fmt.Errorf("%w: step of %g s; want > 0", ErrInput, stepS)
	}
	h, n := window/2, len(x)
	scale := math.Pow(stepS, -float64(deriv))
	y := make([]float64, n)
	var last []float64
	lastPos := -1
	for i := range y {
		pos := h
		if i < h {
			pos = i
		} else if i >= n-h {
			pos = window - (n - i)
		}
		if pos != lastPos {
			c, err := savGolAt(window, order, deriv, pos)
			if err != nil {
				return nil, err
			}
			last, lastPos = c, pos
		}
		for k, c := range last {
			y[i] += c * x[i-pos+k]
		}
		y[i] *= scale
	}
	return y, nil
}

// LocalPolynomial is the Savitzky–Golay idea for samples at any times: it fits a
// polynomial to the samples within halfWidthS of atS by weighted least squares
// and gives its value, or a derivative, at atS.
//
//	timesS      s, strictly increasing
//	x           shape (T); NaN marks a missing sample and is left out
//	sigma       standard uncertainty of each sample, or nil for equal weights
//	atS         s, where to evaluate; may lie between samples
//	halfWidthS  s; samples farther away are not used
//	order       degree of the polynomial
//	deriv       0 for the value, k for the k-th derivative per s^k
//
// It returns the value and its standard uncertainty, which is 0 where sigma is
// nil. It returns ErrInput where fewer than order+1 samples are within reach.
func LocalPolynomial(timesS, x, sigma []float64, atS, halfWidthS float64, order, deriv int) (value, valueSigma float64, err error) {
	if order < 0 || deriv < 0 || deriv > order || len(x) != len(timesS) || (sigma != nil && len(sigma) != len(x)) {
		return math.NaN(), 0, fmt.Errorf("%w: order %d, derivative %d, %d times, %d samples, %d sigmas", ErrInput, order, deriv, len(timesS), len(x), len(sigma))
	}
	var t, v, s []float64
	for i, at := range timesS {
		if math.Abs(at-atS) > halfWidthS || math.IsNaN(x[i]) {
			continue
		}
		if sigma != nil {
			if !(sigma[i] > 0) {
				continue
			}
			s = append(s, sigma[i])
		}
		t, v = append(t, at), append(v, x[i])
	}
	if len(t) <= order {
		return math.NaN(), 0, fmt.Errorf("%w: %d samples within %g s of %g s; want at least %d", ErrInput, len(t), halfWidthS, atS, order+1)
	}
	c, err := polyWeights(t, s, atS, order, deriv)
	if err != nil {
		return math.NaN(), 0, err
	}
	var variance float64
	for i, w := range c {
		value += w * v[i]
		if s != nil {
			variance += w * w * s[i] * s[i]
		}
	}
	return value, math.Sqrt(variance), nil
}

// polyWeights gives the weights w with Σ w[i]·x[i] = the deriv-th derivative at
// "at" of the least-squares polynomial through (t, x), weighted by 1/sigma².
func polyWeights(t, sigma []float64, at float64, order, deriv int) ([]float64, error) {
	m := order + 1
	span := 0.0 // scaled to about ±1, which keeps the normal equations well-conditioned
	for _, v := range t {
		span = math.Max(span, math.Abs(v-at))
	}
	if span == 0 {
		span = 1
	}
	a := make([][]float64, m)
	for r := range a {
		a[r] = make([]float64, m+1)
	}
	pow := func(u float64) []float64 {
		p := make([]float64, m)
		p[0] = 1
		for k := 1; k < m; k++ {
			p[k] = p[k-1] * u
		}
		return p
	}
	weight := func(i int) float64 {
		if sigma == nil {
			return 1
		}
		return 1 / (sigma[i] * sigma[i])
	}
	for i, v := range t {
		p, w := pow((v-at)/span), weight(i)
		for r := range m {
			for c := range m {
				a[r][c] += w * p[r] * p[c]
			}
		}
	}
	// Row deriv of the inverse normal matrix: solve A·z = e_deriv.
	a[deriv][m] = 1
	z, err := solve(a)
	if err != nil {
		return nil, err
	}
	factor := 1.0
	for k := 2; k <= deriv; k++ {
		factor *= float64(k)
	}
	factor /= math.Pow(span, float64(deriv))
	out := make([]float64, len(t))
	for i, v := range t {
		p := pow((v - at) / span)
		for k := range m {
			out[i] += z[k] * p[k]
		}
		out[i] *= factor * weight(i)
	}
	return out, nil
}

// solve does Gaussian elimination with partial pivoting on an m × (m+1) system, in place.
func solve(a [][]float64) ([]float64, error) {
	m := len(a)
	var largest float64
	for r := range a {
		for _, v := range a[r][:m] {
			largest = math.Max(largest, math.Abs(v))
		}
	}
	for c := range m {
		p := c
		for r := c + 1; r < m; r++ {
			if math.Abs(a[r][c]) > math.Abs(a[p][c]) {
				p = r
			}
		}
		if !(math.Abs(a[p][c]) > 1e-13*largest) {
			return nil, fmt.Errorf("%w: the samples do not determine the polynomial", ErrInput)
		}
		a[c], a[p] = a[p], a[c]
		for r := c + 1; r < m; r++ {
			f := a[r][c] / a[c][c]
			for k := c; k <= m; k++ {
				a[r][k] -= f * a[c][k]
			}
		}
	}
	z := make([]float64, m)
	for r := m - 1; r >= 0; r-- {
		z[r] = a[r][m]
		for k := r + 1; k < m; k++ {
			z[r] -= a[r][k] * z[k]
		}
		z[r] /= a[r][r]
	}
	return z, nil
}
