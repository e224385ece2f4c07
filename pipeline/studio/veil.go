package studio

import "math"

// veil is a net or a chain-link fence between camera and hitter, as the plate's camera sees it.
type veil struct {
	plate *plateImage
	cover []float32 // share of each pixel that it takes
	shade []float32 // how bright it is there
}

// How the two look: cell, cord, brightness. Chain link has square cells that stand on a corner.
var veils = map[string]struct {
	cellM, cordM float64
	slant        bool
	shade        float64
}{
	"net":   {0.045, 0.0018, false, 0.10},
	"chain": {0.050, 0.0032, true, 0.52},
}

// lensM is how wide a phone's lens opens, m. Focused on the hitter, it blurs what is near.
const lensM = 0.0022

// newVeil hangs it upright at right angles to the camera, with a slow sag, and paints it.
func newVeil(s *Scene, pi *plateImage, rows func(int, func(int))) *veil {
	k := veils[s.Front]
	dist := s.FrontM
	if dist == 0 {
		dist = 1
	}
	w := &veil{plate: pi, cover: make([]float32, pi.w*pi.h), shade: make([]float32, pi.w*pi.h)}
	v := &pi.view
	n := Vec{v.fwd.X, v.fwd.Y, 0}.unit()
	side := Vec{v.right.X, v.right.Y, 0}.unit()
	bg := &backdrop{seed: uint32(s.Seed) * 77}
	// Half the width of a pixel, and of the lens's blur, where the net hangs.
	pixel := dist / v.focal
	blur := lensM * math.Abs(1-dist/math.Max(dist, s.Camera.DistanceM))
	soft := pixel + blur
	rows(pi.h, func(y int) {
		for x := range pi.w {
			px := (float64(x-pi.margin) + 0.5 - v.cx) / v.focal
			py := -(float64(y-pi.margin) + 0.5 - v.cy) / v.focal
			d := v.fwd.plus(px, v.right).plus(py, v.up)
			t := dist / d.dot(n)
			a, z := t*d.dot(side), v.eye.Z+t*d.Z
			a += 0.012*math.Sin(1.7*z+float64(s.Seed%7)) + 0.006*math.Sin(5*z+2*a) // nobody hangs a net straight
			z += 0.015*math.Sin(1.1*a) + 0.005*math.Sin(6*a+z)
			if k.slant {
				a, z = (a+z)/math.Sqrt2, (a-z)/math.Sqrt2
			}
			near := func(q float64) float64 { return math.Abs(q - k.cellM*math.Round(q/k.cellM)) }
			// A blurred cord: its width spread over the softness.
			part := func(q float64) float64 {
				lo, hi := math.Max(q-soft/2, -k.cordM/2), math.Min(q+soft/2, k.cordM/2)
				return math.Max(0, hi-lo) / soft
			}
			ca, cz := part(near(a)), part(near(z))
			i := y*pi.w + x
			w.cover[i] = float32(ca + cz - ca*cz)
			w.shade[i] = float32(k.shade * (0.75 + 0.5*bg.noise(a*9, z*9)))
		}
	})
	return w
}

// hang lays the net over the picture of time t.
func (f *Film) hang(t float64, back []float32) {
	w := f.front
	W := f.cam.Width
	lay := func(o int, c, s float32) {
		for k := range 3 {
			back[o+k] += (s - back[o+k]) * c
		}
	}
	if f.fixedCam {
		for i, c := range w.cover {
			lay(3*i, c, w.shade[i])
		}
		return
	}
	for y := range f.cam.Height {
		v := f.cam.at(f.scene.rowTime(t, float64(y)))
		w.plate.row(&v, y, W, func(x, i, j int, u, q float32) {
			a := w.cover[i] + (w.cover[i+1]-w.cover[i])*u
			e := w.cover[j] + (w.cover[j+1]-w.cover[j])*u
			lay(3*(y*W+x), a+(e-a)*q, w.shade[i])
		})
	}
}
