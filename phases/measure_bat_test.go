package phases

import (
	"math"
	"testing"

	"cagebook/pose"
)

// By construction: a bat of 0.8 m that turns about its knob at 20 rad/s in the picture plane and points straight down at contact, at
// 100 px a metre: the barrel's end goes at 20 · 0.8 = 16 m/s, the sweet spot, 0.15 m from it, at 13 m/s. A line through an arc of
// 0.6 rad is shorter by 1.5 %.
func TestBatVelocity(t *testing.T) {
	const pxPerM, rad, long, fps = 100.0, 20.0, 0.8, 240.0
	tr := &pose.Track{} // of no known size: a camera that is far away
	for i := range 60 {
		s := float64(i) / fps
		a := rad * (s - 0.2) // 0 = straight down
		knob := pose.Estimate{X: 320, Y: 150, Sigma: 1}
		end := pose.Estimate{X: 320 + long*pxPerM*math.Sin(a), Y: 150 + long*pxPerM*math.Cos(a), Sigma: 1}
		tr.Times, tr.Frames = append(tr.Times, s), append(tr.Frames, i)
		tr.Bat = append(tr.Bat, pose.BatSample{Status: string(Measured), Knob: knob, Barrel: end})
		tr.Smooth = append(tr.Smooth, [pose.NumJoints]pose.Estimate{})
	}
	sw := &Swing{Bats: Right, From: 0, To: 60, View: View{Side: "open"}, Scale: Scale{PxPerM: pxPerM, HeightPx: 180}}
	sw.Events = []Event{{Name: Contact, TimeS: 0.2, SigmaS: 0.001}}
	d := newDraw(newSubject(tr, sw, Given{HeightM: 1.8, BatLengthM: long}), nil, true)
	if got := d.batSpeed(); math.Abs(got-16) > 0.02*16 {
		t.Errorf("speed of the end %.2f m/s, want 16", got)
	}
	x, up, ok := d.batVelocity(d.sweetSpot())
	if v := math.Hypot(x, up) * 1.8; !ok || math.Abs(v-13) > 0.02*13 {
		t.Errorf("speed of the sweet spot %.2f m/s, want 13", v)
	}
}

// A number that is too unsure for another reason than the camera's place must not blame the camera.
func TestTooUnsureIsNotTheView(t *testing.T) {
	values := make([]float64, draws)
	for i := range values {
		values[i] = 30 + 20*float64(i%2)
	}
	for _, c := range []struct {
		name string
		want Status
	}{{"bat_speed", FailedCheck}, {"attack_angle", FailedCheck}, {"trunk_lean", NotInView}} {
		for i := range Definitions {
			if d := &Definitions[i]; d.Name == c.name {
				m := Measure{Name: d.Name, Unit: d.Unit, Status: Measured, Value: 30}
				if finishMeasure(&m, d, append([]float64{}, values...), ""); m.Status != c.want || m.Value != 0 {
					t.Errorf("%s: %s %g, want %s", c.name, m.Status, m.Value, c.want)
				}
				break
			}
		}
	}
}

// The limits stand about every published mean with two standard deviations: 28.77 ± 4.94 m/s of college softball and 30 ± 2 of
// college baseball (means and standard deviations of the papers' abstracts), 25 at 12 to 17 years, 36.8 as the maximum of the
// better of adult hitters.
func TestBatSpeedLimits(t *testing.T) {
	for _, v := range []float64{28.77 - 2*4.94, 28.77 + 2*4.94, 30 - 2*2, 30 + 2*2, 25, 36.8 + 2*5} {
		if v < leastBatSpeedMS || v > mostBatSpeedMS {
			t.Errorf("%.1f m/s is published and not believed", v)
		}
	}
}
