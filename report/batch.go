package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"path"
	"strconv"
	"strings"

	"cagebook/phases"
)

// BatchRow is one clip of the batch.
type BatchRow struct {
	Folder string // of the clip's files, relative to the page, slashes, e.g. "clips/cage/ada-03.mov"; "" = it has none
	Report *Report
}

// Brief copies what WriteBatch needs of a report and leaves the rest to the clip's
// folder, so that a long night holds some kilobytes a swing. said holds the words that
// reports have in common, each once: the caller makes the map and keeps it.
func (r *Report) Brief(said map[string]string) *Report {
	same := func(s *string) {
		if known, ok := said[*s]; ok {
			*s = known
			return
		}
		said[*s] = *s
	}
	b := &Report{Schema: r.Schema, Tool: Tool{Key: r.Tool.Key}, Clip: r.Clip, Hitter: r.Hitter, Outcome: r.Outcome}
	for _, s := range []*string{&b.Clip.Codec, &b.Clip.CapturedFPSFrom, &b.Clip.Date, &b.Clip.DateFrom, &b.Hitter.ID, &b.Hitter.BatsFrom, &b.Hitter.Level, &b.Hitter.Sport, &b.Hitter.Task, &b.Outcome.State} {
		same(s)
	}
	for i := range r.Swings {
		s := &r.Swings[i]
		t := Swing{Number: s.Number, Bats: s.Bats, View: s.View, Handout: s.Handout, Beside: s.Beside, Notes: s.Notes}
		same(&t.View.Side)
		if p := s.Stills[phases.Contact]; p != "" {
			same(&p)
			t.Stills = map[phases.EventName]string{phases.Contact: p}
		}
		for _, e := range s.Events {
			if e.Name == phases.Contact || e.From == "mark" { // the others are on no page but the clip's own
				t.Events = append(t.Events, Event{Name: e.Name, TimeS: e.TimeS, Frame: e.Frame, SigmaS: e.SigmaS, From: e.From})
			}
		}
		t.Measures = make([]Measure, len(s.Measures))
		for k, m := range s.Measures {
			m.Frame = nil
			for _, s := range []*string{&m.Name, &m.Event, &m.Unit, (*string)(&m.Status), &m.Basis} {
				same(s)
			}
			t.Measures[k] = m
		}
		t.Findings = make([]Finding, len(s.Findings))
		for k := range s.Findings {
			t.Findings[k] = s.Findings[k].brief(same)
		}
		b.Swings = append(b.Swings, t)
	}
	return b
}

// brief is what a list of findings needs: title, verdict, and how far outside its band it lies.
func (f *Finding) brief(same func(*string)) Finding {
	b := Finding{Rule: f.Rule, Title: f.Title, Verdict: f.Verdict, Later: f.Later, Look: f.Look}
	for _, s := range []*string{&b.Rule, &b.Title, (*string)(&b.Verdict)} {
		same(s)
	}
	if f.Band == nil || f.Verdict != WorkOn && !f.Later {
		return b
	}
	b.Band = &FindingBand{Measure: f.Band.Measure, Low: f.Band.Low, High: f.Band.High}
	same(&b.Band.Measure)
	for _, m := range f.Measures {
		if m.Name == f.Band.Measure {
			b.Measures = append(b.Measures, FindingMeasure{Name: b.Band.Measure, Value: m.Value, Sigma: m.Sigma})
		}
	}
	return b
}

// Counts of a batch.
type Counts struct {
	Clips        int `json:"clips"`
	Swings       int `json:"swings"`
	NoSwing      int `json:"no_swing"`      // looked at from end to end, without a swing or a hitter
	NotProcessed int `json:"not_processed"` // not a video, damaged, bad settings, failed
}

// Processed says whether a clip was looked at from end to end.
func (o Outcome) Processed() bool {
	return o.State == Done || o.State == NoSwing || o.State == NoHitter
}

