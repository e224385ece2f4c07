package studio

import "math"

// timeWarp is a clock that runs at changing speed: from each knot's time on it
// turns smoothly (over ease seconds) to the knot's rate.
type warpKnot struct{ at, ease, rate float64 }

func warp(knots ...warpKnot) func(float64) float64 {
	// The rate is a sum of minimum-jerk steps; its integral is closed-form.
	integral := func(t, t0, d float64) float64 { // ∫ jerk(t', t0, t0+d) up to t
		x := (t - t0) / d
		switch {
		case x <= 0:
			return 0
		case x >= 1:
			return d*0.5 + (t - t0 - d)
		}
		x4 := x * x * x * x
		return d * x4 * (2.5 + x*(-3+x))
	}
	return func(t float64) float64 {
		w, rate := t, 1.0
		for _, k := range knots {
			w += (k.rate - rate) * integral(t, k.at, k.ease)
			rate = k.rate
		}
		return w
	}
}

// Take is a hitter who loads, strides and lets the ball go by, then steps back.
func Take(h Hitter) *Hitter {
	c := h.Swing.clock()
	h.Warp = warp(warpKnot{c.down - 0.06, 0.10, 0}, warpKnot{0.7, 0.3, -0.35}, warpKnot{0.95, 0.25, 0})
	return &h
}

// CheckSwing starts the hands and stops them before the barrel has come round.
func CheckSwing(h Hitter) *Hitter {
	h.Warp = warp(warpKnot{-0.13, 0.10, 0}, warpKnot{0.25, 0.3, -0.22}, warpKnot{0.9, 0.3, 0})
	return &h
}

// PracticeHalfSwing is a slow swing without a ball that stops in front.
func PracticeHalfSwing(h Hitter) *Hitter {
	h.Warp = warp(warpKnot{-0.75, 0.2, 0.42}, warpKnot{0.62, 0.5, 0}, warpKnot{1.5, 0.3, -0.25}, warpKnot{2.4, 0.3, 0})
	return &h
}

// Waggler stands in the box and waves the bat, warming up, without a swing.
func Waggler(h Hitter) *Hitter {
	h.Swing.Waggle = 26
	h.Warp = func(t float64) float64 { return -2 + 0.02*math.Sin(t) }
	return &h
}

// Bunter turns to the pitcher and holds the bat across, hands apart.
type Bunter struct{ Hitter }

// At is the figure at time t; the ball would arrive at 0.
func (b *Bunter) At(t float64) Figure {
	st := b.stickAt(t)
	return st.build(b.Body, b.LeadLeft)
}

func (b *Bunter) stickAt(t float64) stick {
	H := b.Body.HeightM
	st := b.stick(-2, t)
	turn := jerk(t, -0.75, -0.30) * (1 - jerk(t, 0.8, 1.5))
	dip := jerk(t, -0.4, -0.05) * (1 - jerk(t, 0.8, 1.5))
	st.pelvisYaw += 62 * turn
	st.trunkYaw += 78 * turn
	st.headYaw = 74 + 8*turn
	st.rear.yaw += 45 * turn
	st.rear.pitch += 25 * turn
	st.lead.yaw += 22 * turn
	st.pelvis.Z -= 0.035 * H * dip
	st.pelvis.X += 0.02 * H * turn
	st.leadKnee, st.rearKnee = facing(st.pelvisYaw*0.5+st.lead.yaw*0.5), facing(st.pelvisYaw*0.5+st.rear.yaw*0.5)
	ms := st.midShoulder(b.Body)
	ln, fc := line(st.trunkYaw), facing(st.trunkYaw)
	axis := st.batAxis.to(facing(12).add(Vec{0, 0, 0.25}), turn).unit()
	lead := ms.plus(0.05*H, ln).plus(0.25*H, fc).plus(-0.05*H, Vec{0, 0, 1})
	lead = st.leadHand.at.to(lead, turn)
	st.knob = lead.plus(-bottomHandM, axis)
	st.batAxis = axis
	st.leadHand.at, st.leadHand.axis = lead, axis
	st.rearHand.at, st.rearHand.axis = lead.plus((0.05+0.15*turn)*H, axis), axis
	st.leadHand.pole = Vec{0, 0, -1}.plus(0.6, ln)
	st.rearHand.pole = Vec{0, 0, -1}.plus(-0.6, ln)
	return st
}

// Walker walks along a line at constant speed with swinging arms, a bat in one hand if asked for.
type Walker struct {
	Body       Body
	From       Vec     // m, on the ground, at time 0
	HeadingDeg float64 // as in facing
	SpeedMS    float64
	WithBat    bool
	Phase      float64 // radians
}

