//go:build cgo

package opencv

// A duplicated frame does not come out of a codec equal to the one before: the
// encoder refines it. What is compared is the mean difference of green, in
// levels of 255, within the block where it is largest. Measured on clips with
// doubled frames at x264 quality 18, 23 and 28: doubled frames at most 5, 7 and
// 21, the frames between them 35 and more; but slow motion interpolated to 200
// and 240 frames a second lies between 2 and 48. So a frame is a repeat where
// its difference is small and far below what went before.
const (
	repeatEqual = 1  // nothing moved at all
	repeatMax   = 12 // above this it is motion, whatever went before
	repeatRatio = 5  // how far below the motion before
	// repeatFade: after a stop the comparison with earlier motion ends within some frames.
	repeatFade = 0.7

	blockSide  = 16 // px
	sampleStep = 2  // px; every second sample of every second row, staggered
)

// repeatDetector compares each picture with the one before.
type repeatDetector struct {
	last   []byte
	blocks []int32
	w, h   int
	index  int
	valid  bool
	motion float64 // the recent largest difference, fading
}

// next says whether the picture of frame index (BGR, tightly packed) repeats
// that of frame index − 1. After skipped frames nothing can be said: false.
func (d *repeatDetector) next(pix []byte, w, h, index int) bool {
	follows := d.valid && d.w == w && d.h == h && index == d.index+1
	if d.w != w || d.h != h {
		d.w, d.h = w, h
		d.last = make([]byte, (w/sampleStep+1)*(h/sampleStep+1))
		d.blocks = make([]int32, w/blockSide+1)
	}
	d.index, d.valid = index, true
	diff := d.difference(pix)
	if !follows {
		d.motion = 0
		return false
	}
	same := diff <= repeatEqual || diff <= repeatMax && diff*repeatRatio <= d.motion
	d.motion = max(d.motion*repeatFade, diff)
	return same
}

// difference returns the largest mean difference of a block and keeps the
// picture's samples for the next call.
func (d *repeatDetector) difference(pix []byte) float64 {
	const samples = (blockSide / sampleStep) * (blockSide / sampleStep)
	var most int32
	k := 0
	for y := 0; y < d.h; y += sampleStep {
		if y%blockSide == 0 {
			clear(d.blocks)
		}
		row := pix[y*d.w*3 : (y+1)*d.w*3]
		x := 3*(y/sampleStep%sampleStep) + 1
		for b := range d.blocks {
			var sum int32
			end := min(3*blockSide*(b+1), len(row))
			for ; x < end; x += 3 * sampleStep {
				v := int32(row[x])
				diff := v - int32(d.last[k])
				d.last[k] = byte(v)
				sum += max(diff, -diff)
				k++
			}
			d.blocks[b] += sum
		}
		if y%blockSide == blockSide-sampleStep || y+sampleStep >= d.h {
			for _, sum := range d.blocks {
				most = max(most, sum)
			}
		}
	}
	return float64(most) / samples
}
