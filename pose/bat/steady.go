package bat

import (
	"math"
	"slices"

	"cagebook/pose"
)

// shift is how a frame lies on the background: a turn, a zoom and a displacement.
type shift struct {
	still  bool
	a, b   float64 // zoom·cos, zoom·sin
	tx, ty float64
}

// to maps a place of the background to the frame.
func (s shift) to(x, y float64) (float64, float64) {
	return s.a*x - s.b*y + s.tx, s.b*x + s.a*y + s.ty
}

// from maps a place of the frame to the background.
func (s shift) from(x, y float64) (float64, float64) {
	x, y = x-s.tx, y-s.ty
	d := s.a*s.a + s.b*s.b
	return (s.a*x + s.b*y) / d, (s.a*y - s.b*x) / d
}

// The stabiliser: corners are followed from frame to frame outward from a
// reference in the middle (Lucas & Kanade 1981), and a similarity is fitted to
// them robustly. Px of the reduced pictures.
const (
	stillPx   = 0.35 // a camera that moves less than this throughout stands still
	cellPx    = 18   // one corner from each cell of the grid
	windowPx  = 4    // half-width of what is followed
	halvings  = 3    // halvings of the picture
	lkRounds  = 8
	leastPts  = 8
	keepOut   = 0.12 // heights about the hitter's box without corners
	badFit    = 1.0  // px: corners farther from the fit than this move on their own
	stillTry  = 7    // frames looked at to see whether the camera moves at all
	farApart  = 25.0 // px between neighbouring frames: more is no hand-held camera
	leastGrad = 12.0 // least corner strength, levels²
)

type gray struct {
	w, h int
	p    []float32
}

func grayOf(im pose.Image) gray {
	g := gray{im.W, im.H, make([]float32, im.W*im.H)}
	for y := range im.H {
		row := im.Pix[y*im.Stride:]
		for x := range im.W {
			g.p[y*im.W+x] = 0.114*float32(row[3*x]) + 0.587*float32(row[3*x+1]) + 0.299*float32(row[3*x+2])
		}
	}
	return g
}

func (g gray) half() gray {
	o := gray{g.w / 2, g.h / 2, make([]float32, (g.w/2)*(g.h/2))}
	for y := range o.h {
		for x := range o.w {
			k := 2*y*g.w + 2*x
			o.p[y*o.w+x] = (g.p[k] + g.p[k+1] + g.p[k+g.w] + g.p[k+g.w+1]) / 4
		}
	}
	return o
}

func (g gray) at(x, y float64) float32 {
	x, y = math.Max(0, math.Min(x, float64(g.w)-1.001)), math.Max(0, math.Min(y, float64(g.h)-1.001))
	xi, yi := int(x), int(y)
	fx, fy := float32(x-float64(xi)), float32(y-float64(yi))
	k := yi*g.w + xi
	return (g.p[k]*(1-fx)+g.p[k+1]*fx)*(1-fy) + (g.p[k+g.w]*(1-fx)+g.p[k+g.w+1]*fx)*fy
}

type pyramid [halvings]gray

func pyramidOf(im pose.Image) (p pyramid) {
	p[0] = grayOf(im)
	for l := 1; l < halvings; l++ {
		p[l] = p[l-1].half()
	}
	return p
}

// steady finds how each frame lies on the reference in the middle.
func (f *follower) steady() {
	n := len(f.s.Pics)
	for i := range f.move {
		f.move[i] = shift{still: true, a: 1}
	}
	if f.w < 6*cellPx || f.h < 4*cellPx {
		return
	}
	ref := n / 2
	base := pyramidOf(f.s.Pics[ref])
	corners := f.corners(base[0], ref)
	if len(corners) < leastPts {
		return // nothing to hold on to
	}
	if !f.moves(base, corners, ref) {
		return
	}
	f.move[ref] = shift{a: 1}
	for _, dir := range [2]int{1, -1} {
		last := shift{a: 1}
		for i := ref + dir; i >= 0 && i < n; i += dir {
			s, ok := f.register(base, corners, pyramidOf(f.s.Pics[i]), last, i)
			if !ok || math.Hypot(s.tx-last.tx, s.ty-last.ty) > farApart {
				s = last
			}
			f.move[i], last = s, s
		}
	}
}

