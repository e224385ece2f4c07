package phases

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"

	"cagebook/pose"
)

// ErrNoTrack says that a track is too short, or holds too few joints, to look for swings.
var ErrNoTrack = errors.New("too short, or too few joints seen, to look for a swing")

// maxDoubt separates swings from other motion; sums of features.doubts and of
// the distance to the nearest template. Of the real tracks it was set on, swings
// stay below 2.1 and throws above 3.6.
const maxDoubt = 2.5

// maxResidual is how far, on average, the joints of a real swing may lie from
// the nearest template, body lengths: real swings seen lie at 0.057 to 0.10,
// throws at 0.114 and more.
const maxResidual = 0.088

// residualWidth is by how much more is one doubt. Hands that are fastest lateBurstS and more after contact are those of the follow-through, or a
// wrist that jumps: a swing that rests on them must be seen the better. Of 190 rendered swings 27 rest on such a burst, all at
// residuals of at most 0.087, of 56 real ones none; of other motion three did, at 0.096 to 0.097.
const (
	residualWidth  = 0.010
	lateBurstS     = 0.30
	lateBurstWidth = 0.004
)

// lowHands is the height of the hands above mid-hip after the swing, trunk lengths, that they exceed in a full swing: they
// end near a shoulder. Held swings end lower.
const lowHands = 0.6

// Result is what Detect found.
type Result struct {
	Swings   []Swing
	Rejected []Rejected
}

// Detect finds every full swing in a smoothed track of one person and the
// events of each. The measures are left to MeasureAll. Marks in given win
// over what is detected. A track too poor to look at gives ErrNoTrack.
func Detect(t *pose.Track, given Given) (Result, error) {
	var res Result
	b, err := bodyOf(t)
	if err != nil {
		return res, err
	}
	var cands []candidate
	var sides []candidate // swings from the side that was not stated
	for _, u := range b.bursts(minPeak) {
		c := b.judge(u, given)
		o, doubted := b.otherSide(u, given)
		if doubted {
			sides = append(sides, o)
		}
		if !(c.doubt <= maxDoubt) || math.IsNaN(c.tC.t+c.azRad) {
			reason := c.reason
			if doubted {
				reason += ", but it fits a " + o.best.bats.handed() + " swing and " + SettingsSay
			}
			res.Rejected = append(res.Rejected, Rejected{TimeS: b.time(u.peak), Reason: reason})
			continue
		}
		cands = append(cands, c)
	}
	if len(cands) == 0 && b.lies() {
		res.Rejected = append([]Rejected{{TimeS: b.t0, Reason: onItsSide}}, res.Rejected...)
	}
	for _, c := range apart(cands) {
		sw := b.read(t, c, given)
		if _, ok := sw.Event(Contact); !ok {
			res.Rejected = append(res.Rejected, Rejected{TimeS: b.time(c.peak), Reason: noContact})
			continue
		}
		// Taken from the wrong side, a swing's load or follow-through may pass for it.
		if slices.ContainsFunc(sides, func(o candidate) bool {
			return math.Abs(o.tC.t-c.tC.t) < minApartS && o.doubt+o.best.residual < c.doubt+c.best.residual
		}) {
			note := "This looks like a " + sides[0].best.bats.handed() + " swing, but " + SettingsSay + ". If they are wrong, so is what stands here: correct the side and run again."
			sw.Notes, sw.how.notes = append(sw.Notes, note), append(sw.how.notes, note)
		}
		sw.Number = len(res.Swings) + 1
		res.Swings = append(res.Swings, sw)
	}
	return res, nil
}

// noContact is why what only begins like a swing gives none: held swings and practice swings begin alike.
const noContact = "contact lies outside of what was filmed: whether it is a full swing cannot be told"

// sureSide is the share of the plausible fits from which on a stated side is doubted. Left to itself the side was wrong in 1 of
// 114 swings of the standard set that were seen from the open or closed side.
const sureSide = 0.95

// SettingsSay stands where a stated side is doubted.
const SettingsSay = "the settings say otherwise (bats)"

// otherSide judges a burst with the side left open; ok where a side was stated and the burst is plainly a swing from the other. It changes no number.
func (b *body) otherSide(u burst, given Given) (c candidate, ok bool) {
	if given.Bats == BatsUnset {
		return c, false
	}
	c = b.judge(u, Given{})
	return c, c.doubt <= maxDoubt && c.best.bats != given.Bats && c.batsP >= sureSide && !math.IsNaN(c.tC.t+c.azRad)
}

