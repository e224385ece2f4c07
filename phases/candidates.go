package phases

import (
	"math"

	"cagebook/pose"
)

// burst is a local peak of hand speed and what surrounds it.
type burst struct {
	peak  int     // grid index of the largest speed of the hands relative to mid-hip
	speed float64 // there, body lengths/s
	f     features
}

// features tell a swing from other fast motion of the hands. Lengths in body
// lengths along the joints, from what a probe on real swings and pitches found
// to separate them: a thrower stands on one leg and uses one hand.
type features struct {
	Speed      float64 // peak of hand speed, 1/s
	WidthS     float64 // time above half the peak, s
	LegAfter   float64 // mean difference of ankle heights 0.15 to 0.5 s after the peak
	LegBefore  float64 // largest difference of ankle heights in the 1.2 s before, of ankles below the hips
	WristGap   float64 // median distance of the wrists about the peak
	HandsAfter float64 // median height of the hands above mid-hip 0.15 to 0.5 s after
	HandsPrior float64 // median height of the hands above mid-hip 0.5 to 0.15 s before, in trunk lengths
	WristRatio float64 // mean speed of the slower wrist over that of the faster about the peak
	SweepDeg   float64 // angle swept by the hands about mid-shoulders, absolute net
	Quiet      float64 // median hand speed 0.8 to 0.4 s before the peak, over the peak
	Travel     float64 // net displacement of the hands from 0.2 s before to 0.2 s after
	HipTravel  float64 // displacement of mid-hip over the 1 s around the peak
}

// minPeak is the least hand speed of a burst worth a look, body lengths/s. The
// slowest real swing seen peaks at 1.6; a walk's arm swing stays below 1.
const minPeak = 1.2

// bursts finds the local peaks of hand speed of at least minPeak, strongest first kept where two are within 0.45 s.
func (b *body) bursts(minPeak float64) []burst {
	v := make([]float64, b.n)
	for i := range v {
		v[i] = b.speed(b.hands, i, 0.05).norm()
	}
	var out []burst
	gap := int(0.45 / b.dt)
	for i := 1; i+1 < b.n; i++ {
		if v[i] < minPeak || v[i] < v[i-1] || v[i] <= v[i+1] {
			continue
		}
		if n := len(out); n > 0 && i-out[n-1].peak < gap {
			if v[i] > out[n-1].speed {
				out[n-1] = burst{peak: i, speed: v[i]}
			}
			continue
		}
		out = append(out, burst{peak: i, speed: v[i]})
	}
	for k := range out {
		out[k].f = b.describe(out[k].peak, v)
	}
	return out
}

// over collects g(i) for grid indices at peak+[fromS, toS].
func (b *body) over(peak int, fromS, toS float64, g func(int) float64) []float64 {
	var out []float64
	for i := peak + int(fromS/b.dt); i <= peak+int(toS/b.dt); i += 2 {
		if i >= 0 && i < b.n {
			out = append(out, g(i))
		}
	}
	return out
}

func (b *body) describe(p int, v []float64) features {
	f := features{Speed: v[p]}
	lo, hi := p, p
	for lo > 0 && v[lo] > v[p]/2 {
		lo--
	}
	for hi < b.n-1 && v[hi] > v[p]/2 {
		hi++
	}
	f.WidthS = float64(hi-lo) * b.dt
	ankles := func(i int) float64 {
		return math.Abs(b.at[pose.LeftAnkle][i].y-b.at[pose.RightAnkle][i].y) / b.length
	}
	f.LegAfter = mean(b.over(p, 0.15, 0.5, ankles))
	f.LegBefore = quantile(finite(b.over(p, -1.2, -0.1, func(i int) float64 {
		if math.Min(b.at[pose.LeftAnkle][i].y, b.at[pose.RightAnkle][i].y) < b.hipAt[i].y {
			return math.NaN() // above the hips: nobody lifts an ankle so high, it was mistaken
		}
		return ankles(i)
	})), 0.97)
	f.WristGap = median(b.over(p, -0.12, 0.12, func(i int) float64 {
		return b.at[pose.LeftWrist][i].sub(b.at[pose.RightWrist][i]).norm() / b.length
	}))
	trunk := func(i int) float64 { return math.Max(b.shAt[i].sub(b.hipAt[i]).norm(), 0.15*b.length) }
	above := func(i int) float64 { return (b.hipAt[i].y - b.handAt[i].y) / trunk(i) }
	f.HandsAfter = median(b.over(p, 0.15, 0.5, above))
	f.HandsPrior = median(b.over(p, -0.5, -0.15, above))
	wrist := func(j pose.Joint) func(int) float64 {
		return func(i int) float64 {
			return b.speed(func(k int) vec { return b.at[j][k].sub(b.hipAt[k]) }, i, 0.05).norm()
		}
	}
	l, r := mean(b.over(p, -0.08, 0.08, wrist(pose.LeftWrist))), mean(b.over(p, -0.08, 0.08, wrist(pose.RightWrist)))
	f.WristRatio = math.Min(l, r) / math.Max(math.Max(l, r), 1e-9)
	var swept float64
	prev := math.NaN()
	for i := max(0, p-int(0.3/b.dt)); i <= min(b.n-1, p+int(0.3/b.dt)); i++ {
		d := b.handAt[i].sub(b.shAt[i])
		if d.norm() < 0.05*b.length {
			continue
		}
		a := math.Atan2(d.y, d.x)
		if !math.IsNaN(prev) {
			swept += math.Remainder(a-prev, 2*math.Pi)
		}
		prev = a
	}
	f.SweepDeg = math.Abs(swept) * 180 / math.Pi
	f.Quiet = median(b.over(p, -0.8, -0.4, func(i int) float64 { return v[i] })) / v[p]
	at := func(s float64) int { return int(clamp(float64(p)+s/b.dt, 0, float64(b.n-1))) }
	f.Travel = b.hands(at(0.2)).sub(b.hands(at(-0.2))).norm()
	f.HipTravel = b.hipAt[at(0.5)].sub(b.hipAt[at(-0.5)]).norm() / b.length
	return f
}

