package studio

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"testing"

	"cagebook/pose"
)

func adult() *Hitter {
	return &Hitter{Body: Body{1.83}, Bat: Bat{0.864}, LeadLeft: true, Swing: DefaultSwing()}
}

func dist(f *Figure, a, b pose.Joint) float64 { return f.Joints[a].sub(f.Joints[b]).norm() }

// everySwing runs a check over the styles, faults and bodies that the studio draws from.
func everySwing(t *testing.T, n uint64, check func(t *testing.T, s *Scene, p *Performer)) {
	t.Helper()
	for seed := uint64(1); seed <= n; seed++ {
		s := RandomScene(seed, Variety{Faults: true})
		p, err := s.performer()
		if err != nil {
			t.Fatal(err)
		}
		check(t, s, p)
	}
}

// Bone lengths as fractions of stature: Drillis & Contini 1966 in Winter,
// Biomechanics and Motor Control of Human Movement, figure 4.1 (thigh .245,
// shank .246, upper arm .186, forearm .146, hip to shoulder height .818 − .530).
func TestBoneLengthsAreThePublishedOnesAlways(t *testing.T) {
	bones := []struct {
		a, b pose.Joint
		frac float64
	}{
		{pose.LeftHip, pose.LeftKnee, 0.245},
		{pose.LeftKnee, pose.LeftAnkle, 0.246},
		{pose.LeftShoulder, pose.LeftElbow, 0.186},
		{pose.LeftElbow, pose.LeftWrist, 0.146},
	}
	everySwing(t, 25, func(t *testing.T, s *Scene, p *Performer) {
		H := s.Hitter.HeightM
		for u := 0.3; u < 3.8; u += 0.013 {
			f := p.At(u)
			for _, b := range bones {
				for _, q := range [][2]pose.Joint{{b.a, b.b}, {b.a.Swap(), b.b.Swap()}} {
					if got := dist(&f, q[0], q[1]) / H; math.Abs(got-b.frac) > 1e-6 {
						t.Fatalf("%s at %.3f s: %v–%v is %.5f of stature, want %.3f", s.Name, u, q[0], q[1], got, b.frac)
					}
				}
			}
			if got := f.MidShoulder().sub(f.MidHip()).norm() / H; math.Abs(got-0.288) > 1e-6 {
				t.Fatalf("%s at %.3f s: trunk %.5f, want .288", s.Name, u, got)
			}
		}
	})
}

func TestBothHandsHoldTheHandle(t *testing.T) {
	everySwing(t, 40, func(t *testing.T, s *Scene, p *Performer) {
		H := s.Hitter.HeightM
		at := p.Acts[0].TimeS
		for u := at - 1.8; u < at+0.12; u += 0.007 {
			f := p.At(u)
			axis := f.Barrel.sub(f.Knob).unit()
			for _, side := range []pose.Joint{pose.LeftIndex, pose.RightIndex} {
				grip := f.Joints[side].to(f.Joints[side-2], 0.5) // index and pinky of a hand
				d := grip.sub(f.Knob)
				along := d.dot(axis)
				off := d.plus(-along, axis).norm()
				if along < 0 || along > 0.30 || off > 0.035*H {
					t.Fatalf("%s (%s) %.3f s before contact: hand %.3f m along the handle, %.3f m off it", s.Name, s.Hitter.Style.Stride, at-u, along, off)
				}
			}
		}
	})
}

func TestEventsComeInTheirOrder(t *testing.T) {
	// Stride → land → swing: order found in college hitters (J Sports Analytics 6(3), 2020).
	order := []string{"stance", "lead_foot_off", "load", "foot_down", "contact", "extension", "finish"}
	everySwing(t, 60, func(t *testing.T, s *Scene, p *Performer) {
		sm := sampleMotion(&p.Acts[0].hit, -2.5, 1.25, s.Hitter.HeightM, p.LeadLeft)
		at := map[string]float64{}
		for _, e := range sm.events() {
			at[e.Name] = e.TimeS
		}
		last := math.Inf(-1)
		for _, n := range order {
			u, ok := at[n]
			if !ok {
				if n == "lead_foot_off" && s.Hitter.Style.Stride == "none" {
					continue
				}
				t.Fatalf("%s (%s): no %s in %v", s.Name, s.Hitter.Style.Stride, n, at)
			}
			if u < last {
				t.Errorf("%s (%s): %s at %.3f comes before the event ahead of it: %v", s.Name, s.Hitter.Style.Stride, n, u, at)
			}
			last = u
		}
		if h, ok := at["hands_start"]; !ok || h > -0.05 || h < -0.40 {
			t.Errorf("%s: hands start %.3f s", s.Name, h)
		}
	})
}

