package pose

import "math"

// Box is an upright rectangle, px: X0 ≤ X1, Y0 ≤ Y1.
type Box struct{ X0, Y0, X1, Y1 float64 }

// IoU is the area that two boxes share ÷ the area that they cover.
func (b Box) IoU(c Box) float64 {
	w := math.Min(b.X1, c.X1) - math.Max(b.X0, c.X0)
	h := math.Min(b.Y1, c.Y1) - math.Max(b.Y0, c.Y0)
	if w <= 0 || h <= 0 {
		return 0
	}
	u := (b.X1-b.X0)*(b.Y1-b.Y0) + (c.X1-c.X0)*(c.Y1-c.Y0) - w*h
	return w * h / u
}

// Dist is the distance from a point to the box, 0 inside.
func (b Box) Dist(x, y float64) float64 {
	dx := math.Max(0, math.Max(b.X0-x, x-b.X1))
	dy := math.Max(0, math.Max(b.Y0-y, y-b.Y1))
	return math.Hypot(dx, dy)
}

// Person is one person that the people model found in one picture.
type Person struct {
	Points Pose // the 17 COCO points are set, the others have score 0
	Box    Box
	Score  float64
	Motion float64    // how much the picture changed about the person since the picture 1/14 s before (Changes.Motion); 0 = not known
	Shirt  [3]float64 // mean B, G, R between shoulders and hips: tells people apart; 0,0,0 = not taken
}

// Shift moves the person, px.
func (p *Person) Shift(dx, dy float64) {
	for i := range p.Points {
		if p.Points[i].Score > 0 {
			p.Points[i].X += dx
			p.Points[i].Y += dy
		}
	}
	p.Box = Box{p.Box.X0 + dx, p.Box.Y0 + dy, p.Box.X1 + dx, p.Box.Y1 + dy}
}

// ObjectKind is a class of the object detector.
type ObjectKind uint8

// The classes that are kept.
const (
	PersonObject ObjectKind = iota
	SportsBall
	BaseballBat
	BaseballGlove
)

// Object is a box that the object detector found.
type Object struct {
	Kind  ObjectKind
	Box   Box
	Score float64
}

// COCOJoints are the 17 points of COCO keypoints, in their order.
var COCOJoints = [17]Joint{
	Nose, LeftEye, RightEye, LeftEar, RightEar, LeftShoulder, RightShoulder, LeftElbow, RightElbow,
	LeftWrist, RightWrist, LeftHip, RightHip, LeftKnee, RightKnee, LeftAnkle, RightAnkle,
}

// Bounds is the box about the points with at least minScore, and their number.
func (p *Pose) Bounds(minScore float64) (Box, int) {
	b := Box{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	n := 0
	for _, k := range p {
		if !k.Seen() || k.Score < minScore {
			continue
		}
		b.X0, b.X1 = math.Min(b.X0, k.X), math.Max(b.X1, k.X)
		b.Y0, b.Y1 = math.Min(b.Y0, k.Y), math.Max(b.Y1, k.Y)
		n++
	}
	if n == 0 {
		return Box{}, 0
	}
	return b, n
}

// Mid is the point between two joints; its score is the lower one. It needs both.
func Mid(p *Pose, a, b Joint, minScore float64) (Keypoint, bool) {
	ka, kb := p[a], p[b]
	s := math.Min(ka.Score, kb.Score)
	if !ka.Seen() || !kb.Seen() || s < minScore {
		return Keypoint{}, false
	}
	return Keypoint{(ka.X + kb.X) / 2, (ka.Y + kb.Y) / 2, s}, true
}

// BodyLengthPx is the length of the body along its joints, from the crown to
// the soles, px: trunk, thigh and shank as seen, with the head and the foot
// added in proportion. Bent knees do not shorten it, but leaning towards the
// camera does: take a high quantile over time. ok is false if a part is not seen.
func (p *Pose) BodyLengthPx(minScore float64) (px float64, ok bool) {
	sh, ok1 := Mid(p, LeftShoulder, RightShoulder, minScore)
	hip, ok2 := Mid(p, LeftHip, RightHip, minScore)
	if !ok1 || !ok2 {
		return 0, false
	}
	var leg float64
	for _, side := range [2][3]Joint{{LeftHip, LeftKnee, LeftAnkle}, {RightHip, RightKnee, RightAnkle}} {
		h, k, a := p[side[0]], p[side[1]], p[side[2]]
		if h.Seen() && k.Seen() && a.Seen() && math.Min(k.Score, a.Score) >= minScore {
			leg = math.Max(leg, math.Hypot(h.X-k.X, h.Y-k.Y)+math.Hypot(k.X-a.X, k.Y-a.Y))
		}
	}
	if leg == 0 {
		return 0, false
	}
	// Shoulder to ankle is .818 − .039 of stature (Drillis & Contini 1966).
	return (math.Hypot(sh.X-hip.X, sh.Y-hip.Y) + leg) / (0.818 - 0.039), true
}
