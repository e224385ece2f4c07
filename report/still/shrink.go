package still

import (
	"image"

	"golang.org/x/image/draw"

	"cagebook/pose"
)

// scale fills a part of dst with a part of src, which lies in it. What becomes smaller both ways is averaged over the area
// that each pixel covers, by the code that reduces pictures for the networks: the library's kernels
// look the same, but take three times as long and, of a picture in 4K, 60 MB.
func scale(dst *image.RGBA, to image.Rectangle, src image.Image, from image.Rectangle) {
	if to.Dx() >= from.Dx() || to.Dy() >= from.Dy() || !to.In(dst.Rect) {
		draw.CatmullRom.Scale(dst, to, src, from, draw.Src, nil)
		return
	}
	small := pose.NewImage(to.Dx(), to.Dy())
	pose.Resize(small, pose.PartOf(src, from))
	for y := range small.H {
		out, in := dst.Pix[dst.PixOffset(to.Min.X, to.Min.Y+y):], small.Pix[y*small.Stride:]
		for x := range small.W {
			o, p := out[4*x:4*x+4:4*x+4], in[3*x:3*x+3:3*x+3]
			o[0], o[1], o[2], o[3] = p[2], p[1], p[0], 0xff
		}
	}
}
