package pipeline

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"math"
	"slices"

	"cagebook/phases"
	"cagebook/pose"
	"cagebook/report"
	"cagebook/report/still"
)

const (
	// peopleMin is the score from which somebody is surely a person; see surePerson.
	peopleMin = surePerson
	// peopleMost: more than these are a crowd, and the largest are the nearest.
	peopleMost = 9
	// peopleNearS: people were looked at about 14 times a second.
	peopleNearS = 0.1
	// peopleQuality of their picture: it is for telling people apart.
	peopleQuality = 80
)

// peopleOf finds who was in the picture at a swing's contact, and draws them; nil
// where there was nobody but the hitter, or nobody can tell.
func peopleOf(sw *report.Swing, pics *pictures, fonts *still.Fonts) (*report.People, []byte, error) {
	k := slices.IndexFunc(sw.Events, func(e report.Event) bool { return e.Name == phases.Contact })
	if k < 0 || sw.Track == nil {
		return nil, nil, nil
	}
	c := sw.Events[k]
	at := float64(c.TimeS)
	var near *pose.Sample
	for i := range pics.all {
		if s := &pics.all[i]; near == nil || math.Abs(s.TimeS-at) < math.Abs(near.TimeS-at) {
			near = s
		}
	}
	if near == nil || math.Abs(near.TimeS-at) > peopleNearS {
		return nil, nil, nil
	}
	people := slices.DeleteFunc(slices.Clone(near.People), func(p pose.Person) bool {
		return p.Score < peopleMin || !(p.Box.X1 > p.Box.X0 && p.Box.Y1 > p.Box.Y0)
	})
	slices.SortStableFunc(people, func(a, b pose.Person) int { // the largest first
		switch d := (b.Box.Y1 - b.Box.Y0) - (a.Box.Y1 - a.Box.Y0); {
		case d < 0:
			return -1
		case d > 0:
			return 1
		}
		return 0
	})
	people = people[:min(len(people), peopleMost)]
	if len(people) < 2 {
		return nil, nil, nil
	}
	slices.SortStableFunc(people, func(a, b pose.Person) int { // then from the left
		switch d := a.Box.X0 + a.Box.X1 - b.Box.X0 - b.Box.X1; {
		case d < 0:
			return -1
		case d > 0:
			return 1
		}
		return 0
	})
	img, err := pics.image(c.Frame, image.Rectangle{})
	if err != nil {
		return nil, nil, nil // a mark far from every burst: the key frame's own note says so
	}
	w, h := float64(img.Bounds().Dx()), float64(img.Bounds().Dy())
	hitter := hitterAmong(people, sw.Track, c.Frame)
	out := &report.People{TimeS: report.Num(near.TimeS), Picture: peopleFile(sw.Number)}
	var boxes []image.Rectangle
	for i := range people {
		b := people[i].Box
		boxes = append(boxes, image.Rect(int(b.X0), int(b.Y0), int(math.Ceil(b.X1)), int(math.Ceil(b.Y1))))
		clip := func(v float64) report.Num { return report.Num(math.Min(1, math.Max(0, v))) }
		out.Of = append(out.Of, report.Somebody{Number: i + 1, X: clip((b.X0 + b.X1) / 2 / w), Y: clip((b.Y0 + b.Y1) / 2 / h), Hitter: i == hitter})
	}
	drawn, err := still.DrawPeople(img, boxes, hitter, fonts)
	if err != nil {
		return nil, nil, err
	}
	var buf bytes.Buffer
	err = jpeg.Encode(&buf, drawn, &jpeg.Options{Quality: peopleQuality})
	return out, buf.Bytes(), err
}

// several are the times at which more than one person was surely seen.
func several(samples []pose.Sample) (times []float64) {
	for i := range samples {
		n := 0
		for k := range samples[i].People {
			if samples[i].People[k].Score >= peopleMin {
				n++
			}
		}
		if n > 1 {
			times = append(times, samples[i].TimeS)
		}
	}
	return times
}

func peopleFile(number int) string { return fmt.Sprintf("swing-%d/people.jpg", number) }

// hitterAmong finds whose points lie nearest to those of a track in a frame; -1 if nobody's do.
func hitterAmong(people []pose.Person, t *pose.Track, frame int) int {
	k := slices.Index(t.Frames, frame)
	if k < 0 || k >= len(t.Smooth) {
		return -1
	}
	best, least := -1, 0.35 // of a body's height: farther apart, it is somebody else
	for i := range people {
		p := &people[i]
		sum, n := 0.0, 0
		for j, e := range t.Smooth[k] {
			if q := p.Points[j]; e.Known() && q.Seen() {
				sum += math.Hypot(e.X-q.X, e.Y-q.Y)
				n++
			}
		}
		if n > 3 {
			if d := sum / float64(n) / (p.Box.Y1 - p.Box.Y0); d < least {
				best, least = i, d
			}
		}
	}
	return best
}

// notePeople puts the picture of those in view into the clip's files, where there are several.
func notePeople(clip *Clip, r *report.Report, pics *pictures) error {
	fonts, err := still.NewFonts()
	if err != nil {
		return err
	}
	for i := range r.Swings {
		sw := &r.Swings[i]
		who, data, err := peopleOf(sw, pics, fonts)
		if err != nil {
			return fmt.Errorf("people of swing %d: %w", sw.Number, err)
		}
		if who == nil {
			continue
		}
		sw.People = who
		if pics.people == nil {
			pics.people = map[int][]byte{}
		}
		pics.people[sw.Number] = data
		if err := clip.Put(who.Picture, data); err != nil {
			return err
		}
	}
	return nil
}
