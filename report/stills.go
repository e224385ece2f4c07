package report

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"math"
	"strings"

	"cagebook/configs"
	"cagebook/phases"
	"cagebook/pose"
	"cagebook/report/still"
)

// Pictures gives the upright picture of a frame (its number in the clip) of a swing (its number in the report). It may be
// asked for several frames at once.
type Pictures func(swing, frame int) (image.Image, error)

// jpegQuality keeps thin lines clean at about 200 kB a still.
const jpegQuality = 88

// momentMeasures are the measures that a still shows where no finding asks for another.
var momentMeasures = map[phases.EventName][]string{
	phases.Stance:     {"stance_width", "rear_knee_flexion"},
	phases.Load:       {"body_over_feet", "rear_knee_inside"},
	phases.FootDown:   {"hands_separation", "lead_foot_open"},
	phases.HandsStart: {"hands_hips_gap", "hand_path_straightness"},
	phases.Contact:    {"lead_knee_flexion", "trunk_lean"},
	phases.Extension:  {"reach_of_ceiling"},
	phases.Finish:     {"body_over_feet", "trunk_lean"},
}

// StillName is the file of a key frame below its swing's folder, e.g. "5-contact.jpg".
func StillName(number int, e phases.EventName) string {
	return fmt.Sprintf("%d-%s.jpg", number, strings.ReplaceAll(string(e), "_", "-"))
}

// writeStills draws the key frames and the proof sheet of a swing and notes their files in it. A picture that cannot be had
// is a note, not an error. What is left to do is the handout; nil where the swing has none.
func writeStills(each Each, put func(string, []byte) error, r *Report, sw *Swing, pics Pictures, rules *configs.RuleSet) (handout func() ([]byte, error), err error) {
	scenes, missing := sw.scenes(each, r, pics, rules)
	for i, sc := range scenes {
		if sc.Picture != nil {
			sw.Stills[phases.KeyFrames[i]] = fmt.Sprintf("swing-%d/%s", sw.Number, StillName(i+1, phases.KeyFrames[i]))
		}
	}
	if len(sw.Stills) == 0 {
		return nil, nil
	}
	sw.Proof = fmt.Sprintf("swing-%d/proof.jpg", sw.Number)
	for i := range sw.Findings {
		sw.Findings[i].Still = sw.Stills[sw.Findings[i].Moment]
	}
	d, err := sw.draw(each, r, scenes, missing)
	if err != nil {
		return nil, fmt.Errorf("swing %d: %w", sw.Number, err)
	}
	for i, name := range phases.KeyFrames {
		if file := sw.Stills[name]; file != "" {
			if err := put(file, d.stills[i]); err != nil {
				return nil, err
			}
		}
	}
	if err := put(sw.Proof, d.sheet); err != nil {
		return nil, err
	}
	for i := range scenes {
		scenes[i].Picture = nil // is drawn, and large
	}
	sw.Handout = fmt.Sprintf("swing-%d/handout.pdf", sw.Number)
	return func() ([]byte, error) {
		fonts, err := still.NewFonts()
		if err != nil {
			return nil, err
		}
		page, err := sw.handout(r, scenes, missing, d.tiles, fonts)
		if err != nil {
			return nil, fmt.Errorf("swing %d: %w", sw.Number, err)
		}
		return page, nil
	}, nil
}

// drawings of a swing, as JPEG.
type drawings struct {
	stills [][]byte // one a scene, nil where it has no picture
	sheet  []byte
	tiles  []tile // of the handout, likewise
}

// draw makes all pictures of a swing; they do not depend on each other.
func (s *Swing) draw(each Each, r *Report, scenes []still.Scene, missing []string) (drawings, error) {
	d := drawings{stills: make([][]byte, len(scenes)), tiles: make([]tile, len(scenes))}
	jobs := []func(*still.Fonts) error{func(f *still.Fonts) error {
		img, err := still.DrawSheet(s.sheet(r, scenes, missing, f), f)
		if err == nil {
			d.sheet, err = encode(img, jpegQuality)
		}
		return err
	}}
	for i, sc := range scenes {
		if sc.Picture == nil {
			continue
		}
		jobs = append(jobs, func(f *still.Fonts) error {
			img, err := still.Draw(sc, f)
			if err == nil {
				d.stills[i], err = encode(img, jpegQuality)
			}
			if err != nil {
				return fmt.Errorf("%s: %w", sc.Moment, err)
			}
			return nil
		}, func(*still.Fonts) (err error) {
			d.tiles[i], err = newTile(sc, i)
			return err
		})
	}
	errs := make([]error, len(jobs))
	each(len(jobs), func(i int) {
		fonts, err := still.NewFonts() // faces are not for several goroutines
		if err == nil {
			err = jobs[i](fonts)
		}
		errs[i] = err
	})
	return d, errors.Join(errs...)
}

func encode(img image.Image, quality int) ([]byte, error) {
	var b bytes.Buffer
	err := jpeg.Encode(&b, img, &jpeg.Options{Quality: quality})
	return b.Bytes(), err
}

