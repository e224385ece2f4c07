// Package graph writes ONNX models. It takes operators the way TensorFlow
// means them (pictures as N×H×W×C) and writes them the way ONNX means them
// (N×C×H×W), with as few transpositions as the graph allows.
package graph

import (
	"encoding/binary"
	"fmt"
	"math"

	"google.golang.org/protobuf/proto"

	"cagebook/models/internal/onnxpb"
)

// Opset is the version of the ONNX operators that Builder writes. 13 has
// every operator needed and is read by every runtime since 2020.
const Opset = 13

// irVersion goes with opset 13 (ONNX 1.8): initializers need not be inputs.
const irVersion = 7

// DType is the element type of a tensor.
type DType int32

// Element types, numbered as in the ONNX schema.
const (
	Float DType = DType(onnxpb.TensorProto_FLOAT)
	Int32 DType = DType(onnxpb.TensorProto_INT32)
	Int64 DType = DType(onnxpb.TensorProto_INT64)
	Bool  DType = DType(onnxpb.TensorProto_BOOL)
)

// Tensor is a constant. Exactly one of F32 and I32 is used; a tensor without
// dimensions is a scalar and holds one element.
type Tensor struct {
	Shape []int
	F32   []float32
	I32   []int32
}

// IsInt says whether the elements are integers.
func (t *Tensor) IsInt() bool { return t.I32 != nil }

// Len is the number of elements that the shape asks for.
func (t *Tensor) Len() int {
	n := 1
	for _, d := range t.Shape {
		n *= d
	}
	return n
}

// Value is a tensor in the graph, named as a constant, as it stands in the
// source graph (plain), or with the channels moved to axis 1 (chw); the
// missing forms are made when somebody asks for them.
type Value struct {
	Const   *Tensor
	plain   string
	chw     string
	picture bool // made in ONNX order: better used in it

	// A value of four dimensions that is another one with zeros around it.
	// It is made only if somebody else than a convolution asks for it.
	padOf *Value
	pads  []int32 // before and after, for each axis of the source graph
}

func picture(name string) *Value { return &Value{chw: name, picture: true} }

// Builder collects the nodes of one model.
type Builder struct {
	g       *onnxpb.GraphProto
	next    int
	scalars map[float32]string
	size    int // bytes of constants so far
	limit   int // and at most
}

// maxConstants caps the constants of a model, bytes: one tensor of a broken
// file may be used by any number of its nodes. The largest model has 55 MB.
const maxConstants = 256 << 20

// New starts a model.
func New(name string) *Builder {
	return &Builder{g: &onnxpb.GraphProto{Name: proto.String(name)}, scalars: map[float32]string{}, limit: maxConstants}
}

// Dim is one dimension of an input or output: a size, or a name when it may vary.
type Dim struct {
	Size int64
	Name string
}

// Input declares an input.
func (b *Builder) Input(name string, t DType, dims ...Dim) *Value {
	b.g.Input = append(b.g.Input, valueInfo(name, t, dims))
	return &Value{plain: name}
}

// Output declares v as the next output.
func (b *Builder) Output(name string, t DType, v *Value, dims ...Dim) {
	b.g.Node = append(b.g.Node, &onnxpb.NodeProto{
		OpType: proto.String("Identity"), Name: proto.String(name),
		Input: []string{b.Plain(v)}, Output: []string{name},
	})
	b.g.Output = append(b.g.Output, valueInfo(name, t, dims))
}

// Marshal gives the bytes of the model file: the same bytes for the same graph.
func (b *Builder) Marshal() ([]byte, error) {
	if b.size > b.limit {
		return nil, fmt.Errorf("more than %d bytes of constants", b.limit)
	}
	m := &onnxpb.ModelProto{
		IrVersion:    proto.Int64(irVersion),
		ProducerName: proto.String("cagebook"),
		OpsetImport:  []*onnxpb.OperatorSetIdProto{{Domain: proto.String(""), Version: proto.Int64(Opset)}},
		Graph:        b.g,
	}
	return proto.MarshalOptions{Deterministic: true}.Marshal(m)
}

// Attr is an attribute of a node.
type Attr = *onnxpb.AttributeProto

// AttrInt makes an integer attribute.
func AttrInt(name string, v int64) Attr {
	return &onnxpb.AttributeProto{Name: &name, Type: onnxpb.AttributeProto_INT.Enum(), I: &v}
}

// AttrInts makes an attribute of several integers.
func AttrInts(name string, v ...int64) Attr {
	return &onnxpb.AttributeProto{Name: &name, Type: onnxpb.AttributeProto_INTS.Enum(), Ints: v}
}

