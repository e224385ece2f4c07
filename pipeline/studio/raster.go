package studio

import "math"

// canvas collects the subframes of one exposure. Pixels are rows from the top.
type canvas struct {
	w, h   int
	z      []float32 // 1/depth of the nearest surface; 0 = nothing
	col    []rgb
	acc    []rgb     // sum over subframes
	cover  []float32 // share of subframes with something there
	shadow []float32

	// Touched region of the present subframe, and of the whole exposure.
	x0, y0, x1, y1 int
	X0, Y0, X1, Y1 int
}

func newCanvas(w, h int) *canvas {
	n := w * h
	return &canvas{w: w, h: h, z: make([]float32, n), col: make([]rgb, n), acc: make([]rgb, n), cover: make([]float32, n), shadow: make([]float32, n), X0: w, Y0: h, x0: w, y0: h}
}

// begin clears what the last exposure left.
func (c *canvas) begin() {
	for y := c.Y0; y < c.Y1; y++ {
		a, b := y*c.w+c.X0, y*c.w+c.X1
		clear(c.acc[a:b])
		clear(c.cover[a:b])
	}
	c.X0, c.Y0, c.X1, c.Y1 = c.w, c.h, 0, 0
}

// light is how surfaces are lit: direction to the lamp, its strength, and the
// strength of light from all round.
type light struct {
	dir          Vec
	key, ambient float32
	tint         rgb
}

// screen is a mesh after projection and lighting.
type screen struct {
	x, y   []float64
	iz     []float32 // 1/depth; −1 = behind the camera
	c      []rgb
	facing []bool
	tri    [][3]int32
}

// project places and lights a mesh.
func (s *screen) project(m *mesh, v *view, l *light) {
	s.x, s.y, s.iz, s.c, s.facing = s.x[:0], s.y[:0], s.iz[:0], s.c[:0], s.facing[:0]
	s.tri = append(s.tri[:0], m.tri...)
	for i := range m.v {
		q := &m.v[i]
		x, y, d := v.project(q.p)
		if d < 0.2 {
			s.x, s.y, s.iz, s.c, s.facing = append(s.x, 0), append(s.y, 0), append(s.iz, -1), append(s.c, rgb{}), append(s.facing, false)
			continue
		}
		s.x, s.y, s.iz = append(s.x, x), append(s.y, y), append(s.iz, float32(1/d))
		eye := v.eye.sub(q.p).unit()
		out := q.n.dot(eye)
		s.facing = append(s.facing, out > -0.15)
		if out < -0.5 { // no triangle that is drawn has this corner
			s.c = append(s.c, rgb{})
			continue
		}
		lam := q.n.dot(l.dir)
		wrap := float32(math.Max(0, (lam+0.25)/1.25))
		sky := float32(0.5 + 0.5*q.n.Z)
		rim := float32(1 - math.Abs(out))
		k := l.ambient*(0.55+0.45*sky)*(1-0.25*rim) + l.key*wrap
		var spec float32
		if hv := l.dir.add(eye).unit().dot(q.n); hv > 0 {
			h2 := float32(hv * hv)
			h8 := h2 * h2 * h2 * h2
			spec = 0.06 * l.key * h8 * h8
		}
		s.c = append(s.c, rgb{q.c.r*k*l.tint.r + spec, q.c.g*k*l.tint.g + spec, q.c.b*k*l.tint.b + spec})
	}
}

// roll moves each corner to where the row that shows it sees it: s is the middle row's time, early and late those of the
// first and the last row of a picture of the given height.
func (s *screen) roll(early, late *screen, height float64) {
	for i := range s.x {
		if s.iz[i] < 0 || early.iz[i] < 0 || late.iz[i] < 0 {
			continue
		}
		y := s.y[i]
		var a, b, c float64
		for range 3 {
			u := 2*clamp(y/height, 0, 1) - 1
			a, b, c = u*(u-1)/2, 1-u*u, u*(u+1)/2
			y = a*early.y[i] + b*s.y[i] + c*late.y[i]
		}
		s.x[i], s.y[i] = a*early.x[i]+b*s.x[i]+c*late.x[i], y
	}
}