// moves says whether the camera moves: a few frames are compared with the reference.
func (f *follower) moves(base pyramid, corners [][2]float64, ref int) bool {
	n := len(f.s.Pics)
	for k := range stillTry {
		i := k * (n - 1) / (stillTry - 1)
		if i == ref {
			continue
		}
		s, ok := f.register(base, corners, pyramidOf(f.s.Pics[i]), shift{a: 1}, i)
		if !ok {
			return true // so far that it was not found at once
		}
		x, y := s.to(float64(f.w)/2, float64(f.h)/2)
		u, v := s.to(0, 0)
		if math.Hypot(x-float64(f.w)/2, y-float64(f.h)/2) > stillPx || math.Hypot(u, v) > 2*stillPx {
			return true
		}
	}
	return false
}

// hitterBox is where the hitter is in a frame, widened.
func (f *follower) hitterBox(i int) (x0, y0, x1, y1 float64) {
	x0, y0, x1, y1 = math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, e := range f.s.Body[i] {
		if e.Known() {
			x0, y0, x1, y1 = math.Min(x0, e.X), math.Min(y0, e.Y), math.Max(x1, e.X), math.Max(y1, e.Y)
		}
	}
	m := keepOut * f.s.Height
	return x0 - m, y0 - m, x1 + m, y1 + m
}

// corners are points that can be followed in both directions, one a cell, off the hitter.
func (f *follower) corners(g gray, ref int) [][2]float64 {
	x0, y0, x1, y1 := f.hitterBox(ref)
	var out [][2]float64
	const edge = windowPx + 3
	for cy := edge; cy+cellPx < g.h-edge; cy += cellPx {
		for cx := edge; cx+cellPx < g.w-edge; cx += cellPx {
			best, bx, by := float32(leastGrad), -1, -1
			for y := cy; y < cy+cellPx; y += 2 {
				for x := cx; x < cx+cellPx; x += 2 {
					if float64(x) > x0 && float64(x) < x1 && float64(y) > y0 && float64(y) < y1 {
						continue
					}
					if s := g.strength(x, y); s > best {
						best, bx, by = s, x, y
					}
				}
			}
			if bx >= 0 {
				out = append(out, [2]float64{float64(bx), float64(by)})
			}
		}
	}
	return out
}

// strength is the smaller eigenvalue of the gradients about a point (Shi & Tomasi 1994), a pixel.
func (g gray) strength(x, y int) float32 {
	var xx, yy, xy float32
	const r = 2
	for v := y - r; v <= y+r; v++ {
		for u := x - r; u <= x+r; u++ {
			k := v*g.w + u
			dx, dy := g.p[k+1]-g.p[k-1], g.p[k+g.w]-g.p[k-g.w]
			xx, yy, xy = xx+dx*dx, yy+dy*dy, xy+dx*dy
		}
	}
	m, d := (xx+yy)/2, (xx-yy)/2
	return (m - float32(math.Sqrt(float64(d*d+xy*xy)))) / (4 * (2*r + 1) * (2*r + 1))
}

// register finds how a frame lies on the reference, beginning with a guess.
func (f *follower) register(base pyramid, corners [][2]float64, frame pyramid, guess shift, i int) (shift, bool) {
	x0, y0, x1, y1 := f.hitterBox(i)
	var from, to [][2]float64
	for _, c := range corners {
		gx, gy := guess.to(c[0], c[1])
		if u, v, ok := follow(base, frame, c[0], c[1], gx, gy); ok && (u < x0 || u > x1 || v < y0 || v > y1) {
			from, to = append(from, c), append(to, [2]float64{u, v})
		}
	}
	return similarity(from, to, guess)
}