// WriteBatch writes index.html, batch.json and batch.csv, a page for each hitter
// with a name, and scout.html where there are several, through put.
func WriteBatch(put func(name string, data []byte) error, rows []BatchRow) error {
	for _, f := range []struct {
		name string
		make func([]BatchRow) ([]byte, error)
	}{{"batch.csv", batchCSV}, {"batch.json", batchJSON}, {"index.html", indexHTML}} {
		data, err := f.make(rows)
		if err != nil {
			return fmt.Errorf("%s: %w", f.name, err)
		}
		if err := put(f.name, data); err != nil {
			return err
		}
	}
	return writeHitters(put, rows)
}

func count(rows []BatchRow) (c Counts) {
	for _, r := range rows {
		c.Clips++
		c.Swings += len(r.Report.Swings)
		switch o := r.Report.Outcome; {
		case !o.Processed():
			c.NotProcessed++
		case len(r.Report.Swings) == 0:
			c.NoSwing++
		}
	}
	return c
}

// indexKeep is how many things to keep a row of the morning page names.
const indexKeep = 3

type indexRow struct {
	Report      *Report
	Swing       *Swing
	Page, Thumb string
	Handout     string
	Keep, Work  []string
	Look        []string // not sure, for a person's eye
	AllKeep     int
	MoreKeep    int
	Unsure      int
	Order       string // how much there is to work on: things outside their bands, then how far outside
}

type indexHitter struct {
	ID, Page string
	Swings   int
}

func indexHTML(rows []BatchRow) ([]byte, error) {
	data := struct {
		Counts                   Counts
		Problems, Rows, NoSwings []indexRow
		Caution                  []string
		Hitters                  []indexHitter
		Unnamed                  int // swings of hitters without a name
	}{Counts: count(rows), Caution: Cautions}
	ids, of := byHitter(rows)
	for _, id := range ids {
		folder, _ := HitterFolder(id)
		data.Hitters = append(data.Hitters, indexHitter{id, Link(folder + "/index.html"), len(lotSwings(of[id]))})
	}
	for _, r := range rows {
		page := ""
		if r.Folder != "" {
			page = Link(path.Join(r.Folder, "report.html"))
		}
		switch {
		case !r.Report.Outcome.Processed():
			data.Problems = append(data.Problems, indexRow{Report: r.Report, Page: page})
		case len(r.Report.Swings) == 0:
			data.NoSwings = append(data.NoSwings, indexRow{Report: r.Report, Page: page})
		}
		for i := range r.Report.Swings {
			s := &r.Report.Swings[i]
			row := indexRow{Report: r.Report, Swing: s, Page: page, Keep: s.titles(Keep), Work: s.titles(WorkOn), Look: titlesOf(s.look()), Unsure: len(s.titles(CannotTell))}
			row.AllKeep = len(row.Keep)
			if r.Report.Hitter.ID == "" {
				data.Unnamed++
			}
			n, z := s.outside()
			row.Order = fmt.Sprintf("%.3f", float64(n)+min(z, 999)/1000)
			row.Keep = row.Keep[:min(len(row.Keep), indexKeep)]
			row.MoreKeep = row.AllKeep - len(row.Keep)
			if p := s.Stills[phases.Contact]; p != "" {
				row.Thumb = Link(path.Join(r.Folder, p))
			}
			if s.Handout != "" {
				row.Handout = Link(path.Join(r.Folder, s.Handout))
			}
			data.Rows = append(data.Rows, row)
		}
	}
	var b bytes.Buffer
	err := pages.ExecuteTemplate(&b, "index.html", data)
	return b.Bytes(), err
}

// outside counts the findings that lie outside their bands, those that others come
// before too, and adds up by how many standard uncertainties.
func (s *Swing) outside() (n int, z float64) {
	for _, f := range s.Findings {
		if f.Verdict != WorkOn && !f.Later || f.Band == nil {
			continue
		}
		n++
		for _, m := range f.Measures {
			if m.Name != f.Band.Measure || !(m.Sigma > 0) {
				continue
			}
			if f.Band.Low != nil {
				z += max(0, float64((*f.Band.Low-m.Value)/m.Sigma))
			}
			if f.Band.High != nil {
				z += max(0, float64((m.Value-*f.Band.High)/m.Sigma))
			}
		}
	}
	return n, z
}

// pick lists some of the findings.
func (s *Swing) pick(want func(*Finding) bool) (out []Finding) {
	for i := range s.Findings {
		if f := &s.Findings[i]; want(f) {
			out = append(out, *f)
		}
	}
	return out
}

