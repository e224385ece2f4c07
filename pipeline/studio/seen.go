package studio

import "math"

// TruthBat says how the bat can be seen in a frame. What is hidden and shown, and Visible, is filled by SeeBat.
type TruthBat struct {
	Visible        bool    `json:"visible"`     // the barrel's end is within the picture and not hidden, and so is half of the bat's length
	ShownShare     float64 `json:"shown_share"` // of the bat's length: within the picture and not hidden
	KnobHidden     bool    `json:"knob_hidden"` // behind somebody's body or clothes
	BarrelHidden   bool    `json:"barrel_hidden"`
	KnobInFrame    bool    `json:"knob_in_frame"`
	BarrelInFrame  bool    `json:"barrel_in_frame"`
	KnobBlurPx     float64 `json:"knob_blur_px"` // way during the exposure
	BarrelBlurPx   float64 `json:"barrel_blur_px"`
	Foreshortening float64 `json:"foreshortening"` // length in the picture as a share of the same bat's square to the camera
}

// rowTime is when row y (px, any) of the frame at time t is exposed: the middle row at t itself.
func (s *Scene) rowTime(t, y float64) float64 {
	if s.ReadoutS == 0 {
		return t
	}
	h := float64(s.Camera.Height)
	return t + s.ReadoutS*(clamp(y, 0, h)/h-0.5)
}

// seen is the pixel at which a moving point (model axes) is seen in the frame at time t.
func (s *Scene) seen(cam *Camera, t float64, at func(float64) Vec) [2]float64 {
	u, x, y := t, 0.0, 0.0
	n := 1
	if s.ReadoutS > 0 {
		n = 4 // a row's time is a small part of the motion's: four steps bring it far below a hundredth of a pixel
	}
	for range n {
		v := cam.at(u)
		x, y, _ = v.project(s.toWorld(at(u)))
		u = s.rowTime(t, y)
	}
	return [2]float64{round2(x), round2(y)}
}

// moving gives the figure about a frame's time. With a rolling shutter it is read from five figures over the readout,
// by the parabola through the nearest three: bodies turn little in a quarter of it.
func (s *Scene) moving(p *Performer, t float64) func(float64) *Figure {
	if s.ReadoutS == 0 {
		f := p.At(t)
		return func(float64) *Figure { return &f }
	}
	var f [5]Figure
	h := s.ReadoutS / 4
	for i := range f {
		f[i] = p.At(t + h*float64(i-2))
	}
	return func(u float64) *Figure {
		x := (u - t) / h
		k := int(clamp(math.Round(x), -1, 1)) + 2
		x -= float64(k - 2)
		a, b, c := x*(x-1)/2, 1-x*x, x*(x+1)/2
		g := f[k]
		mix := func(p, q, r Vec) Vec { return p.mul(a).plus(b, q).plus(c, r) }
		for j := range g.Joints {
			g.Joints[j] = mix(f[k-1].Joints[j], f[k].Joints[j], f[k+1].Joints[j])
		}
		g.Knob, g.Barrel = mix(f[k-1].Knob, f[k].Knob, f[k+1].Knob), mix(f[k-1].Barrel, f[k].Barrel, f[k+1].Barrel)
		return &g
	}
}

// blurPx is how far a point moves over the picture while a frame is exposed.
func (s *Scene) blurPx(cam *Camera, t float64, at func(float64) Vec) float64 {
	way := 0.0
	const parts = 4
	var lx, ly float64
	for i := range parts + 1 {
		u := t + s.ShutterS*(float64(i)/parts-0.5)
		v := cam.at(u)
		x, y, _ := v.project(s.toWorld(at(u)))
		if i > 0 {
			way += math.Hypot(x-lx, y-ly)
		}
		lx, ly = x, y
	}
	return round2(way)
}

func (s *Scene) foreshortening(cam *Camera, t float64, f *Figure) float64 {
	v := cam.at(t)
	a, b := s.toWorld(f.Knob), s.toWorld(f.Barrel)
	x0, y0, _ := v.project(a)
	x1, y1, _ := v.project(b)
	_, _, d := v.project(a.to(b, 0.5))
	return round4(math.Min(1, math.Hypot(x1-x0, y1-y0)/(v.focal/d*b.sub(a).norm())))
}

// What is hidden is found in a small depth picture of everybody without the bat.
const (
	seeRows   = 240  // of the depth picture: 1 cm a row for a hitter who fills it
	seeNearM  = 0.05 // what is nearer than the bat by less than this is the hand on it, or its own skin
	seePoints = 16   // along the bat
)

// SeeBat fills what is hidden of the bat. It costs about a millisecond a person and frame.
func (s *Scene) SeeBat(tr *Truth) error {
	p, err := s.performer()
	if err != nil {
		return err
	}
	actors, err := s.cast(p)
	if err != nil {
		return err
	}
	cam := s.worldCamera()
	k := math.Min(1, seeRows/float64(cam.Height))
	c := newCanvas(int(float64(cam.Width)*k), int(float64(cam.Height)*k))
	var m mesh
	var sc screen
	dark := light{dir: Vec{0, 0, 1}}
	for i := range tr.Frames {
		f := &tr.Frames[i]
		if f.Bat == nil {
			continue
		}
		t := s.rowTime(f.TimeS, (f.Knob[1]+f.Barrel[1])/2)
		v := cam.at(t)
		v.focal, v.cx, v.cy = v.focal*k, v.cx*k, v.cy*k
		m.reset()
		for j := range actors {
			fig := actors[j].m.At(t)
			fig.HasBat = false
			m.skinFigure(&fig, actors[j].body, actors[j].look)
		}
		sc.project(&m, &v, &dark)
		c.fill(&sc, 0, 0)
		fig := p.At(t)
		hidden := func(w Vec) (hidden, out bool) {
			x, y, d := v.project(s.toWorld(w))
			ix, iy := int(math.Floor(x)), int(math.Floor(y))
			if ix < 0 || iy < 0 || ix >= c.w || iy >= c.h {
				return false, true
			}
			z := c.z[iy*c.w+ix]
			return z > 0 && 1/float64(z) < d-seeNearM, false
		}
		shown := 0
		for q := range seePoints {
			if h, out := hidden(fig.Knob.to(fig.Barrel, (float64(q)+0.5)/seePoints)); !h && !out {
				shown++
			}
		}
		b := f.Bat
		b.ShownShare = round4(float64(shown) / seePoints)
		b.KnobHidden, _ = hidden(fig.Knob)
		b.BarrelHidden, _ = hidden(fig.Barrel)
		b.Visible = b.BarrelInFrame && !b.BarrelHidden && b.ShownShare >= 0.5
		c.endSub(0)
		c.begin()
	}
	return nil
}
