package studio

import "math"

// Swing holds the parameters of one swing. Times are seconds before (−) or
// after (+) contact at tempo 1; lengths are fractions of stature; angles are
// degrees in the package's conventions. Start from DefaultSwing.
type Swing struct {
	Stride       string  `yaml:"stride"`        // lift | kick | tap | slide | none
	Tempo        float64 `yaml:"tempo"`         // multiplies every duration before contact; 1 = adult
	LoadTempo    float64 `yaml:"load_tempo"`    // multiplies the durations before foot down only
	FootOff      float64 `yaml:"foot_off"`      // lead foot leaves the ground
	LoadTop      float64 `yaml:"load_top"`      // lead foot highest
	FootDown     float64 `yaml:"foot_down"`     // toe lands
	HeelDown     float64 `yaml:"heel_down"`     // heel lands
	PelvisStart  float64 `yaml:"pelvis_start"`  // pelvis starts to open
	PelvisEnd    float64 `yaml:"pelvis_end"`    //
	TrunkStart   float64 `yaml:"trunk_start"`   // shoulders start to open
	TrunkEnd     float64 `yaml:"trunk_end"`     //
	HandsStart   float64 `yaml:"hands_start"`   // hands leave the shoulder
	ReleaseEnd   float64 `yaml:"release_end"`   //
	FinishEnd    float64 `yaml:"finish_end"`    // hands come to rest
	StanceWidth  float64 `yaml:"stance_width"`  // ankle to ankle
	StrideLength float64 `yaml:"stride_length"` // ankle to ankle after landing
	StrideClosed float64 `yaml:"stride_closed"` // landing nearer to the plate
	Lift         float64 `yaml:"lift"`          // height of the lifted foot
	LeadFoot     float64 `yaml:"lead_foot"`     // angle of the landed foot, + = open
	StanceFlex   float64 `yaml:"stance_flex"`   // rear knee in the stance
	LoadFlex     float64 `yaml:"load_flex"`     // rear knee in the load
	LandFlex     float64 `yaml:"land_flex"`     // lead knee at foot down
	LaunchFlex   float64 `yaml:"launch_flex"`   // lead knee at most after landing
	ContactFlex  float64 `yaml:"contact_flex"`  // lead knee at contact
	FinishFlex   float64 `yaml:"finish_flex"`   // lead knee at the finish
	PelvisCoil   float64 `yaml:"pelvis_coil"`   // pelvis yaw in the load (−)
	PelvisOpen   float64 `yaml:"pelvis_open"`   // pelvis yaw at the finish
	TrunkCoil    float64 `yaml:"trunk_coil"`    //
	TrunkOpen    float64 `yaml:"trunk_open"`    //
	LeanToPlate  float64 `yaml:"lean_to_plate"` // trunk over the plate at contact
	PelvisShift  float64 `yaml:"pelvis_shift"`  // pelvis moves forward from foot down to contact
	LoadBack     float64 `yaml:"load_back"`     // pelvis moves back in the load
	HandsBack    float64 `yaml:"hands_back"`    // hands behind mid-shoulder in the load
	ContactOut   float64 `yaml:"contact_out"`   // hands in front of the chest at contact
	ContactAlong float64 `yaml:"contact_along"` // hands along the shoulder line at contact
	ContactDrop  float64 `yaml:"contact_drop"`  // hands below mid-shoulder at contact
	StanceTilt   float64 `yaml:"stance_tilt"`   // bat's elevation in the stance
	BatTilt      float64 `yaml:"bat_tilt"`      // bat's elevation at contact (− = barrel below the hands)
	BatSquare    float64 `yaml:"bat_square"`    // bat's horizontal angle at contact, 0 = square, + = pulled
	Lag          float64 `yaml:"lag"`           // degrees that the bat falls back before it is released
	Waggle       float64 `yaml:"waggle"`        // degrees by which the bat waves in the stance
	OneHanded    bool    `yaml:"one_handed"`    // the top hand lets go after extension
	HeadFollow   bool    `yaml:"head_follow"`   // the head turns to the contact point
	Faults       Faults  `yaml:"faults"`
}

