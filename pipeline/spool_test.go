package pipeline

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"slices"
	"testing"

	"cagebook/pipeline/video"
	"cagebook/pose"
)

// coded is a picture of a frame in colour, or the part of it, as JPEG.
func coded(t *testing.T, frame int, part image.Rectangle) []byte {
	t.Helper()
	img := image.NewRGBA(part.Sub(part.Min))
	for y := range part.Dy() {
		for x := range part.Dx() {
			img.SetRGBA(x, y, color.RGBA{uint8(x + part.Min.X), uint8(2 * (y + part.Min.Y)), uint8(frame), 255})
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// A part is given where it suffices, at its place in the frame; whole pictures are read once more, each once, and of frames that
// were put alone.
func TestSpoolOfParts(t *testing.T) {
	s, err := NewSpool(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	whole, part := image.Rect(0, 0, 96, 64), image.Rect(16, 16, 80, 64)
	var read [][]int
	s.again = func(frames []int, put func(int, []byte) error) error {
		read = append(read, slices.Clone(frames))
		for _, f := range frames {
			if err := put(f, coded(t, f, whole)); err != nil {
				return err
			}
		}
		return nil
	}
	for f := range 5 {
		if err := s.Put(f, coded(t, f, part), part); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.PutWhole(1, coded(t, 1, whole)); err != nil {
		t.Fatal(err)
	}
	within, beyond := image.Rect(20, 20, 40, 60), image.Rect(10, 20, 40, 60)
	a, err := s.Image(2, within)
	if err != nil || a.Bounds() != part {
		t.Fatal(err)
	}
	b, err := s.Image(2, beyond)
	if err != nil || b.Bounds() != whole {
		t.Fatal(err)
	}
	for y := within.Min.Y; y < within.Max.Y; y++ {
		for x := within.Min.X; x < within.Max.X; x++ {
			if a.At(x, y) != b.At(x, y) {
				t.Fatalf("pixel %d, %d differs", x, y)
			}
		}
	}
	for _, want := range []image.Rectangle{{}, beyond} {
		if im, err := s.Image(1, want); err != nil || im.Bounds() != whole {
			t.Error(err)
		}
	}
	if _, at, err := s.JPEGs([]int{0, 1, 2}, within); err != nil || at != part.Min {
		t.Error(at, err)
	}
	get, at, err := s.JPEGs([]int{0, 1, 2, 3}, beyond)
	if err != nil || at != (image.Point{}) {
		t.Fatal(at, err)
	}
	for f := range 4 {
		if jpg, err := get(f); err != nil || !bytes.Equal(jpg, coded(t, f, whole)) {
			t.Errorf("frame %d: %v", f, err)
		}
	}
	if _, err := s.Image(9, image.Rectangle{}); err == nil {
		t.Error("a frame that was never put")
	}
	if want := [][]int{{2}, {0, 3}}; !slices.EqualFunc(read, want, slices.Equal) {
		t.Errorf("read again: %v, want %v", read, want)
	}
}

// The part that is spooled begins and ends on the grid of blocks, holds the hitter, and is one for windows that overlap.
func TestShownPart(t *testing.T) {
	h := someHitter(pose.Window{FromS: 0.5, ToS: 1.0}, pose.Window{FromS: 0.9, ToS: 1.3})
	work := planWindows([]pose.Hitter{h}, video.Info{Width: 1920, Height: 1080})
	if len(work) != 2 || work[0].shown != work[1].shown {
		t.Fatalf("%d windows", len(work))
	}
	p := work[0].shown
	b, _ := h.Coarse.Raw[0].Bounds(0.2)
	if p.Min.X%16 != 0 || p.Min.Y%16 != 0 || p.Max.X%16 != 0 || p.Max.Y%16 != 0 || !image.Rect(int(b.X0), int(b.Y0), int(b.X1), int(b.Y1)).In(p) {
		t.Errorf("part %v of a hitter in %v", p, b)
	}
	if p := shownPart(&h.Coarse, h.Windows[0], 256, 160); !p.Empty() { // he fills the picture
		t.Errorf("part %v of a small picture", p)
	}
}
