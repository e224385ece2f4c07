package pose

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Window is a stretch of a clip that may hold a swing, s of real motion.
type Window struct {
	FromS, ToS float64
	PeakS      float64   // when the hands were fastest relative to the hips
	Peaks      []float64 // of every burst in it; merged windows have several
	Score      float64   // how much like a swing it looks to the coarse pass, 0 to 1
}

// Evidence is why a person was taken for a hitter, from the best candidate swing.
type Evidence struct {
	PeakSpeed  float64 `json:"peak_speed"`  // of the mid-wrists relative to mid-hip, body lengths/s (lowered by the coarse sampling)
	Together   float64 `json:"together"`    // share of the instants about the burst at which both hands could hold one handle
	Travel     float64 `json:"travel"`      // how far the hands went relative to the hips, body lengths
	HandsHigh  float64 `json:"hands_high"`  // height of the hands above the shoulders before the burst, body lengths (− = below)
	HighAfter  float64 `json:"high_after"`  // the same after the burst
	AnkleLift  float64 `json:"ankle_lift"`  // difference of the ankles' heights after the burst, body lengths (a thrower stands on one leg)
	LegLift    float64 `json:"leg_lift"`    // the greatest difference of the ankles' heights about the burst, body lengths
	LegLength  float64 `json:"leg_length"`  // hips above ankles, body lengths (a catcher squats)
	Bat        float64 `json:"bat"`         // best score of a bat in the hands, within 2 s of the burst; 0 = none seen
	BodyPx     float64 `json:"body_px"`     // length of the body, px
	WristsSeen float64 `json:"wrists_seen"` // share of instants with both wrists seen
}

// Hitter is one person who swings, with the stretches of the clip to look at closely.
type Hitter struct {
	ID       int // 1 for the first to swing
	Windows  []Window
	Coarse   Track // COCO points at the sampled instants
	Evidence Evidence
	Score    float64
	Maybe    bool // too little speaks for a hitter to look closely before something says that there is a swing
}

// Scouted is what the coarse pass found in a clip.
type Scouted struct {
	Hitters []Hitter // all who may be; Choose leaves those who are
	Ready   []Hitter // all who stand ready to hit for most of the time, with the time that they were seen as the window
	Seen    string   // where there is no hitter: what was seen instead, a sentence
	People  int      // persons that were followed for half a second or more
}

const (
	burstMin   = 0.85 // body lengths/s at about 14 samples a second; waggles stay below 1, swings reach 2 to 4
	windowMin  = 0.25 // score from which a candidate of a hitter is looked at closely: recall first
	hitterMin  = 0.5  // score from which a person is a hitter
	maybeMin   = 0.35 // score from which a person may be one
	likelyMin  = 0.7  // score of somebody who stands there to hit, swing or not
	unlike     = 0.3  // score that a second hitter may lack of the first
	farther    = 0.8  // size against the nearest hitter's below which somebody swings in another cage, not in turn
	togetherBL = 0.20 // wrists of two hands on one handle are nearer than this, body lengths
	beforeS    = 1.6  // stance and load before the burst
	batNearS   = 2.0  // a hitter holds the bat in view for a second and more before a swing
	quietSpeed = 0.45 // body lengths/s below which hands are quiet in the coarse pass
)

// A window reaches from the quiet stance, this long before the burst at most, to the finish.
const WindowBeforeS, WindowAfterS = 2.6, 1.1

// Where no fast hands are seen of somebody, but the picture stirs about the same person as in a swing and more than it mostly
// does, the hands were not seen right (it is dark, a fence or a person stands before them): a reason to look.
const (
	swingMotion = 0.08 // Changes.Motion of the smallest swing
	usualTimes  = 2.0  // times the person's median motion: a camera that shakes stirs everything all the time
	stirTravel  = 0.33 // body lengths within a second; who walks stirs the picture, too
	stirScore   = 0.4  // between maybeMin and hitterMin
)

// Place is where somebody's body is in the upright picture at a time.
type Place struct {
	TimeS float64 // s of real motion
	X, Y  float64 // px
}

// placeNearS: people are looked at about 14 times a second, and a still person's look is kept.
const placeNearS = 0.5

