package main

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"sort"

	"cagebook/phases"
)

// tableSchema is the version of the table's JSON. Fields and names of rows stay; rows may be added.
const tableSchema = 1

// table is what the bench found, row by row.
type table struct {
	Schema   int            `json:"schema"`
	Commit   string         `json:"commit"`
	Date     string         `json:"date"`
	Set      string         `json:"set"`
	Clips    int            `json:"clips"`          // held against their truth
	NoReport int            `json:"without_report"` // have truth, and no report yet
	Outcomes map[string]int `json:"outcomes"`
	Versions map[string]int `json:"versions"` // of the program that made the reports
	Rows     []row          `json:"rows"`
	Notices  []string       `json:"notices"` // each clip that went wrong
}

// row is one line. What it does not have is null. Bias is the mean error; Median and P95 are of the error's size.
type row struct {
	Section string         `json:"section"`
	Name    string         `json:"name"`
	Group   string         `json:"group"` // which part of the cases; empty = all
	Unit    string         `json:"unit"`
	N       int            `json:"n"`
	Bias    *float64       `json:"bias"`
	Median  *float64       `json:"median_error"`
	P95     *float64       `json:"p95_error"`
	Sigma   *float64       `json:"median_sigma"`
	Inside  *float64       `json:"inside_95"` // share of truths within 1.96 σ
	Share   *float64       `json:"share"`     // what the name says, of n
	Counts  map[string]int `json:"counts"`
	Goals   []goal         `json:"goals"`
}

// goal is what a row is held against, and the word for how it went.
type goal struct {
	Text    string  `json:"text"`
	Value   float64 `json:"value"`
	Verdict string  `json:"verdict"`
}

// Verdicts on a goal. A miss is a word, so that it is seen without colour.
const (
	met    = "met"
	missed = "MISSED"
	narrow = "MISSED, intervals too narrow"
	wide   = "MISSED, intervals too wide"
	few    = "too few cases to say"
)

// fewCases: below it a share says too little to be held against a goal; manyCases: from here on not one value outside
// its interval in a hundred is more than luck would give at a coverage of 95 to 97 %.
const (
	fewCases  = 10
	manyCases = 100
)

func quantile(x []float64, q float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	return s[min(len(s)-1, int(q*float64(len(s))))]
}

// share is k of n, and its row.
func share(section, name, group string, k, n int, goals ...goal) row {
	r := row{Section: section, Name: name, Group: group, Unit: "share", N: n, Goals: goals}
	if n > 0 {
		v := float64(k) / float64(n)
		r.Share = &v
	}
	return r
}

// least is the goal of a share of at least want.
func least(want float64, k, n int) goal {
	return leastOf(fmt.Sprintf("≥ %g %%", 100*want), want, k, n)
}

func leastOf(text string, want float64, k, n int) goal {
	g := goal{Text: text, Verdict: few}
	if n > 0 {
		g.Value = float64(k) / float64(n)
	}
	switch {
	case n == 0 || n < fewCases && g.Value >= want:
	case g.Value < want:
		g.Verdict = missed
	default:
		g.Verdict = met
	}
	return g
}

// most is the goal of a number of at most want.
func most(text string, want, v float64, n int) goal {
	g := goal{Text: text, Value: v, Verdict: met}
	switch {
	case n == 0 || n < fewCases && v <= want:
		g.Verdict = few
	case v > want:
		g.Verdict = missed
	}
	return g
}

// errorsRow describes errors and how well their claimed uncertainty holds.
func errorsRow(section, name, group, unit string, xs []sample) row {
	r := row{Section: section, Name: name, Group: group, Unit: unit, N: len(xs)}
	if len(xs) == 0 {
		return r
	}
	sum, in := 0.0, 0
	var size, sig []float64
	for _, x := range xs {
		sum += x.err
		size, sig = append(size, math.Abs(x.err)), append(sig, x.sigma)
		if math.Abs(x.err) <= z95*x.sigma {
			in++
		}
	}
	bias, med, p95, sigma, inside := sum/float64(len(xs)), quantile(size, 0.5), quantile(size, 0.95), quantile(sig, 0.5), float64(in)/float64(len(xs))
	r.Bias, r.Median, r.P95, r.Sigma, r.Inside = &bias, &med, &p95, &sigma, &inside
	return r
}

// covered adds the goal of every stated uncertainty: 95 % intervals hold 90 to 99 % of truths.
func covered(r row) row {
	if r.N == 0 {
		return r
	}
	g := goal{Text: "90–99 % inside", Value: *r.Inside, Verdict: met}
	switch {
	case *r.Inside < 0.90 && (r.N >= 2*fewCases || wilsonHigh(*r.Inside, r.N) < 0.90):
		g.Verdict = narrow
	case r.N < 2*fewCases:
		g.Verdict = few
	case *r.Inside > 0.99 && r.N >= manyCases:
		g.Verdict = wide
	case *r.Inside > 0.99:
		g.Verdict = few
	}
	r.Goals = append(r.Goals, g)
	return r
}

