package pipeline

import (
	"context"
	"testing"

	"cagebook/pipeline/video"
)

// A phone's slow motion of 240 frames/s that plays at 30 stretches its sound by eight or keeps it at its own length; either way it runs
// past the pictures or ends before them. Half a second at the end is what phones cut off.
func TestSoundOfAnotherLengthIsNotUsed(t *testing.T) {
	for _, c := range []struct {
		name              string
		soundS, picturesS float64
		want              bool
	}{
		{"in step", 10, 10, true},
		{"ends early", 9.6, 10, true},
		{"stretched by a tenth", 11.1, 10, false},
		{"stretched by eight", 24, 3, false},
		{"plays at its own speed beside slow motion", 3, 24, false},
		{"a long clip, 4 % off", 62.4, 60, true},
	} {
		a := &video.Audio{RateHz: 8000, Samples: make([]float32, int(c.soundS*8000))}
		if got := runsAlong(a, c.picturesS); got != c.want {
			t.Errorf("%s: used %v, want %v", c.name, got, c.want)
		}
	}
	if runsAlong(&video.Audio{}, 0) {
		t.Error("a sound without a rate is used")
	}
}

// Neither file is opened: what the pictures say is enough.
func TestSoundOfSlowMotionIsNotHeard(t *testing.T) {
	for _, info := range []video.Info{{HasAudio: true, TimeScale: 0.125, DurationS: 3}, {HasAudio: false, TimeScale: 1, DurationS: 3}} {
		if a, err := hear(context.Background(), "/nowhere", &info); a != nil || err != nil {
			t.Errorf("%+v: %v, %v", info, a, err)
		}
	}
}
