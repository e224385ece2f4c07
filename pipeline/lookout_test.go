package pipeline

import (
	"context"
	"math"
	"reflect"
	"slices"
	"testing"

	"cagebook/pipeline/video"
	"cagebook/pose"
)

// standing answers as if one person of 200 px stood in the middle of a picture of 640 x 360, wherever it is looked at.
type standing struct {
	sizes []int64 // of the inputs, H × W
}

func (s *standing) Run(in ...pose.Tensor) ([]pose.Tensor, error) {
	h, w := in[0].Shape[1], in[0].Shape[2]
	s.sizes = append(s.sizes, h*w)
	v := make([]float32, 6*56)
	for k := range 17 { // a column of points, wide enough to count
		v[3*k], v[3*k+1], v[3*k+2] = 0.2+0.6*float32(k)/16, 0.45+0.1*float32(k%2), 0.9
	}
	v[51], v[52], v[53], v[54], v[55] = 0.2, 0.45, 0.8, 0.55, 0.9
	return []pose.Tensor{{F32: v}}, nil
}

func (s *standing) Close() error { return nil }

// glances are n pictures, 14 a second, in which a patch of the picture about x, y changes in the stirred ones. Noise moves everything a little.
func glances(n int, stirred func(i int) bool, x, y int) []glance {
	const w, h = 640, 360
	var out []glance
	for i := range n {
		im := pose.Image{W: w, H: h, Stride: 3 * w, Pix: make([]byte, 3*w*h)}
		for k := range im.Pix {
			im.Pix[k] = byte(90 + (k/3%64)/2 + (k*7+i*3)%3)
		}
		if stirred(i) {
			for dy := range 90 {
				for dx := range 60 {
					p := im.Pix[(y+dy)*im.Stride+3*(x+dx):]
					p[0], p[1], p[2] = byte(40+170*(i%2)), byte(40+170*(i%2)), byte(40+170*(i%2))
				}
			}
		}
		out = append(out, glance{frame: 4 * i, timeS: float64(i) / 14, thumb: pose.NewThumb(im), small: im, zoom: 1})
	}
	return out
}

func TestLookout(t *testing.T) {
	never := func(int) bool { return false }
	burst := func(i int) bool { return i >= 40 && i < 44 }
	for _, c := range []struct {
		name     string
		stirred  func(int) bool
		x, y     int
		looks    [2]int     // at the whole picture, least and most
		closely  [2]int     // at a part
		fromS    [2]float64 // between these times everything is looked at
		allSmall bool
	}{
		{name: "nothing stirs", stirred: never, looks: [2]int{9, 11}},
		{name: "a burst about the person", stirred: burst, x: 300, y: 120, looks: [2]int{9, 11}, closely: [2]int{12, 24}, fromS: [2]float64{40.0/14 - 0.45, 43.0/14 + 0.45}},
		{name: "a burst far from the person", stirred: burst, x: 20, y: 20, looks: [2]int{9, 11}},
		{name: "it stirs all the time", stirred: func(int) bool { return true }, x: 300, y: 120, looks: [2]int{9, 11}, closely: [2]int{120, 131}, fromS: [2]float64{0.1, 9.9}},
	} {
		t.Run(c.name, func(t *testing.T) {
			net := &standing{}
			in := make(chan glance, 140)
			for _, g := range glances(140, c.stirred, c.x, c.y) {
				in <- g
			}
			close(in)
			samples, err := watchPeople(context.Background(), []pose.Net{net}, in, video.Info{Width: 640, Height: 360}, func(glance) error { return nil })
			if err != nil {
				t.Fatal(err)
			}
			whole := int64(0)
			for _, s := range net.sizes {
				whole = max(whole, s)
			}
			looks := 0
			for _, s := range net.sizes[1:] { // the first finds the size
				if s == whole {
					looks++
				}
			}
			if !slices.IsSortedFunc(samples, func(a, b pose.Sample) int { return a.Frame - b.Frame }) {
				t.Error("samples are not in the order of time")
			}
			n := 0
			for i := range samples {
				if at := samples[i].TimeS; at >= c.fromS[0] && at <= c.fromS[1] {
					n++
				}
			}
			if want := int((c.fromS[1] - c.fromS[0]) * 14); n < want {
				t.Errorf("%d samples from %.2f to %.2f s, want at least %d", n, c.fromS[0], c.fromS[1], want)
			}
			if k := len(samples) - 10; k < c.closely[0]-1 || k > c.closely[1]+1 {
				t.Errorf("%d samples beside the looks, want %v", k, c.closely)
			}
		})
	}
}

