package main

import (
	"fmt"
	"io"
	"math"
	"slices"

	"cagebook/configs"
	"cagebook/phases"
	"cagebook/pipeline/studio"
	"cagebook/pose"
	"cagebook/report"
)

// sample is one value held against its truth, with the standard uncertainty that was claimed for it.
type sample struct{ err, sigma float64 }

// instant is one event held against its truth, ms.
type instant struct {
	sample
	name string
	fps  float64
	side string
	from string // what it was told from; of contact's cues: the cue
	// The clip has the crack of this contact, in step with the pictures, and no other one.
	cleanCrack bool
}

// value is one measure held against its truth.
type value struct {
	sample
	side string
}

// found is what the program says of one swing.
type found struct {
	phases.Swing
	findings []report.Finding
	track    *pose.Track // nil where there is none
}

// clip is what the program says of one clip.
type clip struct {
	label    string
	truth    *studio.Truth
	hitter   report.Hitter
	swings   []found
	rejected []phases.Rejected
}

// bench gathers what was found, clip by clip. Truth comes from the studio alone.
type bench struct {
	rules *configs.RuleSet
	log   io.Writer // every swing is listed here

	clips    int
	noReport []string       // clips that have truth and no report yet
	states   map[string]int // outcomes of reports
	versions map[string]int // of the program that made them
	notices  []string       // what went wrong, clip by clip

	expected, matched                       int
	inventedHitter, inventedOther, invented int // by the hitter, by somebody else, all
	inventedNext                            int // of those by somebody else: true swings, of a hitter in the next cage
	hitters, hitterRight                    int // matched swings with a track
	told, toldRight                         int // all swings that were told with a track; of those the hitter's
	company, companyRight                   int // of those, in clips with others in view
	batsRight, sideRight                    int
	azimuth                                 []sample
	instants                                []instant
	cues                                    []instant      // contact by each witness alone
	lost                                    map[string]int // event not reported though the truth has it
	had                                     map[string]int // event that the truth has
	values                                  map[string][]value
	statuses                                map[string]map[string]int
	joints                                  map[string]*jointErrors
	bat                                     []batFrame
	judged                                  judgements
}

func newBench() *bench {
	rules, err := configs.DefaultRules()
	if err != nil {
		panic(err) // they are embedded and tested
	}
	return &bench{
		rules: rules, log: io.Discard, states: map[string]int{}, versions: map[string]int{}, lost: map[string]int{}, had: map[string]int{},
		values: map[string][]value{}, statuses: map[string]map[string]int{}, joints: map[string]*jointErrors{}, judged: newJudgements(),
	}
}

func (b *bench) notice(format string, a ...any) {
	s := fmt.Sprintf(format, a...)
	b.notices = append(b.notices, s)
	fmt.Fprintln(b.log, s)
}

// matchS is how far a found contact may lie from a true one to be taken for the same swing.
const matchS = 0.3

// add pairs what was found with true swings by contact, and holds each pair against the truth.
func (b *bench) add(c clip) {
	b.clips++
	used := map[int]bool{}
	for i := range c.truth.Swings {
		want := &c.truth.Swings[i]
		b.expected++
		at := timesOf(want)
		best, near := -1, matchS
		for k := range c.swings {
			e, ok := c.swings[k].Event(phases.Contact)
			if d := math.Abs(e.TimeS - at[string(phases.Contact)]); ok && !used[k] && d < near {
				best, near = k, d
			}
		}
		if best < 0 {
			b.notice("%s: MISSED at %.2f s; rejected: %v", c.label, at[string(phases.Contact)], c.rejected)
			continue
		}
		used[best] = true
		b.matched++
		b.pair(&c, want, at, &c.swings[best])
	}
	for k := range c.swings {
		if used[k] {
			continue
		}
		b.invented++
		who := "nobody knows who"
		e, _ := c.swings[k].Event(phases.Contact)
		right, _, known := isHitter(c.truth, &c.swings[k], nil)
		if known {
			b.told++
		}
		switch {
		case known && right:
			b.inventedHitter++
			b.toldRight++
			who = "the hitter"
		case known:
			b.inventedOther++
			who = "somebody else"
			if swungElsewhere(c.truth, e.TimeS) {
				b.inventedNext++
				who = "a hitter in the next cage"
			}
		}
		b.notice("%s: INVENTED at %.2f s by %s, score %.2f; true: %v", c.label, e.TimeS, who, c.swings[k].Score, c.truth.Others)
	}
}

// swungElsewhere says whether somebody else swings at a time.
func swungElsewhere(tr *studio.Truth, timeS float64) bool {
	for _, o := range tr.Elsewhere {
		if o.Kind == "hitter" && math.Abs(o.TimeS-timeS) <= matchS {
			return true
		}
	}
	return false
}

