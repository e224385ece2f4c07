package studio

import (
	"image"
	"image/color"
	"math"

	"cagebook/pose"
)

// bones of the stick figure, as pairs of left joints or of a joint and its partner.
var bones = [][2]pose.Joint{
	{pose.LeftShoulder, pose.RightShoulder},
	{pose.LeftHip, pose.RightHip},
	{pose.LeftShoulder, pose.LeftHip},
	{pose.RightShoulder, pose.RightHip},
	{pose.LeftShoulder, pose.LeftElbow},
	{pose.LeftElbow, pose.LeftWrist},
	{pose.LeftWrist, pose.LeftIndex},
	{pose.RightShoulder, pose.RightElbow},
	{pose.RightElbow, pose.RightWrist},
	{pose.RightWrist, pose.RightIndex},
	{pose.LeftHip, pose.LeftKnee},
	{pose.LeftKnee, pose.LeftAnkle},
	{pose.LeftAnkle, pose.LeftHeel},
	{pose.LeftHeel, pose.LeftFootIndex},
	{pose.LeftAnkle, pose.LeftFootIndex},
	{pose.RightHip, pose.RightKnee},
	{pose.RightKnee, pose.RightAnkle},
	{pose.RightAnkle, pose.RightHeel},
	{pose.RightHeel, pose.RightFootIndex},
	{pose.RightAnkle, pose.RightFootIndex},
	{pose.LeftEar, pose.Nose},
	{pose.RightEar, pose.Nose},
}

// Sheet draws stick figures of a mover: one column a time, one row an azimuth.
func Sheet(m Mover, times, azimuths []float64, cell int) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, cell*len(times), cell*len(azimuths)))
	for i := range img.Pix {
		img.Pix[i] = 255
	}
	for r, az := range azimuths {
		cam := Camera{Width: cell, Height: cell, AzimuthDeg: az, DistanceM: 8, HeightM: 1.1, TargetZ: 0.95}
		v := cam.at(0)
		for c, t := range times {
			f := m.At(t)
			ox, oy := float64(c*cell), float64(r*cell)
			pt := func(p Vec) (float64, float64) { x, y, _ := v.project(p); return x + ox, y + oy }
			seg := func(a, b Vec, w float64, col color.RGBA) {
				x0, y0 := pt(a)
				x1, y1 := pt(b)
				stroke(img, x0, y0, x1, y1, w, col)
			}
			seg(Vec{-1.2, 0, 0}, Vec{1.2, 0, 0}, 0.6, color.RGBA{210, 210, 210, 255})
			for _, bn := range bones {
				col := color.RGBA{40, 40, 40, 255}
				l, r := bn[0], bn[1]
				if l != r.Swap() && l != pose.Nose && r != pose.Nose {
					col = color.RGBA{200, 60, 40, 255}
					if l > l.Swap() {
						col = color.RGBA{40, 80, 200, 255}
					}
				}
				seg(f.Joints[l], f.Joints[r], 1.6, col)
			}
			seg(f.HeadC, f.HeadC.plus(0.11, f.HeadU), 5, color.RGBA{120, 120, 120, 255})
			seg(f.MidShoulder(), f.HeadC, 1.6, color.RGBA{120, 120, 120, 255})
			if f.HasBat {
				seg(f.Knob, f.Barrel, 2.2, color.RGBA{150, 100, 20, 255})
			}
		}
	}
	return img
}

// stroke draws a line of half-width w.
func stroke(img *image.RGBA, x0, y0, x1, y1, w float64, col color.RGBA) {
	lx, hx := int(math.Min(x0, x1)-w-1), int(math.Max(x0, x1)+w+2)
	ly, hy := int(math.Min(y0, y1)-w-1), int(math.Max(y0, y1)+w+2)
	dx, dy := x1-x0, y1-y0
	l2 := dx*dx + dy*dy
	for y := max(ly, 0); y < min(hy, img.Rect.Max.Y); y++ {
		for x := max(lx, 0); x < min(hx, img.Rect.Max.X); x++ {
			u := 0.0
			if l2 > 0 {
				u = clamp(((float64(x)-x0)*dx+(float64(y)-y0)*dy)/l2, 0, 1)
			}
			d := math.Hypot(float64(x)-x0-u*dx, float64(y)-y0-u*dy)
			a := clamp(w+0.5-d, 0, 1)
			if a > 0 {
				o := img.PixOffset(x, y)
				for k, v := range [3]uint8{col.R, col.G, col.B} {
					img.Pix[o+k] = uint8(float64(img.Pix[o+k])*(1-a) + float64(v)*a)
				}
			}
		}
	}
}

// ActSheet draws the scene's first act: at its key frames if it is a swing,
// else at even times about its moment.
func (s *Scene) ActSheet(cell int) (*image.RGBA, error) {
	p, err := s.performer()
	if err != nil {
		return nil, err
	}
	a := p.Acts[0]
	times := []float64{a.TimeS - 1, a.TimeS - 0.6, a.TimeS - 0.3, a.TimeS, a.TimeS + 0.3, a.TimeS + 0.6, a.TimeS + 1}
	if a.isSwing() {
		times = times[:0]
		for _, e := range sampleMotion(&a.hit, -2.5, 1.25, s.Hitter.HeightM, p.LeadLeft).events() {
			times = append(times, e.TimeS+a.TimeS)
		}
	}
	return Sheet(p, times, []float64{0, -90}, cell), nil
}
