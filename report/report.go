// Package report turns measured swings into what people hold in hand:
// findings, annotated stills, pages and tables, and the JSON behind them.
package report

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"math"
	"path"
	"strconv"
	"strings"

	"cagebook/configs"
	"cagebook/phases"
	"cagebook/pipeline/video"
	"cagebook/pose"
)

// SchemaVersion is the version of report.json, track.json.gz and batch.json.
const SchemaVersion = 1

// ReportSchema is the JSON Schema (draft 2020-12) of report.json.
//
//go:embed schema/report.schema.json
var ReportSchema []byte

// BatchSchema is the JSON Schema (draft 2020-12) of batch.json.
//
//go:embed schema/batch.schema.json
var BatchSchema []byte

// TrackSchema is the JSON Schema (draft 2020-12) of track.json.gz.
//
//go:embed schema/track.schema.json
var TrackSchema []byte

// Num is a number in JSON with at most six decimals; NaN and infinities are null.
type Num float64

// MarshalJSON rounds to 1e-6, so that results do not differ by architecture in digits that mean nothing.
func (n Num) MarshalJSON() ([]byte, error) {
	v := float64(n)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return []byte("null"), nil
	}
	if r := math.Round(v*1e6) / 1e6; !math.IsInf(r, 0) {
		v = r
	}
	if v == 0 {
		return []byte("0"), nil // not "-0"
	}
	return strconv.AppendFloat(nil, v, 'f', -1, 64), nil
}

// UnmarshalJSON reads null as NaN.
func (n *Num) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*n = Num(math.NaN())
		return nil
	}
	v, err := strconv.ParseFloat(string(b), 64)
	if err != nil {
		return fmt.Errorf("number %q: %w", b, err)
	}
	*n = Num(v)
	return nil
}

// Known says whether there is a number.
func (n Num) Known() bool { return !math.IsNaN(float64(n)) && !math.IsInf(float64(n), 0) }

// Report is report.json: all that is known of one clip.
type Report struct {
	Schema   int        `json:"schema"`
	Tool     Tool       `json:"tool"`
	Clip     Clip       `json:"clip"`
	Hitter   Hitter     `json:"hitter"`
	Swings   []Swing    `json:"swings"`
	Rejected []Rejected `json:"rejected,omitempty"` // motion that was looked at and is no swing
	Cues     string     `json:"cues,omitempty"`     // outcome | body: the form of cues that was asked for; empty = both
	Privacy  *Privacy   `json:"privacy,omitempty"`  // where anything was said about it
	Outcome  Outcome    `json:"outcome"`

	up string // link from the clip's folder to the output folder; empty = there is no morning page above it
}

// Tool says what made the report.
type Tool struct {
	Version string            `json:"version"`
	Models  map[string]string `json:"models"`  // name → sha256
	Options string            `json:"options"` // sha256
	Key     string            `json:"key,omitempty"`
}

// Privacy is what was said of consent and retention. Empty = not said.
type Privacy struct {
	Minor       string `json:"minor,omitempty"`      // yes | no
	Consent     string `json:"consent,omitempty"`    // yes | no
	KeepUntil   string `json:"keep_until,omitempty"` // day, 2027-01-31
	FacesHidden bool   `json:"faces_hidden"`
}

// Clip is the file that was looked at.
type Clip struct {
	Path            string   `json:"path"` // below the input folder, slashes
	SHA256          string   `json:"sha256"`
	Codec           string   `json:"codec,omitempty"`
	Width           int      `json:"width"`  // px, upright
	Height          int      `json:"height"` // px, upright
	Frames          int      `json:"frames"`
	FramesExpected  int      `json:"frames_expected"`
	DurationS       Num      `json:"duration_s"` // real motion
	CapturedFPS     Num      `json:"captured_fps"`
	CapturedFPSFrom string   `json:"captured_fps_from,omitempty"` // sidecar | metadata | file
	Lens35MM        Num      `json:"lens_35mm,omitempty"`         // focal length that the file states, mm, 35 mm equivalent
	Rotation        int      `json:"rotation"`
	Date            string   `json:"date,omitempty"`      // day of filming, 2026-05-01
	DateFrom        string   `json:"date_from,omitempty"` // stated | file
	Warnings        []string `json:"warnings"`
}

