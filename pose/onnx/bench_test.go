//go:build cgo

package onnx

import (
	"testing"

	"cagebook/models"
)

// BenchmarkRun times one inference with one thread, the input on hand.
func BenchmarkRun(b *testing.B) {
	loadRuntime(b)
	for _, c := range []struct {
		name, model string
		shape       []int64
	}{
		{"landmark_full", models.LandmarkFull, []int64{1, 256, 256, 3}},
		{"landmark_heavy", models.LandmarkHeavy, []int64{1, 256, 256, 3}},
		{"landmark_heavy_batch4", models.LandmarkHeavy, []int64{4, 256, 256, 3}},
		{"movenet_multipose_256x256", models.Multipose, []int64{1, 256, 256, 3}},
		{"movenet_multipose_224x384", models.Multipose, []int64{1, 224, 384, 3}},
		{"movenet_multipose_288x512", models.Multipose, []int64{1, 288, 512, 3}},
		{"movenet_multipose_448x768", models.Multipose, []int64{1, 448, 768, 3}},
		{"movenet_thunder", models.Thunder, []int64{1, 256, 256, 3}},
		{"nanodet", models.NanoDet, []int64{1, 3, 416, 416}},
	} {
		b.Run(c.name, func(b *testing.B) {
			net := openModel(b, c.model, 1)
			h, w := c.shape[0]*c.shape[1], c.shape[2] // a batch is one tall picture
			if c.model == models.NanoDet {
				h, w = c.shape[2], c.shape[3]
			}
			picture := figurePicture(int(w), int(h))
			in := inputFor(c.model, c.shape, func(int, int) []byte { return picture })
			if _, err := net.Run(in); err != nil {
				b.Fatal(err)
			}
			for b.Loop() {
				if _, err := net.Run(in); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
