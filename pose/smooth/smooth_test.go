package smooth

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"cagebook/pose"
)

// figure is a standing body of height px whose wrists follow a given path; all
// other joints stand still.
func figure(px float64, hands pose.Keypoint) pose.Pose {
	var p pose.Pose
	at := func(j pose.Joint, x, y float64) { p[j] = pose.Keypoint{X: 400 + x*px, Y: 500 - y*px, Score: 1} }
	// Heights ÷ stature: Drillis & Contini 1966.
	at(pose.Nose, 0, 0.93)
	at(pose.LeftShoulder, 0.1, 0.818)
	at(pose.RightShoulder, -0.1, 0.818)
	at(pose.LeftHip, 0.08, 0.53)
	at(pose.RightHip, -0.08, 0.53)
	at(pose.LeftKnee, 0.08, 0.285)
	at(pose.RightKnee, -0.08, 0.285)
	at(pose.LeftAnkle, 0.08, 0.039)
	at(pose.RightAnkle, -0.08, 0.039)
	at(pose.LeftWrist, hands.X, hands.Y)
	at(pose.RightWrist, hands.X+0.03, hands.Y)
	return p
}

// burst is the angle and the angular speed of an arm that is at rest, turns
// with a speed of peak·sin² over duration, and rests again.
func burst(t, start, duration, peak float64) (angle, speed float64) {
	u := (t - start) / duration
	switch {
	case u <= 0:
		return 0, 0
	case u >= 1:
		return peak * duration / 2, 0
	}
	s := math.Sin(math.Pi * u)
	return peak * duration * (u/2 - math.Sin(2*math.Pi*u)/(4*math.Pi)), peak * s * s
}

const armBL = 0.33 // hands turn about the shoulders on about an arm's length

type scene struct {
	fps, heightPx, duration, peakBL float64 // peakBL: hand speed, body lengths/s
	noiseBL, whiteShare             float64
	seed                            uint64
}

// build makes the track and the true wrist positions.
func (c scene) build() (*pose.Track, []pose.Keypoint) {
	rng := rand.New(rand.NewPCG(c.seed, 7))
	n := int(2 * c.fps)
	t := &pose.Track{Width: 1280, Height: 720}
	truth := make([]pose.Keypoint, n)
	var corr [pose.NumJoints][2]float64
	for j := range corr {
		corr[j] = [2]float64{rng.NormFloat64(), rng.NormFloat64()}
	}
	phi := math.Exp(-1 / c.fps / 0.06)
	for i := range n {
		s := float64(i) / c.fps
		a, _ := burst(s, 1-c.duration/2, c.duration, c.peakBL/armBL)
		p := figure(c.heightPx, pose.Keypoint{X: armBL * math.Sin(a-1.5), Y: 0.75 - armBL*math.Cos(a-1.5)})
		truth[i] = p[pose.LeftWrist]
		for j := range p {
			for k := range 2 {
				corr[j][k] = phi*corr[j][k] + math.Sqrt(1-phi*phi)*rng.NormFloat64()
			}
			if p[j].Score > 0 {
				w, r := math.Sqrt(c.whiteShare), math.Sqrt(1-c.whiteShare)
				p[j].X += c.noiseBL * c.heightPx * (w*rng.NormFloat64() + r*corr[j][0])
				p[j].Y += c.noiseBL * c.heightPx * (w*rng.NormFloat64() + r*corr[j][1])
			}
		}
		t.Times = append(t.Times, s)
		t.Frames = append(t.Frames, i)
		t.Raw = append(t.Raw, p)
	}
	return t, truth
}

// peakSpeed is the greatest speed by central differences, px/s, and its time.
func peakSpeed(times []float64, at func(i int) (x, y float64)) (peak, when float64) {
	for i := 1; i+1 < len(times); i++ {
		x0, y0 := at(i - 1)
		x1, y1 := at(i + 1)
		if v := math.Hypot(x1-x0, y1-y0) / (times[i+1] - times[i-1]); v > peak {
			peak, when = v, times[i]
		}
	}
	return peak, when
}

func wristOf(t *pose.Track) func(i int) (x, y float64) {
	return func(i int) (x, y float64) { return t.Smooth[i][pose.LeftWrist].X, t.Smooth[i][pose.LeftWrist].Y }
}

