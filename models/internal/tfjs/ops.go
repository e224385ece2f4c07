package tfjs

import (
	"errors"
	"fmt"
	"math"

	"cagebook/models/internal/graph"
)

// operator says how many operands an operator needs at least (or exactly) and how it is written.
type operator struct {
	inputs int
	exact  bool
	make   func(c *converter, n *node, in []*graph.Value) ([]*graph.Value, error)
}

// elementwise is an operator that ONNX has under another name, or the same.
func elementwise(inputs int, name string) operator {
	return operator{inputs, true, func(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
		return one(c.b.Elementwise(name, in))
	}}
}

var operators map[string]operator

func init() { // not a literal: some of the functions refer back to the map's users
	operators = map[string]operator{
		"Add": elementwise(2, "Add"), "AddV2": elementwise(2, "Add"), "Sub": elementwise(2, "Sub"),
		"Mul": elementwise(2, "Mul"), "RealDiv": elementwise(2, "Div"),
		"Minimum": elementwise(2, "Min"), "Maximum": elementwise(2, "Max"),
		"Less": elementwise(2, "Less"), "Greater": elementwise(2, "Greater"), "GreaterEqual": elementwise(2, "GreaterOrEqual"),
		"Equal": elementwise(2, "Equal"), "LogicalAnd": elementwise(2, "And"),
		"Abs": elementwise(1, "Abs"), "Exp": elementwise(1, "Exp"), "Sqrt": elementwise(1, "Sqrt"),
		"Sigmoid": elementwise(1, "Sigmoid"), "Reciprocal": elementwise(1, "Reciprocal"),
		"Select": elementwise(3, "Where"), // same shapes; the old form with a vector of conditions does not occur

		"Identity": {1, true, func(_ *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) { return one(in[0]) }},
		"AddN": {1, false, func(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
			return one(c.b.Elementwise("Sum", in))
		}},
		"SquaredDifference": {2, true, func(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
			d := c.b.Elementwise("Sub", in)
			return one(c.b.Elementwise("Mul", []*graph.Value{d, d}))
		}},
		"LeakyRelu": {1, true, func(c *converter, n *node, in []*graph.Value) ([]*graph.Value, error) {
			alpha := 0.2 // TensorFlow's default
			if a := n.Attr["alpha"]; a.F != nil {
				alpha = *a.F
			}
			return one(c.b.Elementwise("LeakyRelu", in, graph.AttrFloat("alpha", float32(alpha))))
		}},

		"Cast": {1, true, cast}, "FloorDiv": {2, true, floorDiv},
		"Shape": {1, true, func(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
			return plain(c.b.Cast(c.b.Shape(in[0]), graph.Int32))
		}},
		"Size": {1, true, func(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
			return plain(c.b.Cast(c.b.Node("Size", []string{c.b.Plain(in[0])}), graph.Int32))
		}},
		"Reshape": {2, true, func(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
			return plain(c.b.Node("Reshape", []string{c.b.Plain(in[0]), c.int64s(in[1])}))
		}},
		"Fill": {2, true, func(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
			return plain(c.b.Node("Expand", []string{c.b.Plain(in[1]), c.int64s(in[0])}))
		}},
		"Tile": {2, true, func(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
			return plain(c.b.Node("Tile", []string{c.b.Plain(in[0]), c.int64s(in[1])}))
		}},
		"Range": {3, true, func(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
			return plain(c.b.Node("Range", []string{c.b.Plain(in[0]), c.b.Plain(in[1]), c.b.Plain(in[2])}))
		}},
		"GatherNd": {2, true, func(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
			return plain(c.b.Node("GatherND", []string{c.b.Plain(in[0]), c.b.Cast(c.b.Plain(in[1]), graph.Int64)}))
		}},
		"ExpandDims": {2, true, func(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
			axis, err := constInt(in[1])
			if err != nil {
				return nil, err
			}
			return plain(c.b.Node("Unsqueeze", []string{c.b.Plain(in[0]), c.b.Int64s(axis)}))
		}},
		"Squeeze": {1, true, squeeze}, "Pack": {1, false, pack}, "Unpack": {1, true, unpack},
		"ConcatV2": {2, false, concat}, "Split": {2, true, split}, "SplitV": {3, true, splitV},
		"Transpose": {2, true, func(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
			perm, err := constInts(in[1])
			if err != nil {
				return nil, err
			}
			return one(c.b.Transpose(in[0], perm))
		}},
		"StridedSlice": {4, true, stridedSlice},

		"Max": {2, true, reduceMax}, "Sum": {2, true, reduceSum}, "ArgMax": {2, true, argMax}, "TopKV2": {2, true, topK},

		"Pad": {2, true, pad}, "PadV2": {3, true, pad},
		"Conv2D": {2, true, conv}, "_FusedConv2D": {2, false, conv},
		"DepthwiseConv2dNative": {2, true, conv}, "FusedDepthwiseConv2dNative": {2, false, conv},
		"MaxPool": {1, true, maxPool}, "ResizeBilinear": {2, true, resizeBilinear},
	}
}

