package bat

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"cagebook/pose"
)

// film makes pictures of a bar that turns about a pair of hands before a
// textured wall, with a ball if wanted. What is true of it is known by construction.
type film struct {
	w, h   int
	height float64 // px of the hitter
	fps    float64
	n      int
	shutS  float64
	bat    [3]float64 // BGR
	busy   float64    // contrast of the wall
	noise  float64
	shake  float64 // px
	second bool    // somebody else holds a bat, too
	ball   bool
	noBat  bool
	faint  float64 // share of the bar that shows
	stray  float64 // heights by which the lead hand is put elsewhere, with more certainty than the other
}

func plain() film {
	return film{w: 320, h: 240, height: 150, fps: 60, n: 48, shutS: 0.002, bat: [3]float64{60, 120, 200}, busy: 12, noise: 2, faint: 1}
}

const contactAt = 0.45 // s

func (f *film) time(i int) float64 { return float64(i) / f.fps }

// pose of the bar: hands and direction. Held up and back, swung through about
// contact counter-clockwise as seen (down behind, under, up in front), then held.
func (f *film) at(t float64) (gx, gy, angle, l float64) {
	u := (t - contactAt) / 0.045
	s := 1 / (1 + math.Exp(-2*u))
	angle = -2.3 - 0.15*math.Sin(3*t) - s*5.2 // rad, y down: from up-left by way of left, down and right to up-left again
	gx = 150 + 34*s
	gy = 110 + 22*s*(1-s)*4*0.5
	return gx, gy, angle, 0.42 * f.height
}

func (f *film) shift(i int) (dx, dy float64) {
	t := f.time(i)
	return f.shake * math.Sin(9*t+1), f.shake * 0.7 * math.Sin(13*t)
}

// wall is the background's level at a place: smooth blotches and rails.
func (f *film) wall(x, y float64) float64 {
	v := 110 + f.busy*(math.Sin(x*0.21)*math.Cos(y*0.17+x*0.03)+0.7*math.Sin(x*0.063+y*0.11))
	for _, d := range [2]float64{math.Remainder(x, 38), math.Remainder(y, 46)} {
		if d *= d; d < 16 {
			v += 2.2 * f.busy * math.Exp(-d/4)
		}
	}
	return v
}

// ballAt is the ball's place, if it is there.
func (f *film) ballAt(t float64) (x, y float64, ok bool) {
	if !f.ball {
		return 0, 0, false
	}
	u := t - contactAt
	cx, cy := f.contactPoint()
	if u < 0 {
		return cx - 10*f.height*u, cy + 0.4*f.height*u, true
	}
	return cx + 13*f.height*u, cy - 4*f.height*u, true
}

func (f *film) contactPoint() (x, y float64) {
	gx, gy, a, l := f.at(contactAt)
	return gx + 0.8*l*math.Cos(a), gy + 0.8*l*math.Sin(a)
}

// cover is how much of a pixel a bar from (0.04 heights behind the hands) to its end covers.
func bar(px, py, gx, gy, a, l, half float64) float64 {
	s, c := math.Sincos(a)
	dx, dy := px-gx, py-gy
	along, across := dx*c+dy*s, math.Abs(dy*c-dx*s)
	if along < -8 || along > l {
		return 0
	}
	w := half * (0.5 + 0.7*math.Max(0, along)/l)
	return math.Max(0, math.Min(1, w-across+0.5)) * math.Max(0, math.Min(1, l-along+0.5))
}

