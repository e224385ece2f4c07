package phases

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"cagebook/pose"
)

func TestFuseContact(t *testing.T) {
	body := ContactCue{TimeS: 1.000, SigmaS: 0.018, From: "keypoints"}
	for _, c := range []struct {
		name   string
		cues   []ContactCue
		t, sd  float64 // wanted
		tol    float64
		from   string
		leaves string
	}{
		{"the body alone", nil, 1.000, 0.018, 1e-6, "keypoints", ""},
		// Where cues agree, the doubt about them counts little: nearly the mean and σ/√2 of two equal ones;
		// of one with four times the weight a fifth of the way.
		{"two alike", []ContactCue{{TimeS: 1.006, SigmaS: 0.018, From: "bat"}}, 1.003, 0.018 / math.Sqrt2, 6e-4, "fused", ""},
		{"twice as sure", []ContactCue{{TimeS: 1.010, SigmaS: 0.009, From: "bat"}}, 1.008, 0.009 * 2 / math.Sqrt(5), 6e-4, "fused", ""},
		{"a sharp ball decides", []ContactCue{{TimeS: 1.010, SigmaS: 0.001, From: "ball"}}, 1.010, 0.003, 3e-3, "ball", ""},
		{"sound out of step, ball and body agree", []ContactCue{{TimeS: 1.010, SigmaS: 0.001, From: "ball"}, {TimeS: 1.150, SigmaS: 0.006, From: "audio"}}, 1.010, 0.005, 6e-3, "ball", "audio"},
		// The body alone would have to be right against both, which is one in fifty (0.08/0.2 · 0.15/0.2 against 0.04/0.2 and how
		// well the two agree): outside of 95 of 100 cases.
		{"the body far off, ball and sound agree", []ContactCue{{TimeS: 1.150, SigmaS: 0.001, From: "ball"}, {TimeS: 1.152, SigmaS: 0.004, From: "audio"}}, 1.150, 0.0011, 6e-4, "ball", "keypoints"},
		{"a ball far off, body, bat and sound agree", []ContactCue{{TimeS: 1.002, SigmaS: 0.010, From: "bat"}, {TimeS: 0.960, SigmaS: 0.002, From: "ball"}, {TimeS: 1.001, SigmaS: 0.007, From: "audio"}}, 1.001, 0.007, 3e-3, "fused", "ball"},
		// Body and bat together: 1.0080 ± 0.0080. A sound of 8 ms is left out from 2.8·√(8² + 8²) = 31.7 ms on.
		{"another cage's crack", []ContactCue{{TimeS: 1.010, SigmaS: 0.009, From: "bat"}, {TimeS: 1.041, SigmaS: 0.008, From: "audio"}}, 1.008, 0.0081, 6e-4, "fused", "audio"},
		{"unknown cues count for nothing", []ContactCue{{TimeS: math.NaN(), SigmaS: 0.001, From: "ball"}, {TimeS: 1.2, SigmaS: 0, From: "bat"}, {TimeS: 1.2, SigmaS: math.Inf(1), From: "bat"}}, 1.000, 0.018, 1e-6, "keypoints", ""},
	} {
		got, left := FuseContact(body, c.cues)
		if math.Abs(got.TimeS-c.t) > c.tol || math.Abs(got.SigmaS-c.sd) > c.tol || got.From != c.from {
			t.Errorf("%s: %.4f ± %.4f from %s, want %.4f ± %.4f from %s", c.name, got.TimeS, got.SigmaS, got.From, c.t, c.sd, c.from)
		}
		if name := ""; len(left) > 0 {
			name = left[0].From
			if name != c.leaves {
				t.Errorf("%s: left out %s", c.name, name)
			}
		} else if c.leaves != "" {
			t.Errorf("%s: nothing was left out", c.name)
		}
	}
}

// Two cues that contradict each other. A ball is as good as the body, nearly: the uncertainty says that it may be the other way
// about. A sound so far off is another one.
func TestFuseContactShowsDisagreement(t *testing.T) {
	body := ContactCue{TimeS: 1.0, SigmaS: 0.01, From: "keypoints"}
	got, left := FuseContact(body, []ContactCue{{TimeS: 1.1, SigmaS: 0.01, From: "ball"}})
	if len(left) != 1 || left[0].From != "ball" || math.Abs(got.TimeS-1) > 1e-6 || got.SigmaS < 0.025 || got.SigmaS > 0.06 {
		t.Errorf("%.4f ± %.4f, left out %v", got.TimeS, got.SigmaS, left)
	}
	got, left = FuseContact(body, []ContactCue{{TimeS: 1.1, SigmaS: 0.01, From: "audio"}})
	if len(left) != 1 || left[0].From != "audio" || math.Abs(got.TimeS-1) > 1e-6 || math.Abs(got.SigmaS-0.01) > 1e-4 {
		t.Errorf("%.4f ± %.4f, left out %v", got.TimeS, got.SigmaS, left)
	}
}

