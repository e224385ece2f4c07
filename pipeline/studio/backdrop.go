package studio

import "math"

// backdrop is what stands behind everybody: ground and surroundings of a place.
type backdrop struct {
	place string
	seed  uint32
	light light
	far   float64 // distance from the eye beyond which a near net may hang
}

func newBackdrop(s *Scene) *backdrop {
	b := &backdrop{place: s.Place, seed: uint32(s.Seed*2654435761 + 12345), far: s.Camera.DistanceM + 0.9}
	a := rad(float64(s.Seed%7)*40 - 100)
	switch s.Place {
	case "field":
		b.light = light{dir: Vec{math.Sin(a) * 0.6, math.Cos(a) * 0.6, 0.75}.unit(), key: 0.72, ambient: 0.52, tint: rgb{1.02, 1, 0.95}}
	case "gym":
		b.light = light{dir: Vec{math.Sin(a) * 0.35, math.Cos(a) * 0.35, 0.9}.unit(), key: 0.50, ambient: 0.62, tint: rgb{1.02, 0.99, 0.93}}
	default:
		b.light = light{dir: Vec{math.Sin(a) * 0.5, math.Cos(a) * 0.5, 0.8}.unit(), key: 0.52, ambient: 0.54, tint: rgb{0.99, 1, 1}}
	}
	return b
}

// hash gives 0..1 for a lattice point.
func (b *backdrop) hash(x, y int32) float64 {
	h := uint32(x)*374761393 + uint32(y)*668265263 + b.seed
	h = (h ^ h>>13) * 1274126177
	h ^= h >> 16
	return float64(h&0xffff) / 65535
}

// noise is smooth value noise of two coordinates, 0..1.
func (b *backdrop) noise(x, y float64) float64 {
	fx, fy := math.Floor(x), math.Floor(y)
	ix, iy := int32(fx), int32(fy)
	u, v := x-fx, y-fy
	u, v = u*u*(3-2*u), v*v*(3-2*v)
	a, c := b.hash(ix, iy), b.hash(ix+1, iy)
	d, e := b.hash(ix, iy+1), b.hash(ix+1, iy+1)
	return (a+(c-a)*u)*(1-v) + (d+(e-d)*u)*v
}

func (b *backdrop) fractal(x, y float64) float64 {
	return 0.55*b.noise(x, y) + 0.28*b.noise(2.1*x+7, 2.1*y) + 0.17*b.noise(4.3*x, 4.3*y+3)
}

// mark says how much of a line of half-width w lies at distance d from its middle, softened over px.
func mark(d, w, soft float64) float32 { return float32(clamp((w-math.Abs(d))/soft+0.5, 0, 1)) }

// plateAt says whether a ground point lies on home plate: 17 in wide, its
// point toward the catcher.
func plateAt(x, y float64) bool {
	const w = 0.4318
	u, v := x-plateX, math.Abs(y-plateY) // u: from the front edge (+) to the point (−)
	if u > 0 || u < -w || v > w/2 {
		return false
	}
	return u > -w/2 || v < w+u
}

// plateX is where the plate's front edge is, in front of mid-stance, m.
const plateX = 0.42

// ground colour at a point seen from a distance.
func (b *backdrop) ground(x, y, dist float64) rgb {
	soft := 0.004 + dist*0.0009
	fine := float32(b.noise(x*38, y*38) - 0.5)
	coarse := float32(b.fractal(x*1.1, y*1.1) - 0.5)
	line := hex(0xeceae4)
	var c rgb
	switch b.place {
	case "field":
		r := math.Hypot(x-0.2, y-plateY)
		grass := hex(0x4f7a37).times(1 + 0.25*coarse + 0.28*fine)
		if int(math.Floor((x+y)/2.4))&1 == 0 {
			grass = grass.times(1.09)
		}
		dirt := hex(0xa9764b).times(1 + 0.22*coarse + 0.20*fine)
		edge := float32(clamp((4.3+0.25*b.noise(x*2, y*2)-r)/0.15, 0, 1))
		c = grass.mix(dirt, edge)
		if x > 0.3 { // foul lines
			for _, s := range []float64{1, -1} {
				c = c.mix(line, 0.85*mark((math.Abs(x-plateX+0.43)-s*(y-plateY))/math.Sqrt2, 0.05, soft))
			}
		}
	case "gym":
		plank := b.hash(int32(math.Floor(x/0.09)), int32(math.Floor(y/1.4+b.hash(int32(math.Floor(x/0.09)), 3)*5)))
		c = hex(0xc3935a).times(float32(0.86 + 0.22*plank)).times(1 + 0.08*fine)
		c = c.mix(hex(0x274a8a), 0.9*mark(y+1.6, 0.03, soft)).mix(hex(0xb03030), 0.9*mark(x-2.6, 0.03, soft))
	default:
		c = hex(0x3f6b46).times(1 + 0.18*coarse + 0.42*fine)
		c = c.mix(hex(0x35583b), 0.5*mark(math.Mod(math.Abs(y)+0.3, 3.6)-1.8, 0.03, soft))
	}
	// Batter's boxes, 4 ft × 6 ft, 6 in from the plate.
	for _, s := range []float64{1, -1} {
		v := s*(y-plateY) - 0.216 - 0.152 // from the box's inner line outward
		u := x - (plateX - 0.216)
		if v > -0.1 && v < 1.32 && math.Abs(u) < 1.0 {
			in := mark(v, 0.035, soft)*mark(u, 0.92, soft) + mark(v-1.219, 0.035, soft)*mark(u, 0.92, soft) +
				(mark(u-0.9, 0.035, soft)+mark(u+0.9, 0.035, soft))*mark(v-0.61, 0.64, soft)
			c = c.mix(line, 0.75*min(in, 1))
		}
	}
	if plateAt(x, y) {
		c = hex(0xf0eee8).times(0.96 + 0.05*coarse)
	}
	return c
}