func (s *Swing) titles(v Verdict) []string {
	return titlesOf(s.pick(func(f *Finding) bool { return f.Verdict == v }))
}

// look lists what is pointed out without being sure.
func (s *Swing) look() []Finding { return s.pick(func(f *Finding) bool { return f.Look }) }

func titlesOf(fs []Finding) (out []string) {
	for _, f := range fs {
		out = append(out, f.Title)
	}
	return out
}

func batchJSON(rows []BatchRow) ([]byte, error) {
	type swing struct {
		Number     int         `json:"number"`
		Bats       phases.Bats `json:"bats"`
		View       View        `json:"view"`
		Keep       []string    `json:"keep"`
		WorkOn     []string    `json:"work_on"`
		CannotTell []string    `json:"cannot_tell"`
	}
	type clip struct {
		Path     string   `json:"path"`
		Folder   string   `json:"folder"`
		SHA256   string   `json:"sha256"`
		Hitter   Hitter   `json:"hitter"`
		Outcome  Outcome  `json:"outcome"`
		Warnings []string `json:"warnings"`
		Swings   []swing  `json:"swings"`
	}
	out := struct {
		Schema int    `json:"schema"`
		Counts Counts `json:"counts"`
		Clips  []clip `json:"clips"`
	}{SchemaVersion, count(rows), []clip{}}
	for _, r := range rows {
		c := clip{r.Report.Clip.Path, r.Folder, r.Report.Clip.SHA256, r.Report.Hitter, r.Report.Outcome, append([]string{}, r.Report.Clip.Warnings...), []swing{}}
		for i := range r.Report.Swings {
			s := &r.Report.Swings[i]
			ids := func(v Verdict) []string {
				out := []string{}
				for _, f := range s.Findings {
					if f.Verdict == v {
						out = append(out, f.Rule)
					}
				}
				return out
			}
			c.Swings = append(c.Swings, swing{s.Number, s.Bats, s.View, ids(Keep), ids(WorkOn), ids(CannotTell)})
		}
		out.Clips = append(out.Clips, c)
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetIndent("", " ")
	enc.SetEscapeHTML(false)
	err := enc.Encode(out)
	return b.Bytes(), err
}

// csvMeasures are the columns of batch.csv that hold numbers: name and event.
var csvMeasures = [][2]string{
	{"stance_width", "stance"},
	{"rear_knee_flexion", "stance"},
	{"body_over_feet", "load"},
	{"rear_knee_inside", "load"},
	{"body_over_feet", "foot_down"},
	{"stride_length", "foot_down"},
	{"hands_separation", "foot_down"},
	{"lead_foot_open", "foot_down"},
	{"foot_slide", "foot_down_to_contact"},
	{"head_travel", "foot_down_to_contact"},
	{"lead_knee_straightening", "foot_down_to_contact"},
	{"hands_hips_gap", "hips_start_to_hands_start"},
	{"lead_knee_flexion", "contact"},
	{"trunk_lean", "contact"},
	{"bat_speed", "contact"},
	{"reach_of_ceiling", "extension"},
	{"body_over_feet", "finish"},
	{"stride_time", "lead_foot_off_to_foot_down"},
	{"foot_down_to_contact", "foot_down_to_contact"},
	{"swing_time", "hands_start_to_contact"},
}

// batchCSV has one row a swing and one row a clip that gave none. A number
// has its unit in the column beside it, is empty where it was not measured, and has the digits
// that two of its uncertainty ask for: report.json has them all.
func batchCSV(rows []BatchRow) ([]byte, error) {
	var b bytes.Buffer
	b.WriteString("\ufeff") // without it some spreadsheets take UTF-8 for something else
	w := csv.NewWriter(&b)
	head := []string{"clip", "state", "reason", "hitter", "bats", "swing", "view", "azimuth_deg", "captured_fps", "contact_s", "contact_sigma_s", "keep", "work_on", "cannot_tell", "report"}
	for _, m := range csvMeasures {
		name := m[0]
		if !strings.Contains(m[1], "_to_") {
			name += " " + m[1]
		}
		head = append(head, name, name+" sigma", name+" unit")
	}
	head = append(head, "not_measured", "warnings", "date")
	if err := w.Write(head); err != nil {
		return nil, err
	}
	for _, r := range rows {
		rep := r.Report
		warnings := strings.Join(rep.Clip.Warnings, " | ")
		start := []string{safe(Shown(rep.Clip.Path)), rep.Outcome.State, safe(Shown(rep.Outcome.Reason)), safe(Shown(rep.Hitter.ID))}
		page := ""
		if r.Folder != "" {
			page = safe(Shown(path.Join(r.Folder, "report.html")))
		}
		if len(rep.Swings) == 0 {
			fps := ""
			if rep.Clip.CapturedFPS > 0 { // of what could not be opened nothing is known
				fps = cell(rep.Clip.CapturedFPS)
			}
			row := append(start, string(rep.Hitter.Bats), "", "", "", fps, "", "", "", "", "", page)
			row = append(row, make([]string, 3*len(csvMeasures)+1)...)
			if err := w.Write(append(row, safe(warnings), rep.Clip.Date)); err != nil {
				return nil, err
			}
			continue
		}
		for i := range rep.Swings {
			if err := w.Write(csvSwing(start, rep, &rep.Swings[i], page, warnings)); err != nil {
				return nil, err
			}
		}
	}
	w.Flush()
	return b.Bytes(), w.Error()
}

func csvSwing(start []string, rep *Report, s *Swing, page, warnings string) []string {
	contact, contactSigma := "", ""
	if e, ok := s.event(phases.Contact); ok {
		contact, contactSigma = cells(e.TimeS, e.SigmaS)
	}
	list := func(v Verdict) string { return safe(strings.Join(s.titles(v), "; ")) }
	azimuth, _ := cells(s.View.AzimuthDeg, s.View.SigmaDeg)
	row := append(append([]string{}, start...), string(s.Bats), strconv.Itoa(s.Number), s.View.Side, azimuth, cell(rep.Clip.CapturedFPS),
		contact, contactSigma, list(Keep), list(WorkOn), list(CannotTell), page)
	for _, m := range csvMeasures {
		v, ok := s.measureAt(m[0], phases.EventName(m[1]))
		if !ok {
			v, ok = s.onlyMeasure(m[0])
		}
		if !ok || v.Status != phases.Measured {
			row = append(row, "", "", "")
			continue
		}
		value, sigma := cells(v.Value, v.Sigma)
		row = append(row, value, sigma, v.Unit)
	}
	var not []string
	for _, m := range s.Measures {
		if m.Status != phases.Measured {
			not = append(not, fmt.Sprintf("%s %s: %s", m.Name, m.Event, m.Status))
		}
	}
	return append(row, safe(strings.Join(not, "; ")), safe(strings.Join(append([]string{warnings}, s.Notes...), " | ")), rep.Clip.Date)
}

func (s *Swing) onlyMeasure(name string) (Measure, bool) {
	var out Measure
	n := 0
	for _, m := range s.Measures {
		if m.Name == name {
			out = m
			n++
		}
	}
	return out, n == 1
}

// cells are a value and its standard uncertainty, to two digits of the latter.
func cells(value, sigma Num) (string, string) {
	if !value.Known() || !(sigma > 0) || !sigma.Known() {
		return cell(value), cell(sigma)
	}
	p := math.Pow10(min(max(1+int(math.Ceil(-math.Log10(float64(sigma)))), 0), 6))
	round := func(n Num) Num { return Num(math.Round(float64(n)*p) / p) }
	return cell(round(value)), cell(round(sigma))
}

func cell(n Num) string {
	if !n.Known() {
		return ""
	}
	b, err := n.MarshalJSON()
	if err != nil {
		return ""
	}
	return string(b)
}

// safe keeps a spreadsheet from running a text as a formula: a text that
// begins like one gets an apostrophe, which spreadsheets do not show.
func safe(s string) string {
	trimmed := strings.TrimLeft(s, " \u00a0\ufeff\t\r\n")
	if trimmed != "" && strings.ContainsRune("=+-@|%＝＋－＠", []rune(trimmed)[0]) || strings.HasPrefix(s, "\t") || strings.HasPrefix(s, "\r") {
		return "'" + s
	}
	return s
}