// Faults are departures planted on purpose; zero is none.
type Faults struct {
	LoadForward float64 `yaml:"load_forward"` // stature fractions the body goes forward instead of back in the load
	KneeOut     float64 `yaml:"knee_out"`     // degrees the rear knee is turned outward in the load
	Lunge       float64 `yaml:"lunge"`        // stature fractions the body goes forward with the stride
	HandsLeak   float64 `yaml:"hands_leak"`   // stature fractions the hands come forward with the stride
	FootOpen    float64 `yaml:"foot_open"`    // degrees more open at landing
	FootSpin    float64 `yaml:"foot_spin"`    // degrees the lead foot turns between landing and contact
	FootSlide   float64 `yaml:"foot_slide"`   // stature fractions the lead foot slides after landing
	KneeLeak    float64 `yaml:"knee_leak"`    // stature fractions the pelvis follows the lead knee forward
	PelvisDrift float64 `yaml:"pelvis_drift"` // stature fractions more of forward shift after landing
	HandsEarly  float64 `yaml:"hands_early"`  // s that hands and trunk start sooner (− = later)
	BarrelDrop  float64 `yaml:"barrel_drop"`  // degrees by which the barrel falls at the start
	Cast        float64 `yaml:"cast"`         // 0..1 hands swept away from the body
	SoftFront   float64 `yaml:"soft_front"`   // degrees of lead-knee flexion left at contact
	HeadPull    float64 `yaml:"head_pull"`    // stature fractions the head goes with the swing
	OffBalance  float64 `yaml:"off_balance"`  // stature fractions of stumbling at the finish
}

// DefaultSwing is a grown hitter with a small leg lift. Its times and angles
// are chosen so that the peaks of pelvis, trunk and bat speed lie near those
// published for skilled adults (Welch et al. 1995: 714 °/s, 937 °/s, 31 m/s).
func DefaultSwing() Swing {
	return Swing{
		Stride: "lift", Tempo: 1, LoadTempo: 1,
		FootOff: -0.72, LoadTop: -0.46, FootDown: -0.190, HeelDown: -0.145,
		PelvisStart: -0.215, PelvisEnd: 0.055, TrunkStart: -0.185, TrunkEnd: 0.115,
		HandsStart: -0.235, ReleaseEnd: 0.205, FinishEnd: 0.46,
		StanceWidth: 0.30, StrideLength: 0.435, StrideClosed: 0.02, Lift: 0.06, LeadFoot: 22,
		StanceFlex: 34, LoadFlex: 42, LandFlex: 35, LaunchFlex: 44, ContactFlex: 14, FinishFlex: 8,
		PelvisCoil: -22, PelvisOpen: 84, TrunkCoil: -38, TrunkOpen: 104,
		LeanToPlate: 27, PelvisShift: 0.052, LoadBack: 0.05,
		HandsBack: 0.185, ContactOut: 0.280, ContactAlong: -0.055, ContactDrop: 0.195,
		StanceTilt: 58, BatTilt: -26, BatSquare: 2, Lag: 22, Waggle: 6,
		HeadFollow: true,
	}
}

// Hitter performs a swing.
type Hitter struct {
	Body     Body
	Bat      Bat
	LeadLeft bool // bats right-handed
	Swing    Swing
	// Warp maps the time asked for to the swing's own time; nil = as it is.
	// Takes, check swings and practice swings are warped swings.
	Warp func(t float64) float64
}

// Mover is anything whose figure at a time is known.
type Mover interface{ At(t float64) Figure }

// clock returns the swing's instants after tempo.
type clock struct{ off, top, down, heel, pel0, pel1, tr0, tr1, hands, rel1, fin float64 }

func (s *Swing) clock() clock {
	f := func(t float64) float64 {
		if t < 0 {
			return t * s.Tempo
		}
		return t * (1 + (s.Tempo-1)*0.7)
	}
	e := s.Faults.HandsEarly
	c := clock{
		down: f(s.FootDown), heel: f(s.HeelDown), pel0: f(s.PelvisStart), pel1: f(s.PelvisEnd),
		tr0: f(s.TrunkStart) - 0.8*e, tr1: f(s.TrunkEnd), hands: f(s.HandsStart) - e,
		rel1: f(s.ReleaseEnd), fin: f(s.FinishEnd),
	}
	c.off = c.down + f(s.FootOff-s.FootDown)*s.LoadTempo
	c.top = c.down + f(s.LoadTop-s.FootDown)*s.LoadTempo
	return c
}

// At is the figure at time t, contact at 0.
func (h *Hitter) At(t float64) Figure {
	st := h.stickAt(t)
	return st.build(h.Body, h.LeadLeft)
}

func (h *Hitter) stickAt(t float64) stick {
	if h.Warp != nil {
		return h.stick(h.Warp(t), t)
	}
	return h.stick(t, t)
}

