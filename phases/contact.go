package phases

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"cagebook/pose"
)

// ContactCue is what one witness says of contact: "keypoints", "bat", "ball" or "audio".
type ContactCue struct {
	TimeS  float64 `json:"time_s"`
	SigmaS float64 `json:"sigma_s"`
	From   string  `json:"from"`
	// LeftOut says that it was taken to tell of something else than this contact.
	LeftOut bool `json:"left_out,omitempty"`
}

func (c ContactCue) known() bool {
	return c.SigmaS > 0 && !math.IsNaN(c.TimeS) && !math.IsInf(c.TimeS, 0) && !math.IsInf(c.SigmaS, 0)
}

// trusted is how often a witness tells of this contact at all and not of something else: a
// ball that was lost before the bat, another cage's crack, a sound track out of step. Of rendered swings with known truth 8 of 65 cracks,
// 2 of 50 balls (rounded down), 1 of 79 bats and, where hitters with a strong fault are among them, 6 of 150 bodies lie beyond four sigma.
var trusted = map[string]float64{"keypoints": 0.96, "bat": 0.98, "audio": 0.85, "ball": 0.92}

// contactRangeS is the stretch in which a witness that tells of something else may put it: about a swing's length.
const contactRangeS = 0.2

// soundApart is the number of standard deviations by which a sound may be away from what body and bat together say. Of 160 rendered
// swings with a sound, 19 were another cage's crack or out of step: 13 of them lie beyond, and one of the others.
const soundApart = 2.8

// elsewhere says whether a sound lies too far from body and bat to be this contact's. A ball that was met when
// it was heard speaks for it.
func elsewhere(sound, body ContactCue, cues []ContactCue) bool {
	apart := func(c ContactCue) bool {
		return math.Abs(sound.TimeS-c.TimeS) > soundApart*math.Hypot(sound.SigmaS, c.SigmaS)
	}
	ref := []ContactCue{}
	for _, c := range cues {
		switch {
		case c.From == "bat":
			ref = append(ref, c)
		case c.From == "ball" && c.known() && !apart(c):
			return false
		}
	}
	if len(ref) == 0 && !body.known() {
		return false
	}
	near, _ := FuseContact(body, ref)
	return apart(near)
}

// FuseContact combines the body's time of contact with the other cues.
//
// A sound that is elsewhere is left out before anything else.
// Each cue tells of this contact, with its sigma, or of something else, anywhere within
// contactRangeS. Every way to believe some of them and not the others is weighed by how well those that are believed
// agree (a mixture of good and bad data, as in Jaynes, Probability Theory, 2003, ch. 21). The time is
// that of the best way and of those that differ little from it; 1.96 sigma is the half of the stretch about
// it that holds 95 of 100 cases over all ways: a witness that disagrees widens it. from is the one cue that decides (nine tenths of the weight), or "fused".
// left are the cues that are more likely to tell of something else.
func FuseContact(body ContactCue, cues []ContactCue) (fused ContactCue, left []ContactCue) {
	all := make([]ContactCue, 0, len(cues)+1)
	for _, c := range append([]ContactCue{body}, cues...) {
		switch {
		case !c.known():
		case c.From == "audio" && elsewhere(c, body, cues):
			left = append(left, c)
		default:
			all = append(all, c)
		}
	}
	if len(all) == 0 {
		return body, left
	}
	type way struct{ weight, t, variance float64 }
	ways := make([]way, 1<<len(all)) // bit i set: cue i is believed
	best, total := 0, 0.0
	for s := 1; s < len(ways); s++ {
		logW, w, wt := 0.0, 0.0, 0.0
		for i, c := range all {
			p := trusted[c.From]
			if p == 0 {
				p = 0.5
			}
			if s&(1<<i) == 0 {
				logW += math.Log((1 - p) / contactRangeS)
				continue
			}
			logW += math.Log(p)
			k := 1 / (c.SigmaS * c.SigmaS)
			if w > 0 { // how well it agrees with those before it
				d, v := c.TimeS-wt/w, 1/w+c.SigmaS*c.SigmaS
				logW += -0.5*d*d/v - 0.5*math.Log(2*math.Pi*v)
			}
			w, wt = w+k, wt+k*c.TimeS
		}
		ways[s] = way{logW, wt / w, 1 / w}
		if best == 0 || logW > ways[best].weight {
			best = s
		}
	}
	top := ways[best].weight
	for s := 1; s < len(ways); s++ {
		ways[s].weight = math.Exp(ways[s].weight - top)
		total += ways[s].weight
	}
	near := func(w way) bool {
		return math.Abs(w.t-ways[best].t) <= 2*math.Sqrt(math.Max(w.variance, ways[best].variance))
	}
	var w, wt float64
	believed := make([]float64, len(all))
	for s := 1; s < len(ways); s++ {
		if near(ways[s]) {
			w, wt = w+ways[s].weight, wt+ways[s].weight*ways[s].t
		}
		for i := range all {
			if s&(1<<i) != 0 {
				believed[i] += ways[s].weight / total
			}
		}
	}
	t := wt / w
	// Half of the stretch about t that holds contact in 95 of 100 cases, by bisection.
	inside := func(half float64) float64 {
		var p float64
		for _, y := range ways[1:] {
			sd := math.Sqrt(2 * y.variance)
			p += y.weight / total * 0.5 * (math.Erf((t+half-y.t)/sd) - math.Erf((t-half-y.t)/sd))
		}
		return p
	}
	lo, hi := 0.0, 0.0
	for _, c := range all {
		hi = math.Max(hi, math.Abs(c.TimeS-t)+4*c.SigmaS)
	}
	for range 60 {
		if mid := (lo + hi) / 2; inside(mid) < 0.95 {
			lo = mid
		} else {
			hi = mid
		}
	}
	fused = ContactCue{TimeS: t, SigmaS: hi / 1.959964, From: "fused"}
	for i, c := range all {
		if best&(1<<i) != 0 && ways[best].variance > 0.9*c.SigmaS*c.SigmaS {
			fused.From = c.From
		}
		if believed[i] < 0.5 {
			left = append(left, c)
		}
	}
	return fused, left
}

