package studio

import "math"

// Stander is a person who stays about where he is: catcher, umpire, coach, onlooker.
type Stander struct {
	Role       string
	Body       Body
	At0        Vec     // m, on the ground
	HeadingDeg float64 // as in facing
	Phase      float64
	TimeS      float64 // of a coach: when the tossed ball leaves the hand
	Mirror     bool
}

// At is the figure at time t.
func (p *Stander) At(t float64) Figure {
	b, H := p.Body, p.Body.HeightM
	sway := math.Sin(0.9*t+p.Phase) + 0.5*math.Sin(2.3*t+2*p.Phase)
	back := (heelToToeFrac - heelToAnkleFrac) * H
	var st stick
	feet := func(half, yaw, pitch, y float64) {
		st.lead = foot{toe: Vec{half * H, back + y*H, 0}, yaw: yaw, pitch: pitch}
		st.rear = foot{toe: Vec{-half * H, back + y*H, 0}, yaw: -yaw, pitch: pitch}
	}
	up := Vec{0, 0, 1}
	// Hands are given from mid-shoulder: to the lead side, forward, up.
	hand := func(s, c, z float64) Vec { return st.midShoulder(b).add(Vec{s * H, c * H, z * H}) }
	g := func(at, pole Vec) grip { return grip{at: at, axis: up, pole: pole, open: 0.8} }
	st.headFollow = 0.3
	switch p.Role {
	case "catcher":
		feet(0.17, 28, 34, 0)
		st.pelvis = Vec{0.004 * sway * H, -0.06 * H, 0.235 * H}
		st.shoulders = Vec{0.003 * sway * H, 0.13 * H, 0}
		st.leadKnee, st.rearKnee = Vec{0.6, 0.8, 0.35}, Vec{-0.6, 0.8, 0.35}
		st.headPitch = -4
		st.leadHand = g(hand(0.08, 0.30, -0.06+0.006*sway), Vec{0.7, 0, -0.7})
		st.rearHand = g(hand(-0.19, 0.10, -0.24), Vec{-0.7, -0.3, -0.4})
	case "umpire":
		feet(0.15, 20, 0, 0)
		st.pelvis = Vec{0.003 * sway * H, -0.12 * H, 0.435 * H}
		st.shoulders = Vec{0.004 * sway * H, 0.165 * H, 0}
		st.leadKnee, st.rearKnee = Vec{0.3, 1, 0.1}, Vec{-0.3, 1, 0.1}
		st.headPitch = 2
		st.leadHand = g(hand(0.12, 0.06, -0.335), Vec{0.8, -0.5, 0})
		st.rearHand = g(hand(-0.12, 0.06, -0.335), Vec{-0.8, -0.5, 0})
	case "coach": // tosses underhand from the side
		feet(0.10, 12, 0, 0)
		u := t - p.TimeS
		arm := hump(u, -0.7, -0.28, 0) // back, then forward
		fwd := jerk(u, -0.28, 0.02) * (1 - jerk(u, 0.35, 1.0))
		st.pelvis = Vec{0.002 * sway * H, -0.02 * H, 0.50 * H}
		st.shoulders = Vec{0, 0.06 * H, 0}
		st.leadKnee, st.rearKnee = Vec{0.1, 1, 0}, Vec{-0.1, 1, 0}
		st.leadHand = g(hand(0.10, 0.16, -0.22), Vec{0.6, -0.4, -0.6})
		st.rearHand = g(hand(-0.13, 0.06-0.16*arm+0.24*fwd, -0.32+0.02*arm+0.16*fwd), Vec{-0.4, -0.8, -0.3})
	case "armsfolded":
		feet(0.07, 12, 0, 0)
		st.pelvis = Vec{0.003 * sway * H, 0, 0.522 * H}
		st.shoulders = Vec{0.002 * sway * H, 0.02 * H, 0}
		st.leadKnee, st.rearKnee = Vec{0.1, 1, 0}, Vec{-0.1, 1, 0}
		st.headYaw = 14 * math.Sin(0.5*t+p.Phase)
		st.leadHand = g(hand(-0.06, 0.12, -0.15), Vec{0.8, -0.1, -0.6})
		st.rearHand = g(hand(0.06, 0.14, -0.14), Vec{-0.8, -0.1, -0.6})
	default: // stands at ease
		feet(0.065, 14, 0, 0)
		st.pelvis = Vec{0.004 * sway * H, 0, 0.522 * H}
		st.shoulders = Vec{0.002 * sway * H, 0.015 * H, 0}
		st.leadKnee, st.rearKnee = Vec{0.1, 1, 0}, Vec{-0.1, 1, 0}
		st.headYaw = 22 * math.Sin(0.4*t+p.Phase)
		st.leadHand = g(hand(0.155, 0.02+0.01*sway, -0.36), Vec{0.5, -0.9, 0})
		st.rearHand = g(hand(-0.155, 0.02, -0.36), Vec{-0.5, -0.9, 0})
	}
	f := st.build(b, !p.Mirror)
	a := rad(p.HeadingDeg)
	f.move(func(v Vec) Vec { return v.rotZ(a).add(p.At0) })
	return f
}
