package phases

import (
	"math"
	"testing"

	"cagebook/pose"
)

func measure(ms []Measure, name string, e EventName) Measure {
	for _, m := range ms {
		if m.Name == name && m.Event == string(e) {
			return m
		}
	}
	return Measure{}
}

// By hand: a right-handed hitter's lead side is the left one. To a camera at the chest the hitter's left
// is on the right of the picture, as when two people face each other.
func TestProjection(t *testing.T) {
	for _, c := range []struct {
		bats                Bats
		azimuth             float64
		x, y                float64 // world
		right, towardCamera float64
	}{
		{Right, 0, 1, 0, 1, 0}, {Right, 0, 0, 1, 0, 1}, // at the chest: pitcher right, plate toward the camera
		{Right, 180, 1, 0, -1, 0}, {Right, 180, 0, 1, 0, -1}, // at the back
		{Right, 90, 1, 0, 0, 1}, {Right, 90, 0, 1, -1, 0}, // from the pitcher: the plate is left of a right-handed hitter
		{Right, -90, 1, 0, 0, -1}, {Right, -90, 0, 1, 1, 0}, // from the catcher: the plate is right of them
		{Left, 0, 1, 0, -1, 0}, {Left, 90, 0, 1, 1, 0}, {Left, -90, 0, 1, -1, 0},
	} {
		r, down, d := View{AzimuthDeg: c.azimuth}.Project(c.bats, c.x, c.y, 2)
		if math.Abs(r-c.right) > 1e-9 || math.Abs(d-c.towardCamera) > 1e-9 || down != -2 {
			t.Errorf("%s at %g°, (%g, %g): right %g, toward %g, down %g; want %g, %g, -2", c.bats, c.azimuth, c.x, c.y, r, d, down, c.right, c.towardCamera)
		}
		if c.x == 1 && math.Abs((View{AzimuthDeg: c.azimuth}).ImageX(c.bats)-c.right) > 1e-9 {
			t.Errorf("%s at %g°: ImageX differs from Project", c.bats, c.azimuth)
		}
	}
}

// The figure is made of Drillis–Contini lengths, so that its height is known.
func TestEstimateScale(t *testing.T) {
	for _, az := range []float64{0, 30, 90, -90, 180} {
		for _, core := range []bool{false, true} {
			f := usualFilming()
			f.azimuth, f.core = az, core
			tr, sw := film(f)
			sc := EstimateScale(tr, sw.From, sw.To, Given{HeightM: figureHeightM})
			if e := math.Abs(sc.HeightPx - f.heightPx); e > 1.96*sc.HeightPxSD || sc.HeightPxSD > 0.08*f.heightPx {
				t.Errorf("azimuth %g: height %.0f ± %.0f px, want %.0f", az, sc.HeightPx, sc.HeightPxSD, f.heightPx)
			}
			if sc.Source != "hitter height" || math.Abs(sc.PxPerM-sc.HeightPx/figureHeightM) > 1e-9 {
				t.Errorf("scale %+v", sc)
			}
			if none := EstimateScale(tr, sw.From, sw.To, Given{}); none.Source != "none" || none.PxPerM != 0 {
				t.Errorf("without a height: %+v", none)
			}
		}
	}
	if sc := EstimateScale(&pose.Track{}, 0, 10, Given{HeightM: 1.7}); sc.HeightPx != 0 || sc.Source != "none" {
		t.Errorf("empty track: %+v", sc)
	}
}

// Over many films of a figure whose measures follow from geometry in space, the 95 % intervals hold. Single measures
// of one figure may do better (what varies between hitters does not vary here); none may do worse.
func TestIntervalsHold(t *testing.T) {
	if testing.Short() {
		t.Skip("many films")
	}
	truth := figureTruth()
	const films = 12
	for az, worlds := range map[float64][]bool{0: {false, true}, 20: {true}, -90: {false}, 180: {false}} {
		for _, world := range worlds {
			in, n := map[string]int{}, map[string]int{}
			var allIn, all int
			for i := range films {
				f := usualFilming()
				f.azimuth, f.world, f.seed = az, world, uint64(100+i)
				if world {
					f.biasPart = 1
				}
				tr, sw := film(f)
				for _, m := range MeasureAll(tr, sw, Given{}, uint64(i)) {
					w, ok := truth[[2]string{m.Name, m.Event}]
					if !ok || m.Status != Measured {
						continue
					}
					key := m.Name + " " + m.Event
					n[key]++
					all++
					if math.Abs(m.Value-w) <= 1.96*m.Sigma {
						in[key]++
						allIn++
					}
				}
			}
			if share := float64(allIn) / float64(all); share < 0.93 {
				t.Errorf("azimuth %g, world %v: %.1f %% of %d intervals hold the truth", az, world, 100*share, all)
			}
			for key, k := range n {
				// 12 draws at 95 %: fewer than 9 in has a chance of 0.2 % (binomial).
				if k == films && in[key] < 9 {
					t.Errorf("azimuth %g, world %v: %s holds in %d of %d", az, world, key, in[key], k)
				}
			}
		}
	}
}

func sameMeasures(t *testing.T, what string, a, b []Measure, tol float64) {
	t.Helper()
	for i := range a {
		if a[i].Status != b[i].Status || math.Abs(a[i].Value-b[i].Value) > tol*(1+math.Abs(a[i].Value)) || math.Abs(a[i].Sigma-b[i].Sigma) > tol*(1+a[i].Sigma) {
			t.Errorf("%s: %s at %s: %v %.6g ± %.6g became %v %.6g ± %.6g", what, a[i].Name, a[i].Event, a[i].Status, a[i].Value, a[i].Sigma, b[i].Status, b[i].Value, b[i].Sigma)
		}
	}
}