// A clip in which nothing moves for long fills no memory, and what moves then is looked at at once.
func TestLookoutWaitsWithoutPictures(t *testing.T) {
	l := &lookout{ctx: context.Background(), nets: make(chan pose.Net, 1), w: 640, objects: func(glance) error { return nil }}
	l.nets <- &standing{}
	gs := glances(400, func(int) bool { return false }, 0, 0)
	for i, g := range gs {
		if i > 0 && i < 399 {
			g.small = pose.Image{}
		}
		if err := l.add(g); err != nil {
			t.Fatal(err)
		}
		if len(l.wait) > 40 {
			t.Fatalf("%d glances wait", len(l.wait))
		}
	}
	if n := len(l.samples); n != 2 || l.samples[1].Frame != gs[399].frame {
		t.Errorf("%d looks, want one at the first and one at the last picture", n)
	}
}

// Motion does not hang on brightness, and grows with what moves.
func TestMotion(t *testing.T) {
	still := glances(2, func(int) bool { return false }, 0, 0)
	box := pose.Box{X0: 290, Y0: 80, X1: 350, Y1: 280}
	if m := still[1].thumb.ChangesSince(still[0].thumb).Motion(box, 640); m > 0.005 {
		t.Errorf("noise alone moves %.3f", m)
	}
	moved := glances(2, func(i int) bool { return i == 1 }, 300, 120)
	m := moved[1].thumb.ChangesSince(moved[0].thumb).Motion(box, 640)
	if m < 0.05 {
		t.Errorf("a patch of 60 x 90 px about somebody of 200 px moves %.3f, want more than a stir", m)
	}
	lit := moved[1].thumb
	lit.Grey = slices.Clone(lit.Grey)
	for i := range lit.Grey {
		lit.Grey[i] += 12
	}
	if l := lit.ChangesSince(moved[0].thumb).Motion(box, 640); math.Abs(l-m) > 0.02 {
		t.Errorf("with a lamp on it moves %.3f instead of %.3f", l, m)
	}
	if far := moved[1].thumb.ChangesSince(moved[0].thumb).Motion(pose.Box{X0: 10, Y0: 80, X1: 70, Y1: 280}, 640); far > 0.005 {
		t.Errorf("about somebody else it moves %.3f", far)
	}
}

// growing answers as if one person with arms spread stood in the middle of the picture, the taller the brighter its first row is.
type growing struct{}

func (growing) Run(in ...pose.Tensor) ([]pose.Tensor, error) {
	tall := 0.2 + 0.75*float32(min(in[0].I32[0], 250))/250
	v := make([]float32, 6*56)
	for k := range 17 {
		v[3*k], v[3*k+1], v[3*k+2] = 0.5-tall/2+tall*float32(k)/16, 0.3+0.4*float32(k%2), 0.9
	}
	v[51], v[52], v[53], v[54], v[55] = 0.5-tall/2, 0.3, 0.5+tall/2, 0.7, 0.9
	return []pose.Tensor{{F32: v}}, nil
}

func (growing) Close() error { return nil }

// However many networks look beside each other, and whatever the looks change of the size in which the next are made, the samples are the same.
func TestLookoutSameWithMoreNetworks(t *testing.T) {
	look := func(nets int) ([]pose.Sample, []int) {
		in := make(chan glance, 60)
		for i, g := range glances(60, func(i int) bool { return i%30 < 20 }, 300, 120) {
			for k := range 40 * g.small.Stride {
				g.small.Pix[k] = byte(50 * (i * i / 3 % 6))
			}
			in <- g
		}
		close(in)
		var objects []int
		samples, err := watchPeople(t.Context(), slices.Repeat([]pose.Net{growing{}}, nets), in, video.Info{Width: 640, Height: 360}, func(g glance) error {
			objects = append(objects, g.frame)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return samples, objects
	}
	one, objects := look(1)
	if len(one) < 30 {
		t.Fatalf("%d samples: hardly anything was looked at", len(one))
	}
	for _, n := range []int{2, 3} {
		more, also := look(n)
		if !reflect.DeepEqual(more, one) || !slices.Equal(also, objects) {
			t.Errorf("%d networks saw something else than one", n)
		}
	}
}
