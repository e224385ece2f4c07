package still

import (
	"fmt"
	"image/color"
	"math"

	"git.sr.ht/~sbinet/gg"
)

type lineStyle struct {
	c     color.Color
	width float64
	dash  []float64
}

// stroke draws lines given in px of the picture, with a dark edge so that they show on any ground.
func stroke(dc *gg.Context, v view, lines [][2]point, st lineStyle) {
	dc.SetLineCapButt()
	for _, pass := range []struct {
		c     color.Color
		width float64
	}{{halo, st.width + 3*v.lw}, {st.c, st.width}} {
		dc.SetColor(pass.c)
		dc.SetLineWidth(pass.width)
		dc.SetDash(st.dash...)
		for _, l := range lines {
			a, b := v.to(l[0]), v.to(l[1])
			dc.DrawLine(a.x, a.y, b.x, b.y)
			dc.Stroke()
		}
	}
	dc.SetDash()
}

// drawMarks draws the shapes of the marks with their letters beside the hitter,
// and returns each mark's letter, "" where nothing was drawn.
func drawMarks(p *pen, v view, s Scene) []string {
	letters := make([]string, len(s.Marks))
	f := newFigure(&s.Pose, s.LeadIsLeft)
	x0, _, x1, _, ok := s.Pose.box()
	if !ok {
		return letters
	}
	left, right := v.to(point{x0, 0}).x, v.to(point{x1, 0}).x
	var taken []point
	n := 0
	for i, m := range s.Marks {
		if !m.Drawn {
			continue
		}
		sh, ok := f.shapeOf(m.Measure)
		if !ok {
			continue
		}
		letters[i] = string(rune('A' + n))
		n++
		p.dc.DrawRectangle(float64(v.dst.Min.X), float64(v.dst.Min.Y), float64(v.dst.Dx()), float64(v.dst.Dy()))
		p.dc.Clip()
		stroke(p.dc, v, sh.lines, lineStyle{c: chalk, width: 3.5 * v.lw})
		stroke(p.dc, v, sh.dashed, lineStyle{c: chalk, width: 3.5 * v.lw, dash: []float64{5 * v.lw, 7 * v.lw}})
		if sh.angle != nil {
			drawAngle(p.dc, v, *sh.angle)
		}
		a := v.to(sh.anchor)
		at := letterPlace(a, left, right, v, taken)
		taken = append(taken, at)
		drawLeader(p.dc, v, at, a)
		p.dc.ResetClip()
		drawLetter(p, letters[i], at.x, at.y, letterR)
	}
	return letters
}

const letterR = 30.0

// letterPlace finds a place for a letter outside the hitter at the height of
// its point, on the nearer side where there is room, clear of other letters.
func letterPlace(a point, left, right float64, v view, taken []point) point {
	const away = 62.0
	x := right + away
	if a.x-left < right-a.x {
		x = left - away
	}
	x = min(max(x, float64(v.dst.Min.X)+letterR+8), float64(v.dst.Max.X)-letterR-8)
	y := min(max(a.y, float64(v.dst.Min.Y)+letterR+8), float64(v.dst.Max.Y)-letterR-8)
	for _, t := range taken {
		if math.Abs(t.x-x) < 2.4*letterR && math.Abs(t.y-y) < 2.4*letterR {
			y = t.y - 2.6*letterR
			if y < float64(v.dst.Min.Y)+letterR+8 {
				y = t.y + 2.6*letterR
			}
		}
	}
	return point{x, y}
}

func drawLeader(dc *gg.Context, v view, from, to point) {
	d := math.Hypot(to.x-from.x, to.y-from.y)
	if d < letterR+12 {
		return
	}
	// It stops short of the point, so that the joint itself stays free.
	k := max(0, (d-14)/d)
	dc.SetDash(2*v.lw, 6*v.lw)
	for _, pass := range []struct {
		c color.Color
		w float64
	}{{halo, 5 * v.lw}, {chalk, 2.5 * v.lw}} {
		dc.SetColor(pass.c)
		dc.SetLineWidth(pass.w)
		dc.DrawLine(from.x, from.y, from.x+(to.x-from.x)*k, from.y+(to.y-from.y)*k)
		dc.Stroke()
	}
	dc.SetDash()
}

// drawAngle draws an arc between the two legs of a joint.
func drawAngle(dc *gg.Context, v view, a [3]point) {
	p, q, r := v.to(a[0]), v.to(a[1]), v.to(a[2])
	radius := 0.38 * min(math.Hypot(p.x-q.x, p.y-q.y), math.Hypot(r.x-q.x, r.y-q.y))
	if radius < 6 {
		return
	}
	from, to := math.Atan2(p.y-q.y, p.x-q.x), math.Atan2(r.y-q.y, r.x-q.x)
	for to-from > math.Pi {
		to -= 2 * math.Pi
	}
	for to-from < -math.Pi {
		to += 2 * math.Pi
	}
	for _, pass := range []struct {
		c color.Color
		w float64
	}{{halo, 7 * v.lw}, {chalk, 3.5 * v.lw}} {
		dc.SetColor(pass.c)
		dc.SetLineWidth(pass.w)
		dc.NewSubPath()
		dc.DrawArc(q.x, q.y, radius, from, to)
		dc.Stroke()
	}
}

func drawLetter(p *pen, letter string, x, y, r float64) {
	disc(p, letter, x, y, r, chalk, ink)
}

// drawNumber is the key frame's number, 1 to 7.
func drawNumber(p *pen, n int, x, y, r float64) {
	disc(p, fmt.Sprint(n), x, y, r, clay, paper)
}

func disc(p *pen, s string, x, y, r float64, ground, text color.Color) {
	p.dc.DrawCircle(x, y, r)
	p.dc.SetColor(ground)
	p.dc.FillPreserve()
	p.dc.SetColor(ink)
	p.dc.SetLineWidth(2.5)
	p.dc.Stroke()
	p.use(true, math.Round(r*1.25), text)
	if p.err != nil {
		return
	}
	w, _ := p.dc.MeasureString(s)
	p.dc.DrawString(s, x-w/2, y+r*0.45)
}

// drawLegend explains the two line styles; baseline at y.
func drawLegend(p *pen, x, y, px float64) {
	v := view{k: 1, lw: px / 34}
	for _, e := range []struct {
		text string
		c    color.Color
		dash []float64
	}{
		{"front side (nearer the pitcher)", straw, nil},
		{"back side", sky, []float64{14 * v.lw, 9 * v.lw}},
	} {
		stroke(p.dc, v, [][2]point{{{x, y - px*0.33}, {x + px*2, y - px*0.33}}}, lineStyle{c: e.c, width: 6 * v.lw, dash: e.dash})
		p.use(false, px, soft)
		x += px * 2.4
		p.line(e.text, x, y, 2000)
		if p.err != nil {
			return
		}
		w, _ := p.dc.MeasureString(p.fonts.clean(e.text))
		x += w + px
	}
}