// at finds who is at a place: of the people seen near that time, the one whose
// box holds it, or nearly so; -1 if there is nobody.
func (p Place) at(ws []*walker) int {
	best, least := -1, 1.25 // box halves from its middle: 1 is the edge
	for i, w := range ws {
		for k := range w.seen {
			s := &w.seen[k]
			dt := math.Abs(s.timeS - p.TimeS)
			b := s.person.Box
			if dt > placeNearS || !(b.X1 > b.X0 && b.Y1 > b.Y0) {
				continue
			}
			off := math.Max(math.Abs(2*p.X-b.X0-b.X1)/(b.X1-b.X0), math.Abs(2*p.Y-b.Y0-b.Y1)/(b.Y1-b.Y0))
			if d := off + 0.5*dt/placeNearS; off <= 1.25 && d < least {
				best, least = i, d
			}
		}
	}
	return best
}

// Scout chooses the hitters and their candidate swings from what the coarse
// pass saw over the whole clip. Samples are in time order. Where a person has
// said at which place the hitter is, nobody else is taken, and every burst of
// that hitter's hands is looked at closely; nil = nobody has.
func Scout(samples []Sample, width, height int, said *Place) Scouted {
	var out Scouted
	walkers := follow(samples)
	windowMin, maybeMin, hitterMin := windowMin, maybeMin, hitterMin
	if said != nil {
		i := said.at(walkers)
		if i < 0 {
			return Scouted{Seen: "nobody was seen at the place that hitter_at names", People: len(walkers)}
		}
		walkers, windowMin, maybeMin, hitterMin = walkers[i:i+1], 0, 0, 0
	}
	throws, moved := 0, false
	for _, w := range walkers {
		if w.brief(samples) {
			continue
		}
		out.People++
		s := newSeries(w)
		bursts := s.bursts(samples)
		fast := len(bursts) > 0
		if moved = moved || fast; !fast {
			bursts = s.stirs(samples)
		}
		if s.ready() {
			out.Ready = append(out.Ready, Hitter{
				Windows: []Window{{FromS: s.t[0], ToS: s.t[len(s.t)-1]}}, Coarse: s.track(samples, width, height), Evidence: Evidence{BodyPx: s.bodyPx},
			})
		}
		var best burst
		var windows []Window
		for _, b := range bursts {
			if fast && b.score < hitterMin && b.ev.Together < 0.5 {
				throws++
			}
			if b.score > best.score {
				best = b
			}
			if b.score >= windowMin {
				windows = append(windows, s.window(b))
			}
		}
		if best.score < maybeMin || len(windows) == 0 || fast && best.score < hitterMin && best.ev.handsApart() {
			continue
		}
		out.Hitters = append(out.Hitters, Hitter{
			Windows: MergeWindows(windows), Coarse: s.track(samples, width, height), Evidence: best.ev, Score: best.score, Maybe: best.score < hitterMin,
		})
	}
	slices.SortStableFunc(out.Hitters, func(a, b Hitter) int { return cmpDesc(b.Windows[0].FromS, a.Windows[0].FromS) })
	for i := range out.Hitters {
		out.Hitters[i].ID = i + 1
	}
	if !slices.ContainsFunc(out.Hitters, func(h Hitter) bool { return !h.Maybe }) {
		out.Seen = seenInstead(out.People, throws, moved)
		if rest, ok := strings.CutPrefix(out.Seen, "one person seen"); ok && said != nil {
			out.Seen = "the person whom hitter_at names was seen" + rest
		}
	}
	return out
}

// brief says whether somebody was seen for too short a time to be followed, in a clip that is not that short itself.
func (w *walker) brief(samples []Sample) bool {
	return w.last().timeS-w.seen[0].timeS < 0.5 && len(samples) > 8
}

// Sure leaves out those who only may be hitters.
func Sure(hs []Hitter) []Hitter {
	return slices.DeleteFunc(slices.Clone(hs), func(h Hitter) bool { return h.Maybe })
}

// dropUnlike removes people who look much less like a hitter than the best one
// of the clip. Two hitters who take turns look alike.
func dropUnlike(hs []Hitter) []Hitter {
	best := 0.0
	for _, h := range hs {
		best = math.Max(best, h.Score)
	}
	return slices.DeleteFunc(hs, func(h Hitter) bool { return h.Score < best-unlike })
}

// seenDuring says whether a person was seen in at least three samples of the windows.
func seenDuring(t *Track, ws []Window) bool {
	n := 0
	for i := range t.Times {
		if _, ok := Mid(&t.Raw[i], LeftHip, RightHip, coarseMin); !ok {
			continue
		}
		for _, w := range ws {
			if t.Times[i] >= w.FromS && t.Times[i] <= w.ToS {
				n++
				break
			}
		}
	}
	return n >= 3
}

