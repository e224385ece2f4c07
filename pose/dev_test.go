package pose

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
)

// markedClips reads tracks that people marked, for evaluation where they are
// at hand: 13 joints a frame, about 28 frames a second.
func markedClips(t *testing.T, name string) []Track {
	t.Helper()
	raw, err := os.ReadFile("../../shared/data/tracks/" + name)
	if err != nil {
		t.Skipf("no evaluation data: %v", err)
	}
	var file struct {
		Clips []struct {
			Width, Height int
			X, Y          [][]float64
		}
	}
	if err := json.Unmarshal(raw, &file); err != nil {
		t.Fatal(err)
	}
	joints := [13]Joint{Nose, LeftShoulder, RightShoulder, LeftElbow, RightElbow, LeftWrist, RightWrist, LeftHip, RightHip, LeftKnee, RightKnee, LeftAnkle, RightAnkle}
	var out []Track
	for _, c := range file.Clips {
		tr := Track{Width: c.Width, Height: c.Height}
		for i := range c.X {
			var p Pose
			for k, j := range joints {
				p[j] = Keypoint{c.X[i][k], c.Y[i][k], 1}
			}
			tr.Frames = append(tr.Frames, i)
			tr.Times = append(tr.Times, float64(i)/28)
			tr.Raw = append(tr.Raw, p)
		}
		out = append(out, tr)
	}
	return out
}

func samplesOf(tr *Track, every, offset int) []Sample {
	var s []Sample
	for i := offset; i < tr.Len(); i += every {
		b, _ := tr.Raw[i].Bounds(0.5)
		s = append(s, Sample{Frame: tr.Frames[i], TimeS: tr.Times[i], People: []Person{{Points: tr.Raw[i], Box: b, Score: 0.9}}})
	}
	return s
}

// Real swings must become candidates; real pitches mostly no sure ones, even without
// any sight of bat or ball.
func TestScoutOnMarkedClips(t *testing.T) {
	count := func(name string, taken func([]Hitter) []Hitter) (hits, all int) {
		for _, tr := range markedClips(t, name) {
			for offset := range 2 {
				all++
				out := Scout(samplesOf(&tr, 2, offset), tr.Width, tr.Height, nil)
				if len(taken(out.Hitters)) > 0 {
					hits++
				} else if testing.Verbose() {
					s := newSeries(follow(samplesOf(&tr, 2, offset))[0])
					for _, b := range s.bursts(samplesOf(&tr, 2, offset)) {
						if name == "swing_dev.json" {
							t.Logf("%s missed: %.2f %+v", name, b.score, b.ev)
						}
					}
					if name == "swing_dev.json" && len(s.bursts(samplesOf(&tr, 2, offset))) == 0 {
						t.Logf("no burst: %.1f", s.speed)
					}
				}
			}
		}
		return hits, all
	}
	swings, n := count("swing_dev.json", slices.Clone)
	pitches, m := count("pitch_dev.json", Sure)
	t.Logf("swings taken %d of %d, pitches taken %d of %d", swings, n, pitches, m)
	if float64(swings) < 0.95*float64(n) {
		t.Errorf("swings taken: %d of %d", swings, n)
	}
	if float64(pitches) > 0.35*float64(m) {
		t.Errorf("pitches taken: %d of %d", pitches, m)
	}
}

// Whatever is held where bats are not wanted: the choice is the same to the last bit.
func TestBatsThatCannotCount(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	asked, all := 0, 0
	for _, name := range []string{"swing_dev.json", "pitch_dev.json"} {
		for _, tr := range markedClips(t, name) {
			samples := samplesOf(&tr, 2, 0)
			for i := range samples {
				if h, ok := hands(&samples[i].People[0].Points); ok && rng.Float64() < 0.7 {
					samples[i].Objects = []Object{{BaseballBat, Box{h.X, h.Y, h.X + 10, h.Y + 10}, rng.Float64()}}
				}
			}
			with := Scout(samples, tr.Width, tr.Height, nil)
			for i, w := range BatWanted(samples, nil) {
				if all++; w {
					asked++
				} else {
					samples[i].Objects = nil
				}
			}
			if without := Scout(samples, tr.Width, tr.Height, nil); fmt.Sprint(with) != fmt.Sprint(without) {
				t.Fatalf("%s: another choice without the bats that were not wanted", name)
			}
		}
	}
	t.Logf("bats wanted in %d of %d samples", asked, all)
	if asked == 0 || asked == all {
		t.Errorf("bats wanted in %d of %d samples", asked, all)
	}
}
