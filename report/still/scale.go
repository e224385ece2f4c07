package still

import (
	"image"
	"image/draw"
	"math"

	xdraw "golang.org/x/image/draw"
)

// Weights of pixels are in 1/weightOne; lines between the two passes in 1/lineOne of a level.
const (
	weightBits, lineBits = 12, 4
	weightOne, lineOne   = 1 << weightBits, 1 << lineBits
)

// taps are the source pixels, and their weights, that make one pixel along one axis.
type taps struct {
	from int
	w    []int32
}

// tapsFor resamples n source pixels to m by a kernel, made wider where the picture is made smaller.
// The weights of each pixel sum to weightOne.
func tapsFor(n, m int, kernel *xdraw.Kernel) []taps {
	out := make([]taps, m)
	step := float64(n) / float64(m)
	wide := math.Max(step, 1)
	for i := range out {
		c := (float64(i) + 0.5) * step
		from := max(0, int(math.Floor(c-kernel.Support*wide)))
		to := min(n, int(math.Ceil(c+kernel.Support*wide)))
		ws, sum := make([]float64, to-from), 0.0
		for k := range ws {
			if d := math.Abs(float64(from+k)+0.5-c) / wide; d < kernel.Support {
				ws[k] = kernel.At(d)
			}
			sum += ws[k]
		}
		t := taps{from, make([]int32, len(ws))}
		left, most := int32(weightOne), 0
		for k, w := range ws {
			t.w[k] = int32(math.Round(w / sum * weightOne))
			left -= t.w[k]
			if t.w[k] > t.w[most] {
				most = k
			}
		}
		t.w[most] += left
		out[i] = t
	}
	return out
}

// scale draws the part crop of an opaque picture into the rectangle to of dst: what the kernel's own Scale does to
// within a level, in whole numbers, which is three times as quick.
func scale(dst *image.RGBA, to image.Rectangle, src image.Image, crop image.Rectangle, kernel *xdraw.Kernel) {
	pic, ok := src.(*image.RGBA)
	if !ok || !crop.In(pic.Rect) {
		pic = image.NewRGBA(crop)
		draw.Draw(pic, crop, src, crop.Min, draw.Src)
	}
	if !to.In(dst.Rect) || to.Empty() || crop.Empty() {
		kernel.Scale(dst, to, pic, crop, draw.Src, nil)
		return
	}
	across, down := tapsFor(crop.Dx(), to.Dx(), kernel), tapsFor(crop.Dy(), to.Dy(), kernel)
	lines := make([][]int32, 0, len(down[0].w)+2) // of source rows first, first+1, …
	first := 0
	var free [][]int32
	sum := make([]int32, 3*to.Dx())
	for y, t := range down {
		for len(lines) > 0 && first < t.from {
			free, lines = append(free, lines[0]), append(lines[:0], lines[1:]...)
			first++
		}
		if len(lines) == 0 {
			first = t.from
		}
		for first+len(lines) < t.from+len(t.w) {
			var l []int32
			if n := len(free); n > 0 {
				l, free = free[n-1], free[:n-1]
			} else {
				l = make([]int32, 3*to.Dx())
			}
			at := pic.PixOffset(crop.Min.X, crop.Min.Y+first+len(lines))
			scaleLine(l, pic.Pix[at:at+4*crop.Dx()], across)
			lines = append(lines, l)
		}
		fold(sum, lines[t.from-first:], t.w)
		out := dst.Pix[dst.PixOffset(to.Min.X, to.Min.Y+y):][:4*to.Dx()]
		for i := 0; i+3 <= len(sum); i += 3 {
			o := out[i/3*4 : i/3*4+4 : i/3*4+4]
			o[0], o[1], o[2], o[3] = level(sum[i]), level(sum[i+1]), level(sum[i+2]), 255
		}
	}
}

// fold sums lines by their weights, four at a time.
func fold(sum []int32, lines [][]int32, w []int32) {
	for i := range sum {
		sum[i] = weightOne * lineOne / 2 // to round
	}
	for ; len(w) >= 4; w, lines = w[4:], lines[4:] {
		a, b, c, d := lines[0][:len(sum)], lines[1][:len(sum)], lines[2][:len(sum)], lines[3][:len(sum)]
		wa, wb, wc, wd := w[0], w[1], w[2], w[3]
		for i := range sum {
			sum[i] += wa*a[i] + wb*b[i] + wc*c[i] + wd*d[i]
		}
	}
	for k, v := range w {
		l := lines[k][:len(sum)]
		for i := range sum {
			sum[i] += v * l[i]
		}
	}
}

// scaleLine makes a line of three channels from a row of RGBA.
func scaleLine(out []int32, row []byte, across []taps) {
	for x, t := range across {
		var r, g, b int32
		p := row[4*t.from:][:4*len(t.w)]
		for k, w := range t.w {
			q := p[4*k : 4*k+4 : 4*k+4]
			r += w * int32(q[0])
			g += w * int32(q[1])
			b += w * int32(q[2])
		}
		const half = 1 << (weightBits - lineBits - 1)
		o := out[3*x : 3*x+3 : 3*x+3]
		o[0], o[1], o[2] = (r+half)>>(weightBits-lineBits), (g+half)>>(weightBits-lineBits), (b+half)>>(weightBits-lineBits)
	}
}

// level is a sum of both passes as a level of 0 to 255.
func level(v int32) uint8 {
	return uint8(min(max(v>>(weightBits+lineBits), 0), 255))
}