// Peak speeds of skilled adults: Welch et al. 1995, JOSPT 22(5) abstract: hip
// segment 714 °/s, shoulder segment 937 °/s, bat 31 m/s; Escamilla et al.
// 2009: bat 30 m/s adult. The model must lie near them and in their order.
func TestDefaultSwingIsNearPublishedPeaks(t *testing.T) {
	h := adult()
	sm := sampleMotion(h, -2.5, 1.25, 1.83, true)
	m := map[string]float64{}
	for _, q := range sm.measures(sm.events(), true, 0.864, nil) {
		m[q.Event+" "+q.Name] = q.Value
	}
	within := func(name string, lo, hi float64) {
		t.Helper()
		if v, ok := m[name]; !ok || v < lo || v > hi {
			t.Errorf("%s = %.1f, want %g to %g", name, v, lo, hi)
		}
	}
	within("peaks pelvis_peak_speed", 714*0.85, 714*1.15)
	within("peaks trunk_peak_speed", 937*0.85, 937*1.15)
	within("peaks bat_peak_speed", 27, 33)
	within("contact lead_knee_flexion", 5, 25) // Welch about 15°, from memory
	within("foot_down lead_foot_open", 15, 30) // Welch about +23°, from memory
	within("foot_down_to_contact foot_down_to_contact", 150, 250)
	within("hands_start_to_contact swing_time", 120, 208+2*42) // Reilly-Boccia et al.: 208 ± 42 ms
	if !(m["peaks pelvis_peak_time"] < m["peaks trunk_peak_time"] && m["peaks trunk_peak_time"] < m["peaks bat_peak_time"]) {
		t.Errorf("peaks out of order: pelvis %.0f, trunk %.0f, bat %.0f ms", m["peaks pelvis_peak_time"], m["peaks trunk_peak_time"], m["peaks bat_peak_time"])
	}
	if r := m["extension reach_of_ceiling"]; r > 1.1 { // above that a scale would be in doubt
		t.Errorf("reach %.2f of the straight-line ceiling", r)
	}
}

// A left-hander is the mirror image: the same pixels with x reflected and left and right exchanged.
func TestLeftHanderIsTheMirrorImage(t *testing.T) {
	r, l := RandomScene(3, Variety{FPS: []float64{30}}), RandomScene(3, Variety{FPS: []float64{30}})
	r.Hitter.Bats, l.Hitter.Bats = "R", "L"
	r.Camera.RollDeg, l.Camera.RollDeg = 0, 0
	tr, err := r.Truth()
	if err != nil {
		t.Fatal(err)
	}
	tl, err := l.Truth()
	if err != nil {
		t.Fatal(err)
	}
	for i := range tr.Frames {
		for j := pose.Joint(0); j < pose.NumJoints; j++ {
			a, b := tr.Frames[i].Image[j], tl.Frames[i].Image[j.Swap()]
			if math.Abs(a[0]+b[0]-float64(r.Camera.Width)) > 0.03 || math.Abs(a[1]-b[1]) > 0.03 {
				t.Fatalf("frame %d %v: R %v, L %v", i, j, a, b)
			}
		}
	}
	if tr.Swings[0].View.Side != tl.Swings[0].View.Side || math.Abs(tr.Swings[0].View.AzimuthDeg-tl.Swings[0].View.AzimuthDeg) > 1e-9 {
		t.Errorf("views differ: %v and %v", tr.Swings[0].View, tl.Swings[0].View)
	}
}

// Worked by hand: a camera 5 m away, focal length 1000 px, picture 1280×720,
// level with its target at height 1 m. A point 0.5 m beside the target lies
// 1000·0.5/5 = 100 px beside the middle; one 0.5 m nearer the camera and
// beside it 1000·0.5/4.5 = 111.11 px; one 0.3 m above 60 px above the middle.
func TestProjection(t *testing.T) {
	cases := []struct {
		az   float64
		p    Vec
		x, y float64
	}{
		{0, Vec{0, 0, 1}, 640, 360},
		{0, Vec{0.5, 0, 1}, 740, 360},      // open side of a right-hander: the pitcher is to the right
		{0, Vec{0.5, 0.5, 1}, 751.11, 360}, // nearer
		{0, Vec{0, 0, 1.3}, 640, 300},
		{90, Vec{0, 0.5, 1}, 540, 360},  // from the pitcher the plate is to the left of a right-hander
		{-90, Vec{0, 0.5, 1}, 740, 360}, // from the catcher to the right
		{180, Vec{0.5, 0, 1}, 540, 360},
	}
	for _, c := range cases {
		cam := Camera{Width: 1280, Height: 720, AzimuthDeg: c.az, DistanceM: 5, HeightM: 1, FocalPx: 1000, TargetZ: 1}
		x, y, _ := cam.Project(c.p, 0)
		if math.Abs(x-c.x) > 0.01 || math.Abs(y-c.y) > 0.01 {
			t.Errorf("azimuth %g, %v: (%.2f, %.2f), want (%.2f, %.2f)", c.az, c.p, x, y, c.x, c.y)
		}
	}
}