// Heard is what the sound track gave.
type Heard struct {
	Looked bool // there was sound that could be used
	Reason string
}

// origin is where a swing's events came from.
type origin struct {
	r      *reading
	byBody cue      // contact from the joints alone
	notes  []string // other than on the order of events
}

// Refine times contact anew with what bat, ball and sound say, and with it the
// events that hang on contact. ballSeen says whether a ball was seen at all. A person's
// mark for contact stands. Swings that Detect did not make are left alone.
func Refine(t *pose.Track, sw *Swing, given Given, cues []ContactCue, ballSeen bool, heard Heard) {
	if sw.how == nil {
		return
	}
	r := sw.how.r
	if e, ok := sw.Event(Contact); ok && e.From == "mark" {
		return
	}
	body := ContactCue{TimeS: sw.how.byBody.t, SigmaS: sw.how.byBody.sigma, From: "keypoints"}
	said := slices.DeleteFunc(append([]ContactCue{body}, cues...), func(c ContactCue) bool { return !c.known() })
	fused, left := FuseContact(body, cues)
	for i := range said {
		said[i].LeftOut = slices.Contains(left, said[i])
	}
	r.ev = map[EventName]cue{Contact: {fused.TimeS, fused.SigmaS}}
	r.findEvents()
	events, notes := r.list(t, r.marked(given))
	for i := range events {
		if events[i].Name == Contact {
			events[i].From, events[i].Cues = fused.From, said
		}
	}
	sw.Events = events
	sw.Notes = append(notes, sw.how.notes...)
	for _, c := range left {
		sw.Notes = append(sw.Notes, leftOut(c, fused))
	}
	for _, c := range cues {
		if c.From == "ball" || c.From == "audio" {
			ballSeen = true
		}
	}
	// Near the line to the pitcher, or at few frames a second, a ball is easily missed.
	wouldShow := math.Abs(sw.View.ImageX(sw.Bats)) > batCueSide && r.b.frameS < fastFrameS
	if !ballSeen && wouldShow && heard.Looked && heard.Reason == OnsetNone {
		sw.Notes = append(sw.Notes, "No ball was seen and no crack was heard: this was read as a dry swing. Contact is where the bat would meet the ball.")
	}
	sw.From = sort.SearchFloat64s(t.Times, events[0].TimeS-0.3)
	sw.To = sort.SearchFloat64s(t.Times, events[len(events)-1].TimeS+0.3)
}

