package still

import (
	"errors"
	"image"

	"git.sr.ht/~sbinet/gg"
	"golang.org/x/image/draw"

	"cagebook/pose"
)

// ReplayFrame is what one picture of a slow motion shows beside the clip itself.
type ReplayFrame struct {
	TimeS      float64 // of the real motion
	Pose       Pose    // px of the clip's picture
	LeadIsLeft bool
	Knob       pose.Estimate // zero = not known
	Barrel     pose.Estimate
	Trail      []pose.Estimate // the barrel's way, latest first; unknown points are gaps

	Number int    // of the latest key frame, 0 = none yet
	Moment string // its name
	Key    bool   // this is the key frame
	Time   string // e.g. "0.18 s before contact"
	Share  float64
	Ticks  []Tick
}

// Tick is an instant on the line below a slow motion; Share runs from 0 to 1.
type Tick struct {
	Number int
	Share  float64
}

// ReplayBand is the height of the words below a slow motion of that width, px, even.
func ReplayBand(width int) int { return (width/9 + 40) &^ 1 }

// DrawReplay draws one picture of a slow motion. img holds the picture of the
// clip's part crop in its upper part and room for the band below it.
func DrawReplay(img *image.RGBA, crop image.Rectangle, f *ReplayFrame, fonts *Fonts) error {
	b := img.Bounds()
	pic := image.Rect(b.Min.X, b.Min.Y, b.Max.X, b.Max.Y-ReplayBand(b.Dx()))
	v := view{crop, pic, float64(pic.Dx()) / float64(crop.Dx()), float64(pic.Dy()) / 720}
	part, ok := img.SubImage(pic).(*image.RGBA)
	if !ok || b.Min != (image.Point{}) {
		return errors.New("slow motion: pictures begin at 0, 0")
	}
	dc := gg.NewContextForRGBA(part) // keeps lines out of the band without a mask
	drawTrail(dc, v, f.Trail)
	drawSkeleton(dc, v, newFigure(&f.Pose, f.LeadIsLeft))
	if f.Knob.Known() && f.Barrel.Known() {
		stroke(dc, v, [][2]point{{{f.Knob.X, f.Knob.Y}, {f.Barrel.X, f.Barrel.Y}}}, lineStyle{c: chalk, width: 3 * v.lw})
	}
	return drawBand(gg.NewContextForRGBA(img), image.Rect(b.Min.X, pic.Max.Y, b.Max.X, b.Max.Y), f, fonts)
}

// drawTrail draws the barrel's way, thinner the older it is.
func drawTrail(dc *gg.Context, v view, way []pose.Estimate) {
	for i := 1; i < len(way); i++ {
		if !way[i].Known() || !way[i-1].Known() {
			continue
		}
		w := 4 * (1 - float64(i)/float64(len(way)))
		stroke(dc, v, [][2]point{{{way[i-1].X, way[i-1].Y}, {way[i].X, way[i].Y}}}, lineStyle{c: rose, width: (1 + w) * v.lw})
	}
}

func drawBand(dc *gg.Context, band image.Rectangle, f *ReplayFrame, fonts *Fonts) error {
	draw.Draw(dc.Image().(*image.RGBA), band, image.NewUniform(paper), image.Point{}, draw.Src)
	p := &pen{dc: dc, fonts: fonts}
	x, y, w, h := float64(band.Min.X), float64(band.Min.Y), float64(band.Dx()), float64(band.Dy())
	px := h * 0.27
	side := h * 0.2
	// The line of time with its instants.
	lineY := y + h*0.78
	at := func(share float64) float64 { return x + side + (w-2*side)*share }
	dc.SetColor(rule)
	dc.DrawRectangle(at(0), lineY-1.5, at(1)-at(0), 3)
	dc.Fill()
	dc.SetColor(clay)
	dc.DrawRectangle(at(0), lineY-1.5, at(f.Share)-at(0), 3)
	dc.Fill()
	for _, t := range f.Ticks {
		r := h * 0.045
		if t.Number == f.Number {
			r = h * 0.085
		}
		dc.DrawCircle(at(t.Share), lineY, r)
		dc.SetColor(clay)
		dc.Fill()
	}
	dc.SetColor(ink)
	dc.DrawRectangle(at(f.Share)-2, lineY-h*0.12, 4, h*0.24)
	dc.Fill()
	// The words.
	tx := x + side
	if f.Number > 0 {
		drawNumber(p, f.Number, tx+px*0.75, y+h*0.34, px*0.75)
		tx += px * 2
		p.use(f.Key, px, ink)
		p.line(f.Moment, tx, y+h*0.34+px*0.36, w)
	}
	p.use(false, px*0.86, soft)
	if p.err != nil {
		return p.err
	}
	tw, _ := dc.MeasureString(f.Time)
	p.line(f.Time, x+w-side-tw, y+h*0.34+px*0.36, w)
	return p.err
}
