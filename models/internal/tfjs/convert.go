package tfjs

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"cagebook/models/internal/graph"
)

// Port names an input or output of the graph and what it becomes.
type Port struct {
	Node  string // in the graph, as "name" or "name:1"
	Name  string // in the converted model
	DType graph.DType
	Dims  []graph.Dim
}

// Convert turns model.json and its weights into an ONNX model with the given
// inputs and outputs, in that order. What feeds no output is left out.
func Convert(model, weights []byte, name string, inputs, outputs []Port) ([]byte, error) {
	nodes, constants, err := parse(model, weights)
	if err != nil {
		return nil, err
	}
	c := &converter{b: graph.New(name), nodes: map[string]*node{}, constants: constants, values: map[string][]*graph.Value{}}
	for i := range nodes {
		c.nodes[nodes[i].Name] = &nodes[i]
	}
	for _, p := range inputs {
		if n := c.nodes[p.Node]; n == nil || n.Op != "Placeholder" {
			return nil, fmt.Errorf("no input %q", p.Node)
		}
		c.values[p.Node] = []*graph.Value{c.b.Input(p.Name, p.DType, p.Dims...)}
	}
	for _, p := range outputs {
		v, err := c.value(p.Node)
		if err != nil {
			return nil, fmt.Errorf("output %q: %w", p.Node, err)
		}
		c.b.Output(p.Name, p.DType, v, p.Dims...)
	}
	return c.b.Marshal()
}

type converter struct {
	b         *graph.Builder
	nodes     map[string]*node
	constants map[string]*graph.Tensor
	values    map[string][]*graph.Value // by node; nil while the node's inputs are being made
}

// value makes everything that ref needs, then ref. The walk keeps its own
// stack: the depth of a broken file must not become that of the program.
func (c *converter) value(ref string) (*graph.Value, error) {
	root, _ := splitRef(ref)
	for stack := []string{root}; len(stack) > 0; {
		name := stack[len(stack)-1]
		if v, ok := c.values[name]; ok && v != nil {
			stack = stack[:len(stack)-1]
			continue
		}
		n := c.nodes[name]
		if n == nil {
			return nil, fmt.Errorf("no node %q", name)
		}
		_, entered := c.values[name]
		c.values[name] = nil
		ready := true
		for _, in := range n.Input {
			if strings.HasPrefix(in, "^") { // control input: only order, no value
				continue
			}
			dep, _ := splitRef(in)
			if v, ok := c.values[dep]; !ok || v == nil {
				if entered {
					return nil, fmt.Errorf("node %q depends on itself", name)
				}
				stack = append(stack, dep)
				ready = false
			}
		}
		if !ready {
			continue
		}
		out, err := c.node(n)
		if err != nil {
			return nil, fmt.Errorf("node %q (%s): %w", n.Name, n.Op, err)
		}
		c.values[name] = out
		stack = stack[:len(stack)-1]
	}
	return c.made(ref)
}

// made looks up an output of a node that has been converted.
func (c *converter) made(ref string) (*graph.Value, error) {
	name, k := splitRef(ref)
	if k >= len(c.values[name]) {
		return nil, fmt.Errorf("no output %q", ref)
	}
	return c.values[name][k], nil
}

func (c *converter) node(n *node) ([]*graph.Value, error) {
	if n.Op == "Const" {
		t := c.constants[n.Name]
		if t == nil {
			return nil, errors.New("its value is missing")
		}
		return []*graph.Value{graph.FromConst(t)}, nil
	}
	var in []*graph.Value
	for _, ref := range n.Input {
		if strings.HasPrefix(ref, "^") {
			continue
		}
		v, err := c.made(ref)
		if err != nil {
			return nil, err
		}
		in = append(in, v)
	}
	if t := fold(n.Op, in); t != nil {
		return []*graph.Value{graph.FromConst(t)}, nil
	}
	op, ok := operators[n.Op]
	if !ok {
		return nil, errors.New("this operator is not known")
	}
	if len(in) < op.inputs || op.exact && len(in) != op.inputs {
		return nil, fmt.Errorf("%d inputs", len(in))
	}
	return op.make(c, n, in)
}

// fold computes what stands for the shape of a reshape: a sparse constant
// without entries, and the sum of two integer constants.
func fold(op string, in []*graph.Value) *graph.Tensor {
	for _, v := range in {
		if v.Const == nil || !v.Const.IsInt() {
			return nil
		}
	}
	switch op {
	case "SparseToDense": // indices, shape, values, default
		if len(in) != 4 || len(in[0].Const.I32) != 0 || len(in[1].Const.I32) != 1 || len(in[3].Const.I32) != 1 {
			return nil
		}
		n := in[1].Const.I32[0]
		if n < 0 || n > 16 { // it is a shape: longer ones do not occur
			return nil
		}
		return &graph.Tensor{Shape: []int{int(n)}, I32: slices.Repeat(in[3].Const.I32, int(n))}
	case "Add", "AddV2":
		if len(in) != 2 {
			return nil
		}
		a, b := in[0].Const, in[1].Const
		if !slices.Equal(a.Shape, b.Shape) {
			return nil
		}
		sum := &graph.Tensor{Shape: a.Shape, I32: slices.Clone(a.I32)}
		for i := range sum.I32 {
			sum.I32[i] += b.I32[i]
		}
		return sum
	}
	return nil
}

func one(v *graph.Value) ([]*graph.Value, error) { return []*graph.Value{v}, nil }

func plain(name string) ([]*graph.Value, error) { return one(graph.From(name)) }

// constInts reads an integer operand that must be constant.
func constInts(v *graph.Value) ([]int64, error) {
	if v.Const == nil || !v.Const.IsInt() {
		return nil, errors.New("an operand that must be a constant integer is not")
	}
	out := make([]int64, len(v.Const.I32))
	for i, x := range v.Const.I32 {
		out[i] = int64(x)
	}
	return out, nil
}

func constInt(v *graph.Value) (int64, error) {
	x, err := constInts(v)
	if err != nil {
		return 0, err
	}
	if len(x) != 1 {
		return 0, fmt.Errorf("%d numbers where one is wanted", len(x))
	}
	return x[0], nil
}

// int64s is an integer operand, constant or not, as ONNX wants shapes and indices.
func (c *converter) int64s(v *graph.Value) string {
	if x, err := constInts(v); err == nil && len(v.Const.Shape) == 1 {
		return c.b.Int64s(x...)
	}
	return c.b.Cast(c.b.Plain(v), graph.Int64)
}
