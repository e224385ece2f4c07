package phases

import (
	"math"

	"cagebook/pose"
)

// cue is one way of telling when an event was.
type cue struct {
	t, sigma float64 // s
}

// says is false for a cue that tells nothing.
func (c cue) says() bool { return c.sigma > 0 && !math.IsNaN(c.t) && !math.IsInf(c.sigma, 0) }

// fuse combines cues by their weights. Where they disagree by more than they
// claim, the disagreement goes into sigma.
func fuse(cs ...cue) (t, sigma float64, ok bool) {
	var w, wt float64
	for _, c := range cs {
		if c.says() {
			k := 1 / (c.sigma * c.sigma)
			w += k
			wt += k * c.t
		}
	}
	if w == 0 {
		return 0, 0, false
	}
	t = wt / w
	var between float64
	n := 0
	for _, c := range cs {
		if c.says() {
			between += (c.t - t) * (c.t - t) / (c.sigma * c.sigma)
			n++
		}
	}
	v := 1 / w
	if n > 1 {
		v *= math.Max(1, between/float64(n-1)) // Birge ratio: inflate to the observed scatter
	}
	// The cues look at the same noisy joints: their errors do not average out freely.
	return t, math.Sqrt(v * 1.3), true
}

// reading is all that the search for events knows of one swing.
type reading struct {
	b     *body
	f     fit
	bats  Bats
	view  View
	cosAz float64
	lead  func(pose.Joint) pose.Joint
	ev    map[EventName]cue
	noise float64 // σ of a joint, body lengths
}

// forward is the image displacement d as a way toward the pitcher, px of the image (foreshortened by cos azimuth).
func (r *reading) forward(d vec) float64 {
	return d.x * sign(r.view.ImageX(r.bats))
}

// sideOn says whether the line to the pitcher lies well within the image.
func (r *reading) sideOn() bool { return math.Abs(r.cosAz) > 0.45 }

func sign(x float64) float64 {
	if x < 0 {
		return -1
	}
	return 1
}

// expected is when the fitted template has the event, and how far real swings stray from it.
func (r *reading) expected(n EventName, spread float64) cue {
	m := templates()[r.f.variant]
	c := r.ev[Contact]
	d, ok := m.Events[n]
	if !ok {
		return cue{math.NaN(), 0}
	}
	return cue{c.t + d*r.f.tempo, math.Hypot(c.sigma, math.Max(0.02, spread*math.Abs(d)*r.f.tempo))}
}

// findEvents fills r.ev. Contact must be there already.
func (r *reading) findEvents() {
	s, ok := r.fitStride()
	if ok {
		r.fromStride(&s)
		r.handsStart()
		if s.lift < 3*footClear { // perhaps not lifted by definition
			up, deep := r.ev[Load], r.loadOfHands()
			p := clamp(s.lift/(3*footClear), 0, 1)
			hardly := (1 - 0.5*p) * heelUpSD
			r.ev[Load] = either(up, deep, p)
			// A foot whose heel alone goes up is at rest once more at the top.
			r.ev[Stance] = either(r.ev[Stance], cue{deep.t - 0.005, deep.sigma}, math.Max(p, 0.5))
			for _, n := range [2]EventName{Load, Stance} {
				r.ev[n] = cue{r.ev[n].t, math.Hypot(r.ev[n].sigma, hardly)}
			}
		}
	} else {
		r.ev[FootDown] = r.expected(FootDown, 0.45)     // it never left the ground that could be seen
		if heel := s.landed[1]; s.liftOf[1] > s.limit { // but its heel did
			t, sg, _ := fuse(cue{heel.t, math.Max(wide*heel.sigma, 0.06)}, r.ev[FootDown])
			r.ev[FootDown] = cue{t, sg}
			r.ev[HeelDown] = cue{t + heelLateS, sg}
		}
		r.handsStart()
		r.ev[Load] = r.loadOfHands()
		// The foot is at rest until the load and after it, or its heel went up long before.
		r.ev[Stance] = cue{r.ev[Load].t - 0.005, math.Hypot(r.ev[Load].sigma, heelUpSD)}
	}
	r.ev[Load] = cue{r.ev[Load].t, loadWide * r.ev[Load].sigma}
	r.extension()
	r.finish()
}

