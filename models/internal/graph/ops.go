package graph

import (
	"fmt"
	"math"
	"slices"
)

// chwAxis is where an axis of N×H×W×C stands in N×C×H×W.
var chwAxis = [4]int64{0, 2, 3, 1}

// From wraps the output of Node.
func From(name string) *Value { return &Value{plain: name} }

// FromConst wraps a constant.
func FromConst(t *Tensor) *Value { return &Value{Const: t} }

// Elementwise adds an operator that works element by element with
// broadcasting, and keeps pictures in the order they are in.
func (b *Builder) Elementwise(op string, in []*Value, attrs ...Attr) *Value {
	names := make([]string, len(in))
	for i, v := range in {
		if v.Const.alike() { // a scalar is ten times as fast
			in = slices.Clone(in)
			in[i] = FromConst(&Tensor{F32: v.Const.F32[:1]})
		}
	}
	if b.chwNames(in, names) {
		return picture(b.Node(op, names, attrs...))
	}
	for i, v := range in {
		names[i] = b.Plain(v)
	}
	return &Value{plain: b.Node(op, names, attrs...)}
}

// alike says of a constant that it is one number for all channels of a picture.
func (t *Tensor) alike() bool {
	return t != nil && len(t.F32) > 1 && len(t.Shape) == 4 && t.Shape[3] == len(t.F32) && !slices.ContainsFunc(t.F32, func(v float32) bool { return v != t.F32[0] })
}

// chwNames fills names when the operator can and should be done in ONNX order:
// one operand was made in that order, and all the others are there in it or are constants.
func (b *Builder) chwNames(in []*Value, names []string) bool {
	want := false
	for _, v := range in {
		b.force(v)
		if v.Const == nil {
			if v.chw == "" {
				return false
			}
			want = want || v.picture
		} else if r := len(v.Const.Shape); v.Const.Len() != 1 && r != 1 && r != 4 {
			return false
		}
	}
	if !want {
		return false
	}
	for i, v := range in {
		switch {
		case v.Const == nil:
			names[i] = v.chw
		case v.Const.Len() == 1:
			names[i] = b.Plain(v)
		default:
			if v.chw == "" {
				v.chw = b.constant(constCHW(v.Const))
			}
			names[i] = v.chw
		}
	}
	return true
}

// constCHW turns a constant of 1 or 4 dimensions so that it broadcasts over N×C×H×W.
func constCHW(t *Tensor) *Tensor {
	if len(t.Shape) == 1 {
		return &Tensor{Shape: []int{1, t.Shape[0], 1, 1}, F32: t.F32, I32: t.I32}
	}
	return Permute(t, 0, 3, 1, 2)
}

// Permute transposes a constant of four dimensions.
func Permute(t *Tensor, p0, p1, p2, p3 int) *Tensor {
	p, s := [4]int{p0, p1, p2, p3}, t.Shape
	stride := [4]int{s[1] * s[2] * s[3], s[2] * s[3], s[3], 1}
	out := &Tensor{Shape: []int{s[p0], s[p1], s[p2], s[p3]}}
	if t.IsInt() {
		out.I32 = make([]int32, 0, len(t.I32))
	} else {
		out.F32 = make([]float32, 0, len(t.F32))
	}
	for a := range s[p0] {
		for b := range s[p1] {
			for c := range s[p2] {
				for d := range s[p3] {
					k := a*stride[p[0]] + b*stride[p[1]] + c*stride[p[2]] + d*stride[p[3]]
					if t.IsInt() {
						out.I32 = append(out.I32, t.I32[k])
					} else {
						out.F32 = append(out.F32, t.F32[k])
					}
				}
			}
		}
	}
	return out
}

// Activation is what a TensorFlow operator may do to its result.
type Activation int

// Activations.
const (
	NoActivation Activation = iota
	Relu
	Relu6
)

