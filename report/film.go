package report

import (
	"image"
	"math"

	"cagebook/phases"
	"cagebook/pose"
	"cagebook/report/still"
)

// Film says which pictures of the clip the films of a swing show: one stored
// picture for each frame, so that a player can step exactly.
type Film struct {
	Path       string `json:"path,omitempty"` // plain film below the clip's folder; empty = there is none, only keypoints
	FPS        int    `json:"fps"`            // stored pictures a second; real times are those of the track
	FirstFrame int    `json:"first_frame"`    // of the clip
	LastFrame  int    `json:"last_frame"`
	Step       int    `json:"step"` // of the track's frames from the first to the last, every so many
	X          int    `json:"x"`    // part of the upright picture that is shown, px
	Y          int    `json:"y"`
	W          int    `json:"w"`
	H          int    `json:"h"`
	Width      int    `json:"width"` // of the film, px, even
	Height     int    `json:"height"`
}

const (
	filmFPS = 30 // what every phone plays
	// filmSide is the longer side of a film, px: enough for a phone, quick to make.
	filmSide, filmSideMin = 720, 540
	// filmFrames is the most pictures that a film holds: 2.5 s at 240 frames a second.
	filmFrames = 600
	// The stretch that is shown: a hitter may stand in his stance for long.
	filmBeforeS, filmAfterS       = 0.12, 0.25 // beyond stance and finish
	filmMaxBeforeS, filmMaxAfterS = 2.5, 1.2   // about contact
)

// Crop is the part of the upright picture that the film shows.
func (f *Film) Crop() image.Rectangle { return image.Rect(f.X, f.Y, f.X+f.W, f.Y+f.H) }

// PlanFilm chooses frames and part of a swing's films; nil where there is no track.
func (s *Swing) PlanFilm() *Film {
	t, c := s.Track, Event{}
	if t == nil || t.Len() < 2 {
		return nil
	}
	c, ok := s.event(phases.Contact)
	if !ok {
		return nil
	}
	from, to := t.Times[0], t.Times[t.Len()-1]
	if s.Source != nil && s.Source.To > s.Source.From {
		from, to = t.Times[max(0, s.Source.From)], t.Times[min(s.Source.To, t.Len())-1]
	}
	first, last := c.TimeS-filmMaxBeforeS, c.TimeS+filmMaxAfterS
	if e, ok := s.event(phases.Stance); ok {
		first = max(first, e.TimeS-filmBeforeS)
	}
	if e, ok := s.event(phases.Finish); ok {
		last = min(last, e.TimeS+filmAfterS)
	}
	from, to = max(from, float64(first)), min(to, float64(last))
	f := &Film{FPS: filmFPS, Step: 1, FirstFrame: -1}
	n := 0
	for k, at := range t.Times {
		if at < from || at > to {
			continue
		}
		if f.FirstFrame < 0 {
			f.FirstFrame = frameOf(t, k)
		}
		f.LastFrame = frameOf(t, k)
		n++
	}
	if n < 2 {
		return nil
	}
	f.Step = (n + filmFrames - 1) / filmFrames
	crop := filmCrop(t, s.samplesOf(f))
	if crop.Dx() < 16 || crop.Dy() < 16 {
		return nil
	}
	f.X, f.Y, f.W, f.H = crop.Min.X, crop.Min.Y, crop.Dx(), crop.Dy()
	long := float64(max(f.W, f.H))
	k := min(max(long, filmSideMin), filmSide) / long
	f.Width, f.Height = even(float64(f.W)*k), even(float64(f.H)*k)
	return f
}

// even rounds down to an even number: the picture format of films halves the colour.
func even(v float64) int { return max(2, int(v)&^1) }

func frameOf(t *pose.Track, k int) int {
	if k < len(t.Frames) {
		return t.Frames[k]
	}
	return k
}

// samplesOf are the indices into the track of a film's pictures.
func (s *Swing) samplesOf(f *Film) (at []int) {
	n := 0
	for k := range s.Track.Times {
		if fr := frameOf(s.Track, k); fr < f.FirstFrame || fr > f.LastFrame {
			continue
		}
		if n%f.Step == 0 {
			at = append(at, k)
		}
		n++
	}
	return at
}

// FilmSamples are the indices into the swing's track of the film's pictures, in order.
func (s *Swing) FilmSamples() []int {
	if s.Film == nil || s.Track == nil {
		return nil
	}
	return s.samplesOf(s.Film)
}