func TestMeasuresDoNotDependOnTheCamera(t *testing.T) {
	for _, az := range []float64{0, -70, 150} {
		f := usualFilming()
		f.azimuth, f.world = az, true
		run := func(f filming) []Measure {
			tr, sw := film(f)
			return MeasureAll(tr, sw, Given{}, 9)
		}
		want := run(f)
		g := f
		g.shiftS = 12.5
		sameMeasures(t, "later", want, run(g), 1e-6)
		g = f
		g.at.X, g.at.Y = 200, 900
		sameMeasures(t, "elsewhere", want, run(g), 1e-6)
		g = f
		g.bats = Left
		sameMeasures(t, "mirrored", want, run(g), 1e-6)
		g = f
		g.heightPx, g.sigmaPx, g.at.X, g.at.Y = 2*f.heightPx, 2*f.sigmaPx, 2*f.at.X, 2*f.at.Y
		sameMeasures(t, "twice as large", want, run(g), 1e-6)
	}
}

func TestSigmaGrows(t *testing.T) {
	sigma := func(name string, e EventName, change func(*filming)) float64 {
		f := usualFilming()
		change(&f)
		tr, sw := film(f)
		return measure(MeasureAll(tr, sw, Given{}, 3), name, e).Sigma
	}
	base := sigma("rear_knee_inside", Load, func(*filming) {})
	if s := sigma("rear_knee_inside", Load, func(f *filming) { f.sigmaPx = 12 }); !(s > 1.2*base) {
		t.Errorf("noisier keypoints: σ %g, was %g", s, base)
	}
	if s := sigma("rear_knee_inside", Load, func(f *filming) { f.heightPx = 125 }); !(s > 1.2*base) {
		t.Errorf("smaller hitter: σ %g, was %g", s, base)
	}
	if s := sigma("rear_knee_inside", Load, func(f *filming) { f.azimuth = 45 }); !(s > 1.2*base) {
		t.Errorf("oblique view: σ %g, was %g", s, base)
	}
	slow := sigma("pelvis_drift", fdToContact, func(f *filming) { f.eventSigma = 0.04 })
	if quick := sigma("pelvis_drift", fdToContact, func(f *filming) { f.eventSigma = 0.004 }); !(slow > 1.2*quick) {
		t.Errorf("vaguer instants: σ %g against %g", slow, quick)
	}
}

func TestStatuses(t *testing.T) {
	f := usualFilming()
	tr, sw := film(f)
	ms := MeasureAll(tr, sw, Given{}, 1)
	if len(ms) != len(Definitions) {
		t.Fatalf("%d measures of %d definitions", len(ms), len(Definitions))
	}
	want := func(ms []Measure, name string, e EventName, st Status) {
		t.Helper()
		if m := measure(ms, name, e); m.Status != st || (st != Measured && (m.Value != 0 || m.Sigma != 0)) {
			t.Errorf("%s at %s: %+v, want status %s", name, e, m, st)
		}
	}
	want(ms, "stance_width", Stance, Measured)
	want(ms, "bat_speed", Contact, NoBat)
	want(ms, "head_behind_ball", Contact, NoBall)
	want(ms, "stride_length_m", FootDown, NoScale)
	want(ms, "trunk_lean_to_plate", Stance, NotInView)
	sw.Scale = EstimateScale(tr, sw.From, sw.To, Given{HeightM: figureHeightM})
	want(MeasureAll(tr, sw, Given{HeightM: figureHeightM}, 1), "stride_length_m", FootDown, Measured)

	f.azimuth, f.viewSigma = 90, 5
	tr, sw = film(f)
	ms = MeasureAll(tr, sw, Given{}, 1)
	want(ms, "stride_length", FootDown, NotInView)
	want(ms, "body_over_feet", Load, NotInView)
	want(ms, "trunk_lean_to_plate", Stance, Measured)

	f = usualFilming()
	f.fps = 30
	tr, sw = film(f)
	ms = MeasureAll(tr, sw, Given{}, 1)
	want(ms, "swing_time", "hands_start_to_contact", FrameRate)
	want(ms, "stride_time", "lead_foot_off_to_foot_down", Measured)

	f = usualFilming()
	f.core = true
	tr, sw = film(f)
	ms = MeasureAll(tr, sw, Given{}, 1)
	want(ms, "lead_foot_open", FootDown, Occluded)
	want(ms, "body_over_feet", Load, Measured)
	sw.Events = sw.Events[:3] // no foot down and nothing after
	want(MeasureAll(tr, sw, Given{}, 1), "stride_length", FootDown, Occluded)
	for i := range tr.Smooth {
		tr.Smooth[i][pose.LeftWrist], tr.Smooth[i][pose.RightWrist] = pose.Estimate{}, pose.Estimate{}
	}
	want(MeasureAll(tr, sw, Given{}, 1), "hands_back", Load, Occluded)

	for _, m := range MeasureAll(&pose.Track{}, &Swing{}, Given{}, 1) { // nothing at all: no panic, no number
		if m.Status == Measured {
			t.Errorf("%s measured from nothing", m.Name)
		}
	}
}

func TestDefinitionsAreWhole(t *testing.T) {
	seen := map[string]bool{}
	for _, d := range Definitions {
		key := d.Name + " " + d.Event
		if seen[key] {
			t.Errorf("%s twice", key)
		}
		seen[key] = true
		if d.Text == "" || d.Unit == "" || len(d.Views) == 0 || len(d.needs) == 0 || d.eval == nil || !(d.maxSigma > 0) || !(d.high > d.low) {
			t.Errorf("%s is not whole", key)
		}
		if d.Views[0] != anyView[0] && d.Why == "" {
			t.Errorf("%s does not say why it cannot be seen from everywhere", key)
		}
	}
}
