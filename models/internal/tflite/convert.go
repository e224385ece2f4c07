package tflite

import (
	"errors"
	"fmt"
	"slices"

	"cagebook/models/internal/graph"
)

// Output names one output of the converted model.
type Output struct {
	Index int // among the outputs of the file
	Name  string
}

// Convert turns a TensorFlow Lite file with one float input [1, ...] into an
// ONNX model with input "input" and the named outputs, in that order. The
// leading dimension of all of them becomes free ("batch"). What feeds only
// outputs that are not named is left out.
func Convert(file []byte, name string, outputs []Output) (converted []byte, err error) {
	// The flatbuffers runtime panics on offsets outside the file.
	defer func() {
		if r := recover(); r != nil {
			converted, err = nil, fmt.Errorf("damaged TensorFlow Lite file: %v", r)
		}
	}()
	m, err := parse(file)
	if err != nil {
		return nil, err
	}
	if len(m.inputs) != 1 || m.tensors[m.inputs[0]].kind != typeFloat32 {
		return nil, errors.New("want one float input")
	}
	c := &converter{m: m, b: graph.New(name), values: map[int]*graph.Value{}}
	in := m.tensors[m.inputs[0]]
	c.values[m.inputs[0]] = c.b.Input("input", graph.Float, dims(in.shape)...)

	wanted := map[int]bool{}
	for _, o := range outputs {
		if o.Index < 0 || o.Index >= len(m.outputs) {
			return nil, fmt.Errorf("no output %d", o.Index)
		}
		wanted[m.outputs[o.Index]] = true
	}
	keep := make([]bool, len(m.ops))
	for i, o := range slices.Backward(m.ops) {
		if wanted[o.out[0]] {
			keep[i] = true
			for _, k := range o.in {
				wanted[k] = true
			}
		}
	}
	for i, o := range m.ops {
		if !keep[i] {
			continue
		}
		v, err := c.operator(o)
		if err != nil {
			return nil, fmt.Errorf("operator %d (code %d): %w", i, o.code, err)
		}
		c.values[o.out[0]] = v
	}
	for _, o := range outputs {
		k := m.outputs[o.Index]
		v, err := c.value(k)
		if err != nil {
			return nil, fmt.Errorf("output %d: %w", o.Index, err)
		}
		c.b.Output(o.Name, graph.Float, v, dims(m.tensors[k].shape)...)
	}
	return c.b.Marshal()
}

// dims declares a shape with a free leading dimension.
func dims(shape []int) []graph.Dim {
	d := make([]graph.Dim, len(shape))
	for i, n := range shape {
		d[i].Size = int64(n)
	}
	if len(d) > 0 {
		d[0] = graph.Dim{Name: "batch"}
	}
	return d
}

type converter struct {
	m      *model
	b      *graph.Builder
	values map[int]*graph.Value
}

// value is what has been made of tensor k, or its constant.
func (c *converter) value(k int) (*graph.Value, error) {
	if v, ok := c.values[k]; ok {
		return v, nil
	}
	if c.m.tensors[k].data == nil {
		return nil, fmt.Errorf("tensor %q is used before it is made", c.m.tensors[k].name)
	}
	t, err := c.m.tensors[k].constant()
	if err != nil {
		return nil, err
	}
	v := graph.FromConst(t)
	c.values[k] = v
	return v, nil
}

func (c *converter) operator(o operator) (*graph.Value, error) {
	arity := map[int32][2]int{
		opAdd: {2, 2}, opConv2D: {2, 3}, opDepthwiseConv2D: {2, 3}, opDequantize: {1, 1}, opLogistic: {1, 1},
		opMaxPool2D: {1, 1}, opReshape: {1, 2}, opResizeBilinear: {2, 2}, opPad: {2, 2},
	}
	n, ok := arity[o.code]
	if !ok {
		return nil, errors.New("this operator is not known")
	}
	if len(o.in) < n[0] || len(o.in) > n[1] {
		return nil, fmt.Errorf("%d inputs", len(o.in))
	}
	in := make([]*graph.Value, len(o.in))
	for i, k := range o.in {
		v, err := c.value(k)
		if err != nil {
			return nil, err
		}
		in[i] = v
	}
	switch o.code {
	case opAdd:
		return c.activate(c.b.Elementwise("Add", in), o.options.byteAt(0))
	case opConv2D:
		return c.conv(o, in, false)
	case opDepthwiseConv2D:
		return c.conv(o, in, true)
	case opDequantize:
		if in[0].Const == nil || in[0].Const.IsInt() {
			return nil, errors.New("only half-precision constants can be widened")
		}
		return in[0], nil
	case opLogistic:
		return c.b.Elementwise("Sigmoid", in), nil
	case opMaxPool2D:
		w, err := window(o.options, 0, 0)
		if err != nil {
			return nil, err
		}
		kw, kh := o.options.int32At(3, 0), o.options.int32At(4, 0)
		if kw < 1 || kh < 1 {
			return nil, fmt.Errorf("filter %d×%d", kh, kw)
		}
		return c.activate(c.b.MaxPool(in[0], int64(kh), int64(kw), w), o.options.byteAt(5))
	case opReshape:
		return c.reshape(o, in)
	case opResizeBilinear:
		return c.resize(o, in)
	default: // opPad
		if in[1].Const == nil || !in[1].Const.IsInt() || len(in[1].Const.I32) != 2*len(c.m.tensors[o.in[0]].shape) {
			return nil, errors.New("padding is not a constant that fits")
		}
		return c.b.Pad(in[0], in[1].Const.I32, 0)
	}
}

