package bat

import "testing"

// BenchmarkFollow is the cost of bat and ball a frame: 60 frames a second of a hitter 150 px tall. To be held against what a frame costs
// otherwise: BenchmarkRun of pose/onnx, and decoding.
func BenchmarkFollow(b *testing.B) {
	f := plain()
	f.ball = true
	s := f.scene(1)
	for b.Loop() {
		Follow(s)
	}
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N*f.n), "ms/frame")
}
