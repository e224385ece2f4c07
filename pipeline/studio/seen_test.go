package studio

import (
	"math"
	"testing"

	"cagebook/configs"
)

// A bat that a bunter holds before the chest is hidden from behind and shown from in front; what it hides behind is the body.
func TestBodyHidesTheBat(t *testing.T) {
	shown := func(azimuth float64) *TruthFrame {
		s := RandomScene(1, Variety{Acts: []string{"bunt"}, FPS: []float64{30}})
		s.Camera.AzimuthDeg, s.Hitter.Bats = azimuth, "R"
		s.DurationS = 2.6
		tr, err := s.Truth()
		if err != nil {
			t.Fatal(err)
		}
		if err := s.SeeBat(tr); err != nil {
			t.Fatal(err)
		}
		return &tr.Frames[int(tr.Others[0].TimeS*30)]
	}
	if f := shown(90); !f.Bat.Visible || f.Bat.ShownShare < 0.85 {
		t.Errorf("from the pitcher: %+v", *f.Bat)
	}
	if f := shown(-90); f.Bat.ShownShare > 0.75 {
		t.Errorf("from the catcher: %+v", *f.Bat)
	}
}

// A pinhole camera 5 m away with a focal length of 1000 px sees 1 m/s as 200 px/s: 2 px in a hundredth of a second.
// Over a rolling shutter of 10 ms a point that moves down by 1000 px/s in a picture of 400 px, seen in its middle at the
// frame's time, stays there; one 100 px higher is seen 2.5 ms earlier. y = 100 + 1000 (t + 0.01 (y/400 − 0.5)) at t = 0:
// y = 95 / 0.975.
func TestExposureAndReadout(t *testing.T) {
	s := RandomScene(1, Variety{})
	s.Hitter.Bats = "R"
	s.Camera = Camera{Width: 640, Height: 400, DistanceM: 5, HeightM: 1, FocalPx: 1000, TargetZ: 1}
	s.ShutterS = 0.01
	cam := s.worldCamera()
	if got := s.blurPx(&cam, 0, func(u float64) Vec { return Vec{u, 0, 1} }); math.Abs(got-2) > 0.01 {
		t.Errorf("blur %.3f px, want 2", got)
	}
	s.ReadoutS = 0.010
	down := func(y0 float64) func(float64) Vec { // at row y0 at time 0
		return func(u float64) Vec { return Vec{0, 0, 1 - (y0-200+1000*u)/200} }
	}
	if got := s.seen(&cam, 0, down(200)); math.Abs(got[1]-200) > 0.01 {
		t.Errorf("row %.2f, want 200", got[1])
	}
	if got := s.seen(&cam, 0, down(100)); math.Abs(got[1]-95/0.975) > 0.01 {
		t.Errorf("row %.2f, want %.2f", got[1], 95/0.975)
	}
}

// The limits that planted faults are held against are those of the rules.
func TestFaultLimitsAreThoseOfTheRules(t *testing.T) {
	rs, err := configs.DefaultRules()
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range faultKinds {
		var limit *float64
		for _, r := range rs.Rules {
			for _, c := range r.Checks {
				if r.Mode != configs.ModeJudge || c.Measure != k.measure || c.Event != k.event {
					continue
				}
				for _, b := range c.Bands {
					limit = b.High
					if k.low {
						limit = b.Low
					}
					if k.rule != r.ID {
						t.Errorf("%s: rule %q judges %s, not %q", k.name, r.ID, k.measure, k.rule)
					}
				}
			}
		}
		switch {
		case limit == nil && k.rule != "":
			t.Errorf("%s: no rule judges %s %s", k.name, k.event, k.measure)
		case limit != nil && *limit != k.limit:
			t.Errorf("%s: limit %g, the rule says %g", k.name, k.limit, *limit)
		}
	}
}

// What the set of faults plants lies far beyond the rule's band.
func TestStrongFaultsAreBeyondTheirBands(t *testing.T) {
	far := map[string]float64{"fraction": 0.15, "body_heights": 0.03, "deg": 15, "ms": 60}
	for i := range uint64(3 * len(faultKinds)) {
		k := faultKinds[i%uint64(len(faultKinds))]
		tr, err := FaultScene(i).Truth()
		if err != nil {
			t.Fatal(err)
		}
		told := 0
		for _, p := range tr.Swings[0].Planted {
			if p.Fault != k.name {
				continue
			}
			told++
			t.Logf("%d %s: %s %.3g, limit %.3g", i, k.name, p.Measure, p.Value, *p.Limit)
			if p.Beyond < far[p.Unit] {
				t.Errorf("scene %d, %s: %s is %.3g, the limit %.3g", i, k.name, p.Measure, p.Value, *p.Limit)
			}
		}
		if told != 1 {
			t.Errorf("scene %d: %s told %d times", i, k.name, told)
		}
	}
}