func (c *converter) activate(v *graph.Value, code byte) (*graph.Value, error) {
	switch code {
	case 0:
		return v, nil
	case 1:
		return c.b.Activate(v, graph.Relu), nil
	case 3:
		return c.b.Activate(v, graph.Relu6), nil
	}
	return nil, fmt.Errorf("activation %d is not known", code)
}

// window reads padding and strides, which all window operators have in the
// same fields, and the dilation from the fields given (0 = has none).
func window(t table, dilationW, dilationH int) (graph.Window, error) {
	w := graph.Window{
		Same: t.byteAt(0) == 0, StrideW: int64(t.int32At(1, 0)), StrideH: int64(t.int32At(2, 0)),
		DilationW: 1, DilationH: 1,
	}
	if dilationW != 0 {
		w.DilationW, w.DilationH = int64(t.int32At(dilationW, 1)), int64(t.int32At(dilationH, 1))
	}
	if t.byteAt(0) > 1 || w.StrideW < 1 || w.StrideH < 1 || w.DilationW < 1 || w.DilationH < 1 {
		return w, fmt.Errorf("padding %d, strides %d×%d, dilation %d×%d", t.byteAt(0), w.StrideH, w.StrideW, w.DilationH, w.DilationW)
	}
	return w, nil
}

func (c *converter) conv(o operator, in []*graph.Value, depthwise bool) (*graph.Value, error) {
	weights := in[1].Const
	if weights == nil || weights.IsInt() || len(weights.Shape) != 4 {
		return nil, errors.New("weights are not a constant of four dimensions")
	}
	var bias *graph.Tensor
	if len(in) == 3 {
		if bias = in[2].Const; bias == nil || bias.IsInt() {
			return nil, errors.New("bias is not a constant")
		}
	}
	shape := c.m.tensors[o.in[0]].shape
	if len(shape) != 4 {
		return nil, fmt.Errorf("input of shape %v", shape)
	}
	act, dilationW := 3, 4
	if depthwise {
		act, dilationW = 4, 5
	}
	w, err := window(o.options, dilationW, dilationW+1)
	if err != nil {
		return nil, err
	}
	groups := 1
	if depthwise { // 1×H×W×C, C counted over all groups
		groups = shape[3]
		if weights.Shape[0] != 1 || weights.Shape[3]%groups != 0 {
			return nil, fmt.Errorf("weights of shape %v for %d channels", weights.Shape, groups)
		}
		weights = graph.Permute(weights, 3, 0, 1, 2)
	} else { // O×H×W×I
		if weights.Shape[3] != shape[3] {
			return nil, fmt.Errorf("weights of shape %v for %d channels", weights.Shape, shape[3])
		}
		weights = graph.Permute(weights, 0, 3, 1, 2)
	}
	if bias != nil && bias.Len() != weights.Shape[0] {
		return nil, fmt.Errorf("bias of shape %v for %d channels", bias.Shape, weights.Shape[0])
	}
	return c.activate(c.b.Conv(in[0], weights, bias, int64(groups), w), o.options.byteAt(act))
}

// reshape goes through the order of the file, and frees the leading
// dimension: [1, a, b] becomes [-1, a, b].
func (c *converter) reshape(o operator, in []*graph.Value) (*graph.Value, error) {
	from, to := c.m.tensors[o.in[0]].shape, c.m.tensors[o.out[0]].shape
	if len(from) == 0 || len(to) == 0 || from[0] != 1 || to[0] != 1 {
		return nil, fmt.Errorf("reshape from %v to %v would mix the pictures of a batch", from, to)
	}
	shape := make([]int64, len(to))
	for i, d := range to {
		shape[i] = int64(d)
	}
	shape[0] = -1
	return graph.From(c.b.Node("Reshape", []string{c.b.Plain(in[0]), c.b.Int64s(shape...)})), nil
}

func (c *converter) resize(o operator, in []*graph.Value) (*graph.Value, error) {
	from := c.m.tensors[o.in[0]].shape
	size := in[1].Const
	if size == nil || len(size.I32) != 2 || len(from) != 4 {
		return nil, errors.New("the size is not a constant")
	}
	if o.options.byteAt(2) != 0 || o.options.byteAt(3) != 1 {
		return nil, errors.New("only half-pixel centres are known")
	}
	h, w := int(size.I32[0]), int(size.I32[1])
	if h > 0 && w > 0 && h%from[1] == 0 && w%from[2] == 0 {
		return c.b.ScaleBilinear(in[0], float32(h/from[1]), float32(w/from[2])), nil
	}
	return c.b.ResizeBilinear(in[0], c.b.Int64s(int64(h), int64(w))), nil
}
