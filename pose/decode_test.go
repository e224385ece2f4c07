package pose

import (
	"errors"
	"math"
	"testing"
)

func TestDecodePeople(t *testing.T) {
	f := PeopleFit(1280, 720, 0)
	if f.W%32 != 0 || f.H%32 != 0 || f.H != 256 {
		t.Fatalf("input %d × %d, want 256 high and multiples of 32", f.W, f.H)
	}
	if g := PeopleFit(1280, 720, 600); math.Abs(600*g.Scale-200) > 20 {
		t.Errorf("a person of 600 px is %.0f px tall in the input, want about 200", 600*g.Scale)
	}
	out := Tensor{Shape: []int64{1, 6, 56}, F32: make([]float32, 6*56)}
	put := func(slot int, x, y, score float64) { // all points near x, y (px of the picture)
		v := out.F32[slot*56:]
		for k := range 17 {
			v[3*k] = float32((y + 10*float64(k)) * f.Scale / float64(f.H))
			v[3*k+1] = float32(x * f.Scale / float64(f.W))
			v[3*k+2] = 0.7
		}
		v[51], v[52] = float32(y*f.Scale/float64(f.H)), float32((x-30)*f.Scale/float64(f.W))
		v[53], v[54] = float32((y+160)*f.Scale/float64(f.H)), float32((x+30)*f.Scale/float64(f.W))
		v[55] = float32(score)
	}
	put(0, 400, 200, 0.8)
	put(1, 402, 201, 0.5) // the same person again
	put(2, 900, 300, 0.4)
	put(3, 100, 100, 0.05)
	people, err := DecodePeople(out, f, 1, 0.15)
	if err != nil || len(people) != 2 {
		t.Fatalf("%d people, %v; want 2", len(people), err)
	}
	p := people[0].Points[RightAnkle] // the 17th COCO point
	if math.Abs(p.X-400) > 0.01 || math.Abs(p.Y-360) > 0.01 || math.Abs(people[1].Box.X1-930) > 0.01 {
		t.Errorf("points %v, box %v", p, people[1].Box)
	}
	if people[0].Points[LeftHeel].Seen() {
		t.Error("COCO has no heels")
	}
	if _, err := DecodePeople(Tensor{F32: make([]float32, 56)}, f, 1, 0.1); !errors.Is(err, ErrShape) {
		t.Errorf("short output: %v", err)
	}
}

func TestDecodeObjects(t *testing.T) {
	outs := []Tensor{}
	for _, stride := range []int{32, 8, 16} { // in any order
		n := (416 / stride) * (416 / stride)
		outs = append(outs, Tensor{F32: make([]float32, n*44)}, Tensor{F32: make([]float32, n*80)})
	}
	// A bat (COCO number 34) at row 20, column 10 of the grid of stride 16,
	// all weight on bin 2 to the left and right, bin 5 up and down.
	cell := 20*26 + 10
	boxes, scores := outs[4].F32, outs[5].F32
	scores[cell*80+34] = 0.7
	scores[(cell+3)*80+34] = 0.6 // another one, 48 px to the right
	for _, c := range []int{cell, cell + 3} {
		for side, bin := range [4]int{2, 5, 2, 5} {
			boxes[c*44+side*11+bin] = 60
		}
	}
	f := ObjectsFit(832, 416) // half size
	got, err := DecodeObjects(outs, f, 1, 0.3)
	if err != nil || len(got) != 2 {
		t.Fatalf("%v, %v; want two boxes that hardly overlap", got, err)
	}
	// centre (10.5 · 16, 20.5 · 16) = (168, 328), ± 32, ± 80, twice as large in the picture
	want := Box{2 * 136, 2 * 248, 2 * 200, 2 * 408}
	if g := got[0]; g.Kind != BaseballBat || math.Abs(g.Box.X0-want.X0)+math.Abs(g.Box.Y0-want.Y0)+math.Abs(g.Box.X1-want.X1)+math.Abs(g.Box.Y1-want.Y1) > 1e-6 {
		t.Errorf("%+v, want %+v", g, want)
	}
	for _, c := range []int{cell + 3} {
		for side, bin := range [4]int{5, 5, 1, 5} { // now reaching over to the first one
			boxes[c*44+side*11+2] = 0
			boxes[c*44+side*11+bin] = 60
		}
	}
	if got, _ = DecodeObjects(outs, f, 1, 0.3); len(got) != 1 {
		t.Errorf("%d boxes after suppression, want 1", len(got))
	}
	if _, err := DecodeObjects(outs[:2], f, 1, 0.3); !errors.Is(err, ErrShape) {
		t.Errorf("missing outputs: %v", err)
	}
}

func TestLandmarksDecode(t *testing.T) {
	points := Tensor{F32: make([]float32, 195)}
	world := Tensor{F32: make([]float32, 117)}
	heat := Tensor{F32: make([]float32, 64*64*39)}
	for i := range heat.F32 {
		heat.F32[i] = -20
	}
	j := int(LeftWrist)
	copy(points.F32[j*5:], []float32{128, 64, 0, 3, 1}) // middle, a quarter from the top
	copy(world.F32[j*3:], []float32{0.1, -0.4, 0.2})
	r := Region{CX: 500, CY: 300, Side: 256, AngleRad: math.Pi / 2}
	outs := []Tensor{points, {F32: []float32{0.9}}, heat, world}
	p, w, score, err := Landmarks(outs, r)
	if err != nil || math.Abs(score-0.9) > 1e-6 {
		t.Fatal(score, err)
	}
	// Unsure heatmap: the point stays. A quarter turn clockwise puts up to the right.
	if k := p[LeftWrist]; math.Abs(k.X-564) > 1e-6 || math.Abs(k.Y-300) > 1e-6 || math.Abs(k.Score-1/(1+math.Exp(-1))) > 1e-6 {
		t.Errorf("point %v", k)
	}
	if q := w[LeftWrist]; math.Abs(q.X-0.4) > 1e-6 || math.Abs(q.Y-0.1) > 1e-6 || math.Abs(q.Z-0.2) > 1e-6 {
		t.Errorf("world %v", q)
	}
	// A sure cell two columns to the right of the point's own (32, 16) takes it along.
	heat.F32[(16*64+34)*39+j] = 20
	p, _, _, _ = Landmarks(outs, Region{CX: 128, CY: 128, Side: 256})
	if k := p[LeftWrist]; math.Abs(k.X-136) > 0.1 || math.Abs(k.Y-64) > 0.1 {
		t.Errorf("refined %v, want 136, 64", k)
	}
	if _, _, _, err := Landmarks(outs[1:2], r); !errors.Is(err, ErrShape) {
		t.Errorf("missing outputs: %v", err)
	}
}
