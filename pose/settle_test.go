package pose

import (
	"math"
	"slices"
	"strings"
	"testing"
)

// batterAt is a simple body of 400 px whose hands swing at 1 s.
func batterAt(t float64) Pose {
	var p Pose
	at := func(j Joint, x, y float64) { p[j] = Keypoint{600 + 400*x, 600 - 400*y, 0.9} }
	a := 2.2 / (1 + math.Exp(-(t-1)*25)) // angle of the arms about the shoulders
	hx, hy := 0.30*math.Cos(2.6-a), 0.76+0.10*math.Sin(2.6-a)
	at(Nose, 0.02, 0.93)
	at(LeftShoulder, 0.09, 0.82)
	at(RightShoulder, -0.09, 0.82)
	at(LeftElbow, 0.5*(hx+0.09), 0.5*(hy+0.70))
	at(RightElbow, 0.5*(hx-0.09), 0.5*(hy+0.66))
	at(LeftWrist, hx-0.02, hy-0.03)
	at(RightWrist, hx+0.02, hy+0.03)
	at(LeftHip, 0.07, 0.53)
	at(RightHip, -0.07, 0.53)
	at(LeftKnee, 0.14, 0.29)
	at(RightKnee, -0.14, 0.29)
	at(LeftAnkle, 0.18, 0.04)
	at(RightAnkle, -0.18, 0.04)
	at(LeftHeel, 0.17, 0)
	at(RightHeel, -0.19, 0)
	return p
}

// coarseOf is the people model's view of the batter, 14 a second.
func coarseOf(durS float64) *Track {
	c := &Track{}
	for t := 0.0; t < durS; t += 1.0 / 14 {
		c.Frames = append(c.Frames, len(c.Frames))
		c.Times = append(c.Times, t)
		c.Raw = append(c.Raw, batterAt(t))
	}
	return c
}

func TestSettleUndoesSwaps(t *testing.T) {
	for _, fps := range []float64{25, 60, 240} {
		coarse := coarseOf(2)
		var times []float64
		var rs [][]Reading
		for i := range int(2 * fps) {
			s := float64(i) / fps
			r := Reading{Pose: batterAt(s)}
			good := r
			if s > 0.5 && s < 0.62 || s > 1.3 && s < 1.6 {
				r = r.swapped(choice{swapLower: true})
			}
			if s > 0.9 && s < 1.1 {
				r = r.swapped(choice{swapUpper: true})
			}
			one := []Reading{r}
			if s > 0.2 && s < 0.3 { // the first region shows somebody else
				for j := range one[0].Pose {
					one[0].Pose[j].X += 150
				}
				one = append(one, good)
			}
			times = append(times, s)
			rs = append(rs, one)
		}
		out := Settle(times, rs, coarse, 400)
		for i := range out {
			want := batterAt(times[i])
			for _, j := range slow {
				if d := math.Hypot(out[i].Pose[j].X-want[j].X, out[i].Pose[j].Y-want[j].Y); d > 1 {
					t.Fatalf("%v fps, %.3f s, %v: %.0f px off", fps, times[i], j, d)
				}
			}
		}
	}
	if out := Settle(nil, nil, coarseOf(1), 400); out != nil {
		t.Error("no frames, but readings")
	}
}

func TestMendHands(t *testing.T) {
	var times []float64
	var rs []Reading
	for i := range 120 {
		s := float64(i) / 60
		r := Reading{Pose: batterAt(s)}
		if s > 0.98 && s < 1.05 { // slides along the bat
			r.Pose[RightWrist].X += 110
		}
		times = append(times, s)
		rs = append(rs, r)
	}
	n := MendHands(times, rs, 400)
	if n != 4 {
		t.Errorf("%d frames mended, want 4", n)
	}
	for i := range rs {
		want := batterAt(times[i])
		if d := math.Hypot(rs[i].Pose[RightWrist].X-want[RightWrist].X, rs[i].Pose[RightWrist].Y-want[RightWrist].Y); d > 12 {
			t.Errorf("%.3f s: right wrist %.0f px off", times[i], d)
		}
		if rs[i].Pose[LeftWrist] != want[LeftWrist] {
			t.Errorf("%.3f s: the good wrist was moved", times[i])
		}
	}
	// Hands that part for good (a finish with one hand) are left alone.
	for i := range rs {
		rs[i] = Reading{Pose: batterAt(times[i])}
		if times[i] > 1.2 {
			rs[i].Pose[RightWrist].X -= 120
		}
	}
	if n := MendHands(times, rs, 400); n != 0 {
		t.Errorf("%d frames of a one-handed finish were changed", n)
	}
}