// sureBatSD is up to which standard uncertainty of its end, body heights, a bat is drawn on a still: of rendered ones 96 % are right
// there, and 84 % beyond, where a measure has its interval but a line would look like a statement.
const sureBatSD = 0.025

func (s *Swing) sureBat(b *pose.BatSample) bool {
	if b.Status != string(phases.Measured) {
		return false
	}
	return s.Source == nil || !(s.Source.Scale.HeightPx > 0) || b.Barrel.Sigma <= sureBatSD*s.Source.Scale.HeightPx
}

// scenes describes the seven key frames. missing says why one has no picture.
func (s *Swing) scenes(each Each, r *Report, pics Pictures, rules *configs.RuleSet) (out []still.Scene, missing []string) {
	pictures, errs := make([]image.Image, len(phases.KeyFrames)), make([]error, len(phases.KeyFrames))
	each(len(phases.KeyFrames), func(i int) {
		if e, ok := s.event(phases.KeyFrames[i]); ok {
			pictures[i], errs[i] = pics(s.Number, e.Frame)
		}
	})
	poses := make([]still.Pose, len(phases.KeyFrames))
	out = make([]still.Scene, len(phases.KeyFrames))
	missing = make([]string, len(phases.KeyFrames))
	var bounds image.Rectangle
	for i, name := range phases.KeyFrames {
		sc := &out[i]
		sc.Number, sc.Moment = i+1, EventWords(string(name))
		sc.LeadIsLeft = s.Bats != phases.Left
		e, ok := s.event(name)
		if !ok {
			missing[i], sc.Time = "This moment was not found.", ""
			continue
		}
		sc.Time, sc.TimeShort = s.TimeWords(e), s.timeShort(e)
		sc.LookAt, sc.Marks = s.words(name, r.Hitter, rules)
		if errs[i] != nil {
			missing[i] = "The picture could not be read."
			s.Notes = append(s.Notes, fmt.Sprintf("%s: the picture could not be read: %v.", sc.Moment, errs[i]))
			continue
		}
		sc.Picture, bounds = pictures[i], pictures[i].Bounds()
		if k, ok := indexOfFrame(s.Track, e); ok {
			poses[i] = poseAt(s.Track, k)
			if k < len(s.Track.Bat) && s.sureBat(&s.Track.Bat[k]) {
				sc.Knob, sc.Barrel = s.Track.Bat[k].Knob, s.Track.Bat[k].Barrel
			}
		}
		sc.Pose = poses[i]
	}
	if bounds.Empty() {
		return out, missing
	}
	for i, c := range still.Crops(poses, bounds) {
		out[i].Crop = c
	}
	return out, missing
}

func (s *Swing) event(n phases.EventName) (Event, bool) {
	for _, e := range s.Events {
		if e.Name == n {
			return e, true
		}
	}
	return Event{}, false
}

// indexOfFrame finds the sample of a track that belongs to an event's frame.
func indexOfFrame(t *pose.Track, e Event) (int, bool) {
	if t == nil || t.Len() == 0 {
		return 0, false
	}
	for k, f := range t.Frames {
		if f == e.Frame {
			return k, true
		}
	}
	return 0, false
}

