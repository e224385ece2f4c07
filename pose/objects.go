package pose

import (
	"fmt"
	"math"
	"slices"
)

const (
	objectsPx      = 416 // side of the detector's square input
	objectsClasses = 80  // COCO
	objectsBins    = 11  // bins of each of the four distances, in units of the stride
)

// Mean and standard deviation of B, G, R that the detector was trained with.
var (
	objectsMean = [3]float32{103.53, 116.28, 123.675}
	objectsStd  = [3]float32{57.375, 57.12, 58.395}
)

// The classes of interest by their COCO number (of 80).
var objectsKinds = map[int]ObjectKind{0: PersonObject, 32: SportsBall, 34: BaseballBat, 35: BaseballGlove}

// ObjectsFit is how a picture of w × h goes into the detector's input.
func ObjectsFit(w, h int) Fit {
	return Fit{W: objectsPx, H: objectsPx, Scale: objectsPx / float64(max(w, h))}
}

// ObjectsPicture is the picture at the size at which the detector takes it.
func ObjectsPicture(im Image, f Fit) Image { return fitted(im, f) }

// ObjectsInput makes the detector's input of such a picture, float32 [1, 3, 416, 416], BGR planes.
func ObjectsInput(small Image, f Fit) Tensor {
	plane := f.W * f.H
	t := Tensor{Shape: []int64{1, 3, int64(f.H), int64(f.W)}, F32: make([]float32, 3*plane)}
	for c := range 3 {
		var level [256]float32
		for i := range level {
			level[i] = (float32(i) - objectsMean[c]) / objectsStd[c]
		}
		out := t.F32[c*plane : (c+1)*plane]
		for i := range out {
			out[i] = level[0]
		}
		for y := range small.H {
			row := small.Pix[y*small.Stride : y*small.Stride+small.W*3]
			for x := range small.W {
				out[y*f.W+x] = level[row[3*x+c]]
			}
		}
	}
	return t
}

// DecodeObjects reads the detector's outputs, for the strides 8, 16 and 32:
// class scores [1, N, 80] and distances to the four sides [1, N, 44], in any
// order. Only people, balls, bats and gloves of at least minScore are kept,
// after suppression of overlapping boxes of one kind.
func DecodeObjects(outs []Tensor, f Fit, zoom, minScore float64) ([]Object, error) {
	var found []Object
	for _, stride := range [3]int{8, 16, 32} {
		side := objectsPx / stride
		n := side * side
		var scores, sides []float32
		for _, o := range outs {
			switch len(o.F32) {
			case n * objectsClasses:
				scores = o.F32
			case n * 4 * objectsBins:
				sides = o.F32
			}
		}
		if scores == nil || sides == nil {
			return nil, fmt.Errorf("object detector: %w: no output of %d cells", ErrShape, n)
		}
		for i := range n {
			for class, kind := range objectsKinds {
				s := float64(scores[i*objectsClasses+class])
				if s < minScore {
					continue
				}
				cx, cy := (float64(i%side)+0.5)*float64(stride), (float64(i/side)+0.5)*float64(stride)
				d := binDistances(sides[i*4*objectsBins:(i+1)*4*objectsBins], float64(stride))
				k := zoom / f.Scale
				found = append(found, Object{kind, Box{(cx - d[0]) * k, (cy - d[1]) * k, (cx + d[2]) * k, (cy + d[3]) * k}, s})
			}
		}
	}
	slices.SortFunc(found, func(a, b Object) int {
		switch {
		case a.Score != b.Score:
			return cmpDesc(a.Score, b.Score)
		case a.Kind != b.Kind:
			return int(a.Kind) - int(b.Kind)
		case a.Box.X0 != b.Box.X0:
			return cmpDesc(b.Box.X0, a.Box.X0)
		default:
			return cmpDesc(b.Box.Y0, a.Box.Y0)
		}
	})
	var kept []Object
next:
	for _, o := range found {
		for _, k := range kept {
			if k.Kind == o.Kind && k.Box.IoU(o.Box) > 0.5 {
				continue next
			}
		}
		kept = append(kept, o)
	}
	return kept, nil
}

func cmpDesc(a, b float64) int {
	switch {
	case a > b:
		return -1
	case a < b:
		return 1
	}
	return 0
}

// binDistances is the expected value of each side's distribution over its bins:
// left, top, right, bottom, px of the input.
func binDistances(v []float32, stride float64) (d [4]float64) {
	for side := range d {
		bins := v[side*objectsBins : (side+1)*objectsBins]
		top := slices.Max(bins)
		var sum, mean float64
		for i, b := range bins {
			e := math.Exp(float64(b - top))
			sum += e
			mean += e * float64(i)
		}
		d[side] = mean / sum * stride
	}
	return d
}
