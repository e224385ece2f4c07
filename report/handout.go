package report

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"

	"cagebook/report/still"
)

// A handout is one page of A4, in mm. Printed on US Letter it is scaled by 6 %.
const (
	handW, handH  = 210.0, 297.0
	handPad       = 12.0
	handGap       = 3.0
	handCols      = 4
	handTilePx    = 560 // 300 dots an inch on paper
	handQuality   = 85
	handBodyPt    = 10.5
	handFootPt    = 8.0
	mmPerPt       = 25.4 / 72
	handLineScale = 1.3
)

// handColours of paper: ink, soft, clay, moss; dark enough for any printer.
var handColours = map[string][3]int{"ink": {32, 44, 43}, "soft": {76, 88, 86}, "clay": {143, 63, 28}, "moss": {44, 93, 58}, "line": {180, 172, 156}}

type handout struct {
	pdf    *fpdf.Fpdf
	fonts  *still.Fonts
	bottom float64 // where the foot begins
	y      float64
}

// Handout is the proof sheet with the findings on one page, as PDF.
func (s *Swing) handout(r *Report, scenes []still.Scene, missing []string, tiles []tile, fonts *still.Fonts) ([]byte, error) {
	pdf := fpdf.New("P", "mm", "A4", "")
	h := &handout{pdf: pdf, fonts: fonts}
	// The same report gives the same bytes: no clock.
	day := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	if d, err := time.Parse(time.DateOnly, r.Clip.Date); err == nil {
		day = d
	}
	pdf.SetCreationDate(day)
	pdf.SetModificationDate(day)
	pdf.SetCatalogSort(true)
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetMargins(handPad, handPad, handPad)
	pdf.AddUTF8FontFromBytes("go", "", goregular.TTF)
	pdf.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	pdf.SetTitle(orUnknown(r.Hitter.ID)+", swing "+fmt.Sprint(s.Number), true)
	pdf.SetLang("en")
	pdf.AddPage()

	h.y = handPad
	h.foot(cautionShort)
	h.text("B", 20, "ink", fonts.Or(orUnknown(r.Hitter.ID), namedOnPage), handPad, handW-2*handPad, 1)
	line := fmt.Sprintf("Swing %d of %s", s.Number, fonts.Or(Shown(r.Clip.Path), clipOnPage))
	if r.Clip.Date != "" {
		line += " · " + r.Clip.Date
	}
	h.text("", 9.5, "soft", line, handPad, handW-2*handPad, 1)
	h.text("", 9.5, "soft", fmt.Sprintf("%s · camera %s · %s frames a second", BatsWords(s.Bats), ViewWords(s.View.Side), rate(r.Clip.CapturedFPS)), handPad, handW-2*handPad, 1)
	h.y += 2
	h.tiles(scenes, missing, tiles)
	h.findings(s, r)
	if pdf.PageCount() != 1 {
		return nil, fmt.Errorf("handout: %d pages", pdf.PageCount())
	}
	var b bytes.Buffer
	if err := pdf.Output(&b); err != nil {
		return nil, fmt.Errorf("handout: %w", err)
	}
	return b.Bytes(), nil
}

func (h *handout) use(style string, pt float64, colour string) {
	c := handColours[colour]
	h.pdf.SetFont("go", style, pt)
	h.pdf.SetTextColor(c[0], c[1], c[2])
}

// lines breaks a text to a width, cut after so many lines (0 = all).
func (h *handout) lines(s string, width float64, most int) []string {
	out := h.pdf.SplitText(h.fonts.Clean(s), width)
	if most > 0 && len(out) > most {
		out = out[:most]
		out[most-1] = strings.TrimRight(out[most-1], " ,.;") + " …"
	}
	return out
}

// text writes lines at x and moves down.
func (h *handout) text(style string, pt float64, colour, s string, x, width float64, most int) {
	h.use(style, pt, colour)
	step := pt * mmPerPt * handLineScale
	for _, l := range h.lines(s, width, most) {
		h.y += step
		h.pdf.Text(x, h.y-step*0.25, l)
	}
}

// height of a text, mm.
func (h *handout) height(style string, pt float64, s string, width float64) float64 {
	h.use(style, pt, "ink")
	return float64(len(h.lines(s, width, 0))) * pt * mmPerPt * handLineScale
}

func (h *handout) foot(s string) {
	h.use("", handFootPt, "soft")
	step := handFootPt * mmPerPt * handLineScale
	ls := h.lines(s, handW-2*handPad, 0)
	h.bottom = handH - handPad - float64(len(ls))*step - 2
	c := handColours["line"]
	h.pdf.SetDrawColor(c[0], c[1], c[2])
	h.pdf.Line(handPad, h.bottom, handW-handPad, h.bottom)
	for i, l := range ls {
		h.pdf.Text(handPad, h.bottom+2+float64(i+1)*step-step*0.2, l)
	}
}

// tile is a key frame's picture as JPEG; ratio is its height over its width, 0 where there is none.
type tile struct {
	data  []byte
	ratio float64
}

// newTile draws the picture of key frame i. The library orders pictures by width
// alone: of different widths, they always come in one order.
func newTile(sc still.Scene, i int) (tile, error) {
	img := still.DrawTile(sc, handTilePx+i)
	if img == nil {
		return tile{}, nil
	}
	data, err := encode(img, handQuality)
	return tile{data, float64(img.Rect.Dy()) / float64(img.Rect.Dx())}, err
}