const rateHz = 44100

// room is quiet noise.
func room(seconds, level float64) []float32 {
	rng := rand.New(rand.NewPCG(7, 7))
	x := make([]float32, int(seconds*rateHz))
	for i := range x {
		x[i] = float32(level * rng.NormFloat64())
	}
	return x
}

// crack adds a struck bat: a click of noise and dying partials, as a struck bar has.
func crack(x []float32, atS, loud float64) {
	rng := rand.New(rand.NewPCG(9, uint64(1000*atS)))
	for i := max(0, int(atS*rateHz)+1); i < len(x); i++ {
		u := float64(i)/rateHz - atS
		if u > 0.3 {
			break
		}
		v := math.Exp(-u*700) * rng.NormFloat64()
		for _, m := range [3][2]float64{{1700, 80}, {3100, 130}, {5200, 200}} {
			v += 0.4 * math.Exp(-u*m[1]) * math.Sin(2*math.Pi*m[0]*u)
		}
		x[i] += float32(loud * v)
	}
}

// note adds a played note that begins within 20 ms and is held.
func note(x []float32, atS, loud float64) {
	for i := max(0, int(atS*rateHz)); i < len(x); i++ {
		u := float64(i)/rateHz - atS
		x[i] += float32(loud * (1 - math.Exp(-u/0.02)) * (math.Sin(2*math.Pi*880*u) + 0.6*math.Sin(2*math.Pi*1760*u) + 0.4*math.Sin(2*math.Pi*2640*u)))
	}
}

func TestFindOnset(t *testing.T) {
	for _, c := range []struct {
		name   string
		make   func(x []float32)
		reason string
		at     float64
	}{
		{"a crack", func(x []float32) { crack(x, 1.02, 0.4) }, OnsetFound, 1.02},
		{"a faint crack", func(x []float32) { crack(x, 1.02, 0.04) }, OnsetFound, 1.02},
		{"silence of a room", func([]float32) {}, OnsetNone, 0},
		{"a crack and a neighbour's, fainter", func(x []float32) { crack(x, 1.02, 0.4); crack(x, 1.11, 0.08) }, OnsetFound, 1.02},
		{"two as loud", func(x []float32) { crack(x, 1.02, 0.3); crack(x, 1.09, 0.25) }, OnsetAmbiguous, 0},
		{"a neighbour's outside the stretch", func(x []float32) { crack(x, 1.02, 0.2); crack(x, 0.60, 0.9) }, OnsetFound, 1.02},
		{"a played note", func(x []float32) { note(x, 1.02, 0.3) }, OnsetNone, 0},
		{"a crack over music", func(x []float32) { note(x, 0.2, 0.02); crack(x, 1.02, 0.4) }, OnsetFound, 1.02},
	} {
		x := room(2, 0.003)
		c.make(x)
		on, reason := FindOnset(x, rateHz, 0, 0.92, 1.15)
		if reason != c.reason {
			t.Errorf("%s: %q, want %q (at %.4f s)", c.name, reason, c.reason, on.TimeS)
			continue
		}
		// The sound is not coded, so that it is found late by what is allowed for the coder.
		if reason == OnsetFound && math.Abs(on.TimeS-c.at) > 0.0025 {
			t.Errorf("%s: at %.4f s, true %.4f s", c.name, on.TimeS, c.at)
		}
	}
}

func TestFindOnsetOddSound(t *testing.T) {
	bad := room(1, 0.01)
	for i := range bad {
		bad[i] = float32(math.NaN())
	}
	for name, f := range map[string]func() string{
		"none":       func() string { _, r := FindOnset(nil, rateHz, 0, 0, 1); return r },
		"muted":      func() string { _, r := FindOnset(make([]float32, rateHz), rateHz, 0, 0.4, 0.6); return r },
		"no rate":    func() string { _, r := FindOnset(room(1, 0.1), 0, 0, 0.4, 0.6); return r },
		"no stretch": func() string { _, r := FindOnset(room(1, 0.1), rateHz, 0, 0.6, 0.6); return r },
		"elsewhere":  func() string { _, r := FindOnset(room(1, 0.1), rateHz, 50, 0.4, 0.6); return r },
		"no numbers": func() string { _, r := FindOnset(bad, rateHz, 0, 0.4, 0.6); return r },
		"no start":   func() string { _, r := FindOnset(room(1, 0.1), rateHz, math.NaN(), 0.4, 0.6); return r },
	} {
		if r := f(); r != OnsetNoSound {
			t.Errorf("%s: %q", name, r)
		}
	}
}