// handed is the side in words.
func (b Bats) handed() string {
	if b == Left {
		return "left-handed"
	}
	return "right-handed"
}

// onItsSide is why a turned video gives no swing.
const onItsSide = "the body lies on its side: the video is turned by a quarter"

// lies says whether the trunk is nearer to level than to upright for most of the time,
// as in a video that was filmed on its side and does not say so. A hitter bends by 30° at most.
func (b *body) lies() bool {
	var tilt []float64
	for i := 0; i < b.n; i += 8 {
		d := b.shAt[i].sub(b.hipAt[i])
		tilt = append(tilt, math.Abs(math.Atan2(d.x, -d.y)))
	}
	m := median(tilt)
	return m > math.Pi/3 && m < 2*math.Pi/3
}

// minApartS: nobody swings twice within this time; of two bursts the one that
// looks more like a swing is the swing, the other its load or its follow-through.
const minApartS = 1.3

// apart leaves the best of candidates that are too near to each other, in time order.
func apart(cands []candidate) []candidate {
	byDoubt := slices.Clone(cands)
	slices.SortStableFunc(byDoubt, func(a, b candidate) int { return cmp.Compare(a.doubt+a.best.residual, b.doubt+b.best.residual) })
	var out []candidate
	for _, c := range byDoubt {
		if !slices.ContainsFunc(out, func(o candidate) bool { return math.Abs(o.tC.t-c.tC.t) < minApartS }) {
			out = append(out, c)
		}
	}
	slices.SortFunc(out, func(a, b candidate) int { return cmp.Compare(a.tC.t, b.tC.t) })
	return out
}

// bodyOf is the body of a track that later steps can handle.
func bodyOf(t *pose.Track) (*body, error) {
	if err := check(t); err != nil {
		return nil, err
	}
	if b := newBody(t); b != nil {
		return b, nil
	}
	return nil, ErrNoTrack
}

// check refuses tracks that no later step could handle.
func check(t *pose.Track) error {
	if t == nil || t.Len() < 8 || len(t.Smooth) != t.Len() || len(t.Frames) != t.Len() {
		return ErrNoTrack
	}
	for i := 1; i < t.Len(); i++ {
		if !(t.Times[i] > t.Times[i-1]) || math.IsInf(t.Times[i], 0) {
			return fmt.Errorf("time does not increase at frame %d", t.Frames[i])
		}
	}
	if d := t.Times[t.Len()-1] - t.Times[0]; !(d >= 0.3) || d > 4*3600 {
		return ErrNoTrack
	}
	return nil
}

// candidate is a burst with the fits that explain it.
type candidate struct {
	burst
	best   fit
	azRad  float64 // mean over the plausible fits
	azSD   float64
	tC     cue     // contact from the fits
	batsP  float64 // share of the plausible fits that bat as best does
	doubt  float64
	reason string
}

// judge fits the templates around a burst and adds up the doubts.
func (b *body) judge(u burst, given Given) candidate {
	c := candidate{burst: u}
	var worst float64
	weigh := func(d doubt) {
		c.doubt += d.size
		if d.size > worst {
			worst, c.reason = d.size, d.reason
		}
	}
	for _, d := range u.f.doubts() {
		weigh(d)
	}
	if c.doubt < 2*maxDoubt { // beyond that no fit can save it
		fits, others := b.plausible(u.peak, given)
		if len(fits) == 0 {
			weigh(doubt{9, "too little of the motion is in the clip"})
		} else {
			c.summarise(fits)
			width := residualWidth
			if b.time(u.peak)-c.tC.t > lateBurstS {
				width = lateBurstWidth
			}
			weigh(doubt{over01(c.best.residual, maxResidual, width), "the body does not move as in a swing"})
			if len(others) > 0 {
				other := others[0]
				nearer := (c.best.residual - other.residual) / other.residual
				// Of real swings the nearest such motion is up to 0.21 nearer, where hands are marked badly; of
				// those whose hands also stay low afterwards, none is nearer at all.
				low := over01(-u.f.HandsAfter, -lowHands, 0.1)
				size := over01(nearer, 0.2, 0.07) + math.Min(2, low)*over01(nearer, 0, 0.05)
				if cutShort(templates()[other.variant].Kind) {
					size *= 1 - u.f.wentRound()
				}
				weigh(doubt{size, "it looks like " + templates()[other.variant].Kind})
			}
		}
	}
	return c
}

// cutShortKinds are the templates' kinds of motion that begin as a swing does and stop too soon.
var cutShortKinds = []string{"a swing that was held back", "a slow half swing"}