func (f *film) scene(seed uint64) *Scene {
	rng := rand.New(rand.NewPCG(seed, 4))
	s := &Scene{Height: f.height, Turn: -1, SwingFromS: contactAt - 0.12, SwingToS: contactAt + 0.03, ContactS: contactAt + 0.012}
	still := make([]float64, f.w*f.h)
	for k := range still {
		still[k] = f.wall(float64(k%f.w), float64(k/f.w))
	}
	grain := make([]float64, 1<<16)
	for k := range grain {
		grain[k] = f.noise * rng.NormFloat64()
	}
	for i := range f.n {
		at := rng.IntN(len(grain))
		im := pose.Image{W: f.w, H: f.h, Stride: 3 * f.w, Pix: make([]byte, 3*f.w*f.h)}
		dx, dy := f.shift(i)
		const sub = 4
		type moment struct{ gx, gy, a, l, ux, uy float64 }
		var ms [sub]moment
		for j := range ms {
			t := f.time(i) + f.shutS*(float64(j)/sub-0.375)
			m := &ms[j]
			m.gx, m.gy, m.a, m.l = f.at(t)
			m.ux, m.uy, _ = f.ballAt(t)
		}
		for y := range f.h {
			for x := range f.w {
				wx, wy := float64(x)-dx, float64(y)-dy
				base := still[y*f.w+x]
				if f.shake != 0 {
					base = f.wall(wx, wy)
				}
				bgr := [3]float64{base, base * 1.02, base * 0.96}
				mix := func(k float64, col [3]float64) {
					for c := range bgr {
						bgr[c] += k * (col[c] - bgr[c])
					}
				}
				if f.second {
					mix(bar(wx, wy, 300, 60, 1.1+0.3*f.time(i), 55, 3), f.bat)
				}
				// the body: it stands there and sways a little
				if bx, by := (wx-165-3*f.time(i))/20, (wy-165)/62; bx*bx+by*by < 1 {
					bgr = [3]float64{70, 60, 50}
				}
				var k, kb float64
				for j := range ms {
					m := &ms[j]
					if !f.noBat && math.Abs(wx-m.gx) < m.l+4 && math.Abs(wy-m.gy) < m.l+4 {
						k += bar(wx, wy, m.gx, m.gy, m.a, m.l, 2.6) / sub
					}
					if f.ball && math.Abs(wx-m.ux) < 5 && math.Abs(wy-m.uy) < 5 {
						kb += math.Max(0, math.Min(1, 3.4-math.Hypot(wx-m.ux, wy-m.uy))) / sub
					}
				}
				mix(k*f.faint, f.bat)
				mix(math.Min(1, kb), [3]float64{235, 240, 240})
				for c := range bgr {
					im.Pix[y*im.Stride+3*x+c] = uint8(math.Max(0, math.Min(255, bgr[c]+grain[(at+3*(y*f.w+x)+c)%len(grain)])))
				}
			}
		}
		gx, gy, _, _ := f.at(f.time(i))
		var b Joints
		put := func(j pose.Joint, x, y float64) {
			sd := 0.008 * f.height
			b[j] = pose.Estimate{X: x + dx + sd*rng.NormFloat64(), Y: y + dy + sd*rng.NormFloat64(), Sigma: sd}
		}
		put(pose.LeftIndex, gx, gy)
		put(pose.RightIndex, gx, gy)
		put(pose.LeftWrist, gx-4, gy)
		put(pose.RightWrist, gx-4, gy)
		if f.stray > 0 {
			for _, j := range [2]pose.Joint{pose.LeftIndex, pose.LeftWrist} {
				b[j].X, b[j].Y, b[j].Sigma = b[j].X+0.8*f.stray*f.height, b[j].Y-0.6*f.stray*f.height, b[j].Sigma/2
			}
		}
		put(pose.LeftShoulder, 172, 118)
		put(pose.RightShoulder, 158, 118)
		put(pose.LeftHip, 170, 165)
		put(pose.RightHip, 160, 165)
		put(pose.LeftAnkle, 175, 222)
		put(pose.RightAnkle, 155, 222)
		put(pose.LeftKnee, 173, 195)
		put(pose.RightKnee, 157, 195)
		s.Times, s.Pics, s.Body = append(s.Times, f.time(i)), append(s.Pics, im), append(s.Body, b)
	}
	return s
}

// judge counts frames with an answer, and how far the barrel end is from the truth, % of height.
func (f *film) judge(r Result) (answered, right int, med float64) {
	var errs []float64
	for i, b := range r.Bat {
		if b.Status != measured {
			continue
		}
		answered++
		gx, gy, a, l := f.at(f.time(i))
		dx, dy := f.shift(i)
		e := 100 * math.Hypot(b.Barrel.X-gx-dx-l*math.Cos(a), b.Barrel.Y-gy-dy-l*math.Sin(a)) / f.height
		errs = append(errs, e)
		if e < 5 {
			right++
		}
	}
	slices.Sort(errs)
	if len(errs) == 0 {
		return 0, 0, math.NaN()
	}
	return answered, right, errs[len(errs)/2]
}