// loadWide: loads that are missed are missed by far. Without it 95 % intervals held 94 % of 186 rendered swings, and 87 % of
// 47 at 100 to 120 frames/s.
const loadWide = 1.15

// heelUpSD is how far apart, s, a heel that goes up and the deepest hands are: without it 95 % intervals of stance held 83 % of 23
// rendered swings whose foot is not lifted. Where it may be lifted a little, load and stance have a part of it.
const heelUpSD = 0.10

// An event's definition in body lengths along the joints, which are about 0.87
// of standing height: 1 cm or 0.006 body heights, and 0.12 body heights/s.
const (
	footClear = 0.006 / 0.87
	footQuiet = 0.12 / 0.87
)

// toeAfterAnkleS is by how much the toe leaves the ground later than the ankle starts to rise; found on keypoints
// with known truth.
const toeAfterAnkleS = 0.020

// smallStep is a way of the foot in the picture, body lengths, that may be none: a step of a foot's length seen from the
// side is 0.17.
const smallStep = 0.05

// wide: the curve of the foot is a model; feet move in other ways, too.
const wide = 1.5

// either is one of two cues, a with probability p: what is not known of which one is in sigma.
func either(a, b cue, p float64) cue {
	t := p*a.t + (1-p)*b.t
	return cue{t, math.Sqrt(p*(a.sigma*a.sigma+(a.t-t)*(a.t-t)) + (1-p)*(b.sigma*b.sigma+(b.t-t)*(b.t-t)))}
}

// heelSD is the least uncertainty of heel_down, s: 35 ms held 89 % of 174 rendered swings.
const heelSD = 0.045

// heelLateS: with the toe on the ground the heel comes down slower than the
// curve has it; found on keypoints with known truth.
const heelLateS = 0.030

// footFromEnd is by how much less sure the foot's instants are where the camera looks along its way: on rendered clips
// 95 % intervals held 82 % of foot_down and 86 % of lead_foot_off there, 96 % from the side.
const footFromEnd = 1.4

// fromStride reads the foot's events off the fitted curve, by their definitions.
func (r *reading) fromStride(s *stride) {
	frame := r.b.frameSigma()
	top, flat := r.ankleTop(s)
	t, sg, _ := fuse(cue{s.top.t, math.Max(wide*s.top.sigma, 0.05)}, top)
	r.ev[Load] = cue{t, math.Hypot(math.Hypot(math.Max(math.Max(sg, 0.03), s.topLoose), 0.29*flat), frame)}
	off := s.risen[0]
	if s.risen[2].sigma > 0 { // the toe leaves the ground last
		off = s.risen[2]
	}
	offSD, stanceSD := 0.04, 0.06
	if s.risen[2].sigma == 0 { // without a toe: it leaves after the heel and the ankle do
		off.t += toeAfterAnkleS
		offSD, stanceSD = 0.055, 0.07
	}
	end := 1.0
	if !r.sideOn() {
		end = footFromEnd
	}
	offSD, stanceSD = end*offSD, end*stanceSD
	if off.t-s.stirred.t > 0.1 { // the heel alone, or a tap that hardly left the ground
		off = either(off, s.stirred, 0.5)
	}
	if s.lift > 2*footClear {
		r.ev[LeadFootOff] = cue{off.t, math.Hypot(math.Max(wide*off.sigma, offSD), frame)}
	}
	r.ev[Stance] = cue{math.Min(s.quiet.t, s.top.t-0.02), math.Hypot(math.Max(wide*s.quiet.sigma, stanceSD), frame)}
	if s.risen[2].sigma == 0 && s.carry < smallStep { // perhaps its heel alone went up: at rest once more at the top
		l := r.ev[Load]
		r.ev[Stance] = either(r.ev[Stance], cue{l.t - 0.02, l.sigma}, 0.6)
	}
	heel := s.landed[1]
	landed := r.landing(s)
	if s.lift < 3*footClear { // a foot that drags has no clear landing: when it usually lands counts, too
		landed = either(landed, r.expected(FootDown, 0.45), 0.6+0.4*clamp(s.lift/(3*footClear), 0, 1))
	}
	t = landed.t
	r.ev[FootDown] = cue{t, math.Hypot(landed.sigma, frame)}
	if heel.sigma > 0 {
		own := math.Max(math.Max(wide*heel.sigma, heelSD), r.ev[FootDown].sigma) // one foot
		r.ev[HeelDown] = cue{math.Max(t, heel.t+heelLateS), math.Hypot(own, frame)}
	}
}

