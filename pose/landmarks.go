package pose

import (
	"fmt"
	"math"
)

// LandmarkPx is the side of the landmark model's input, px.
const LandmarkPx = 256

const (
	landmarkPoints = 39 // 33 named, the rest auxiliary
	heatSide       = 64 // cells of a heatmap's side
	refineHalf     = 3  // 7 × 7 cells about the point
	refineMin      = 0.5
)

// LandmarkInput makes the landmark model's input, float32 [1, 256, 256, 3],
// RGB, 0 to 1, of a region. buf may be nil or a buffer of an earlier call.
func LandmarkInput(im Image, r Region, buf []float32) Tensor {
	const n = LandmarkPx * LandmarkPx * 3
	if len(buf) < n {
		buf = make([]float32, n)
	}
	Crop(buf[:n], LandmarkPx, im, r)
	return Tensor{Shape: []int64{1, LandmarkPx, LandmarkPx, 3}, F32: buf[:n]}
}

// Landmarks reads the landmark model's outputs for one region: 33 points in
// px of the picture with their scores (the lower of visible and present), the
// same points in metres about mid-hip with the axes of the picture, and the
// model's own score for the whole, which says little. Outputs are told apart
// by their size: [1,195], [1,1], [1,64,64,39], [1,117].
func Landmarks(out []Tensor, r Region) (p Pose, world [NumJoints]Point3, score float64, err error) {
	var points, heat, metres []float32
	for _, o := range out {
		switch len(o.F32) {
		case landmarkPoints * 5:
			points = o.F32
		case landmarkPoints * 3:
			metres = o.F32
		case heatSide * heatSide * landmarkPoints:
			heat = o.F32
		case 1:
			score = float64(o.F32[0])
		}
	}
	if points == nil || metres == nil {
		return p, world, 0, fmt.Errorf("landmark model: %w: no output of %d or %d numbers", ErrShape, landmarkPoints*5, landmarkPoints*3)
	}
	s, c := math.Sincos(r.AngleRad)
	for j := range NumJoints {
		v := points[j*5 : j*5+5]
		u, w := float64(v[0])/LandmarkPx, float64(v[1])/LandmarkPx
		if heat != nil {
			u, w = refine(heat, j, u, w)
		}
		x, y := r.ToPicture(u, w)
		p[j] = Keypoint{x, y, math.Min(sigmoid(float64(v[3])), sigmoid(float64(v[4])))}
		m := metres[j*3 : j*3+3]
		world[j] = Point3{c*float64(m[0]) - s*float64(m[1]), s*float64(m[0]) + c*float64(m[1]), float64(m[2])}
	}
	return p, world, score, nil
}

func sigmoid(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

// refine moves a point to the weighted mean of its heatmap in a small window
// about it, where the heatmap is sure of something.
func refine(heat []float32, j int, u, v float64) (float64, float64) {
	col, row := int(u*heatSide), int(v*heatSide)
	if !(u >= 0 && v >= 0) || col >= heatSide || row >= heatSide {
		return u, v
	}
	var sum, su, sv, top float64
	for y := max(0, row-refineHalf); y <= min(heatSide-1, row+refineHalf); y++ {
		for x := max(0, col-refineHalf); x <= min(heatSide-1, col+refineHalf); x++ {
			w := sigmoid(float64(heat[(y*heatSide+x)*landmarkPoints+j]))
			sum += w
			su += w * float64(x)
			sv += w * float64(y)
			top = math.Max(top, w)
		}
	}
	if top < refineMin || sum <= 0 {
		return u, v
	}
	return su / sum / heatSide, sv / sum / heatSide
}