// The truth is that of the drawing; the shares asked for are this project's own goals:
// within 5 % of body height in three of four frames at 60 a second, and wrong
// answers at most one in twenty.
func TestFollowsABar(t *testing.T) {
	bright := plain()
	dark := plain()
	dark.bat = [3]float64{25, 25, 25}
	fence := plain()
	fence.busy = 30
	blurred := plain()
	blurred.shutS = 1.0 / 120
	shaky := plain()
	shaky.shake = 7
	two := plain()
	two.second = true
	fast := plain()
	fast.fps, fast.n = 120, 96
	astray := plain()
	astray.stray = 0.25
	for name, f := range map[string]film{"bright": bright, "dark": dark, "fence": fence, "blurred": blurred, "hand-held": shaky, "second bat": two, "120 fps": fast, "a hand astray": astray} {
		t.Run(name, func(t *testing.T) {
			if testing.Short() && name != "bright" && name != "hand-held" {
				t.Skip("drawn pictures are slow; run without -short")
			}
			t.Parallel()
			r := Follow(f.scene(1))
			answered, right, med := f.judge(r)
			if answered*4 < f.n*3 || right*20 < answered*19 || !(med < 2) {
				t.Errorf("%d of %d frames answered, %d right, median error %.1f %%", answered, f.n, right, med)
			}
			for i, b := range r.Bat {
				if b.Status == measured && (!b.Barrel.Known() || !b.Knob.Known()) {
					t.Fatalf("frame %d: measured without a place", i)
				}
			}
		})
	}
}

func TestNoBatNoAnswer(t *testing.T) {
	f := plain()
	f.noBat = true
	for seed := range uint64(2) {
		if n, _, _ := f.judge(Follow(f.scene(seed))); n*10 > f.n {
			t.Errorf("%d of %d frames were answered without a bat", n, f.n)
		}
	}
}

func TestBatAsFaintAsNoiseGivesFewWrongAnswers(t *testing.T) {
	f := plain()
	f.faint, f.noise = 0.06, 4
	n, right, _ := f.judge(Follow(f.scene(5)))
	if wrong := n - right; wrong*10 > f.n {
		t.Errorf("%d of %d answers are wrong", wrong, n)
	}
}

func TestContactFromBall(t *testing.T) {
	for _, fps := range []float64{60, 120} {
		f := plain()
		f.ball, f.fps, f.n = true, fps, int(0.8*fps)
		r := Follow(f.scene(2))
		fl := r.Flight
		if !fl.In || !fl.Out || !(math.Abs(fl.ContactS-contactAt) < 0.003) {
			t.Errorf("%g fps: in %v, out %v, contact %.4f s (%s), true %.4f", fps, fl.In, fl.Out, fl.ContactS, fl.From, contactAt)
			continue
		}
		x, y := f.contactPoint()
		if d := math.Hypot(fl.Point.X-x, fl.Point.Y-y) / f.height; d > 0.05 {
			t.Errorf("%g fps: the point of contact is %.3f heights off", fps, d)
		}
		for i, b := range r.Ball {
			if x, y, _ := f.ballAt(f.time(i)); b.Status == measured && math.Hypot(b.At.X-x, b.At.Y-y) > 0.05*f.height {
				t.Errorf("%g fps: frame %d: ball at %.0f, %.0f, true %.0f, %.0f", fps, i, b.At.X, b.At.Y, x, y)
			}
		}
	}
}

func TestNoBallNoContact(t *testing.T) {
	f := plain()
	for seed := range uint64(2) {
		if fl := Follow(f.scene(seed)).Flight; !math.IsNaN(fl.ContactS) {
			t.Errorf("contact %.3f s from %s without a ball", fl.ContactS, fl.From)
		}
	}
}