// poseAt takes the smoothed points, or where there are none the raw ones with
// the uncertainty of a pose model, about 2 % of the hitter's extent.
func poseAt(t *pose.Track, k int) still.Pose {
	if k < len(t.Smooth) {
		return still.Pose(t.Smooth[k])
	}
	var p still.Pose
	if k >= len(t.Raw) {
		return p
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, q := range t.Raw[k] {
		if q.Seen() {
			lo, hi = min(lo, q.Y), max(hi, q.Y)
		}
	}
	for j, q := range t.Raw[k] {
		if q.Seen() {
			p[j] = pose.Estimate{X: q.X, Y: q.Y, Sigma: max(1, 0.02*(hi-lo))}
		}
	}
	return p
}

// decimals of a time, as its uncertainty deserves.
func (e Event) decimals() int {
	if e.SigmaS < 0.0095 {
		return 3
	}
	return 2
}

// TimeWords is an event's time relative to contact, e.g. "0.18 s before contact, ± 0.01 s".
func (s *Swing) TimeWords(e Event) string {
	n := e.decimals()
	pm := fmt.Sprintf("± %.*f s", n, float64(e.SigmaS))
	if e.From == "mark" {
		pm += ", set by a person"
	}
	c, ok := s.event(phases.Contact)
	if !ok || e.Name == phases.Contact {
		return fmt.Sprintf("%.*f s into the clip, %s", n, float64(e.TimeS), pm)
	}
	d := float64(e.TimeS - c.TimeS)
	if d < 0 {
		return fmt.Sprintf("%.*f s before contact, %s", n, -d, pm)
	}
	return fmt.Sprintf("%.*f s after contact, %s", n, d, pm)
}

// timeShort is TimeWords for narrow places, e.g. "0.18 s before ± 0.01".
func (s *Swing) timeShort(e Event) string {
	n := e.decimals()
	pm := fmt.Sprintf(" ± %.*f", n, max(0.001, float64(e.SigmaS)))
	if e.From == "mark" {
		pm = ", by hand"
	}
	c, ok := s.event(phases.Contact)
	switch d := float64(e.TimeS - c.TimeS); {
	case !ok:
		return fmt.Sprintf("at %.*f s%s", n, float64(e.TimeS), pm)
	case e.Name == phases.Contact:
		return "0 s" + pm
	case d < 0:
		return fmt.Sprintf("%.*f s before%s", n, -d, pm)
	default:
		return fmt.Sprintf("%.*f s after%s", n, d, pm)
	}
}

// words chooses what a still says: the finding that matters most at that
// moment, and the numbers behind it, then the moment's usual ones.
func (s *Swing) words(name phases.EventName, h Hitter, rules *configs.RuleSet) (lookAt string, marks []still.Mark) {
	const maxMarks = 2
	var wanted []string
	rule := ""
	for _, v := range []Verdict{WorkOn, Keep} {
		for _, f := range s.Findings {
			if f.Moment == name && f.Verdict == v {
				if rule == "" {
					rule = f.Rule
				}
				wanted = append(wanted, f.Measures[0].Name)
			}
		}
	}
	if rules != nil {
		for _, r := range rules.Rules {
			if r.ID == rule || rule == "" && r.Moment == string(name) {
				lookAt = lookFor(r.LookAt)
				break
			}
		}
	}
	wanted = append(wanted, momentMeasures[name]...)
	seen := map[string]bool{}
	for _, pass := range []bool{true, false} { // what has a value comes first
		for _, w := range wanted {
			m, ok := s.measureAt(w, name)
			if !ok || seen[w] || (m.Status == phases.Measured) != pass || len(marks) == maxMarks {
				continue
			}
			seen[w] = true
			text := MeasureWords(w) + ": "
			if pass {
				text += PlainPM(m.Value, m.Sigma, m.Unit, h)
			} else {
				text += StatusShort(m.Status)
			}
			marks = append(marks, still.Mark{Measure: w, Text: text, Drawn: pass})
		}
	}
	return lookAt, marks
}

// lookFor makes a request of a rule's few words: a still shows what to look for, the findings say whether it is there.
func lookFor(words string) string {
	if words == "" {
		return ""
	}
	return "Look for: " + strings.ToLower(words[:1]) + words[1:]
}

// measureAt finds a measure by name, at the event if there are several.
func (s *Swing) measureAt(name string, at phases.EventName) (Measure, bool) {
	var any Measure
	found := false
	for _, m := range s.Measures {
		if m.Name != name {
			continue
		}
		if m.Event == string(at) {
			return m, true
		}
		if !found && (strings.HasSuffix(m.Event, "_to_"+string(at)) || strings.HasPrefix(m.Event, string(at)+"_to_")) {
			any, found = m, true
		}
	}
	return any, found
}

// What stands for names in a script that the fonts of pictures do not have.
const (
	namedOnPage = "Hitter (name on the page)"
	clipOnPage  = "the clip that the page names"
)

// cautionShort stands at the foot of a proof sheet.
const cautionShort = "Movement seen on video, not a medical opinion. ± says how sure a number is: 19 times in 20 the true one lies within twice that. Change nothing because of a number alone: ask a coach who knows the player. If a swing hurts, stop and tell a parent and the coach."

func (s *Swing) sheet(r *Report, scenes []still.Scene, missing []string, fonts *still.Fonts) still.Sheet {
	out := still.Sheet{
		Title:   fonts.Or(orUnknown(r.Hitter.ID), namedOnPage),
		Lines:   []string{fmt.Sprintf("Swing %d of %s", s.Number, fonts.Or(Shown(r.Clip.Path), clipOnPage)), fmt.Sprintf("%s · camera %s · %s frames/s · times from contact", BatsWords(s.Bats), ViewWords(s.View.Side), rate(r.Clip.CapturedFPS))},
		Scenes:  scenes,
		Missing: missing,
		Foot:    cautionShort,
	}
	for _, v := range []struct {
		verdict Verdict
		head    string
	}{{Keep, "Keep"}, {WorkOn, "Work on"}} {
		var titles []string
		for _, f := range s.Findings {
			if f.Verdict == v.verdict && len(titles) < 3 {
				titles = append(titles, "• "+f.Title)
			}
		}
		if len(titles) > 0 {
			out.Text = append(out.Text, v.head, strings.Join(titles, "\n"))
		}
	}
	if len(out.Text) == 0 {
		out.Text = []string{"Findings", "Nothing that this clip is sure about. Look at the pictures together."}
	}
	return out
}

func orUnknown(id string) string {
	if strings.TrimSpace(id) == "" {
		return "Hitter not named"
	}
	return Shown(id)
}

func rate(fps Num) string {
	if !fps.Known() || fps <= 0 {
		return "?"
	}
	return noMinusZero("%.0f", float64(fps), 0)
}