// AttrFloat makes a float attribute.
func AttrFloat(name string, v float32) Attr {
	return &onnxpb.AttributeProto{Name: &name, Type: onnxpb.AttributeProto_FLOAT.Enum(), F: &v}
}

// AttrString makes a string attribute.
func AttrString(name, v string) Attr {
	return &onnxpb.AttributeProto{Name: &name, Type: onnxpb.AttributeProto_STRING.Enum(), S: []byte(v)}
}

// Node adds a node with one output and returns the output's name.
func (b *Builder) Node(op string, in []string, attrs ...Attr) string {
	return b.NodeN(op, 1, in, attrs...)[0]
}

// NodeN adds a node with n outputs and returns their names.
func (b *Builder) NodeN(op string, n int, in []string, attrs ...Attr) []string {
	out := make([]string, n)
	for i := range out {
		out[i] = b.name()
	}
	b.g.Node = append(b.g.Node, &onnxpb.NodeProto{
		OpType: proto.String(op), Name: proto.String("n" + out[0]), Input: in, Output: out, Attribute: attrs,
	})
	return out
}

// Plain is the name of v in the order of the source graph.
func (b *Builder) Plain(v *Value) string {
	b.force(v)
	if v.plain == "" {
		if v.Const != nil {
			v.plain = b.constant(v.Const)
		} else {
			v.plain = b.Node("Transpose", []string{v.chw}, AttrInts("perm", 0, 2, 3, 1))
		}
	}
	return v.plain
}

// CHW is the name of v, a picture N×H×W×C of the source graph, as N×C×H×W.
func (b *Builder) CHW(v *Value) string {
	b.force(v)
	if v.chw == "" {
		v.chw = b.Node("Transpose", []string{b.Plain(v)}, AttrInts("perm", 0, 3, 1, 2))
	}
	return v.chw
}

// Int64s adds a constant of 64-bit integers, one dimension.
func (b *Builder) Int64s(v ...int64) string {
	raw := make([]byte, 0, 8*len(v))
	for _, x := range v {
		raw = binary.LittleEndian.AppendUint64(raw, uint64(x))
	}
	return b.initializer(onnxpb.TensorProto_INT64, []int64{int64(len(v))}, raw)
}

// Scalar adds a float constant without dimensions.
func (b *Builder) Scalar(v float32) string {
	n, ok := b.scalars[v]
	if !ok {
		n = b.constant(&Tensor{F32: []float32{v}})
		b.scalars[v] = n
	}
	return n
}

func (b *Builder) constant(t *Tensor) string {
	dims := make([]int64, len(t.Shape))
	for i, d := range t.Shape {
		dims[i] = int64(d)
	}
	if t.IsInt() {
		raw := make([]byte, 0, 4*len(t.I32))
		for _, x := range t.I32 {
			raw = binary.LittleEndian.AppendUint32(raw, uint32(x))
		}
		return b.initializer(onnxpb.TensorProto_INT32, dims, raw)
	}
	raw := make([]byte, 0, 4*len(t.F32))
	for _, x := range t.F32 {
		raw = binary.LittleEndian.AppendUint32(raw, math.Float32bits(x))
	}
	return b.initializer(onnxpb.TensorProto_FLOAT, dims, raw)
}

func (b *Builder) initializer(t onnxpb.TensorProto_DataType, dims []int64, raw []byte) string {
	name := b.name()
	if b.size += len(raw); b.size > b.limit {
		raw = nil // Marshal says so
	}
	b.g.Initializer = append(b.g.Initializer, &onnxpb.TensorProto{
		Name: &name, DataType: proto.Int32(int32(t)), Dims: dims, RawData: raw,
	})
	return name
}

func (b *Builder) name() string {
	b.next++
	return fmt.Sprintf("t%d", b.next)
}

func valueInfo(name string, t DType, dims []Dim) *onnxpb.ValueInfoProto {
	shape := &onnxpb.TensorShapeProto{}
	for _, d := range dims {
		p := &onnxpb.TensorShapeProto_Dimension{}
		if d.Name != "" {
			p.Value = &onnxpb.TensorShapeProto_Dimension_DimParam{DimParam: d.Name}
		} else {
			p.Value = &onnxpb.TensorShapeProto_Dimension_DimValue{DimValue: d.Size}
		}
		shape.Dim = append(shape.Dim, p)
	}
	return &onnxpb.ValueInfoProto{
		Name: &name,
		Type: &onnxpb.TypeProto{Value: &onnxpb.TypeProto_TensorType{TensorType: &onnxpb.TypeProto_Tensor{
			ElemType: proto.Int32(int32(t)), Shape: shape,
		}}},
	}
}
