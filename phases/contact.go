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
}

func (c ContactCue) known() bool {
	return c.SigmaS > 0 && !math.IsNaN(c.TimeS) && !math.IsInf(c.TimeS, 0) && !math.IsInf(c.SigmaS, 0)
}

// disagreement is how many standard uncertainties two cues may lie apart before
// one of them is doubted.
const disagreement = 3.0

// FuseContact combines the body's time of contact with the other cues.
//
// A cue that no other one bears out within three standard uncertainties is left
// out where two others agree with each other; what is left is averaged by
// weight, and where the cues scatter by more than they claim, sigma grows to the
// observed scatter (Birge's ratio: Birge 1932, Phys. Rev. 40:207–227). from is the one cue
// that decides (nine tenths of the weight), or "fused". left are the cues that were not used.
func FuseContact(body ContactCue, cues []ContactCue) (fused ContactCue, left []ContactCue) {
	all := make([]ContactCue, 0, len(cues)+1)
	for _, c := range append([]ContactCue{body}, cues...) {
		if c.known() {
			all = append(all, c)
		}
	}
	if len(all) == 0 {
		return body, nil
	}
	agrees := func(a, b ContactCue) bool {
		return math.Abs(a.TimeS-b.TimeS) <= disagreement*math.Hypot(a.SigmaS, b.SigmaS)
	}
	for len(all) > 2 {
		worst, friends := -1, 0
		for i, a := range all {
			n, others := 0, 0
			for k, b := range all {
				if k == i {
					continue
				}
				if agrees(a, b) {
					n++
				}
				for m := k + 1; m < len(all); m++ {
					if m != i && agrees(b, all[m]) {
						others++
					}
				}
			}
			if n == 0 && others > 0 && (worst < 0 || a.SigmaS > all[worst].SigmaS) {
				worst, friends = i, others
			}
		}
		if worst < 0 || friends == 0 {
			break
		}
		left = append(left, all[worst])
		all = append(all[:worst:worst], all[worst+1:]...)
	}
	var w, wt float64
	for _, c := range all {
		k := 1 / (c.SigmaS * c.SigmaS)
		w += k
		wt += k * c.TimeS
	}
	t := wt / w
	var between float64
	fused = ContactCue{TimeS: t, From: "fused"}
	for _, c := range all {
		d := (c.TimeS - t) / c.SigmaS
		between += d * d
		if 1/(c.SigmaS*c.SigmaS) > 0.9*w {
			fused.From = c.From
		}
	}
	v := 1 / w
	if n := len(all); n > 1 {
		v *= math.Max(1, between/float64(n-1))
	}
	fused.SigmaS = math.Sqrt(v)
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
	body := ContactCue{sw.how.byBody.t, sw.how.byBody.sigma, "keypoints"}
	said := slices.DeleteFunc(append([]ContactCue{body}, cues...), func(c ContactCue) bool { return !c.known() })
	fused, left := FuseContact(body, cues)
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
	batCueWindowS = 0.060 // to either side of the body's time
	batCueSD      = 0.009 // s: contact early or late in the arc, inside or outside pitches
	batCueSide    = 0.80  // least share of the line to the pitcher that lies in the picture
)

// BatCue is when the bat points across the line to the pitcher, which in the middle
// of all contacts it does: its direction in the picture passes the one of a bat that
// points straight from the hitter to the plate. Only for views from the side.
func BatCue(t *pose.Track, sw *Swing) (ContactCue, bool) {
	none := ContactCue{}
	c, ok := sw.Event(Contact)
	x := sw.View.ImageX(sw.Bats)
	if !ok || math.Abs(x) < batCueSide || len(t.Bat) == 0 {
		return none, false
	}
	// Forward part of the bat over its length, in each frame.
	forward := func(i int) (float64, bool) {
		b := &t.Bat[i]
		if b.Status != string(Measured) || !b.Barrel.Known() || !b.Knob.Known() {
			return 0, false
		}
		return (b.Barrel.X - b.Knob.X) * sign(x), true
	}
	best, at, gap := math.Inf(1), 0.0, 0.0
	last, lastF := -1, 0.0
	for i := range t.Bat {
		d := t.Times[i] - c.TimeS
		if d < -batCueWindowS-0.04 || d > batCueWindowS+0.04 {
			continue
		}
		f, ok := forward(i)
		if !ok {
			continue
		}
		if last >= 0 && lastF < 0 && f >= 0 {
			u := lastF / (lastF - f)
			when := t.Times[last] + u*(t.Times[i]-t.Times[last])
			if math.Abs(when-c.TimeS) < best {
				best, at, gap = math.Abs(when-c.TimeS), when, t.Times[i]-t.Times[last]
			}
		}
		last, lastF = i, f
	}
	if best > batCueWindowS || gap > 0.075 {
		return none, false
	}
	return ContactCue{at, math.Hypot(batCueSD, 0.2*gap), "bat"}, true
}

const (
	soundSpeedMS = 343.0 // in air at 20 °C; 3 % less at 0 °C, 10 cm in 3 m: nothing
	soundStepSD  = 0.004 // s by which sound and picture of a phone are out of step at best
)

// CameraDistance estimates how far the camera stands from where bat and ball
// meet, m. The distance to the hitter is as stated, or from the hitter's size in the picture and what lenses phones have (a focal length
// of about the longer side of the picture; zoomed in or cropped, up to twice that).
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
	const focal, focalRel = 1.05, 0.35
	d := focal * float64(max(t.Width, t.Height)) * tall / sc.HeightPx
	return math.Max(0.5, d-nearer), d * math.Hypot(focalRel, rel), true
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
	return ContactCue{on.TimeS - distanceM/soundSpeedMS, s, "audio"}
}
