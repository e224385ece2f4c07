// Package tflite reads TensorFlow Lite models and writes them as ONNX. It
// knows the operators that the landmark models use and refuses all others.
//
// The field numbers are those of the TensorFlow Lite schema, version 3.
package tflite

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	flatbuffers "github.com/google/flatbuffers/go"

	"cagebook/models/internal/graph"
)

// maxElements caps a tensor, so that a broken file cannot ask for more memory
// than the largest known one (a few million elements) by a wide margin.
const maxElements = 1 << 26

// Element types.
const (
	typeFloat32 = 0
	typeFloat16 = 1
	typeInt32   = 2
)

// Operators, by their number in the schema.
const (
	opAdd             = 0
	opConv2D          = 3
	opDepthwiseConv2D = 4
	opDequantize      = 6
	opLogistic        = 14
	opMaxPool2D       = 17
	opReshape         = 22
	opResizeBilinear  = 23
	opPad             = 34
)

// model is the one graph of a file.
type model struct {
	tensors         []tensor
	ops             []operator
	inputs, outputs []int
}

type tensor struct {
	name  string
	shape []int
	kind  byte
	data  []byte // nil unless constant
}

type operator struct {
	code    int32
	in, out []int
	options table
}

// table is a flatbuffers table whose fields may be absent.
type table struct {
	t  flatbuffers.Table
	ok bool
}

func (t table) pos(field int) flatbuffers.UOffsetT {
	if !t.ok {
		return 0
	}
	o := flatbuffers.UOffsetT(t.t.Offset(flatbuffers.VOffsetT(4 + 2*field)))
	if o == 0 {
		return 0
	}
	return o + t.t.Pos
}

func (t table) byteAt(field int) byte {
	if p := t.pos(field); p != 0 {
		return t.t.GetByte(p)
	}
	return 0
}

func (t table) int32At(field int, absent int32) int32 {
	if p := t.pos(field); p != 0 {
		return t.t.GetInt32(p)
	}
	return absent
}

func (t table) sub(field int) table {
	p := t.pos(field)
	if p == 0 {
		return table{}
	}
	return table{t: flatbuffers.Table{Bytes: t.t.Bytes, Pos: t.t.Indirect(p)}, ok: true}
}

// vector finds a vector and checks that its n elements of size bytes lie in the file.
func (t table) vector(field, size int) (start flatbuffers.UOffsetT, n int) {
	p := t.pos(field)
	if p == 0 {
		return 0, 0
	}
	p += t.t.GetUOffsetT(p)
	count := t.t.GetUOffsetT(p)
	start = p + flatbuffers.SizeUOffsetT
	if uint64(start)+uint64(count)*uint64(size) > uint64(len(t.t.Bytes)) {
		panic(errTruncated)
	}
	return start, int(count)
}

func (t table) ints(field int) []int {
	start, n := t.vector(field, 4)
	v := make([]int, n)
	for i := range v {
		v[i] = int(t.t.GetInt32(start + flatbuffers.UOffsetT(4*i)))
	}
	return v
}

func (t table) bytes(field int) []byte {
	start, n := t.vector(field, 1)
	return t.t.Bytes[start : start+flatbuffers.UOffsetT(n)]
}

func (t table) tables(field int) []table {
	start, n := t.vector(field, flatbuffers.SizeUOffsetT)
	v := make([]table, n)
	for i := range v {
		p := start + flatbuffers.UOffsetT(flatbuffers.SizeUOffsetT*i)
		v[i] = table{t: flatbuffers.Table{Bytes: t.t.Bytes, Pos: t.t.Indirect(p)}, ok: true}
	}
	return v
}

var errTruncated = errors.New("an offset points outside the file")

// parse reads a file. It may panic: see Convert.
func parse(file []byte) (*model, error) {
	if len(file) < 8 || string(file[4:8]) != "TFL3" {
		return nil, errors.New("not a TensorFlow Lite file")
	}
	root := table{t: flatbuffers.Table{Bytes: file, Pos: flatbuffers.GetUOffsetT(file)}, ok: true}

	var codes []int32
	for _, c := range root.tables(1) {
		// The code outgrew its byte; files hold the larger of the two fields.
		codes = append(codes, max(int32(int8(c.byteAt(0))), c.int32At(3, 0)))
	}
	var buffers [][]byte
	for _, b := range root.tables(4) {
		buffers = append(buffers, b.bytes(0))
	}
	graphs := root.tables(2)
	if len(graphs) != 1 {
		return nil, fmt.Errorf("%d graphs in the file, want 1", len(graphs))
	}
	m := &model{inputs: graphs[0].ints(1), outputs: graphs[0].ints(2)}
	for _, t := range graphs[0].tables(0) {
		x := tensor{name: string(t.bytes(3)), shape: t.ints(0), kind: t.byteAt(1)}
		n := 1
		for _, d := range x.shape {
			if d < 1 || d > maxElements || n > maxElements/d {
				return nil, fmt.Errorf("tensor %q: shape %v", x.name, x.shape)
			}
			n *= d
		}
		k := int(t.int32At(2, 0))
		if k < 0 || k >= len(buffers) {
			return nil, fmt.Errorf("tensor %q: no buffer %d", x.name, k)
		}
		if len(buffers[k]) > 0 {
			x.data = buffers[k]
		}
		m.tensors = append(m.tensors, x)
	}
	for i, o := range graphs[0].tables(3) {
		k := int(o.int32At(0, 0))
		if k < 0 || k >= len(codes) {
			return nil, fmt.Errorf("operator %d: no code %d", i, k)
		}
		m.ops = append(m.ops, operator{code: codes[k], in: o.ints(1), out: o.ints(2), options: o.sub(4)})
	}
	return m, m.check()
}

// check makes sure that every tensor an operator names is there.
func (m *model) check() error {
	in := func(list []int) error {
		for _, k := range list {
			if k < 0 || k >= len(m.tensors) {
				return fmt.Errorf("no tensor %d", k)
			}
		}
		return nil
	}
	for i, o := range m.ops {
		if err := errors.Join(in(o.in), in(o.out)); err != nil {
			return fmt.Errorf("operator %d: %w", i, err)
		}
		if len(o.out) != 1 {
			return fmt.Errorf("operator %d: %d outputs, want 1", i, len(o.out))
		}
	}
	return errors.Join(in(m.inputs), in(m.outputs))
}

// constant decodes the data of a tensor.
func (t *tensor) constant() (*graph.Tensor, error) {
	c := &graph.Tensor{Shape: t.shape}
	n := c.Len()
	size := 4
	if t.kind == typeFloat16 {
		size = 2
	}
	if len(t.data) != n*size {
		return nil, fmt.Errorf("tensor %q: %d bytes for shape %v", t.name, len(t.data), t.shape)
	}
	switch t.kind {
	case typeFloat32:
		c.F32 = make([]float32, n)
		for i := range c.F32 {
			c.F32[i] = math.Float32frombits(binary.LittleEndian.Uint32(t.data[4*i:]))
		}
	case typeFloat16:
		c.F32 = make([]float32, n)
		for i := range c.F32 {
			c.F32[i] = graph.Half(binary.LittleEndian.Uint16(t.data[2*i:]))
		}
	case typeInt32:
		c.I32 = make([]int32, n)
		for i := range c.I32 {
			c.I32[i] = int32(binary.LittleEndian.Uint32(t.data[4*i:]))
		}
	default:
		return nil, fmt.Errorf("tensor %q: element type %d is not known", t.name, t.kind)
	}
	return c, nil
}
