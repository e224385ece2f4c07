package configs

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"slices"

	"go.yaml.in/yaml/v3"
)

//go:embed rules.yaml
var rulesYAML []byte

// RuleSet holds the rules of the findings in the order in which a coach looks at a swing.
type RuleSet struct {
	Rules []Rule `yaml:"rules"`
}

// Rule is one checkpoint.
type Rule struct {
	ID     string   `yaml:"id"`
	Title  string   `yaml:"title"`
	Moment string   `yaml:"moment"` // key frame that shows it
	Mode   string   `yaml:"mode"`   // judge | praise | describe
	Views  []string `yaml:"views"`  // camera sides from which it can be judged; empty = all
	Checks []Check  `yaml:"checks"` // the first is the one that the rule stands on

	Keep       string `yaml:"keep"`
	Note       string `yaml:"note"`
	CannotTell string `yaml:"cannot_tell"`
	CueOutcome string `yaml:"cue_outcome"` // what should happen to ball, bat or ground
	CueBody    string `yaml:"cue_body"`    // what a part of the body does
	Drill      string `yaml:"drill"`
	Caution    string `yaml:"caution"`
	Background string `yaml:"background"` // what the literature says, with citation
	LookAt     string `yaml:"look_at"`    // few words for the still
}

// Check holds one measure against bands.
type Check struct {
	Measure string `yaml:"measure"`
	Event   string `yaml:"event"`
	Label   string `yaml:"label"` // what the measure is, in plain words
	Below   string `yaml:"below"` // sentence where the value lies under the band
	Above   string `yaml:"above"` // sentence where it lies over the band
	Bands   []Band `yaml:"bands"` // none = described only
}

// Band is a range of good values and where it comes from. A missing limit is open.
type Band struct {
	Low        *float64 `yaml:"low"`
	High       *float64 `yaml:"high"`
	Unit       string   `yaml:"unit"`
	Level      string   `yaml:"level"` // any, or as in a sidecar
	Sport      string   `yaml:"sport"`
	Task       string   `yaml:"task"`
	Source     string   `yaml:"source"`
	SourceKind string   `yaml:"source_kind"` // published | practice
	Words      string   `yaml:"words"`       // the band in plain words
	Why        string   `yaml:"why"`         // why the limits are where they are
}

// Modes of a rule.
const (
	ModeJudge    = "judge"    // keep, work on or note
	ModePraise   = "praise"   // keep or note; never something to work on
	ModeDescribe = "describe" // the number in words, without a verdict
)

// Kinds of source of a band.
const (
	SourcePublished = "published"
	SourcePractice  = "practice"
)

// PracticeSource is how a band without a publication behind it must be marked.
const PracticeSource = "common practice, no source"

// DefaultRules are the rules that come with the program.
func DefaultRules() (*RuleSet, error) {
	return ParseRules("rules.yaml", bytes.NewReader(rulesYAML))
}

// ParseRules reads a rule set; name is used in errors. Unknown keys are errors
// with their line, and all problems are returned together.
func ParseRules(name string, r io.Reader) (*RuleSet, error) {
	dec := yaml.NewDecoder(r)
	dec.KnownFields(true)
	var rs RuleSet
	if err := dec.Decode(&rs); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if err := rs.validate(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return &rs, nil
}

var (
	ruleMoments = []string{"stance", "load", "foot_down", "hands_start", "contact", "extension", "finish"}
	ruleViews   = []string{"open", "pitcher", "closed", "catcher"}
	ruleLevels  = []string{"any", "youth", "high_school", "college", "adult"}
	ruleSports  = []string{"any", "baseball", "softball"}
	ruleTasks   = []string{"any", "tee", "toss", "machine", "live"}
)

func (rs *RuleSet) validate() error {
	var errs []error
	bad := func(id, format string, a ...any) {
		errs = append(errs, fmt.Errorf("rule %q: "+format, append([]any{id}, a...)...))
	}
	if len(rs.Rules) == 0 {
		errs = append(errs, errors.New("no rules"))
	}
	seen := map[string]bool{}
	for _, r := range rs.Rules {
		if r.ID == "" || seen[r.ID] {
			bad(r.ID, "id must be given and used once")
		}
		seen[r.ID] = true
		oneOf := func(what, v string, allowed []string) {
			if !slices.Contains(allowed, v) {
				bad(r.ID, "%s: %q; want one of %v", what, v, allowed)
			}
		}
		oneOf("moment", r.Moment, ruleMoments)
		oneOf("mode", r.Mode, []string{ModeJudge, ModePraise, ModeDescribe})
		for _, v := range r.Views {
			oneOf("views", v, ruleViews)
		}
		if r.Title == "" || r.Note == "" || r.CannotTell == "" {
			bad(r.ID, "title, note and cannot_tell must be given")
		}
		if r.Mode != ModeDescribe && r.Keep == "" {
			bad(r.ID, "keep must be given")
		}
		if r.Mode == ModeJudge && (r.CueOutcome == "" || r.CueBody == "" || r.Drill == "") {
			bad(r.ID, "a rule that can ask for work needs cue_outcome, cue_body and drill")
		}
		if len(r.Checks) == 0 {
			bad(r.ID, "no checks")
		}
		for _, c := range r.Checks {
			if c.Measure == "" || c.Event == "" || c.Label == "" {
				bad(r.ID, "a check needs measure, event and label")
			}
			for _, b := range c.Bands {
				oneOf("level", b.Level, ruleLevels)
				oneOf("sport", b.Sport, ruleSports)
				oneOf("task", b.Task, ruleTasks)
				oneOf("source_kind", b.SourceKind, []string{SourcePublished, SourcePractice})
				switch {
				case b.Low == nil && b.High == nil:
					bad(r.ID, "%s: a band needs low or high", c.Measure)
				case b.Low != nil && b.High != nil && *b.Low >= *b.High:
					bad(r.ID, "%s: low %g is not below high %g", c.Measure, *b.Low, *b.High)
				}
				if b.Source == "" || b.Unit == "" || b.Words == "" || b.Why == "" {
					bad(r.ID, "%s: a band needs unit, source, words and why", c.Measure)
				}
				if (b.SourceKind == SourcePractice) != (b.Source == PracticeSource) {
					bad(r.ID, "%s: source %q does not go with source_kind %q", c.Measure, b.Source, b.SourceKind)
				}
				if r.Mode == ModeJudge && ((b.Low != nil && c.Below == "") || (b.High != nil && c.Above == "")) {
					bad(r.ID, "%s: a limit without the sentence for values beyond it", c.Measure)
				}
			}
		}
	}
	return errors.Join(errs...)
}

// For finds the band that fits a hitter best: stated level, sport and task
// before "any". A value that was not stated fits "any" only. It returns nil
// where no band applies.
func (c Check) For(level, sport, task string) *Band {
	best, bestScore := (*Band)(nil), -1
	for i := range c.Bands {
		b, score := &c.Bands[i], 0
		fits := true
		for _, p := range [][2]string{{b.Level, level}, {b.Sport, sport}, {b.Task, task}} {
			switch p[0] {
			case "any":
			case p[1]:
				score++
			default:
				fits = false
			}
		}
		if fits && score > bestScore {
			best, bestScore = b, score
		}
	}
	return best
}
