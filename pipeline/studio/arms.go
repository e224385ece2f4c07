package studio

import "math"

// arms places hands and bat. Hands are keyed in a frame that turns with the
// shoulders (along the shoulder line toward the lead side, out from the chest,
// up), so that the trunk carries them; the bat's direction likewise.
func (h *Hitter) arms(st *stick, t, real float64, c clock) {
	s, b, F := &h.Swing, h.Body, h.Swing.Faults
	H := b.HeightM
	loadIn := c.off - 0.10*s.LoadTempo
	quiet := 1 - jerk(t, loadIn-0.25, loadIn+0.1)
	wave := math.Sin(2*math.Pi*1.1*real) * quiet

	ms := st.midShoulder(b)
	load := jerk(t, loadIn, c.down-0.02)
	// From launch to contact the hands go out; after contact through and round.
	out := jerkAt(t, c.hands+0.03, 0.055, 0.60)
	if F.Cast > 0 {
		out = out*(1-0.75*F.Cast) + 0.75*F.Cast*jerkAt(t, c.hands-0.01, 0.055, 0.42)
	}
	along := jerkAt(t, c.hands+0.01, 0.080, 0.44)
	drop := jerkAt(t, c.hands+0.05, -0.005, 0.54)
	ext := jerk(t, -0.04, 0.10)
	wrap := jerk(t, 0.075, c.fin)
	lift := jerk(t, -0.07, c.fin*0.85)

	contactOut, reachOut := s.ContactOut, s.ContactOut+0.09
	along1 := s.ContactAlong + 0.03 // the way along is not quite over at contact
	leak := F.HandsLeak
	hs := -0.150 - (s.HandsBack-0.150)*load + leak*jerk(t, c.top-0.05, c.down-0.02) + (along1+s.HandsBack-leak)*along + 0.03*ext + (0.175-along1-0.03)*wrap
	hc := 0.165 - 0.035*load + (contactOut-0.130)*out + (reachOut-contactOut)*ext - (reachOut-0.125)*wrap
	hz := -0.050 + 0.025*load - (s.ContactDrop-0.025)*drop + (s.ContactDrop+0.055)*lift
	if F.Cast > 0 {
		hc += 0.045 * F.Cast * hump(t, c.hands-0.02, -0.07, 0.03)
	}
	hc += 0.002 * wave
	hz += 0.0025 * math.Sin(2*math.Pi*0.45*real+1) * quiet

	ln, fc := line(st.trunkYaw), facing(st.trunkYaw)
	at := func(s, c, z float64) Vec {
		return ms.plus(s*H, ln).plus(c*H, fc).plus(z*H, Vec{0, 0, 1})
	}
	hands := at(hs, hc, hz)

	// Bat: angle in the shoulders' frame (0 = out from the chest, + = toward
	// the lead side) and elevation.
	// The bat falls back, then goes round to behind the lead shoulder; when it
	// starts follows from its being square at contact.
	const rest, end = -100.0, 150.0
	lagged := rest - s.Lag
	share := (s.BatSquare - h.trunkYawAtContact(c) - lagged) / (end - lagged)
	x := jerkInverse(share)
	rel0 := -x / (1 - x) * c.rel1
	az := rest - 0.4*s.Lag*load - 0.6*s.Lag*jerk(t, c.hands+0.01, rel0+0.04) + (end-lagged)*jerk(t, rel0, c.rel1)
	if F.Cast > 0 {
		az += 22 * F.Cast * hump(t, c.hands-0.02, -0.07, 0)
	}
	az += s.Waggle * wave
	level := jerkAt(t, c.hands+0.02, -0.005, 0.55)
	el := s.StanceTilt - 10*load + (s.BatTilt-s.StanceTilt+10)*level +
		(14-s.BatTilt)*jerk(t, -0.05, 0.22) - 42*jerk(t, 0.17, c.fin)
	el -= F.BarrelDrop * hump(t, c.hands-0.035, c.hands+0.045, 0.0)
	el += 0.6 * s.Waggle * wave * math.Cos(real)
	el = clamp(el, -80, 80)
	a := st.trunkYaw + az
	sn, cs := math.Sincos(rad(el))
	axis := facing(a).mul(cs).add(Vec{0, 0, sn})

	st.bat, st.batAxis, st.batLength = true, axis, h.Bat.LengthM
	gap := 0.050 * H // between the middles of the two hands
	lo, hi := -gap/2, gap/2

	// Neither arm may be asked to reach farther than it is long: the hands come in a little.
	sl := st.shoulderLine(b)
	leadSh := ms.plus(b.h(shoulderFrac)/2, sl)
	rearSh := ms.plus(-b.h(shoulderFrac)/2, sl)
	limit := b.h(upperArmFrac+forearmFrac+gripFrac) * 0.98
	for range 3 {
		hands = within(hands.plus(lo, axis), leadSh, limit, 0.012*H).plus(-lo, axis)
		far := limit
		if s.OneHanded { // the top hand lets go: it holds the bat back no longer
			far += H * jerk(t, 0.08, 0.25)
		}
		hands = within(hands.plus(hi, axis), rearSh, far, 0.012*H).plus(-hi, axis)
	}
	st.knob = hands.plus(lo-bottomHandM, axis)
	// Elbow directions in the shoulders' frame.
	dir := func(s, c, z float64) Vec { return ln.mul(s).plus(c, fc).add(Vec{0, 0, z}) }
	go_ := jerk(t, c.hands-0.02, -0.02)
	leadPole := dir(0.55, 0.1, -0.8).to(dir(0.75, -0.1, -0.55), go_).to(dir(0.75, 0.35, -0.35), wrap)
	rearPole := dir(-0.75, -0.15, -0.55).to(dir(-0.25, -0.15, -0.95), go_).to(dir(-0.45, 0.45, -0.55), wrap)
	st.leadHand = grip{at: hands.plus(lo, axis), axis: axis, pole: leadPole}
	st.rearHand = grip{at: hands.plus(hi, axis), axis: axis, pole: rearPole}
	if s.OneHanded {
		off := jerk(t, 0.13, c.fin)
		free := at(-0.02, 0.22, -0.24)
		st.rearHand.at = st.rearHand.at.to(free, off)
		st.rearHand.axis = axis.to(Vec{0, 0, 1}.plus(0.3, fc), off).unit()
		st.rearHand.open = off
	}
}

// within draws p toward centre so that it lies within limit, softly over w.
func within(p, centre Vec, limit, w float64) Vec {
	d := p.sub(centre)
	l := d.norm()
	if l == 0 {
		return p
	}
	return centre.plus(softMin(l, limit, w)/l, d)
}

func (h *Hitter) trunkYawAtContact(c clock) float64 {
	s := &h.Swing
	return s.TrunkCoil + (s.TrunkOpen-s.TrunkCoil)*jerk(0, c.tr0, c.tr1)
}
