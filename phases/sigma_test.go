package phases

import (
	"math"
	"testing"

	"cagebook/pose"
)

// standing is perform on the ground: templates are relative to mid-hip. The rear foot stays until
// the template's foot down, the lead foot from there on.
func standing(t *testing.T, p performance) *pose.Track {
	tr := perform(t, p)
	rear, lead := pose.RightAnkle, pose.LeftAnkle
	if p.bats == Left {
		rear, lead = lead, rear
	}
	var down float64
	for i := range templates() {
		if templates()[i].Name == p.variant {
			down = contactAtS + p.tempo*templates()[i].Events[FootDown]
		}
	}
	raw := append([][pose.NumJoints]pose.Estimate(nil), tr.Smooth...)
	var dx, dy float64
	for i := 1; i < len(raw); i++ {
		fixed := rear
		if tr.Times[i]-tr.Times[0] > down {
			fixed = lead
		}
		dx += raw[i][fixed].X - raw[i-1][fixed].X
		dy += raw[i][fixed].Y - raw[i-1][fixed].Y
		for j := range tr.Smooth[i] {
			tr.Smooth[i][j].X -= dx
			tr.Smooth[i][j].Y -= dy
		}
	}
	return tr
}

func standingOne(t *testing.T, p performance) Swing {
	t.Helper()
	res, err := Detect(standing(t, p), Given{})
	if err != nil || len(res.Swings) != 1 {
		t.Fatalf("%d swings, %v", len(res.Swings), err)
	}
	return res.Swings[0]
}

// TestEventSigmaGrows: what makes an instant harder to tell makes it less sure.
func TestEventSigmaGrows(t *testing.T) {
	base := standingOne(t, performance{"middle", Right, 0, 240, 300, 0, 0.004, 1})
	sigma := func(t *testing.T, sw Swing, n EventName) float64 {
		t.Helper()
		e, ok := sw.Event(n)
		if !ok {
			t.Fatalf("no %s", n)
		}
		return e.SigmaS
	}
	all := []EventName{Stance, Load, FootDown, HandsStart, Contact, Extension, Finish}
	t.Run("frame rate", func(t *testing.T) {
		// Rounding to a frame alone has dt/√12: at 30 frames/s 9.6 ms (standard deviation of an even spread).
		slow := standingOne(t, performance{"middle", Right, 0, 30, 300, 0, 0.004, 1})
		for _, n := range all {
			if s := sigma(t, slow, n); s <= 1.0/30/math.Sqrt(12) || s < sigma(t, base, n)-0.004 {
				t.Errorf("%s: %.4f s at 30 frames/s, %.4f at 240", n, s, sigma(t, base, n))
			}
		}
		if sigma(t, slow, Contact) <= sigma(t, base, Contact) {
			t.Error("contact is no less sure at 30 frames/s")
		}
	})
	t.Run("a small hitter", func(t *testing.T) { // the same pixels of noise are more of the body
		tr := standing(t, performance{"middle", Right, 0, 240, 300, 0, 0.004, 1})
		for i := range tr.Smooth {
			for j := range tr.Smooth[i] {
				tr.Smooth[i][j].Sigma *= 7
			}
		}
		res, err := Detect(tr, Given{})
		if err != nil || len(res.Swings) != 1 {
			t.Fatalf("%d swings, %v", len(res.Swings), err)
		}
		for _, n := range []EventName{Contact, Finish} {
			if s := sigma(t, res.Swings[0], n); s <= sigma(t, base, n) {
				t.Errorf("%s: %.4f s with points of seven times the uncertainty, %.4f before", n, s, sigma(t, base, n))
			}
		}
		for _, n := range all {
			if s := sigma(t, res.Swings[0], n); s < sigma(t, base, n)-0.004 {
				t.Errorf("%s: surer with less sure points: %.4f s, %.4f before", n, s, sigma(t, base, n))
			}
		}
	})
	t.Run("from the end", func(t *testing.T) {
		end := standingOne(t, performance{"middle", Right, 90, 240, 300, 0, 0.004, 1})
		for _, n := range []EventName{HandsStart, Contact, Extension, Finish} {
			if s := sigma(t, end, n); s <= sigma(t, base, n) {
				t.Errorf("%s: %.4f s from the pitcher, %.4f from the open side", n, s, sigma(t, base, n))
			}
		}
	})
}