func dtype(name string) (graph.DType, error) {
	switch name {
	case "DT_FLOAT":
		return graph.Float, nil
	case "DT_INT32", "DT_INT64": // TensorFlow.js knows 32-bit integers only
		return graph.Int32, nil
	case "DT_BOOL":
		return graph.Bool, nil
	}
	return 0, fmt.Errorf("element type %q is not known", name)
}

func cast(c *converter, n *node, in []*graph.Value) ([]*graph.Value, error) {
	to, err := dtype(n.dtype("DstT"))
	if err != nil {
		return nil, err
	}
	return one(c.b.Elementwise("Cast", in, graph.AttrInt("to", int64(to))))
}

// floorDiv rounds down where ONNX's integer division rounds towards zero:
// (a − (a mod b)) / b, with ONNX's integer modulus that has the sign of b.
func floorDiv(c *converter, n *node, in []*graph.Value) ([]*graph.Value, error) {
	t, err := dtype(n.dtype("T"))
	if err != nil {
		return nil, err
	}
	if t == graph.Float {
		return one(c.b.Elementwise("Floor", []*graph.Value{c.b.Elementwise("Div", in)}))
	}
	whole := c.b.Elementwise("Sub", []*graph.Value{in[0], c.b.Elementwise("Mod", in)})
	return one(c.b.Elementwise("Div", []*graph.Value{whole, in[1]}))
}

func squeeze(c *converter, n *node, in []*graph.Value) ([]*graph.Value, error) {
	axes, err := n.ints("squeeze_dims")
	if err != nil {
		return nil, err
	}
	if len(axes) == 0 {
		return nil, errors.New("the axes are not named")
	}
	return plain(c.b.Node("Squeeze", []string{c.b.Plain(in[0]), c.b.Int64s(axes...)}))
}

func pack(c *converter, n *node, in []*graph.Value) ([]*graph.Value, error) {
	axis, err := n.int("axis", 0)
	if err != nil {
		return nil, err
	}
	names := make([]string, len(in))
	for i, v := range in {
		names[i] = c.b.Node("Unsqueeze", []string{c.b.Plain(v), c.b.Int64s(axis)})
	}
	return plain(c.b.Node("Concat", names, graph.AttrInt("axis", axis)))
}

// maxParts caps how many outputs one node may have in a file.
const maxParts = 1024

func unpack(c *converter, n *node, in []*graph.Value) ([]*graph.Value, error) {
	axis, err := n.int("axis", 0)
	if err != nil {
		return nil, err
	}
	num, err := n.int("num", 0)
	if err != nil {
		return nil, err
	}
	if num < 1 || num > maxParts {
		return nil, fmt.Errorf("%d parts", num)
	}
	out := make([]*graph.Value, num)
	for i, part := range c.b.NodeN("Split", int(num), []string{c.b.Plain(in[0])}, graph.AttrInt("axis", axis)) {
		out[i] = graph.From(c.b.Node("Squeeze", []string{part, c.b.Int64s(axis)}))
	}
	return out, nil
}

func concat(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
	last := len(in) - 1
	axis, err := constInt(in[last])
	if err != nil {
		return nil, err
	}
	return one(c.b.Concat(in[:last], axis))
}

func split(c *converter, n *node, in []*graph.Value) ([]*graph.Value, error) {
	axis, err := constInt(in[0])
	if err != nil {
		return nil, err
	}
	num, err := n.int("num_split", 0)
	if err != nil {
		return nil, err
	}
	if num < 1 || num > maxParts {
		return nil, fmt.Errorf("%d parts", num)
	}
	return values(c.b.NodeN("Split", int(num), []string{c.b.Plain(in[1])}, graph.AttrInt("axis", axis))), nil
}

func splitV(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
	sizes, err := constInts(in[1])
	if err != nil {
		return nil, err
	}
	axis, err := constInt(in[2])
	if err != nil {
		return nil, err
	}
	if len(sizes) < 1 || len(sizes) > maxParts {
		return nil, fmt.Errorf("%d parts", len(sizes))
	}
	return values(c.b.NodeN("Split", len(sizes), []string{c.b.Plain(in[0]), c.b.Int64s(sizes...)}, graph.AttrInt("axis", axis))), nil
}

func values(names []string) []*graph.Value {
	out := make([]*graph.Value, len(names))
	for i, s := range names {
		out[i] = graph.From(s)
	}
	return out
}