// follow finds the window about (x, y) of one picture in another, near (gx, gy).
func follow(a, b pyramid, x, y, gx, gy float64) (u, v float64, ok bool) {
	dx, dy := gx-x, gy-y
	for l := halvings - 1; l >= 0; l-- {
		k := float64(int(1) << l)
		px, py := (x+0.5)/k-0.5, (y+0.5)/k-0.5
		ex, ey := dx/k, dy/k
		var xx, yy, xy float64
		var t, gxs, gys [(2*windowPx + 1) * (2*windowPx + 1)]float32
		m := 0
		for j := -windowPx; j <= windowPx; j++ {
			for i := -windowPx; i <= windowPx; i++ {
				qx, qy := px+float64(i), py+float64(j)
				t[m] = a[l].at(qx, qy)
				gxs[m] = (a[l].at(qx+1, qy) - a[l].at(qx-1, qy)) / 2
				gys[m] = (a[l].at(qx, qy+1) - a[l].at(qx, qy-1)) / 2
				xx, yy, xy = xx+float64(gxs[m]*gxs[m]), yy+float64(gys[m]*gys[m]), xy+float64(gxs[m]*gys[m])
				m++
			}
		}
		det := xx*yy - xy*xy
		if det < 1 {
			continue
		}
		for range lkRounds {
			var bx, by float64
			m = 0
			for j := -windowPx; j <= windowPx; j++ {
				for i := -windowPx; i <= windowPx; i++ {
					d := float64(t[m] - b[l].at(px+float64(i)+ex, py+float64(j)+ey))
					bx, by = bx+d*float64(gxs[m]), by+d*float64(gys[m])
					m++
				}
			}
			sx, sy := (yy*bx-xy*by)/det, (xx*by-xy*bx)/det
			ex, ey = ex+sx, ey+sy
			if math.Hypot(sx, sy) < 0.02 {
				break
			}
		}
		dx, dy = ex*k, ey*k
	}
	u, v = x+dx, y+dy
	inside := u > windowPx && v > windowPx && u < float64(b[0].w-windowPx) && v < float64(b[0].h-windowPx)
	return u, v, inside && math.Hypot(u-gx, v-gy) < 2*farApart
}

// similarity fits turn, zoom and displacement, leaving out what does not go with the most.
func similarity(from, to [][2]float64, guess shift) (shift, bool) {
	if len(from) < leastPts {
		return guess, false
	}
	// The middle of all displacements to begin with.
	dx, dy := make([]float64, len(from)), make([]float64, len(from))
	for k := range from {
		dx[k], dy[k] = to[k][0]-from[k][0], to[k][1]-from[k][1]
	}
	slices.Sort(dx)
	slices.Sort(dy)
	s := shift{a: 1, tx: dx[len(dx)/2], ty: dy[len(dy)/2]}
	for round := range 6 {
		limit := math.Max(badFit, 8/float64(int(1)<<round))
		var n, mx, my, mu, mv float64
		use := make([]bool, len(from))
		for k := range from {
			u, v := s.to(from[k][0], from[k][1])
			if math.Hypot(u-to[k][0], v-to[k][1]) < limit {
				use[k] = true
				n, mx, my, mu, mv = n+1, mx+from[k][0], my+from[k][1], mu+to[k][0], mv+to[k][1]
			}
		}
		if n < leastPts || n < 0.3*float64(len(from)) {
			return guess, false
		}
		mx, my, mu, mv = mx/n, my/n, mu/n, mv/n
		var num, cross, den float64
		for k := range from {
			if use[k] {
				x, y, u, v := from[k][0]-mx, from[k][1]-my, to[k][0]-mu, to[k][1]-mv
				num, cross, den = num+x*u+y*v, cross+x*v-y*u, den+x*x+y*y
			}
		}
		if den <= 0 {
			return guess, false
		}
		s = shift{a: num / den, b: cross / den}
		s.tx, s.ty = mu-(s.a*mx-s.b*my), mv-(s.b*mx+s.a*my)
	}
	if z := math.Hypot(s.a, s.b); z < 0.85 || z > 1.18 || math.IsNaN(z) {
		return guess, false
	}
	return s, true
}
