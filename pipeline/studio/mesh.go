package studio

import "math"

// rgb is a colour, 0 to 1 a channel, as displayed (not linear light).
type rgb struct{ r, g, b float32 }

func hex(c uint32) rgb {
	return rgb{float32(c>>16&255) / 255, float32(c>>8&255) / 255, float32(c&255) / 255}
}

func (c rgb) times(k float32) rgb { return rgb{c.r * k, c.g * k, c.b * k} }

func (c rgb) mix(d rgb, k float32) rgb {
	return rgb{c.r + (d.r-c.r)*k, c.g + (d.g-c.g)*k, c.b + (d.b-c.b)*k}
}

// vertex is a corner of the mesh in world axes.
type vertex struct {
	p, n Vec
	c    rgb
}

// mesh is a list of triangles.
type mesh struct {
	v   []vertex
	tri [][3]int32
}

func (m *mesh) reset() { m.v, m.tri = m.v[:0], m.tri[:0] }

// ring is one cross-section of a tube: an ellipse with half-axes a along u and b along v.
type ring struct {
	c, u, v Vec
	a, b    float64
	col     rgb
}

// tubeSegs is the number of corners around a tube: a dozen look round at the sizes that are drawn.
const tubeSegs = 12

var tubeCos, tubeSin = func() (c, s [tubeSegs]float64) {
	for i := range tubeSegs {
		s[i], c[i] = math.Sincos(2 * math.Pi * float64(i) / tubeSegs)
	}
	return c, s
}()

// tube joins rings into a skin. Ends stay open unless their radius is near 0.
func (m *mesh) tube(rs []ring) {
	base := len(m.v)
	n := len(rs)
	for i := range rs {
		r := &rs[i]
		for k := range tubeSegs {
			m.v = append(m.v, vertex{p: r.c.plus(r.a*tubeCos[k], r.u).plus(r.b*tubeSin[k], r.v), c: r.col})
		}
	}
	at := func(i, k int) int { return base + i*tubeSegs + (k+tubeSegs)%tubeSegs }
	for i := range rs {
		lo, hi := max(i-1, 0), min(i+1, n-1)
		for k := range tubeSegs {
			v := &m.v[at(i, k)]
			around := m.v[at(i, k+1)].p.sub(m.v[at(i, k-1)].p)
			along := m.v[at(hi, k)].p.sub(m.v[at(lo, k)].p)
			if rs[i].a < 1e-4 { // the tip of a cap
				nb := i + 1
				if i == n-1 {
					nb = i - 1
				}
				v.n = rs[i].c.sub(rs[nb].c).unit()
				continue
			}
			nn := around.cross(along).unit()
			if nn.dot(v.p.sub(rs[i].c)) < 0 {
				nn = nn.mul(-1)
			}
			v.n = nn
		}
	}
	for i := 0; i+1 < n; i++ {
		for k := range tubeSegs {
			a, b, c, d := int32(at(i, k)), int32(at(i, k+1)), int32(at(i+1, k)), int32(at(i+1, k+1))
			m.tri = append(m.tri, [3]int32{a, b, c}, [3]int32{b, d, c})
		}
	}
}

// ellipsoid with half-axes along three perpendicular unit vectors. shape, if
// not nil, scales the cross-section at height −1..1 along w.
func (m *mesh) ellipsoid(c, u, v, w Vec, a, b, h float64, col rgb, shape func(z float64) (ka, kb, fwd float64, col rgb)) {
	n := 11
	if math.Max(a, math.Max(b, h)) < 0.03 { // a feature of the face
		n = 6
	}
	rs := make([]ring, 0, n+1)
	for i := 0; i <= n; i++ {
		z := -math.Cos(math.Pi * float64(i) / float64(n))
		r := math.Sqrt(math.Max(0, 1-z*z))
		q := ring{c: c.plus(z*h, w), u: u, v: v, a: a * r, b: b * r, col: col}
		if shape != nil {
			ka, kb, f, cl := shape(z)
			q.a *= ka
			q.b *= kb
			q.c = q.c.plus(f*b, v)
			q.col = cl
		}
		rs = append(rs, q)
	}
	m.tube(rs)
}

// capsule is a round-ended rod.
func (m *mesh) capsule(p, q Vec, r float64, col rgb) {
	d := q.sub(p)
	w := d.unit()
	if d.norm() < 1e-6 {
		w = Vec{0, 0, 1}
	}
	u := (Vec{0.3, 0.5, 0.81}).orth(w)
	v := w.cross(u)
	rs := make([]ring, 0, 10)
	for _, z := range []float64{-1, -0.8, -0.45, 0} {
		rs = append(rs, ring{c: p.plus(z*r, w), u: u, v: v, a: r * math.Sqrt(1-z*z), b: r * math.Sqrt(1-z*z), col: col})
	}
	for _, z := range []float64{0, 0.45, 0.8, 1} {
		rs = append(rs, ring{c: q.plus(z*r, w), u: u, v: v, a: r * math.Sqrt(1-z*z), b: r * math.Sqrt(1-z*z), col: col})
	}
	m.tube(rs)
}

// station is a place along a limb: bone 0 or 1, share of its length, radius
// (fraction of stature) and colour.
type station struct {
	bone  int
	at    float64
	r     float64
	bulge float64 // toward the reference direction, as a share of r
	col   rgb
}

// limb skins two bones a–b–c, rounding the joint between them.
func (m *mesh) limb(a, b, c, ref Vec, h float64, st []station) {
	d0, d1 := b.sub(a), c.sub(b)
	u0, u1 := d0.unit(), d1.unit()
	rs := make([]ring, 0, len(st))
	for _, s := range st {
		var p, w Vec
		if s.bone == 0 {
			p = a.plus(s.at, d0)
			w = u0.to(u1, 0.5*jerk(s.at, 0.7, 1.3)).unit()
		} else {
			p = b.plus(s.at, d1)
			w = u1.to(u0, 0.5*(1-jerk(s.at, -0.3, 0.3))).unit()
		}
		v := ref.orth(w)
		u := v.cross(w)
		rs = append(rs, ring{c: p.plus(s.bulge*s.r*h, v), u: u, v: v, a: s.r * h, b: s.r * h, col: s.col})
	}
	m.tube(rs)
}
