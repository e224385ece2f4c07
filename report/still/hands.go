package still

import (
	"image"
	"math"

	"git.sr.ht/~sbinet/gg"

	"cagebook/pose"
)

// How the hands lie on the handle cannot be told from joints, so the still of
// contact shows them enlarged instead of a number.
const (
	handsMoment = 5    // contact's number among the key frames
	handsShare  = 0.20 // side of the part that is enlarged, of the hitter's extent: two hands, wrists and the handle
	handsPx     = 340  // side of the enlargement in the still
	handsLeast  = 32   // px of the picture: what is smaller shows nothing when enlarged
	handsMore   = 1.3  // least enlargement over the still itself
	handsApart  = 0.15 // hands farther apart than this part of the extent are not on one handle, or one of them is wrong
	handsEdge   = 18.0 // px between the enlargement and the picture's edge
	handsClear  = 60.0 // px between it and any joint: a head stands out from its joints by about so much
)

// handsBox is the part of the picture with both hands; ok is false where they are not known well enough.
func handsBox(s *Scene) (image.Rectangle, bool) {
	e := s.Pose.extent()
	var at []point
	for _, j := range []pose.Joint{pose.LeftIndex, pose.RightIndex} {
		if Sure(&s.Pose, j) {
			at = append(at, point{s.Pose[j].X, s.Pose[j].Y})
		}
	}
	if len(at) < 2 || math.Hypot(at[0].x-at[1].x, at[0].y-at[1].y) > handsApart*e {
		return image.Rectangle{}, false
	}
	side := handsShare * e
	b := s.Picture.Bounds()
	if side < handsLeast || side > float64(min(b.Dx(), b.Dy())) {
		return image.Rectangle{}, false
	}
	c := mid(at[0], at[1])
	return place(c.x, c.y, side, side, b), true
}

// drawHands puts the hands, enlarged, into a corner of the picture, and frames them in both places.
func drawHands(img *image.RGBA, dc *gg.Context, v view, s *Scene) {
	from, ok := handsBox(s)
	if s.Number != handsMoment || !ok || float64(handsPx) < handsMore*v.k*float64(from.Dx()) {
		return
	}
	a, b := v.to(point{float64(from.Min.X), float64(from.Min.Y)}), v.to(point{float64(from.Max.X), float64(from.Max.Y)})
	to, ok := v.freeCorner(s, mid(a, b))
	if !ok {
		return
	}
	scale(img, to, s.Picture, from)
	for _, pass := range []struct {
		dark bool
		w    float64
	}{{true, 7}, {false, 3}} {
		dc.SetColor(chalk)
		if pass.dark {
			dc.SetColor(halo)
		}
		dc.SetLineWidth(pass.w * v.lw)
		dc.DrawRectangle(a.x, a.y, b.x-a.x, b.y-a.y)
		dc.DrawRectangle(float64(to.Min.X), float64(to.Min.Y), float64(to.Dx()), float64(to.Dy()))
		dc.Stroke()
	}
}

// freeCorner is the corner of the drawing nearest to a point in which an enlargement covers nothing of the hitter; ok is false if
// there is none.
func (v view) freeCorner(s *Scene, to point) (best image.Rectangle, ok bool) {
	const half = handsPx / 2
	l, r := float64(v.dst.Min.X)+handsEdge+half, float64(v.dst.Max.X)-handsEdge-half
	t, b := float64(v.dst.Min.Y)+handsEdge+half, float64(v.dst.Max.Y)-handsEdge-half
	if r-l < 2*half || b-t < half {
		return best, false
	}
	shown := append([]pose.Estimate{s.Knob, s.Barrel}, s.Pose[:]...)
	near := math.Inf(1)
	for _, c := range []point{{l, t}, {r, t}, {l, b}, {r, b}} {
		free := true
		for _, e := range shown {
			q := v.to(point{e.X, e.Y})
			free = free && (!e.Known() || math.Max(math.Abs(q.x-c.x), math.Abs(q.y-c.y)) > half+handsClear)
		}
		if d := math.Hypot(c.x-to.x, c.y-to.y); free && d < near {
			near, ok = d, true
			best = image.Rect(int(c.x)-half, int(c.y)-half, int(c.x)+half, int(c.y)+half)
		}
	}
	return best, ok
}