// BallCue is the contact that a ball's flight tells of, with the doubt that its own residuals do not show: where the flight ends is
// told by pictures up to a frame away from it (37 rendered balls: 3 ms, and more at few frames a second). Along the line to the pitcher
// bat and ball lie on each other in the picture for longer than they touch (22 rendered balls seen from there: half of them
// within 7 ms, the others up to 35).
func BallCue(sw *Swing, timeS, sigmaS float64) ContactCue {
	const shortSD, frames, alongSD = 0.003, 0.1, 0.012
	frameS := 0.0
	if sw.how != nil {
		frameS = sw.how.r.b.frameS
	}
	x := sw.View.ImageX(sw.Bats)
	along := alongSD * math.Sqrt(math.Max(0, 1-x*x))
	return ContactCue{TimeS: timeS, SigmaS: math.Hypot(math.Hypot(sigmaS, along), math.Hypot(shortSD, frames*frameS)), From: "ball"}
}

func leftOut(c, fused ContactCue) string {
	ms := math.Round(1000 * math.Abs(c.TimeS-fused.TimeS))
	switch c.From {
	case "audio":
		return fmt.Sprintf("The crack in the sound lies %.0f ms from where bat and ball met in the picture: sound and picture are out of step, or it was another bat. It was not used.", ms)
	case "keypoints":
		return fmt.Sprintf("The body alone put contact %.0f ms from where the other signs put it; they were used.", ms)
	}
	return fmt.Sprintf("The %s alone put contact %.0f ms from where the other signs put it; it was not used.", c.From, ms)
}

// The bat's own word on contact, from probes on rendered swings with known truth.
const (
	batCueWindowS = 0.120 // to either side of the body's time
	batCueSD      = 0.009 // s: contact early or late in the arc, inside or outside pitches
	batCueSide    = 0.80  // least share of the line to the pitcher that lies in the picture for the bat's passing square to be seen

	// A bat turns at 1,500 to 2,500°/s near contact (from memory; rendered ones at 24 to 40 rad/s): slower is a waggle.
	batTurnMean, batTurnSD = 33.0, 7.0 // rad/s
	batTurnLeast           = 12.0
	batGapS                = 0.075 // frames farther apart tell nothing of what lies between
	acrossS                = 0.060 // within which a bat that reached farthest across has turned away
	acrossPart             = 0.25  // of the farthest reach, below which it has
	acrossNoise            = 0.10  // of it, by which found lengths stray
	acrossMost             = 0.25  // of it, by which they may stray from the even turn
)

// BatCue is when the bat points across the line to the pitcher, which in the middle of all contacts it does. From the side its
// direction in the picture then passes the one of a bat that points straight from the hitter to the plate; from elsewhere it
// then reaches farthest across the picture.
func BatCue(t *pose.Track, sw *Swing) (ContactCue, bool) {
	c, ok := sw.Event(Contact)
	if !ok || len(t.Bat) == 0 {
		return ContactCue{}, false
	}
	x := sw.View.ImageX(sw.Bats)
	if math.Abs(x) < batCueSide {
		return batAcross(t, batReach(t, c.TimeS, sw.View.imageY(sw.Bats)), c.TimeS, sw)
	}
	return batSquare(t, batReach(t, c.TimeS, x), c.TimeS, sw)
}

// reach is how far the bat goes to one side of the picture at a time, px.
type reach struct{ t, x float64 }

// batReach is the bat's reach to the side of the picture that has x's sign, of the frames about cS in which both ends are known.
func batReach(t *pose.Track, cS, x float64) []reach {
	var out []reach
	for i := range t.Bat {
		b := &t.Bat[i]
		if math.Abs(t.Times[i]-cS) > batCueWindowS+batGapS || b.Status != string(Measured) || !b.Barrel.Known() || !b.Knob.Known() {
			continue
		}
		out = append(out, reach{t.Times[i], (b.Barrel.X - b.Knob.X) * sign(x)})
	}
	return out
}