// Activate adds an activation.
func (b *Builder) Activate(v *Value, a Activation) *Value {
	var do func(name string) string
	switch a {
	case Relu:
		do = func(n string) string { return b.Node("Relu", []string{n}) }
	case Relu6:
		do = func(n string) string { return b.Node("Clip", []string{n, b.Scalar(0), b.Scalar(6)}) }
	default:
		return v
	}
	if b.force(v); v.picture {
		return picture(do(v.chw))
	}
	return &Value{plain: do(b.Plain(v))}
}

// Window is how a convolution or pooling moves. Same is TensorFlow's SAME
// padding, which puts the odd pixel at the lower right; otherwise no padding.
type Window struct {
	StrideH, StrideW     int64
	DilationH, DilationW int64
	Same                 bool
}

func (w Window) attrs(kh, kw int64) []Attr {
	a := []Attr{AttrInts("kernel_shape", kh, kw), AttrInts("strides", w.StrideH, w.StrideW)}
	if w.Same {
		a = append(a, AttrString("auto_pad", "SAME_UPPER"))
	}
	if w.DilationH > 1 || w.DilationW > 1 {
		a = append(a, AttrInts("dilations", w.DilationH, w.DilationW))
	}
	return a
}

// Conv adds a convolution. weights are O×I×H×W with I divided by the groups; bias may be nil.
func (b *Builder) Conv(x *Value, weights, bias *Tensor, groups int64, w Window) *Value {
	var pads []Attr
	// Padding that the source graph does beforehand belongs into the
	// convolution: the runtime's fast layout ends at a Pad node.
	if p := x.pads; x.padOf != nil && !w.Same && p[0]|p[1]|p[6]|p[7] == 0 {
		pads = []Attr{AttrInts("pads", int64(p[2]), int64(p[4]), int64(p[3]), int64(p[5]))}
		x = x.padOf
	}
	in := []string{b.CHW(x), b.constant(weights)}
	if bias != nil {
		in = append(in, b.constant(bias))
	}
	s := weights.Shape
	attrs := append(w.attrs(int64(s[2]), int64(s[3])), AttrInt("group", groups))
	return picture(b.Node("Conv", in, append(attrs, pads...)...))
}

// MaxPool adds max pooling.
func (b *Builder) MaxPool(x *Value, kh, kw int64, w Window) *Value {
	return picture(b.Node("MaxPool", []string{b.CHW(x)}, w.attrs(kh, kw)...))
}

// ResizeBilinear adds a bilinear resize with half-pixel centres. size is the
// name of a tensor of two 64-bit integers, height and width.
func (b *Builder) ResizeBilinear(x *Value, size string) *Value {
	in := b.CHW(x)
	head := b.Node("Slice", []string{b.Node("Shape", []string{in}), b.Int64s(0), b.Int64s(2)})
	sizes := b.Node("Concat", []string{head, size}, AttrInt("axis", 0))
	return picture(b.Node("Resize", []string{in, "", "", sizes},
		AttrString("mode", "linear"), AttrString("coordinate_transformation_mode", "half_pixel")))
}

// ScaleBilinear is ResizeBilinear by fixed factors.
func (b *Builder) ScaleBilinear(x *Value, scaleH, scaleW float32) *Value {
	scales := b.constant(&Tensor{Shape: []int{4}, F32: []float32{1, 1, scaleH, scaleW}})
	return picture(b.Node("Resize", []string{b.CHW(x), "", scales},
		AttrString("mode", "linear"), AttrString("coordinate_transformation_mode", "half_pixel")))
}

// Pad adds constant padding; pads holds before and after for each axis of the source graph.
func (b *Builder) Pad(x *Value, pads []int32, value float32) (*Value, error) {
	if len(pads)%2 != 0 {
		return nil, fmt.Errorf("padding of %d numbers", len(pads))
	}
	if len(pads) == 8 && value == 0 && slices.Min(pads) >= 0 {
		return &Value{padOf: x, pads: pads}, nil
	}
	return b.pad(x, pads, value), nil
}