// color is what the ray from the eye sees.
func (b *backdrop) color(o, d Vec) rgb {
	var c rgb
	const room = 13.0
	best := math.Inf(1)
	hitGround := false
	if d.Z < -1e-6 {
		best = -o.Z / d.Z
		hitGround = true
	}
	if b.place == "field" {
		// A wall of boards stands round the field, trees and sky above.
		wall := 24.0
		t := rayCylinder(o, d, wall)
		p := o.plus(t, d)
		switch {
		case hitGround && best < t:
			g := o.plus(best, d)
			c = b.ground(g.X, g.Y, best).times(b.light.ambient*0.85 + b.light.key*0.75)
			c = c.mix(hex(0xb9c6cf), float32(clamp(best/140, 0, 0.35)))
		case p.Z < 2.3:
			ang := math.Atan2(p.X, p.Y) * wall
			k := float32(0.9 + 0.2*b.hash(int32(math.Floor(ang/1.2)), 5))
			c = hex(0x27503a).times(k)
			if p.Z > 2.12 {
				c = hex(0xd8c24a)
			}
			c = c.times(float32(0.85 + 0.2*b.fractal(p.X*0.7, p.Y*0.7+p.Z*2)))
		default:
			el := d.Z / math.Hypot(d.X, d.Y)
			r := math.Hypot(d.X, d.Y)
			ax, ay := d.X/r, d.Y/r // on the circle of directions, so that nothing has a seam
			top := 0.17 + 0.10*b.fractal(ax*9, ay*9) + 0.05*b.noise(ax*60, ay*60)
			c = hex(0x86b3dc).mix(hex(0xd6e4ee), float32(clamp(1-el*1.4, 0, 1)))
			cloud := b.fractal(ax*5+el*3, ay*5+el*9)
			c = c.mix(hex(0xf6f6f4), float32(clamp((cloud-0.5)*2.2, 0, 0.8)))
			if el < top {
				c = hex(0x3d5b34).times(float32(0.65 + 0.7*b.fractal(ax*45+el*25, ay*45+el*60)))
			}
		}
	} else {
		// A room: walls at ± room, ceiling at 6.5 m.
		axis := 0
		for i, pair := range [][3]float64{{o.X, d.X, room}, {o.Y, d.Y, room * 0.85}} {
			if math.Abs(pair[1]) < 1e-9 {
				continue
			}
			t := (math.Copysign(pair[2], pair[1]) - pair[0]) / pair[1]
			if t < best {
				best, hitGround, axis = t, false, i+1
			}
		}
		if d.Z > 1e-6 {
			if t := (6.5 - o.Z) / d.Z; t < best {
				best, hitGround, axis = t, false, 3
			}
		}
		p := o.plus(best, d)
		switch {
		case hitGround:
			c = b.ground(p.X, p.Y, best).times(float32(0.98 - clamp(best/60, 0, 0.3)))
			c = c.times(float32(0.92 + 0.16*b.noise(p.X*0.35, p.Y*0.35)))
		case axis == 3:
			c = hex(0x55585c).times(float32(0.7 + 0.3*b.noise(p.X, p.Y)))
			if math.Mod(math.Abs(p.X)+1, 4) < 0.5 && math.Mod(math.Abs(p.Y)+1, 3) < 1.6 {
				c = hex(0xf2f3ee)
			}
		default:
			u := p.X
			if axis == 1 {
				u = p.Y
			}
			c = b.wall(u, p.Z)
		}
		if b.place == "cage" {
			c = b.nets(o, d, best, c)
		}
	}
	return c
}

func rayCylinder(o, d Vec, r float64) float64 {
	a := d.X*d.X + d.Y*d.Y
	k := o.X*d.X + o.Y*d.Y
	q := o.X*o.X + o.Y*o.Y - r*r
	return (-k + math.Sqrt(math.Max(0, k*k-a*q))) / a
}