// The first move of the hands is looked for where their forward speed passes this share of its peak, more than the
// definition's tenth, which stands less clear of wrists that drift; it is passed later by about handsLateS
// (found on keypoints with known truth). frameLate is what frames far apart add to it. Half of the peak stands clearer still, and is
// passed handsRiseS later; how long hands take from the one to the other differs from hitter to hitter by some handsRiseSD.
const (
	handsShare  = 0.15
	handsLateS  = 0.003
	frameLate   = 0.15
	handsRiseS  = 0.052
	handsRiseSD = 0.028
	apartCounts = 0.6 // part of how far another cue lies from the first move that makes it less sure. No source.
)

// handsBackS is how far before contact the hands' first move is looked for, s: early hands start 0.45 s before it. peakBackS is
// the same of their greatest speed, which comes with contact.
const handsBackS, peakBackS = 0.60, 0.25

// handsSD is the least uncertainty of the first move of the hands, s, as seen from the side and from the ends, where only
// contact tells of it: on 54 rendered swings there no part of the body strayed less.
const handsSD, handsEndSD = 0.030, 0.050

// launchSpeed is about how fast hands go at the end of the first tenth of a second, body lengths/s: by it an uncertain place is an
// uncertain instant.
const launchSpeed = 2.0

// usualHandsS is how long before contact hands start, s: 130 to 180 ms of grown hitters, from memory. tempoTells is the weight
// beside it of the time that the fitted tempo gives: on 182 rendered swings hands that start early or late showed
// nothing of it in how fast the body moves.
const usualHandsS, tempoTells = 0.148, 0.25

// handsStart: 10 % of the peak of the forward speed of the hands relative to mid-hip.
func (r *reading) handsStart() {
	b := r.b
	c := r.ev[Contact]
	exp := r.expected(HandsStart, 0.16)
	exp.t = tempoTells*exp.t + (1-tempoTells)*(c.t-usualHandsS)
	exp.sigma = math.Hypot(exp.sigma, 0.040)
	out := cue{exp.t, math.Max(exp.sigma, handsEndSD)}
	if r.sideOn() {
		wrists, ok1 := r.firstMove(b.hands, 0.06)
		arms, ok2 := r.firstMove(r.arms, 0.04)
		if ok1 && ok2 {
			// What is not seen of the hands bears on their speed, and so on the instant; half of it also on when they are fast.
			hidden := median(b.over(b.index((wrists.first+arms.first)/2), -0.05, 0.10, func(k int) float64 {
				return math.Min(b.sigma[pose.LeftWrist][k], b.sigma[pose.RightWrist][k])
			})) / b.length / launchSpeed
			pair := func(a, b, late, sd float64) cue {
				return cue{(a+b)/2 - late, math.Hypot(math.Hypot(sd, 0.5*math.Abs(a-b)), math.Hypot(hidden, r.b.frameS))}
			}
			first := pair(wrists.first, arms.first, handsLateS+frameLate*b.frameS, 0.022)
			half := pair(wrists.half, arms.half, handsRiseS, handsRiseSD)
			// Hands that start slowly, or out of the usual time, are told by their first move alone.
			half.sigma = math.Hypot(half.sigma, apartCounts*(half.t-first.t))
			exp.sigma = math.Hypot(exp.sigma, apartCounts*(exp.t-first.t))
			if rest := math.Max(wrists.rest, arms.rest); rest > 0 {
				first = either(first, cue{rest, first.sigma}, 0.5)
			}
			t, sg, _ := fuse(first, half, exp)
			out = cue{t, math.Max(1.2*sg, handsSD)}
		}
	}
	r.ev[HandsStart] = cue{out.t, math.Hypot(out.sigma, b.frameSigma())}
}

// arms are mid-wrists and mid-elbows together, relative to mid-hip, in body lengths: elbows are seen better than
// hands that hide each other.
func (r *reading) arms(i int) vec {
	elbows := r.b.mid(pose.LeftElbow, i).sub(r.b.hipAt[i]).mul(1 / r.b.length)
	return lerp(elbows, r.b.hands(i), 0.6)
}

