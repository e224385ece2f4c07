package phases

import (
	"encoding/binary"
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"cagebook/pose"
)

// performance says how a template is filmed in a test.
type performance struct {
	variant    string
	bats       Bats
	azimuthDeg float64
	fps        float64
	bodyPx     float64
	startS     float64 // time of the track's first frame
	noise      float64 // body lengths
	tempo      float64
}

const contactAtS = 1.2 // s after the track's first frame

// perform projects a template and holds its first and last pose before and after.
func perform(t testing.TB, p performance) *pose.Track {
	t.Helper()
	var m *template
	for i := range templates() {
		if templates()[i].Name == p.variant {
			m = &templates()[i]
		}
	}
	if m == nil {
		t.Fatalf("no template %q", p.variant)
	}
	r := rand.New(rand.NewPCG(7, uint64(p.fps)))
	tr := &pose.Track{Width: 1280, Height: 720}
	view := View{AzimuthDeg: p.azimuthDeg}
	var at [13][3]float64
	for i := 0; float64(i)/p.fps < 2.4; i++ {
		s := float64(i) / p.fps
		last := m.FromS + m.StepS*float64(len(m.Joints)-1) - 1e-6
		m.at(clamp((s-contactAtS)/p.tempo, m.FromS, last), &at)
		var raw pose.Pose
		var e [pose.NumJoints]pose.Estimate
		for k, j := range coreJoints {
			if p.bats == Left {
				j = j.Swap()
			}
			right, down, _ := view.Project(p.bats, at[k][0], at[k][1], at[k][2])
			x := 640 + p.bodyPx*(right+p.noise*r.NormFloat64())
			y := 400 + p.bodyPx*(down+p.noise*r.NormFloat64())
			raw[j] = pose.Keypoint{X: x, Y: y, Score: 1}
			e[j] = pose.Estimate{X: x, Y: y, Sigma: math.Max(p.noise, 0.003) * p.bodyPx}
			tr.Has[j] = true
		}
		tr.Frames, tr.Times = append(tr.Frames, i), append(tr.Times, p.startS+s)
		tr.Raw, tr.Smooth = append(tr.Raw, raw), append(tr.Smooth, e)
	}
	return tr
}

var usual = performance{"middle", Right, 0, 60, 300, 0, 0.004, 1}

func detectOne(t *testing.T, p performance) Swing {
	t.Helper()
	res, err := Detect(perform(t, p), Given{})
	if err != nil {
		t.Fatal(err)
	}
	if len(res.Swings) != 1 {
		t.Fatalf("%d swings; rejected %v", len(res.Swings), res.Rejected)
	}
	return res.Swings[0]
}

func TestDetectFindsSideViewAndContact(t *testing.T) {
	for _, c := range []struct {
		name string
		p    performance
		side string
	}{
		{"open side", performance{"middle", Right, 5, 60, 300, 0, 0.004, 1}, "open"},
		{"left-handed", performance{"middle", Left, 5, 60, 300, 0, 0.004, 1}, "open"},
		{"from the pitcher", performance{"deep coil, hands far back", Right, 85, 120, 300, 0, 0.004, 1}, "pitcher"},
		{"from the catcher, left-handed", performance{"middle", Left, -95, 60, 300, 0, 0.004, 1}, "catcher"},
		{"from behind the back", performance{"high pitch, leg kick", Right, 172, 60, 300, 0, 0.004, 1}, "closed"},
		{"30 frames/s, a slow child", performance{"short, toe tap, hands near", Right, -10, 30, 150, 0, 0.006, 1.25}, "open"},
		{"no stride", performance{"low pitch, no stride", Right, 10, 240, 300, 0, 0.004, 1}, "open"},
	} {
		t.Run(c.name, func(t *testing.T) {
			sw := detectOne(t, c.p)
			if sw.Bats != c.p.bats || sw.View.Side != c.side {
				t.Errorf("bats %s from the %s side, want %s, %s", sw.Bats, sw.View.Side, c.p.bats, c.side)
			}
			if d := math.Abs(math.Remainder(sw.View.AzimuthDeg-c.p.azimuthDeg, 360)); d > 15 {
				t.Errorf("azimuth %.0f°, want %.0f° ± 15°", sw.View.AzimuthDeg, c.p.azimuthDeg)
			}
			e, ok := sw.Event(Contact)
			if !ok || math.Abs(e.TimeS-contactAtS) > 0.025 {
				t.Errorf("contact at %.3f s, want %.3f ± 0.025", e.TimeS, contactAtS)
			}
			for i := 1; i < len(sw.Events); i++ {
				if sw.Events[i].TimeS < sw.Events[i-1].TimeS {
					t.Errorf("events are not in time order: %v", sw.Events)
				}
			}
			for _, e := range sw.Events {
				if !(e.SigmaS > 0) || e.SigmaS > 0.5 {
					t.Errorf("%s has σ %v s", e.Name, e.SigmaS)
				}
			}
		})
	}
}

