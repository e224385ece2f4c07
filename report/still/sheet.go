package still

import (
	"errors"
	"image"
	"math"
	"strings"

	"git.sr.ht/~sbinet/gg"
)

// Sheet is a proof sheet: all key frames of a swing on one page.
type Sheet struct {
	Title   string   // hitter and swing
	Lines   []string // clip, view and the like
	Scenes  []Scene  // in order; a scene without Picture is named with Missing
	Missing []string // why a scene has no picture, one a scene
	Text    []string // beside the last picture: what to keep, what to work on
	Foot    string   // the caution
}

// SheetWidth of a proof sheet, px; printed on A4 it has about 150 dots an inch.
const SheetWidth = 1240

const (
	sheetCols = 3
	sheetPad  = 36.0
	sheetGap  = 22.0
	textPx    = 32.0 // findings: up to nine lines beside a picture
	capPx     = 40.0
	capSmall  = 33.0 // as large as a time fits a third of the sheet: on a phone the whole sheet is as wide as the screen
)

// DrawSheet draws the proof sheet.
func DrawSheet(s Sheet, fonts *Fonts) (*image.RGBA, error) {
	if len(s.Scenes) == 0 {
		return nil, errors.New("proof sheet: no pictures")
	}
	tileW := math.Floor((SheetWidth - 2*sheetPad - (sheetCols-1)*sheetGap) / sheetCols)
	ratio := 0.0
	for _, sc := range s.Scenes {
		if c := shown(sc); !c.Empty() {
			ratio = max(ratio, float64(c.Dy())/float64(c.Dx()))
		}
	}
	if ratio == 0 {
		return nil, errors.New("proof sheet: none of the key frames has a picture")
	}
	picH := math.Round(tileW * ratio)
	tileH := picH + capPx*1.3 + capSmall*1.3 + 22
	rows := (len(s.Scenes) + sheetCols - 1) / sheetCols

	probe := &pen{dc: gg.NewContext(8, 8), fonts: fonts}
	probe.use(false, capSmall, soft)
	foot := probe.wrap(s.Foot, SheetWidth-2*sheetPad)
	if probe.err != nil {
		return nil, probe.err
	}
	headH := sheetPad + 58 + float64(len(s.Lines))*38 + 20
	height := headH + float64(rows)*(tileH+sheetGap) + float64(len(foot))*capSmall*1.3 + sheetPad
	img := image.NewRGBA(image.Rect(0, 0, SheetWidth, int(math.Ceil(height))))
	dc := gg.NewContextForRGBA(img)
	dc.SetColor(paper)
	dc.Clear()
	p := &pen{dc: dc, fonts: fonts}

	p.use(true, 48, ink)
	p.line(s.Title, sheetPad, sheetPad+44, SheetWidth-2*sheetPad)
	y := sheetPad + 58.0
	p.use(false, 30, soft)
	for _, l := range s.Lines {
		y += 38
		p.line(l, sheetPad, y-6, SheetWidth-2*sheetPad)
	}
	dc.SetColor(rule)
	dc.DrawRectangle(sheetPad, headH-8, SheetWidth-2*sheetPad, 2)
	dc.Fill()

	for i, sc := range s.Scenes {
		x := sheetPad + float64(i%sheetCols)*(tileW+sheetGap)
		y := headH + 10 + float64(i/sheetCols)*(tileH+sheetGap)
		drawTile(img, p, s, i, sc, x, y, tileW, picH)
	}
	if left := len(s.Scenes) % sheetCols; left != 0 {
		x := sheetPad + float64(left)*(tileW+sheetGap)
		y := headH + 10 + float64(rows-1)*(tileH+sheetGap)
		drawSide(p, s.Text, x, y, SheetWidth-sheetPad-x, tileH)
	}
	y = headH + float64(rows)*(tileH+sheetGap) + capSmall
	p.use(false, capSmall, soft)
	for _, l := range foot {
		p.line(l, sheetPad, y, SheetWidth-2*sheetPad)
		y += capSmall * 1.3
	}
	return img, p.err
}

func shown(sc Scene) image.Rectangle {
	if sc.Picture == nil {
		return image.Rectangle{}
	}
	return sc.Crop.Intersect(sc.Picture.Bounds())
}

func drawTile(img *image.RGBA, p *pen, s Sheet, i int, sc Scene, x, y, w, picH float64) {
	dst := image.Rect(int(x), int(y), int(x+w), int(y+picH))
	if crop := shown(sc); !crop.Empty() {
		h := int(math.Round(float64(crop.Dy()) / float64(crop.Dx()) * float64(dst.Dx())))
		dst.Max.Y = dst.Min.Y + h
		drawPicture(img, p.dc, dst, sc, crop, 0.5)
	} else {
		p.dc.SetColor(rule)
		p.dc.SetLineWidth(2)
		p.dc.DrawRectangle(x, y, w, picH)
		p.dc.Stroke()
		p.use(false, capSmall, soft)
		why := ""
		if i < len(s.Missing) {
			why = s.Missing[i]
		}
		ty := y + picH/2
		for _, l := range p.wrap(why, w-40) {
			p.line(l, x+20, ty, w-40)
			ty += capSmall * 1.3
		}
	}
	cy := y + picH + 8
	drawNumber(p, sc.Number, x+22, cy+24, 20)
	p.use(true, capPx, ink)
	p.line(sc.Moment, x+54, cy+capPx*0.93, w-54)
	p.use(false, capSmall, soft)
	p.line(sc.TimeShort, x+54, cy+capPx+capSmall*1.25, w-54)
}

// drawSide writes the findings beside the last picture, the legend below them.
func drawSide(p *pen, text []string, x, y, w, h float64) {
	ty := y + textPx
	for i, t := range text {
		p.use(i%2 == 0, textPx, ink) // headings and their words take turns
		for part := range strings.SplitSeq(t, "\n") {
			for _, l := range p.wrap(part, w) {
				if ty > y+h-90 {
					break
				}
				p.line(l, x, ty, w)
				ty += textPx * 1.28
			}
		}
		if i%2 == 1 {
			ty += 14
		}
	}
	drawLegend(p, x, y+h-24, capSmall)
}

// DrawTile draws a scene's picture with its lines and no words, width px wide; nil where there is no picture.
func DrawTile(sc Scene, width int) *image.RGBA {
	crop := shown(sc)
	if crop.Empty() {
		return nil
	}
	h := int(math.Round(float64(crop.Dy()) / float64(crop.Dx()) * float64(width)))
	img := image.NewRGBA(image.Rect(0, 0, width, max(1, h)))
	drawPicture(img, gg.NewContextForRGBA(img), img.Bounds(), sc, crop, float64(width)/800)
	return img
}