func TestRegionPath(t *testing.T) {
	p, ok := NewRegionPath(coarseOf(2), 0, 2)
	if !ok {
		t.Fatal("no region")
	}
	if p.At(0.1) != p.At(1.7) {
		t.Errorf("a hitter who stays gets a moving region: %v, %v", p.At(0.1), p.At(1.7))
	}
	r := p.At(1)
	for _, s := range []float64{0, 0.9, 1, 1.1, 1.9} {
		q := batterAt(s)
		for j, k := range q {
			if u, v := r.FromPicture(k.X, k.Y); k.Seen() && (u < 0.05 || v < 0.05 || u > 0.95 || v > 0.95) {
				t.Errorf("%v at %.1f s lies at the region's edge: %.2f, %.2f", Joint(j), s, u, v)
			}
		}
	}
	walk := coarseOf(2)
	for i := range walk.Raw {
		for j := range walk.Raw[i] {
			walk.Raw[i][j].X += 400 * walk.Times[i]
		}
	}
	p, _ = NewRegionPath(walk, 0, 2)
	if a, b := p.At(0.3), p.At(1.7); b.CX-a.CX < 400 || a.Side != b.Side {
		t.Errorf("the region does not follow a walker: %v, %v", a, b)
	}
	if _, ok := NewRegionPath(walk, 5, 6); ok {
		t.Error("a region where nobody was seen")
	}
}

// A batter among a squatting catcher who stands nearer, a standing umpire and
// a thrower must be the one, and two batters are two.
func TestScoutChoosesTheBatter(t *testing.T) {
	person := func(p Pose) Person {
		b, _ := p.Bounds(0.1)
		return Person{Points: p, Box: b, Score: 0.8}
	}
	moved := func(p Pose, dx, scale float64) Pose {
		for j := range p {
			if p[j].Seen() {
				p[j].X = 600 + (p[j].X-600)*scale + dx
				p[j].Y = 600 - (600-p[j].Y)*scale
			}
		}
		return p
	}
	catcher := func(s float64) Pose {
		p := moved(batterAt(0), -350, 1.3)
		for _, j := range []Joint{Nose, LeftShoulder, RightShoulder, LeftHip, RightHip, LeftElbow, RightElbow, LeftWrist, RightWrist} {
			p[j].Y += 180
		}
		p[LeftWrist].X += 150 * math.Exp(-math.Pow((s-1.1)/0.05, 2)) // reaches for the ball
		return p
	}
	thrower := func(s float64) Pose {
		p := moved(batterAt(0), 500, 0.8)
		p[RightWrist] = Keypoint{1100 + 160*math.Cos(12*s), 350 + 160*math.Sin(12*s), 0.9}
		p[LeftWrist] = Keypoint{1180, 480, 0.9}
		return p
	}
	size := 1.0 // of the second hitter
	run := func(second bool, said *Place) Scouted {
		var samples []Sample
		for i := range 56 {
			s := float64(i) / 14
			sm := Sample{Frame: i, TimeS: s, People: []Person{person(catcher(s)), person(batterAt(s)), person(thrower(s)), person(moved(batterAt(0), -700, 1.1))}}
			if second {
				sm.People = append(sm.People, person(moved(batterAt(s-2), 1200, size)))
			}
			samples = append(samples, sm)
		}
		return Scout(samples, 1920, 1080, said)
	}
	out := run(false, nil)
	if len(out.Hitters) != 1 || out.People != 4 {
		for _, h := range out.Hitters {
			t.Logf("%.2f %+v", h.Score, h.Evidence)
		}
		t.Fatalf("%d hitters among %d people, want 1 of 4", len(out.Hitters), out.People)
	}
	h := out.Hitters[0]
	if x := h.Coarse.Raw[0][Nose].X; math.Abs(x-608) > 1 {
		t.Errorf("the wrong one: nose at %.0f", x)
	}
	if w := h.Windows[0]; len(h.Windows) != 1 || w.FromS > 0.5 || w.ToS < 1.9 || math.Abs(w.PeakS-1) > 0.1 {
		t.Errorf("windows %+v", h.Windows)
	}
	if out = run(true, nil); len(out.Hitters) != 2 {
		t.Errorf("%d hitters, want 2", len(out.Hitters))
	}
	// In the next cage, farther off, while the nearer one stands in the picture.
	size = 0.65
	if out = run(true, nil); len(out.Hitters) != 2 {
		t.Errorf("%d hitters, want 2", len(out.Hitters))
	}
	if hs, left := Choose(out.Hitters, out.Hitters, out.Ready); len(hs) != 1 || left.Farther != 1 || hs[0].Coarse.Raw[0][Nose].X > 700 {
		t.Errorf("%d hitters and %d farther off, want 1 and 1", len(hs), left.Farther)
	}
	// A person's word wins: the thrower at the place that was named, or nobody where nobody stands.
	box, _ := func() (Box, int) { p := thrower(1); return p.Bounds(0.1) }()
	if out = run(false, &Place{1, (box.X0 + box.X1) / 2, (box.Y0 + box.Y1) / 2}); len(out.Hitters) != 1 || out.Hitters[0].Coarse.Raw[0][Nose].X < 1000 {
		t.Errorf("the thrower was named, and %d hitters taken", len(out.Hitters))
	}
	if out = run(false, &Place{1, 1900, 20}); len(out.Hitters) != 0 || !strings.Contains(out.Seen, "hitter_at") {
		t.Errorf("nobody stands there: %d hitters, %q", len(out.Hitters), out.Seen)
	}
	if out := Scout(nil, 10, 10, nil); out.Seen != "nobody was seen in the picture" {
		t.Errorf("empty clip: %q", out.Seen)
	}
}

