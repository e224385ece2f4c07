package pose

import (
	"encoding/binary"
	"image"
	"image/color"
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

// NewImage is a black picture.
func NewImage(w, h int) Image {
	return Image{W: w, H: h, Stride: 3 * w, Pix: make([]byte, 3*w*h)}
}

// PartOf is a copy of a part of a picture, which lies in it.
func PartOf(src image.Image, part image.Rectangle) Image {
	im := NewImage(part.Dx(), part.Dy())
	for y := range im.H {
		out := im.Pix[y*im.Stride : (y+1)*im.Stride]
		switch src := src.(type) {
		case *image.RGBA:
			in := src.Pix[src.PixOffset(part.Min.X, part.Min.Y+y):][:4*im.W]
			for x := range im.W {
				o, p := out[3*x:3*x+3:3*x+3], in[4*x:4*x+4:4*x+4]
				o[0], o[1], o[2] = p[2], p[1], p[0]
			}
		case *image.YCbCr:
			for x := range im.W {
				q := src.YCbCrAt(part.Min.X+x, part.Min.Y+y)
				r, g, b := color.YCbCrToRGB(q.Y, q.Cb, q.Cr)
				out[3*x], out[3*x+1], out[3*x+2] = b, g, r
			}
		default:
			for x := range im.W {
				c := color.RGBAModel.Convert(src.At(part.Min.X+x, part.Min.Y+y)).(color.RGBA)
				out[3*x], out[3*x+1], out[3*x+2] = c.B, c.G, c.R
			}
		}
	}
	return im
}

// Resize fills dst, whose size is set by the caller, with src: every pixel of
// dst is the mean of the area of src that it covers (area averaging, rounded
// to 1/256 of a level's weight), or a bilinear sample along an axis that grows.
func Resize(dst, src Image) {
	if dst.W <= 0 || dst.H <= 0 || src.W <= 0 || src.H <= 0 {
		return
	}
	if dst.W == src.W && dst.H == src.H {
		for y := range dst.H {
			copy(dst.Pix[y*dst.Stride:y*dst.Stride+3*dst.W], src.Pix[y*src.Stride:])
		}
		return
	}
	cols := spans(dst.W, src.W)
	f := newFolder(src.W * 3)
	for y, r := range spans(dst.H, src.H) {
		f.fold(src, 0, r)
		out := dst.Pix[y*dst.Stride : y*dst.Stride+dst.W*3]
		for i := range cols {
			b, g, r := cols[i].sum(f.line)
			o := out[3*i : 3*i+3 : 3*i+3]
			o[0], o[1], o[2] = uint8((b+1<<23)>>24), uint8((g+1<<23)>>24), uint8((r+1<<23)>>24)
		}
	}
}

// span says which source pixels a target pixel covers: from..to, the first
// and the last with their own weights, those between with weight inner, in
// units of 1/one. to < from = none.
type span struct {
	from, to           int
	first, inner, last uint64
}

const one = 1 << 16

func newSpan(from, to int, first, inner, last float64) span {
	w := func(x float64) uint64 { return uint64(math.Round(math.Max(0, x) * one)) }
	return span{from, to, w(first), w(inner), w(last)}
}

func spans(n, srcN int) []span {
	out := make([]span, n)
	scale := float64(srcN) / float64(n)
	if scale > 1 {
		for i := range out {
			out[i] = cover(float64(i)*scale, float64(i+1)*scale, scale, srcN)
		}
		return out
	}
	for i := range out { // growing: bilinear, centres aligned
		c := (float64(i)+0.5)*scale - 0.5
		a := int(math.Floor(c))
		f := c - float64(a)
		switch {
		case a < 0:
			out[i] = newSpan(0, 0, 1, 0, 0)
		case a >= srcN-1:
			out[i] = newSpan(srcN-1, srcN-1, 1, 0, 0)
		default:
			out[i] = newSpan(a, a+1, 1-f, 0, f)
		}
	}
	return out
}

// cover is the span of the stretch from..to (pixels, cut off at 0 and size),
// where a whole target pixel is scale pixels wide.
func cover(from, to, scale float64, size int) span {
	from, to = math.Max(from, 0), math.Min(to, float64(size))
	if to-from < 1e-9 {
		return span{from: 0, to: -1}
	}
	a := int(from)
	b := max(a, min(int(math.Ceil(to-1e-9))-1, size-1))
	if a == b {
		return newSpan(a, a, (to-from)/scale, 0, 0)
	}
	return newSpan(a, b, (float64(a+1)-from)/scale, 1/scale, (to-float64(b))/scale)
}

// sum is the weighted sum of the span's pixels in a line of 8.8 fixed-point
// numbers: 8.24 fixed-point.
func (s *span) sum(line []uint16) (b, g, r uint64) {
	if s.to < s.from {
		return 0, 0, 0
	}
	p := line[s.from*3:]
	switch s.to - s.from { // two to four pixels are the most frequent
	case 0:
		p = p[:3:3]
		return uint64(p[0]) * s.first, uint64(p[1]) * s.first, uint64(p[2]) * s.first
	case 1:
		p = p[:6:6]
		return uint64(p[0])*s.first + uint64(p[3])*s.last,
			uint64(p[1])*s.first + uint64(p[4])*s.last,
			uint64(p[2])*s.first + uint64(p[5])*s.last
	case 2:
		p = p[:9:9]
		return uint64(p[0])*s.first + uint64(p[3])*s.inner + uint64(p[6])*s.last,
			uint64(p[1])*s.first + uint64(p[4])*s.inner + uint64(p[7])*s.last,
			uint64(p[2])*s.first + uint64(p[5])*s.inner + uint64(p[8])*s.last
	case 3:
		p = p[:12:12]
		return uint64(p[0])*s.first + (uint64(p[3])+uint64(p[6]))*s.inner + uint64(p[9])*s.last,
			uint64(p[1])*s.first + (uint64(p[4])+uint64(p[7]))*s.inner + uint64(p[10])*s.last,
			uint64(p[2])*s.first + (uint64(p[5])+uint64(p[8]))*s.inner + uint64(p[11])*s.last
	}
	n := 3 * (s.to - s.from)
	p = p[:n+3]
	var ib, ig, ir uint64
	for k := 3; k+2 < n; k += 3 {
		ib += uint64(p[k])
		ig += uint64(p[k+1])
		ir += uint64(p[k+2])
	}
	q := p[n : n+3 : n+3]
	return uint64(p[0])*s.first + ib*s.inner + uint64(q[0])*s.last,
		uint64(p[1])*s.first + ig*s.inner + uint64(q[1])*s.last,
		uint64(p[2])*s.first + ir*s.inner + uint64(q[2])*s.last
}

// folder sums rows, eight bytes at a time in lanes of 16 bits: weights of 1/256
// that sum to at most 1 cannot overflow a lane.
type folder struct {
	even, odd []uint64
	line      []uint16 // the sum, 8.8 fixed-point
}

func newFolder(n int) *folder {
	blocks := (n + 7) / 8
	return &folder{even: make([]uint64, blocks), odd: make([]uint64, blocks), line: make([]uint16, blocks*8)}
}

// fold sums the rows of a span, from byte x0 of each row on, into f.line.
func (f *folder) fold(im Image, x0 int, s span) {
	clear(f.even)
	clear(f.odd)
	var exact, given uint64 // weights so far, in 1/one and in 1/256: rounding does not add up
	var rows [3][]byte
	var weights [3]uint64
	n := 0
	for k := s.from; k <= s.to; k++ {
		switch k {
		case s.from:
			exact += s.first
		case s.to:
			exact += s.last
		default:
			exact += s.inner
		}
		w := min((exact+128)/256, 256) - given
		given += w
		if w == 0 {
			continue
		}
		rows[n], weights[n] = im.Pix[k*im.Stride+x0:min(len(im.Pix), (k+1)*im.Stride)], w
		if n++; n == len(rows) {
			f.add3(rows, weights)
			n = 0
		}
	}
	for i := range n {
		f.add(rows[i], weights[i])
	}
	const lane = 0xFFFF
	for i, e := range f.even {
		o := f.odd[i]
		l := f.line[8*i : 8*i+8 : 8*i+8]
		l[0], l[1], l[2], l[3] = uint16(e&lane), uint16(o&lane), uint16(e>>16&lane), uint16(o>>16&lane)
		l[4], l[5], l[6], l[7] = uint16(e>>32&lane), uint16(o>>32&lane), uint16(e>>48), uint16(o>>48)
	}
}

const evenBytes = 0x00FF00FF00FF00FF

func (f *folder) add(row []byte, w uint64) {
	n := min(len(row)/8, len(f.even))
	even, odd := f.even[:n], f.odd[:n]
	for i := range even {
		v := binary.LittleEndian.Uint64(row[8*i:])
		even[i] += (v & evenBytes) * w
		odd[i] += (v >> 8 & evenBytes) * w
	}
	if n < len(f.even) { // the last bytes of the picture
		var tail [8]byte
		copy(tail[:], row[8*n:])
		v := binary.LittleEndian.Uint64(tail[:])
		f.even[n] += (v & evenBytes) * w
		f.odd[n] += (v >> 8 & evenBytes) * w
	}
}

// add3 is add of three rows at once.
func (f *folder) add3(rows [3][]byte, w [3]uint64) {
	n := min(len(rows[0])/8, len(rows[1])/8, len(rows[2])/8, len(f.even))
	if n < len(f.even) {
		for i, r := range rows {
			f.add(r, w[i])
		}
		return
	}
	a, b, c := rows[0], rows[1], rows[2]
	even, odd := f.even[:n], f.odd[:n]
	for i := range even {
		u, v, x := binary.LittleEndian.Uint64(a[8*i:]), binary.LittleEndian.Uint64(b[8*i:]), binary.LittleEndian.Uint64(c[8*i:])
		even[i] += (u&evenBytes)*w[0] + (v&evenBytes)*w[1] + (x&evenBytes)*w[2]
		odd[i] += (u>>8&evenBytes)*w[0] + (v>>8&evenBytes)*w[1] + (x>>8&evenBytes)*w[2]
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