// moves is when hands begin to move and when they have half of their speed, s. Between them may lie a rest, the last instant at which
// they hardly move (0 = none): what is before it can be a leak of the hands in the stride.
type moves struct{ first, half, rest float64 }

// restShare is the part of their peak speed, above handsShare, below which hands between two humps of speed may be at rest: smoothing
// fills a short rest. No source.
const restShare = 0.35

// firstMove is when the forward speed of p last rises through handsShare, and through half, of its peak.
func (r *reading) firstMove(p func(int) vec, windowS float64) (m moves, ok bool) {
	b := r.b
	c := r.ev[Contact]
	v := func(i int) float64 { return r.forward(b.speed(p, i, windowS)) }
	lo, hi := b.index(c.t-handsBackS), b.index(c.t+0.04)
	peak := b.index(c.t - peakBackS)
	for i := peak; i <= hi; i++ {
		if v(i) > v(peak) {
			peak = i
		}
	}
	if v(peak) < 0.5 {
		return m, false
	}
	last := peak
	rises := func(share float64) (t float64, ok bool) {
		level := share * v(peak)
		for last > lo && v(last) > level {
			last--
		}
		w := (level - v(last)) / math.Max(v(last+1)-v(last), 1e-9) // between last and the next
		return b.time(last) + clamp(w, 0, 1)*b.dt, last > lo
	}
	half, ok1 := rises(0.5)
	mid := last
	first, ok2 := rises(handsShare)
	m = moves{first: first, half: half}
	slow := mid
	for i := mid; i > last; i-- {
		if v(i) < v(slow) {
			slow = i
		}
		if v(slow) < restShare*v(peak) && v(i) > v(slow)+0.1*v(peak) {
			m.rest = b.time(slow)
		}
	}
	return m, ok1 && ok2
}

// ankleTop is when the lead ankle is highest between lift and landing: the
// middle of what lies within a tenth of the top. flatS is how long it stays
// there: within it the instant is anybody's choice.
func (r *reading) ankleTop(s *stride) (c cue, flatS float64) {
	b := r.b
	j := r.lead(pose.LeftAnkle)
	high := func(i int) float64 { return -b.at[j][i].y / b.length }
	lo, hi := b.index(s.off.t), b.index(s.down.t)
	top := lo
	for i := lo; i <= hi; i++ {
		if high(i) > high(top) {
			top = i
		}
	}
	level := high(top) - math.Max(0.1*(high(top)-math.Max(high(lo), high(hi))), 0.5*r.noise)
	a, z := top, top
	for a > lo && high(a-1) > level {
		a--
	}
	for z < hi && high(z+1) > level {
		z++
	}
	flatS = float64(z-a) * b.dt
	return cue{(b.time(top) + b.time(a) + b.time(z)) / 3, math.Hypot(0.02, 0.29*flatS)}, flatS
}

// loadOfHands is the load of a hitter who does not lift the foot: hands deepest. Hands
// rest there for a while; what lies within the noise of the deepest place is the same.
func (r *reading) loadOfHands() cue {
	b := r.b
	fd, hs := r.ev[FootDown], r.ev[HandsStart]
	if !r.sideOn() {
		exp := r.expected(Load, 0.5)
		return cue{math.Min(exp.t, hs.t-0.02), math.Max(exp.sigma, 0.08)}
	}
	lo, hi := b.index(fd.t-0.8), b.index(hs.t)
	far := func(i int) float64 { return r.forward(b.hands(i)) }
	deep := hi
	for i := lo; i <= hi; i++ {
		if far(i) < far(deep) {
			deep = i
		}
	}
	level := far(deep) + 0.7*r.noise
	a, z := deep, deep
	for i := lo; i <= hi; i++ {
		if far(i) < level {
			a, z = min(a, i), max(z, i)
		}
	}
	t := (2*b.time(deep) + b.time(a) + b.time(z)) / 4
	return cue{t, math.Hypot(math.Hypot(deepSD, 0.35*float64(z-a)*b.dt), b.frameSigma())}
}

// deepSD is how far, s, the hands of a hitter who does not lift the foot rest from the deepest place: with half of it 95 % intervals
// held 87 % of 23 rendered swings, and half of those with a strong fault.
const deepSD = 0.11