// batSquare is when a bat seen from the side is square: about when its forward reach rises through zero, and then it points at the
// camera's own direction or away from it.
func batSquare(t *pose.Track, p []reach, cS float64, sw *Swing) (ContactCue, bool) {
	most := 0.0
	for _, q := range p {
		most = math.Max(most, math.Abs(q.x))
	}
	best, at, gap := math.Inf(1), 0.0, 0.0
	for k := 1; k < len(p); k++ {
		a, b := p[k-1], p[k]
		if a.x >= 0 || b.x < 0 || b.t-a.t > batGapS || (b.x-a.x)/(b.t-a.t) < batTurnLeast*most {
			continue
		}
		if when := a.t + a.x/(a.x-b.x)*(b.t-a.t); math.Abs(when-cS) < best {
			best, at, gap = math.Abs(when-cS), when, b.t-a.t
		}
	}
	if best > batCueWindowS {
		return ContactCue{}, false
	}
	v := handsView(t, sw, at)
	x, y := v.ImageX(sw.Bats), v.imageY(sw.Bats)
	cue := turned(at, math.Atan(-y/x), batTurnMean, gap, sw)
	return cue, math.Abs(cue.TimeS-cS) <= batCueWindowS
}

// handsView is the view of the hands about a time. A view is that of the hips; at contact the hands are some 0.3 m nearer the pitcher, and a camera 6 m off
// sees them by 3° from another side. How far they are from the hips in the picture tells the angle.
func handsView(t *pose.Track, sw *Swing, timeS float64) View {
	v := sw.View
	f, _ := focal(t)
	n := min(len(t.Bat), len(t.Smooth))
	best := -1
	for i := range n {
		if t.Bat[i].Knob.Known() && t.Smooth[i][pose.LeftHip].Known() && t.Smooth[i][pose.RightHip].Known() &&
			(best < 0 || math.Abs(t.Times[i]-timeS) < math.Abs(t.Times[best]-timeS)) {
			best = i
		}
	}
	if best < 0 || !(f > 0) || math.Abs(t.Times[best]-timeS) > batGapS {
		return v
	}
	hips := (t.Smooth[best][pose.LeftHip].X + t.Smooth[best][pose.RightHip].X) / 2
	v.AzimuthDeg -= math.Atan2(sw.Bats.mirror()*(t.Bat[best].Knob.X-hips), f) * 180 / math.Pi
	return v
}

// A phone's focal length is about the longer side of its picture; zoomed in or cropped, up to twice that. Of what a phone itself states (video.Info.FocalPx)
// only how much it cuts off to hold the picture still is not known, and whether it zoomed while it filmed.
const focalOfLonger, focalRel, statedFocalRel = 1.05, 0.35, 0.12

// focal is the focal length, px, and its relative standard uncertainty: as the phone stated it, or as is usual. 0 px where the picture's size is not known either.
func focal(t *pose.Track) (px, rel float64) {
	if t.FocalPx > 0 {
		return t.FocalPx, statedFocalRel
	}
	return focalOfLonger * float64(max(t.Width, t.Height, 0)), focalRel
}

// turned is the cue of a bat that was ahead of square, rad, at a time, as it turns at turn rad/s.
func turned(atS, ahead, turn, gapS float64, sw *Swing) ContactCue {
	view := sw.View.SigmaDeg * math.Pi / 180
	sd := math.Hypot(math.Hypot(batCueSD, 0.2*gapS), math.Hypot(view, ahead*batTurnSD/batTurnMean)/turn)
	return ContactCue{TimeS: atS - ahead/turn, SigmaS: sd, From: "bat"}
}

