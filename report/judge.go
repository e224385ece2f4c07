package report

import (
	"math"
	"slices"
	"strings"

	"cagebook/configs"
	"cagebook/phases"
)

// Verdict says what to do with a finding.
type Verdict string

// Verdicts, in the order in which they are shown.
const (
	Keep       Verdict = "keep"
	WorkOn     Verdict = "work_on"
	Note       Verdict = "note"
	CannotTell Verdict = "cannot_tell"
)

// Finding is what one rule says about one swing.
type Finding struct {
	Rule     string           `json:"rule"`
	Title    string           `json:"title"`
	Verdict  Verdict          `json:"verdict"`
	Measures []FindingMeasure `json:"measures"`
	Band     *FindingBand     `json:"band"`
	Sentence string           `json:"sentence"`
	Cue      string           `json:"cue,omitempty"`      // what should happen to ball, bat or ground
	CueBody  string           `json:"cue_body,omitempty"` // what a part of the body does
	Drill    string           `json:"drill,omitempty"`
	Caution  string           `json:"caution,omitempty"`
	Sources  string           `json:"background,omitempty"` // what the literature says
	Moment   phases.EventName `json:"moment"`
	Still    string           `json:"still,omitempty"`
	Later    bool             `json:"later,omitempty"` // outside the band as well, but two others come first
	Look     bool             `json:"look,omitempty"`  // outside the band by 1 to 1.96 σ: nothing is asked, but a coach may look
}

// FindingMeasure is a measure that a finding leans on, as in the table of measures.
type FindingMeasure struct {
	Name   string        `json:"name"`
	Event  string        `json:"event"`
	Label  string        `json:"label"`
	Value  Num           `json:"value"`
	Sigma  Num           `json:"sigma"`
	Unit   string        `json:"unit"`
	Status phases.Status `json:"status"`

	length string // of a share of body height on a page, as the sentences say it; empty where the height is not known
}

// Length is a share of body height as a length, in brackets, or nothing.
func (m FindingMeasure) Length() string { return m.length }

// FindingBand is the band that a finding was judged by; a null limit is open.
type FindingBand struct {
	Measure    string `json:"measure"`
	Low        *Num   `json:"low"`
	High       *Num   `json:"high"`
	Unit       string `json:"unit"`
	Level      string `json:"level"`
	Sport      string `json:"sport"`
	Task       string `json:"task"`
	Source     string `json:"source"`
	SourceKind string `json:"source_kind"`
	Words      string `json:"words"`
	Why        string `json:"why"`
}

const (
	// z95 bounds 95 % of a normal distribution: beyond it a value is taken to lie outside its band.
	z95 = 1.96
	// zKeep: a value is praised only if it lies inside by its standard uncertainty, that is about 5 to 1 for each limit.
	zKeep = 1.0
	// zLook: a value outside its band by its standard uncertainty is pointed out, not judged.
	zLook = 1.0
	// zSure: of several things to work on, those known this well come before the others.
	zSure = 3.0
	// maxWorkOn: more than two things at a time help nobody.
	maxWorkOn = 2
)

// standing of a value against a band.
type standing int

const (
	noBand     standing = iota
	inside              // by zKeep σ or more
	unsure              // neither inside nor outside
	below               // under the band by more than 1.96 σ
	above               // over it by more than 1.96 σ
	notVisible          // no value
)

// stand holds a value against a band. z is by how many σ it lies outside (negative: inside).
func stand(value, sigma float64, b *configs.Band) (s standing, z float64) {
	if b == nil {
		return noBand, 0
	}
	zLow, zHigh := math.Inf(-1), math.Inf(-1)
	if b.Low != nil {
		zLow = (*b.Low - value) / sigma
	}
	if b.High != nil {
		zHigh = (value - *b.High) / sigma
	}
	z = max(zLow, zHigh)
	switch {
	case zLow > z95:
		return below, z
	case zHigh > z95:
		return above, z
	case z <= -zKeep:
		return inside, z
	default:
		return unsure, z
	}
}

// judged is a finding with what its place in the report depends on.
type judged struct {
	Finding
	z    float64 // σ outside the band, of the check that decided
	look bool    // may be pointed out
}

// Judge holds a swing against the rules and returns one finding a rule:
// what to keep, then at most two things to work on, then notes, then what this
// clip cannot tell; within each in the rules' order. A rule asks for work only
// where a value lies outside its band by more than 1.96 σ, and praises only
// where every value that it could judge lies inside by at least 1 σ. What lies outside
// by 1 to 1.96 σ stays a note, and is marked for a person's eye where there is less to work on than two things.
func Judge(sw *phases.Swing, rules *configs.RuleSet, h Hitter) []Finding {
	all := make([]judged, 0, len(rules.Rules))
	for _, r := range rules.Rules {
		all = append(all, judge(sw, r, h))
	}
	limitWork(all)
	pointOut(all)
	rank := map[Verdict]int{Keep: 0, WorkOn: 1, Note: 2, CannotTell: 3}
	slices.SortStableFunc(all, func(a, b judged) int { return rank[a.Verdict] - rank[b.Verdict] })
	out := make([]Finding, len(all))
	for i, j := range all {
		out[i] = j.Finding
	}
	return out
}

// limitWork leaves the two things to work on that matter most: the well known
// ones before the others, and of those the ones earliest in the swing.
func limitWork(all []judged) {
	left := maxWorkOn
	for _, sure := range []bool{true, false} {
		for i := range all {
			f := &all[i]
			if f.Verdict != WorkOn || f.z > zSure != sure {
				continue
			}
			if left > 0 {
				left--
				continue
			}
			f.Verdict, f.Later = Note, true
			f.Cue, f.CueBody, f.Drill = "", "", ""
		}
	}
}

