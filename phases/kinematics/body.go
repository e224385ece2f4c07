package kinematics

import "math"

// Drillis–Contini lengths as parts of standing height, adults.
//
// Source: Drillis & Contini 1966, as reprinted in Winter, Biomechanics and Motor
// Control of Human Movement, fig. 4.1. Breadths are those of the body, not of the
// joint centres. Young children have larger heads and shorter legs.
const (
	AnkleHeight    = 0.039
	KneeHeight     = 0.285
	HipHeight      = 0.530
	ShoulderHeight = 0.818
	ChinHeight     = 0.870
	EyeHeight      = 0.936

	UpperArmLength = 0.186
	ForearmLength  = 0.146
	HandLength     = 0.108
	ThighLength    = HipHeight - KneeHeight   // .245
	ShankLength    = KneeHeight - AnkleHeight // .246
	TrunkLength    = ShoulderHeight - HipHeight
	FootLength     = 0.152
	FootBreadth    = 0.055

	ShoulderBreadth = 0.259
	HipBreadth      = 0.191
)

// SegmentRow is a segment's part of the body's mass and where its centre of mass lies, as
// part of its length from the first named end.
type SegmentRow struct{ Mass, COM float64 }

// BodyModel is one author's full set of segment rows. The sets use different end points
// and must never be mixed.
type BodyModel struct {
	Name string
	// Head is measured from C7 to the ear canal (Winter) or from the vertex to C7 (de Leva).
	Head SegmentRow
	// Trunk is measured from the hips to the shoulders (Winter) or from mid-shoulder to mid-hip (de Leva).
	Trunk SegmentRow
	// Limbs are measured from the proximal joint; each stands for one side.
	UpperArm, Forearm, Hand, Thigh, Shank, Foot SegmentRow
}

// Winter's set, after Dempster. Source: Winter, Biomechanics and Motor Control of Human
// Movement, 4th ed. 2009, table of anthropometric data.
var Winter = BodyModel{
	Name: "Winter/Dempster",
	Head: SegmentRow{.081, 1.000}, Trunk: SegmentRow{.497, .500},
	UpperArm: SegmentRow{.028, .436}, Forearm: SegmentRow{.016, .430}, Hand: SegmentRow{.006, .506},
	Thigh: SegmentRow{.100, .433}, Shank: SegmentRow{.0465, .433}, Foot: SegmentRow{.0145, .500},
}

// DeLevaMen and DeLevaWomen are de Leva's sets; fit young adults.
// Source: de Leva 1996, Journal of Biomechanics 29, 1223–1230.
var (
	DeLevaMen = BodyModel{
		Name: "de Leva, men",
		Head: SegmentRow{.0694, .5002}, Trunk: SegmentRow{.4346, .4310},
		UpperArm: SegmentRow{.0271, .5772}, Forearm: SegmentRow{.0162, .4574}, Hand: SegmentRow{.0061, .7900},
		Thigh: SegmentRow{.1416, .4095}, Shank: SegmentRow{.0433, .4395}, Foot: SegmentRow{.0137, .4415},
	}
	DeLevaWomen = BodyModel{
		Name: "de Leva, women",
		Head: SegmentRow{.0668, .4841}, Trunk: SegmentRow{.4257, .3782},
		UpperArm: SegmentRow{.0255, .5754}, Forearm: SegmentRow{.0138, .4559}, Hand: SegmentRow{.0056, .7474},
		Thigh: SegmentRow{.1478, .3612}, Shank: SegmentRow{.0481, .4352}, Foot: SegmentRow{.0129, .4014},
	}
)

// TotalMass is the sum over the body, 1 but for the source's rounding.
func (m BodyModel) TotalMass() float64 {
	return m.Head.Mass + m.Trunk.Mass + 2*(m.UpperArm.Mass+m.Forearm.Mass+m.Hand.Mass+m.Thigh.Mass+m.Shank.Mass+m.Foot.Mass)
}

// At is the row's centre of mass on the segment from proximal to distal.
func (r SegmentRow) At(proximal, distal Vec2) Vec2 {
	return Vec2{proximal.X + r.COM*(distal.X-proximal.X), proximal.Y + r.COM*(distal.Y-proximal.Y)}
}

// PointMass is a part of the body's mass at a place.
type PointMass struct {
	Mass float64
	At   Vec2
}

// CentreOfMass is the mass-weighted mean; NaN without mass.
func CentreOfMass(parts ...PointMass) Vec2 {
	var m, x, y float64
	for _, p := range parts {
		m += p.Mass
		x += p.Mass * p.At.X
		y += p.Mass * p.At.Y
	}
	if m == 0 {
		return Vec2{math.NaN(), math.NaN()}
	}
	return Vec2{x / m, y / m}
}

// COMFraction is where a centre of mass lies between the ankles: 0 over the rear one, 1
// over the lead one. NaN if the ankles coincide. All three are positions along one line.
func COMFraction(rearAnkle, leadAnkle, com float64) float64 {
	if rearAnkle == leadAnkle {
		return math.NaN()
	}
	return (com - rearAnkle) / (leadAnkle - rearAnkle)
}

// handGrip is the distance from wrist to the middle of the grip, ÷ standing height: half
// of the hand's length, since the fist closes about the handle.
const handGrip = HandLength / 2

// inchM is the inch in metres, exact by definition.
const inchM = 0.0254

// ExtensionCeilingM is the straight-line reach from shoulder to the bat's end: upper arm,
// forearm, half a hand, and the bat less 3 in under the hand. Both hands hold the bat, so
// that neither shoulder can be farther from its end. A measured reach of more than 1.1 ×
// this is an error of scale.
//
// Source of the lengths: Drillis & Contini 1966, adults.
func ExtensionCeilingM(heightM, batLengthM float64) float64 {
	return (UpperArmLength+ForearmLength+handGrip)*heightM + batLengthM - 3*inchM
}