// filmCrop is the part of the picture that holds the hitter in all frames, with room for the bat.
func filmCrop(t *pose.Track, at []int) image.Rectangle {
	const barrelRoom = 12 // px about the bat's end
	w, h := t.Width, t.Height
	var bat image.Rectangle
	poses := make([]still.Pose, 0, len(at))
	for _, k := range at {
		p := poseAt(t, k)
		poses = append(poses, p)
		if k < len(t.Bat) && t.Bat[k].Status == string(phases.Measured) && t.Bat[k].Barrel.Known() {
			x, y := int(t.Bat[k].Barrel.X), int(t.Bat[k].Barrel.Y)
			bat = bat.Union(image.Rect(x-barrelRoom, y-barrelRoom, x+barrelRoom, y+barrelRoom))
		}
		if t.Width == 0 { // not known: as far as the points go
			for _, e := range p {
				if e.Known() {
					w, h = max(w, int(math.Ceil(e.X*1.1))), max(h, int(math.Ceil(e.Y*1.1)))
				}
			}
		}
	}
	bounds := image.Rect(0, 0, w, h)
	out := bat.Intersect(bounds)
	for _, c := range still.Crops(poses, bounds) {
		out = out.Union(c)
	}
	return out
}

// ReplayFrames describes each picture of a swing's slow motion, in the order of FilmSamples.
func (s *Swing) ReplayFrames() []still.ReplayFrame {
	at := s.FilmSamples()
	if len(at) == 0 {
		return nil
	}
	t := s.Track
	first, last := t.Times[at[0]], t.Times[at[len(at)-1]]
	share := func(timeS float64) float64 { return (timeS - first) / (last - first) }
	var ticks []still.Tick
	for i, name := range phases.KeyFrames {
		if e, ok := s.event(name); ok && float64(e.TimeS) >= first && float64(e.TimeS) <= last {
			ticks = append(ticks, still.Tick{Number: i + 1, Share: share(float64(e.TimeS))})
		}
	}
	keyAt := map[int]int{} // frame → number of its key frame
	for i, name := range phases.KeyFrames {
		if e, ok := s.event(name); ok {
			keyAt[nearestSample(t, at, float64(e.TimeS))] = i + 1
		}
	}
	contact, hasContact := s.event(phases.Contact)
	out := make([]still.ReplayFrame, 0, len(at))
	now := 0
	for i, k := range at {
		f := still.ReplayFrame{TimeS: t.Times[k], Pose: poseAt(t, k), LeadIsLeft: s.Bats != phases.Left, Share: share(t.Times[k]), Ticks: ticks}
		if n := keyAt[i]; n > 0 {
			now, f.Key = n, true
		}
		f.Number = now
		if now > 0 {
			f.Moment = EventWords(string(phases.KeyFrames[now-1]))
		}
		if hasContact {
			f.Time = fromContact(t.Times[k] - float64(contact.TimeS))
		}
		if k < len(t.Bat) && t.Bat[k].Status == string(phases.Measured) {
			f.Knob, f.Barrel = t.Bat[k].Knob, t.Bat[k].Barrel
		}
		f.Trail = trail(t, k)
		out = append(out, f)
	}
	return out
}

// trailS is how long the barrel's way stays in the picture.
const trailS = 0.30

// trail is the barrel's way up to sample k; a gap in it is an unknown point.
func trail(t *pose.Track, k int) (way []pose.Estimate) {
	for i := k; i >= 0 && i < len(t.Bat) && t.Times[k]-t.Times[i] <= trailS; i-- {
		e := pose.Estimate{}
		if t.Bat[i].Status == string(phases.Measured) {
			e = t.Bat[i].Barrel
		}
		way = append(way, e)
	}
	return way
}

// nearestSample is the position in at of the sample nearest to a time.
func nearestSample(t *pose.Track, at []int, timeS float64) int {
	best := 0
	for i, k := range at {
		if math.Abs(t.Times[k]-timeS) < math.Abs(t.Times[at[best]]-timeS) {
			best = i
		}
	}
	return best
}

// fromContact is a time relative to contact in few words.
func fromContact(d float64) string {
	switch v := noMinusZero("%.2f s", math.Abs(d), 2); {
	case v == "0.00 s":
		return "contact"
	case d < 0:
		return v + " before contact"
	default:
		return v + " after contact"
	}
}