// pointOut leaves a person's eye what lies farthest outside its band without being sure, where fewer than two things are asked for.
func pointOut(all []judged) {
	left := maxWorkOn
	for i := range all {
		if all[i].Verdict == WorkOn {
			left--
		}
	}
	for ; left > 0; left-- {
		best := -1
		for i := range all {
			if all[i].look && !all[i].Look && (best < 0 || all[i].z > all[best].z) {
				best = i
			}
		}
		if best < 0 {
			return
		}
		all[best].Look = true
	}
}

func judge(sw *phases.Swing, r configs.Rule, h Hitter) judged {
	j := judged{Finding: Finding{
		Rule: r.ID, Title: r.Title, Verdict: Note, Sentence: r.Note,
		Caution: r.Caution, Sources: r.Background, Moment: phases.EventName(r.Moment), Measures: []FindingMeasure{},
	}}
	viewOK := len(r.Views) == 0 || slices.Contains(r.Views, sw.View.Side)
	var decisive *configs.Check // the check whose value the sentence speaks of
	state, outside := noBand, ""
	for i := range r.Checks {
		c := &r.Checks[i]
		m := find(sw, c.Measure, c.Event)
		if m.Status == phases.Measured && !viewOK {
			m.Status = phases.NotInView
		}
		fm := FindingMeasure{Name: c.Measure, Event: c.Event, Label: c.Label, Value: Num(math.NaN()), Sigma: Num(math.NaN()), Unit: m.Unit, Status: m.Status}
		if m.Status != phases.Measured {
			j.Measures = append(j.Measures, fm)
			if i == 0 {
				state = notVisible
			}
			continue
		}
		fm.Value, fm.Sigma = Num(m.Value), Num(m.Sigma)
		j.Measures = append(j.Measures, fm)
		b := c.For(h.Level, h.Sport, h.Task)
		if b != nil && b.Unit != m.Unit {
			b = nil // a band in another unit says nothing about this value
		}
		s, z := stand(m.Value, m.Sigma, b)
		if i > 0 && (state == notVisible || b == nil) {
			continue
		}
		// The first check decides; a later one only if it is worse.
		if i == 0 || (s == below || s == above) && z > j.z || state == inside && s == unsure {
			state, j.z, decisive = s, z, c
			j.Band = bandOf(c.Measure, b)
			if s == below {
				outside = c.Below
			} else if s == above {
				outside = c.Above
			}
		}
	}
	if state == notVisible {
		j.Verdict = CannotTell
		j.Sentence = cannotTell(r, j.Measures[0].Status)
		j.Caution = ""
		return j
	}
	switch {
	case r.Mode == configs.ModeDescribe:
	case state == inside:
		j.Verdict, j.Sentence = Keep, r.Keep
	case (state == below || state == above) && r.Mode == configs.ModeJudge:
		j.Verdict, j.Sentence = WorkOn, outside
		j.Cue, j.CueBody, j.Drill = r.CueOutcome, r.CueBody, r.Drill
	case state == unsure && j.z >= zLook && r.Mode == configs.ModeJudge:
		j.look = true
		j.Sentence += " That is past the usual, but not by enough to be sure from this clip."
	case state == unsure:
		j.Sentence += " That is too close to the line to call from this clip."
	}
	if j.Verdict == Keep || j.Verdict == Note {
		j.Caution = keepCaution(j.Verdict, r.Caution)
	}
	m := find(sw, decisive.Measure, decisive.Event)
	j.Sentence = fill(j.Sentence, m, h)
	return j
}

// keepCaution drops a caution where nothing is asked of the hitter.
func keepCaution(v Verdict, caution string) string {
	if v == Keep {
		return ""
	}
	return caution
}

func bandOf(measure string, b *configs.Band) *FindingBand {
	if b == nil {
		return nil
	}
	num := func(v *float64) *Num {
		if v == nil {
			return nil
		}
		n := Num(*v)
		return &n
	}
	return &FindingBand{measure, num(b.Low), num(b.High), b.Unit, b.Level, b.Sport, b.Task, b.Source, b.SourceKind, b.Words, b.Why}
}

// find returns the measure of a name at an event. Where the swing has the name
// only once, its event may be called otherwise. A measure that is not there at
// all has the status failed_check.
func find(sw *phases.Swing, name, event string) phases.Measure {
	only, n := phases.Measure{Name: name, Event: event, Status: phases.FailedCheck}, 0
	for _, m := range sw.Measures {
		if m.Name != name {
			continue
		}
		if m.Event == event {
			return checked(m)
		}
		only = m
		n++
	}
	if n > 1 {
		return phases.Measure{Name: name, Event: event, Status: phases.FailedCheck}
	}
	return checked(only)
}

func fill(sentence string, m phases.Measure, h Hitter) string {
	size := m
	size.Value = math.Abs(m.Value)
	return strings.NewReplacer("{value}", PlainValue(m.Value, m.Unit, h), "{size}", PlainValue(size.Value, m.Unit, h)).Replace(sentence)
}

// cannotMark stands between what cannot be told and the reason.
const cannotMark = " Cannot tell: "

func cannotTell(r configs.Rule, s phases.Status) string {
	return strings.TrimSpace(r.CannotTell) + cannotMark + StatusWords(s) + "."
}