// TestToeTap: a tap before the stride belongs to the stride; the foot first leaves the ground with it.
func TestToeTap(t *testing.T) {
	p := performance{"short, toe tap, hands near", Right, 0, 120, 300, 0, 0.004, 1}
	sw := standingOne(t, p)
	for i := range templates() {
		m := &templates()[i]
		if m.Name != p.variant {
			continue
		}
		for _, n := range []EventName{Stance, LeadFootOff, FootDown} {
			want, known := m.Events[n]
			e, ok := sw.Event(n)
			if known && ok && math.Abs(e.TimeS-contactAtS-want) > 1.96*e.SigmaS {
				t.Errorf("%s %.3f ± %.3f s before contact, want %.3f", n, contactAtS-e.TimeS, e.SigmaS, -want)
			}
		}
		if off, ok := sw.Event(LeadFootOff); ok && off.SigmaS > 0.20 { // tap or not: two readings
			t.Errorf("lead foot off is told to ± %.2f s only", off.SigmaS)
		}
	}
}

// By hand: mean 1.05; variance of the mixture = mean of the variances + variance of the means = 0.02² + 0.05².
func TestEither(t *testing.T) {
	c := either(cue{1, 0.02}, cue{1.1, 0.02}, 0.5)
	if math.Abs(c.t-1.05) > 1e-12 || math.Abs(c.sigma-math.Hypot(0.02, 0.05)) > 1e-12 {
		t.Errorf("%+v", c)
	}
	if c := either(cue{1, 0.02}, cue{9, 3}, 1); c != (cue{1, 0.02}) {
		t.Errorf("with probability 1: %+v", c)
	}
}

// TestSideways: a video on its side, as phones record them when they do not notice that they were turned.
func TestSideways(t *testing.T) {
	tr := perform(t, usual)
	for i := range tr.Smooth {
		for j := range tr.Smooth[i] {
			e := &tr.Smooth[i][j]
			e.X, e.Y = 720-e.Y, e.X
		}
	}
	res, err := Detect(tr, Given{})
	if err != nil || len(res.Swings) > 0 {
		t.Fatalf("%d swings, %v", len(res.Swings), err)
	}
	if len(res.Rejected) == 0 || res.Rejected[0].Reason != onItsSide {
		t.Errorf("no word on why: %+v", res.Rejected)
	}
	if b := newBody(perform(t, usual)); b.lies() {
		t.Error("a standing hitter lies")
	}
}

// By hand: of a turn of 40° ± 20° and a usual one of 0° ± 20° the posterior is 20° ± 20°/√2.
func TestUsualTurn(t *testing.T) {
	tr, sw := film(usualFilming())
	s := newSubject(tr, sw, Given{})
	d := newDraw(s, nil, true)
	if v := d.weighed("x", 40, 20, usualTurn{0, 20}); math.Abs(v-20) > 1e-9 {
		t.Errorf("%g, want 20", v)
	}
	// Surely seen, the usual does not matter; not seen, nothing else does.
	if v := d.weighed("y", 40, 0.01, usualTurn{0, 20}); math.Abs(v-40) > 0.01 {
		t.Errorf("surely seen: %g, want 40", v)
	}
	if v := d.weighed("z", 40, 1e6, usualTurn{-20, 20}); math.Abs(v+20) > 0.01 {
		t.Errorf("not seen: %g, want -20", v)
	}
}