// force makes a padded value.
func (b *Builder) force(v *Value) {
	if v.padOf != nil {
		*v = *b.pad(v.padOf, v.pads, 0)
	}
}

func (b *Builder) pad(x *Value, pads []int32, value float32) *Value {
	b.force(x)
	n := len(pads) / 2
	p := make([]int64, 2*n)
	chw := n == 4 && x.picture
	for i := range n {
		k := i
		if chw {
			k = int(chwAxis[i])
		}
		p[k], p[k+n] = int64(pads[2*i]), int64(pads[2*i+1])
	}
	if chw {
		return picture(b.Node("Pad", []string{x.chw, b.Int64s(p...), b.Scalar(value)}))
	}
	return &Value{plain: b.Node("Pad", []string{b.Plain(x), b.Int64s(p...), b.Scalar(value)})}
}

// Concat joins along an axis of the source graph.
func (b *Builder) Concat(in []*Value, axis int64) *Value {
	chw := true
	for _, v := range in {
		b.force(v)
		chw = chw && v.picture
	}
	names := make([]string, len(in))
	if chw && axis >= -4 && axis < 4 {
		for i, v := range in {
			names[i] = v.chw
		}
		return picture(b.Node("Concat", names, AttrInt("axis", chwAxis[(axis+4)%4])))
	}
	for i, v := range in {
		names[i] = b.Plain(v)
	}
	return &Value{plain: b.Node("Concat", names, AttrInt("axis", axis))}
}

// Transpose permutes the axes of the source graph. The two permutations
// between N×H×W×C and N×C×H×W cost nothing.
func (b *Builder) Transpose(x *Value, perm []int64) *Value {
	if x.padOf != nil && len(perm) == 4 {
		pads := make([]int32, 8)
		for i, k := range perm {
			if k < 0 || k > 3 {
				return &Value{plain: b.Node("Transpose", []string{b.Plain(x)}, AttrInts("perm", perm...))}
			}
			copy(pads[2*i:2*i+2], x.pads[2*k:])
		}
		return &Value{padOf: b.Transpose(x.padOf, perm), pads: pads}
	}
	switch {
	case len(perm) == 4 && perm[0] == 0 && perm[1] == 2 && perm[2] == 3 && perm[3] == 1:
		return picture(b.Plain(x))
	case len(perm) == 4 && perm[0] == 0 && perm[1] == 3 && perm[2] == 1 && perm[3] == 2:
		return &Value{plain: b.CHW(x)}
	}
	return &Value{plain: b.Node("Transpose", []string{b.Plain(x)}, AttrInts("perm", perm...))}
}

// Shape gives the shape of x as a 64-bit tensor.
func (b *Builder) Shape(x *Value) string {
	if b.force(x); x.picture {
		s := b.Node("Shape", []string{x.chw})
		return b.Node("Gather", []string{s, b.Int64s(chwAxis[:]...)}, AttrInt("axis", 0))
	}
	return b.Node("Shape", []string{b.Plain(x)})
}

// Cast changes the element type.
func (b *Builder) Cast(name string, to DType) string {
	return b.Node("Cast", []string{name}, AttrInt("to", int64(to)))
}

// Half turns an IEEE 754 half into a float.
func Half(h uint16) float32 {
	sign := uint32(h&0x8000) << 16
	exp, frac := uint32(h>>10)&0x1f, uint32(h&0x3ff)
	switch {
	case exp == 0x1f: // infinity or not a number
		return math.Float32frombits(sign | 0x7f800000 | frac<<13)
	case exp == 0: // zero or subnormal: frac · 2^-24
		f := float32(frac) * (1.0 / (1 << 24))
		return math.Float32frombits(math.Float32bits(f) | sign)
	}
	return math.Float32frombits(sign | (exp+112)<<23 | frac<<13)
}