func seenInstead(people, throws int, moved bool) string {
	who := "one person"
	if people > 1 {
		who = fmt.Sprintf("%d people", people)
	}
	switch {
	case people == 0:
		return "nobody was seen in the picture"
	case throws > 0:
		return who + " seen; the fast arm movements were made with the hands apart, like a throw, not with both hands on one handle"
	case moved:
		return who + " seen; hands moved fast, but not like a swing of a bat"
	default:
		return who + " seen, but no hands moved as fast as in a swing"
	}
}

// series is one person's movement in body lengths relative to mid-hip.
type series struct {
	w      *walker
	bodyPx float64
	t      []float64
	u      []Keypoint // mid-wrists − mid-hip, body lengths; score 0 = not known
	apart  []float64  // distance of the wrists, body lengths; NaN = not known
	speed  []float64  // of u from the sample before, body lengths/s; NaN = not known
	high   []float64  // mid-wrists above mid-shoulders
	ankles []float64  // difference of the ankles' heights
	legs   []float64  // mid-hip above mid-ankles
	motion []float64  // of the picture about the person
}

func newSeries(w *walker) *series {
	n := len(w.seen)
	s := &series{w: w, t: make([]float64, n), u: make([]Keypoint, n)}
	nan := func() []float64 {
		v := make([]float64, n)
		for i := range v {
			v[i] = math.NaN()
		}
		return v
	}
	s.apart, s.speed, s.high, s.ankles, s.legs = nan(), nan(), nan(), nan(), nan()
	var lengths []float64
	for i := range w.seen {
		s.t[i] = w.seen[i].timeS
		s.motion = append(s.motion, w.seen[i].person.Motion)
		if l, ok := w.seen[i].person.Points.BodyLengthPx(coarseMin); ok {
			lengths = append(lengths, l)
		}
	}
	s.bodyPx = quantile(lengths, 0.8)
	if !(s.bodyPx > 8) { // never seen whole: no statement about this person
		s.bodyPx = math.NaN()
	}
	for i := range w.seen {
		p := &w.seen[i].person.Points
		hip, okHip := Mid(p, LeftHip, RightHip, coarseMin)
		sh, okSh := Mid(p, LeftShoulder, RightShoulder, coarseMin)
		hands, okHands := hands(p)
		if okHands && okHip {
			s.u[i] = Keypoint{(hands.X - hip.X) / s.bodyPx, (hands.Y - hip.Y) / s.bodyPx, hands.Score}
		}
		if okHands && okSh {
			s.high[i] = (sh.Y - hands.Y) / s.bodyPx
		}
		l, r := p[LeftWrist], p[RightWrist]
		if l.Seen() && r.Seen() && math.Min(l.Score, r.Score) >= coarseMin {
			s.apart[i] = math.Hypot(l.X-r.X, l.Y-r.Y) / s.bodyPx
		}
		if an, ok := Mid(p, LeftAnkle, RightAnkle, coarseMin); ok {
			s.ankles[i] = math.Abs(p[LeftAnkle].Y-p[RightAnkle].Y) / s.bodyPx
			if okHip {
				s.legs[i] = (an.Y - hip.Y) / s.bodyPx
			}
		}
	}
	prev := -1
	for i, k := range s.u {
		if k.Score == 0 {
			continue
		}
		if prev >= 0 {
			dt := s.t[i] - s.t[prev]
			// From both hands to one of them is a jump, not a movement, unless they are together.
			same := math.IsNaN(s.apart[i]) == math.IsNaN(s.apart[prev]) || s.apart[i] < togetherBL || s.apart[prev] < togetherBL
			if same && dt > 0 && dt <= 0.25 {
				s.speed[i] = math.Hypot(k.X-s.u[prev].X, k.Y-s.u[prev].Y) / dt
			}
		}
		prev = i
	}
	return s
}

// hands is the point between the wrists, or the better one where only one is seen.
func hands(p *Pose) (Keypoint, bool) {
	if m, ok := Mid(p, LeftWrist, RightWrist, coarseMin); ok {
		return m, true
	}
	k := p[LeftWrist]
	if p[RightWrist].Score > k.Score {
		k = p[RightWrist]
	}
	return k, k.Seen() && k.Score >= coarseMin
}

type burst struct {
	at    int
	ev    Evidence
	score float64
}

// bursts are the local peaks of the hands' speed, at least 0.35 s apart.
func (s *series) bursts(samples []Sample) []burst {
	var out []burst
	for i, v := range s.speed {
		if !(v >= burstMin) || !s.peakWithin(s.speed, i, 0.35) {
			continue
		}
		b := burst{at: i, ev: s.evidence(i, samples)}
		b.score = b.ev.score()
		out = append(out, b)
	}
	return out
}

