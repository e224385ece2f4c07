package still

import (
	"image"
	"image/color"
	"testing"

	"cagebook/pose"
)

// A scene whose hands lie on a red patch: what is enlarged must be red, elsewhere in the still than the hands, and only at contact.
func TestHandsAreEnlargedAtContact(t *testing.T) {
	fonts, err := NewFonts()
	if err != nil {
		t.Fatal(err)
	}
	pic := image.NewRGBA(image.Rect(0, 0, 800, 700))
	for y := range 700 {
		for x := range 800 {
			c := color.RGBA{90, 120, 90, 255}
			if x > 380 && x < 480 && y > 250 && y < 350 {
				c = color.RGBA{220, 20, 20, 255}
			}
			pic.SetRGBA(x, y, c)
		}
	}
	p := standing(400)
	for _, j := range []pose.Joint{pose.LeftIndex, pose.RightIndex} {
		p[j] = pose.Estimate{X: 428 + 4*float64(j%2), Y: 300, Sigma: 2}
	}
	s := Scene{Picture: pic, Pose: p, LeadIsLeft: true, Number: 5, Moment: "Contact", LookAt: "Look."}
	s.Crop = pic.Bounds()
	red := func(s Scene) int {
		img, err := Draw(s, fonts)
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for i := 0; i < len(img.Pix); i += 4 {
			if img.Pix[i] > 180 && img.Pix[i+1] < 60 {
				n++
			}
		}
		return n
	}
	with := red(s)
	s.Number = 4
	without := red(s)
	if more := with - without; more < handsPx*handsPx/2 {
		t.Errorf("%d px more of the hands' colour at contact than elsewhere, want at least half of the enlargement", more)
	}
	s.Number = 5
	s.Pose[pose.LeftIndex].X += 300 // hands apart: one is wrong
	if apart := red(s); apart > without+1000 {
		t.Errorf("hands that are apart are enlarged (%d px)", apart-without)
	}
}
