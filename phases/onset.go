package phases

import (
	"math"
	"sort"
)

// The crack of bat on ball in a sound track.
const (
	onsetBandHz   = 1200.0 // below it lie voices, wind and steps
	onsetStepS    = 0.0005 // resolution of the envelope
	onsetRise     = 5.0    // amplitude ratio (14 dB) of the crack to what was before
	onsetRiseS    = 0.004  // within which it rises: a struck note or a voice takes longer
	onsetSecond   = 0.5    // a second sound of half the crack's amplitude (−6 dB) makes it ambiguous
	onsetApartS   = 0.025  // nearer than this it is the same sound, or its echo
	preEchoS      = 0.0015 // lossy codecs smear an attack forward by about this much
	onsetSD       = 0.0012
	decayS        = 0.045 // by then a crack has fallen to a third; a note or a voice has not
	decayTo       = 0.45
	onsetPadS     = 0.08 // of sound needed before the stretch, to know what was before
	minOnsetRate  = 8000
	maxOnsetHoldS = 4.0
)

// Onset is the beginning of a crack.
type Onset struct {
	TimeS  float64 // on the clock of the sound
	SigmaS float64
}

// Reasons why a sound gives no onset.
const (
	OnsetFound     = ""
	OnsetNone      = "no crack was heard"
	OnsetAmbiguous = "more than one crack was heard"
	OnsetNoSound   = "no sound"
)

// FindOnset looks for one crack in [fromS, toS] of mono sound of the given rate
// whose first sample lies at startS. The reason says why there is none: where
// two sounds are about equally loud neither is taken.
func FindOnset(samples []float32, rateHz int, startS, fromS, toS float64) (on Onset, reason string) {
	if rateHz < minOnsetRate || !(toS > fromS) || toS-fromS > maxOnsetHoldS || math.IsNaN(startS) || math.IsInf(startS, 0) {
		return on, OnsetNoSound
	}
	lo := int(math.Floor((fromS - onsetPadS - startS) * float64(rateHz)))
	hi := int(math.Ceil((toS + decayS + 0.01 - startS) * float64(rateHz)))
	lo, hi = max(lo, 0), min(hi, len(samples))
	if hi-lo < rateHz/50 {
		return on, OnsetNoSound
	}
	env := loudness(samples[lo:hi], rateHz)
	step := max(1, int(math.Round(onsetStepS*float64(rateHz))))
	stepS := float64(step) / float64(rateHz)
	t0 := startS + float64(lo)/float64(rateHz)
	at := func(i int) float64 { return t0 + (float64(i)+0.5)*stepS }
	floor := quietLevel(env)
	if floor <= 0 {
		var peak float64
		for _, v := range env {
			peak = math.Max(peak, v)
		}
		if peak <= 0 {
			return on, OnsetNoSound // muted
		}
		floor = peak * 1e-4
	}
	rise := max(1, int(onsetRiseS/stepS))
	before := max(1, int(0.02/stepS))
	type hit struct {
		i    int
		peak float64
	}
	var hits []hit
	for i := range env {
		if at(i) < fromS || at(i) > toS {
			continue
		}
		// The largest level of what comes within the rise against the 20 ms before it.
		var was float64
		n := 0
		for k := max(0, i-before); k < i; k++ {
			was += env[k]
			n++
		}
		if n < before/2 {
			continue
		}
		was = math.Max(was/float64(n), floor)
		var top float64
		for k := i; k < min(len(env), i+rise); k++ {
			top = math.Max(top, env[k])
		}
		if top < onsetRise*was || env[i] < top/4 || !falls(env, i, top, stepS) {
			continue
		}
		if m := len(hits); m > 0 && at(i)-at(hits[m-1].i) < onsetApartS {
			hits[m-1].peak = math.Max(hits[m-1].peak, top)
			continue
		}
		hits = append(hits, hit{i, top})
	}
	if len(hits) == 0 {
		return on, OnsetNone
	}
	sort.SliceStable(hits, func(a, b int) bool { return hits[a].peak > hits[b].peak })
	if len(hits) > 1 && hits[1].peak > onsetSecond*hits[0].peak {
		return on, OnsetAmbiguous
	}
	best := hits[0]
	// Back to where it first stood out of the noise.
	i := best.i
	for i > 0 && env[i-1] > math.Max(2.5*floor, 0.08*best.peak) && best.i-i < rise {
		i--
	}
	return Onset{at(i) - stepS/2 + preEchoS, math.Hypot(onsetSD, stepS)}, OnsetFound
}

// falls says whether a sound dies away as a crack does.
func falls(env []float64, i int, top, stepS float64) bool {
	a := i + int(decayS/stepS)
	if a >= len(env) {
		return true // the sound track ends: the rise has to do
	}
	b := min(len(env), a+int(0.01/stepS)+1)
	var sum float64
	for _, v := range env[a:b] {
		sum += v
	}
	return sum/float64(b-a) < decayTo*top
}

// loudness is the root mean square of the high band in steps.
func loudness(x []float32, rateHz int) []float64 {
	step := max(1, int(math.Round(onsetStepS*float64(rateHz))))
	// Two one-pole high-passes: 12 dB an octave.
	rc := 1 / (2 * math.Pi * onsetBandHz)
	dt := 1 / float64(rateHz)
	a := rc / (rc + dt)
	var y1, y2, x1, z1 float64
	out := make([]float64, 0, len(x)/step)
	var sum float64
	for i, s := range x {
		v := float64(s)
		if math.IsNaN(v) || math.IsInf(v, 0) {
			v = 0
		}
		if i == 0 {
			x1 = v
		}
		y1 = a * (y1 + v - x1)
		x1 = v
		y2 = a * (y2 + y1 - z1)
		z1 = y1
		sum += y2 * y2
		if (i+1)%step == 0 {
			out = append(out, math.Sqrt(sum/float64(step)))
			sum = 0
		}
	}
	return out
}

// quietLevel is the lower quartile of an envelope.
func quietLevel(env []float64) float64 { return quantile(env, 0.25) }