// stridedSlice writes TensorFlow's slice with its masks. Bit i of a mask
// concerns entry i of begin, end and stride: a new axis takes no axis of the
// input; begin and end masks mean "from the start" and "to the end"; a shrunk
// axis takes one element and goes.
func stridedSlice(c *converter, n *node, in []*graph.Value) ([]*graph.Value, error) {
	var mask struct{ begin, end, ellipsis, newAxis, shrink int64 }
	for name, m := range map[string]*int64{
		"begin_mask": &mask.begin, "end_mask": &mask.end, "ellipsis_mask": &mask.ellipsis,
		"new_axis_mask": &mask.newAxis, "shrink_axis_mask": &mask.shrink,
	} {
		var err error
		if *m, err = n.int(name, 0); err != nil {
			return nil, err
		}
	}
	if mask.ellipsis != 0 {
		return nil, errors.New("an ellipsis is not known")
	}
	begin, err1 := constInts(in[1])
	end, err2 := constInts(in[2])
	stride, err3 := constInts(in[3])
	if err := errors.Join(err1, err2, err3); err != nil {
		return nil, err
	}
	if len(end) != len(begin) || len(stride) != len(begin) {
		return nil, errors.New("begin, end and stride differ in length")
	}
	var starts, ends, axes, steps, shrunk, added []int64
	axis, outAxis := int64(0), int64(0)
	for i := range begin {
		bit := int64(1) << i
		if mask.newAxis&bit != 0 {
			added = append(added, outAxis)
			outAxis++
			continue
		}
		s, e, step := begin[i], end[i], stride[i]
		if step < 1 {
			return nil, fmt.Errorf("stride %d is not known", step)
		}
		if mask.shrink&bit != 0 {
			if e = s + 1; e == 0 { // the last element
				e = math.MaxInt64
			}
			shrunk = append(shrunk, axis)
			step = 1
		} else {
			if mask.begin&bit != 0 {
				s = 0
			}
			if mask.end&bit != 0 {
				e = math.MaxInt64
			}
			outAxis++
		}
		if s != 0 || e != math.MaxInt64 || step != 1 {
			starts, ends, axes, steps = append(starts, s), append(ends, e), append(axes, axis), append(steps, step)
		}
		axis++
	}
	name := c.b.Plain(in[0])
	if len(axes) > 0 {
		name = c.b.Node("Slice", []string{name, c.b.Int64s(starts...), c.b.Int64s(ends...), c.b.Int64s(axes...), c.b.Int64s(steps...)})
	}
	if len(shrunk) > 0 {
		name = c.b.Node("Squeeze", []string{name, c.b.Int64s(shrunk...)})
	}
	if len(added) > 0 {
		name = c.b.Node("Unsqueeze", []string{name, c.b.Int64s(added...)})
	}
	return plain(name)
}

func keepDims(n *node) graph.Attr {
	if n.bool("keep_dims") {
		return graph.AttrInt("keepdims", 1)
	}
	return graph.AttrInt("keepdims", 0)
}

func reduceMax(c *converter, n *node, in []*graph.Value) ([]*graph.Value, error) {
	axes, err := constInts(in[1])
	if err != nil {
		return nil, err
	}
	return plain(c.b.Node("ReduceMax", []string{c.b.Plain(in[0])}, graph.AttrInts("axes", axes...), keepDims(n)))
}

func reduceSum(c *converter, n *node, in []*graph.Value) ([]*graph.Value, error) {
	axes, err := constInts(in[1])
	if err != nil {
		return nil, err
	}
	return plain(c.b.Node("ReduceSum", []string{c.b.Plain(in[0]), c.b.Int64s(axes...)}, keepDims(n)))
}

func argMax(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
	axis, err := constInt(in[1])
	if err != nil {
		return nil, err
	}
	k := c.b.Node("ArgMax", []string{c.b.Plain(in[0])}, graph.AttrInt("axis", axis), graph.AttrInt("keepdims", 0))
	return plain(c.b.Cast(k, graph.Int32))
}

func topK(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
	k, err := constInt(in[1])
	if err != nil {
		return nil, err
	}
	out := c.b.NodeN("TopK", 2, []string{c.b.Plain(in[0]), c.b.Int64s(k)}, graph.AttrInt("axis", -1))
	return []*graph.Value{graph.From(out[0]), graph.From(c.b.Cast(out[1], graph.Int32))}, nil
}

func pad(c *converter, _ *node, in []*graph.Value) ([]*graph.Value, error) {
	if in[1].Const == nil || !in[1].Const.IsInt() {
		return nil, errors.New("the padding is not constant")
	}
	value := float32(0)
	if len(in) == 3 {
		if in[2].Const == nil || len(in[2].Const.F32) != 1 {
			return nil, errors.New("the padding value is not a constant number")
		}
		value = in[2].Const.F32[0]
	}
	v, err := c.b.Pad(in[0], in[1].Const.I32, value)
	if err != nil {
		return nil, err
	}
	return one(v)
}
