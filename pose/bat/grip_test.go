package bat

import (
	"testing"

	"cagebook/pose"
)

// By construction: hands 0.3 heights apart. A top hand lets go after contact, so the bat stays in the lead hand; before that the surer one counts.
func TestGripStaysInTheLeadHand(t *testing.T) {
	var b Joints
	b[pose.LeftIndex] = pose.Estimate{X: 100, Y: 50, Sigma: 3}
	b[pose.RightIndex] = pose.Estimate{X: 130, Y: 50, Sigma: 1}
	s := &Scene{Times: []float64{0.9, 1.2}, Body: []Joints{b, b}, Height: 100, ContactS: 1, Lead: pose.LeftWrist}
	if g := s.gripsOf(0)[0]; g.x != 130 {
		t.Errorf("before contact the bat is looked for at %g, want the surer hand at 130", g.x)
	}
	if g := s.gripsOf(1)[0]; g.x != 100 {
		t.Errorf("after contact the bat is looked for at %g, want the lead hand at 100", g.x)
	}
	s.Lead = pose.RightWrist
	if g := s.gripsOf(1)[0]; g.x != 130 {
		t.Errorf("after contact, lead right: looked for at %g, want 130", g.x)
	}
}