// A burst as short as trade practice assumes for a bat (0.15 s), and as hands
// have it (0.25 s, peak 4 body lengths/s): what share of the peak is left.
// A 10 Hz low-pass at 60 fps leaves 90 % of the short one.
func TestPeakSpeedIsKept(t *testing.T) {
	for _, c := range []struct {
		name     string
		fps, dur float64
		min      float64
	}{
		{"hands 240", 240, 0.25, 0.97},
		{"hands 120", 120, 0.25, 0.97},
		{"hands 60", 60, 0.25, 0.97},
		{"hands 30", 30, 0.25, 0.95},
		{"bat-like 240", 240, 0.15, 0.95},
		{"bat-like 60", 60, 0.15, 0.92},
	} {
		tr, truth := scene{fps: c.fps, heightPx: 400, duration: c.dur, peakBL: 4, seed: 1}.build()
		if err := Track(tr, Options{}); err != nil {
			t.Fatal(err)
		}
		want, when := peakSpeed(tr.Times, func(i int) (float64, float64) { return truth[i].X, truth[i].Y })
		got, at := peakSpeed(tr.Times, wristOf(tr))
		t.Logf("%s: %.1f %% of the peak, %.1f ms late", c.name, 100*got/want, 1000*(at-when))
		if got/want < c.min || got/want > 1.05 || math.Abs(at-when) > 1.01/c.fps {
			t.Errorf("%s: peak %.3f of the true one at %.3f s, want ≥ %.2f at %.3f s", c.name, got/want, at, c.min, when)
		}
	}
}

func TestSigmaCoversTruth(t *testing.T) {
	for _, fps := range []float64{30, 60, 240} {
		for _, share := range []float64{1, 0.35, 0} {
			for _, noise := range []float64{0.006, 0.012, 0.02} {
				in, all, inBurst, burstAll := 0, 0, 0, 0
				var sumSmooth, sumRaw float64
				for seed := range uint64(4) {
					tr, truth := scene{fps, 400, 0.25, 4, noise, share, seed}.build()
					if err := Track(tr, Options{FloorBL: -1}); err != nil {
						t.Fatal(err)
					}
					for i, e := range tr.Smooth {
						w := e[pose.LeftWrist]
						sumSmooth += math.Pow(w.X-truth[i].X, 2) + math.Pow(w.Y-truth[i].Y, 2)
						sumRaw += math.Pow(tr.Raw[i][pose.LeftWrist].X-truth[i].X, 2) + math.Pow(tr.Raw[i][pose.LeftWrist].Y-truth[i].Y, 2)
						for _, d := range [2]float64{w.X - truth[i].X, w.Y - truth[i].Y} {
							ok := math.Abs(d) <= 1.96*w.Sigma
							all++
							if ok {
								in++
							}
							if math.Abs(tr.Times[i]-1) < 0.12 {
								burstAll++
								if ok {
									inBurst++
								}
							}
						}
					}
				}
				c, b := float64(in)/float64(all), float64(inBurst)/float64(burstAll)
				t.Logf("%3.0f fps, white %.2f, noise %.3f: coverage %.3f, in the burst %.3f, error %.2f of raw", fps, share, noise, c, b, math.Sqrt(sumSmooth/sumRaw))
				if c < 0.87 || share == 0.35 && (c < 0.93 || b < 0.92) {
					t.Errorf("%v fps, white share %v, noise %v: coverage %.3f", fps, share, noise, c)
				}
			}
		}
	}
}

func TestFormErrors(t *testing.T) {
	good, _ := scene{fps: 30, heightPx: 300, duration: 0.25, peakBL: 4, seed: 1}.build()
	for _, c := range []struct {
		name string
		edit func(*pose.Track)
		want error
	}{
		{"no frames", func(t *pose.Track) { *t = pose.Track{} }, ErrShort},
		{"two frames", func(t *pose.Track) { t.Times, t.Raw = t.Times[:2], t.Raw[:2] }, ErrShort},
		{"NaN time", func(t *pose.Track) { t.Times[5] = math.NaN() }, ErrForm},
		{"time stands", func(t *pose.Track) { t.Times[5] = t.Times[4] }, ErrForm},
		{"poses missing", func(t *pose.Track) { t.Raw = t.Raw[1:] }, ErrForm},
		{"NaN points", func(t *pose.Track) {
			for i := range t.Raw {
				t.Raw[i][pose.LeftWrist].X = math.NaN()
			}
		}, nil},
		{"infinite points", func(t *pose.Track) { t.Raw[3][pose.Nose].X = math.Inf(1) }, nil},
		{"nothing seen", func(t *pose.Track) {
			for i := range t.Raw {
				t.Raw[i] = pose.Pose{}
			}
		}, nil},
	} {
		tr := *good
		tr.Times = append([]float64(nil), good.Times...)
		tr.Raw = append([]pose.Pose(nil), good.Raw...)
		c.edit(&tr)
		if err := Track(&tr, Options{}); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
		for i := range tr.Smooth {
			for j, e := range tr.Smooth[i] {
				if math.IsNaN(e.X) || math.IsNaN(e.Y) || math.IsNaN(e.Sigma) {
					t.Fatalf("%s: frame %d, %v: %v", c.name, i, pose.Joint(j), e)
				}
			}
		}
	}
}

