package studio

import (
	"math"

	"cagebook/pose"
)

// Measure is a number that is true of the motion. Unit body_heights is a
// fraction of the standing height.
type Measure struct {
	Name  string  `json:"name"`
	Event string  `json:"event"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// flexion is 180° less the angle at b, degrees.
func flexion(a, b, c Vec) float64 {
	return 180 - deg(math.Acos(clamp(a.sub(b).unit().dot(c.sub(b).unit()), -1, 1)))
}

// yawOf is the opening of a rear-to-lead line, degrees: 0 = along +X, + = the
// chest toward the pitcher.
func yawOf(rear, lead Vec) float64 { d := lead.sub(rear); return deg(math.Atan2(-d.Y, d.X)) }

func wrapDeg(a float64) float64 { return a - 360*math.Round(a/360) }

// Segment masses and centres (share of the way from the first point) of
// Dempster's set as in Winter, Biomechanics and Motor Control of Human
// Movement. The foot's centre is half-way from ankle to toe.
var segments = []struct {
	mass, at float64
	a, b     pose.Joint
}{
	{0.028, 0.436, pose.LeftShoulder, pose.LeftElbow},
	{0.016, 0.430, pose.LeftElbow, pose.LeftWrist},
	{0.006, 0.506, pose.LeftWrist, pose.LeftIndex},
	{0.100, 0.433, pose.LeftHip, pose.LeftKnee},
	{0.0465, 0.433, pose.LeftKnee, pose.LeftAnkle},
	{0.0145, 0.500, pose.LeftAnkle, pose.LeftFootIndex},
}

const (
	headMass  = 0.081 // centre at the ears
	trunkMass = 0.497 // centre half-way from mid-hip to mid-shoulder
)

// CenterOfMass of the body without the bat.
func (f *Figure) CenterOfMass() Vec {
	c := f.Head().mul(headMass).plus(trunkMass, f.MidHip().to(f.MidShoulder(), 0.5))
	for _, s := range segments {
		c = c.plus(s.mass, f.Joints[s.a].to(f.Joints[s.b], s.at))
		c = c.plus(s.mass, f.Joints[s.a.Swap()].to(f.Joints[s.b.Swap()], s.at))
	}
	return c
}

// sides reads a figure by lead and rear.
type sides struct {
	f        *Figure
	leadLeft bool
	h        float64
}

func (s sides) lead(j pose.Joint) Vec {
	if !s.leadLeft {
		j = j.Swap()
	}
	return s.f.Joints[j]
}

func (s sides) rear(j pose.Joint) Vec {
	if s.leadLeft {
		j = j.Swap()
	}
	return s.f.Joints[j]
}

func (s sides) knee(pick func(pose.Joint) Vec) float64 {
	return flexion(pick(pose.LeftHip), pick(pose.LeftKnee), pick(pose.LeftAnkle))
}

func (s sides) elbow(pick func(pose.Joint) Vec) float64 {
	return flexion(pick(pose.LeftShoulder), pick(pose.LeftElbow), pick(pose.LeftWrist))
}

// trunkLean is the angle of mid-hip → mid-shoulder from the vertical in the
// plane of X and Z; + = toward the pitcher.
func (s sides) trunkLean() float64 {
	d := s.f.MidShoulder().sub(s.f.MidHip())
	return deg(math.Atan2(d.X, d.Z))
}

// trunkLeanToPlate is the same in the plane of Y and Z; + = over the plate.
func (s sides) trunkLeanToPlate() float64 {
	d := s.f.MidShoulder().sub(s.f.MidHip())
	return deg(math.Atan2(d.Y, d.Z))
}

// bodyOverFeet is where the centre of mass is between the ankles along X: 0 over the rear, 1 over the lead.
func (s sides) bodyOverFeet() float64 {
	r, l := s.rear(pose.LeftAnkle).X, s.lead(pose.LeftAnkle).X
	return (s.f.CenterOfMass().X - r) / (l - r)
}

func (s sides) pelvisYaw() float64 { return yawOf(s.rear(pose.LeftHip), s.lead(pose.LeftHip)) }
func (s sides) shoulderYaw() float64 {
	return yawOf(s.rear(pose.LeftShoulder), s.lead(pose.LeftShoulder))
}

// leadFootYaw is heel → toe in the ground plane: 0 = at the plate, + = open.
func (s sides) leadFootYaw() float64 {
	d := s.lead(pose.LeftFootIndex).sub(s.lead(pose.LeftHeel))
	return deg(math.Atan2(d.X, d.Y))
}

func horizontal(a, b Vec) float64 { return math.Hypot(a.X-b.X, a.Y-b.Y) }

// pathM is the length of the hands' way after hands_start over which its
// straightness, drop and the barrel's drop are taken.
const pathM = 0.10

// awayS is how long before contact it is told how far the hands are away from the body.
const awayS = 0.08

// measures computes every measure of the swing from the motion and its events.
// ball is the ball's centre as it is met; nil = there is none.
func (s *sampled) measures(events []Event, leadLeft bool, batLengthM float64, ball *Vec) []Measure {
	var out []Measure
	at := map[string]float64{}
	for _, e := range events {
		at[e.Name] = e.TimeS
	}
	add := func(event, name string, v float64, unit string) {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			out = append(out, Measure{name, event, v, unit})
		}
	}
	fig := func(event string) (sides, bool) {
		t, ok := at[event]
		if !ok {
			return sides{}, false
		}
		return sides{&s.f[s.index(t)], leadLeft, s.height}, true
	}
	H := s.height
	const bh = "body_heights"

	if p, ok := fig("stance"); ok {
		add("stance", "lead_knee_flexion", p.knee(p.lead), "deg")
		add("stance", "rear_knee_flexion", p.knee(p.rear), "deg")
		add("stance", "lead_elbow_flexion", p.elbow(p.lead), "deg")
		add("stance", "rear_elbow_flexion", p.elbow(p.rear), "deg")
		add("stance", "trunk_lean", p.trunkLean(), "deg")
		add("stance", "trunk_lean_to_plate", p.trunkLeanToPlate(), "deg")
		add("stance", "stance_width", horizontal(p.lead(pose.LeftAnkle), p.rear(pose.LeftAnkle))/H, bh)
		add("stance", "body_over_feet", p.bodyOverFeet(), "fraction")
	}
	if p, ok := fig("load"); ok {
		add("load", "body_over_feet", p.bodyOverFeet(), "fraction")
		add("load", "rear_knee_inside", (p.rear(pose.LeftKnee).X-p.rear(pose.LeftAnkle).X)/H, bh)
		add("load", "hands_back", (p.rear(pose.LeftShoulder).X-p.f.MidWrist().X)/H, bh)
		add("load", "pelvis_turn", p.pelvisYaw(), "deg")
		add("load", "shoulder_turn", p.shoulderYaw(), "deg")
	}
	down, hasDown := fig("foot_down")
	if p := down; hasDown {
		stride := horizontal(p.lead(pose.LeftAnkle), p.rear(pose.LeftAnkle))
		add("foot_down", "stride_length", stride/H, bh)
		add("foot_down", "stride_length_m", stride, "m")
		add("foot_down", "lead_foot_open", p.leadFootYaw(), "deg")
		add("foot_down", "hands_separation", (p.lead(pose.LeftAnkle).X-p.f.MidWrist().X)/H, bh)
		add("foot_down", "turn_separation", wrapDeg(p.pelvisYaw()-p.shoulderYaw()), "deg")
		add("foot_down", "lead_knee_flexion", p.knee(p.lead), "deg")
		add("foot_down", "body_over_feet", p.bodyOverFeet(), "fraction")
	}
	contact, _ := fig("contact")
	if a, b := down, contact; hasDown {
		const iv = "foot_down_to_contact"
		add(iv, "foot_slide", horizontal(b.lead(pose.LeftAnkle), a.lead(pose.LeftAnkle))/H, bh)
		add(iv, "foot_spin", wrapDeg(b.leadFootYaw()-a.leadFootYaw()), "deg")
		add(iv, "lead_knee_drift", (b.lead(pose.LeftKnee).X-a.lead(pose.LeftKnee).X)/H, bh)
		add(iv, "pelvis_drift", (b.f.MidHip().X-a.f.MidHip().X)/H, bh)
		add(iv, "head_travel", b.f.Head().sub(a.f.Head()).norm()/H, bh)
		add(iv, "head_travel_x", (b.f.Head().X-a.f.Head().X)/H, bh)
		add(iv, "lead_knee_straightening", a.knee(a.lead)-b.knee(b.lead), "deg")
	}
	if hs, ok := at["hands_start"]; ok {
		s.handPath(hs, leadLeft, add)
	}
	if p := contact; true {
		add("contact", "lead_knee_flexion", p.knee(p.lead), "deg")
		add("contact", "rear_knee_flexion", p.knee(p.rear), "deg")
		add("contact", "trunk_lean", p.trunkLean(), "deg")
		add("contact", "trunk_lean_to_plate", p.trunkLeanToPlate(), "deg")
		add("contact", "lead_elbow_flexion", p.elbow(p.lead), "deg")
		add("contact", "rear_elbow_flexion", p.elbow(p.rear), "deg")
		if ball != nil {
			add("contact", "head_behind_ball", (ball.X-p.f.Head().X)/H, bh)
		}
		d := p.f.Barrel.sub(p.f.Knob)
		add("contact", "bat_tilt", deg(math.Atan2(d.Z, math.Hypot(d.X, d.Y))), "deg")
		c := s.index(0)
		before := func(p func(*Figure) Vec) Vec { return p(&s.f[c]).sub(p(&s.f[c-2])).mul(1 / (2 * stepS)) } // just before contact
		v := before((*Figure).SweetSpot)
		add("contact", "attack_angle", deg(math.Atan2(v.Z, math.Hypot(v.X, v.Y))), "deg")
		// The speed is that of the barrel's end; the sweet spot's, about an eighth less, stands beside it.
		add("contact", "bat_speed", before(func(f *Figure) Vec { return f.Barrel }).norm(), "m/s")
		add("contact", "bat_speed_sweet_spot", v.norm(), "m/s")
		add("contact", "barrel_on_line", 1000*s.onLine(), "ms")
	}
	if _, ok := at["hands_start"]; ok {
		f := &s.f[s.index(-awayS)]
		add("hands_start_to_contact", "hands_away", (f.MidWrist().Y-f.MidShoulder().Y)/H, bh)
	}
	if p, ok := fig("extension"); ok {
		rl := p.f.Barrel.sub(p.lead(pose.LeftShoulder)).norm()
		rr := p.f.Barrel.sub(p.rear(pose.LeftShoulder)).norm()
		add("extension", "reach_lead", rl, "m")
		add("extension", "reach", rr, "m")
		// Straight-line ceiling: arm to the grip, and the bat less 3 in of handle below it.
		ceiling := (upperArmFrac+forearmFrac+0.054)*H + batLengthM - 0.0762
		add("extension", "reach_of_ceiling", math.Max(rl, rr)/ceiling, "fraction")
	}
	if p, ok := fig("finish"); ok {
		add("finish", "body_over_feet", p.bodyOverFeet(), "fraction")
		add("finish", "trunk_lean", p.trunkLean(), "deg")
		add("finish", "trunk_lean_to_plate", p.trunkLeanToPlate(), "deg")
		// Mean speed of the trunk's middle over the half second after the finish.
		a, b := s.index(at["finish"]), s.index(at["finish"]+0.5)
		v := s.speed(func(f *Figure) Vec { return f.MidHip().to(f.MidShoulder(), 0.5) })
		sum := 0.0
		for i := a; i <= b; i++ {
			sum += v[i]
		}
		add("finish", "steadiness", sum/float64(b-a+1)/H, "body_heights/s")
	}
	gap := func(name, from, to string) { // the event of a time is its interval
		a, ok1 := at[from]
		b, ok2 := at[to]
		if ok1 && ok2 {
			add(from+"_to_"+to, name, 1000*(b-a), "ms")
		}
	}
	gap("stride_time", "lead_foot_off", "foot_down")
	gap("foot_down_to_hands_start", "foot_down", "hands_start")
	gap("foot_down_to_contact", "foot_down", "contact")
	gap("swing_time", "hands_start", "contact")
	// Peaks of turning, for checks of the order of the segments.
	peak := func(name string, ang func(sides) float64) (v, t float64) {
		w := make([]float64, len(s.f))
		for i := range s.f {
			w[i] = ang(sides{&s.f[i], leadLeft, H})
		}
		for i := 1; i < len(w); i++ {
			w[i] = w[i-1] + wrapDeg(w[i]-w[i-1])
		}
		r := rate(w)
		k := argmax(r, s.index(-0.35), s.index(0.1))
		add("peaks", name+"_peak_speed", r[k], "deg/s")
		add("peaks", name+"_peak_time", 1000*s.t[k], "ms")
		return r[k], s.t[k]
	}
	peak("pelvis", sides.pelvisYaw)
	peak("trunk", sides.shoulderYaw)
	sv := s.speed(func(f *Figure) Vec { return f.SweetSpot() })
	k := argmax(sv, s.index(-0.2), s.index(0.1))
	add("peaks", "bat_peak_speed", sv[k], "m/s")
	add("peaks", "bat_peak_time", 1000*s.t[k], "ms")
	return out
}

// The ball's line is level, along X, through the sweet spot at contact; the barrel is the last part of the bat.
const (
	lineNearM = 0.070 // half a ball and half a barrel
	barrelM   = 0.30
)

// onLine is how long the ball's line runs through the barrel about contact, s: the line is nearer than lineNearM to the barrel's axis.
func (s *sampled) onLine() float64 {
	c := s.index(0)
	p := s.f[c].SweetSpot()
	on := func(i int) bool {
		f := &s.f[i]
		l := f.Barrel.sub(f.Knob).norm()
		a, b := f.Knob.to(f.Barrel, 1-barrelM/l), f.Barrel
		a.X, b.X = p.X, p.X // seen along the line
		d := b.sub(a)
		along := 0.0
		if n := d.dot(d); n > 0 {
			along = clamp(p.sub(a).dot(d)/n, 0, 1)
		}
		return a.plus(along, d).sub(p).norm() <= lineNearM
	}
	from, to := c, c
	for from > 0 && on(from-1) {
		from--
	}
	for to+1 < len(s.f) && on(to+1) {
		to++
	}
	return float64(to-from+1) * stepS // half a step beyond either end
}

// handPath adds the measures of the hands' first 0.10 m.
func (s *sampled) handPath(start float64, leadLeft bool, add func(event, name string, v float64, unit string)) {
	const iv = "hands_start"
	i0 := s.index(start)
	way, i := 0.0, i0
	for way < pathM && i+1 < len(s.f) {
		i++
		way += s.f[i].MidWrist().sub(s.f[i-1].MidWrist()).norm()
	}
	a, b := s.f[i0].MidWrist(), s.f[i].MidWrist()
	add(iv, "hand_path_straightness", b.sub(a).norm()/way, "fraction")
	add(iv, "hand_drop", (a.Z-b.Z)/s.height, "body_heights")
	add(iv, "barrel_drop", (b.Z-s.f[i].Barrel.Z)/s.height, "body_heights")
	// The pelvis starts where its opening speed last rises through 10 % of its maximum.
	yaw := make([]float64, len(s.f))
	for k := range s.f {
		yaw[k] = sides{&s.f[k], leadLeft, s.height}.pelvisYaw()
	}
	w := rate(yaw)
	top := argmax(w, s.index(-0.6), s.index(0.1))
	for k := top; k > 0; k-- {
		if w[k] >= 0.1*w[top] && w[k-1] < 0.1*w[top] {
			add("hips_start_to_hands_start", "hands_hips_gap", 1000*(start-s.crossing(w, k, 0.1*w[top])), "ms")
			break
		}
	}
}
