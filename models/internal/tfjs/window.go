package tfjs

import (
	"errors"
	"fmt"

	"cagebook/models/internal/graph"
)

// window reads strides, dilations and padding of an operator on N×H×W×C.
func window(n *node) (graph.Window, error) {
	w := graph.Window{StrideH: 1, StrideW: 1, DilationH: 1, DilationW: 1}
	format, err := n.string("data_format")
	if err != nil {
		return w, err
	}
	if format != "" && format != "NHWC" {
		return w, fmt.Errorf("data format %q is not known", format)
	}
	for name, hw := range map[string][2]*int64{"strides": {&w.StrideH, &w.StrideW}, "dilations": {&w.DilationH, &w.DilationW}} {
		v, err := n.ints(name)
		if err != nil {
			return w, err
		}
		if v == nil {
			continue
		}
		if len(v) != 4 || v[0] != 1 || v[3] != 1 || v[1] < 1 || v[2] < 1 {
			return w, fmt.Errorf("%s %v", name, v)
		}
		*hw[0], *hw[1] = v[1], v[2]
	}
	padding, err := n.string("padding")
	if err != nil {
		return w, err
	}
	if padding != "SAME" && padding != "VALID" {
		return w, fmt.Errorf("padding %q is not known", padding)
	}
	w.Same = padding == "SAME"
	return w, nil
}

// conv writes plain and depthwise convolutions, with the bias and activation
// that TensorFlow may have fused into them.
func conv(c *converter, n *node, in []*graph.Value) ([]*graph.Value, error) {
	weights := in[1].Const
	if weights == nil || weights.IsInt() || len(weights.Shape) != 4 {
		return nil, errors.New("weights are not a constant of four dimensions")
	}
	w, err := window(n)
	if err != nil {
		return nil, err
	}
	groups := int64(1)
	if n.Op == "DepthwiseConv2dNative" || n.Op == "FusedDepthwiseConv2dNative" {
		// H×W×C×M: output channel c·M + m comes from input channel c.
		s := weights.Shape
		groups = int64(s[2])
		p := graph.Permute(weights, 2, 3, 0, 1)
		weights = &graph.Tensor{Shape: []int{s[2] * s[3], 1, s[0], s[1]}, F32: p.F32}
	} else { // H×W×I×O
		weights = graph.Permute(weights, 3, 2, 0, 1)
	}
	fused, err := n.strings("fused_ops")
	if err != nil {
		return nil, err
	}
	var bias *graph.Tensor
	extra := in[2:]
	if len(fused) > 0 && fused[0] == "BiasAdd" {
		if len(extra) == 0 || extra[0].Const == nil || extra[0].Const.IsInt() || extra[0].Const.Len() != weights.Shape[0] {
			return nil, errors.New("the bias is not a constant that fits")
		}
		bias = extra[0].Const
		extra, fused = extra[1:], fused[1:]
	}
	if len(extra) > 0 {
		return nil, fmt.Errorf("%d operands too many", len(extra))
	}
	v := c.b.Conv(in[0], weights, bias, groups, w)
	for _, f := range fused {
		switch f {
		case "Relu":
			v = c.b.Activate(v, graph.Relu)
		case "Relu6":
			v = c.b.Activate(v, graph.Relu6)
		default:
			return nil, fmt.Errorf("fused %q is not known", f)
		}
	}
	return one(v)
}

func maxPool(c *converter, n *node, in []*graph.Value) ([]*graph.Value, error) {
	w, err := window(n)
	if err != nil {
		return nil, err
	}
	k, err := n.ints("ksize")
	if err != nil {
		return nil, err
	}
	if len(k) != 4 || k[0] != 1 || k[3] != 1 || k[1] < 1 || k[2] < 1 {
		return nil, fmt.Errorf("filter %v", k)
	}
	return one(c.b.MaxPool(in[0], k[1], k[2], w))
}

func resizeBilinear(c *converter, n *node, in []*graph.Value) ([]*graph.Value, error) {
	if n.bool("align_corners") || !n.bool("half_pixel_centers") {
		return nil, errors.New("only half-pixel centres are known")
	}
	return one(c.b.ResizeBilinear(in[0], c.int64s(in[1])))
}
