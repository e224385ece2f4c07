package tfjs

import (
	"bytes"
	"strings"
	"testing"

	"cagebook/models/internal/graph"
)

// small is a graph model: y = sum of the two halves of x · c (c half
// precision), its second half through a slice with a new and a shrunk axis.
const small = `{"format":"graph-model","modelTopology":{"node":[
{"name":"x","op":"Placeholder","attr":{"dtype":{"type":"DT_FLOAT"}}},
{"name":"c","op":"Const"},{"name":"axis","op":"Const"},{"name":"b","op":"Const"},{"name":"e","op":"Const"},{"name":"s","op":"Const"},
{"name":"m","op":"Mul","input":["x","c"]},
{"name":"p","op":"Split","input":["axis","m"],"attr":{"num_split":{"i":"2"}}},
{"name":"n","op":"StridedSlice","input":["p:1","b","e","s"],"attr":{"new_axis_mask":{"i":"1"},"shrink_axis_mask":{"i":"2"}}},
{"name":"y","op":"AddV2","input":["p","n","^m"]}]},
"weightsManifest":[{"paths":["w.bin"],"weights":[
{"name":"c","shape":[2],"dtype":"float32","quantization":{"dtype":"float16"}},
{"name":"axis","shape":[],"dtype":"int32"},{"name":"b","shape":[2],"dtype":"int32"},{"name":"e","shape":[2],"dtype":"int32"},{"name":"s","shape":[2],"dtype":"int32"}]}]}`

var smallWeights = []byte{
	0, 0x3c, 0, 0x40, // 1 and 2
	0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0,
}

var (
	smallIn  = []Port{{"x", "input", graph.Float, []graph.Dim{{Size: 2}, {Size: 2}}}}
	smallOut = []Port{{"y", "output", graph.Float, []graph.Dim{{Size: 1}, {Size: 2}}}}
)

func TestConvert(t *testing.T) {
	one, err := Convert([]byte(small), smallWeights, "m", smallIn, smallOut)
	if err != nil {
		t.Fatal(err)
	}
	two, err := Convert([]byte(small), smallWeights, "m", smallIn, smallOut)
	if err != nil || !bytes.Equal(one, two) {
		t.Errorf("a second conversion differs (%v)", err)
	}
}

func TestRefuses(t *testing.T) {
	for name, c := range map[string]struct{ from, to, want string }{
		"format":       {"graph-model", "layers-model", "not a TensorFlow.js graph model"},
		"json":         {`"modelTopology"`, `modelTopology`, "damaged"},
		"operator":     {`"op":"Mul"`, `"op":"Magic"`, "not known"},
		"missing node": {`["x","c"]`, `["x","gone"]`, `no node "gone"`},
		"cycle":        {`["x","c"]`, `["x","y"]`, "depends on itself"},
		"shape":        {`"shape":[2]`, `"shape":[200000,200000]`, "shape"},
		"short":        {`"shape":[]`, `"shape":[9]`, "too soon"},
		"quantization": {"float16", "uint8", "not known"},
		"parts":        {`"i":"2"`, `"i":"2000000000"`, "parts"},
	} {
		model := strings.Replace(small, c.from, c.to, 1)
		if _, err := Convert([]byte(model), smallWeights, "m", smallIn, smallOut); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want %q", name, err, c.want)
		}
	}
	if _, err := Convert([]byte(small), append(smallWeights, 0), "m", smallIn, smallOut); err == nil {
		t.Error("weights too many: no error")
	}
}

// FuzzConvert: whatever the bytes, an answer or an error.
func FuzzConvert(f *testing.F) {
	f.Add([]byte(small), smallWeights)
	f.Add([]byte(strings.Replace(small, `["x","c"]`, `["x","y"]`, 1)), smallWeights)
	f.Add([]byte("{}"), []byte{})
	f.Fuzz(func(t *testing.T, model, weights []byte) {
		out, err := Convert(model, weights, "m", smallIn, smallOut)
		if (err == nil) != (out != nil) {
			t.Errorf("%d bytes with error %v", len(out), err)
		}
	})
}