// At is the figure at time t.
func (w *Walker) At(t float64) Figure {
	b, H := w.Body, w.Body.HeightM
	dir := facing(w.HeadingDeg)
	step := 0.41 * H // length of a step
	cyc := math.Pi*w.SpeedMS*t/step + w.Phase
	base := w.From.plus(w.SpeedMS*t, dir)
	side := line(w.HeadingDeg) // to the body's lead side, taken as the left one
	var st stick
	st.pelvisYaw = w.HeadingDeg + 5*math.Sin(cyc)
	st.trunkYaw = w.HeadingDeg - 6*math.Sin(cyc)
	st.pelvis = base
	st.pelvis.Z = (0.515 + 0.008*math.Cos(2*cyc)) * H
	st.shoulders = dir.mul(0.03 * H)
	st.headYaw, st.headPitch, st.headFollow = w.HeadingDeg, 8, 0.3
	leg := func(phase float64, sign float64) foot {
		// In stance the foot stays on the ground while the body passes over it; in swing it overtakes.
		p := math.Mod(phase/(2*math.Pi), 1)
		if p < 0 {
			p++
		}
		var x, z, pitch float64
		if p < 0.6 {
			x = step * (0.6 - 2*p) // relative to the body
			pitch = 38*jerk(p, 0.38, 0.6) - 14*(1-jerk(p, 0, 0.1))
		} else {
			q := (p - 0.6) / 0.4
			x = step * (-0.6 + 1.2*jerk(q, 0, 1))
			z = 0.05 * H * math.Sin(math.Pi*q)
			pitch = 38*(1-jerk(q, 0, 0.5)) - 14*jerk(q, 0.6, 1)
		}
		toe := base.plus(x+0.06*H, dir).plus(sign*0.045*H, side)
		toe.Z = z
		if pitch < 0 { // on the heel
			toe.Z += 0.05 * H * -pitch / 30
		}
		return foot{toe: toe, yaw: w.HeadingDeg, pitch: pitch}
	}
	st.lead, st.rear = leg(cyc, 1), leg(cyc+math.Pi, -1)
	st.leadKnee, st.rearKnee = dir, dir
	ms := st.midShoulder(b)
	hand := func(sign, sw float64) grip {
		at := ms.plus(sign*0.13*H, side).plus((0.03+0.11*sw)*H, dir).plus(-0.345*H+0.03*H*math.Abs(sw), Vec{0, 0, 1})
		return grip{at: at, axis: dir.add(Vec{0, 0, 0.3}).unit(), pole: dir.mul(-1).plus(0.3*sign, side), open: 0.8}
	}
	st.leadHand, st.rearHand = hand(1, -math.Sin(cyc)), hand(-1, math.Sin(cyc))
	if w.WithBat {
		st.bat, st.batLength = true, 0.8
		st.batAxis = dir.mul(0.35).add(Vec{0, 0, -1}).plus(-0.1, side).unit()
		st.rearHand.axis = st.batAxis
		st.knob = st.rearHand.at.plus(-bottomHandM, st.batAxis)
	}
	return st.build(b, true)
}

// Thrower pitches overhand toward −X (to the hitter) from where it stands: leg
// lift, stride, arm circle, follow-through on one leg. Ball leaves at time 0.
type Thrower struct {
	Body   Body
	At0    Vec     // m, on the ground, of the pivot foot
	Toward float64 // heading of the throw, as in facing
	Mirror bool    // a left-hander
}

// At is the figure at time t.
func (p *Thrower) At(t float64) Figure { return p.place(p.stick(t)) }

// place builds a figure that was worked out for a right-hander who throws toward +X, and turns it.
func (p *Thrower) place(st stick) Figure {
	f := st.build(p.Body, !p.Mirror)
	turn := rad(p.Toward - 90)
	f.move(func(v Vec) Vec { return v.rotZ(turn).add(p.At0) })
	return f
}