// A point that creeps after contact, and one seen a long time from it, are no ball that was hit.
func TestNoBallWithoutSpeed(t *testing.T) {
	const fps, contactS, heightPx = 120.0, 0.1, 300.0
	track := func(speed float64, until int) *subject {
		tr := &pose.Track{}
		for i := range 24 {
			at := float64(i) / fps
			b := pose.BallSample{Status: string(NoBall)}
			if d := at - contactS; d > 0 && i >= until {
				b = pose.BallSample{Status: string(Measured), At: pose.Estimate{X: 500 + speed*heightPx*d, Y: 200, Sigma: 1.5}}
			}
			tr.Times, tr.Frames, tr.Ball = append(tr.Times, at), append(tr.Frames, i), append(tr.Ball, b)
		}
		return &subject{t: tr, frameS: 1 / fps, scale: Scale{HeightPx: heightPx}}
	}
	for _, c := range []struct {
		name  string
		speed float64 // body heights/s
		from  int     // first frame with a ball; contact is at frame 12
		want  bool
	}{{"hit", 15, 13, true}, {"creeping", 1, 13, false}, {"late", 15, 18, false}} {
		x, _, _, ok := track(c.speed, c.from).ballAt(contactS)
		if ok != c.want || ok && math.Abs(x-500) > 1e-6 {
			t.Errorf("%s: %v at %.1f, want %v at 500", c.name, ok, x, c.want)
		}
	}
}

// TestLandingSigma: signs of the foot that disagree count for less, never for less than nothing but the usual time. By hand from the
// numbers beside the constants.
func TestLandingSigma(t *testing.T) {
	side, end := &reading{cosAz: 1}, &reading{cosAz: 0}
	usual := cue{1, 0.08}
	for _, c := range []struct {
		name         string
		r            *reading
		own, at      float64
		atLeast, atM float64
	}{
		{"agreed, from the side", side, 0.013, 1, 0.011, 0.022},
		{"apart, from the side", side, 0.020, 1, 0.027, 0.060},
		{"two camps at the usual time", side, 0.200, 1, 0.080, 0.080},
		{"two camps far from it", side, 0.200, 0.85, 0.170, 0.171},
		{"agreed, from the end", end, 0.013, 1, footDownEndSD, footDownEndSD},
		{"two camps, from the end", end, 0.250, 1, 0.080, 0.080},
	} {
		if s := c.r.landingSigma(cue{c.at, c.own}, usual); s < c.atLeast-1e-9 || s > c.atM+1e-9 {
			t.Errorf("%s: %.4f s, want %.3f to %.3f", c.name, s, c.atLeast, c.atM)
		}
	}
}

// TestAlongLimb: a joint's error is divided between the two directions, not made smaller.
func TestAlongLimb(t *testing.T) {
	for _, j := range []pose.Joint{pose.LeftWrist, pose.RightAnkle, pose.LeftKnee, pose.RightShoulder} {
		e := alongLimb(j, 1, 1)
		if s := e[0]*e[0] + e[1]*e[1]; math.Abs(s-2) > 0.02 || e[0] > e[1] {
			t.Errorf("%v: %.3f across, %.3f along", j, e[0], e[1])
		}
	}
}

// TestFallCarriesHands: hands that rest in the picture while the trunk goes on are not at rest; a trunk that stands changes nothing.
func TestFallCarriesHands(t *testing.T) {
	const fallS, wayPx = 0.7, 120
	finish := func(way float64) Event {
		tr := standing(t, usual)
		for i := range tr.Smooth {
			shift := way * minJerk(tr.Times[i], contactAtS+0.2, contactAtS+0.2+fallS)
			for _, j := range trunkJoints {
				tr.Smooth[i][j].X += shift
			}
		}
		res, err := Detect(tr, Given{})
		if err != nil || len(res.Swings) != 1 {
			t.Fatalf("%d swings, %v", len(res.Swings), err)
		}
		e, ok := res.Swings[0].Event(Finish)
		if !ok {
			t.Fatal("no finish")
		}
		return e
	}
	stands, falls := finish(0), finish(wayPx)
	end := contactAtS + 0.2 + fallS
	if falls.TimeS < stands.TimeS+0.1 || falls.TimeS > end || end-falls.TimeS > 0.4 {
		t.Errorf("finish at %.2f s standing, %.2f ± %.2f falling until %.2f", stands.TimeS, falls.TimeS, falls.SigmaS, end)
	}
}