// TestChooseWhoIsFilmed: the picture's edge cuts a neighbour, who may be nearer; a nearer hitter who waits in the middle
// of the picture is the one who is filmed; and of two who take turns neither may be lost.
func TestChooseWhoIsFilmed(t *testing.T) {
	at := func(x, bodyPx, score float64, fromS, toS float64) Hitter {
		h := Hitter{Windows: []Window{{FromS: fromS, ToS: toS}}, Evidence: Evidence{BodyPx: bodyPx}, Score: score, Coarse: Track{Width: 1920, Height: 1080}}
		for i := range 30 {
			var p Pose
			for k, j := range []Joint{LeftShoulder, RightShoulder, LeftHip, RightHip, LeftAnkle, RightAnkle} {
				p[j] = Keypoint{x + 0.1*bodyPx*float64(k%2), 500 + 100*float64(k/2), 0.9}
			}
			h.Coarse.Times, h.Coarse.Raw = append(h.Coarse.Times, float64(i)/10), append(h.Coarse.Raw, p)
		}
		return h
	}
	whole, cut := at(900, 400, 0.9, 0, 2), at(8, 600, 0.9, 1, 3)
	waits := at(950, 600, 0, 0, 3)
	small := at(1500, 400, 0.9, 0, 2)
	for name, c := range map[string]struct {
		swing, all, ready, want []Hitter
		left                    LeftOut
	}{
		"beside one who is cut":            {[]Hitter{whole, cut}, []Hitter{whole, cut}, nil, []Hitter{whole}, LeftOut{Cut: 1}},
		"cut, the other one lets it go by": {[]Hitter{cut}, []Hitter{whole, cut}, nil, nil, LeftOut{Cut: 1}},
		"cut and alone":                    {[]Hitter{cut}, []Hitter{cut}, nil, []Hitter{cut}, LeftOut{}},
		"a nearer one waits":               {[]Hitter{small}, []Hitter{small}, []Hitter{waits, small}, nil, LeftOut{Farther: 1}},
		"a nearer one waits at the side":   {[]Hitter{whole}, []Hitter{whole}, []Hitter{at(1700, 600, 0, 0, 3)}, []Hitter{whole}, LeftOut{}},
		"two in turn":                      {[]Hitter{whole, small}, []Hitter{whole, small}, []Hitter{whole, small}, []Hitter{whole, small}, LeftOut{}},
	} {
		got, left := Choose(c.swing, c.all, c.ready)
		same := slices.EqualFunc(got, c.want, func(a, b Hitter) bool { return a.Coarse.Raw[0] == b.Coarse.Raw[0] })
		if !same || left != c.left {
			t.Errorf("%s: %d hitters, %+v; want %d, %+v", name, len(got), left, len(c.want), c.left)
		}
	}
}
