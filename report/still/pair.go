package still

import (
	"image"
	"math"

	"git.sr.ht/~sbinet/gg"
	"golang.org/x/image/draw"
	"golang.org/x/image/math/f64"

	"cagebook/pose"
)

// Side is one of two hitters in a picture that shows them beside each other.
type Side struct {
	Picture    image.Image // nil = none at this moment
	Pose       Pose        // px of Picture
	LeadIsLeft bool
	Knob       pose.Estimate
	Barrel     pose.Estimate

	AnchorX, AnchorY float64 // px of Picture: the point between the feet that both stand on
	HeightPx         float64 // px of Picture that the hitter's standing height would span
	Mirror           bool
	Name, Time       string
}

// PairBox is the part about the feet that both panels show, in body heights, and how large it is drawn.
type PairBox struct {
	Left, Right, Up, Down float64
	HeightPx              float64 // px of the drawing that a body height spans
}

// pairMost is as far as a panel reaches: a stride and a bat to either side, a raised bat above.
var pairMost = PairBox{Left: 1.1, Right: 1.1, Up: 1.5, Down: 0.2}

// NewPairBox fits two pictures of the given sizes; Picture is not needed.
func NewPairBox(sides [2]Side, sizes [2]image.Point) PairBox {
	var b PairBox
	for i, s := range sides {
		left, right := s.AnchorX/s.HeightPx, (float64(sizes[i].X)-s.AnchorX)/s.HeightPx
		if s.Mirror {
			left, right = right, left
		}
		b.Left, b.Right = max(b.Left, left), max(b.Right, right)
		b.Up, b.Down = max(b.Up, s.AnchorY/s.HeightPx), max(b.Down, (float64(sizes[i].Y)-s.AnchorY)/s.HeightPx)
	}
	b.Left, b.Right = min(b.Left, pairMost.Left), min(b.Right, pairMost.Right)
	b.Up, b.Down = min(b.Up, pairMost.Up), min(b.Down, pairMost.Down)
	return b
}

// Size of the picture of a pair, px, even.
func (b PairBox) Size() (w, h int) {
	w = 2*(int((b.Left+b.Right)*b.HeightPx)&^1) + pairGap
	return w, int((b.Up+b.Down)*b.HeightPx)&^1 + ReplayBand(w/2)
}

const pairGap = 8 // px between the panels

// DrawPair draws two hitters at the same scale, feet on one line, with names above a band that says the moment.
func DrawPair(img *image.RGBA, a, b *Side, box PairBox, f *ReplayFrame, fonts *Fonts) error {
	w, h := box.Size()
	bandH := ReplayBand(w / 2)
	draw.Draw(img, img.Bounds(), image.NewUniform(paper), image.Point{}, draw.Src)
	dc := gg.NewContextForRGBA(img)
	half := (w - pairGap) / 2
	for i, s := range []*Side{a, b} {
		panel := image.Rect(i*(half+pairGap), 0, i*(half+pairGap)+half, h-bandH)
		drawPanel(img, dc, s, panel, box)
	}
	p := &pen{dc: dc, fonts: fonts}
	px := math.Round(float64(bandH) * 0.24)
	for i, s := range []*Side{a, b} {
		x := float64(i * (half + pairGap))
		p.use(true, px, ink)
		if p.err != nil {
			return p.err
		}
		name := p.fit(fonts.clean(fonts.Or(s.Name, [2]string{"left", "right"}[i])), float64(half)-24)
		tw, _ := dc.MeasureString(name)
		dc.SetColor(paper)
		dc.DrawRoundedRectangle(x+6, 6, tw+16, px*1.5, 5)
		dc.Fill()
		dc.SetColor(ink)
		dc.DrawString(name, x+14, 6+px*1.12)
	}
	return drawBand(dc, image.Rect(0, h-bandH, w, h), f, fonts)
}

func drawPanel(img *image.RGBA, dc *gg.Context, s *Side, panel image.Rectangle, box PairBox) {
	ground := image.NewUniform(rule)
	draw.Draw(img, panel, ground, image.Point{}, draw.Src)
	if s.Picture == nil || !(s.HeightPx > 0) {
		return
	}
	k := box.HeightPx / s.HeightPx
	kx := k
	if s.Mirror {
		kx = -k
	}
	ox := float64(panel.Min.X) + box.Left*box.HeightPx - kx*s.AnchorX
	oy := float64(panel.Min.Y) + box.Up*box.HeightPx - k*s.AnchorY
	sub, ok := img.SubImage(panel).(*image.RGBA)
	if !ok {
		return
	}
	draw.ApproxBiLinear.Transform(sub, f64.Aff3{kx, 0, ox, 0, k, oy}, s.Picture, s.Picture.Bounds(), draw.Src, nil)
	move := func(e pose.Estimate) pose.Estimate {
		if !e.Known() {
			return e
		}
		return pose.Estimate{X: kx*e.X + ox, Y: k*e.Y + oy, Sigma: k * e.Sigma}
	}
	var q Pose
	for j, e := range s.Pose {
		q[j] = move(e)
	}
	v := view{k: 1, lw: box.HeightPx / 420}
	dc.DrawRectangle(float64(panel.Min.X), float64(panel.Min.Y), float64(panel.Dx()), float64(panel.Dy()))
	dc.Clip()
	drawSkeleton(dc, v, newFigure(&q, s.LeadIsLeft))
	if knob, barrel := move(s.Knob), move(s.Barrel); knob.Known() && barrel.Known() {
		stroke(dc, v, [][2]point{{{knob.X, knob.Y}, {barrel.X, barrel.Y}}}, lineStyle{c: chalk, width: 3 * v.lw})
	}
	dc.ResetClip()
}
