package smooth

import "math"

// State of one coordinate: position, speed, acceleration, correlated noise.
const dim = 4

type (
	vec [dim]float64
	mat [dim][dim]float64
)

// kalman is a forward filter and backward smoother (modified
// Bryson–Frazier form: no matrix is inverted) of two coordinates that share
// their covariances. Leave-one-out residuals as in de Jong 1988, Biometrika
// 75:594–600.
type kalman struct {
	x, y  []float64 // smoothed position
	speed []float64 // smoothed speed
	varP  []float64 // variance of the position, each coordinate
	chi   []float64 // squared leave-one-out residual ÷ its variance, both coordinates together
	off   []float64 // leave-one-out residual, distance

	fx, fy []vec // filtered states
	cov    []mat // filtered covariances
	trans  []mat // from the frame before to this one
	gain   []vec
	innX   []float64
	innY   []float64
	innVar []float64
}

func (k *kalman) size(n int) {
	if len(k.x) == n {
		return
	}
	f := func() []float64 { return make([]float64, n) }
	k.x, k.y, k.speed, k.varP, k.chi, k.off = f(), f(), f(), f(), f(), f()
	k.innX, k.innY, k.innVar = f(), f(), f()
	k.fx, k.fy, k.gain = make([]vec, n), make([]vec, n), make([]vec, n)
	k.cov, k.trans = make([]mat, n), make([]mat, n)
}

// singer is the transition over dt and the covariance that it adds, for
// accelerations of standard deviation acc that last accS, and correlated noise
// of standard deviation noise that lasts noiseS.
func singer(dt, acc, accS, noise, noiseS float64) (f, q mat) {
	alpha := 1 / accS
	drive := func(s float64) [3]float64 { // answer of position, speed, acceleration to a kick s ago
		e := math.Exp(-alpha * s)
		return [3]float64{(alpha*s - 1 + e) / (alpha * alpha), (1 - e) / alpha, e}
	}
	d := drive(dt)
	f = mat{{1, dt, d[0], 0}, {0, 1, d[1], 0}, {0, 0, d[2], 0}, {0, 0, 0, math.Exp(-dt / noiseS)}}
	// Gauss–Legendre, three points: exact to the fifth power of dt/accS.
	for _, g := range [3][2]float64{{0.1127016653792583, 5.0 / 18}, {0.5, 8.0 / 18}, {0.8872983346207417, 5.0 / 18}} {
		h := drive(g[0] * dt)
		w := g[1] * dt * 2 * alpha * acc * acc
		for r := range 3 {
			for c := range 3 {
				q[r][c] += w * h[r] * h[c]
			}
		}
	}
	q[3][3] = noise * noise * (1 - f[3][3]*f[3][3])
	return f, q
}

// Spread of what is not known at the start, body lengths and seconds.
const startPos, startSpeed = 3.0, 2.0

func (k *kalman) run(s *series, acc []float64, noise noisy, accS float64, o Options) {
	n := len(s.t)
	k.size(n)
	white, corr := noise.white*noise.white, noise.corr
	var x, y vec
	var p mat
	p[0][0], p[1][1], p[2][2], p[3][3] = startPos*startPos, startSpeed*startSpeed, acc[0]*acc[0], corr*corr
	for i := range n {
		if i > 0 {
			f, q := singer(s.t[i]-s.t[i-1], (acc[i]+acc[i-1])/2, accS, corr, o.NoiseCorrS)
			k.trans[i] = f
			x, y = f.apply(x), f.apply(y)
			p = f.sandwich(&p)
			for r := range dim {
				for c := range dim {
					p[r][c] += q[r][c]
				}
			}
		}
		k.innVar[i] = 0
		if s.use[i] {
			// A point with a low score is seen through more noise.
			w := s.weight[i] * s.weight[i]
			rv := white*w + corr*corr*(w-1)
			var ph vec // P·H', H = (1 0 0 1)
			for r := range dim {
				ph[r] = p[r][0] + p[r][3]
			}
			sv := ph[0] + ph[3] + rv
			dx, dy := s.x[i]-x[0]-x[3], s.y[i]-y[0]-y[3]
			var g vec
			for r := range dim {
				g[r] = ph[r] / sv
				x[r] += g[r] * dx
				y[r] += g[r] * dy
			}
			for r := range dim {
				for c := range dim {
					p[r][c] -= g[r] * ph[c]
				}
			}
			k.gain[i], k.innX[i], k.innY[i], k.innVar[i] = g, dx, dy, sv
		}
		k.fx[i], k.fy[i], k.cov[i] = x, y, p
	}
	k.back(n)
}