// wilsonHigh is the upper end of the 95 % interval of a share p seen in n cases (Wilson 1927, J Am Stat Assoc 22:209–212).
func wilsonHigh(p float64, n int) float64 {
	m, z2 := float64(n), z95*z95
	return (p + z2/(2*m) + z95*math.Sqrt(p*(1-p)/m+z2/(4*m*m))) / (1 + z2/m)
}

// within counts the samples that are off by no more than limit.
func within(xs []sample, limit float64) (k int) {
	for _, x := range xs {
		if math.Abs(x.err) <= limit {
			k++
		}
	}
	return k
}

// rateClass is the class of frame rates that a rate belongs to.
func rateClass(fps float64) string {
	switch {
	case fps < 40:
		return "24-30 fps"
	case fps < 80:
		return "50-60 fps"
	case fps < 160:
		return "100-120 fps"
	}
	return "200-240 fps"
}

var rateClasses = []string{"24-30 fps", "50-60 fps", "100-120 fps", "200-240 fps"}

// table makes the rows, each with the goals that are set for it.
func (b *bench) table() *table {
	t := &table{Schema: tableSchema, Clips: b.clips, NoReport: len(b.noReport), Outcomes: b.states, Versions: b.versions, Notices: b.notices}
	for _, rows := range [][]row{b.swingRows(), b.eventRows(), b.contactRows(), b.measureRows(), b.findingRows(), b.batRows(), b.jointRows()} {
		t.Rows = append(t.Rows, rows...)
	}
	for i := range t.Rows {
		if t.Rows[i].Counts == nil {
			t.Rows[i].Counts = map[string]int{}
		}
		if t.Rows[i].Goals == nil {
			t.Rows[i].Goals = []goal{}
		}
	}
	if t.Notices == nil {
		t.Notices = []string{}
	}
	return t
}

func (t *table) json() ([]byte, error) {
	data, err := json.MarshalIndent(t, "", " ")
	return append(data, '\n'), err
}

// find is the row of a name; nil if there is none.
func (t *table) find(section, name, group string) *row {
	for i := range t.Rows {
		if r := &t.Rows[i]; r.Section == section && r.Name == name && r.Group == group {
			return r
		}
	}
	return nil
}

func (b *bench) swingRows() []row {
	const sec = "swings"
	per100 := 0.0
	if b.clips > 0 {
		per100 = 100 * float64(b.invented) / float64(b.clips)
	}
	inv := row{Section: sec, Name: "swings invented per 100 clips", Unit: "per 100 clips", N: b.clips, Median: nil, Share: nil}
	inv.Goals = []goal{most("≤ 1", 1, per100, b.clips)}
	inv.Counts = map[string]int{"all": b.invented, "by the hitter": b.inventedHitter, "by somebody else": b.inventedOther, "of those true swings in the next cage": b.inventedNext}
	rows := []row{
		share(sec, "swings found", "", b.matched, b.expected, least(0.99, b.matched, b.expected)),
		inv,
		share(sec, "right person in the swings found", "", b.hitterRight, b.hitters, least(1, b.hitterRight, b.hitters)),
		share(sec, "right person in the swings found", "others in view", b.companyRight, b.company, least(1, b.companyRight, b.company)),
		share(sec, "swings told that are the hitter's", "", b.toldRight, b.told, least(1, b.toldRight, b.told)),
		share(sec, "bats side right", "", b.batsRight, b.matched, least(1, b.batsRight, b.matched)),
		share(sec, "view side right", "", b.sideRight, b.matched, least(1, b.sideRight, b.matched)),
	}
	az := errorsRow(sec, "azimuth", "", "deg", b.azimuth)
	n := within(b.azimuth, 15)
	az.Goals = append(az.Goals, leastOf("within 15° in all", 1, n, len(b.azimuth)))
	return append(rows, covered(az))
}

var eventNames = []phases.EventName{
	phases.Stance, phases.LeadFootOff, phases.Load, phases.FootDown, phases.HeelDown,
	phases.HandsStart, phases.Contact, phases.Extension, phases.Finish,
}

// pick are the errors of the instants that a condition holds for, ms.
func pick(all []instant, ok func(*instant) bool) (xs []sample) {
	for i := range all {
		if ok(&all[i]) {
			xs = append(xs, all[i].sample)
		}
	}
	return xs
}

// inFrames are the same errors in frames.
func inFrames(all []instant, ok func(*instant) bool) (xs []sample) {
	for i := range all {
		if x := &all[i]; ok(x) {
			f := x.fps / 1000
			xs = append(xs, sample{x.err * f, x.sigma * f})
		}
	}
	return xs
}