func TestDetectRejects(t *testing.T) {
	for _, m := range templates() {
		if m.Kind == "swing" {
			continue
		}
		t.Run(m.Name, func(t *testing.T) {
			p := usual
			p.variant = m.Name
			res, err := Detect(perform(t, p), Given{})
			if err != nil {
				t.Fatal(err)
			}
			if len(res.Swings) != 0 {
				t.Errorf("taken for a swing with score %.2f", res.Swings[0].Score)
			}
		})
	}
}

// TestDetectProperties: the same motion later, larger, elsewhere or mirrored is the same swing.
// A clip that ends before contact shows no full swing: held swings begin alike.
func TestSwingsHaveContact(t *testing.T) {
	for _, fps := range []float64{30, 60} {
		p := usual
		p.fps = fps
		whole := perform(t, p)
		for beforeS := 0.20; beforeS > -0.05; beforeS -= 0.02 {
			n := 0
			for n < whole.Len() && whole.Times[n] < contactAtS-beforeS {
				n++
			}
			tr := *whole
			tr.Frames, tr.Times, tr.Raw, tr.Smooth = tr.Frames[:n], tr.Times[:n], tr.Raw[:n], tr.Smooth[:n]
			res, err := Detect(&tr, Given{})
			if err != nil {
				t.Fatal(err)
			}
			for i := range res.Swings {
				if _, ok := res.Swings[i].Event(Contact); !ok {
					t.Errorf("%.0f frames/s, ends %.2f s before contact: a swing without contact", fps, beforeS)
				}
			}
		}
	}
}

func TestDetectProperties(t *testing.T) {
	base := detectOne(t, usual)
	same := func(t *testing.T, sw Swing, shiftS float64) {
		t.Helper()
		if len(sw.Events) != len(base.Events) {
			t.Fatalf("%d events, want %d", len(sw.Events), len(base.Events))
		}
		for _, e := range base.Events {
			g, ok := sw.Event(e.Name)
			if !ok || math.Abs(g.TimeS-shiftS-e.TimeS) > 0.006 {
				t.Errorf("%s at %.4f s, want %.4f", e.Name, g.TimeS-shiftS, e.TimeS)
			}
		}
	}
	t.Run("time shift", func(t *testing.T) {
		p := usual
		p.startS = 17.5
		same(t, detectOne(t, p), 17.5)
	})
	t.Run("scale", func(t *testing.T) {
		p := usual
		p.bodyPx *= 2
		same(t, detectOne(t, p), 0)
	})
	t.Run("mirror", func(t *testing.T) {
		tr := perform(t, usual)
		for i := range tr.Smooth {
			var e [pose.NumJoints]pose.Estimate
			for j := pose.Joint(0); j < pose.NumJoints; j++ {
				e[j.Swap()] = tr.Smooth[i][j]
				e[j.Swap()].X = 1280 - tr.Smooth[i][j].X
			}
			tr.Smooth[i] = e
		}
		res, err := Detect(tr, Given{})
		if err != nil || len(res.Swings) != 1 {
			t.Fatalf("%d swings, %v", len(res.Swings), err)
		}
		if res.Swings[0].Bats != Left {
			t.Error("the mirror image of a right-handed hitter bats left-handed")
		}
		same(t, res.Swings[0], 0)
	})
	t.Run("translation", func(t *testing.T) {
		tr := perform(t, usual)
		for i := range tr.Smooth {
			for j := range tr.Smooth[i] {
				tr.Smooth[i][j].X += 111
				tr.Smooth[i][j].Y -= 57
			}
		}
		res, err := Detect(tr, Given{})
		if err != nil || len(res.Swings) != 1 {
			t.Fatalf("%d swings, %v", len(res.Swings), err)
		}
		same(t, res.Swings[0], 0)
	})
}

func TestMarksWin(t *testing.T) {
	given := Given{Marks: map[EventName][]float64{Contact: {contactAtS + 0.04, 99}, FootDown: {contactAtS - 0.3}}}
	res, err := Detect(perform(t, usual), given)
	if err != nil || len(res.Swings) != 1 {
		t.Fatalf("%d swings, %v", len(res.Swings), err)
	}
	for n, want := range map[EventName]float64{Contact: contactAtS + 0.04, FootDown: contactAtS - 0.3} {
		e, _ := res.Swings[0].Event(n)
		if e.From != "mark" || math.Abs(e.TimeS-want) > 1e-9 {
			t.Errorf("%s: %+v, want the mark at %.3f", n, e, want)
		}
	}
}

func TestStatedSideWins(t *testing.T) {
	res, err := Detect(perform(t, usual), Given{Bats: Left})
	if err != nil {
		t.Fatal(err)
	}
	for _, sw := range res.Swings {
		if sw.Bats != Left || sw.BatsFrom != "stated" {
			t.Errorf("bats %s (%s), want L (stated)", sw.Bats, sw.BatsFrom)
		}
	}
}