// wentRound is 1 where the hands went all the way round and ended high, 0 where they stopped before: whatever a motion looks
// like otherwise, one that was held back or only half made does not do that. Rendered full swings that a held swing
// resembles more than any template sweep 144° and more about the shoulders and end 0.7 trunk lengths and more above the
// hips; held ones that sweep so far end at 0.5.
func (f features) wentRound() float64 {
	return math.Min(1, over01(f.SweepDeg, 100, 40)) * math.Min(1, over01(f.HandsAfter, 0.55, 0.13))
}

func mean(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	var s float64
	for _, v := range x {
		s += v
	}
	return s / float64(len(x))
}

// over01 is 0 up to lo and rises by 1 a width beyond it.
func over01(x, lo, width float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return math.Max(0, (x-lo)/width)
}

// doubt is one reason why a burst may be no swing, and how strong it is.
type doubt struct {
	size   float64
	reason string
}

// handWeight discounts what the wrists alone say: one hidden behind the body,
// or put onto the bat, makes a throw of a swing.
const handWeight = 0.4

// unseenFinish is the doubt of a burst after which the clip ends: a half swing looks like a whole one until it stops. A
// clear swing can bear it.
const unseenFinish = 0.5

// doubts weighs each feature. The limits are those between the real swings and
// pitches that the method was developed on; sizes add up, 1 is worth a factor e.
func (f features) doubts() []doubt {
	unfinished := 0.0
	if math.IsNaN(f.HandsAfter) {
		unfinished = unseenFinish
	}
	return []doubt{
		{unfinished, "the follow-through is not in the clip"},
		{over01(f.LegAfter, 0.18, 0.06), "stands on one leg afterwards, as after a throw"},
		{over01(f.LegBefore, 0.34, 0.10), "lifts a leg as high as a pitcher does"},
		{handWeight * over01(f.WristGap, 0.20, 0.08), "the hands are apart: not both on one handle"},
		{handWeight * over01(-f.HandsAfter, -0.62, 0.15), "the hands do not finish high"},
		{handWeight * over01(-f.HandsPrior, -0.45, 0.25), "the hands do not start near the rear shoulder"},
		{handWeight * over01(-f.WristRatio, -0.30, 0.15), "one hand moves without the other"},
		{over01(f.Quiet, 0.40, 0.2), "no quiet moment before it"},
		{over01(f.HipTravel, 0.33, 0.12), "the whole body travels"},
		{over01(-f.Speed, -1.6, 0.25), "too slow for a full swing"},
		{over01(f.WidthS, 0.5, 0.1), "too slow for a full swing"},
	}
}

// Burst is a fast motion of the hands and how little it looks like a swing.
type Burst struct {
	TimeS  float64 // when the hands were fastest
	Doubt  float64 // 0 = a swing without doubt; Detect takes up to about 2.5 for one
	Reason string  // what speaks most against a swing
}

// coarseMinPeak is minPeak for tracks of few frames a second, which make fast motion look slower, body lengths/s.
const coarseMinPeak = 0.9

// Bursts judges the fast motions of a smoothed track that was read coarsely, about 14 times a second or more, to tell which
// are worth a close look: of rendered swings with known truth, read so, 54 of 58 have less than 5 doubts, most none.
// A track too poor to look at gives ErrNoTrack.
func Bursts(t *pose.Track, given Given) ([]Burst, error) {
	b, err := bodyOf(t)
	if err != nil {
		return nil, err
	}
	var out []Burst
	for _, u := range b.bursts(coarseMinPeak) {
		c := b.judge(u, given)
		if math.IsNaN(c.doubt) {
			c.doubt = math.Inf(1)
		}
		out = append(out, Burst{b.time(u.peak), c.doubt, c.reason})
	}
	return out, nil
}