// stick is the state at the swing's time t; real is the time that breathing goes by.
func (h *Hitter) stick(t, real float64) stick {
	s, b, c := &h.Swing, h.Body, h.Swing.clock()
	F := s.Faults
	var st stick
	H := b.HeightM
	loadIn := c.off - 0.10*s.LoadTempo // weight starts to go back a little before the foot leaves
	drift := func(seed, hz float64) float64 {
		return math.Sin(2*math.Pi*hz*real+seed) + 0.5*math.Sin(2*math.Pi*hz*1.7*real+2*seed)
	}

	// Feet.
	w := s.StanceWidth
	back := H * (heelToToeFrac - heelToAnkleFrac)
	leadX0, leadX1 := w/2, -w/2+s.StrideLength
	st.lead = h.leadFoot(t, c, leadX0, leadX1, back)
	pivot := jerkAt(t, c.pel0+0.02, c.pel1+0.03, 0.56)
	late := jerk(t, 0.02, c.fin*0.9)
	st.rear = foot{yaw: -4 + 66*pivot + 14*late, pitch: 44*jerk(t, c.pel0+0.02, 0.03) + 20*late}
	drag := 0.045*jerk(t, c.heel, 0.06) + 0.03*late + math.Max(0, F.PelvisDrift)*0.5*jerk(t, c.heel, 0.05)
	st.rear.toe = Vec{X: -w/2*H + drag*H, Y: back}

	// Pelvis: along the line to the pitcher, then turning, then its height from the knees.
	land := jerk(t, c.top-0.06, c.down+0.02)
	toContact := jerk(t, c.down-0.03, 0.03)
	finX := jerk(t, -0.02, c.fin)
	px := -0.006 - s.LoadBack*jerk(t, loadIn, c.top)
	px += (s.LoadBack + 0.30*(s.StrideLength-w)) * land
	px -= F.KneeOut / 75 * 0.025 * hump(t, loadIn, c.top, c.down) // the body sways back over the knee
	px += F.LoadForward*jerk(t, loadIn, c.top)*(1-land) + F.Lunge*jerk(t, c.top-0.05, c.down-0.01)
	px += (s.PelvisShift + F.PelvisDrift + F.KneeLeak) * toContact
	px += 0.035 * finX
	py := -0.030 + 0.015*land + 0.012*toContact - 0.02*finX + 0.0012*drift(1, 0.4)
	st.pelvisYaw = -4 + (s.PelvisCoil+4)*jerk(t, loadIn, c.top+0.3*(c.down-c.top)) +
		(s.PelvisOpen-s.PelvisCoil)*jerk(t, c.pel0, c.pel1) + 8*jerk(t, 0.03, c.fin)
	if F.OffBalance != 0 {
		px += F.OffBalance * 0.5 * jerk(t, 0.05, c.fin+0.25)
		py -= F.OffBalance * 0.8 * jerk(t, 0.08, c.fin+0.35)
	}
	st.pelvis = Vec{X: px * H, Y: py * H}

	flexRear := s.StanceFlex + (s.LoadFlex-s.StanceFlex)*jerk(t, loadIn, c.top) + 1.2*drift(2, 0.35)*(1-jerk(t, loadIn-0.3, loadIn))
	soft := math.Max(0, F.SoftFront)
	flexLead := s.LandFlex + (s.LaunchFlex-s.LandFlex)*jerk(t, c.down-0.05, c.down*0.42) +
		(s.ContactFlex+soft-s.LaunchFlex)*jerkAt(t, c.heel+0.01, 0.035, 0.60) +
		(s.FinishFlex+0.6*soft-s.ContactFlex-soft)*jerk(t, 0.0, c.fin)
	hl := line(st.pelvisYaw)
	hipZ := func(sign, flex float64, ft foot) float64 {
		hip := st.pelvis.plus(sign*b.h(hipFrac)/2, hl)
		ankle, _, _ := ft.points(b)
		d2 := sq(b.h(thighFrac)) + sq(b.h(shankFrac)) + 2*b.h(thighFrac)*b.h(shankFrac)*math.Cos(rad(flex))
		return ankle.Z + math.Sqrt(math.Max(0.05*d2, d2-sq(hip.X-ankle.X)-sq(hip.Y-ankle.Y)))
	}
	planted := st.lead // the height comes from the lead leg as if the foot stood already where it lands
	over := jerk(t, c.top, c.down-0.01)
	if t < c.down {
		planted = h.leadFoot(c.down+1e-9, c, leadX0, leadX1, back)
	}
	planted.pitch *= 0.3 // the heel's fall is taken up by the ankle, not by the whole body
	st.pelvis.Z = hipZ(-1, flexRear, st.rear)*(1-over) + hipZ(1, flexLead, planted)*over
	if over < 1 {
		st.pelvis.Z = softMin(st.pelvis.Z, hipZ(1, 5, st.lead), 0.004*H)
	}
	st.pelvis.Z = softMin(st.pelvis.Z, hipZ(-1, 6, st.rear), 0.012*H)

	st.leadKnee = facing(st.pelvisYaw*0.45 + st.lead.yaw*0.55 + 6).add(Vec{0, 0, 0.1})
	st.rearKnee = facing(st.pelvisYaw*0.55 + st.rear.yaw*0.45 + 12 - F.KneeOut*hump(t, loadIn, c.top, c.down)).add(Vec{0, 0, 0.1})

	// Trunk and head.
	st.trunkYaw = -10 + (s.TrunkCoil+10)*jerk(t, loadIn+0.03, c.down-0.03) +
		(s.TrunkOpen-s.TrunkCoil)*jerkAt(t, c.tr0, c.tr1, 0.5) + 10*jerk(t, 0.08, c.fin)
	lean := 17 + 5*jerk(t, c.top, c.down) + (s.LeanToPlate-22)*jerk(t, c.down, 0) - (s.LeanToPlate-8)*jerk(t, 0.03, c.fin)
	off := b.h(trunkFrac) * math.Sin(rad(lean))
	// The shoulders travel with the stride and then stay while the pelvis goes on under them.
	sx := px - 0.002 + 0.010*land - (s.PelvisShift*0.65+F.PelvisDrift*0.5)*toContact - 0.012*finX + 0.0012*drift(3, 0.4)
	sx += F.HeadPull * jerk(t, c.heel, 0.04)
	sy := py*H + off - F.HeadPull*0.8*H*jerk(t, c.heel, 0.04)
	if F.OffBalance != 0 {
		sx += F.OffBalance * 0.3 * jerk(t, 0.10, c.fin+0.3)
		sy -= F.OffBalance * 0.5 * H * jerk(t, 0.12, c.fin+0.4)
	}
	st.shoulders = Vec{X: sx*H - st.pelvis.X, Y: sy - st.pelvis.Y}
	st.shoulderTilt = -3 + 5*jerk(t, c.tr0, 0)
	look := 0.0
	if s.HeadFollow {
		look = jerk(t, c.tr0, 0.02)
	}
	st.headYaw = 74 - 44*look + 60*jerk(t, 0.09, c.fin) + F.HeadPull*500*jerk(t, c.heel, 0.02)
	st.headPitch = 6 + 30*look - 30*jerk(t, 0.08, c.fin) - math.Min(20, F.HeadPull*300)*jerk(t, c.heel, 0.02)
	st.headFollow = 0.45

	h.arms(&st, t, real, c)
	return st
}