// lifter is a figure whose only motion is known in closed form: the lead foot
// rises by A·sin²(π t/T) between −1.2 and −0.2 s, the hands go forward.
type lifter struct{ h *Hitter }

func (l lifter) At(t float64) Figure {
	f := l.h.At(-2)
	if u := t + 1.2; u > 0 && u < 1 {
		z := 0.10 * sq(math.Sin(math.Pi*u))
		for _, j := range []pose.Joint{pose.LeftAnkle, pose.LeftHeel, pose.LeftFootIndex} {
			f.Joints[j].Z += z
		}
	}
	// Forward speed of the hands: v(t) = 8·exp(−(t/0.06)²/2), so x is its integral.
	x := 8 * 0.06 * math.Sqrt(math.Pi/2) * (1 + math.Erf(t/0.06/math.Sqrt2))
	for _, j := range []pose.Joint{pose.LeftWrist, pose.RightWrist} {
		f.Joints[j].X += x
	}
	return f
}

func TestEventsOfAMotionInClosedForm(t *testing.T) {
	h := adult()
	h.Warp = func(float64) float64 { return -2 } // stands still
	f := h.At(0)
	rest := math.Min(f.Joints[pose.LeftHeel].Z, f.Joints[pose.LeftFootIndex].Z)
	planted := soleFrac * 1.83
	if math.Abs(rest-planted) > 1e-9 {
		t.Fatalf("the resting foot is %.4f m high, not %.4f", rest, planted)
	}
	sm := sampleMotion(lifter{h}, -2.5, 1.25, 1.83, true)
	at := map[string]float64{}
	for _, e := range sm.events() {
		at[e.Name] = e.TimeS
	}
	// 0.1·sin²(πu) = 0.01 at u = asin(√0.1)/π.
	u := math.Asin(math.Sqrt(0.1)) / math.Pi
	want := map[string]float64{
		"lead_foot_off": -1.2 + u,
		"load":          -0.7,
		"foot_down":     -0.2 - u,
		"heel_down":     -0.2 - u,
		"hands_start":   -0.06 * math.Sqrt(2*math.Log(10)), // exp(−x²/2) = 0.1
		"contact":       0,
	}
	for n, w := range want {
		if got, ok := at[n]; !ok || math.Abs(got-w) > 0.0006 {
			t.Errorf("%s at %.5f, want %.5f", n, got, w)
		}
	}
}

// Knee (100, 200), (120, 260), (110, 320): flexion 27.897271°, by hand with the law of cosines.
func TestFlexionWorkedExample(t *testing.T) {
	if got := flexion(Vec{X: 100, Y: 200}, Vec{X: 120, Y: 260}, Vec{X: 110, Y: 320}); math.Abs(got-27.897271) > 1e-6 {
		t.Errorf("flexion %.6f, want 27.897271", got)
	}
	if got := yawOf(Vec{}, Vec{X: 1}); got != 0 {
		t.Errorf("a line along +X is turned by %g°", got)
	}
	if got := yawOf(Vec{}, Vec{X: math.Cos(rad(30)), Y: -math.Sin(rad(30))}); math.Abs(got-30) > 1e-9 {
		t.Errorf("opened by 30° reads %g°", got)
	}
}

// By hand: a level bat of 0.84 m that turns at 30 rad/s about a knob that stands still has the ball's line, 0.69 m from the knob, within 0.07 m until its end
// is 0.07 m short of it: acos(0.62/0.84) / 30 rad/s = 24.7 ms to either side. One that rises at 7 m/s, hardly turning, leaves by height after 10 ms.
func TestOnLine(t *testing.T) {
	for _, c := range []struct{ turn, rise, want float64 }{{30, 0, 0.0493}, {5, 7, 0.020}} {
		s := &sampled{}
		for i := range 401 {
			at := float64(i-200) * stepS
			f := Figure{HasBat: true, Knob: Vec{0.3, 0.2, 0.8 + c.rise*at}}
			f.Barrel = f.Knob.add(Vec{0.84 * math.Sin(c.turn*at), 0.84 * math.Cos(c.turn*at), 0})
			s.t, s.f = append(s.t, at), append(s.f, f)
		}
		if got := s.onLine(); math.Abs(got-c.want) > 2*stepS {
			t.Errorf("%g rad/s, %g m/s up: %.1f ms, want %.1f", c.turn, c.rise, 1000*got, 1000*c.want)
		}
	}
}