// stirs are the peaks of the picture's motion about a person who stands there.
func (s *series) stirs(samples []Sample) []burst {
	least := math.Max(swingMotion, usualTimes*quantile(s.motion, 0.5))
	var out []burst
	for i, v := range s.motion {
		if v < least || !s.peakWithin(s.motion, i, 0.35) || !(s.travel(s.t[i]) < stirTravel) {
			continue
		}
		b := burst{at: i, ev: s.evidence(i, samples), score: stirScore}
		b.ev.Bat = 0 // it has no part in the score, and is not looked for
		if legs := ramp(b.ev.LegLength, 0.17, 0.29); !math.IsNaN(legs) {
			b.score *= legs // who squats does not swing
		}
		out = append(out, b)
	}
	return out
}

// travel is how far the person went within half a second before and after, body lengths.
func (s *series) travel(timeS float64) float64 {
	var first, last *Box
	for k := range s.t {
		if math.Abs(s.t[k]-timeS) <= 0.5 {
			if last = &s.w.seen[k].person.Box; first == nil {
				first = last
			}
		}
	}
	a, b := centre(*first), centre(*last)
	return math.Hypot(a.X-b.X, a.Y-b.Y) / s.bodyPx
}

func (s *series) peakWithin(of []float64, i int, halfS float64) bool {
	for k, v := range of {
		d := s.t[k] - s.t[i]
		if math.Abs(d) <= halfS && (v > of[i] || v == of[i] && k < i) {
			return false
		}
	}
	return true
}

func (s *series) evidence(at int, samples []Sample) Evidence {
	t := s.t[at]
	e := Evidence{PeakSpeed: s.speed[at], BodyPx: s.bodyPx}
	n, seen, together := 0, 0, 0
	for i := range s.t {
		if d := s.t[i] - t; d >= -0.45 && d <= 0.1 {
			n++
			if !math.IsNaN(s.apart[i]) {
				seen++
				if s.apart[i] < togetherBL {
					together++
				}
			}
		}
	}
	if seen > 0 {
		e.Together = float64(together) / float64(seen)
		e.WristsSeen = float64(seen) / float64(n)
	}
	for i := range s.t {
		for k := i + 1; k < len(s.t); k++ {
			if s.t[i] >= t-0.4 && s.t[k] <= t+0.4 && s.u[i].Score > 0 && s.u[k].Score > 0 {
				e.Travel = math.Max(e.Travel, math.Hypot(s.u[i].X-s.u[k].X, s.u[i].Y-s.u[k].Y))
			}
		}
	}
	e.HandsHigh = s.median(s.high, t-0.9, t-0.15)
	e.HighAfter = s.median(s.high, t+0.15, t+0.6)
	e.AnkleLift = s.median(s.ankles, t+0.12, t+0.5)
	e.LegLift = s.quantile(s.ankles, t-1.3, t+0.8, 0.9)
	e.LegLength = s.median(s.legs, t-0.8, t+0.5)
	s.withHands(t, func(sample int, h Keypoint) {
		for _, o := range samples[sample].Objects {
			if o.Kind == BaseballBat && o.Box.Dist(h.X, h.Y) < 0.12*s.bodyPx && boxSize(o.Box) < 0.8*s.bodyPx {
				e.Bat = math.Max(e.Bat, o.Score)
			}
		}
	})
	return e
}

// withHands are the samples near a burst in which hands are seen: a bat in them counts.
func (s *series) withHands(timeS float64, f func(sample int, hands Keypoint)) {
	for i := range s.w.seen {
		g := &s.w.seen[i]
		if h, ok := hands(&g.person.Points); ok && math.Abs(g.timeS-timeS) <= batNearS {
			f(g.sample, h)
		}
	}
}

// BatWanted says in which samples a bat would count, whose objects need not be known: of those near a burst that with a bat
// would be a candidate. Scout chooses the same where no other sample has objects.
func BatWanted(samples []Sample, said *Place) []bool {
	wanted := make([]bool, len(samples))
	walkers, least := follow(samples), windowMin
	if said != nil {
		i := said.at(walkers)
		if i < 0 {
			return wanted
		}
		walkers, least = walkers[i:i+1], 0
	}
	for _, w := range walkers {
		if w.brief(samples) {
			continue
		}
		s := newSeries(w)
		for _, b := range s.bursts(samples) {
			if b.ev.Bat = 1; b.ev.score() >= least {
				s.withHands(s.t[b.at], func(sample int, _ Keypoint) { wanted[sample] = true })
			}
		}
	}
	return wanted
}

