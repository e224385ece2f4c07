package pose

import (
	"math"
	"math/rand/v2"
	"testing"
)

func noisePicture(w, h int) Image {
	rng := rand.New(rand.NewPCG(1, 2))
	im := Image{W: w, H: h, Stride: w*3 + 5, Pix: make([]byte, (w*3+5)*h)}
	for i := range im.Pix {
		im.Pix[i] = byte(rng.Uint32())
	}
	return im
}

func blank(w, h int) Image { return Image{W: w, H: h, Stride: 3 * w, Pix: make([]byte, 3*w*h)} }

// An area average keeps the mean of the picture, and equals the plain mean of
// each block where the factor is whole.
func TestResizeIsAnAreaAverage(t *testing.T) {
	src := noisePicture(120, 66)
	dst := blank(40, 22)
	Resize(dst, src)
	for y := range dst.H {
		for x := range dst.W {
			for c := range 3 {
				sum := 0
				for dy := range 3 {
					for dx := range 3 {
						sum += int(src.Pix[(3*y+dy)*src.Stride+(3*x+dx)*3+c])
					}
				}
				if got, want := int(dst.Pix[y*dst.Stride+3*x+c]), int(math.Round(float64(sum)/9)); got-want > 1 || want-got > 1 {
					t.Fatalf("pixel %d,%d,%d: %d, want %d", x, y, c, got, want)
				}
			}
		}
	}
	odd := blank(37, 19)
	Resize(odd, src)
	if a, b := meanOf(src), meanOf(odd); math.Abs(a-b) > 0.6 {
		t.Errorf("mean %.2f becomes %.2f", a, b)
	}
	same := blank(120, 66)
	Resize(same, src)
	for y := range same.H {
		for x := range 3 * same.W {
			if same.Pix[y*same.Stride+x] != src.Pix[y*src.Stride+x] {
				t.Fatalf("same size changes pixel %d,%d", x/3, y)
			}
		}
	}
}

func meanOf(im Image) float64 {
	var s float64
	for y := range im.H {
		for _, v := range im.Pix[y*im.Stride : y*im.Stride+3*im.W] {
			s += float64(v)
		}
	}
	return s / float64(3*im.W*im.H)
}

func TestRegionThereAndBack(t *testing.T) {
	r := Region{CX: 300, CY: 200, Side: 180, AngleRad: math.Pi / 2}
	// Turned a quarter clockwise, the region's top points to the picture's right.
	if x, y := r.ToPicture(0.5, 0); math.Abs(x-390) > 1e-9 || math.Abs(y-200) > 1e-9 {
		t.Errorf("top of the turned region: %v, %v", x, y)
	}
	r.AngleRad = 0.7
	for _, p := range [][2]float64{{0, 0}, {1, 0.25}, {0.3, 0.9}} {
		x, y := r.ToPicture(p[0], p[1])
		if u, v := r.FromPicture(x, y); math.Abs(u-p[0]) > 1e-12 || math.Abs(v-p[1]) > 1e-12 {
			t.Errorf("%v comes back as %v, %v", p, u, v)
		}
	}
}

// A crop of a colour ramp must show the ramp's value at each pixel's centre,
// whichever way it is sampled, and black outside.
func TestCropHitsThePlace(t *testing.T) {
	im := blank(400, 300)
	for y := range im.H {
		for x := range im.W {
			p := im.Pix[y*im.Stride+3*x:]
			p[0], p[1], p[2] = 200, byte(x/2), byte(y/2)
		}
	}
	const n = 64
	dst := make([]float32, n*n*3)
	for _, r := range []Region{{200, 150, 200, 0}, {200, 150, 200, 0.5}, {200, 150, 100, 0}, {210.3, 140.7, 50, -1.2}, {100, 80, 300, 0}, {100, 80, 300, 0.01}} {
		Crop(dst, n, im, r)
		for v := range n {
			for u := range n {
				x, y := r.ToPicture((float64(u)+0.5)/n, (float64(v)+0.5)/n)
				o := dst[(v*n+u)*3:]
				margin := r.Side / n
				switch {
				case x > margin+1 && y > margin+1 && x < 399-margin && y < 299-margin:
					wr, wg, wb := (y-0.5)/2/255, (x-0.5)/2/255, 200.0/255
					if math.Abs(float64(o[0])-wr) > 0.006 || math.Abs(float64(o[1])-wg) > 0.006 || math.Abs(float64(o[2])-wb) > 0.006 {
						t.Fatalf("%+v at %d,%d: %v, want %.3f %.3f %.3f", r, u, v, o[:3], wr, wg, wb)
					}
				case x < -margin-1 || y < -margin-1 || x > 401+margin || y > 301+margin:
					if o[0] != 0 || o[1] != 0 || o[2] != 0 {
						t.Fatalf("%+v at %d,%d: %v outside the picture", r, u, v, o[:3])
					}
				}
			}
		}
	}
}

func TestThumbSeesAHandNotALamp(t *testing.T) {
	im := noisePicture(640, 360)
	for i := range im.Pix {
		im.Pix[i] = 90 + im.Pix[i]%16
	}
	still := NewThumb(im)
	brighter := Image{im.W, im.H, im.Stride, append([]byte(nil), im.Pix...)}
	for i := range brighter.Pix {
		brighter.Pix[i] += 12
	}
	if still.Moved(NewThumb(brighter), 6, 2) {
		t.Error("a change of brightness is taken for motion")
	}
	for y := 100; y < 120; y++ {
		for x := 300; x < 320; x++ {
			copy(im.Pix[y*im.Stride+3*x:], []byte{200, 200, 200})
		}
	}
	if !still.Moved(NewThumb(im), 6, 2) {
		t.Error("a patch of 20 px that changes is missed")
	}
}

func BenchmarkCrop(b *testing.B) {
	im := noisePicture(1280, 720)
	dst := make([]float32, LandmarkPx*LandmarkPx*3)
	for _, c := range []struct {
		name string
		r    Region
	}{{"upright650", Region{640, 360, 650, 0}}, {"turned650", Region{640, 360, 650, 0.2}}, {"turned300", Region{640, 360, 300, 0.2}}} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				Crop(dst, LandmarkPx, im, c.r)
			}
		})
	}
}

func BenchmarkDetectorInputs(b *testing.B) {
	im := noisePicture(1280, 720)
	b.Run("people", func(b *testing.B) {
		f := PeopleFit(1280, 720, 0)
		for b.Loop() {
			PeopleInput(im, f)
		}
	})
	b.Run("objects", func(b *testing.B) {
		f := ObjectsFit(1280, 720)
		for b.Loop() {
			ObjectsInput(ObjectsPicture(im, f), f)
		}
	})
	b.Run("thumb", func(b *testing.B) {
		for b.Loop() {
			NewThumb(im)
		}
	})
}