func (p *Thrower) stick(t float64) stick {
	b, H := p.Body, p.Body.HeightM
	// Worked out for a right-hander who throws toward +X, then turned.
	var st stick
	up := hump(t, -1.4, -0.95, -0.25)
	stride := jerk(t, -0.85, -0.18)
	over := jerk(t, -0.05, 0.45)
	st.pelvisYaw = -8 - 14*up + 98*jerk(t, -0.30, -0.02) + 12*over
	st.trunkYaw = -8 - 16*up - 14*jerk(t, -0.8, -0.25) + 128*jerk(t, -0.24, 0.06) + 30*over
	px := 0.02 - 0.02*up + 0.42*jerk(t, -0.75, -0.05) + 0.22*over
	lean := -0.02 - 0.02*up - 0.03*stride + 0.13*jerk(t, -0.15, 0.05) + 0.13*over
	st.pelvis = Vec{px * H, 0, (0.52 - 0.09*stride + 0.03*over) * H}
	st.shoulders = Vec{lean * H, -0.01 * H, 0}
	st.shoulderTilt = 10*up + 6*stride - 26*jerk(t, -0.1, 0.1)
	st.headYaw, st.headFollow, st.headPitch = 82, 0.4, 4+10*over
	back := (heelToToeFrac - heelToAnkleFrac) * H
	lx := 0.10 + 0.68*stride
	st.lead = foot{toe: Vec{(lx + 0.0) * H, 0.02*H + back*(1-stride), 0.34 * H * up}, yaw: 5 + 70*stride, pitch: 20 * up}
	drag := 0.10*jerk(t, -0.12, 0.1) + 0.60*over
	st.rear = foot{toe: Vec{drag * H, back + 0.05*H*over, (0.02*jerk(t, -0.1, 0.05) + 0.36*hump(t, 0, 0.35, 1.0)) * H}, yaw: 60 * jerk(t, -0.3, 0), pitch: 55 * jerk(t, -0.28, 0.02)}
	st.leadKnee = facing(10 + 60*stride).add(Vec{0, 0, 0.4 * up})
	st.rearKnee = facing(30 + 50*jerk(t, -0.4, 0))
	ms := st.midShoulder(b)
	ln, fc := line(st.trunkYaw), facing(st.trunkYaw)
	at := func(s, c, z float64) Vec { return ms.plus(s*H, ln).plus(c*H, fc).plus(z*H, Vec{0, 0, 1}) }
	// Hands together at the chest, apart, ball arm down, back, up, through and across.
	apart := jerk(t, -0.95, -0.45)
	cock := jerk(t, -0.55, -0.12)
	throw := jerk(t, -0.13, 0.03)
	follow := jerk(t, 0.0, 0.30)
	rear := at(-0.03, 0.17, -0.06).to(at(-0.30, 0.0, -0.16), apart).to(at(-0.24, -0.10, 0.12), cock).
		to(at(-0.12, 0.30, 0.16), throw).to(at(0.16, 0.24, -0.26), follow)
	lead := at(0.0, 0.17, -0.06).to(at(0.30, 0.06, 0.0), apart).to(at(0.12, 0.12, -0.08), jerk(t, -0.2, 0.05))
	up3 := Vec{0, 0, 1}
	st.rearHand = grip{at: rear, axis: ln, pole: Vec{0, 0, -1}.plus(-0.5, ln).to(ln.mul(-1).plus(-0.2, up3), cock).to(ln.mul(-0.6).plus(-0.6, up3), follow), open: 0.9}
	st.leadHand = grip{at: lead, axis: up3, pole: Vec{0, 0, -1}.plus(0.4, ln), open: 0.8}
	return st
}

// Fielder waits for a ground ball, goes down for it, takes it at time 0, comes up and throws it back at 1.5 s.
type Fielder struct{ Thrower }

// At is the figure at time t.
func (p *Fielder) At(t float64) Figure {
	st := p.field(t)
	if w := jerk(t, 0.15, 0.65); w > 0 {
		th := p.stick(t - 1.5)
		st = blend(&st, &th, w, p.Body.HeightM)
	}
	return p.place(st)
}

func (p *Fielder) field(t float64) stick {
	b, H := p.Body, p.Body.HeightM
	low := jerk(t, -0.75, -0.08)
	sway := math.Sin(5 * t)
	var st stick
	st.pelvisYaw, st.trunkYaw = 78, 80
	side, fw := line(78), facing(78)
	back := (heelToToeFrac - heelToAnkleFrac) * H
	put := func(sign float64) foot {
		step := 0.22 * jerk(t, -0.9, -0.35) // into the ball, one foot after the other
		if sign < 0 {
			step = 0.22 * jerk(t, -0.65, -0.1)
		}
		f := foot{toe: side.mul(sign*(0.15+0.05*low)*H).plus(back+step*H, fw), yaw: 78 + 12*sign}
		f.toe.Z = 0.04 * H * math.Sin(math.Pi*step/0.22)
		return f
	}
	st.lead, st.rear = put(1), put(-1)
	st.pelvis = fw.mul((-0.05 + 0.20*jerk(t, -0.8, -0.15) - 0.06*low) * H)
	st.pelvis.Z = (0.44 - 0.15*low + 0.004*sway*(1-low)) * H
	st.shoulders = fw.mul((0.14 + 0.11*low) * H)
	st.headYaw, st.headFollow, st.headPitch = 80, 0.5, 10+25*low
	st.leadKnee, st.rearKnee = facing(100).add(Vec{0, 0, 0.2}), facing(56).add(Vec{0, 0, 0.2})
	ms := st.midShoulder(b)
	hand := func(sign float64) grip {
		ready := ms.plus(sign*0.09*H, side).plus(0.16*H, fw).plus(-0.26*H, Vec{0, 0, 1})
		ball := st.pelvis.plus(0.30*H, fw).plus(sign*0.03*H, side)
		ball.Z = 0.06 * H
		return grip{at: ready.to(ball, low), axis: Vec{0, 0, 1}, pole: side.mul(sign).add(Vec{0, 0, -0.4}), open: 0.9}
	}
	st.leadHand, st.rearHand = hand(1), hand(-1)
	return st
}

// move maps every point of the figure; m must be a rigid motion or a reflection.
func (f *Figure) move(m func(Vec) Vec) {
	o := m(Vec{})
	for i, j := range f.Joints {
		f.Joints[i] = m(j)
	}
	f.Knob, f.Barrel, f.HeadC = m(f.Knob), m(f.Barrel), m(f.HeadC)
	for _, d := range []*Vec{&f.HeadF, &f.HeadU, &f.Chest, &f.PelvisF} {
		*d = m(*d).sub(o)
	}
}