// score is a sum of rules, squashed. What tells a swing from a throw is, best
// first: both hands on one handle, standing on both feet afterwards, hands
// high before and after; the peak speed does not.
func (e Evidence) score() float64 {
	if math.IsNaN(e.BodyPx) {
		return 0
	}
	// A wrist that is hardly ever seen proves nothing.
	z := -4.4
	z += 3.0 * ramp(e.Together, 0.15, 0.7) * ramp(e.WristsSeen, 0.1, 0.6)
	z += 1.2 * ramp(e.Travel, 0.12, 0.35)
	z += 0.8 * ramp(e.PeakSpeed, burstMin, 1.8)
	z += 1.2 * orMid(ramp(e.HandsHigh, -0.2, -0.06))
	z += 1.2 * orMid(ramp(e.HighAfter, -0.2, -0.03))
	z += 1.0 * (orMid(ramp(-e.AnkleLift, -0.26, -0.12)) - 0.5)
	if lift := ramp(e.LegLift, 0.28, 0.42); !math.IsNaN(lift) {
		z -= 1.5 * lift
	}
	z += 0.3
	if legs := ramp(e.LegLength, 0.17, 0.29); !math.IsNaN(legs) {
		z -= 3.5 * (1 - legs) // who squats does not swing
	}
	z += 1.8 * ramp(e.Bat, 0.3, 0.5)
	return sigmoid(z)
}

// handsApart says whether both hands were seen well, and not on one handle.
func (e Evidence) handsApart() bool { return e.WristsSeen > 0.6 && e.Together < 0.3 }

// ramp is 0 up to lo, 1 from hi on, straight between; NaN stays NaN.
func ramp(x, lo, hi float64) float64 {
	if math.IsNaN(x) {
		return x
	}
	return math.Min(1, math.Max(0, (x-lo)/(hi-lo)))
}

func orMid(x float64) float64 {
	if math.IsNaN(x) {
		return 0.5
	}
	return x
}

func (s *series) median(v []float64, from, to float64) float64 {
	return s.quantile(v, from, to, 0.5)
}

// quantile of the values within a stretch of time; NaN if there is none.
func (s *series) quantile(v []float64, from, to, q float64) float64 {
	var in []float64
	for i, t := range s.t {
		if t >= from && t <= to && !math.IsNaN(v[i]) {
			in = append(in, v[i])
		}
	}
	return quantile(in, q)
}

// quantile of unsorted values, by linear interpolation; NaN for none.
func quantile(v []float64, q float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	c := slices.Clone(v)
	slices.Sort(c)
	f := q * float64(len(c)-1)
	i := int(f)
	if i+1 >= len(c) {
		return c[len(c)-1]
	}
	return c[i] + (f-float64(i))*(c[i+1]-c[i])
}

// window reaches back until the hands were quiet for a while, at least 1.6 s before the burst.
func (s *series) window(b burst) Window {
	t := s.t[b.at]
	w := Window{FromS: t - beforeS, ToS: t + WindowAfterS, PeakS: t, Peaks: []float64{t}, Score: b.score}
	for w.FromS > t-WindowBeforeS && !s.quiet(w.FromS, w.FromS+0.3) {
		w.FromS -= 0.1
	}
	w.FromS = math.Max(w.FromS, 0)
	return w
}

func (s *series) quiet(from, to float64) bool {
	for i, t := range s.t {
		if t >= from && t <= to && s.speed[i] > quietSpeed {
			return false
		}
	}
	return true
}

// MergeWindows joins windows that overlap; both bursts are looked at in one stretch.
func MergeWindows(ws []Window) []Window {
	slices.SortStableFunc(ws, func(a, b Window) int { return cmpDesc(b.FromS, a.FromS) })
	var out []Window
	for _, w := range ws {
		if n := len(out); n > 0 && w.FromS <= out[n-1].ToS {
			o := &out[n-1]
			o.ToS = math.Max(o.ToS, w.ToS)
			o.Peaks = append(o.Peaks, w.Peaks...)
			if w.Score > o.Score {
				o.Score, o.PeakS = w.Score, w.PeakS
			}
			continue
		}
		out = append(out, w)
	}
	return out
}

// track is the person's coarse track.
func (s *series) track(samples []Sample, width, height int) Track {
	t := Track{Width: width, Height: height}
	for _, g := range s.w.seen {
		t.Frames = append(t.Frames, samples[g.sample].Frame)
		t.Times = append(t.Times, g.timeS)
		t.Raw = append(t.Raw, g.person.Points)
	}
	for _, j := range COCOJoints {
		t.Has[j] = true
	}
	return t
}