// Sound takes 2.915 ms a metre at 343 m/s (20 °C).
func TestAudioCueTakesOffTheWay(t *testing.T) {
	c := AudioCue(Onset{1.0291545, 0.001}, 10, 0.5)
	if math.Abs(c.TimeS-1) > 1e-6 || c.SigmaS < 0.5/soundSpeedMS {
		t.Errorf("%.6f ± %.6f", c.TimeS, c.SigmaS)
	}
	from, to := SoundWindow(Event{TimeS: 1, SigmaS: 0.002}, 10, 0.5)
	if from > 1.029 || to < 1.030 {
		t.Errorf("the sound of 10 m would be missed between %.4f and %.4f", from, to)
	}
}

// A hitter of 1.7 m who is 170 px tall, seen by a lens of 1,000 px, stands 10 m away (similar triangles); contact is 0.6 m nearer to a camera on the open side.
func TestCameraDistance(t *testing.T) {
	sw := &Swing{Scale: Scale{HeightPx: 170}}
	tall := Given{HeightM: 1.7}
	for name, c := range map[string]struct {
		track     pose.Track
		given     Given
		statedM   float64
		want, sig float64
		ok        bool
	}{
		"lens stated by the phone": {pose.Track{Width: 1280, Height: 720, FocalPx: 1000}, tall, 0, 9.4, 1.2, true},
		"lens of phones":           {pose.Track{Width: 1280, Height: 720}, tall, 0, 1.05*12.8 - 0.6, 0.35 * 1.05 * 12.8, true},
		"held upright":             {pose.Track{Width: 720, Height: 1280}, tall, 0, 1.05*12.8 - 0.6, 0.35 * 1.05 * 12.8, true},
		"a child, lens stated":     {pose.Track{Width: 1280, Height: 720, FocalPx: 1000}, Given{Level: "youth"}, 0, 1450./170 - 0.6, 1450. / 170 * math.Hypot(0.12, 0.15), true},
		"distance stated":          {pose.Track{Width: 1280, Height: 720, FocalPx: 500}, tall, 8, 7.4, 0.4, true},
		"too near to be true":      {pose.Track{Width: 1280, Height: 720, FocalPx: 20}, tall, 0, 0.5, 0.024, true},
		"size of picture unknown":  {pose.Track{}, tall, 0, 0, 0, false},
	} {
		d, sd, ok := CameraDistance(&c.track, sw, c.given, c.statedM)
		if math.Abs(d-c.want) > 1e-9 || math.Abs(sd-c.sig) > 1e-9 || ok != c.ok {
			t.Errorf("%s: %.3f ± %.3f m (%v), want %.3f ± %.3f (%v)", name, d, sd, ok, c.want, c.sig, c.ok)
		}
	}
}

// A level bat that turns evenly, 1,600° a second, and is square at 0.1037 s, seen from all around: where a world direction appears in the
// picture is View.Project's word, which the kinematic model's camera confirms elsewhere.
func TestBatCue(t *testing.T) {
	track := func(v View, bats Bats) *pose.Track {
		tr := &pose.Track{}
		for i := range 25 {
			s := float64(i) / 120
			ahead, out := math.Sincos((s - 0.1037) * 1600 * math.Pi / 180)
			x, _, _ := v.Project(bats, ahead, out, 0)
			b := pose.BatSample{Status: string(Measured), Knob: pose.Estimate{X: 100, Y: 100, Sigma: 1}}
			b.Barrel = pose.Estimate{X: 100 + 80*x, Y: 130, Sigma: 1}
			tr.Times, tr.Frames, tr.Bat = append(tr.Times, s), append(tr.Frames, i), append(tr.Bat, b)
		}
		return tr
	}
	for _, bats := range []Bats{Right, Left} {
		for az := -180.0; az < 180; az += 15 {
			sw := &Swing{Bats: bats, View: View{AzimuthDeg: az, SigmaDeg: 8}, Events: []Event{{Name: Contact, TimeS: 0.12, SigmaS: 0.02}}}
			tr := track(sw.View, bats)
			c, ok := BatCue(tr, sw)
			if !ok || math.Abs(c.TimeS-0.1037) > 0.004 || c.SigmaS < 0.009 || c.SigmaS > 0.016 {
				t.Errorf("%s at %g°: %v, %.4f ± %.4f s", bats, az, ok, c.TimeS, c.SigmaS)
			}
			for i := range tr.Bat {
				tr.Bat[i].Barrel.X = 100 + 0.2*(tr.Bat[i].Barrel.X-100) + 60
			}
			if _, ok := BatCue(tr, sw); ok {
				t.Errorf("%s at %g°: an answer from a bat that does not turn", bats, az)
			}
			for i := range tr.Bat {
				tr.Bat[i].Status = string(Occluded)
			}
			if _, ok := BatCue(tr, sw); ok {
				t.Errorf("%s at %g°: an answer from a hidden bat", bats, az)
			}
		}
	}
}

