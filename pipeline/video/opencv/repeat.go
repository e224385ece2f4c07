//go:build cgo

package opencv

// Thresholds of a repeat, in levels of 255, over a grid of samples of the green
// channel. A duplicated frame comes out of a codec as skipped blocks: equal, or
// a level or two away where the encoder refined it. Real motion or sensor noise
// moves some sample farther.
const (
	repeatMaxLevel = 2
	repeatStep     = 4 // px between samples: a ball of 1 % of the height still covers several
)

// repeatDetector compares each picture with the one before.
type repeatDetector struct {
	last  []byte
	index int
	valid bool
}

// next says whether the picture of frame index (BGR, tightly packed) repeats
// that of frame index − 1. After skipped frames nothing can be said: false.
func (d *repeatDetector) next(pix []byte, w, h, index int) bool {
	n := ((w + repeatStep - 1) / repeatStep) * ((h + repeatStep - 1) / repeatStep)
	comparable := d.valid && len(d.last) == n && index == d.index+1
	if len(d.last) != n {
		d.last = make([]byte, n)
	}
	same := comparable
	k := 0
	for y := 0; y < h; y += repeatStep {
		row := pix[y*w*3 : (y+1)*w*3]
		for x := 1; x < len(row); x += 3 * repeatStep {
			v, l := row[x], d.last[k]
			if same && (v > l && v-l > repeatMaxLevel || l > v && l-v > repeatMaxLevel) {
				same = false
			}
			d.last[k] = v
			k++
		}
	}
	d.index, d.valid = index, true
	return same
}
