package still

import (
	"bytes"
	"image"
	"image/color"
	"math"
	"testing"

	"cagebook/pose"
)

// standing is an invented figure about cx, 100 px wide and 300 px tall.
func standing(cx float64) Pose {
	var p Pose
	set := func(j pose.Joint, dx, y float64) { p[j] = pose.Estimate{X: cx + dx, Y: y, Sigma: 2} }
	set(pose.LeftShoulder, 30, 100)
	set(pose.RightShoulder, -30, 100)
	set(pose.LeftHip, 20, 220)
	set(pose.RightHip, -20, 220)
	set(pose.LeftKnee, 35, 310)
	set(pose.RightKnee, -35, 310)
	set(pose.LeftAnkle, 50, 400)
	set(pose.RightAnkle, -50, 400)
	return p
}

func TestCrops(t *testing.T) {
	bounds := image.Rect(0, 0, 1280, 480)
	for _, c := range []struct {
		name  string
		poses []Pose
		same  bool
	}{
		{"still camera: one place for all", []Pose{standing(600), standing(620)}, true},
		{"camera moves: it follows the hitter", []Pose{standing(200), standing(1000)}, false},
		{"at the edge of the picture", []Pose{standing(5), standing(5)}, true},
		{"a frame without joints", []Pose{standing(600), {}}, true},
		{"no joints at all", []Pose{{}, {}}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := Crops(c.poses, bounds)
			if (r[0] == r[1]) != c.same || r[0].Size() != r[1].Size() {
				t.Errorf("crops %v", r)
			}
			for i, p := range c.poses {
				if r[i].Empty() || !r[i].In(bounds) {
					t.Errorf("crop %v is not in the picture", r[i])
				}
				for _, e := range p {
					if pt := image.Pt(int(e.X), int(e.Y)); e.Known() && pt.In(bounds) && !pt.In(r[i]) {
						t.Errorf("joint at %v is cut off by %v", pt, r[i])
					}
				}
			}
		})
	}
}

// The front knee of a left-handed hitter is the right one.
func TestLeadSide(t *testing.T) {
	p := standing(300)
	for leadIsLeft, want := range map[bool]float64{true: 335, false: 265} {
		s, ok := newFigure(&p, leadIsLeft).shapeOf("lead_knee_flexion")
		if !ok || s.anchor.x != want {
			t.Errorf("lead is left %v: knee at %v, want %v", leadIsLeft, s.anchor.x, want)
		}
	}
}

func TestUncertainJointIsNotDrawn(t *testing.T) {
	p := standing(300)
	p[pose.LeftKnee].Sigma = 60 // a fifth of the figure
	if _, ok := newFigure(&p, true).shapeOf("lead_knee_flexion"); ok {
		t.Error("an angle is drawn at a knee that is not known")
	}
}

func TestDraw(t *testing.T) {
	fonts, err := NewFonts()
	if err != nil {
		t.Fatal(err)
	}
	pic := image.NewRGBA(image.Rect(0, 0, 640, 480))
	for i := range pic.Pix {
		pic.Pix[i] = 0x80
	}
	s := Scene{
		Picture: pic, Pose: standing(300), LeadIsLeft: true, Number: 5, Moment: "Contact", Time: "1.23 s \u202e\x00 漢", LookAt: "Look.",
		Marks: []Mark{{"lead_knee_flexion", "Front knee bend: 14° ± 4°", true}, {"bat_speed", "Bat speed: bat not followed", false}},
	}
	s.Crop = Crops([]Pose{s.Pose}, pic.Bounds())[0]
	a, err := Draw(s, fonts)
	if err != nil {
		t.Fatal(err)
	}
	b, err := Draw(s, fonts)
	if err != nil || !bytes.Equal(a.Pix, b.Pix) || a.Rect.Dx() != Width {
		t.Error("the same scene gives another picture")
	}
	s.Marks = nil
	if c, err := Draw(s, fonts); err != nil || c.Rect.Dy() >= a.Rect.Dy() {
		t.Errorf("words below the picture take no room: %v", err)
	}
	if got := fonts.clean("a\u202e\n b\x00 漢±"); got != "a b ?±" {
		t.Errorf("cleaned to %q", got)
	}
	if _, err := Draw(Scene{Picture: pic, Crop: image.Rect(900, 900, 950, 950)}, fonts); err == nil {
		t.Error("a crop outside the picture is drawn")
	}
	if _, err := DrawSheet(Sheet{Scenes: []Scene{{Number: 1}}}, fonts); err == nil {
		t.Error("a proof sheet without any picture is drawn")
	}
}

// Words must be legible: WCAG 2.2 asks for a contrast of 4.5 : 1 (AA).
func TestContrast(t *testing.T) {
	for name, c := range map[string][2]color.NRGBA{"ink": {ink, paper}, "soft": {soft, paper}, "number": {paper, clay}, "letter": {ink, chalk}} {
		if k := contrast(c[0], c[1]); k < 4.5 {
			t.Errorf("%s: contrast %.1f", name, k)
		}
	}
}

// contrast is the contrast ratio of WCAG 2.2, from the relative luminance of sRGB colours.
func contrast(a, b color.NRGBA) float64 {
	lum := func(c color.NRGBA) float64 {
		lin := func(v uint8) float64 {
			s := float64(v) / 255
			if s <= 0.04045 {
				return s / 12.92
			}
			return math.Pow((s+0.055)/1.055, 2.4)
		}
		return 0.2126*lin(c.R) + 0.7152*lin(c.G) + 0.0722*lin(c.B)
	}
	hi, lo := lum(a), lum(b)
	if hi < lo {
		hi, lo = lo, hi
	}
	return (hi + 0.05) / (lo + 0.05)
}
