package video

import (
	"fmt"
	"math"
	"slices"
	"sort"
)

// RepairTimes makes times strictly increasing. The longest increasing run of
// given times is kept; missing (NaN), repeated and backward ones are placed
// evenly between their neighbours, or nominalS apart at the ends (nominalS ≤ 0:
// the median step). It returns the new times and how many were changed.
func RepairTimes(times []float64, nominalS float64) ([]float64, int) {
	n := len(times)
	out := slices.Clone(times)
	keep := longestIncreasing(times)
	if len(keep) == n {
		return out, 0
	}
	if nominalS <= 0 || math.IsNaN(nominalS) {
		nominalS = MedianStep(times)
	}
	if nominalS <= 0 {
		nominalS = 1.0 / 30 // nothing is known: the usual rate of phones
	}
	if len(keep) == 0 {
		for i := range out {
			out[i] = float64(i) * nominalS
		}
		return out, n
	}
	for i := keep[0] - 1; i >= 0; i-- {
		out[i] = out[i+1] - nominalS
	}
	for k := 1; k < len(keep); k++ {
		i, j := keep[k-1], keep[k]
		for m := i + 1; m < j; m++ {
			out[m] = times[i] + (times[j]-times[i])*float64(m-i)/float64(j-i)
		}
	}
	for i := keep[len(keep)-1] + 1; i < n; i++ {
		out[i] = out[i-1] + nominalS
	}
	return out, n - len(keep)
}

// longestIncreasing returns the indices of the longest strictly increasing
// subsequence (patience sorting); of equal times the first is kept.
func longestIncreasing(x []float64) []int {
	prev := make([]int, len(x))
	var tails []int // index of the smallest end of an increasing run of each length
	for i, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			continue
		}
		k := sort.Search(len(tails), func(k int) bool { return x[tails[k]] >= v })
		prev[i] = -1
		if k > 0 {
			prev[i] = tails[k-1]
		}
		if k == len(tails) {
			tails = append(tails, i)
		} else if x[tails[k]] > v {
			tails[k] = i
		}
	}
	keep := make([]int, len(tails))
	if len(tails) == 0 {
		return keep
	}
	for i, k := tails[len(tails)-1], len(tails)-1; k >= 0; k-- {
		keep[k] = i
		i = prev[i]
	}
	return keep
}

// MedianStep returns the median of the positive steps, 0 if there is none.
func MedianStep(times []float64) float64 {
	var steps []float64
	for i := 1; i < len(times); i++ {
		if d := times[i] - times[i-1]; d > 0 && !math.IsInf(d, 0) {
			steps = append(steps, d)
		}
	}
	if len(steps) == 0 {
		return 0
	}
	slices.Sort(steps)
	return steps[len(steps)/2]
}

// sameRate: two statements of a frame rate within 3 % mean the same rate
// (29.97 and 30; a phone's 238.9 and 240). Then the file's own clock is trusted.
const sameRate = 0.03

// Info turns a probe and its frame times (file clock, display order; nil = the
// packets') into the description that the program works with.
func (p *Probe) Info(path string, times []float64, o Options) (Info, error) {
	if times == nil {
		times = p.PTSS
	}
	in := Info{
		Path: path, Codec: p.Codec, Rotation: p.Rotation, PixelAspect: p.PixelAspect,
		HasAudio: p.HasAudio, Recorded: p.Recorded, Lens35MM: p.Lens35MM, Warnings: slices.Clone(p.Notes),
	}
	w, h := p.SquareSize()
	if p.Rotation%180 != 0 {
		w, h = h, w
	}
	in.Width, in.Height = w, h
	if len(times) == 0 {
		return in, &Error{Path: path, Kind: ErrDamaged, Msg: "no frame could be found", Hint: "copy the clip from the phone again"}
	}
	nominal := 0.0
	if p.AverageFPS > 0 {
		nominal = 1 / p.AverageFPS
	}
	fixed, changed := RepairTimes(times, nominal)
	if changed > 0 {
		in.Warnings = append(in.Warnings, fmt.Sprintf(
			"%d of %d frames had no time of their own, or one that repeats or runs backwards; they were placed evenly between their neighbours.", changed, len(times)))
	}
	if len(p.PTSS) == 0 && p.MissingPTS > 0 {
		in.Warnings = append(in.Warnings, fmt.Sprintf(
			"The file states no times; frames were placed %.4g a second apart, as the codec or the usual rate says. State captured_fps if that is wrong.", MedianStep(fixed)))
	}
	in.Frames, in.FramesExpected = len(fixed), max(p.expected(), len(fixed))
	in.PTSS = make([]float64, len(fixed))
	for i, t := range fixed {
		in.PTSS[i] = t - fixed[0]
		if i > 0 && !(in.PTSS[i] > in.PTSS[i-1]) { // beyond the precision of a number: no clock
			return in, noClock(path)
		}
	}
	step := MedianStep(in.PTSS)
	if step == 0 {
		step = nominal
	}
	if step == 0 {
		step = p.DeclaredS
	}
	if step <= 0 {
		step = 1.0 / 30
	}
	span := in.PTSS[len(in.PTSS)-1]
	fileFPS := 1 / step
	if len(fixed) > 1 {
		fileFPS = float64(len(fixed)-1) / span
	}
	if !(fileFPS <= maxFPS) {
		return in, noClock(path)
	}
	in.TimeScale = 1
	p.setRate(&in, fileFPS, o.CapturedFPS)
	in.DurationS = (span + step) * in.TimeScale
	if err := checkLimits(&in, span+step, p, o); err != nil {
		return in, err
	}
	return in, nil
}

