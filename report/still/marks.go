package still

import (
	"cagebook/pose"
)

type point struct{ x, y float64 }

func mid(a, b point) point { return point{(a.x + b.x) / 2, (a.y + b.y) / 2} }

// shape is what a mark draws: an angle between two legs, lines, and the point
// that its letter belongs to.
type shape struct {
	angle  *[3]point // leg end, corner, leg end
	lines  [][2]point
	dashed [][2]point
	anchor point
}

// figure gives the points of a pose that are known well enough to be drawn.
type figure struct {
	p          *Pose
	leadIsLeft bool
	limit      float64 // px; points with a larger uncertainty are not drawn
}

func newFigure(p *Pose, leadIsLeft bool) figure {
	return figure{p, leadIsLeft, maxSigmaShare * p.extent()}
}

func (f figure) at(j pose.Joint) (point, bool) {
	e := f.p[j]
	return point{e.X, e.Y}, e.Known() && e.Sigma <= f.limit
}

// side returns the left joint's partner on the lead or the rear side.
func (f figure) side(left pose.Joint, lead bool) pose.Joint {
	if lead == f.leadIsLeft {
		return left
	}
	return left.Swap()
}

func (f figure) lead(left pose.Joint) (point, bool) { return f.at(f.side(left, true)) }
func (f figure) rear(left pose.Joint) (point, bool) { return f.at(f.side(left, false)) }

func (f figure) middle(left pose.Joint) (point, bool) {
	a, okA := f.at(left)
	b, okB := f.at(left.Swap())
	return mid(a, b), okA && okB
}

// shapeOf says how a measure shows in a picture; false where it has no shape
// or a joint that it needs is not known.
func (f figure) shapeOf(measure string) (shape, bool) {
	joint := func(a, b, c pose.Joint, lead bool) (shape, bool) {
		p, ok1 := f.at(f.side(a, lead))
		q, ok2 := f.at(f.side(b, lead))
		r, ok3 := f.at(f.side(c, lead))
		return shape{angle: &[3]point{p, q, r}, anchor: q}, ok1 && ok2 && ok3
	}
	ankles := func() (lead, rear point, ok bool) {
		l, ok1 := f.lead(pose.LeftAnkle)
		r, ok2 := f.rear(pose.LeftAnkle)
		return l, r, ok1 && ok2
	}
	switch measure {
	case "lead_knee_flexion", "lead_knee_straightening":
		return joint(pose.LeftHip, pose.LeftKnee, pose.LeftAnkle, true)
	case "rear_knee_flexion":
		return joint(pose.LeftHip, pose.LeftKnee, pose.LeftAnkle, false)
	case "lead_elbow_flexion":
		return joint(pose.LeftShoulder, pose.LeftElbow, pose.LeftWrist, true)
	case "rear_elbow_flexion":
		return joint(pose.LeftShoulder, pose.LeftElbow, pose.LeftWrist, false)
	case "trunk_lean":
		s, ok1 := f.middle(pose.LeftShoulder)
		h, ok2 := f.middle(pose.LeftHip)
		up := point{h.x, s.y}
		return shape{lines: [][2]point{{h, s}}, dashed: [][2]point{{h, up}}, anchor: s}, ok1 && ok2
	case "body_over_feet":
		l, r, ok1 := ankles()
		h, ok2 := f.middle(pose.LeftHip)
		// A plumb line from mid-hip to the line between the ankles.
		foot := point{h.x, (l.y + r.y) / 2}
		if dx := l.x - r.x; dx != 0 {
			foot.y = r.y + (h.x-r.x)/dx*(l.y-r.y)
			foot.y = min(max(foot.y, min(l.y, r.y)), max(l.y, r.y))
		}
		return shape{lines: [][2]point{{r, l}}, dashed: [][2]point{{h, foot}}, anchor: foot}, ok1 && ok2
	case "stance_width", "stride_length":
		l, r, ok := ankles()
		return shape{lines: [][2]point{{r, l}}, anchor: mid(l, r)}, ok
	case "rear_knee_inside":
		k, ok1 := f.rear(pose.LeftKnee)
		a, ok2 := f.rear(pose.LeftAnkle)
		up := point{a.x, k.y}
		return shape{lines: [][2]point{{up, k}}, dashed: [][2]point{{a, up}}, anchor: k}, ok1 && ok2
	case "hands_separation", "hands_back":
		h, ok1 := f.middle(pose.LeftWrist)
		a, ok2 := f.lead(pose.LeftAnkle)
		if measure == "hands_back" {
			a, ok2 = f.rear(pose.LeftShoulder)
		}
		over := point{a.x, h.y}
		return shape{lines: [][2]point{{h, over}}, dashed: [][2]point{{a, over}}, anchor: h}, ok1 && ok2
	case "lead_foot_open":
		h, ok1 := f.lead(pose.LeftHeel)
		t, ok2 := f.lead(pose.LeftFootIndex)
		return shape{lines: [][2]point{{h, t}}, anchor: t}, ok1 && ok2
	case "reach", "reach_of_ceiling":
		s, ok1 := f.middle(pose.LeftShoulder)
		h, ok2 := f.middle(pose.LeftWrist)
		return shape{lines: [][2]point{{s, h}}, anchor: h}, ok1 && ok2
	case "turn_separation":
		a, ok1 := f.lead(pose.LeftShoulder)
		b, ok2 := f.rear(pose.LeftShoulder)
		c, ok3 := f.lead(pose.LeftHip)
		d, ok4 := f.rear(pose.LeftHip)
		return shape{lines: [][2]point{{a, b}, {c, d}}, anchor: mid(a, b)}, ok1 && ok2 && ok3 && ok4
	case "foot_slide", "foot_spin":
		a, ok := f.lead(pose.LeftAnkle)
		return shape{anchor: a}, ok
	case "hand_path_straightness", "hand_drop", "hands_hips_gap":
		h, ok := f.middle(pose.LeftWrist)
		return shape{anchor: h}, ok
	}
	return shape{}, false
}

// Sure says whether a joint of a pose is known well enough to be drawn.
func Sure(p *Pose, j pose.Joint) bool {
	_, ok := newFigure(p, true).at(j)
	return ok
}