// wall of the room at u along it and z up.
func (b *backdrop) wall(u, z float64) rgb {
	if b.place == "gym" {
		row := math.Floor(z / 0.2)
		off := 0.2 * math.Mod(row, 2)
		c := hex(0xc9c2b2).times(float32(0.92 + 0.12*b.hash(int32(math.Floor((u+off)/0.4)), int32(row))))
		if math.Mod(z, 0.2) < 0.015 || math.Mod(math.Abs(u+off), 0.4) < 0.015 {
			c = c.times(0.86)
		}
		if z < 1.9 { // pads
			c = hex(0x2b4f7d).times(float32(0.9 + 0.12*b.noise(u*2, z*2)))
			if math.Mod(math.Abs(u), 1.2) < 0.04 {
				c = c.times(0.6)
			}
		} else if z > 3.9 && z < 4.1 {
			c = hex(0xa83a32)
		}
		return c
	}
	c := hex(0x6d7278).times(float32(0.9 + 0.16*b.fractal(u*0.8, z*0.8)))
	if math.Mod(math.Abs(u), 0.3) < 0.05 {
		c = c.times(0.88)
	}
	if z < 1.1 {
		c = hex(0x454b52).times(float32(0.9 + 0.2*b.fractal(u, z)))
	}
	if k := b.hash(int32(math.Floor(u/2.7)), 9); k > 0.55 && z > 1.5 && z < 2.5 && math.Mod(math.Abs(u), 2.7) < 1.5 { // boards on the wall
		c = rgb{float32(0.25 + 0.6*b.hash(int32(math.Floor(u/2.7)), 1)), float32(0.25 + 0.5*b.hash(int32(math.Floor(u/2.7)), 2)), float32(0.25 + 0.6*b.hash(int32(math.Floor(u/2.7)), 3))}
	}
	return c
}

// nets hang at the sides of the cage and behind the catcher; only those behind the hitter are drawn.
func (b *backdrop) nets(o, d Vec, wall float64, c rgb) rgb {
	draw := func(t, u, z float64) {
		if t <= b.far || t >= wall || z < 0 || z > 4 {
			return
		}
		w := math.Max(0.0025, t*0.0007)
		near := func(x float64) float64 { return math.Abs(x - 0.045*math.Round(x/0.045)) }
		cord := 0.0018 / w
		if near(u+0.02*math.Sin(3*z)) < w || near(z+0.03*math.Sin(1.3*u)) < w {
			c = c.mix(hex(0x16181a), float32(clamp(cord, 0.25, 0.9)))
		}
		if math.Abs(z-3.97) < 0.03 || math.Abs(u-3*math.Round(u/3)) < 0.035 {
			c = hex(0x8d9196).times(float32(0.8 + 0.3*b.noise(u*3, z)))
		}
	}
	for _, y := range []float64{-2.0, 3.4} {
		if math.Abs(d.Y) > 1e-9 {
			t := (y - o.Y) / d.Y
			if t > 0 {
				p := o.plus(t, d)
				draw(t, p.X, p.Z)
			}
		}
	}
	for _, x := range []float64{-3.6, 12} {
		if math.Abs(d.X) > 1e-9 {
			t := (x - o.X) / d.X
			if t > 0 {
				p := o.plus(t, d)
				draw(t, p.Y, p.Z)
			}
		}
	}
	return c
}

// plateImage is a picture of the backdrop from a fixed eye, with a margin so
// that a turning camera can be served from it.
type plateImage struct {
	w, h   int
	margin int
	view   view
	pix    []float32 // r, g, b
}

// paintRow fills one row; rows are independent of each other.
func (pi *plateImage) paintRow(b *backdrop, y int) {
	v := &pi.view
	for x := range pi.w {
		var s rgb
		for _, o := range [2][2]float64{{0.25, 0.3}, {0.75, 0.7}} {
			px := float64(x-pi.margin) + o[0] - v.cx
			py := float64(y-pi.margin) + o[1] - v.cy
			d := v.fwd.plus(px/v.focal, v.right).plus(-py/v.focal, v.up).unit()
			c := b.color(v.eye, d)
			s.r += c.r / 2
			s.g += c.g / 2
			s.b += c.b / 2
		}
		i := 3 * (y*pi.w + x)
		pi.pix[i], pi.pix[i+1], pi.pix[i+2] = s.r, s.g, s.b
	}
}

// row looks a row of a turned or zoomed camera up in the plate: a camera that only turns sees it through a homography.
// get is given x, the plate's pixels i and, a row below, j, and the shares u and w to their right and downward neighbours.
func (pi *plateImage) row(v *view, y, width int, get func(x, i, j int, u, w float32)) {
	q := &pi.view
	py := -(float64(y) + 0.5 - v.cy) / v.focal
	for x := range width {
		px := (float64(x) + 0.5 - v.cx) / v.focal
		d := v.fwd.plus(px, v.right).plus(py, v.up)
		k := q.focal / d.dot(q.fwd)
		sx := clamp(q.cx+k*d.dot(q.right)+float64(pi.margin)-0.5, 0, float64(pi.w-2))
		sy := clamp(q.cy-k*d.dot(q.up)+float64(pi.margin)-0.5, 0, float64(pi.h-2))
		ix, iy := int(sx), int(sy)
		i := iy*pi.w + ix
		get(x, i, i+pi.w, float32(sx-float64(ix)), float32(sy-float64(iy)))
	}
}