// back runs the adjoint variables from the end: lx, ly and big are λ and Λ
// after frame i.
func (k *kalman) back(n int) {
	var lx, ly vec
	var big mat
	for i := n - 1; i >= 0; i-- {
		p := &k.cov[i]
		sx, sy := k.fx[i], k.fy[i]
		px, py := p.apply(lx), p.apply(ly)
		k.x[i], k.y[i] = sx[0]-px[0], sy[0]-py[0]
		k.speed[i] = math.Hypot(sx[1]-px[1], sy[1]-py[1])
		v := p[0][0]
		for r := range dim {
			for c := range dim {
				v -= p[0][r] * big[r][c] * p[c][0]
			}
		}
		k.varP[i] = math.Max(v, 1e-12)
		k.chi[i], k.off[i] = 0, 0
		if sv := k.innVar[i]; sv > 0 {
			g := k.gain[i]
			ux, uy, d := k.innX[i]/sv+dot(g, lx), k.innY[i]/sv+dot(g, ly), 1/sv+dot(g, big.apply(g))
			k.chi[i] = (ux*ux + uy*uy) / d
			k.off[i] = math.Hypot(ux, uy) / d
			// λ ← C'λ − H'e/S, Λ ← C'ΛC + H'H/S, with C = I − g·H
			gx, gy := dot(g, lx), dot(g, ly)
			for _, h := range [2]int{0, 3} {
				lx[h] -= gx + k.innX[i]/sv
				ly[h] -= gy + k.innY[i]/sv
			}
			var c mat
			for r := range dim {
				c[r][r] = 1
				c[r][0] -= g[r]
				c[r][3] -= g[r]
			}
			ct := c.transposed()
			big = ct.sandwich(&big)
			for _, a := range [2]int{0, 3} {
				for _, b := range [2]int{0, 3} {
					big[a][b] += 1 / sv
				}
			}
		}
		if i > 0 {
			ft := k.trans[i].transposed()
			lx, ly = ft.apply(lx), ft.apply(ly)
			big = ft.sandwich(&big)
		}
	}
}

// worst is the point that its neighbours deny most; −1 if none is an outlier.
func (k *kalman) worst(s *series) int {
	w := -1
	for i := range k.chi {
		if s.use[i] && k.chi[i] > outlierChi && k.off[i] > outlierBL && (w < 0 || k.chi[i] > k.chi[w]) {
			w = i
		}
	}
	return w
}

func (m *mat) apply(v vec) (out vec) {
	for r := range dim {
		for c := range dim {
			out[r] += m[r][c] * v[c]
		}
	}
	return out
}

// sandwich is m·p·mᵀ.
func (m *mat) sandwich(p *mat) (out mat) {
	var mp mat
	for r := range dim {
		for c := range dim {
			var s float64
			for q := range dim {
				s += m[r][q] * p[q][c]
			}
			mp[r][c] = s
		}
	}
	for r := range dim {
		for c := range dim {
			var s float64
			for q := range dim {
				s += mp[r][q] * m[c][q]
			}
			out[r][c] = s
		}
	}
	return out
}

func (m *mat) transposed() (out mat) {
	for r := range dim {
		for c := range dim {
			out[r][c] = m[c][r]
		}
	}
	return out
}

func dot(a, b vec) (s float64) {
	for i := range a {
		s += a[i] * b[i]
	}
	return s
}
