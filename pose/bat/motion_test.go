package bat

import (
	"math"
	"testing"

	"cagebook/pose"
)

// spin is the end of a bat of half a height that turns about still hands: slowly, then as in a swing (2,300°/s at contact, published peaks are
// 1,600 to 2,700), then slowly again.
func spin(fps float64) (f *follower, r Result) {
	const h, contact, r0 = 200.0, 0.9, 0.5
	s := &Scene{Height: h, ContactS: contact, SwingFromS: contact - 0.15}
	turned := 0.0
	for i := range int(1.6 * fps) {
		t := float64(i) / fps
		d := (t - contact) / 0.09
		turned += 40 * math.Exp(-d*d/2) / fps
		s.Times = append(s.Times, t)
		x, y := 300+h*r0*math.Cos(turned), 200+h*r0*math.Sin(turned)
		r.Bat = append(r.Bat, pose.BatSample{Status: measured, Knob: pose.Estimate{X: 300, Y: 200, Sigma: 3}, Barrel: pose.Estimate{X: x, Y: y, Sigma: 0.011 * h}})
		r.AngleRad = append(r.AngleRad, turned)
	}
	n := len(s.Times)
	f = &follower{s: s, w: 600, h: 400, maxR: maxBat, longR: maxBat}
	f.views = views{make([]grip, n), make([][]float32, n), make([][]float32, n), make([][]bool, n)}
	return f, r
}

func clearly(n int) way {
	w := way{make([]int, n), make([]int, n), make([]float64, n), make([]float64, n)}
	for i := range w.gap {
		w.gap[i] = 9
	}
	return w
}

func TestMotionKnowsHowSureItIs(t *testing.T) {
	for _, fps := range []float64{60, 120, 240} {
		f, truth := spin(fps)
		inside, n := 0, 0
		for _, gap := range []float64{0.03, 0.05, 0.08, 0.12} {
			for from := 5; from+int(gap*fps)+5 < len(truth.Bat); from += 9 {
				at := truth.ends(barrelOf)
				for k := range int(gap * fps) {
					at[from+k] = pose.Estimate{}
				}
				m := f.smoothed(at)
				k := from + int(gap*fps)/2
				off := m.off(k, truth.Bat[k].Barrel, f.s.Height)
				n++
				if off <= radius95*m.sigma[k] {
					inside++
				}
				if m.sigma[k] < bridgeSD && off > 0.075 {
					t.Errorf("%v frames/s, %v s left out at %.2f s: %.3f heights off with a standard uncertainty of %.3f", fps, gap, f.s.Times[k], off, m.sigma[k])
				}
			}
		}
		if inside*100 < n*90 {
			t.Errorf("%v frames/s: %d of %d ends that were left out lie within 95 %% intervals", fps, inside, n)
		}
	}
}

// radius95 is the radius, in standard deviations, that holds 95 % of a round normal distribution: sqrt(-2 ln 0.05).
var radius95 = math.Sqrt(-2 * math.Log(0.05))

func TestSecondLookBridgesAndTakesBack(t *testing.T) {
	f, truth := spin(120)
	n := len(truth.Bat)
	near := func(s float64) int { return int(s*120 + 0.5) }
	r := Result{Bat: append([]pose.BatSample(nil), truth.Bat...), AngleRad: append([]float64(nil), truth.AngleRad...)}
	short, long, jump := near(0.6), near(0.9), near(1.3)
	for k := range 4 { // 0.04 s in calm
		r.refuse(short + k)
	}
	for k := -9; k <= 9; k++ { // 0.16 s about contact
		r.refuse(long + k)
	}
	r.Bat[jump].Barrel.X += 0.3 * f.s.Height
	w := clearly(n)
	stray := near(0.05) // a stretch of which nothing is clear, elsewhere
	for k := range 4 {
		w.gap[stray+k] = 3
		r.Bat[stray+k].Barrel.Y += 0.3 * f.s.Height
	}
	r.refuse(stray - 1)
	r.refuse(stray + 4)
	f.again(&r, w, math.NaN())
	off := func(i int) float64 {
		return math.Hypot(r.Bat[i].Barrel.X-truth.Bat[i].Barrel.X, r.Bat[i].Barrel.Y-truth.Bat[i].Barrel.Y) / f.s.Height
	}
	for k := range 4 {
		if i := short + k; r.Bat[i].Status != measured || off(i) > 0.01 || math.IsNaN(r.AngleRad[i]) {
			t.Errorf("a gap of 0.04 s before the swing: %v, %.3f heights off", r.Bat[i].Status, off(i))
		}
	}
	if r.Bat[long].Status == measured {
		t.Errorf("0.16 s without a bat about contact are answered in the middle, %.2f heights off", off(long))
	}
	if r.Bat[jump].Status == measured && off(jump) > 0.02 {
		t.Errorf("an end that jumps by 0.3 heights for one frame stands: %.2f off", off(jump))
	}
	for k := range 4 {
		if i := stray + k; r.Bat[i].Status == measured && off(i) > 0.05 {
			t.Errorf("a stretch that is not clear and that the motion speaks against stands: %.2f off", off(i))
		}
	}
	if i := near(0.7); r.Bat[i] != truth.Bat[i] {
		t.Error("a clear answer was changed")
	}
}

func TestInverse(t *testing.T) {
	a := mat3{{4, 1, 0.5}, {1, 3, 0.2}, {0.5, 0.2, 2}}
	for j, row := range a.mul(a.inverse()) {
		for k, v := range row {
			want := 0.0
			if j == k {
				want = 1
			}
			if math.Abs(v-want) > 1e-12 {
				t.Errorf("a·a⁻¹ [%d][%d] = %v", j, k, v)
			}
		}
	}
}
