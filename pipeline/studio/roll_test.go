package studio

import (
	"math"
	"testing"
)

func serially(n int, row func(int)) {
	for y := range n {
		row(y)
	}
}

// The truth's pixels are those of the picture, with a rolling shutter, too: the ball in flight is found as what differs
// from the same frame without a ball.
func TestTruthIsWhereThePictureShowsIt(t *testing.T) {
	const frame = 58
	shoot := func(ball string, readoutS float64) (*Scene, []byte) {
		s := RandomScene(4, Variety{Azimuths: []float64{0}, FPS: []float64{30}})
		s.Camera.Width, s.Camera.Height, s.Camera.RollDeg = 640, 360, 0
		s.Hitter.Acts[0].At = frame/30.0 + 0.03 // the ball is 0.03 s from the bat
		s.Noise, s.ShutterS, s.ReadoutS, s.Ball = 0, 1.0/4000, readoutS, ball
		f, err := NewFilm(s, serially)
		if err != nil {
			t.Fatal(err)
		}
		b := f.NewBrush()
		f.Frame(frame, b)
		return s, b.Pix
	}
	seen := func(readoutS float64) (found, told [2]float64) {
		_, bare := shoot("none", readoutS)
		s, with := shoot("pitch", readoutS)
		tr, err := s.Truth()
		if err != nil {
			t.Fatal(err)
		}
		told = *tr.Frames[frame].Ball
		sum := 0.0
		for y := max(0, int(told[1])-12); y < min(360, int(told[1])+12); y++ {
			for x := max(0, int(told[0])-12); x < min(640, int(told[0])+12); x++ {
				i := 3 * (y*640 + x)
				if d := math.Abs(float64(with[i]) - float64(bare[i])); d > 20 {
					sum += d
					found[0] += d * (float64(x) + 0.5)
					found[1] += d * (float64(y) + 0.5)
				}
			}
		}
		if sum == 0 {
			t.Fatalf("readout %g s: no ball about %v", readoutS, told)
		}
		return [2]float64{found[0] / sum, found[1] / sum}, told
	}
	found0, told0 := seen(0)
	found1, told1 := seen(0.025)
	// Light from above makes the ball's upper half weigh more, by the same in both.
	if d := math.Hypot(found0[0]-told0[0], found0[1]-told0[1]); d > 2 {
		t.Errorf("the picture shows the ball at %.1f, the truth says %.1f", found0, told0)
	}
	found := math.Hypot(found1[0]-found0[0], found1[1]-found0[1])
	told := math.Hypot(told1[0]-told0[0], told1[1]-told0[1])
	if told < 3 || math.Abs(found-told) > 0.5 {
		t.Errorf("a rolling shutter moves the ball by %.2f px in the picture and by %.2f px in the truth", found, told)
	}
}

// A crack 0.2 s late, of a track that runs 5 % too slow, is heard at 1.05 times its true time, 0.2 s later.
func TestSoundOutOfStep(t *testing.T) {
	s := RandomScene(5, Variety{})
	s.Place = "field" // no echo
	loudest := func() float64 {
		x, err := s.Sound()
		if err != nil {
			t.Fatal(err)
		}
		best, at := float32(0), 0
		for i, v := range x {
			if v < 0 {
				v = -v
			}
			if v > best {
				best, at = v, i
			}
		}
		return float64(at) / SoundRateHz
	}
	in := loudest()
	if d := in - s.Hitter.Acts[0].At; d < 0.008 || d > 0.05 { // 3 to 15 m at 343 m/s, and the click's own length
		t.Fatalf("in step the crack comes %.3f s after contact", d)
	}
	s.SoundLate, s.SoundLong = 0.2, 1.05
	if got, want := loudest(), 1.05*in+0.2; math.Abs(got-want) > 0.003 {
		t.Errorf("heard at %.3f s, want %.3f", got, want)
	}
}

// The bench's clips are short and small enough that a set of hundreds can be run, and its clips without a swing show
// everything that people do in a cage without swinging.
func TestBenchScenes(t *testing.T) {
	kinds := map[string]int{}
	seconds := 0.0
	for i := range uint64(60) {
		for _, non := range []bool{false, true} {
			s := BenchScene(i, non)
			if err := s.check(); err != nil {
				t.Error(err)
			}
			low := min(s.Camera.Width, s.Camera.Height)
			if s.DurationS < 2 || s.DurationS > 3.6 || low < 360 || low > 720 {
				t.Errorf("%s: %.1f s, %d px", s.Name, s.DurationS, low)
			}
			if do := s.Hitter.Acts[0].Do; non {
				kinds[do]++
			} else if do != "swing" && do != "dry" {
				t.Errorf("%s: %s among the swings", s.Name, do)
			}
			if again := BenchScene(i, non); again.Fingerprint() != s.Fingerprint() {
				t.Errorf("%s: another scene the second time", s.Name)
			}
			seconds += s.DurationS
		}
	}
	for _, k := range []string{"take", "check", "bunt", "practice", "waggle", "walk", "pitch", "field"} {
		if kinds[k] < 6 {
			t.Errorf("%d clips of %s in 60", kinds[k], k)
		}
	}
	if seconds/120 > 3.3 {
		t.Errorf("%.2f s a clip", seconds/120)
	}
}
