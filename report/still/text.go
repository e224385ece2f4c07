package still

import (
	"fmt"
	"image/color"
	"strings"
	"unicode"

	"git.sr.ht/~sbinet/gg"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/font/sfnt"
)

// The palette: paper and ink for words, straw for the front side, sky for the
// back side, rose for the way of the bat's end. Text on its ground has a contrast of 7 : 1 and more.
var (
	paper = color.NRGBA{0xf7, 0xf4, 0xec, 0xff}
	ink   = color.NRGBA{0x20, 0x2c, 0x2b, 0xff}
	soft  = color.NRGBA{0x4c, 0x58, 0x56, 0xff}
	rule  = color.NRGBA{0xc9, 0xc2, 0xb2, 0xff}
	clay  = color.NRGBA{0x8f, 0x3f, 0x1c, 0xff}
	straw = color.NRGBA{0xff, 0xc6, 0x4a, 0xff}
	rose  = color.NRGBA{0xff, 0x9e, 0xc4, 0xff}
	sky   = color.NRGBA{0x86, 0xd3, 0xf2, 0xff}
	chalk = color.NRGBA{0xff, 0xff, 0xff, 0xff}
	halo  = color.NRGBA{0x10, 0x18, 0x18, 0xa0}
)

// typeface is a font of the Go project, embedded in the program.
type typeface struct {
	font  *sfnt.Font
	faces map[float64]font.Face
}

// Fonts holds the typefaces at the sizes used so far. It is used by one goroutine.
type Fonts struct{ regular, bold typeface }

// NewFonts parses the embedded fonts.
func NewFonts() (*Fonts, error) {
	var f Fonts
	for _, t := range []struct {
		to  *typeface
		ttf []byte
	}{{&f.regular, goregular.TTF}, {&f.bold, gobold.TTF}} {
		p, err := opentype.Parse(t.ttf)
		if err != nil {
			return nil, fmt.Errorf("embedded font: %w", err)
		}
		*t.to = typeface{p, map[float64]font.Face{}}
	}
	return &f, nil
}

func (t *typeface) face(px float64) (font.Face, error) {
	if f, ok := t.faces[px]; ok {
		return f, nil
	}
	f, err := opentype.NewFace(t.font, &opentype.FaceOptions{Size: px, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		return nil, fmt.Errorf("embedded font at %g px: %w", px, err)
	}
	t.faces[px] = f
	return f, nil
}

// clean makes a text drawable on one line: control and direction marks go,
// letters that the fonts do not have become "?".
func (f *Fonts) clean(s string) string {
	var buf sfnt.Buffer
	var b strings.Builder
	for _, r := range s {
		switch {
		case unicode.IsSpace(r):
			b.WriteByte(' ')
		case unicode.Is(unicode.C, r):
		default:
			if i, err := f.regular.font.GlyphIndex(&buf, r); err != nil || i == 0 {
				r = '?'
			}
			b.WriteRune(r)
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// Can says whether every letter of a text can be written with these fonts. They
// hold Latin, Greek and Cyrillic; other scripts need shaping or fonts of their own.
func (f *Fonts) Can(s string) bool {
	var buf sfnt.Buffer
	for _, r := range s {
		if unicode.IsSpace(r) || unicode.Is(unicode.C, r) {
			continue
		}
		if i, err := f.regular.font.GlyphIndex(&buf, r); err != nil || i == 0 {
			return false
		}
	}
	return true
}

// Or is the text if it can be written, else what stands in for it: a row of question marks helps nobody.
func (f *Fonts) Or(s, instead string) string {
	if f.Can(s) {
		return s
	}
	return instead
}

// Clean is the text as it can be written with these fonts on one line.
func (f *Fonts) Clean(s string) string { return f.clean(s) }

// pen writes text on a picture.
type pen struct {
	dc    *gg.Context
	fonts *Fonts
	err   error
}

func (p *pen) use(bold bool, px float64, c color.Color) {
	t := &p.fonts.regular
	if bold {
		t = &p.fonts.bold
	}
	f, err := t.face(px)
	if err != nil {
		p.err = err
		return
	}
	p.dc.SetFontFace(f)
	p.dc.SetColor(c)
}

// line writes one line with its baseline at y, cut with "…" to fit width.
func (p *pen) line(s string, x, y, width float64) {
	if p.err != nil {
		return
	}
	p.dc.DrawString(p.fit(p.fonts.clean(s), width), x, y)
}

func (p *pen) fit(s string, width float64) string {
	if w, _ := p.dc.MeasureString(s); w <= width {
		return s
	}
	r := []rune(s)
	for len(r) > 0 {
		r = r[:len(r)-1]
		if w, _ := p.dc.MeasureString(string(r) + "…"); w <= width {
			break
		}
	}
	return string(r) + "…"
}

// wrap breaks s into lines of at most width px in the current face.
func (p *pen) wrap(s string, width float64) []string {
	if p.err != nil {
		return nil
	}
	return p.dc.WordWrap(p.fonts.clean(s), width)
}
