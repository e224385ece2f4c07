package pose

import (
	"math"

	"cagebook/pipeline/video"
)

// Image is a picture in memory: BGR, 8 bit, len(Pix) ≥ Stride*H.
type Image struct {
	W, H, Stride int
	Pix          []byte
}

// ImageOf is a view of a frame; it is valid as long as the frame is.
func ImageOf(f *video.Frame) Image {
	return Image{W: f.W, H: f.H, Stride: f.Stride, Pix: f.Pix}
}

// Resize fills dst, whose size is set by the caller, with src: every pixel of
// dst is the mean of the area of src that it covers (exact area averaging),
// or a bilinear sample along an axis that grows.
func Resize(dst, src Image) {
	if dst.W <= 0 || dst.H <= 0 || src.W <= 0 || src.H <= 0 {
		return
	}
	cols := spans(dst.W, src.W)
	rows := spans(dst.H, src.H)
	acc := make([]float32, dst.W*3)
	line := make([]float32, dst.W*3)
	lineOf := -1 // the source row that line holds
	for y, r := range rows {
		clear(acc)
		for k := r.from; k <= r.to; k++ {
			if k != lineOf {
				shrinkRow(line, src.Pix[k*src.Stride:k*src.Stride+src.W*3], cols)
				lineOf = k
			}
			w := r.weight(k)
			for i, v := range line {
				acc[i] += w * v
			}
		}
		out := dst.Pix[y*dst.Stride : y*dst.Stride+dst.W*3]
		for i, v := range acc {
			out[i] = uint8(v + 0.5)
		}
	}
}

// span says which source pixels a target pixel covers: from..to, the first
// and the last with their own weights, those between with weight inner.
type span struct {
	from, to           int
	first, inner, last float32
}

func (s span) weight(k int) float32 {
	switch k {
	case s.from:
		return s.first
	case s.to:
		return s.last
	default:
		return s.inner
	}
}

func spans(n, srcN int) []span {
	out := make([]span, n)
	scale := float64(srcN) / float64(n)
	if scale <= 1 { // growing: bilinear, centres aligned
		for i := range out {
			c := (float64(i)+0.5)*scale - 0.5
			a := int(math.Floor(c))
			f := float32(c - float64(a))
			switch {
			case a < 0:
				out[i] = span{0, 0, 1, 0, 0}
			case a >= srcN-1:
				out[i] = span{srcN - 1, srcN - 1, 1, 0, 0}
			default:
				out[i] = span{a, a + 1, 1 - f, 0, f}
			}
		}
		return out
	}
	inv := float32(1 / scale)
	for i := range out {
		from, to := float64(i)*scale, float64(i+1)*scale
		a := int(from)
		b := min(int(math.Ceil(to-1e-9))-1, srcN-1)
		out[i] = span{a, b, float32(float64(a+1)-from) * inv, inv, float32(to-float64(b)) * inv}
		if a == b {
			out[i].first = 1
		}
	}
	return out
}

func shrinkRow(dst []float32, row []byte, cols []span) {
	for i, s := range cols {
		p := row[s.from*3 : s.to*3+3]
		b, g, r := float32(p[0])*s.first, float32(p[1])*s.first, float32(p[2])*s.first
		if n := len(p) - 3; n > 0 {
			var ib, ig, ir uint32
			for k := 3; k < n; k += 3 {
				q := p[k : k+3 : k+3]
				ib += uint32(q[0])
				ig += uint32(q[1])
				ir += uint32(q[2])
			}
			q := p[n:]
			b += float32(ib)*s.inner + float32(q[0])*s.last
			g += float32(ig)*s.inner + float32(q[1])*s.last
			r += float32(ir)*s.inner + float32(q[2])*s.last
		}
		dst[3*i], dst[3*i+1], dst[3*i+2] = b, g, r
	}
}

// Thumb is a tiny grey picture, one level a cell, that shows whether anything
// moved. It looks at a part of the pixels only, so that it costs next to nothing.
type Thumb struct {
	W, H int
	Grey []float32
}

const thumbLong = 96 // cells along the longer side: a person of an eighth of the picture's height is 12 × 4 cells

// NewThumb makes the thumbnail of a picture.
func NewThumb(im Image) Thumb {
	long := max(im.W, im.H)
	if long == 0 {
		return Thumb{}
	}
	t := Thumb{W: max(1, im.W*thumbLong/long), H: max(1, im.H*thumbLong/long)}
	t.Grey = make([]float32, t.W*t.H)
	for cy := range t.H {
		y0, y1 := cy*im.H/t.H, (cy+1)*im.H/t.H
		sy := max(1, (y1-y0)/4)
		for cx := range t.W {
			x0, x1 := cx*im.W/t.W, (cx+1)*im.W/t.W
			sx := max(1, (x1-x0)/4)
			var sum, n uint32
			for y := y0; y < y1; y += sy {
				for x := x0; x < x1; x += sx {
					p := im.Pix[y*im.Stride+x*3:]
					sum += uint32(p[0]) + 2*uint32(p[1]) + uint32(p[2])
					n++
				}
			}
			if n > 0 {
				t.Grey[cy*t.W+cx] = float32(sum) / float32(4*n)
			}
		}
	}
	return t
}

// Moved says whether the two thumbnails differ by more than noise: at least
// minCells cells by more than minLevels grey levels, after a common change of
// brightness (lamps that flicker, automatic exposure) is taken out.
func (t Thumb) Moved(u Thumb, minLevels float64, minCells int) bool {
	if t.W != u.W || t.H != u.H {
		return true
	}
	var mean float64
	for i := range t.Grey {
		mean += float64(t.Grey[i] - u.Grey[i])
	}
	mean /= float64(max(1, len(t.Grey)))
	n := 0
	for i := range t.Grey {
		if math.Abs(float64(t.Grey[i]-u.Grey[i])-mean) > minLevels {
			if n++; n >= minCells {
				return true
			}
		}
	}
	return false
}