// Mirror, scale, translation and time shift of the input do the same to the output.
func TestProperties(t *testing.T) {
	run := func(edit func(*pose.Track)) *pose.Track {
		tr, _ := scene{60, 300, 0.25, 4, 0.012, 0.35, 3}.build()
		if edit != nil {
			edit(tr)
		}
		if err := Track(tr, Options{}); err != nil {
			t.Fatal(err)
		}
		return tr
	}
	points := func(f func(k *pose.Keypoint)) func(*pose.Track) {
		return func(tr *pose.Track) {
			for i := range tr.Raw {
				for j := range tr.Raw[i] {
					f(&tr.Raw[i][j])
				}
			}
		}
	}
	base := run(nil)
	for _, c := range []struct {
		name string
		edit func(*pose.Track)
		back func(e pose.Estimate) pose.Estimate
	}{
		{"mirror", points(func(k *pose.Keypoint) { k.X = 1280 - k.X }), func(e pose.Estimate) pose.Estimate { e.X = 1280 - e.X; return e }},
		{"scale", points(func(k *pose.Keypoint) { k.X *= 2.5; k.Y *= 2.5 }), func(e pose.Estimate) pose.Estimate {
			return pose.Estimate{X: e.X / 2.5, Y: e.Y / 2.5, Sigma: e.Sigma / 2.5}
		}},
		{"translation", points(func(k *pose.Keypoint) { k.X += 300; k.Y -= 80 }), func(e pose.Estimate) pose.Estimate { e.X -= 300; e.Y += 80; return e }},
		{"time shift", func(tr *pose.Track) {
			for i := range tr.Times {
				tr.Times[i] += 17.25
			}
		}, func(e pose.Estimate) pose.Estimate { return e }},
	} {
		got := run(c.edit)
		for i := range base.Smooth {
			for _, j := range []pose.Joint{pose.LeftWrist, pose.Nose, pose.RightAnkle} {
				a, b := base.Smooth[i][j], c.back(got.Smooth[i][j])
				if math.Abs(a.X-b.X) > 1e-5 || math.Abs(a.Y-b.Y) > 1e-5 || math.Abs(a.Sigma-b.Sigma) > 1e-5 {
					t.Fatalf("%s: frame %d, %v: %v, want %v", c.name, i, j, b, a)
				}
			}
		}
	}
}

func TestGapsOutliersRepeats(t *testing.T) {
	tr, truth := scene{60, 400, 0.25, 4, 0.006, 0.35, 5}.build()
	w := pose.LeftWrist
	for i := 20; i < 25; i++ { // 0.1 s between seen points
		tr.Raw[i][w].Score = 0
	}
	for i := 80; i < 95; i++ { // 0.27 s
		tr.Raw[i][w] = pose.Keypoint{}
	}
	tr.Raw[40][w].X += 100                                         // a wrist gone astray: a quarter of the height
	tr.Raw[61][w], tr.Raw[61][w].Y = tr.Raw[60][w], truth[61].Y+80 // in the burst
	if err := Track(tr, Options{}); err != nil {
		t.Fatal(err)
	}
	at := func(i int) pose.Estimate { return tr.Smooth[i][w] }
	off := func(i int) float64 { return math.Hypot(at(i).X-truth[i].X, at(i).Y-truth[i].Y) }
	if !at(22).Known() || off(22) > 3*at(22).Sigma || at(22).Sigma <= at(15).Sigma {
		t.Errorf("short gap: %v (off %.1f px), beside it %v", at(22), off(22), at(15))
	}
	if at(87).Known() {
		t.Errorf("long gap was filled: %v", at(87))
	}
	if off(40) > 8 || off(61) > 16 {
		t.Errorf("outliers pull: %.1f px, %.1f px", off(40), off(61))
	}

	// 30 pictures a second stored as 60: every other frame repeats the one before.
	rep, truth := scene{60, 400, 0.25, 4, 0, 0.35, 5}.build()
	rep.Repeat = make([]bool, rep.Len())
	for i := 1; i < rep.Len(); i += 2 {
		rep.Raw[i], rep.Repeat[i] = rep.Raw[i-1], true
	}
	if err := Track(rep, Options{}); err != nil {
		t.Fatal(err)
	}
	for i := 1; i+1 < rep.Len(); i += 2 {
		e := rep.Smooth[i][w]
		if d := math.Hypot(e.X-truth[i].X, e.Y-truth[i].Y); d > 0.012*400 {
			t.Errorf("repeated frame %d: %.1f px off", i, d)
		}
	}
}

func BenchmarkTrack(b *testing.B) {
	tr, _ := scene{240, 400, 0.25, 4, 0.01, 0.35, 5}.build()
	for i := range tr.Raw {
		for j := range tr.Raw[i] {
			if tr.Raw[i][j].Score == 0 {
				tr.Raw[i][j] = tr.Raw[i][pose.LeftWrist]
			}
		}
	}
	for b.Loop() {
		if err := Track(tr, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
