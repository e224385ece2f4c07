package report

import (
	"math"

	"cagebook/phases"
	"cagebook/phases/kinematics"
	"cagebook/pose"
)

// curve is a value over the time of a swing, one number a sample; NaN where it is not known.
type curve struct {
	ID, Title string
	Unit      string // as shown behind a number
	Decimals  int
	Lines     []curveLine
	Note      string // what it means, in plain words
	Sigma     float64
}

type curveLine struct {
	Name   string
	Dashed bool // told apart by more than colour
	Y      []float64
}

// worldTurnSigmaDeg is the standard uncertainty of a turn read from the 3D estimate of one camera: 8° median error.
const worldTurnSigmaDeg = 12

// barrelSmoothS is the half width over which the bat's way is fitted for its speed; the bat turns about 40° in it near contact.
const barrelSmoothS = 0.02

// smoothTurnS is the half width over which turns are smoothed: the 3D estimate jitters from frame to frame.
const smoothTurnS = 0.04

// curves are those that this camera can show honestly.
func (s *Swing) curves(h Hitter, at []int) (out []curve) {
	t := s.Track
	if t == nil || len(at) < 5 || len(t.Smooth) != t.Len() {
		return nil
	}
	add := func(c *curve) {
		if c != nil {
			out = append(out, *c)
		}
	}
	add(s.handSpeed(h, at))
	add(s.turns(at))
	add(s.headWay(h, at))
	return out
}

// lengthUnit is px a unit of length, with the unit's name; ok is false where there is neither a scale nor a body height.
func (s *Swing) lengthUnit(h Hitter) (px float64, unit string, ok bool) {
	switch {
	case s.Scale.PxPerM.Known() && s.Scale.PxPerM > 0:
		if h.Units == unitsUS {
			return float64(s.Scale.PxPerM) * inchM, "in", true
		}
		return float64(s.Scale.PxPerM), "m", true
	case s.Source != nil && s.Source.Scale.HeightPx > 0:
		return s.Source.Scale.HeightPx, "body heights", true
	}
	return 0, "", false
}

// sideways says whether motion toward the pitcher shows in the picture, and in which direction it goes.
func (s *Swing) sideways() (direction float64, ok bool) {
	if !s.View.AzimuthDeg.Known() {
		return 0, false
	}
	v := phases.View{AzimuthDeg: float64(s.View.AzimuthDeg)}
	x := v.ImageX(s.Bats)
	return x, math.Abs(x) > 0.7 // within 45° of square to the line to the pitcher
}

func midOf(t *pose.Track, k int, j pose.Joint) (x, y float64) {
	a, b := t.Smooth[k][j], t.Smooth[k][j.Swap()]
	if !a.Known() || !b.Known() {
		return math.NaN(), math.NaN()
	}
	return (a.X + b.X) / 2, (a.Y + b.Y) / 2
}

// handSpeed is the speed of the hands relative to the hips, and of the bat's end where it was followed, in the picture plane.
func (s *Swing) handSpeed(h Hitter, at []int) *curve {
	px, unit, ok := s.lengthUnit(h)
	if _, side := s.sideways(); !ok || !side {
		return nil
	}
	perS := unit + "/s"
	if unit == "in" {
		px, perS = px/inchM*mphMS, "mph"
	}
	t := s.Track
	hands := speedOf(t, at, func(k int) (float64, float64) {
		x, y := midOf(t, k, pose.LeftWrist)
		hx, hy := midOf(t, k, pose.LeftHip)
		return (x - hx) / px, (y - hy) / px
	}, 0)
	if hands == nil {
		return nil
	}
	c := &curve{
		ID: "speed", Title: "Speed of the hands", Unit: perS, Decimals: 1, Lines: []curveLine{{Name: "hands", Y: hands}},
		Note: "How fast the hands move past the hips, as this camera sees it. Motion straight toward or away from the camera does not count.",
	}
	if barrel := speedOf(t, at, func(k int) (float64, float64) {
		if k >= len(t.Bat) || t.Bat[k].Status != string(phases.Measured) || !t.Bat[k].Barrel.Known() {
			return math.NaN(), math.NaN()
		}
		return t.Bat[k].Barrel.X / px, t.Bat[k].Barrel.Y / px
	}, barrelSmoothS); barrel != nil && s.status("bat_speed") == phases.Measured {
		c.Title = "Speed of hands and barrel"
		c.Lines = append(c.Lines, curveLine{Name: "barrel", Dashed: true, Y: barrel})
	}
	return c
}

// status of a measure, whatever its event; empty where there is none.
func (s *Swing) status(name string) phases.Status {
	var st phases.Status
	for _, m := range s.Measures {
		if m.Name == name && (st == "" || m.Status == phases.Measured) {
			st = m.Status
		}
	}
	return st
}