// Hitter is who swung, as far as it was stated or seen. Empty = not known.
type Hitter struct {
	ID         string      `json:"id"`
	Bats       phases.Bats `json:"bats,omitempty"`
	BatsFrom   string      `json:"bats_from,omitempty"` // detected | stated
	Picked     bool        `json:"picked,omitempty"`    // a person said who of several the hitter is
	HeightM    Num         `json:"height_m,omitempty"`
	BatLengthM Num         `json:"bat_length_m,omitempty"`
	Level      string      `json:"level,omitempty"`
	Sport      string      `json:"sport,omitempty"`
	Task       string      `json:"task,omitempty"`
	Units      string      `json:"units,omitempty"` // us: shown in inches and mph; numbers in files stay metric
}

// Swing is one swing of the clip.
type Swing struct {
	Number   int                         `json:"number"`
	Bats     phases.Bats                 `json:"bats"`
	BatsFrom string                      `json:"bats_from,omitempty"`
	View     View                        `json:"view"`
	Scale    Scale                       `json:"scale"`
	Score    Num                         `json:"score"`
	Events   []Event                     `json:"events"`
	Measures []Measure                   `json:"measures"`
	Findings []Finding                   `json:"findings"`
	Stills   map[phases.EventName]string `json:"stills"`            // key frame → file below the clip's folder
	Proof    string                      `json:"proof,omitempty"`   // proof sheet
	Replay   string                      `json:"replay,omitempty"`  // slow-motion video
	Handout  string                      `json:"handout,omitempty"` // one page to print
	Beside   string                      `json:"beside,omitempty"`  // page that shows it beside the reference that was asked for
	Film     *Film                       `json:"film,omitempty"`    // what the player shows
	People   *People                     `json:"people,omitempty"`  // who else was in the picture
	Notes    []string                    `json:"notes"`

	Source *phases.Swing `json:"-"` // what it was built from; nil when read from a file
	Track  *pose.Track   `json:"-"` // likewise
}

// View is where the camera stands; see phases.View.
type View struct {
	Side       string `json:"side"`
	AzimuthDeg Num    `json:"azimuth_deg"`
	SigmaDeg   Num    `json:"sigma_deg"`
}

// Scale is px per metre at the hitter; null where there is none.
type Scale struct {
	PxPerM Num    `json:"px_per_m"`
	Sigma  Num    `json:"sigma"`
	Source string `json:"source"`
}

// Event is an instant of the swing.
type Event struct {
	Name   phases.EventName `json:"name"`
	TimeS  Num              `json:"time_s"`
	Frame  int              `json:"frame"`
	SigmaS Num              `json:"sigma_s"`
	From   string           `json:"from"`
	Cues   []Cue            `json:"cues,omitempty"` // contact alone: what each witness said by itself
}

// Cue is what one witness said of an instant by itself; see phases.ContactCue.
type Cue struct {
	From   string `json:"from"`
	TimeS  Num    `json:"time_s"`
	SigmaS Num    `json:"sigma_s"`
	// LeftOut says that it was taken to tell of something else than this contact.
	LeftOut bool `json:"left_out,omitempty"`
}

// Measure is one number about the swing. Value and Sigma are null unless Status is measured.
type Measure struct {
	Name   string        `json:"name"`
	Event  string        `json:"event"`
	Value  Num           `json:"value"`
	Unit   string        `json:"unit"`
	Sigma  Num           `json:"sigma"`
	Status phases.Status `json:"status"`
	Frame  *int          `json:"frame"`
	TimeS  Num           `json:"time_s"`
	Basis  string        `json:"basis"`
}

// Rejected is motion that is no swing, and why.
type Rejected struct {
	TimeS  Num    `json:"time_s"`
	Reason string `json:"reason"`
}

// Outcome says how the clip ended. Reason is a sentence that a coach can act on.
type Outcome struct {
	State  string `json:"state"`
	Reason string `json:"reason"`
}

