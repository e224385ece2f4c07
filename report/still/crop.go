// Package still draws annotated key frames and proof sheets in plain Go, so
// that no change of a native library changes them.
//
// Words stand in bands above and below a picture; on the picture itself are
// thin lines only. Front and back side differ by line style as well as colour.
package still

import (
	"image"
	"math"

	"cagebook/pose"
)

// A point is drawn only if its standard uncertainty is below this share of
// the hitter's extent in the picture; beyond it a line would show a place that
// is not known.
const maxSigmaShare = 0.08

// Pose is where the hitter's joints are in one picture, px of that picture.
type Pose [pose.NumJoints]pose.Estimate

// box is the hull of the known joints, and whether there are at least two.
func (p *Pose) box() (minX, minY, maxX, maxY float64, ok bool) {
	minX, minY = math.Inf(1), math.Inf(1)
	maxX, maxY = math.Inf(-1), math.Inf(-1)
	n := 0
	for _, e := range p {
		if !e.Known() || math.IsInf(e.X, 0) || math.IsInf(e.Y, 0) {
			continue
		}
		n++
		minX, maxX = min(minX, e.X), max(maxX, e.X)
		minY, maxY = min(minY, e.Y), max(maxY, e.Y)
	}
	return minX, minY, maxX, maxY, n >= 2
}

// extent is the larger side of the hull, px.
func (p *Pose) extent() float64 {
	x0, y0, x1, y1, ok := p.box()
	if !ok {
		return 0
	}
	return max(x1-x0, y1-y0)
}

const (
	marginSide = 0.28 // of the hitter's extent: room for hands and bat
	MarginTop  = 0.30 // joints end at the face; head, helmet and a raised bat stand above
	marginFoot = 0.12
	aspectMax  = 1.25 // height / width of a still's picture; phones are held upright
	aspectMin  = 0.80
	panLimit   = 1.6 // a hull of all frames larger than this many single ones means that the camera moved
)

// Crops chooses for each pose the part of the picture that shows the hitter.
// All have the same size, and the same place too unless the camera moved, so
// that pictures can be compared. A pose without joints gets the common place.
func Crops(poses []Pose, bounds image.Rectangle) []image.Rectangle {
	type hull struct {
		x0, y0, x1, y1 float64
		ok             bool
	}
	hulls := make([]hull, len(poses))
	all := hull{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1), false}
	var w, h float64
	for i := range poses {
		q := &hulls[i]
		q.x0, q.y0, q.x1, q.y1, q.ok = poses[i].box()
		if !q.ok {
			continue
		}
		e := poses[i].extent()
		q.x0, q.x1 = q.x0-marginSide*e, q.x1+marginSide*e
		q.y0, q.y1 = q.y0-MarginTop*e, q.y1+marginFoot*e
		w, h = max(w, q.x1-q.x0), max(h, q.y1-q.y0)
		all = hull{min(all.x0, q.x0), min(all.y0, q.y0), max(all.x1, q.x1), max(all.y1, q.y1), true}
	}
	out := make([]image.Rectangle, len(poses))
	if !all.ok {
		for i := range out {
			out[i] = bounds
		}
		return out
	}
	moved := all.x1-all.x0 > panLimit*w || all.y1-all.y0 > panLimit*h
	if !moved {
		w, h = all.x1-all.x0, all.y1-all.y0
	}
	w, h = max(w, h/aspectMax), max(h, w*aspectMin)
	w, h = min(w, float64(bounds.Dx())), min(h, float64(bounds.Dy()))
	for i, q := range hulls {
		if !q.ok || !moved {
			q = all
		}
		out[i] = place((q.x0+q.x1)/2, (q.y0+q.y1)/2, w, h, bounds)
	}
	return out
}

// place puts a window of w × h about a centre, moved so that it lies in bounds.
func place(cx, cy, w, h float64, bounds image.Rectangle) image.Rectangle {
	x := min(max(cx-w/2, float64(bounds.Min.X)), float64(bounds.Max.X)-w)
	y := min(max(cy-h/2, float64(bounds.Min.Y)), float64(bounds.Max.Y)-h)
	r := image.Rect(int(math.Floor(x)), int(math.Floor(y)), int(math.Floor(x))+max(1, int(math.Round(w))), int(math.Floor(y))+max(1, int(math.Round(h))))
	return r.Intersect(bounds)
}