func sq(x float64) float64 { return x * x }

// leadFoot is the lead foot at time t.
func (h *Hitter) leadFoot(t float64, c clock, x0, x1, back float64) foot {
	s, H, F := &h.Swing, h.Body.HeightM, h.Swing.Faults
	f := foot{yaw: 6}
	go_ := jerk(t, c.off+0.35*(c.top-c.off), c.down) // the way forward
	if s.Stride == "slide" {
		go_ = jerk(t, c.off, c.down)
	}
	ax := x0 + (x1-x0)*go_
	ay := s.StrideClosed * go_
	lift := 0.0
	up := jerk(t, c.off-0.02, c.top) * (1 - jerkAt(t, c.top+0.03, c.down+0.02, 0.62))
	switch s.Stride {
	case "kick":
		lift = 3.0 * s.Lift * up
		ax -= 0.05 * hump(t, c.off, c.top, c.down-0.05)
	case "tap":
		t1 := c.off + 0.42*(c.top-c.off)
		t2 := c.off + 0.80*(c.top-c.off)
		lift = s.Lift * 0.8 * (hump(t, c.off, (c.off+t1)/2, t1) + hump(t, t2, c.top+0.4*(c.down-c.top), c.down+0.02))
		ax = x0 + (x1-x0)*jerk(t, t2, c.down) - 0.45*(x1-x0)*jerk(t, c.off, t1)*(1-jerk(t, t2, c.down))
	case "slide":
		lift = 0.35 * s.Lift * up
	case "none":
		ax = x0
		ay = 0
	default:
		lift = s.Lift * up
	}
	ax += F.FootSlide * jerk(t, c.heel, 0.02)
	toeDown := 12.0
	if s.Stride == "none" {
		f.pitch = 24 * hump(t, c.off, c.top, c.heel)
	} else {
		f.pitch = toeDown*jerk(t, c.off+0.02, c.top) - toeDown*jerk(t, c.down-0.01, c.heel+0.012) + 10*hump(t, c.off-0.06, c.off+0.03, c.top)
	}
	turnIn := -8 * jerk(t, c.off, c.top)
	f.yaw += turnIn + (s.LeadFoot+F.FootOpen-6-turnIn)*jerk(t, c.top+0.05, c.down) +
		F.FootSpin*jerk(t, c.down+0.02, -0.005) + 10*jerk(t, 0.0, c.fin)
	// The parameters place the ankle; the foot is placed by its toe.
	dir := facing(f.yaw)
	flat := facing(f.yaw).mul(back)
	if t > c.down { // after landing the foot turns about its heel end of the sole
		dir0 := facing(s.LeadFoot + F.FootOpen)
		flat = dir0.mul(back * 0.5).add(dir.mul(back * 0.5))
	}
	f.toe = Vec{X: ax*H + flat.X, Y: ay*H + flat.Y, Z: lift * H}
	return f
}
