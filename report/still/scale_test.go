package still

import (
	"image"
	"image/draw"
	"math"
	"math/rand/v2"
	"testing"

	xdraw "golang.org/x/image/draw"
)

// Larger, smaller and equal pictures come out as the library scales them (golang.org/x/image/draw), to within a level or two.
func TestScale(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	src := image.NewRGBA(image.Rect(10, 20, 210, 170))
	for y := 20; y < 170; y++ {
		for x := 10; x < 210; x++ {
			for c := range 3 {
				src.Pix[src.PixOffset(x, y)+c] = uint8(128 + 90*math.Sin(float64(x*(c+1)+y)/9) + 30*rng.Float64())
			}
			src.Pix[src.PixOffset(x, y)+3] = 255
		}
	}
	for _, to := range []image.Rectangle{image.Rect(5, 7, 505, 407), image.Rect(5, 7, 71, 60), image.Rect(5, 7, 125, 107), image.Rect(5, 7, 6, 8), image.Rect(5, 7, 300, 20)} {
		for _, kernel := range []*xdraw.Kernel{xdraw.CatmullRom, xdraw.BiLinear} {
			crop := image.Rect(30, 33, 150, 133)
			got, want := image.NewRGBA(image.Rect(0, 0, 520, 420)), image.NewRGBA(image.Rect(0, 0, 520, 420))
			scale(got, to, src, crop, kernel)
			kernel.Scale(want, to, src, crop, draw.Src, nil)
			most, sum := 0, 0
			for i := range got.Pix {
				d := abs(int(got.Pix[i]) - int(want.Pix[i]))
				most, sum = max(most, d), sum+d
			}
			if mean := float64(sum) / float64(4*to.Dx()*to.Dy()); most > 2 || mean > 0.3 {
				t.Errorf("to %v: differs by %.2f levels in the mean, %d at most", to, mean, most)
			}
		}
	}
}

func abs(v int) int { return max(v, -v) }

func BenchmarkScale(b *testing.B) {
	src, dst := image.NewRGBA(image.Rect(0, 0, 500, 600)), image.NewRGBA(image.Rect(0, 0, 1080, 1296))
	b.Run("ours", func(b *testing.B) {
		for b.Loop() {
			scale(dst, dst.Rect, src, src.Rect, xdraw.CatmullRom)
		}
	})
	b.Run("library", func(b *testing.B) {
		for b.Loop() {
			xdraw.CatmullRom.Scale(dst, dst.Rect, src, src.Rect, draw.Src, nil)
		}
	})
}
