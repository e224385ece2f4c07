package studio

import "math"

// poser gives the state of a hitter at a time, contact (or what stands for it) at 0.
type poser interface{ stickAt(t float64) stick }

// Act is one thing that a hitter does in a clip, its contact (or the moment at
// which the ball passes) at TimeS of the clip.
type Act struct {
	Kind  string // swing | dry | take | check | bunt | practice | waggle | walk | field | pitch
	TimeS float64
	what  poser
	moves Mover // in place of what, for an act without a bat in both hands; its time 0 is at TimeS
	hit   Hitter
}

// isSwing says whether the act is a full swing.
func (a *Act) isSwing() bool { return a.Kind == "swing" || a.Kind == "dry" }

// newAct makes an act of a kind.
func newAct(kind string, timeS float64, h Hitter) (Act, bool) {
	a := Act{Kind: kind, TimeS: timeS, hit: h}
	switch kind {
	case "swing", "dry":
		a.what = &h
	case "take":
		a.what = Take(h)
	case "check":
		a.what = CheckSwing(h)
	case "bunt":
		a.what = &Bunter{h}
	case "practice":
		a.what = PracticeHalfSwing(h)
	case "waggle":
		a.what = Waggler(h)
	case "walk": // past, along the line to the pitcher, the bat in one hand
		a.moves = &Walker{Body: h.Body, HeadingDeg: 90, SpeedMS: 1.3 * h.Body.HeightM / 1.75, WithBat: true}
	case "field":
		a.moves = &Fielder{Thrower{Body: h.Body, Toward: 90}}
	case "pitch":
		a.moves = &Thrower{Body: h.Body, Toward: 90}
	default:
		return a, false
	}
	return a, true
}

// Performer does one act after another; between two it walks its state from
// the end of one to the beginning of the next.
type Performer struct {
	Body     Body
	LeadLeft bool
	Acts     []Act // in time order
}

// Times around an act's moment that belong to it alone.
const (
	afterActS  = 1.25
	beforeActS = 1.30
)

// At is the figure at time t of the clip.
func (p *Performer) At(t float64) Figure {
	if a := &p.Acts[0]; a.moves != nil {
		return a.moves.At(t - a.TimeS)
	}
	st := p.stickAt(t)
	return st.build(p.Body, p.LeadLeft)
}

func (p *Performer) stickAt(t float64) stick {
	i := 0
	for i+1 < len(p.Acts) && t > p.Acts[i].TimeS+afterActS {
		i++
	}
	cur := p.Acts[i]
	st := cur.what.stickAt(t - cur.TimeS)
	if i > 0 {
		prev := p.Acts[i-1]
		from, to := prev.TimeS+afterActS, math.Max(prev.TimeS+afterActS+0.3, cur.TimeS-beforeActS)
		if w := jerk(t, from, to); w < 1 {
			before := prev.what.stickAt(t - prev.TimeS)
			st = blend(&before, &st, w, p.Body.HeightM)
		}
	}
	return st
}

// blend goes from a to b; feet are lifted on the way.
func blend(a, b *stick, w, heightM float64) stick {
	s := *b
	l := func(x, y float64) float64 { return x + (y-x)*w }
	s.pelvis, s.shoulders = a.pelvis.to(b.pelvis, w), a.shoulders.to(b.shoulders, w)
	s.pelvisYaw, s.trunkYaw, s.shoulderTilt = l(a.pelvisYaw, b.pelvisYaw), l(a.trunkYaw, b.trunkYaw), l(a.shoulderTilt, b.shoulderTilt)
	s.headYaw, s.headPitch, s.headFollow = l(a.headYaw, b.headYaw), l(a.headPitch, b.headPitch), l(a.headFollow, b.headFollow)
	ft := func(x, y foot, w0, w1 float64) foot { // one foot after the other
		u := jerk(w, w0, w1)
		f := foot{toe: x.toe.to(y.toe, u), yaw: x.yaw + (y.yaw-x.yaw)*u, pitch: x.pitch + (y.pitch-x.pitch)*u}
		f.toe.Z += 0.03 * heightM * math.Sin(math.Pi*u)
		return f
	}
	s.lead, s.rear = ft(a.lead, b.lead, 0.1, 0.5), ft(a.rear, b.rear, 0.5, 0.95)
	s.leadKnee, s.rearKnee = a.leadKnee.to(b.leadKnee, w), a.rearKnee.to(b.rearKnee, w)
	s.batAxis = a.batAxis.to(b.batAxis, w).unit()
	s.knob = a.knob.to(b.knob, w)
	g := func(x, y grip) grip {
		return grip{at: x.at.to(y.at, w), axis: s.batAxis, pole: x.pole.to(y.pole, w), open: l(x.open, y.open)}
	}
	s.leadHand, s.rearHand = g(a.leadHand, b.leadHand), g(a.rearHand, b.rearHand)
	if !a.bat && !b.bat {
		s.leadHand.axis, s.rearHand.axis = a.leadHand.axis.to(b.leadHand.axis, w).unit(), a.rearHand.axis.to(b.rearHand.axis, w).unit()
		return s
	}
	// Both hands stay on the handle.
	gap := b.rearHand.at.sub(b.leadHand.at).norm()
	s.leadHand.at = s.knob.plus(bottomHandM, s.batAxis)
	if a.rearHand.open == 0 && b.rearHand.open == 0 {
		s.rearHand.at = s.leadHand.at.plus(gap, s.batAxis)
	}
	return s
}