// speedOf is the speed of a point at the samples; nil where fewer than five follow each other.
// Points that are not smooth yet are fitted by parabolas over ± halfWidthS.
func speedOf(t *pose.Track, at []int, p func(k int) (x, y float64), halfWidthS float64) []float64 {
	n := len(at)
	ts, xs, ys := make([]float64, n), make([]float64, n), make([]float64, n)
	run, longest := 0, 0
	for i, k := range at {
		ts[i] = t.Times[k]
		xs[i], ys[i] = p(k)
		if run++; math.IsNaN(xs[i]) {
			run = 0
		}
		longest = max(longest, run)
	}
	if longest < 5 {
		return nil
	}
	dx, err1 := kinematics.Derivative(ts, xs)
	dy, err2 := kinematics.Derivative(ts, ys)
	if err1 != nil || err2 != nil {
		return nil
	}
	for i := range dx {
		if halfWidthS > 0 && !math.IsNaN(dx[i]) {
			x, _, err1 := kinematics.LocalPolynomial(ts, xs, nil, ts[i], halfWidthS, 2, 1)
			y, _, err2 := kinematics.LocalPolynomial(ts, ys, nil, ts[i], halfWidthS, 2, 1)
			if err1 == nil && err2 == nil {
				dx[i], dy[i] = x, y
			}
		}
		dx[i] = math.Hypot(dx[i], dy[i])
	}
	return dx
}

// turns are how far hips and shoulders are opened, 0° = square to the plate, + =
// toward the pitcher. They are shown only where measures of turn were good enough to be told.
func (s *Swing) turns(at []int) *curve {
	t := s.Track
	told := s.status("pelvis_turn") == phases.Measured || s.status("shoulder_turn") == phases.Measured || s.status("turn_separation") == phases.Measured
	if !told || len(t.World) != t.Len() || !s.View.AzimuthDeg.Known() {
		return nil
	}
	mirror := 1.0
	if (phases.View{}).ImageX(s.Bats) < 0 {
		mirror = -1
	}
	line := func(left pose.Joint) []float64 {
		lead, rear := left, left.Swap()
		if s.Bats == phases.Left {
			lead, rear = rear, lead
		}
		ts, deg, sg := make([]float64, len(at)), make([]float64, len(at)), make([]float64, len(at))
		for i, k := range at {
			p, q := t.World[k][rear], t.World[k][lead]
			ts[i], sg[i] = t.Times[k], worldTurnSigmaDeg
			u, toward := mirror*(q.X-p.X), -(q.Z - p.Z)
			deg[i] = kinematics.WrapDeg(float64(s.View.AzimuthDeg) + math.Atan2(-toward, u)*180/math.Pi)
			if p == q {
				deg[i] = math.NaN()
			}
		}
		deg = kinematics.UnwrapDeg(deg)
		out := make([]float64, len(deg))
		for i, at := range ts {
			v, _, err := kinematics.LocalPolynomial(ts, deg, sg, at, smoothTurnS, 1, 0)
			if err != nil {
				v = deg[i]
			}
			out[i] = v
		}
		return out
	}
	return &curve{
		ID: "turn", Title: "Turn of hips and shoulders", Unit: "°", Sigma: worldTurnSigmaDeg,
		Lines: []curveLine{{Name: "hips", Y: line(pose.LeftHip)}, {Name: "shoulders", Dashed: true, Y: line(pose.LeftShoulder)}},
		Note:  "0° is sideways to the pitcher, 90° is facing the pitcher. From one camera this is an estimate: the shade is ± 12°.",
	}
}

// headWay is where the head is against its place at foot down.
func (s *Swing) headWay(h Hitter, at []int) *curve {
	px, unit, ok := s.lengthUnit(h)
	if !ok {
		return nil
	}
	factor, decimals := 100.0, 0
	switch unit {
	case "m":
		unit = "cm"
	case "in":
		factor, decimals = 1, 1
	default:
		unit = "% of body height"
	}
	t := s.Track
	head := func(k int) (x, y float64) {
		e, l, r := t.Smooth[k][pose.Nose], t.Smooth[k][pose.LeftEar], t.Smooth[k][pose.RightEar]
		if l.Known() && r.Known() { // the middle of the ears does not move when the head turns
			return (l.X + r.X) / 2, (l.Y + r.Y) / 2
		}
		if !e.Known() {
			return math.NaN(), math.NaN()
		}
		return e.X, e.Y
	}
	e, ok := s.event(phases.FootDown)
	if !ok {
		return nil
	}
	x0, y0 := head(at[nearestSample(t, at, float64(e.TimeS))])
	if math.IsNaN(x0) {
		return nil
	}
	dir, side := s.sideways()
	ahead, down := make([]float64, len(at)), make([]float64, len(at))
	for i, k := range at {
		x, y := head(k)
		ahead[i], down[i] = (x-x0)/px/dir*factor, (y0-y)/px*factor
	}
	c := &curve{ID: "head", Title: "Place of the head", Unit: unit, Decimals: decimals, Note: "Measured from where the head is when the front foot lands. Flat lines mean a steady head."}
	if side {
		c.Lines = append(c.Lines, curveLine{Name: "toward the pitcher", Y: ahead})
	}
	c.Lines = append(c.Lines, curveLine{Name: "up", Dashed: true, Y: down})
	return c
}