// Planted faults must show in the measure that they are about.
func TestFaultsShowInTheirMeasures(t *testing.T) {
	base := valuesOf(adult())
	for _, c := range []struct {
		fault, measure string
		atLeast        float64 // change from the clean swing; negative = falls by
	}{
		{"foot_open", "foot_down lead_foot_open", 25},
		{"load_forward", "load body_over_feet", 0.2},
		{"knee_out", "load rear_knee_inside", -0.04},
		{"lunge", "foot_down body_over_feet", 0.2},
		{"hands_leak", "foot_down hands_separation", -0.15},
		{"foot_slide", "foot_down_to_contact foot_slide", 0.08},
		{"foot_spin", "foot_down_to_contact foot_spin", 25},
		{"soft_front", "contact lead_knee_flexion", 15},
		{"knee_leak", "foot_down_to_contact pelvis_drift", 0.03},
		{"pelvis_drift", "foot_down_to_contact pelvis_drift", 0.03},
		{"head_pull", "foot_down_to_contact head_travel", 0.02},
		{"barrel_drop", "hands_start barrel_drop", 0.05},
		{"hands_early", "hips_start_to_hands_start hands_hips_gap", -20},
		{"off_balance", "finish steadiness", 0.02},
	} {
		h := adult()
		plant(&h.Swing, c.fault)
		got := valuesOf(h)[c.measure] - base[c.measure]
		if c.atLeast > 0 && got < c.atLeast || c.atLeast < 0 && got > c.atLeast {
			t.Errorf("%s moves %s by %.3f, want %g", c.fault, c.measure, got, c.atLeast)
		}
	}
}

func valuesOf(h *Hitter) map[string]float64 {
	sm := sampleMotion(h, -2.5, 1.25, h.Body.HeightM, h.LeadLeft)
	m := map[string]float64{}
	for _, q := range sm.measures(sm.events(), h.LeadLeft, h.Bat.LengthM, nil) {
		m[q.Event+" "+q.Name] = q.Value
	}
	return m
}

func TestSameSeedSamePicture(t *testing.T) {
	render := func() []byte {
		s := RandomScene(9, Variety{})
		s.Camera.Width, s.Camera.Height = 256, 144
		s.Camera.ShakeDeg = 0.3
		s.People = []PersonSpec{{Role: "catcher", X: -1.4, Y: plateY, HeadingDeg: 90}}
		f, err := NewFilm(s, func(n int, row func(int)) {
			for y := range n {
				row(y)
			}
		})
		if err != nil {
			t.Fatal(err)
		}
		b := f.NewBrush()
		f.Frame(5, b) // a brush that was used before must not matter
		f.Frame(40, b)
		return bytes.Clone(b.Pix)
	}
	if !bytes.Equal(render(), render()) {
		t.Error("two renderings of one scene differ")
	}
}

func TestDemoScenesAreSound(t *testing.T) {
	files, err := filepath.Glob("../../testdata/scenes/*/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no scenes: %v", err)
	}
	for _, p := range files {
		data, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		s, err := ParseScene(data)
		if err != nil {
			t.Errorf("%s: %v", p, err)
			continue
		}
		tr, err := s.Truth()
		if err != nil {
			t.Errorf("%s: %v", p, err)
			continue
		}
		in := 0
		for _, f := range tr.Frames {
			if f.OnScreen {
				in++
			}
		}
		if in != len(tr.Frames) {
			t.Errorf("%s: the hitter is whole in %d of %d frames", p, in, len(tr.Frames))
		}
	}
}

func TestUnknownKeyIsAnError(t *testing.T) {
	for _, text := range []string{"name: a\nfsp: 60\n", "name: a\nhitter: {swing: {tempoo: 1}, bats: R, height_m: 1.8}\n", "name: a\nfps: 1000\n", "fps: 60\n"} {
		if _, err := ParseScene([]byte(text)); err == nil {
			t.Errorf("no error for %q", text)
		}
	}
}
