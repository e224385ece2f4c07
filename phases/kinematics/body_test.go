package kinematics

import (
	"math"
	"testing"
)

// Rows of Winter (4th ed. 2009) and de Leva (1996), the points by hand.
func TestSegmentCOM(t *testing.T) {
	hip, knee, ankle := Vec2{0, 0.90}, Vec2{0.10, 0.50}, Vec2{0.05, 0.10}
	at := func(what string, got, want Vec2) {
		t.Helper()
		near(t, what+" x", got.X, want.X, 1e-6)
		near(t, what+" y", got.Y, want.Y, 1e-6)
	}
	at("thigh, Winter", Winter.Thigh.At(hip, knee), Vec2{0.0433, 0.7268})
	at("thigh, de Leva men", DeLevaMen.Thigh.At(hip, knee), Vec2{0.04095, 0.7362})
	at("thigh, de Leva women", DeLevaWomen.Thigh.At(hip, knee), Vec2{0.03612, 0.75552})
	at("shank, Winter", Winter.Shank.At(knee, ankle), Vec2{0.07835, 0.3268})
	at("leg, Winter", CentreOfMass(PointMass{Winter.Thigh.Mass, Winter.Thigh.At(hip, knee)}, PointMass{Winter.Shank.Mass, Winter.Shank.At(knee, ankle)}), Vec2{0.054425, 0.599838})
}

// The tables' own sums.
func TestMassesAddUp(t *testing.T) {
	near(t, "Winter", Winter.TotalMass(), 1, 1e-9)
	near(t, "de Leva men", DeLevaMen.TotalMass(), 1, 1e-9)
	near(t, "de Leva women", DeLevaWomen.TotalMass(), 0.9999, 1e-9)
}

// An upright figure of Drillis–Contini heights with Winter's masses: a value to keep, not a
// truth (its simple ear and trunk put it above the 0.55 to 0.57 of standing adults).
func TestStandingCOM(t *testing.T) {
	const h = 1.60
	y := func(f float64) Vec2 { return Vec2{0, f * h} }
	elbow, wrist := ShoulderHeight-UpperArmLength, ShoulderHeight-UpperArmLength-ForearmLength
	parts := []PointMass{{Winter.Head.Mass, y(EyeHeight)}, {Winter.Trunk.Mass, Winter.Trunk.At(y(HipHeight), y(ShoulderHeight))}}
	for range 2 {
		parts = append(parts,
			PointMass{Winter.UpperArm.Mass, Winter.UpperArm.At(y(ShoulderHeight), y(elbow))},
			PointMass{Winter.Forearm.Mass, Winter.Forearm.At(y(elbow), y(wrist))},
			PointMass{Winter.Hand.Mass, y(wrist - 0.0253)},
			PointMass{Winter.Thigh.Mass, Winter.Thigh.At(y(HipHeight), y(KneeHeight))},
			PointMass{Winter.Shank.Mass, Winter.Shank.At(y(KneeHeight), y(AnkleHeight))},
			PointMass{Winter.Foot.Mass, y(AnkleHeight / 2)})
	}
	near(t, "COM", CentreOfMass(parts...).Y, 0.92440, 5e-6)
}

func TestCOMFraction(t *testing.T) {
	near(t, "fraction", COMFraction(0.10, 0.95, 0.44), 0.40, 1e-9)
	near(t, "mirrored", COMFraction(-0.10, -0.95, -0.44), 0.40, 1e-9)
	if v := COMFraction(1, 1, 1); !math.IsNaN(v) {
		t.Errorf("ankles coincide: %g, want NaN", v)
	}
}

// Drillis & Contini 1966 lengths for four statures.
func TestProportions(t *testing.T) {
	for _, c := range []struct{ h, thigh, shank, upper, fore, foot, trunk float64 }{
		{1.20, .2940, .2952, .2232, .1752, .1824, .3456},
		{1.40, .3430, .3444, .2604, .2044, .2128, .4032},
		{1.60, .3920, .3936, .2976, .2336, .2432, .4608},
		{1.80, .4410, .4428, .3348, .2628, .2736, .5184},
	} {
		nearAll(t, "lengths", []float64{c.h * ThighLength, c.h * ShankLength, c.h * UpperArmLength, c.h * ForearmLength, c.h * FootLength, c.h * TrunkLength},
			[]float64{c.thigh, c.shank, c.upper, c.fore, c.foot, c.trunk}, 1e-9)
	}
}

// The sum of Drillis & Contini's arm and the bat less 3 in, by hand.
func TestExtensionCeiling(t *testing.T) {
	for _, c := range [][3]float64{{1.88, 34, 1.513}, {1.60, 31, 1.329}, {1.40, 28, 1.175}, {2.00, 36, 1.610}} {
		near(t, "ceiling", ExtensionCeilingM(c[0], c[1]*inchM), c[2], 5e-4)
	}
}

// The COCO keypoint evaluation's formula, worked by hand.
func TestOKS(t *testing.T) {
	const nose, shoulder, wrist, hip, knee, ankle = .026, .079, .062, .107, .087, .089
	yes := []bool{true, true, true}
	near(t, "one sigma each", OKS([]float64{2.6, 7.9, 8.7}, yes, []float64{nose, shoulder, knee}, 10000), 0.882497, 1e-6)
	near(t, "an unlabelled point does not count",
		OKS([]float64{5.2, 0, math.Hypot(18.9, 10), 125.9}, []bool{true, true, true, false}, []float64{nose, shoulder, knee, ankle}, 10000), 0.692169, 1e-6)
	near(t, "area 22,500", OKS([]float64{5, 12}, yes[:2], []float64{wrist, hip}, 22500), 0.948512, 1e-6)
	if v := OKS([]float64{1}, []bool{false}, []float64{nose}, 100); !math.IsNaN(v) {
		t.Errorf("nothing labelled: %g, want NaN", v)
	}
	// Similarity at 1, 2 and 3 σ as the COCO page gives it.
	for k, want := range map[float64]float64{1: .88, 2: .61, 3: .32} {
		near(t, "at k sigma", OKS([]float64{k * knee * 100}, yes[:1], []float64{knee}, 10000), want, 0.006)
	}
}

// By hand.
func TestPCKAndMPJPE(t *testing.T) {
	near(t, "PCK", PCK([]float64{5, 29, 31, 60}, 30), 0.5, 0)
	near(t, "a missing point is wrong", PCK([]float64{5, math.NaN()}, 30), 0.5, 0)
	want := []Vec3{{0, 0, 0}, {1, 0, 0}, {2, 0, 0}}
	got := []Vec3{{50, 0, 0}, {1, 0, 0}, {2, 120, 0}}
	near(t, "MPJPE", MPJPE(got, want, -1), 56.667, 1e-3)
	near(t, "aligned on the root", MPJPE(got, want, 0), 60, 1e-9)
}