func (b *bench) eventRows() []row {
	const sec = "events"
	var rows []row
	for _, n := range eventNames {
		of := func(x *instant) bool { return x.name == string(n) }
		r := covered(errorsRow(sec, string(n), "", "ms", pick(b.instants, of)))
		r.Counts = map[string]int{"not told though there is one": b.lost[string(n)]}
		rows = append(rows, r)
		for _, class := range rateClasses {
			in := func(x *instant) bool { return of(x) && rateClass(x.fps) == class }
			xs := pick(b.instants, in)
			if len(xs) == 0 {
				continue
			}
			r := errorsRow(sec, string(n), class, "ms", xs)
			if n == phases.Contact {
				switch class {
				case "24-30 fps", "50-60 fps":
					r.Goals = append(r.Goals, leastOf("within 1 frame in ≥ 95 %", 0.95, within(inFrames(b.instants, in), 1), len(xs)))
				}
			}
			rows = append(rows, covered(r), errorsRow(sec, string(n), class, "frames", inFrames(b.instants, in)))
		}
		if n == phases.FootDown || n == phases.HandsStart {
			xs := pick(b.instants, func(x *instant) bool { return of(x) && x.fps >= 50 && x.side != "closed" })
			r := errorsRow(sec, string(n), "open and end views, 50 fps and more", "ms", xs)
			r.Goals = []goal{leastOf("within 35 ms in ≥ 95 %", 0.95, within(xs, 35), len(xs)), leastOf("within 20 ms in ≥ 80 %", 0.80, within(xs, 20), len(xs))}
			rows = append(rows, covered(r))
		}
	}
	return rows
}

// contactRows say what each witness of contact is worth, alone and fused.
func (b *bench) contactRows() []row {
	const sec = "contact"
	var rows []row
	for _, from := range []struct{ cue, name string }{{"keypoints", "body alone"}, {"bat", "bat alone"}, {"ball", "ball alone"}, {"audio", "sound alone"}} {
		xs := pick(b.cues, func(x *instant) bool { return x.from == from.cue })
		r := errorsRow(sec, from.name, "", "ms", xs)
		r.Counts = map[string]int{"of swings found": b.matched}
		out := pick(b.cues, func(x *instant) bool { return x.from == from.cue+leftOut })
		r.Counts["left out"], r.Counts["left out though within 20 ms"] = len(out), within(out, 20)
		rows = append(rows, covered(r))
	}
	limits := map[string]float64{byBody: 20, byImage: 8, bySound: 8}
	for _, w := range []string{byBody, byImage, bySound} {
		name := "fused, best witness " + w
		is := func(x *instant) bool { return x.name == string(phases.Contact) && x.from == w }
		xs := pick(b.instants, is)
		rows = append(rows, covered(errorsRow(sec, name, "", "ms", xs)))
		if fast := pick(b.instants, func(x *instant) bool { return is(x) && x.fps >= 100 }); len(fast) > 0 {
			r := errorsRow(sec, name, "100 fps and more", "ms", fast)
			r.Goals = []goal{leastOf(fmt.Sprintf("within %g ms in ≥ 95 %%", limits[w]), 0.95, within(fast, limits[w]), len(fast))}
			rows = append(rows, covered(r))
		}
	}
	clean := pick(b.instants, func(x *instant) bool { return x.name == string(phases.Contact) && x.cleanCrack })
	r := errorsRow(sec, "fused", "clean crack in the clip", "ms", clean)
	r.Goals = []goal{leastOf("within 4 ms in ≥ 95 %", 0.95, within(clean, 4), len(clean))}
	return append(rows, covered(r))
}

func (b *bench) measureRows() []row {
	const sec = "measures"
	var keys []string
	for k := range b.statuses {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	unit := map[string]string{}
	for _, d := range phases.Definitions {
		unit[d.Name+" @ "+d.Event] = d.Unit
	}
	var rows []row
	for _, k := range keys {
		var all, open []sample
		for _, v := range b.values[k] {
			all = append(all, v.sample)
			if v.side == "open" {
				open = append(open, v.sample)
			}
		}
		r := covered(errorsRow(sec, k, "", unit[k], all))
		total := 0
		for _, n := range b.statuses[k] {
			total += n
		}
		r.Counts = b.statuses[k]
		if total > 0 {
			v := float64(b.statuses[k][string(phases.Measured)]) / float64(total)
			r.Share = &v
		}
		rows = append(rows, r)
		switch k {
		case "lead_knee_flexion @ stance", "rear_knee_flexion @ stance", "lead_knee_flexion @ foot_down", "lead_knee_flexion @ contact":
			r := errorsRow(sec, k, "open side", "deg", open)
			if len(open) > 0 {
				r.Goals = []goal{most("median ≤ 5°", 5, *r.Median, len(open)), most("95th ≤ 12°", 12, *r.P95, len(open))}
			}
			rows = append(rows, r)
		}
	}
	return rows
}
