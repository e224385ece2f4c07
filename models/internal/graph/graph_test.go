package graph

import (
	"math"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	"cagebook/models/internal/onnxpb"
)

// TestHalf checks against the values of IEEE 754-2008 binary16 (the worked
// examples of its Wikipedia article: 1, the largest, the smallest normal, the
// largest and smallest subnormal, a third).
func TestHalf(t *testing.T) {
	for _, c := range []struct {
		bits uint16
		want float64
	}{
		{0x3c00, 1},
		{0xc000, -2},
		{0x7bff, 65504},
		{0x0400, math.Ldexp(1, -14)},
		{0x03ff, math.Ldexp(1023, -24)},
		{0x0001, math.Ldexp(1, -24)},
		{0x3555, 0.333251953125},
		{0x7c00, math.Inf(1)},
		{0xfc00, math.Inf(-1)},
		{0x0000, 0},
	} {
		if got := float64(Half(c.bits)); got != c.want {
			t.Errorf("Half(%#04x) = %g, want %g", c.bits, got, c.want)
		}
	}
	if got := Half(0x8000); got != 0 || !math.Signbit(float64(got)) {
		t.Errorf("Half(0x8000) = %g, want -0", got)
	}
	if got := Half(0x7e00); got == got {
		t.Errorf("Half(0x7e00) = %g, want NaN", got)
	}
}

func TestPermute(t *testing.T) {
	// 1×2×2×3 rows, columns, channels: as planes, channel 0 is 0 3 6 9.
	in := &Tensor{Shape: []int{1, 2, 2, 3}, I32: []int32{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}}
	out := Permute(in, 0, 3, 1, 2)
	if !slices.Equal(out.Shape, []int{1, 3, 2, 2}) || !slices.Equal(out.I32, []int32{0, 3, 6, 9, 1, 4, 7, 10, 2, 5, 8, 11}) {
		t.Errorf("got %v %v", out.Shape, out.I32)
	}
}

// graphOf is what a builder wrote.
func graphOf(t *testing.T, b *Builder) *onnxpb.GraphProto {
	t.Helper()
	raw, err := b.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	var m onnxpb.ModelProto
	if err := proto.Unmarshal(raw, &m); err != nil {
		t.Fatal(err)
	}
	return m.Graph
}

// opsOf lists the operators that a builder wrote.
func opsOf(t *testing.T, b *Builder) []string {
	t.Helper()
	var ops []string
	for _, n := range graphOf(t, b).Node {
		ops = append(ops, n.GetOpType())
	}
	return ops
}

// TestLayout: pictures stay in ONNX order from one convolution to the next,
// and padding goes into the convolution, whichever order the source is in.
func TestLayout(t *testing.T) {
	weights := &Tensor{Shape: []int{2, 2, 3, 3}, F32: make([]float32, 36)}
	w := Window{StrideH: 1, StrideW: 1, DilationH: 1, DilationW: 1}
	b := New("rows, columns, channels")
	x := b.Input("x", Float, Dim{Size: 1}, Dim{Size: 8}, Dim{Size: 8}, Dim{Size: 2})
	v, err := b.Pad(x, []int32{0, 0, 1, 1, 1, 1, 0, 0}, 0)
	if err != nil {
		t.Fatal(err)
	}
	v = b.Activate(b.Conv(v, weights, nil, 1, w), Relu6)
	v = b.Elementwise("Add", []*Value{v, FromConst(&Tensor{Shape: []int{2}, F32: []float32{1, 2}})})
	v = b.Conv(v, weights, nil, 1, w)
	b.Output("y", Float, v, Dim{Size: 1})
	want := []string{"Transpose", "Conv", "Clip", "Add", "Conv", "Transpose", "Identity"}
	if got := opsOf(t, b); !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}

	b = New("channels, rows, columns")
	x = b.Input("x", Float, Dim{Size: 1}, Dim{Size: 2}, Dim{Size: 8}, Dim{Size: 8})
	if v, err = b.Pad(x, []int32{0, 0, 0, 0, 1, 1, 1, 1}, 0); err != nil {
		t.Fatal(err)
	}
	v = b.Conv(b.Transpose(v, []int64{0, 2, 3, 1}), weights, nil, 1, w)
	b.Output("y", Float, b.Transpose(v, []int64{0, 3, 1, 2}), Dim{Size: 1})
	if got := opsOf(t, b); !slices.Equal(got, []string{"Conv", "Identity"}) {
		t.Errorf("got %v", got)
	}
}

// TestPadStays: padding on channels, or before something else than a convolution, is a node.
func TestPadStays(t *testing.T) {
	b := New("pad")
	x := b.Input("x", Float, Dim{Size: 1}, Dim{Size: 8}, Dim{Size: 8}, Dim{Size: 2})
	v, err := b.Pad(x, []int32{0, 0, 0, 0, 0, 0, 0, 2}, 0)
	if err != nil {
		t.Fatal(err)
	}
	b.Output("y", Float, b.Elementwise("Abs", []*Value{v}), Dim{Size: 1})
	if got := opsOf(t, b); !slices.Equal(got, []string{"Pad", "Abs", "Identity"}) {
		t.Errorf("got %v", got)
	}
}

func TestTooManyConstants(t *testing.T) {
	b := New("large")
	b.limit = 100
	b.Int64s(make([]int64, 12)...)
	if _, err := b.Marshal(); err != nil {
		t.Error(err)
	}
	b.Int64s(1)
	if _, err := b.Marshal(); err == nil {
		t.Error("no error")
	}
}

// One number for all channels is written as a scalar; a scalar broadcasts to the same result (ONNX, "Broadcasting in ONNX").
func TestConstantOfAllChannels(t *testing.T) {
	for _, c := range []struct {
		name string
		in   Tensor
		dims int
	}{
		{"the same for all", Tensor{Shape: []int{1, 1, 1, 3}, F32: []float32{2, 2, 2}}, 0},
		{"one for each", Tensor{Shape: []int{1, 1, 1, 3}, F32: []float32{2, 2, 3}}, 4},
		{"a column", Tensor{Shape: []int{1, 3, 1, 1}, F32: []float32{2, 2, 2}}, 4},
		{"integers", Tensor{Shape: []int{1, 1, 1, 3}, I32: []int32{2, 2, 2}}, 4},
	} {
		b := New("m")
		b.Output("y", Float, b.Elementwise("Mul", []*Value{b.Input("x", Float, Dim{}), FromConst(&c.in)}))
		if got := len(graphOf(t, b).Initializer[0].Dims); got != c.dims {
			t.Errorf("%s: %d dimensions, want %d", c.name, got, c.dims)
		}
	}
}