// The same bat in perspective: the hands are 0.35 m nearer the pitcher than the hips and 0.30 m nearer the plate, the bat reaches 0.75 m from them, and
// the camera looks at the hips from 5 m. Without the hands' own view the bat would be told square up to 5 ms off.
func TestBatCuePerspective(t *testing.T) {
	const far, focal, w = 5.0, focalOfLonger * 640, batTurnMean
	for _, bats := range []Bats{Right, Left} {
		for az := -180.0; az < 180; az += 15 {
			sn, cs := math.Sincos(az * math.Pi / 180)
			px := func(x, y float64) pose.Estimate {
				return pose.Estimate{X: 320 + bats.mirror()*focal*(x*cs-y*sn)/(far-x*sn-y*cs), Y: 180, Sigma: 1}
			}
			tr := &pose.Track{Width: 640, Height: 360}
			for i := range 50 {
				s := float64(i) / 240
				ahead, out := math.Sincos((s - 0.1037) * w)
				var body [pose.NumJoints]pose.Estimate
				body[pose.LeftHip], body[pose.RightHip] = px(0.1, 0), px(-0.1, 0)
				tr.Smooth = append(tr.Smooth, body)
				tr.Bat = append(tr.Bat, pose.BatSample{Status: string(Measured), Knob: px(0.35, 0.30), Barrel: px(0.35+0.75*ahead, 0.30+0.75*out)})
				tr.Times, tr.Frames = append(tr.Times, s), append(tr.Frames, i)
			}
			sw := &Swing{Bats: bats, View: View{AzimuthDeg: az, SigmaDeg: 8}, Events: []Event{{Name: Contact, TimeS: 0.12, SigmaS: 0.02}}}
			if c, ok := BatCue(tr, sw); !ok || math.Abs(c.TimeS-0.1037) > 0.0015 {
				t.Errorf("%s at %g°: %v, %+.1f ms", bats, az, ok, 1000*(c.TimeS-0.1037))
			}
		}
	}
}

func FuzzFuseContact(f *testing.F) {
	f.Add(1.0, 0.02, 1.01, 0.001, 1.2, 0.004)
	f.Add(1.0, 0.0, math.NaN(), math.Inf(1), -1.0, 1e-300)
	f.Fuzz(func(t *testing.T, a, as, b, bs, c, cs float64) {
		got, left := FuseContact(ContactCue{TimeS: a, SigmaS: as, From: "keypoints"}, []ContactCue{{TimeS: b, SigmaS: bs, From: "ball"}, {TimeS: c, SigmaS: cs, From: "audio"}})
		if len(left) > 2 {
			t.Errorf("left out %v of three", left)
		}
		ok := func(x, s float64) bool {
			return ContactCue{TimeS: x, SigmaS: s, From: ""}.known() && math.Abs(x) < 1e6 && s > 1e-6 && s < 1e6
		}
		if ok(a, as) && ok(b, bs) && ok(c, cs) {
			lo, hi := math.Min(a, math.Min(b, c)), math.Max(a, math.Max(b, c))
			if got.TimeS < lo-1e-6*(1+math.Abs(lo)) || got.TimeS > hi+1e-6*(1+math.Abs(hi)) || !(got.SigmaS > 0) {
				t.Errorf("%g ± %g from %g, %g, %g", got.TimeS, got.SigmaS, a, b, c)
			}
		}
	})
}