func TestRegisterFindsAKnownShift(t *testing.T) {
	f := plain()
	f.n, f.noBat = 3, true
	s := f.scene(3)
	g := f
	g.shake = 2.5
	moved := g.scene(3)
	s.Pics[2] = moved.Pics[2]
	fl := newFollower(s)
	base := pyramidOf(s.Pics[0])
	got, ok := fl.register(base, fl.corners(base[0], 0), pyramidOf(s.Pics[2]), shift{a: 1}, 2)
	dx, dy := g.shift(2)
	x, y := got.to(100, 100)
	if !ok || math.Hypot(x-100-dx, y-100-dy) > 0.3 {
		t.Errorf("found %v %.2f, %.2f; true %.2f, %.2f", ok, x-100, y-100, dx, dy)
	}
	u, v := got.from(got.to(17, 33))
	if math.Hypot(u-17, v-33) > 1e-9 {
		t.Errorf("from is not the inverse of to: %g, %g", u, v)
	}
}

// The same scene gives the same answer however its frames are shared out.
func TestOrderOfWorkDoesNotMatter(t *testing.T) {
	f := plain()
	f.n = 30
	a, b := f.scene(1), f.scene(1)
	b.Each = func(n int, g func(int)) {
		for i := n - 1; i >= 0; i-- {
			g(i)
		}
	}
	if x, y := fmt.Sprint(Follow(a)), fmt.Sprint(Follow(b)); x != y {
		t.Error("results differ")
	}
}

func TestOddScenes(t *testing.T) {
	f := plain()
	f.n, f.w, f.h, f.height = 6, 40, 30, 24
	for name, spoil := range map[string]func(s *Scene){
		"nothing":         func(s *Scene) { *s = Scene{} },
		"two pictures":    func(s *Scene) { s.Times, s.Pics, s.Body = s.Times[:2], s.Pics[:2], s.Body[:2] },
		"sizes differ":    func(s *Scene) { s.Pics[3].W-- },
		"no height":       func(s *Scene) { s.Height = math.NaN() },
		"no joints":       func(s *Scene) { clear(s.Body) },
		"joints far away": func(s *Scene) { s.Body[2][pose.LeftIndex].X, s.Body[3][pose.RightIndex].Y = 1e9, -1e9 },
		"joints nowhere": func(s *Scene) {
			for j := range s.Body[1] {
				s.Body[1][j] = pose.Estimate{X: math.Inf(1), Y: math.NaN(), Sigma: 1}
			}
		},
		"contact outside": func(s *Scene) { s.ContactS = 99 },
		"huge":            func(s *Scene) { s.Height = 4000 },
	} {
		s := f.scene(1)
		spoil(s)
		r := Follow(s)
		for i, b := range r.Bat {
			if b.Status == measured && (math.IsNaN(b.Barrel.X) || math.IsInf(b.Barrel.X, 0)) {
				t.Errorf("%s: frame %d: barrel end %v", name, i, b.Barrel)
			}
		}
	}
}

// A median shows what has half of the weight: a bat that is held still may not have it, however the pictures lie in time.
func TestStillBatHasNoMajority(t *testing.T) {
	for _, fps := range []float64{30, 60, 120, 240} {
		const contact = 0.9
		s := &Scene{SwingFromS: contact - 0.15, ContactS: contact}
		for k := range int(1.65 * fps) {
			s.Times = append(s.Times, float64(k)/fps)
		}
		s.Pics = make([]pose.Image, len(s.Times))
		pick, weight := (&follower{s: s}).spread(backdropPics)
		if len(pick) > backdropPics || len(pick) != len(weight) {
			t.Fatalf("%g frames/s: %d pictures with %d weights", fps, len(pick), len(weight))
		}
		var before, after, all float64
		for k, i := range pick {
			all += weight[k]
			switch at := s.Times[i]; {
			case at < s.SwingFromS:
				before += weight[k]
			case at > contact+0.25:
				after += weight[k]
			}
		}
		if before > 0.4*all || after > 0.4*all {
			t.Errorf("%g frames/s: %.2f of the weight before the swing, %.2f after it", fps, before/all, after/all)
		}
	}
}
