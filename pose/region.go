package pose

import "math"

// Region is a square of the picture, turned clockwise by AngleRad (as seen on
// the screen, where y points down), that the landmark model looks at. Px.
type Region struct{ CX, CY, Side, AngleRad float64 }

// ToPicture maps a point of the region's own square, u to the right and v
// down, both 0 to 1, to the picture.
func (r Region) ToPicture(u, v float64) (x, y float64) {
	s, c := math.Sincos(r.AngleRad)
	dx, dy := (u-0.5)*r.Side, (v-0.5)*r.Side
	return r.CX + c*dx - s*dy, r.CY + s*dx + c*dy
}

// FromPicture is the inverse of ToPicture.
func (r Region) FromPicture(x, y float64) (u, v float64) {
	s, c := math.Sincos(r.AngleRad)
	dx, dy := x-r.CX, y-r.CY
	return 0.5 + (c*dx+s*dy)/r.Side, 0.5 + (c*dy-s*dx)/r.Side
}

// Bounds is the upright box that holds the region.
func (r Region) Bounds() Box {
	s, c := math.Sincos(r.AngleRad)
	h := (math.Abs(s) + math.Abs(c)) * r.Side / 2
	return Box{r.CX - h, r.CY - h, r.CX + h, r.CY + h}
}

const (
	regionReach  = 1.12 // radius ÷ distance from mid-hip to the farthest keypoint: wrists are not the fingertips
	regionMargin = 1.25 // the model was trained on squares with this margin
)

// RegionOf is the square about a person of one picture: centre at mid-hip,
// side from the farthest keypoint, turned so that hip→shoulder points up;
// an upright square about the points where the hips are not seen.
func RegionOf(p *Pose, minScore float64) (Region, bool) {
	hip, okHip := Mid(p, LeftHip, RightHip, minScore)
	if !okHip {
		b, n := p.Bounds(minScore)
		if n < 4 {
			return Region{}, false
		}
		return Region{(b.X0 + b.X1) / 2, (b.Y0 + b.Y1) / 2, math.Max(b.X1-b.X0, b.Y1-b.Y0) * regionMargin, 0}, true
	}
	var reach float64
	for _, k := range p {
		if k.Score >= minScore && k.Seen() {
			reach = math.Max(reach, math.Hypot(k.X-hip.X, k.Y-hip.Y))
		}
	}
	if reach < 4 {
		return Region{}, false
	}
	r := Region{CX: hip.X, CY: hip.Y, Side: 2 * reach * regionReach * regionMargin}
	if sh, ok := Mid(p, LeftShoulder, RightShoulder, minScore); ok {
		r.AngleRad = math.Atan2(sh.X-hip.X, hip.Y-sh.Y)
	}
	return r, true
}

// Crop fills dst (n × n × 3, RGB, 0 to 1) with the region's picture. Outside
// the picture it is black. An upright region that shrinks is averaged over
// areas, others are sampled bilinearly, several samples a pixel where it shrinks.
func Crop(dst []float32, n int, im Image, r Region) {
	if math.Abs(r.AngleRad) < 1e-3 && r.Side > 1.2*float64(n) {
		cropArea(dst, n, im, r)
		return
	}
	cropBilinear(dst, n, im, r)
}

func cropArea(dst []float32, n int, im Image, r Region) {
	clear(dst[:n*n*3])
	scale := r.Side / float64(n)
	left, top := r.CX-r.Side/2, r.CY-r.Side/2
	x0 := min(max(0, int(left)), im.W-1) // the first column that is needed
	x1 := min(im.W, int(math.Ceil(left+r.Side))+1)
	if x1 <= x0 {
		return
	}
	cols := make([]span, n)
	for i := range cols {
		cols[i] = cover(left+float64(i)*scale-float64(x0), left+float64(i+1)*scale-float64(x0), scale, x1-x0)
	}
	f := newFolder((x1 - x0) * 3)
	const level = 1.0 / (255 << 24)
	for y := range n {
		s := cover(top+float64(y)*scale, top+float64(y+1)*scale, scale, im.H)
		if s.to < s.from {
			continue
		}
		f.fold(im, x0*3, s)
		out := dst[y*n*3 : (y+1)*n*3]
		for i := range cols {
			b, g, r := cols[i].sum(f.line)
			o := out[3*i : 3*i+3 : 3*i+3]
			o[0], o[1], o[2] = float32(r)*level, float32(g)*level, float32(b)*level
		}
	}
}

func cropBilinear(dst []float32, n int, im Image, r Region) {
	clear(dst[:n*n*3])
	perPixel := r.Side / float64(n)
	m := max(1, int(math.Round(perPixel/1.5))) // samples a pixel and axis
	s, c := math.Sincos(r.AngleRad)
	step := r.Side / float64(n*m)
	norm := float32(1 / (255 * float64(m*m)))
	for y := range n * m {
		dy := (float64(y)+0.5)*step - r.Side/2
		// pixel centres stand at +0.5
		px := r.CX - c*r.Side/2 - s*dy + c*step/2 - 0.5
		py := r.CY - s*r.Side/2 + c*dy + s*step/2 - 0.5
		out := dst[(y/m)*n*3 : (y/m+1)*n*3]
		for x := range n * m {
			fx, fy := px+float64(x)*c*step, py+float64(x)*s*step
			ix, iy := int(math.Floor(fx)), int(math.Floor(fy))
			if ix < 0 || iy < 0 || ix >= im.W-1 || iy >= im.H-1 {
				if ix < -1 || iy < -1 || ix >= im.W || iy >= im.H {
					continue
				}
				edgeSample(out[x/m*3:x/m*3+3], im, ix, iy, float32(fx-float64(ix)), float32(fy-float64(iy)), norm)
				continue
			}
			ax, ay := float32(fx-float64(ix)), float32(fy-float64(iy))
			w00, w01, w10, w11 := (1-ax)*(1-ay)*norm, ax*(1-ay)*norm, (1-ax)*ay*norm, ax*ay*norm
			p := im.Pix[iy*im.Stride+ix*3:]
			p = p[:6:6]
			q := im.Pix[(iy+1)*im.Stride+ix*3:]
			q = q[:6:6]
			o := out[x/m*3 : x/m*3+3 : x/m*3+3]
			o[0] += float32(p[2])*w00 + float32(p[5])*w01 + float32(q[2])*w10 + float32(q[5])*w11
			o[1] += float32(p[1])*w00 + float32(p[4])*w01 + float32(q[1])*w10 + float32(q[4])*w11
			o[2] += float32(p[0])*w00 + float32(p[3])*w01 + float32(q[0])*w10 + float32(q[3])*w11
		}
	}
}

// edgeSample is a bilinear sample some of whose four pixels lie outside.
func edgeSample(o []float32, im Image, ix, iy int, ax, ay, norm float32) {
	for k := range 4 {
		x, y := ix+k&1, iy+k>>1
		if x < 0 || y < 0 || x >= im.W || y >= im.H {
			continue
		}
		w := norm
		if k&1 == 1 {
			w *= ax
		} else {
			w *= 1 - ax
		}
		if k>>1 == 1 {
			w *= ay
		} else {
			w *= 1 - ay
		}
		p := im.Pix[y*im.Stride+x*3:]
		o[0] += float32(p[2]) * w
		o[1] += float32(p[1]) * w
		o[2] += float32(p[0]) * w
	}
}
