package studio

import "cagebook/pose"

// Template is one swing of a right-handed hitter as phase detection uses it:
// 13 joints relative to mid-hip, in lengths of the body along its joints
// (head, mid-shoulder, mid-hip, knee, ankle), contact at time 0.
type Template struct {
	Name   string             `json:"name"`
	Kind   string             `json:"kind"` // swing, or what else it is
	FromS  float64            `json:"from_s"`
	StepS  float64            `json:"step_s"`
	Joints [][][3]float64     `json:"joints"`
	Events map[string]float64 `json:"events"`
}

// Templates are a few swings that differ in what changes the look of a swing
// most: stride, height of the pitch, posture, hands, finish.
func Templates() []Template {
	vary := func(f func(*Swing)) Swing { s := DefaultSwing(); f(&s); return s }
	swings := []struct {
		name string
		s    Swing
	}{
		{"middle", DefaultSwing()},
		{"low pitch, no stride", vary(func(s *Swing) {
			s.Stride, s.StanceWidth, s.ContactDrop, s.LeanToPlate = "none", s.StrideLength, 0.265, 34
			s.StanceFlex, s.LoadFlex = 42, 50
		})},
		{"high pitch, leg kick", vary(func(s *Swing) {
			s.Stride, s.ContactDrop, s.LeanToPlate, s.StanceFlex, s.LoadFlex = "kick", 0.12, 18, 26, 36
		})},
		{"open finish, one hand", vary(func(s *Swing) {
			s.OneHanded, s.TrunkOpen, s.PelvisOpen, s.LeadFoot = true, 118, 92, 36
		})},
		{"one hand", vary(func(s *Swing) { s.OneHanded = true })},
		{"short, toe tap, hands near", vary(func(s *Swing) {
			s.Stride, s.HandsBack, s.TrunkCoil, s.PelvisCoil, s.StrideLength, s.ContactAlong = "tap", 0.14, -22, -12, 0.36, -0.02
		})},
		{"deep coil, hands far back", vary(func(s *Swing) {
			s.HandsBack, s.TrunkCoil, s.PelvisCoil, s.StrideLength, s.PelvisShift = 0.22, -54, -32, 0.49, 0.075
		})},
		{"far over the front foot", vary(func(s *Swing) {
			s.OneHanded, s.StrideLength, s.Faults.Lunge = true, 0.46, 0.14
		})},
	}
	var out []Template
	for _, w := range swings {
		h := Hitter{Body: Body{HeightM: 1.75}, Bat: Bat{LengthM: 0.84}, LeadLeft: true, Swing: w.s}
		t := template(w.name, "swing", &h, 0)
		m := sampleMotion(&h, -1.6, 1.0, 1.75, true)
		for _, e := range m.events() {
			t.Events[e.Name] = round4(e.TimeS)
		}
		out = append(out, t)
	}
	// What moves the hands fast but is no swing, each with the time of its burst.
	d := Hitter{Body: Body{HeightM: 1.75}, Bat: Bat{LengthM: 0.84}, LeadLeft: true, Swing: DefaultSwing()}
	return append(out,
		template("check swing", "a swing that was held back", CheckSwing(d), -0.05),
		template("bunt", "a turn to bunt", &Bunter{d}, -0.45),
		template("back from the bunt", "a turn back from a bunt", &Bunter{d}, 1.15),
		template("half swing", "a slow half swing", PracticeHalfSwing(d), 0.85),
	)
}

// template samples a motion about its burst.
func template(name, kind string, m Mover, burstS float64) Template {
	t := Template{Name: name, Kind: kind, FromS: -0.8, StepS: 0.02, Events: map[string]float64{}}
	f0 := m.At(burstS - 0.9)
	l := f0.Joints[pose.Nose].sub(f0.MidShoulder()).norm() + f0.MidShoulder().sub(f0.MidHip()).norm() +
		f0.Joints[pose.LeftHip].sub(f0.Joints[pose.LeftKnee]).norm() + f0.Joints[pose.LeftKnee].sub(f0.Joints[pose.LeftAnkle]).norm()
	for i := range 69 {
		f := m.At(burstS + t.FromS + float64(i)*t.StepS)
		var row [][3]float64
		for _, j := range subset13 {
			d := f.Joints[j].sub(f.MidHip())
			row = append(row, [3]float64{round4(d.X / l), round4(d.Y / l), round4(d.Z / l)})
		}
		t.Joints = append(t.Joints, row)
	}
	return t
}
