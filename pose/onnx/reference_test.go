//go:build cgo

package onnx

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"

	"cagebook/models"
	"cagebook/pose"
)

// cacheDir is where the models are: the folder that the program would use.
func cacheDir(t testing.TB) string {
	if dir := os.Getenv("CAGEBOOK_CACHE"); dir != "" {
		return dir
	}
	dir, err := models.DefaultDir()
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// unavailable skips a test that needs models, or fails it where they must be there.
func unavailable(t testing.TB, err error) {
	if os.Getenv("CAGEBOOK_REQUIRE_MODELS") != "" {
		t.Fatalf("CAGEBOOK_REQUIRE_MODELS is set, but: %v", err)
	}
	t.Skipf("skipped without models: %v", err)
}

// loadRuntime loads the library for one test.
func loadRuntime(t testing.TB) {
	lib, err := models.Library(cacheDir(t))
	if err != nil {
		unavailable(t, err)
	}
	if err := Init(lib); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := Shutdown(); err != nil {
			t.Error(err)
		}
	})
}

// openModel opens a model for one test.
func openModel(t testing.TB, name string, threads int) pose.Net {
	path, _, err := models.Open(cacheDir(t), name)
	if err != nil {
		unavailable(t, err)
	}
	net, err := Open(path, threads)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := net.Close(); err != nil {
			t.Error(err)
		}
	})
	return net
}

// noise and figure compute the pictures of models/testdata/reference.js.
func noise(i int) byte {
	x := uint32(i+1) * 0x9e3779b1
	x = (x ^ x>>15) * 0x85ebca6b
	x ^= x >> 13
	return byte(x >> 24)
}

func noisePicture(w, h int) []byte {
	p := make([]byte, w*h*3)
	for i := range p {
		p[i] = noise(i)
	}
	return p
}

var limbs = [][8]int{
	{-60, 560, -90, 740, 42, 90, 90, 110},
	{-90, 740, -110, 920, 32, 90, 90, 110},
	{-115, 935, -150, 945, 24, 40, 40, 40},
	{60, 560, 95, 740, 42, 90, 90, 110},
	{95, 740, 100, 920, 32, 90, 90, 110},
	{105, 935, 150, 945, 24, 40, 40, 40},
	{0, 300, 0, 540, 95, 180, 40, 40},
	{-95, 275, -160, 400, 30, 210, 160, 130},
	{-160, 400, -60, 470, 24, 210, 160, 130},
	{95, 275, 165, 390, 30, 210, 160, 130},
	{165, 390, 80, 480, 24, 210, 160, 130},
	{0, 200, 0, 240, 30, 210, 160, 130},
	{0, 135, 0, 160, 62, 220, 170, 140},
	{-24, 140, -23, 140, 9, 30, 30, 30},
	{24, 140, 25, 140, 9, 30, 30, 30},
	{-18, 178, 18, 178, 8, 150, 60, 60},
}

func figurePicture(w, h int) []byte {
	type limb struct {
		x, y, dx, dy, r int
		c               [3]int
	}
	var scaled []limb
	for _, l := range limbs {
		at := func(v int) int { return (v+1000)*h/1000 - h }
		s := limb{x: at(l[0]) + w/2, y: at(l[1]), r: max(2, at(l[4])), c: [3]int(l[5:8])}
		s.dx, s.dy = at(l[2])+w/2-s.x, at(l[3])-s.y
		if s.dx == 0 && s.dy == 0 {
			s.dx = 1
		}
		scaled = append(scaled, s)
	}
	p := make([]byte, w*h*3)
	for y := range h {
		for x := range w {
			k := (y*w + x) * 3
			p[k] = byte(70 + 60*y/h + int(noise(k)>>4))
			p[k+1] = byte(110 + 50*x/w + int(noise(k+1)>>4))
			p[k+2] = byte(80 + int(noise(k+2)>>4))
			for _, l := range scaled {
				n := l.dx*l.dx + l.dy*l.dy
				t := min(n, max(0, (x-l.x)*l.dx+(y-l.y)*l.dy))
				ex, ey := (x-l.x)*n-t*l.dx, (y-l.y)*n-t*l.dy
				d, full := ex*ex+ey*ey, l.r*l.r*n*n
				if d >= full {
					continue
				}
				shade := 255 - 150*d/full
				for i := range 3 {
					p[k+i] = byte(l.c[i] * shade / 255)
				}
			}
		}
	}
	return p
}