// cutShort says whether a motion begins as a swing does and stops too soon.
func cutShort(kind string) bool { return slices.Contains(cutShortKinds, kind) }

// plausible are the refined best fits around a burst, best first: of swings, and of other motion.
func (b *body) plausible(peak int, given Given) (swings, others []fit) {
	sides := []Bats{Right, Left}
	if given.Bats != BatsUnset {
		sides = []Bats{given.Bats}
	}
	// the best of each combination of side and azimuth
	type key struct {
		bats  Bats
		az    int
		swing bool
	}
	top := map[key]fit{}
	for _, h := range b.fitAll(peak, sides) {
		k := key{h.bats, int(math.Round(h.azimuthRad * 180 / math.Pi / 15)), templates()[h.variant].Kind == "swing"}
		if o, ok := top[k]; !ok || h.residual < o.residual {
			top[k] = h
		}
	}
	var out [2][]fit
	for k, h := range top {
		i := 0
		if !k.swing {
			i = 1
		}
		out[i] = append(out[i], h)
	}
	for i, n := range [2]int{10, 4} {
		best := out[i]
		sort.Slice(best, func(i, j int) bool { return less(best[i], best[j]) })
		best = best[:min(n, len(best))]
		for k := range best {
			best[k] = b.refine(best[k], b.time(peak))
		}
		sort.Slice(best, func(i, j int) bool { return less(best[i], best[j]) })
		out[i] = best
	}
	return out[0], out[1]
}

// less orders fits by residual, ties by azimuth and side so that the order never depends on a map.
func less(a, b fit) bool {
	if a.residual != b.residual {
		return a.residual < b.residual
	}
	if a.azimuthRad != b.azimuthRad {
		return a.azimuthRad < b.azimuthRad
	}
	return a.bats < b.bats
}

// sharpness turns squared residuals into weights: the joints of a track err
// together, so the many compared count as this many.
const sharpness = 14

// summarise weighs the fits into view, side and time of contact.
func (c *candidate) summarise(fits []fit) {
	c.best = fits[0]
	r0 := math.Max(c.best.residual, 0.03)
	var w, same, sx, sy, wt, wtt float64
	for _, h := range fits {
		k := math.Exp(-sharpness * (h.residual*h.residual - c.best.residual*c.best.residual) / (r0 * r0))
		w += k
		if h.bats != c.best.bats {
			continue
		}
		same += k
		sx += k * math.Cos(h.azimuthRad)
		sy += k * math.Sin(h.azimuthRad)
		wt += k * h.contactS
		wtt += k * h.contactS * h.contactS
	}
	c.batsP = same / w
	c.azRad = math.Atan2(sy, sx)
	spread := math.Sqrt(math.Max(0, -2*math.Log(math.Min(1, math.Hypot(sx, sy)/same))))
	c.azSD = math.Hypot(spread, 8*math.Pi/180) // 8°: bodies differ from the templates
	t := wt / same
	c.tC = cue{t, math.Hypot(math.Sqrt(math.Max(0, wtt/same-t*t)), 0.012)}
}

// read makes the swing out of a candidate: view, events, notes.
func (b *body) read(t *pose.Track, c candidate, given Given) Swing {
	sw := Swing{Bats: c.best.bats, BatsFrom: "detected", Score: math.Exp(-c.doubt / 2)}
	if given.Bats != BatsUnset {
		sw.BatsFrom = "stated"
	}
	az := c.azRad * 180 / math.Pi
	sw.View = View{Side: sideOf(az), AzimuthDeg: az, SigmaDeg: c.azSD * 180 / math.Pi}
	r := &reading{
		b: b, f: c.best, bats: sw.Bats, view: sw.View, cosAz: math.Cos(c.azRad), lead: sw.Lead,
		ev: map[EventName]cue{}, noise: b.noise,
	}
	r.ev[Contact] = r.contact(c)
	r.findEvents()
	marks := r.marked(given)
	sw.Events, sw.Notes = r.list(t, marks)
	how := &origin{r: r, byBody: r.ev[Contact], notes: b.tempoNotes(c)}
	if c.batsP < 0.75 && given.Bats == BatsUnset {
		how.notes = append(how.notes, "The side the hitter bats from is not certain from this camera; state it in the settings file beside the clip.")
	}
	sw.Notes = append(sw.Notes, how.notes...)
	sw.how = how
	from, to := sw.Events[0].TimeS-0.3, sw.Events[len(sw.Events)-1].TimeS+0.3
	sw.From = sort.SearchFloat64s(t.Times, from)
	sw.To = sort.SearchFloat64s(t.Times, to)
	return sw
}

