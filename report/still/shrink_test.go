package still

import (
	"image"
	"image/color"
	"math"
	"testing"

	"golang.org/x/image/draw"
)

// A picture that becomes smaller is the library's to the eye, at its place, and nothing beside it is touched.
func TestScaleIsTheLibrarys(t *testing.T) {
	src := image.NewRGBA(image.Rect(30, 20, 430, 320))
	for y := 20; y < 320; y++ {
		for x := 30; x < 430; x++ {
			wave := func(k float64) uint8 { return uint8(128 + 100*math.Sin(float64(x)/k)*math.Cos(float64(y)/9)) }
			src.SetRGBA(x, y, color.RGBA{wave(7), wave(11), wave(23), 255})
		}
	}
	ycc := image.NewYCbCr(src.Rect, image.YCbCrSubsampleRatio420)
	for y := 20; y < 320; y++ {
		for x := 30; x < 430; x++ {
			c := src.RGBAAt(x, y)
			ycc.Y[ycc.YOffset(x, y)], ycc.Cb[ycc.COffset(x, y)], ycc.Cr[ycc.COffset(x, y)] = color.RGBToYCbCr(c.R, c.G, c.B)
		}
	}
	gray := image.NewGray(src.Rect)
	draw.Draw(gray, gray.Rect, src, src.Rect.Min, draw.Src)
	from, to := image.Rect(50, 40, 410, 300), image.Rect(10, 5, 190, 135)
	for _, pic := range []image.Image{src, ycc, gray} {
		got, want := image.NewRGBA(image.Rect(0, 0, 200, 150)), image.NewRGBA(image.Rect(0, 0, 200, 150))
		scale(got, to, pic, from)
		draw.BiLinear.Scale(want, to, pic, from, draw.Src, nil)
		sum := 0.0
		for i := range got.Pix {
			sum += math.Abs(float64(got.Pix[i]) - float64(want.Pix[i]))
		}
		if mean := sum / float64(4*to.Dx()*to.Dy()); mean > 2 {
			t.Errorf("%T: %.2f levels from the library's", pic, mean)
		}
		if got.RGBAAt(9, 50) != (color.RGBA{}) || got.RGBAAt(190, 50) != (color.RGBA{}) || got.RGBAAt(10, 5).A != 255 || got.RGBAAt(189, 134).A != 255 {
			t.Errorf("%T: not at its place", pic)
		}
	}
}