// fill rasterises into the present subframe, shifted by (dx, dy) px.
func (c *canvas) fill(s *screen, dx, dy float64) {
	for _, t := range s.tri {
		a, b, e := t[0], t[1], t[2]
		if !s.facing[a] && !s.facing[b] && !s.facing[e] || s.iz[a] < 0 || s.iz[b] < 0 || s.iz[e] < 0 {
			continue
		}
		c.triangle(s, a, b, e, dx, dy)
	}
}

func (c *canvas) triangle(s *screen, i0, i1, i2 int32, dx, dy float64) {
	x0, y0, x1, y1, x2, y2 := s.x[i0]+dx, s.y[i0]+dy, s.x[i1]+dx, s.y[i1]+dy, s.x[i2]+dx, s.y[i2]+dy
	area := (x1-x0)*(y2-y0) - (x2-x0)*(y1-y0)
	if area == 0 {
		return
	}
	if area < 0 {
		x1, y1, x2, y2 = x2, y2, x1, y1
		i1, i2 = i2, i1
		area = -area
	}
	lx, hx := int(math.Ceil(min(x0, x1, x2)-0.5)), int(math.Floor(max(x0, x1, x2)-0.5))
	ly, hy := int(math.Ceil(min(y0, y1, y2)-0.5)), int(math.Floor(max(y0, y1, y2)-0.5))
	lx, ly, hx, hy = max(lx, 0), max(ly, 0), min(hx, c.w-1), min(hy, c.h-1)
	if lx > hx || ly > hy {
		return
	}
	c.x0, c.y0, c.x1, c.y1 = min(c.x0, lx), min(c.y0, ly), max(c.x1, hx+1), max(c.y1, hy+1)
	inv := 1 / area
	px, py := float64(lx)+0.5, float64(ly)+0.5
	w0 := ((x1-px)*(y2-py) - (x2-px)*(y1-py)) * inv
	w1 := ((x2-px)*(y0-py) - (x0-px)*(y2-py)) * inv
	dw0x, dw0y := (y1-y2)*inv, (x2-x1)*inv
	dw1x, dw1y := (y2-y0)*inv, (x0-x2)*inv
	z0, z1, z2 := s.iz[i0], s.iz[i1], s.iz[i2]
	c0, c1, c2 := s.c[i0], s.c[i1], s.c[i2]
	const eps = -1e-9
	for y := ly; y <= hy; y++ {
		a, b := w0, w1
		row := y * c.w
		for x := lx; x <= hx; x++ {
			g := 1 - a - b
			if a >= eps && b >= eps && g >= eps {
				fa, fb, fg := float32(a), float32(b), float32(g)
				z := fa*z0 + fb*z1 + fg*z2
				if z > c.z[row+x] {
					c.z[row+x] = z
					c.col[row+x] = rgb{fa*c0.r + fb*c1.r + fg*c2.r, fa*c0.g + fb*c1.g + fg*c2.g, fa*c0.b + fb*c1.b + fg*c2.b}
				}
			}
			a += dw0x
			b += dw1x
		}
		w0 += dw0y
		w1 += dw1y
	}
}

// endSub adds the present subframe with a weight and clears it.
func (c *canvas) endSub(weight float32) {
	for y := c.y0; y < c.y1; y++ {
		for i := y*c.w + c.x0; i < y*c.w+c.x1; i++ {
			if c.z[i] > 0 {
				q := c.col[i]
				c.acc[i].r += q.r * weight
				c.acc[i].g += q.g * weight
				c.acc[i].b += q.b * weight
				c.cover[i] += weight
				c.z[i] = 0
			}
		}
	}
	c.X0, c.Y0, c.X1, c.Y1 = min(c.X0, c.x0), min(c.Y0, c.y0), max(c.X1, c.x1), max(c.Y1, c.y1)
	c.x0, c.y0, c.x1, c.y1 = c.w, c.h, 0, 0
}
