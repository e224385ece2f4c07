package bat

// shift is how a frame lies on the background: a turn, a zoom and a displacement.
type shift struct {
	still  bool
	a, b   float64 // zoom·cos, zoom·sin
	tx, ty float64
}

// to maps a place of the background to the frame.
func (s shift) to(x, y float64) (float64, float64) {
	return s.a*x - s.b*y + s.tx, s.b*x + s.a*y + s.ty
}

// from maps a place of the frame to the background.
func (s shift) from(x, y float64) (float64, float64) {
	x, y = x-s.tx, y-s.ty
	d := s.a*s.a + s.b*s.b
	return (s.a*x + s.b*y) / d, (s.a*y - s.b*x) / d
}

func (f *follower) steady() {
	for i := range f.move {
		f.move[i] = shift{still: true, a: 1}
	}
}
