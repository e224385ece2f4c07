package still

import (
	"errors"
	"image"
	"math"

	"git.sr.ht/~sbinet/gg"

	"cagebook/pose"
)

// Mark is one thing worth looking at in a still: a measure, what it is called and its value in words.
type Mark struct {
	Measure string // decides what is drawn
	Text    string // e.g. "Front knee bend: 14° ± 4°"
	Drawn   bool   // false = words only, because it has no value
}

// Scene is all that a still shows.
type Scene struct {
	Picture    image.Image
	Crop       image.Rectangle // part of Picture that is shown
	Pose       Pose            // px of Picture
	LeadIsLeft bool
	Knob       pose.Estimate // zero = not known
	Barrel     pose.Estimate

	Number    int    // 1 to 7
	Moment    string // its name
	Time      string // e.g. "0.18 s before contact"
	TimeShort string // the same for a proof sheet, e.g. "0.18 s before ± 0.01"
	LookAt    string // what to look at, a few words
	Marks     []Mark // two at most are drawn
}

// Width of a still, px: three device pixels for each of a phone's 360.
const Width = 1080

const (
	pad     = 40.0
	titlePx = 60.0
	bodyPx  = 42.0 // about 15 px on a phone 390 px wide
	smallPx = 34.0
	lineGap = 1.32
	headerH = 176.0
)

// Draw makes the still: title, picture with thin lines, what to look at.
func Draw(s Scene, fonts *Fonts) (*image.RGBA, error) {
	crop := s.Crop.Intersect(s.Picture.Bounds())
	if crop.Empty() {
		return nil, errors.New("still: the crop lies outside the picture")
	}
	picH := int(math.Round(float64(crop.Dy()) / float64(crop.Dx()) * Width))

	// Words below the picture, measured first.
	probe := &pen{dc: gg.NewContext(8, 8), fonts: fonts}
	probe.use(true, bodyPx, ink)
	look := probe.wrap(s.LookAt, Width-2*pad)
	probe.use(false, bodyPx, ink)
	var markLines [][]string
	for _, m := range s.Marks {
		markLines = append(markLines, probe.wrap(m.Text, Width-2*pad-64))
	}
	if probe.err != nil {
		return nil, probe.err
	}
	footH := pad + float64(len(look))*bodyPx*lineGap
	for _, l := range markLines {
		footH += float64(len(l))*bodyPx*lineGap + 8
	}
	footH += smallPx*lineGap + pad

	img := image.NewRGBA(image.Rect(0, 0, Width, int(headerH)+picH+int(math.Ceil(footH))))
	dc := gg.NewContextForRGBA(img)
	dc.SetColor(paper)
	dc.Clear()
	p := &pen{dc: dc, fonts: fonts}

	drawNumber(p, s.Number, pad+36, 70, 36)
	p.use(true, titlePx, ink)
	p.line(s.Moment, pad+96, 92, Width-2*pad-96)
	p.use(false, bodyPx, soft)
	p.line(s.Time, pad+96, 148, Width-2*pad-96)

	pic := image.Rect(0, int(headerH), Width, int(headerH)+picH)
	v := drawPicture(img, dc, pic, s, crop, 1)
	drawHands(img, dc, v, &s)
	letters := drawMarks(p, v, s)

	y := float64(pic.Max.Y) + pad + bodyPx*0.8
	p.use(true, bodyPx, ink)
	for _, l := range look {
		p.line(l, pad, y, Width-2*pad)
		y += bodyPx * lineGap
	}
	for i, lines := range markLines {
		if letters[i] != "" {
			drawLetter(p, letters[i], pad+22, y-bodyPx*0.34, 24)
		} else {
			p.use(true, bodyPx, soft)
			p.line("·", pad+16, y, 40)
		}
		p.use(false, bodyPx, ink)
		for _, l := range lines {
			p.line(l, pad+64, y, Width-2*pad-64)
			y += bodyPx * lineGap
		}
		y += 8
	}
	drawLegend(p, pad, y-2, smallPx)
	return img, p.err
}

// view maps px of the source picture to px of the drawing.
type view struct {
	crop, dst image.Rectangle
	k         float64 // px of the drawing per px of the picture
	lw        float64 // line width unit
}

func (v view) to(q point) point {
	return point{float64(v.dst.Min.X) + (q.x-float64(v.crop.Min.X))*v.k, float64(v.dst.Min.Y) + (q.y-float64(v.crop.Min.Y))*v.k}
}

// drawPicture scales the crop into dst and draws the skeleton, clipped to dst.
func drawPicture(img *image.RGBA, dc *gg.Context, dst image.Rectangle, s Scene, crop image.Rectangle, lw float64) view {
	scale(img, dst, s.Picture, crop)
	v := view{crop, dst, float64(dst.Dx()) / float64(crop.Dx()), lw}
	dc.DrawRectangle(float64(dst.Min.X), float64(dst.Min.Y), float64(dst.Dx()), float64(dst.Dy()))
	dc.Clip()
	drawSkeleton(dc, v, newFigure(&s.Pose, s.LeadIsLeft))
	if s.Knob.Known() && s.Barrel.Known() {
		stroke(dc, v, [][2]point{{{s.Knob.X, s.Knob.Y}, {s.Barrel.X, s.Barrel.Y}}}, lineStyle{c: chalk, width: 3 * lw})
	}
	dc.ResetClip()
	return v
}

// limb chains of one side, as left joints.
var chains = [][]pose.Joint{
	{pose.LeftShoulder, pose.LeftElbow, pose.LeftWrist},
	{pose.LeftHip, pose.LeftKnee, pose.LeftAnkle, pose.LeftHeel, pose.LeftFootIndex},
	{pose.LeftAnkle, pose.LeftFootIndex},
}

func drawSkeleton(dc *gg.Context, v view, f figure) {
	var lead, rear, trunk [][2]point
	for _, chain := range chains {
		for i := 1; i < len(chain); i++ {
			for _, isLead := range []bool{false, true} {
				a, ok1 := f.at(f.side(chain[i-1], isLead))
				b, ok2 := f.at(f.side(chain[i], isLead))
				if !ok1 || !ok2 {
					continue
				}
				if isLead {
					lead = append(lead, [2]point{a, b})
				} else {
					rear = append(rear, [2]point{a, b})
				}
			}
		}
	}
	for _, j := range []pose.Joint{pose.LeftShoulder, pose.LeftHip} {
		a, ok1 := f.at(j)
		b, ok2 := f.at(j.Swap())
		if ok1 && ok2 {
			trunk = append(trunk, [2]point{a, b})
		}
	}
	s, ok1 := f.middle(pose.LeftShoulder)
	h, ok2 := f.middle(pose.LeftHip)
	if ok1 && ok2 {
		trunk = append(trunk, [2]point{s, h})
	}
	stroke(dc, v, trunk, lineStyle{c: chalk, width: 2.5 * v.lw})
	stroke(dc, v, rear, lineStyle{c: sky, width: 4.5 * v.lw, dash: []float64{14 * v.lw, 9 * v.lw}})
	stroke(dc, v, lead, lineStyle{c: straw, width: 4.5 * v.lw})
}