// States of an outcome.
const (
	Done        = "done"
	NoSwing     = "no_swing"
	NoHitter    = "no_hitter"
	NotVideo    = "not_video"
	Damaged     = "damaged"
	BadSettings = "bad_settings"
	Failed      = "failed"
)

// Input is all that a report is built from.
type Input struct {
	Tool     Tool
	Path     string // of the clip below the input folder, slashes
	SHA256   string
	Info     video.Info // zero where the file could not be opened
	HitterID string
	Given    phases.Given
	Swings   []SwingInput
	Rejected []phases.Rejected
	Outcome  Outcome
	Said     configs.Sidecar // all that was said beside the clip
	InBatch  bool            // the clip's folder lies where WriteBatch links to it
	Rules    *configs.RuleSet
}

// SwingInput is one swing with the track that its window From, To refers to.
type SwingInput struct {
	Swing  *phases.Swing
	Track  *pose.Track // may be nil: no stills, no track file
	Hitter int         // who swings, pose.Hitter.ID; 0 where nobody was chosen
}

// Build makes the report of one clip. Values that are not finite, and measured
// values without an uncertainty, become failed_check; events without a finite
// time are left out with a note.
func Build(in Input) *Report {
	r := &Report{
		Schema: SchemaVersion,
		Tool:   in.Tool,
		Clip: Clip{
			Path: path.Clean("/" + in.Path)[1:], SHA256: in.SHA256, Codec: in.Info.Codec,
			Width: in.Info.Width, Height: in.Info.Height,
			Frames: in.Info.Frames, FramesExpected: in.Info.FramesExpected,
			DurationS: Num(in.Info.DurationS), CapturedFPS: Num(in.Info.CapturedFPS), CapturedFPSFrom: in.Info.CapturedFPSFrom, Lens35MM: Num(in.Info.Lens35MM),
			Rotation: in.Info.Rotation,
			Warnings: append([]string{}, in.Info.Warnings...),
		},
		Hitter: Hitter{
			ID: in.HitterID, Bats: in.Given.Bats, HeightM: Num(in.Given.HeightM), BatLengthM: Num(in.Given.BatLengthM),
			Level: in.Given.Level, Sport: in.Given.Sport, Task: in.Given.Task,
		},
		Swings:  []Swing{},
		Outcome: in.Outcome,
	}
	r.say(in)
	if in.InBatch { // below clips/, as deep as the clip's path
		r.up = strings.Repeat("../", strings.Count(r.Clip.Path, "/")+2)
	}
	if r.Tool.Models == nil {
		r.Tool.Models = map[string]string{}
	}
	if in.Given.Bats != phases.BatsUnset {
		r.Hitter.BatsFrom = "stated"
	}
	for _, s := range in.Swings {
		if r.Hitter.Bats == phases.BatsUnset {
			r.Hitter.Bats, r.Hitter.BatsFrom = s.Swing.Bats, s.Swing.BatsFrom
		}
		sw := buildSwing(s, in.Rules, r.Hitter)
		if in.Said.Reference != "" {
			sw.Beside = BesideFolder(sw.Number) + "/compare.html"
		}
		r.Swings = append(r.Swings, sw)
	}
	for _, j := range in.Rejected {
		r.Rejected = append(r.Rejected, Rejected{Num(j.TimeS), j.Reason})
	}
	return r
}

// BesideBack leads from there to the clip's report.
const BesideBack = "../../report.html"

// BesideFolder is where a swing's comparison with the reference lies, below the clip's folder.
func BesideFolder(number int) string { return fmt.Sprintf("swing-%d/beside", number) }