func timesOf(want *studio.TruthSwing) map[string]float64 {
	at := map[string]float64{}
	for _, e := range want.Events {
		at[e.Name] = e.TimeS
	}
	return at
}

// pair holds one swing against its truth.
func (b *bench) pair(c *clip, want *studio.TruthSwing, at map[string]float64, got *found) {
	if string(got.Bats) == c.truth.Bats {
		b.batsRight++
	} else {
		b.notice("%s: WRONG SIDE %s, azimuth %.0f ± %.0f°", c.label, got.Bats, got.View.AzimuthDeg, got.View.SigmaDeg)
	}
	if got.View.Side == want.View.Side {
		b.sideRight++
	} else {
		b.notice("%s: WRONG VIEW %s, azimuth %.0f ± %.0f°, true %.0f°", c.label, got.View.Side, got.View.AzimuthDeg, got.View.SigmaDeg, want.View.AzimuthDeg)
	}
	b.azimuth = append(b.azimuth, sample{math.Remainder(got.View.AzimuthDeg-want.View.AzimuthDeg, 360), got.View.SigmaDeg})
	right := b.person(c, want, got)
	b.events(c, want, got)
	b.measures(want, got)
	b.judge(c, want, got)
	if right {
		b.points(c.truth, want, at, got)
		b.batEnds(c.truth, want, at, got)
	}
}

func (b *bench) events(c *clip, want *studio.TruthSwing, got *found) {
	line := ""
	for _, e := range want.Events {
		b.had[e.Name]++
		g, ok := got.Event(phases.EventName(e.Name))
		if !ok {
			b.lost[e.Name]++
			continue
		}
		x := instant{sample{1000 * (g.TimeS - e.TimeS), 1000 * g.SigmaS}, e.Name, c.truth.FPS, want.View.Side, witnesses(g), cleanCrack(c.truth, want)}
		b.instants = append(b.instants, x)
		line += fmt.Sprintf(" %s %+.0f±%.0f", e.Name, x.err, x.sigma)
		for _, cue := range g.Cues {
			from := cue.From
			if cue.LeftOut {
				from += leftOut
			}
			b.cues = append(b.cues, instant{sample{1000 * (cue.TimeS - e.TimeS), 1000 * cue.SigmaS}, e.Name, c.truth.FPS, want.View.Side, from, x.cleanCrack})
		}
	}
	fmt.Fprintf(b.log, "%s (%.0f)%s\n", c.label, got.View.AzimuthDeg, line)
}

// cleanCrack says whether the crack of a contact can be heard, in step with the pictures, and no crack from elsewhere.
func cleanCrack(tr *studio.Truth, want *studio.TruthSwing) bool {
	c := &tr.Conditions
	return tr.Sound == "crack" && tr.Ball != "none" && !want.Dry && c.SoundLateS == 0 && c.SoundLong == 1 && c.StoredFPS == 0 && c.Cracks == 0
}

// The witnesses that a contact was told from, the best one counts.
const (
	byBody  = "body"
	byImage = "bat or ball"
	bySound = "sound"
)

// leftOut marks cues that were taken to tell of something else.
const leftOut = ", left out"

// witnesses names the best witness that bore on an event.
func witnesses(e phases.Event) string {
	froms := []string{e.From}
	for _, c := range e.Cues {
		if !c.LeftOut {
			froms = append(froms, c.From)
		}
	}
	switch {
	case slices.Contains(froms, "audio"):
		return bySound
	case slices.Contains(froms, "bat"), slices.Contains(froms, "ball"):
		return byImage
	}
	return byBody
}

// noTruth is the status of a measure that the program gave although the truth has none: a meeting with a ball, say, where there is no ball.
const noTruth = "measured without truth"

func (b *bench) measures(want *studio.TruthSwing, got *found) {
	truth := map[string]studio.Measure{}
	for _, m := range want.Measures {
		truth[m.Name+" @ "+m.Event] = m
	}
	for _, g := range got.Measures {
		key := g.Name + " @ " + g.Event
		if b.statuses[key] == nil {
			b.statuses[key] = map[string]int{}
		}
		m, ok := truth[key]
		switch {
		case ok && m.Unit != g.Unit:
			b.statuses[key]["truth in another unit"]++
		case !ok && g.Status == phases.Measured:
			b.statuses[key][noTruth]++
		default:
			b.statuses[key][string(g.Status)]++
			if ok && g.Status == phases.Measured {
				b.values[key] = append(b.values[key], value{sample{g.Value - m.Value, g.Sigma}, want.View.Side})
			}
		}
	}
}