// extension: mid-wrists farthest from mid-shoulders within 120 ms after contact.
func (r *reading) extension() {
	b := r.b
	c := r.ev[Contact]
	exp := r.expected(Extension, 0.35)
	if r.sideOn() {
		d := func(i int) float64 { return b.handAt[i].sub(b.shAt[i]).norm() }
		best := b.index(c.t)
		for i := best; i <= b.index(c.t+0.12); i++ {
			if d(i) > d(best) {
				best = i
			}
		}
		t, s, _ := fuse(cue{b.time(best), 0.03}, exp)
		r.ev[Extension] = cue{clamp(t, c.t+0.004, c.t+0.12), math.Hypot(math.Max(s, 0.02), b.frameSigma())}
		return
	}
	r.ev[Extension] = cue{clamp(exp.t, c.t+0.004, c.t+0.12), math.Max(exp.sigma, 0.035)}
}

// finish: speed of the hands first below a tenth of its peak after contact. From the ends of the line to
// the pitcher, and where the body hides the hands, they seem to stop while they still
// move to or from the camera: there the usual time counts as much.
func (r *reading) finish() {
	b := r.b
	c := r.ev[Contact]
	hands := func(k int) vec { return b.handAt[k] }
	v := func(i int, windowS float64) float64 { return b.speed(hands, i, windowS).norm() / b.length }
	var peak float64
	for i := b.index(c.t - 0.15); i <= b.index(c.t+0.15); i++ {
		peak = math.Max(peak, v(i, 0.05))
	}
	exp := r.expected(Finish, 0.3)
	limit := 0.1 * peak
	for i := b.index(c.t + 0.08); i < b.n; i++ {
		if v(i, 0.10) >= limit { // a tenth of a second, so that noise does not count as speed
			continue
		}
		seen := cue{b.time(i) - finishLateS, math.Hypot(0.06, 2.2*r.noise)} // 22 ms a percent of body length, as found on rendered tracks
		fall := clamp((r.trunkSpeed(i)/limit-fallLeast)/(fallSure-fallLeast), 0, 1)
		if rest, ok := r.trunkRests(i, 0.5*limit); ok && fall > 0 {
			seen = either(cue{rest - finishLateS, seen.sigma}, seen, fall)
		}
		hidden := median(b.over(i, -0.15, 0.05, func(k int) float64 {
			return math.Min(b.sigma[pose.LeftWrist][k], b.sigma[pose.RightWrist][k])
		})) > hiddenHands*b.length
		out := seen
		if !r.sideOn() || hidden || fall == 0 && math.Abs(seen.t-exp.t) > 2.5*exp.sigma {
			out = either(seen, exp, 0.5)
		}
		r.ev[Finish] = cue{out.t, math.Hypot(math.Hypot(math.Max(out.sigma, 0.08), finishSD), b.frameSigma())}
		return
	}
	// The clip ends before the hands come to rest: no finish is reported.
}

// Hands that rest in the picture while the trunk moves faster than they may do not: a body that falls carries them, and the picture shows one of two
// directions. fallLeast and fallSure are trunk speeds as parts of the hands' limit: of 19 hitters who stand, as keypoints with noise, the trunk had 0.06 to 0.84 as the
// hands stopped, of 3 who fell 2.0 to 2.3.
const fallLeast, fallSure = 0.9, 1.6

// trunkSpeed is that of the trunk's middle, body lengths/s.
func (r *reading) trunkSpeed(i int) float64 {
	trunk := func(k int) vec { return lerp(r.b.hipAt[k], r.b.shAt[k], 0.5) }
	return r.b.speed(trunk, i, 0.10).norm() / r.b.length
}

// trunkRests is when, from i on, the trunk is first slower than limit.
func (r *reading) trunkRests(i int, limit float64) (t float64, ok bool) {
	for ; i < r.b.n; i++ {
		if r.trunkSpeed(i) < limit {
			return r.b.time(i), true
		}
	}
	return 0, false
}

// finishLateS: hands that slow down are still fast at one end of the tenth of a second over which their speed is taken. finishSD comes on top of
// what the cues say, s: without it 95 % intervals held 89 % of 46 rendered swings at 24 to 30 frames/s.
const finishLateS, finishSD = 0.010, 0.040

// hiddenHands is the uncertainty of the surer wrist, body lengths, beyond which the hands count as hidden: well-seen ones
// have about half of it.
const hiddenHands = 0.05
