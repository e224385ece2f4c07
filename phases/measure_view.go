package phases

import "math"

// How the world is seen. The camera stands at the horizontal direction
//
//	c = (sin az, cos az)   in (X, Y), from the hitter to the camera,
//
// az being the view's azimuth: 0° on the plate's side (+Y, looking at the chest), +90° on
// the pitcher's side (+X). For a right-handed hitter X (pitcher), Y (plate), Z (up) is
// a left-handed system: the catcher, looking at the pitcher, has the hitter on the left, so that
// the plate lies to the hitter's right and X forward × Y right points down. To
// a camera at the chest, the pitcher is therefore on the right of the picture, and to
// one at the pitcher the plate is on the left:
//
//	u = s·(X·cos az − Y·sin az)   to the right in the picture
//	v = −Z                        down in the picture
//	d = X·sin az + Y·cos az       toward the camera
//
// with s = +1 for a right-handed hitter. A left-handed hitter is the mirror image:
// s = −1 and the same azimuth.

// mirror is s above.
func (b Bats) mirror() float64 {
	if b == Left {
		return -1
	}
	return 1
}

// ImageX is how far to the right in the picture one unit of length toward the pitcher
// reaches: 1 = right, −1 = left, near 0 = the camera looks along the line to the pitcher.
func (v View) ImageX(b Bats) float64 { return b.mirror() * math.Cos(v.AzimuthDeg*math.Pi/180) }

// imageY is how far to the right in the picture one unit of length toward the plate reaches.
func (v View) imageY(b Bats) float64 { return -b.mirror() * math.Sin(v.AzimuthDeg*math.Pi/180) }

// Project gives where a world displacement appears: right and down in the picture, and
// toward the camera, all in the unit of x, y and z. Level camera, no perspective.
func (v View) Project(b Bats, x, y, z float64) (right, down, toward float64) {
	s, c := math.Sincos(v.AzimuthDeg * math.Pi / 180)
	return b.mirror() * (x*c - y*s), -z, x*s + y*c
}

// AzimuthRange is a range of the absolute azimuth, degrees: 0 = open side, 90 = on the line
// to the pitcher (either end), 180 = closed side.
type AzimuthRange struct{ FromDeg, ToDeg float64 }

// Contains says whether a view lies in the range; both sides of the line to the plate count alike.
func (r AzimuthRange) Contains(azimuthDeg float64) bool {
	a := math.Abs(math.Remainder(azimuthDeg, 360))
	return a >= r.FromDeg && a <= r.ToDeg
}

// Ranges in which a kind of quantity can be seen.
var (
	// sideViews: lengths along X shrink by cos az; at 50° by a third, and 10° of doubt
	// about the azimuth are then already 20 % of the length.
	sideViews = []AzimuthRange{{0, 50}, {130, 180}}
	// openViews: the hitter's back hides hands and handle about contact, and the barrel points away.
	openViews = []AzimuthRange{{0, 50}}
	endViews  = []AzimuthRange{{40, 140}} // lengths along Y, likewise
	anyView   = []AzimuthRange{{0, 180}}
)
