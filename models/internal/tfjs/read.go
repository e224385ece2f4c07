// Package tfjs reads TensorFlow.js graph models and writes them as ONNX. It
// knows the operators that the person and object models use and refuses all
// others.
package tfjs

import (
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"cagebook/models/internal/graph"
)

// maxElements caps a constant, so that a broken file cannot ask for more
// memory than the largest known one by a wide margin.
const maxElements = 1 << 26

// file is what is needed of model.json.
type file struct {
	Format        string `json:"format"`
	ModelTopology struct {
		Node []node `json:"node"`
	} `json:"modelTopology"`
	WeightsManifest []struct {
		Weights []weight `json:"weights"`
	} `json:"weightsManifest"`
}

type node struct {
	Name  string          `json:"name"`
	Op    string          `json:"op"`
	Input []string        `json:"input"`
	Attr  map[string]attr `json:"attr"`
}

// attr is a TensorFlow attribute in JSON: 64-bit integers are strings, bytes base64.
type attr struct {
	I    *string  `json:"i"`
	F    *float64 `json:"f"`
	B    *bool    `json:"b"`
	S    *string  `json:"s"`
	Type *string  `json:"type"`
	List *struct {
		I []string `json:"i"`
		S []string `json:"s"`
	} `json:"list"`
}

type weight struct {
	Name         string `json:"name"`
	Shape        []int  `json:"shape"`
	DType        string `json:"dtype"`
	Quantization *struct {
		DType string `json:"dtype"`
	} `json:"quantization"`
}

// parse reads the graph and its constants.
func parse(model, weights []byte) (nodes []node, constants map[string]*graph.Tensor, err error) {
	var f file
	if err := json.Unmarshal(model, &f); err != nil {
		return nil, nil, fmt.Errorf("damaged TensorFlow.js model: %w", err)
	}
	if f.Format != "graph-model" {
		return nil, nil, fmt.Errorf("not a TensorFlow.js graph model (format %q)", f.Format)
	}
	constants = map[string]*graph.Tensor{}
	for _, group := range f.WeightsManifest {
		for _, w := range group.Weights {
			t, rest, err := w.decode(weights)
			if err != nil {
				return nil, nil, fmt.Errorf("weight %q: %w", w.Name, err)
			}
			constants[w.Name], weights = t, rest
		}
	}
	if len(weights) != 0 {
		return nil, nil, fmt.Errorf("%d bytes of weights too many", len(weights))
	}
	return f.ModelTopology.Node, constants, nil
}

// decode takes one tensor from the head of the weights.
func (w *weight) decode(b []byte) (t *graph.Tensor, rest []byte, err error) {
	n := 1
	for _, d := range w.Shape {
		if d < 0 || d > maxElements || d > 0 && n > maxElements/d {
			return nil, nil, fmt.Errorf("shape %v", w.Shape)
		}
		n *= d
	}
	half := false
	if w.Quantization != nil {
		if half = w.Quantization.DType == "float16"; !half {
			return nil, nil, fmt.Errorf("quantization to %q is not known", w.Quantization.DType)
		}
	}
	size := 4
	if half {
		size = 2
	}
	if n*size > len(b) {
		return nil, nil, errors.New("the weights end too soon")
	}
	t = &graph.Tensor{Shape: w.Shape}
	switch {
	case w.DType == "float32" && half:
		t.F32 = make([]float32, n)
		for i := range t.F32 {
			t.F32[i] = graph.Half(binary.LittleEndian.Uint16(b[2*i:]))
		}
	case w.DType == "float32":
		t.F32 = make([]float32, n)
		for i := range t.F32 {
			t.F32[i] = math.Float32frombits(binary.LittleEndian.Uint32(b[4*i:]))
		}
	case w.DType == "int32" && !half:
		t.I32 = make([]int32, n)
		for i := range t.I32 {
			t.I32[i] = int32(binary.LittleEndian.Uint32(b[4*i:]))
		}
	default:
		return nil, nil, fmt.Errorf("element type %q is not known", w.DType)
	}
	return t, b[n*size:], nil
}

func (n *node) int(name string, absent int64) (int64, error) {
	a, ok := n.Attr[name]
	if !ok || a.I == nil {
		return absent, nil
	}
	v, err := strconv.ParseInt(*a.I, 10, 64)
	if err != nil {
		return 0, fmt.Errorf("attribute %s: %w", name, err)
	}
	return v, nil
}

func (n *node) ints(name string) ([]int64, error) {
	a, ok := n.Attr[name]
	if !ok || a.List == nil {
		return nil, nil
	}
	v := make([]int64, len(a.List.I))
	for i, s := range a.List.I {
		var err error
		if v[i], err = strconv.ParseInt(s, 10, 64); err != nil {
			return nil, fmt.Errorf("attribute %s: %w", name, err)
		}
	}
	return v, nil
}

func (n *node) bool(name string) bool {
	a := n.Attr[name]
	return a.B != nil && *a.B
}

func (n *node) dtype(name string) string {
	if a := n.Attr[name]; a.Type != nil {
		return *a.Type
	}
	return ""
}

func (n *node) string(name string) (string, error) {
	a := n.Attr[name]
	if a.S == nil {
		return "", nil
	}
	b, err := base64.StdEncoding.DecodeString(*a.S)
	return string(b), err
}

func (n *node) strings(name string) ([]string, error) {
	a := n.Attr[name]
	if a.List == nil {
		return nil, nil
	}
	v := make([]string, len(a.List.S))
	for i, s := range a.List.S {
		b, err := base64.StdEncoding.DecodeString(s)
		if err != nil {
			return nil, fmt.Errorf("attribute %s: %w", name, err)
		}
		v[i] = string(b)
	}
	return v, nil
}

// splitRef takes "name:1" apart; the output number is 0 unless written.
func splitRef(ref string) (name string, output int) {
	i := strings.LastIndexByte(ref, ':')
	if i < 0 {
		return ref, 0
	}
	k, err := strconv.Atoi(ref[i+1:])
	if err != nil || k < 0 {
		return ref, 0
	}
	return ref[:i], k
}