// batAcross is when a bat that is not seen from the side points straight across the line to the pitcher. It turns evenly near
// contact, so that its reach to the plate's side is a cosine of time; a camera that does not look straight along the line sees it
// farthest earlier or later, by an angle that the view tells. What is nearer looks longer: from the pitcher's end a bat that has turned toward
// the camera, from the catcher's one that has not yet turned away.
func batAcross(tr *pose.Track, p []reach, cS float64, sw *Swing) (ContactCue, bool) {
	none := ContactCue{}
	m := -1
	for k, q := range p {
		if math.Abs(q.t-cS) <= batCueWindowS && (m < 0 || q.x > p[m].x) {
			m = k
		}
	}
	if m < 0 || p[m].x <= 0 {
		return none, false
	}
	// The frames about the farthest reach until the bat has turned away, and the first in which it has.
	walk := func(step int) int {
		k := m
		for n := k + step; n >= 0 && n < len(p) && math.Abs(p[n].t-p[k].t) < batGapS && math.Abs(p[k].t-p[m].t) < acrossS && p[k].x > acrossPart*p[m].x; n += step {
			k = n
		}
		return k
	}
	lo, hi := walk(-1), walk(1)
	if lo == m || hi == m || math.Max(p[lo].x, p[hi].x) > 0.9*p[m].x || math.Min(p[lo].x, p[hi].x) > 0.6*p[m].x {
		return none, false // it is not seen to come and to go
	}
	near := p[lo : hi+1]
	nearer := 0.0 // length of the bat ÷ its distance, + = it comes toward the camera
	if f, _ := focal(tr); f > 0 {
		nearer = math.Min(0.5, p[m].x/f) * sign(math.Sin(sw.View.AzimuthDeg*math.Pi/180))
	}
	best, at, turn, stray := math.Inf(1), 0.0, 0.0, 0.0
	gap := 0.0
	for k := 1; k < len(near); k++ {
		gap = math.Max(gap, near[k].t-near[k-1].t)
	}
	for w := 20.0; w <= 52; w += 4 {
		for t := near[0].t; t <= near[len(near)-1].t; t += 0.001 {
			var cc, cx, xx float64
			for _, q := range near {
				sn, c := math.Sincos(clamp(w*(q.t-t), -2.2, 2.2))
				c /= 1 - nearer*sn
				cc, cx, xx = cc+c*c, cx+c*q.x, xx+q.x*q.x
			}
			if !(cx > 0) || !(cc > 0) {
				continue
			}
			r := (xx - cx*cx/cc) / (p[m].x * p[m].x)
			if v := r/(acrossNoise*acrossNoise) + (w-batTurnMean)*(w-batTurnMean)/(batTurnSD*batTurnSD); v < best {
				best, at, turn, stray = v, t, w, math.Sqrt(r/float64(len(near)))
			}
		}
	}
	if !(best < math.Inf(1)) || stray > acrossMost {
		return none, false
	}
	v := handsView(tr, sw, at)
	x, y := v.ImageX(sw.Bats), v.imageY(sw.Bats)
	ahead := math.Atan2(x*sign(y), math.Abs(y)) // of square, where it reaches farthest, rad
	cue := turned(at, ahead, turn, gap, sw)
	return cue, math.Abs(cue.TimeS-cS) <= batCueWindowS
}

const (
	soundSpeedMS = 343.0 // in air at 20 °C; 3 % less at 0 °C, 10 cm in 3 m: nothing
	soundStepSD  = 0.004 // s by which sound and picture of a phone are out of step at best
)

// CameraDistance estimates how far the camera stands from where bat and ball
// meet, m. The distance to the hitter is as stated, or from the hitter's size in the picture and the focal length: the clip's own, or what phones have.
func CameraDistance(t *pose.Track, sw *Swing, given Given, statedM float64) (distanceM, sigmaM float64, ok bool) {
	// Contact is about 0.4 m nearer the pitcher and 0.6 m nearer the plate than the hips.
	s, c := math.Sincos(sw.View.AzimuthDeg * math.Pi / 180)
	nearer := 0.4*s + 0.6*c
	if statedM > 0 {
		return math.Max(0.5, statedM-nearer), math.Max(0.25, 0.05*statedM), true
	}
	sc := sw.Scale
	if !(sc.HeightPx > 0) || t.Width <= 0 || t.Height <= 0 {
		return 0, 0, false
	}
	tall, rel := given.HeightM, 0.0
	if tall <= 0 {
		tall, rel = 1.65, 0.15
		if given.Level == "youth" {
			tall = 1.45
		}
	}
	f, fRel := focal(t)
	d := f * tall / sc.HeightPx
	return math.Max(0.5, d-nearer), d * math.Hypot(fRel, rel), true
}

// SoundWindow is the stretch of the picture's clock in which the crack of a contact
// at about c must begin, for a camera at a distance.
func SoundWindow(c Event, distanceM, sigmaM float64) (fromS, toS float64) {
	half := 3*math.Hypot(c.SigmaS, soundStepSD) + 0.02
	return c.TimeS - half + math.Max(0, distanceM-2*sigmaM)/soundSpeedMS, c.TimeS + half + (distanceM+2*sigmaM)/soundSpeedMS
}

// AudioCue is the contact that an onset on the picture's clock tells of.
func AudioCue(on Onset, distanceM, sigmaM float64) ContactCue {
	s := math.Sqrt(on.SigmaS*on.SigmaS + soundStepSD*soundStepSD + sigmaM*sigmaM/(soundSpeedMS*soundSpeedMS))
	return ContactCue{TimeS: on.TimeS - distanceM/soundSpeedMS, SigmaS: s, From: "audio"}
}
