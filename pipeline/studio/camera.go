package studio

import "math"

// Camera is a pinhole camera that looks at a target. Azimuth is 0° at the
// hitter's open side, +90° at the pitcher, −90° at the catcher, 180° at the
// back.
type Camera struct {
	Width      int     `yaml:"width"`  // px of the upright picture
	Height     int     `yaml:"height"` // px
	AzimuthDeg float64 `yaml:"azimuth"`
	DistanceM  float64 `yaml:"distance"` // on the ground, from the target
	HeightM    float64 `yaml:"camera_height"`
	FocalPx    float64 `yaml:"focal_px"` // 0 = so that 2.6 m at the target's distance fill the picture's height
	RollDeg    float64 `yaml:"roll"`
	ShakeDeg   float64 `yaml:"shake"`    // standard deviation of a hand-held camera's turning
	TargetX    float64 `yaml:"target_x"` // m, in world axes
	TargetY    float64 `yaml:"target_y"`
	TargetZ    float64 `yaml:"target_z"`
	PanDegPerS float64 `yaml:"pan"`
	ZoomPerS   float64 `yaml:"zoom"` // growth of the focal length, 1/s; − = zooming out
	ShakeSeed  float64 `yaml:"-"`
}

// focal returns the focal length in px.
func (c *Camera) focal() float64 {
	if c.FocalPx > 0 {
		return c.FocalPx
	}
	return float64(c.Height) * math.Hypot(c.DistanceM, c.HeightM-c.TargetZ) / 2.6
}

// view is a camera at one instant.
type view struct {
	eye            Vec
	right, up, fwd Vec
	focal, cx, cy  float64
	width, height  int
}

// at returns the camera at time t (s).
func (c *Camera) at(t float64) view {
	a := rad(c.AzimuthDeg)
	target := Vec{c.TargetX, c.TargetY, c.TargetZ}
	eye := Vec{c.TargetX + c.DistanceM*math.Sin(a), c.TargetY + c.DistanceM*math.Cos(a), c.HeightM}
	fwd := target.sub(eye).unit()
	// World axes are those of a right-handed hitter (a left-handed system): right = up × forward.
	right := Vec{0, 0, 1}.cross(fwd).unit()
	up := fwd.cross(right).unit()
	roll := rad(c.RollDeg)
	yaw, pitch := rad(c.PanDegPerS*t), 0.0
	if c.ShakeDeg > 0 {
		// A hand sways at about 1 Hz and trembles at 4 to 9 Hz.
		n := func(k float64) float64 {
			s := c.ShakeSeed*1.7 + k
			return math.Sin(2*math.Pi*0.61*t+s) + 0.55*math.Sin(2*math.Pi*1.37*t+2.1*s) +
				0.16*math.Sin(2*math.Pi*4.3*t+1.3*s) + 0.08*math.Sin(2*math.Pi*8.7*t+0.7*s)
		}
		k := rad(c.ShakeDeg) / 0.82
		yaw += k * n(1)
		pitch += k * n(2)
		roll += 0.6 * k * n(3)
	}
	v := view{eye: eye, focal: c.focal() * math.Exp(c.ZoomPerS*t), width: c.Width, height: c.Height, cx: float64(c.Width) / 2, cy: float64(c.Height) / 2}
	sy, cy := math.Sincos(yaw)
	f2 := fwd.mul(cy).plus(sy, right)
	r2 := right.mul(cy).plus(-sy, fwd)
	sp, cp := math.Sincos(pitch)
	f3 := f2.mul(cp).plus(sp, up)
	u3 := up.mul(cp).plus(-sp, f2)
	sr, cr := math.Sincos(roll)
	v.fwd = f3
	v.right = r2.mul(cr).plus(sr, u3)
	v.up = u3.mul(cr).plus(-sr, r2)
	return v
}

// project gives the pixel of a point (origin top left, y down) and its depth
// along the optical axis, m. Depth ≤ 0 lies behind the camera.
func (v *view) project(p Vec) (x, y, depth float64) {
	d := p.sub(v.eye)
	depth = d.dot(v.fwd)
	x = v.cx + v.focal*d.dot(v.right)/depth
	y = v.cy - v.focal*d.dot(v.up)/depth
	return x, y, depth
}

// Project gives the pixel of a world point at time t and the scale there, px per metre.
func (c *Camera) Project(p Vec, t float64) (x, y, pxPerM float64) {
	v := c.at(t)
	x, y, d := v.project(p)
	return x, y, v.focal / d
}