// sideOf is the nearest of the four sides.
func sideOf(azimuthDeg float64) string {
	a := math.Remainder(azimuthDeg, 360)
	switch {
	case math.Abs(a) <= 45:
		return "open"
	case math.Abs(a) >= 135:
		return "closed"
	case a > 0:
		return "pitcher"
	default:
		return "catcher"
	}
}

// contactLateS corrects the fits: joints marked by people on real swings (12 of
// them, read by eye) put contact 18 ms later than the templates do, joints of
// the pose model on rendered clips 10 ms.
const contactLateS = 0.010

// tempoSD is what a swing that is slower or faster than the templates by more than tempoUsual adds to contact, s for each factor e: in
// the templates all parts slow down alike, in hitters they do not. Of 11 rendered swings without a strong fault and one real one beyond
// it contact was off by 31 ms (root mean square), of four with hands that start far too early by 95.
const tempoSD, tempoUsual = 0.20, 0.14

// contact is when the fits have it. From the ends of the line to the pitcher
// the way of the hands is hidden and the time less sure.
func (r *reading) contact(c candidate) cue {
	s := c.tC.sigma
	if r.sideOn() {
		s = math.Hypot(s, 0.010)
	} else {
		s = math.Hypot(s, 0.018)
	}
	s = math.Hypot(s, 0.5*r.noise) // noise of the joints moves the fit
	s = math.Hypot(s, tempoSD*math.Max(0, math.Abs(math.Log(c.best.tempo))-tempoUsual))
	return cue{c.tC.t + contactLateS, math.Hypot(s, r.b.frameSigma())}
}

// marked are a person's times for this swing: those nearest to what was found, within a second.
func (r *reading) marked(given Given) map[EventName]bool {
	out := map[EventName]bool{}
	for n, ts := range given.Marks {
		ref := r.ev[Contact].t
		if e, ok := r.ev[n]; ok {
			ref = e.t
		}
		best := math.Inf(1)
		for _, t := range ts {
			if math.Abs(t-ref) < math.Abs(best-ref) {
				best = t
			}
		}
		if math.Abs(best-ref) <= 1 {
			r.ev[n] = cue{best, math.Max(r.b.frameSigma(), 0.001)}
			out[n] = true
		}
	}
	return out
}

// eventOrder is the order in which events are expected.
var eventOrder = []EventName{Stance, LeadFootOff, Load, FootDown, HeelDown, HandsStart, Contact, Extension, Finish}

// list writes the events in time order and says where the order is unusual.
func (r *reading) list(t *pose.Track, marks map[EventName]bool) ([]Event, []string) {
	var out []Event
	for _, n := range eventOrder {
		c, ok := r.ev[n]
		if !ok || math.IsNaN(c.t) {
			continue
		}
		end := t.Times[t.Len()-1]
		if c.t < t.Times[0] || c.t > end { // outside of what was filmed
			if !marks[n] {
				continue
			}
			c.t = clamp(c.t, t.Times[0], end)
		}
		from := "keypoints"
		if marks[n] {
			from = "mark"
		}
		out = append(out, Event{Name: n, TimeS: c.t, SigmaS: c.sigma, Frame: t.Frames[nearest(t.Times, c.t)], From: from})
	}
	var notes []string
	for i := range out {
		for k := i + 1; k < len(out); k++ {
			a, b := out[i], out[k]
			if a.Name == HeelDown || b.Name == HeelDown {
				continue // the heel may come down before the hands start or after
			}
			if a.TimeS > b.TimeS+1.96*math.Hypot(a.SigmaS, b.SigmaS) {
				notes = append(notes, fmt.Sprintf("\"%s\" was found after \"%s\", which is not the usual order: check these two key frames.", EventWords[a.Name], EventWords[b.Name]))
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].TimeS < out[j].TimeS })
	return out, notes
}

// tempoNotes asks about slow motion where a swing is slower than people swing.
func (b *body) tempoNotes(c candidate) []string {
	if c.best.tempo > 1.8 || c.speed < 1.7 {
		return []string{"The motion is slow for a swing. If this is a slow-motion file, write captured_fps into the settings file beside the clip: all times depend on it."}
	}
	return nil
}

func nearest(ts []float64, t float64) int {
	i := sort.SearchFloat64s(ts, t)
	if i > 0 && (i == len(ts) || t-ts[i-1] <= ts[i]-t) {
		i--
	}
	return i
}