// inputFor is the tensor of a picture as the model wants it.
func inputFor(model string, shape []int64, draw func(w, h int) []byte) pose.Tensor {
	t := pose.Tensor{Shape: shape}
	switch model {
	case models.LandmarkFull, models.LandmarkHeavy:
		for _, v := range draw(int(shape[2]), int(shape[1])) {
			t.F32 = append(t.F32, float32(float64(v)/255))
		}
	case models.NanoDet:
		mean, std := [3]float64{103.53, 116.28, 123.675}, [3]float64{57.375, 57.12, 58.395}
		h, w := int(shape[2]), int(shape[3])
		p := draw(w, h)
		for c := range 3 {
			for i := range h * w {
				t.F32 = append(t.F32, float32((float64(p[i*3+2-c])-mean[c])/std[c]))
			}
		}
	default:
		for _, v := range draw(int(shape[2]), int(shape[1])) {
			t.I32 = append(t.I32, int32(v))
		}
	}
	return t
}

type reference struct {
	Model, Picture string
	Shape          []int64
	Outputs        []struct {
		Length, Step int
		Values       []float32
	}
}

func references(t testing.TB) []reference {
	data, err := os.ReadFile("../../models/testdata/reference.json")
	if err != nil {
		t.Fatal(err)
	}
	var all []reference
	if err := json.Unmarshal(data, &all); err != nil {
		t.Fatal(err)
	}
	return all
}

var pictures = map[string]func(w, h int) []byte{"noise": noisePicture, "figure": figurePicture}

// toleranceFor is the largest absolute difference allowed, by model and
// output: a few times what was measured, so that another processor's order of
// summation passes, and far below anything that a wrong operator would cause
// (whole pixels, whole logits).
func toleranceFor(model string, output int) float64 {
	switch model {
	case models.LandmarkHeavy, models.LandmarkFull:
		// x, y, z in px of a 256 px crop; probability; logits; metres
		return []float64{3e-2, 1e-3, 1e-2, 1e-3}[output]
	case models.NanoDet:
		if output < 3 { // probabilities, then logits
			return 1e-5
		}
		return 2e-4
	default: // fractions of the picture and scores
		return 1e-5
	}
}

// TestReference compares every model with the outputs of its own runtime
// (TensorFlow Lite and TensorFlow.js; models/testdata/README.md says how they
// were made).
func TestReference(t *testing.T) {
	loadRuntime(t)
	for _, ref := range references(t) {
		t.Run(fmt.Sprintf("%s/%s/%d", ref.Model, ref.Picture, ref.Shape[1]), func(t *testing.T) {
			net := openModel(t, ref.Model, 1)
			out, err := net.Run(inputFor(ref.Model, ref.Shape, pictures[ref.Picture]))
			if err != nil {
				t.Fatal(err)
			}
			if len(out) != len(ref.Outputs) {
				t.Fatalf("%d outputs, want %d", len(out), len(ref.Outputs))
			}
			for i, want := range ref.Outputs {
				if len(out[i].F32) != want.Length {
					t.Errorf("output %d: %d values, want %d", i, len(out[i].F32), want.Length)
					continue
				}
				worst, where := 0.0, 0
				for k, w := range want.Values {
					d := math.Abs(float64(out[i].F32[k*want.Step] - w))
					if d > worst || math.IsNaN(d) {
						worst, where = d, k*want.Step
					}
				}
				t.Logf("output %d: largest difference %.2g at %d", i, worst, where)
				if limit := toleranceFor(ref.Model, i); !(worst <= limit) {
					t.Errorf("output %d: differs by %.3g at %d, allowed %g", i, worst, where, limit)
				}
			}
		})
	}
}