// A ball that comes in at 30 and goes out at 40 px a frame is met where both ways
// meet, and not on the line between the frame before and the frame after.
func TestBallIsMetWhereItsWaysMeet(t *testing.T) {
	tr := &pose.Track{}
	for i := range 9 {
		u := float64(i) - 4.4
		x := 100 - 30*u
		if u > 0 {
			x = 100 + 40*u
		}
		tr.Times, tr.Frames = append(tr.Times, float64(i)/60), append(tr.Frames, i)
		tr.Ball = append(tr.Ball, pose.BallSample{Status: string(Measured), At: pose.Estimate{X: x, Y: 50, Sigma: 1}})
	}
	s := &subject{t: tr}
	if x, _, sd, ok := s.ballAt(4.4 / 60); !ok || math.Abs(x-100) > 1e-6 || !(sd > 0) {
		t.Errorf("%v, %.2f ± %.2f", ok, x, sd)
	}
	for i := range tr.Ball {
		tr.Ball[i].Status = string(NoBall)
	}
	if _, _, _, ok := s.ballAt(4.4 / 60); ok {
		t.Error("a place without a ball")
	}
}

// A swing without a ball is named so where a ball would have been seen and a crack heard, and nowhere else.
func TestDrySwingIsNamed(t *testing.T) {
	end, slow := usual, usual
	end.azimuthDeg, slow.fps = 90, 30
	for _, c := range []struct {
		name  string
		p     performance
		ball  bool
		heard Heard
		crack bool
		want  bool
	}{
		{"no ball, no crack", usual, false, Heard{true, OnsetNone}, false, true},
		{"a ball", usual, true, Heard{true, OnsetNone}, false, false},
		{"no ball seen, a crack", usual, false, Heard{true, OnsetFound}, true, false},
		{"no ball, two cracks", usual, false, Heard{true, OnsetAmbiguous}, false, false},
		{"no ball, muted", usual, false, Heard{false, OnsetNoSound}, false, false},
		{"no ball, sound out of step with the pictures, not listened to", usual, false, Heard{}, false, false},
		{"no ball, no crack, along the line to the pitcher", end, false, Heard{true, OnsetNone}, false, false},
		{"no ball, no crack, 30 frames/s", slow, false, Heard{true, OnsetNone}, false, false},
	} {
		tr := perform(t, c.p)
		res, err := Detect(tr, Given{})
		if err != nil || len(res.Swings) != 1 {
			t.Fatalf("%s: %d swings, %v", c.name, len(res.Swings), err)
		}
		sw := &res.Swings[0]
		var cues []ContactCue
		if c.crack {
			at, _ := sw.Event(Contact)
			cues = append(cues, ContactCue{TimeS: at.TimeS + 0.005, SigmaS: 0.007, From: "audio"})
		}
		Refine(tr, sw, Given{}, cues, c.ball, c.heard)
		if got := strings.Contains(strings.Join(sw.Notes, " "), "dry swing"); got != c.want {
			t.Errorf("%s: named a dry swing: %v, want %v", c.name, got, c.want)
		}
	}
}

// By hand: at 50 frames a second from the side √(1² + 3² + 2²) = 3.742 ms; from the pitcher √(3.742² + 12²) = 12.57 ms.
func TestBallCueDoubtsWhatItCannotShow(t *testing.T) {
	at50 := &origin{r: &reading{b: &body{frameS: 0.02}}}
	for _, c := range []struct{ azimuth, want float64 }{{0, 0.003742}, {180, 0.003742}, {90, 0.01257}, {-90, 0.01257}} {
		q := BallCue(&Swing{Bats: Right, View: View{AzimuthDeg: c.azimuth}, how: at50}, 1, 0.001)
		if q.TimeS != 1 || math.Abs(q.SigmaS-c.want) > 5e-6 {
			t.Errorf("azimuth %g: ± %.5f s, want %.5f", c.azimuth, q.SigmaS, c.want)
		}
	}
}

// A sound track that is a tenth of a second late: its crack is left out, said so, and contact stays where it was.
func TestSoundOutOfStepIsLeftOut(t *testing.T) {
	tr := perform(t, usual)
	res, err := Detect(tr, Given{})
	if err != nil || len(res.Swings) != 1 {
		t.Fatalf("%d swings, %v", len(res.Swings), err)
	}
	sw := &res.Swings[0]
	was, _ := sw.Event(Contact)
	Refine(tr, sw, Given{}, []ContactCue{{TimeS: was.TimeS + 0.1, SigmaS: 0.007, From: "audio"}}, true, Heard{true, OnsetFound})
	now, _ := sw.Event(Contact)
	if len(now.Cues) != 2 || now.Cues[0].LeftOut || !now.Cues[1].LeftOut || math.Abs(now.TimeS-was.TimeS) > 1e-6 || !strings.Contains(strings.Join(sw.Notes, " "), "out of step") {
		t.Errorf("contact %.4f → %.4f, cues %+v, notes %q", was.TimeS, now.TimeS, now.Cues, sw.Notes)
	}
}
