package video

import (
	"encoding/binary"
	"math"
	"slices"
	"testing"
)

// asTimes reads eight bytes a time, so that whatever a float64 can hold occurs.
func asTimes(data []byte) []float64 {
	var times []float64
	for ; len(data) >= 8 && len(times) < 2000; data = data[8:] {
		times = append(times, math.Float64frombits(binary.LittleEndian.Uint64(data)))
	}
	return times
}

func fromTimes(times ...float64) (data []byte) {
	for _, t := range times {
		data = binary.LittleEndian.AppendUint64(data, math.Float64bits(t))
	}
	return data
}

// Whatever times a file states, repaired ones are as many; those that were in
// order stay as they are; the number of changes is what the longest increasing
// run leaves, reckoned another way; and a clip either gets a strictly increasing
// clock that begins at 0, or a *Error.
func FuzzRepairTimes(f *testing.F) {
	nan, inf := math.NaN(), math.Inf(1)
	f.Add(fromTimes(0, 1, 3), 0.0, 30.0)
	f.Add(fromTimes(0, 1, 900, 3, 4), 0.0, 0.0)
	f.Add(fromTimes(nan, 5, 6, nan, nan), 0.04, 25.0)
	f.Add(fromTimes(nan, inf, -inf), nan, nan)
	f.Add(fromTimes(1e300, -1e300, 1e308, math.MaxFloat64), 1e-300, 1e300)
	f.Add(fromTimes(1e18, 1e18+1, 1e18+2), 1.0/30, 240.0)
	f.Add(fromTimes(0, math.SmallestNonzeroFloat64, 0, 1), -1.0, -5.0)
	f.Add([]byte("0000\x00\x00\x00\x00000100\x00\x00"), nan, nan) // more frames a second than a number holds
	f.Fuzz(func(t *testing.T, data []byte, nominalS, fps float64) {
		times := asTimes(data)
		before := slices.Clone(times)
		got, changed := RepairTimes(times, nominalS)
		if !slices.EqualFunc(times, before, func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }) {
			t.Fatal("the given times were altered")
		}
		if len(got) != len(times) || changed < 0 || changed > len(times) {
			t.Fatalf("%d times of %d, %d changed", len(got), len(times), changed)
		}
		if want := len(times) - longestRun(times); changed != want {
			t.Fatalf("%d of %v changed, want %d", changed, times, want)
		}
		same := 0
		for i := range got {
			if got[i] == times[i] {
				same++
			}
		}
		if same < len(times)-changed {
			t.Fatalf("%d changed, but only %d of %d are as they were", changed, same, len(times))
		}

		// What else the reader of the probe and of settings lets through.
		p := &Probe{StoredWidth: 640, StoredHeight: 360, PixelAspect: 1, PTSS: times, Packets: len(times)}
		if fps > 0 && !math.IsInf(fps, 0) {
			p.AverageFPS = fps
		}
		var o Options
		if fps >= 1 && fps <= 10000 {
			p.CaptureFPS = fps
		}
		if nominalS >= 1 && nominalS <= 10000 {
			o.CapturedFPS = nominalS
		}
		in, err := p.Info("a.mp4", nil, o)
		if err != nil {
			return
		}
		if in.Frames != len(times) || len(in.PTSS) != in.Frames || in.PTSS[0] != 0 {
			t.Fatalf("%d frames with %d times of %d", in.Frames, len(in.PTSS), len(times))
		}
		for i := 1; i < len(in.PTSS); i++ {
			if !(in.PTSS[i] > in.PTSS[i-1]) {
				t.Fatalf("times %v, %v in a row", in.PTSS[i-1], in.PTSS[i])
			}
		}
		if !(in.DurationS > 0) || math.IsInf(in.DurationS, 0) || !(in.TimeScale > 0) || math.IsInf(in.TimeScale, 0) || !(in.CapturedFPS > 0) || math.IsInf(in.CapturedFPS, 0) {
			t.Fatalf("it lasts %v s at %v frames/s, scale %v", in.DurationS, in.CapturedFPS, in.TimeScale)
		}
	})
}

// longestRun is the length of the longest strictly increasing choice of finite
// times, by the textbook recursion over all pairs instead of by sorting piles.
func longestRun(x []float64) (best int) {
	length := make([]int, len(x))
	for i, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			continue
		}
		length[i] = 1
		for k := range i {
			if length[k] > 0 && x[k] < v {
				length[i] = max(length[i], length[k]+1)
			}
		}
		best = max(best, length[i])
	}
	return best
}