// maxFPS bounds what is taken for a clock: phones record up to 7680 frames per
// second for moments, and their files play slower than that.
const maxFPS = 100000

func noClock(path string) *Error {
	return &Error{Path: path, Kind: ErrDamaged, Msg: "the times of its frames make no sense", Hint: "convert the clip to H.264 and try again"}
}

// expected is the number of frames that ought to be there: hidden ones of an
// edit list are none.
func (p *Probe) expected() int {
	hidden := p.Packets - len(p.PTSS) - p.MissingPTS
	return max(p.Declared-hidden, len(p.PTSS)+p.MissingPTS)
}

func (p *Probe) setRate(in *Info, fileFPS, sidecarFPS float64) {
	in.CapturedFPS, in.CapturedFPSFrom = fileFPS, "file"
	stated := p.CaptureFPS
	from := "metadata"
	if sidecarFPS > 0 {
		stated, from = sidecarFPS, "sidecar"
	}
	switch {
	case stated <= 0:
		return
	case math.Abs(stated/fileFPS-1) <= sameRate:
		in.CapturedFPSFrom = from // real time, confirmed
		return
	case stated < fileFPS && from == "metadata":
		in.Warnings = append(in.Warnings, fmt.Sprintf(
			"The file states a capture rate of %.4g frames per second but plays %.4g; the statement was not used.", stated, fileFPS))
		return
	case stated < fileFPS:
		in.Warnings = append(in.Warnings, fmt.Sprintf(
			"captured_fps %.4g is less than the %.4g frames per second of the file: times are stretched as of a time lapse. Remove it if the clip plays in real time.", stated, fileFPS))
	}
	in.CapturedFPS, in.CapturedFPSFrom = stated, from
	in.TimeScale = fileFPS / stated
}

func checkLimits(in *Info, durationS float64, p *Probe, o Options) error {
	maxPixels, maxS := o.MaxPixels, o.MaxDurationS
	if maxPixels <= 0 {
		maxPixels = DefaultOptions.MaxPixels
	}
	if maxS <= 0 {
		maxS = DefaultOptions.MaxDurationS
	}
	if n := max(in.Width*in.Height, p.StoredWidth*p.StoredHeight); n > maxPixels {
		return &Error{
			Path: in.Path, Kind: ErrTooLarge, Msg: fmt.Sprintf("pictures of %d × %d px are larger than the limit of %d px", in.Width, in.Height, maxPixels),
			Hint: "film at 1080p or 4K, or scale the clip down",
		}
	}
	if durationS > maxS {
		return &Error{
			Path: in.Path, Kind: ErrTooLarge, Msg: fmt.Sprintf("the clip lasts %.0f s, longer than the limit of %.0f s", durationS, maxS),
			Hint: "cut it into shorter clips",
		}
	}
	return nil
}

// SquareSize returns the stored picture's size in square pixels, before it is
// turned. The smaller side of a pixel is stretched, so that no detail is lost.
func (p *Probe) SquareSize() (width, height int) {
	w, h := p.StoredWidth, p.StoredHeight
	switch {
	case p.PixelAspect > 1:
		w = int(math.Round(float64(w) * p.PixelAspect))
	case p.PixelAspect < 1:
		h = int(math.Round(float64(h) / p.PixelAspect))
	}
	return w, h
}