// say takes over what was said beside the clip and is no number.
func (r *Report) say(in Input) {
	if r.Clip.Date, r.Clip.DateFrom = in.Said.Date, "stated"; r.Clip.Date == "" {
		if r.Clip.Date, r.Clip.DateFrom = in.Info.Recorded, "file"; r.Clip.Date == "" {
			r.Clip.DateFrom = ""
		}
	}
	r.Hitter.Picked = in.Said.HitterAt != nil
	if in.Said.Units == unitsUS {
		r.Hitter.Units = unitsUS
	}
	if in.Said.Cues != "both" {
		r.Cues = in.Said.Cues
	}
	p := Privacy{in.Said.Minor, in.Said.Consent, in.Said.KeepUntil, in.Said.FacesHidden()}
	if p != (Privacy{}) {
		r.Privacy = &p
	}
}

func buildSwing(in SwingInput, rules *configs.RuleSet, h Hitter) Swing {
	sw := in.Swing
	out := Swing{
		Number: sw.Number, Bats: sw.Bats, BatsFrom: sw.BatsFrom,
		View:  View{sw.View.Side, Num(sw.View.AzimuthDeg), Num(sw.View.SigmaDeg)},
		Scale: Scale{Num(sw.Scale.PxPerM), Num(sw.Scale.Sigma), sw.Scale.Source},
		Score: Num(sw.Score), Events: []Event{}, Measures: []Measure{}, Findings: []Finding{},
		Stills: map[phases.EventName]string{}, Notes: append([]string{}, sw.Notes...),
		Source: sw, Track: in.Track,
	}
	if !(sw.Scale.PxPerM > 0) {
		out.Scale = Scale{Num(math.NaN()), Num(math.NaN()), "none"}
	}
	for _, e := range sw.Events {
		if !finite(e.TimeS) || !(e.SigmaS >= 0) || !finite(e.SigmaS) {
			out.Notes = append(out.Notes, fmt.Sprintf("The moment %q could not be placed in time.", EventWords(string(e.Name))))
			continue
		}
		ev := Event{Name: e.Name, TimeS: Num(e.TimeS), Frame: e.Frame, SigmaS: Num(e.SigmaS), From: e.From}
		for _, c := range e.Cues {
			ev.Cues = append(ev.Cues, Cue{c.From, Num(c.TimeS), Num(c.SigmaS), c.LeftOut})
		}
		out.Events = append(out.Events, ev)
	}
	for _, m := range sw.Measures {
		out.Measures = append(out.Measures, buildMeasure(checked(m), sw))
	}
	if rules != nil {
		out.Findings = Judge(sw, rules, h)
	}
	return out
}

// checked gives a measure that claims to be measured without a finite value and a positive uncertainty the status failed_check.
func checked(m phases.Measure) phases.Measure {
	if m.Status == phases.Measured && !(finite(m.Value) && finite(m.Sigma) && m.Sigma > 0) {
		m.Status = phases.FailedCheck
	}
	if m.Status == "" {
		m.Status = phases.FailedCheck
	}
	return m
}

func buildMeasure(m phases.Measure, sw *phases.Swing) Measure {
	out := Measure{
		Name: m.Name, Event: m.Event, Unit: m.Unit, Status: m.Status, Basis: m.Basis,
		Value: Num(math.NaN()), Sigma: Num(math.NaN()), TimeS: Num(math.NaN()),
	}
	if m.Status == phases.Measured {
		out.Value, out.Sigma = Num(m.Value), Num(m.Sigma)
		out.Frame, out.TimeS = &m.Frame, Num(m.TimeS)
		return out
	}
	if e, ok := sw.Event(phases.EventName(m.Event)); ok && finite(e.TimeS) {
		out.Frame, out.TimeS = &e.Frame, Num(e.TimeS)
	}
	return out
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// Marshal is report.json.
func (r *Report) Marshal() ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetIndent("", " ")
	enc.SetEscapeHTML(false)
	if err := enc.Encode(r); err != nil {
		return nil, fmt.Errorf("report of %s: %w", r.Clip.Path, err)
	}
	return b.Bytes(), nil
}

// Parse reads a report.json; name is used in errors.
func Parse(name string, data []byte) (*Report, error) {
	var r Report
	if err := json.Unmarshal(data, &r); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if r.Schema != SchemaVersion {
		return nil, fmt.Errorf("%s: schema %d; this version reads %d: run the clip again", name, r.Schema, SchemaVersion)
	}
	return &r, nil
}
