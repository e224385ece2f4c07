package still

import (
	"errors"
	"image"
	"math"

	"git.sr.ht/~sbinet/gg"
)

// peopleWidth of the picture in which people are numbered, px: the page shows it as wide as a phone.
const peopleWidth = 960

// DrawPeople numbers people in a picture from 1, in their order. Boxes are px of
// the picture; the one of the hitter, who was measured, is drawn through, the others dashed.
func DrawPeople(pic image.Image, boxes []image.Rectangle, hitter int, fonts *Fonts) (*image.RGBA, error) {
	b := pic.Bounds()
	if b.Empty() {
		return nil, errors.New("people: no picture")
	}
	k := math.Min(1, float64(peopleWidth)/float64(max(b.Dx(), b.Dy())))
	img := image.NewRGBA(image.Rect(0, 0, int(math.Round(float64(b.Dx())*k)), int(math.Round(float64(b.Dy())*k))))
	scale(img, img.Rect, pic, b)
	dc := gg.NewContextForRGBA(img)
	p := &pen{dc: dc, fonts: fonts}
	at := func(x, y int) (float64, float64) { return float64(x-b.Min.X) * k, float64(y-b.Min.Y) * k }
	for i, r := range boxes {
		x0, y0 := at(r.Min.X, r.Min.Y)
		x1, y1 := at(r.Max.X, r.Max.Y)
		for _, pass := range []struct {
			width float64
			dark  bool
		}{{7, true}, {3.5, false}} {
			dc.SetColor(chalk)
			if pass.dark {
				dc.SetColor(halo)
			} else if i == hitter {
				dc.SetColor(straw)
			}
			dc.SetDash()
			if i != hitter {
				dc.SetDash(12, 8)
			}
			dc.SetLineWidth(pass.width)
			dc.DrawRectangle(x0, y0, x1-x0, y1-y0)
			dc.Stroke()
		}
		dc.SetDash()
	}
	const r = 24.0
	for i, box := range boxes { // numbers last: nothing covers them
		x, y := at((box.Min.X+box.Max.X)/2, box.Min.Y)
		drawNumber(p, i+1, x, math.Max(r+3, y-r-4), r)
	}
	return img, p.err
}