// tiles puts the key frames into two rows of four places, the legend into the last.
func (h *handout) tiles(scenes []still.Scene, missing []string, tiles []tile) {
	w := (handW - 2*handPad - (handCols-1)*handGap) / handCols
	ratio := 0.0
	for _, t := range tiles {
		ratio = math.Max(ratio, t.ratio)
	}
	tall := w * math.Min(ratio, 1.3)
	top := h.y
	step := tall + 11
	for i, sc := range scenes {
		x, y := handPad+float64(i%handCols)*(w+handGap), top+float64(i/handCols)*step
		if t := tiles[i]; t.data != nil {
			name := fmt.Sprintf("key-%d", i+1)
			h.pdf.RegisterImageOptionsReader(name, fpdf.ImageOptions{ImageType: "JPG"}, bytes.NewReader(t.data))
			pw, ph := w, w*t.ratio
			if ph > tall {
				pw, ph = pw*tall/ph, tall
			}
			h.pdf.ImageOptions(name, x+(w-pw)/2, y, pw, ph, false, fpdf.ImageOptions{ImageType: "JPG"}, 0, "")
		} else {
			c := handColours["line"]
			h.pdf.SetDrawColor(c[0], c[1], c[2])
			h.pdf.Rect(x, y, w, tall, "D")
			h.y = y + tall/2 - 4
			if i < len(missing) {
				h.text("", 8.5, "soft", missing[i], x+2, w-4, 3)
			}
		}
		h.use("B", 9.5, "clay")
		h.pdf.Text(x, y+tall+4.2, fmt.Sprint(sc.Number))
		h.use("B", 9.5, "ink")
		h.pdf.Text(x+4, y+tall+4.2, sc.Moment)
		h.use("", 8, "soft")
		h.pdf.Text(x+4, y+tall+8, h.fonts.Clean(sc.TimeShort))
	}
	// The legend beside the last picture.
	x, y := handPad+float64(len(scenes)%handCols)*(w+handGap), top+float64(len(scenes)/handCols)*step+6
	for _, e := range []struct {
		words  string
		colour [3]int
		dash   []float64
	}{{"front side, nearer the pitcher", [3]int{201, 138, 0}, nil}, {"back side", [3]int{42, 134, 173}, []float64{1.6, 1}}} {
		h.pdf.SetDrawColor(e.colour[0], e.colour[1], e.colour[2])
		h.pdf.SetLineWidth(0.9)
		h.pdf.SetDashPattern(e.dash, 0)
		h.pdf.Line(x, y-1.9, x+8, y-1.9)
		h.pdf.SetDashPattern(nil, 0)
		h.pdf.SetLineWidth(0.2)
		h.y = y - 3.8
		h.text("", 8.5, "soft", e.words, x+10, w-10, 2)
		y = h.y + 4.5
	}
	h.y = y - 3
	h.text("", 8.5, "soft", "Times are from contact.", x, w, 4)
	h.y = top + 2*step + 1
}

// findings: what to keep and what to work on, in two columns, as much as fits.
func (h *handout) findings(s *Swing, r *Report) {
	const gap = 7.0
	w := (handW - 2*handPad - gap) / 2
	top, low := h.y, h.y
	column := func(x float64, colour, head, none string, v Verdict, most int, form func(f Finding) []string) {
		h.y = top
		h.text("B", 13, colour, head, x, w, 1)
		h.y++
		n := 0
		for _, f := range s.Findings {
			if f.Verdict != v || n == most {
				continue
			}
			need := h.height("B", handBodyPt, f.Title, w)
			parts := form(f)
			for _, p := range parts {
				need += h.height("", handBodyPt, p, w)
			}
			if h.y+need > h.bottom-2 { // the title alone still helps
				parts, need = nil, h.height("B", handBodyPt, f.Title, w)
			}
			if h.y+need > h.bottom-2 {
				return
			}
			h.text("B", handBodyPt, "ink", f.Title, x, w, 0)
			for _, p := range parts {
				h.text("", handBodyPt, "ink", p, x, w, 0)
			}
			h.y += 1.5
			n++
		}
		if n == 0 {
			h.text("", handBodyPt, "ink", none, x, w, 0)
		}
		low = max(low, h.y)
	}
	column(handPad, "moss", "Keep", "Nothing stands out for certain in this clip. Look at the pictures for what you like.", Keep, 3, func(f Finding) []string { return []string{f.Sentence} })
	none := "Nothing is far enough from the usual to ask for a change."
	if look := titlesOf(s.look()); len(look) > 0 {
		none += " Not sure, but worth your own look: " + strings.Join(look, "; ") + "."
	}
	column(handPad+w+gap, "clay", "Work on", none, WorkOn, maxWorkOn, func(f Finding) []string {
		out := []string{f.Sentence}
		if r.Cues != "body" {
			out = append(out, "Think: "+f.Cue)
		}
		if r.Cues != "outcome" {
			out = append(out, "Feel: "+f.CueBody)
		}
		out = append(out, "Drill: "+f.Drill)
		if f.Caution != "" {
			out = append(out, "Take care: "+f.Caution)
		}
		return out
	})
	h.notes(low + 4)
}

// notes leaves room for a pencil, where there is any.
func (h *handout) notes(y float64) {
	const step = 8.5
	if h.bottom-y < 3*step {
		return
	}
	h.y = y
	h.text("B", handBodyPt, "soft", "Coach and hitter write here", handPad, handW-2*handPad, 1)
	c := handColours["line"]
	h.pdf.SetDrawColor(c[0], c[1], c[2])
	for y := h.y + step; y < h.bottom-3; y += step {
		h.pdf.Line(handPad, y, handW-handPad, y)
	}
}
