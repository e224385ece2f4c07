package pose

import "math"

const (
	// How far bat and arms reach around the box of a person's points, in box heights.
	aroundX, aroundTop, aroundFoot = 0.3, 0.15, 0.05
	// A cell of a thumbnail is the mean of 16 pixels, whose noise is about 2 grey levels; a joint or
	// an edge that moves on by a cell changes it by a good part of the picture's contrast.
	contrastShare        = 0.2
	minLevels, maxLevels = 4.0, 8.0
)

// Around is the part of the picture that a person and a bat reach, given the box of the person's points.
func (b Box) Around() Box {
	h := b.Y1 - b.Y0
	return Box{b.X0 - aroundX*h, b.Y0 - aroundTop*h, b.X1 + aroundX*h, b.Y1 + aroundFoot*h}
}

// Changes are the cells of a picture's thumbnail that differ from those of the picture before.
type Changes struct {
	w, h    int
	changed []bool // nil = the thumbnails cannot be compared
}

// ChangesSince compares two thumbnails, whatever a lamp or the exposure did to all of the picture.
func (t Thumb) ChangesSince(before Thumb) Changes {
	if t.W != before.W || t.H != before.H || t.W == 0 {
		return Changes{}
	}
	n := float64(len(t.Grey))
	var level, square float64
	var steps [512]int // of the differences, whole levels: their median is what a lamp or the exposure did
	for i, g := range t.Grey {
		steps[int(g-before.Grey[i])+256]++
		level += float64(g)
		square += float64(g) * float64(g)
	}
	common, seen := 0, 0
	for seen += steps[0]; 2*seen < len(t.Grey); seen += steps[common] {
		common++
	}
	limit := contrastShare * math.Sqrt(math.Max(0, square/n-level*level/(n*n)))
	limit = math.Min(math.Max(limit, minLevels), maxLevels)
	c := Changes{w: t.W, h: t.H, changed: make([]bool, len(t.Grey))}
	for i, g := range t.Grey {
		c.changed[i] = math.Abs(float64(g-before.Grey[i])-float64(common-256)) > limit
	}
	return c
}

// Motion says how much of the picture about a person changed: the number of changed cells over the square of the
// person's height in cells. box holds the person's points, in px of a
// picture of width w. Between samples 1/14 s apart somebody who stands gives 0 to 0.02, a waggle 0.02 to 0.1,
// a swing 0.08 (small, from the end) to 0.5 (rendered clips with known truth, a camera at rest); a camera that
// shakes gives more, never less. 1 where the thumbnails could not be compared.
func (c Changes) Motion(box Box, w int) float64 {
	if c.changed == nil || w <= 0 {
		return 1
	}
	cell := float64(w) / float64(c.w)
	h := (box.Y1 - box.Y0) / cell
	if !(h > 1) {
		return 1
	}
	a := box.Around()
	x0, x1 := max(0, int(a.X0/cell)), min(c.w-1, int(a.X1/cell))
	y0, y1 := max(0, int(a.Y0/cell)), min(c.h-1, int(a.Y1/cell))
	n := 0
	for y := y0; y <= y1; y++ {
		for i := y*c.w + x0; i <= y*c.w+x1; i++ {
			if c.changed[i] {
				n++
			}
		}
	}
	return float64(n) / (h * h)
}