// A side that was stated wrongly is doubted, in a note or where no swing is left; the right one is not. No number changes with it.
func TestStatedSideDoubted(t *testing.T) {
	for _, az := range []float64{0, 180} {
		p := usual
		p.azimuthDeg = az
		for _, stated := range []Bats{Left, Right} {
			res, err := Detect(perform(t, p), Given{Bats: stated})
			if err != nil {
				t.Fatal(err)
			}
			doubted := false
			for _, sw := range res.Swings {
				doubted = doubted || strings.Contains(strings.Join(sw.Notes, " "), "looks like a right-handed swing")
			}
			for _, r := range res.Rejected {
				doubted = doubted || strings.Contains(r.Reason, "fits a right-handed swing")
			}
			if doubted != (stated == Left) {
				t.Errorf("a right-handed hitter at %g°, stated %s: doubted is %v; %+v", az, stated, doubted, res)
			}
		}
	}
}

func TestFuse(t *testing.T) {
	for _, c := range []struct {
		name     string
		cues     []cue
		t, sigma float64
	}{
		{"one", []cue{{1, 0.02}}, 1, 0.02 * math.Sqrt(1.3)},
		{"equal weights", []cue{{1, 0.02}, {1.01, 0.02}}, 1.005, 0.02 / math.Sqrt2 * math.Sqrt(1.3)},
		// Birge ratio: χ² = 2·(0.05/0.02)² = 12.5 with one degree of freedom inflates the variance 12.5 times.
		{"disagreeing", []cue{{1, 0.02}, {1.1, 0.02}}, 1.05, 0.02 / math.Sqrt2 * math.Sqrt(12.5*1.3)},
		{"nothing", []cue{{math.NaN(), 0.02}, {1, 0}}, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, s, ok := fuse(c.cues...)
			if ok != (c.sigma > 0) || math.Abs(got-c.t) > 1e-9 || math.Abs(s-c.sigma) > 1e-9 {
				t.Errorf("%v ± %v, want %v ± %v", got, s, c.t, c.sigma)
			}
		})
	}
}

// FuzzDetect feeds any numbers as tracks: an error or a result, never a panic.
func FuzzDetect(f *testing.F) {
	f.Add(uint64(1), uint16(60), []byte{1, 2, 3, 250, 4, 9})
	f.Add(uint64(2), uint16(8), []byte{255, 255, 0, 0, 127})
	f.Fuzz(func(t *testing.T, seed uint64, n uint16, bend []byte) {
		p := usual
		p.fps = 24 + float64(seed%100)
		tr := perform(t, p)
		for i, b := range bend { // break some points
			k := int(binary.LittleEndian.Uint16([]byte{b, byte(i)})) % tr.Len()
			j := int(b) % pose.NumJoints
			switch b % 5 {
			case 0:
				tr.Smooth[k][j].X = math.NaN()
			case 1:
				tr.Smooth[k][j].Y = math.Inf(1)
			case 2:
				tr.Smooth[k][j].Sigma = 0
			case 3:
				tr.Smooth[k][j].X *= 1e6
			case 4:
				tr.Times[k] = float64(b)
			}
		}
		if m := int(n) % tr.Len(); m > 0 {
			tr.Times, tr.Frames, tr.Raw, tr.Smooth = tr.Times[:m], tr.Frames[:m], tr.Raw[:m], tr.Smooth[:m]
		}
		res, err := Detect(tr, Given{})
		if err != nil {
			return
		}
		for _, sw := range res.Swings {
			for _, e := range sw.Events {
				if math.IsNaN(e.TimeS) || !(e.SigmaS > 0) || math.IsInf(e.SigmaS, 0) {
					t.Errorf("%s: %v ± %v", e.Name, e.TimeS, e.SigmaS)
				}
			}
		}
	})
}

func TestDetectRefusesPoorTracks(t *testing.T) {
	short := perform(t, usual)
	short.Times, short.Frames, short.Smooth = short.Times[:5], short.Frames[:5], short.Smooth[:5]
	if _, err := Detect(short, Given{}); !errors.Is(err, ErrNoTrack) {
		t.Errorf("five frames: %v", err)
	}
	if _, err := Detect(nil, Given{}); !errors.Is(err, ErrNoTrack) {
		t.Errorf("nil: %v", err)
	}
	back := perform(t, usual)
	back.Times[20] = back.Times[10]
	if _, err := Detect(back, Given{}); err == nil {
		t.Error("time that goes back is accepted")
	}
}

// A motion that begins as a swing does is held against those that stop too soon, but not where the hands went all the way round.
func TestWentRound(t *testing.T) {
	for _, c := range []struct {
		name         string
		sweep, after float64
		want         float64
	}{
		{"full swing, finished with one hand", 147, 0.73, 1},
		{"check swing", 59, 0.52, 0},
		{"check swing from the end, where the sweep tells little", 138, 0.51, 0},
		{"half swing that ends high", 74, 0.90, 0},
		{"nothing known of the hands", math.NaN(), 0.8, 0},
	} {
		if got := (features{SweepDeg: c.sweep, HandsAfter: c.after}).wentRound(); math.Abs(got-c.want) > 0.01 {
			t.Errorf("%s: %.2f, want %.0f", c.name, got, c.want)
		}
	}
}
