package configs

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"gopkg.in/yaml.v3"
)

// Sidecar is what a person said of a clip beside it. Zero values are not stated.
type Sidecar struct {
	Hitter          string               `json:"hitter,omitempty"`
	Bats            string               `json:"bats,omitempty"` // R | L
	HeightM         float64              `json:"height_m,omitempty"`
	BatLengthM      float64              `json:"bat_length_m,omitempty"`
	Level           string               `json:"level,omitempty"`
	Sport           string               `json:"sport,omitempty"`
	Task            string               `json:"task,omitempty"`
	CapturedFPS     float64              `json:"captured_fps,omitempty"`
	CameraDistanceM float64              `json:"camera_distance_m,omitempty"`
	Reference       string               `json:"reference,omitempty"`  // path of a clip; relative to the folder of the file that names it
	Date            string               `json:"date,omitempty"`       // day of filming, 2026-05-01
	Cues            string               `json:"cues,omitempty"`       // outcome | body | both: the form of cues that the coach wants
	Units           string               `json:"units,omitempty"`      // metric | us: inches and mph on pages and stills
	Minor           string               `json:"minor,omitempty"`      // yes | no
	Consent         string               `json:"consent,omitempty"`    // yes | no: of the player and, for a minor, of a parent or guardian
	KeepUntil       string               `json:"keep_until,omitempty"` // day after which clip and results are to be deleted
	HideFaces       string               `json:"hide_faces,omitempty"` // yes | no; not stated = yes for a minor without consent
	HitterAt        *Place               `json:"hitter_at,omitempty"`  // who the hitter is, where another person was taken
	Marks           map[string][]float64 `json:"marks,omitempty"`      // event name → s of real motion, rising
}

// Place is where the hitter's body is in the picture at a time.
type Place struct {
	TimeS float64 `json:"time_s"` // s of real motion
	X     float64 `json:"x"`      // from the left, share of the upright picture's width
	Y     float64 `json:"y"`      // from the top, share of its height
}

// The words that a sidecar may use.
var (
	sides = []string{"R", "L"}
	// Levels of play.
	Levels = []string{"youth", "high_school", "college", "adult"}
	sports = []string{"baseball", "softball"}
	tasks  = []string{"tee", "toss", "machine", "live"}

	cueForms = []string{"outcome", "body", "both"}
	systems  = []string{"metric", "us"}

	// EventNames are the events that a mark can correct, in their order in a swing.
	EventNames = []string{"stance", "lead_foot_off", "load", "foot_down", "heel_down", "hands_start", "contact", "extension", "finish"}
)

const (
	maxSidecarBytes = 64 << 10 // a page of settings is 1 kB; more is not a settings file
	maxMarks        = 1000     // an event: a clip of three hours holds fewer swings
	maxHitterRunes  = 64       // becomes a folder name; file systems stop at 255 bytes
	maxMarkS        = 3 * 3600 // clips longer than three hours are refused
)

// A field is one key of a sidecar: how it is read and what it accepts.
type field struct {
	key  string
	read func(r *reader, n *yaml.Node, s *Sidecar)
	same func(a, b *Sidecar) bool // both state it alike, or one does not state it
	copy func(to, from *Sidecar)  // from's value, where stated, replaces to's
}

// fields is the whole vocabulary. The limits are what a person or a camera can
// be, with room: they catch centimetres, feet and slipped points.
var fields = []field{
	textField("hitter", func(s *Sidecar) *string { return &s.Hitter }, checkHitter,
		"a name of letters, digits, spaces and - _ . ' that does not start with a point, at most 64 long"),
	wordField("bats", func(s *Sidecar) *string { return &s.Bats }, sides),
	numberField("height_m", func(s *Sidecar) *float64 { return &s.HeightM }, 0.8, 2.3, "metres from 0.8 to 2.3", 1.52),
	inchField("height_in", func(s *Sidecar) *float64 { return &s.HeightM }, 32, 90, "inches from 32 to 90", 60),
	numberField("bat_length_m", func(s *Sidecar) *float64 { return &s.BatLengthM }, 0.4, 1.1, "metres from 0.4 to 1.1", 0.81),
	inchField("bat_length_in", func(s *Sidecar) *float64 { return &s.BatLengthM }, 16, 43, "inches from 16 to 43", 32),
	wordField("level", func(s *Sidecar) *string { return &s.Level }, Levels),
	wordField("sport", func(s *Sidecar) *string { return &s.Sport }, sports),
	wordField("task", func(s *Sidecar) *string { return &s.Task }, tasks),
	numberField("captured_fps", func(s *Sidecar) *float64 { return &s.CapturedFPS }, 10, 2000, "frames per second from 10 to 2000", 240),
	numberField("camera_distance_m", func(s *Sidecar) *float64 { return &s.CameraDistanceM }, 0.5, 100, "metres from 0.5 to 100", 5),
	textField("reference", func(s *Sidecar) *string { return &s.Reference }, checkReference, "the path of a clip"),
	dateField("date", func(s *Sidecar) *string { return &s.Date }),
	wordField("cues", func(s *Sidecar) *string { return &s.Cues }, cueForms),
	wordField("units", func(s *Sidecar) *string { return &s.Units }, systems),
	yesNoField("minor", func(s *Sidecar) *string { return &s.Minor }),
	yesNoField("consent", func(s *Sidecar) *string { return &s.Consent }),
	dateField("keep_until", func(s *Sidecar) *string { return &s.KeepUntil }),
	yesNoField("hide_faces", func(s *Sidecar) *string { return &s.HideFaces }),
	{
		key:  "hitter_at",
		read: readHitterAt,
		same: func(a, b *Sidecar) bool { return a.HitterAt == nil || b.HitterAt == nil || *a.HitterAt == *b.HitterAt },
		copy: func(to, from *Sidecar) {
			if from.HitterAt != nil {
				to.HitterAt = from.HitterAt
			}
		},
	},
	{
		key:  "marks",
		read: readMarks,
		same: func(a, b *Sidecar) bool { return a.Marks == nil || b.Marks == nil || equalMarks(a.Marks, b.Marks) },
		copy: func(to, from *Sidecar) {
			if from.Marks != nil {
				to.Marks = from.Marks
			}
		},
	},
}

// ParseSidecar reads a settings file strictly. It returns every problem that
// it finds, and the settings that have none. file is only for the messages.
// It never panics, whatever the bytes.
func ParseSidecar(file string, data []byte) (Sidecar, Problems) {
	r := &reader{file: file}
	var s Sidecar
	if len(data) > maxSidecarBytes {
		r.add(0, "", fmt.Sprintf("%d bytes", len(data)), "at most 64 kB of settings", "")
		return s, r.problems
	}
	dec := yaml.NewDecoder(bytes.NewReader(data))
	dec.KnownFields(true)
	var doc yaml.Node
	if err := decode(dec, &doc); err != nil {
		if err.Error() == "EOF" { // empty or only comments: nothing stated
			return s, nil
		}
		line, msg := yamlError(err)
		r.add(line, "", "not readable as YAML: "+msg, "lines such as `height_m: 1.52`", "")
		return s, r.problems
	}
	var more yaml.Node
	if err := decode(dec, &more); err == nil {
		r.add(more.Line, "", "a second document", "one document", "remove the line `---`")
	} else if err.Error() != "EOF" {
		line, msg := yamlError(err)
		r.add(line, "", "not readable as YAML: "+msg, "one document", "")
	}
	r.readTop(&doc, &s)
	return s, r.problems
}

// decode shields from the YAML library, which may panic on input that a fuzzer finds.
func decode(dec *yaml.Decoder, n *yaml.Node) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("yaml: %v", p)
		}
	}()
	return dec.Decode(n)
}

// yamlError takes line and text out of the library's "yaml: line 3: did not find …".
func yamlError(err error) (int, string) {
	msg := strings.TrimPrefix(err.Error(), "yaml: ")
	rest, ok := strings.CutPrefix(msg, "line ")
	if !ok {
		return 0, msg
	}
	num, text, ok := strings.Cut(rest, ": ")
	line, convErr := strconv.Atoi(num)
	if !ok || convErr != nil {
		return 0, msg
	}
	return line, text
}

type reader struct {
	file     string
	problems Problems
}

func (r *reader) add(line int, key, got, want, hint string) {
	r.problems = append(r.problems, Problem{File: r.file, Line: line, Key: key, Got: got, Want: want, Hint: hint})
}

func (r *reader) readTop(doc *yaml.Node, s *Sidecar) {
	if doc.Kind != yaml.DocumentNode || len(doc.Content) == 0 {
		return
	}
	top := doc.Content[0]
	if isNull(top) {
		return
	}
	if top.Kind != yaml.MappingNode {
		r.add(top.Line, "", describe(top), "lines such as `height_m: 1.52`", "")
		return
	}
	for key, value := range r.pairs(top, "") {
		i := slices.IndexFunc(fields, func(f field) bool { return f.key == key.Value })
		if i < 0 {
			r.add(key.Line, show(key.Value), "unknown key", "one of "+strings.Join(fieldKeys(), ", "), didYouMean(key.Value, fieldKeys()))
			continue
		}
		if metres, ok := strings.CutSuffix(key.Value, "_in"); ok {
			metres += "_m"
			if slices.ContainsFunc(top.Content, func(n *yaml.Node) bool { return n.Value == metres }) {
				r.add(key.Line, key.Value, "stands beside "+metres, "one of the two", "")
				continue
			}
		}
		fields[i].read(r, value, s)
	}
}

// pairs walks a mapping and reports keys that are no plain text or stand there twice.
func (r *reader) pairs(m *yaml.Node, prefix string) func(yield func(k, v *yaml.Node) bool) {
	return func(yield func(k, v *yaml.Node) bool) {
		first := map[string]int{}
		for i := 0; i+1 < len(m.Content); i += 2 {
			k, v := m.Content[i], m.Content[i+1]
			if k.Kind != yaml.ScalarNode || k.ShortTag() == "!!merge" {
				r.add(k.Line, prefix, describe(k), "a plain key", "")
				continue
			}
			if line, twice := first[k.Value]; twice {
				r.add(k.Line, prefix+show(k.Value), fmt.Sprintf("stands here a second time, first in line %d", line), "each key once", "")
				continue
			}
			first[k.Value] = k.Line
			if !yield(k, v) {
				return
			}
		}
	}
}

func numberField(key string, at func(*Sidecar) *float64, low, high float64, want string, example float64) field {
	return field{
		key: key,
		read: func(r *reader, n *yaml.Node, s *Sidecar) {
			v, ok := number(n)
			if !ok || !(v >= low && v <= high) { // NaN fails both
				r.add(n.Line, key, describe(n), want, numberHint(n, key, v, ok, low, high, example))
				return
			}
			*at(s) = v
		},
		same: func(a, b *Sidecar) bool { return *at(a) == 0 || *at(b) == 0 || *at(a) == *at(b) },
		copy: func(to, from *Sidecar) {
			if *at(from) != 0 {
				*at(to) = *at(from)
			}
		},
	}
}

// inchField is a length in inches, kept in metres: what copies and compares it is the field in metres.
func inchField(key string, at func(*Sidecar) *float64, low, high float64, want string, example float64) field {
	return field{
		key: key,
		read: func(r *reader, n *yaml.Node, s *Sidecar) {
			v, ok := number(n)
			if !ok || !(v >= low && v <= high) {
				r.add(n.Line, key, describe(n), want, numberHint(n, key, v, ok, low, high, example))
				return
			}
			*at(s) = math.Round(v*254) / 10000
		},
		same: func(_, _ *Sidecar) bool { return true },
		copy: func(_, _ *Sidecar) {},
	}
}

// numberHint guesses what was meant where a guess is plain: a comma for the
// point, quotes, centimetres, inches.
func numberHint(n *yaml.Node, key string, v float64, isNumber bool, low, high, example float64) string {
	fits := func(x float64) bool { return x >= low && x <= high }
	form := func(x float64) string { return key + ": " + strconv.FormatFloat(x, 'g', 4, 64) }
	if !isNumber && n.Kind == yaml.ScalarNode {
		if x, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(n.Value), ",", ".", 1), 64); err == nil && fits(x) {
			return form(x)
		}
	}
	if isNumber && strings.HasSuffix(key, "_m") {
		switch {
		case fits(v / 100):
			return form(v/100) + ", if centimetres were meant"
		case fits(v * 0.0254):
			return form(v*0.0254) + ", if inches were meant"
		}
	}
	return "for example " + form(example)
}

func wordField(key string, at func(*Sidecar) *string, words []string) field {
	check := func(v string) bool { return slices.Contains(words, v) }
	f := textField(key, at, check, strings.Join(words, " or "))
	f.read = func(r *reader, n *yaml.Node, s *Sidecar) {
		if n.Kind == yaml.ScalarNode && n.ShortTag() == "!!str" && check(n.Value) {
			*at(s) = n.Value
			return
		}
		hint := ""
		if n.Kind == yaml.ScalarNode {
			hint = didYouMean(n.Value, words)
		}
		r.add(n.Line, key, describe(n), strings.Join(words, " or "), hint)
	}
	return f
}

// yesNoField accepts the words that YAML takes for a truth value and keeps "yes" or "no", so that "not stated" stays apart.
func yesNoField(key string, at func(*Sidecar) *string) field {
	f := textField(key, at, nil, "")
	f.read = func(r *reader, n *yaml.Node, s *Sidecar) {
		if n.Kind == yaml.ScalarNode {
			switch n.Value {
			case "yes", "true":
				*at(s) = "yes"
				return
			case "no", "false":
				*at(s) = "no"
				return
			}
		}
		r.add(n.Line, key, describe(n), "yes or no", "")
	}
	return f
}

// dateField reads a day; YAML takes it for a time stamp unless it stands in quotes.
func dateField(key string, at func(*Sidecar) *string) field {
	f := textField(key, at, nil, "")
	f.read = func(r *reader, n *yaml.Node, s *Sidecar) {
		if n.Kind == yaml.ScalarNode {
			if d, err := time.Parse(time.DateOnly, n.Value); err == nil && d.Year() >= 1995 && d.Year() < 2200 {
				*at(s) = n.Value
				return
			}
		}
		r.add(n.Line, key, describe(n), "a day as year-month-day", "for example "+key+": 2026-05-01")
	}
	return f
}

// FacesHidden says whether faces are to be hidden in all pictures: as stated,
// else for minors for whom no consent is stated.
func (s *Sidecar) FacesHidden() bool {
	if s.HideFaces != "" {
		return s.HideFaces == "yes"
	}
	return s.Minor == "yes" && s.Consent != "yes"
}

func textField(key string, at func(*Sidecar) *string, check func(string) bool, want string) field {
	return field{
		key: key,
		read: func(r *reader, n *yaml.Node, s *Sidecar) {
			if n.Kind != yaml.ScalarNode || n.ShortTag() != "!!str" || !check(n.Value) {
				hint := ""
				if n.Kind == yaml.ScalarNode && n.ShortTag() != "!!str" && !isNull(n) && check(n.Value) {
					hint = fmt.Sprintf("put it in quotes: %s: %q", key, n.Value)
				}
				r.add(n.Line, key, describe(n), want, hint)
				return
			}
			*at(s) = n.Value
		},
		same: func(a, b *Sidecar) bool { return *at(a) == "" || *at(b) == "" || *at(a) == *at(b) },
		copy: func(to, from *Sidecar) {
			if *at(from) != "" {
				*at(to) = *at(from)
			}
		},
	}
}

func checkHitter(v string) bool {
	if v == "" || strings.TrimSpace(v) != v || v[0] == '.' || len([]rune(v)) > maxHitterRunes {
		return false
	}
	for _, c := range v {
		if c == unicode.ReplacementChar || !unicode.IsLetter(c) && !unicode.IsDigit(c) && !unicode.IsMark(c) && !strings.ContainsRune(" -_.'", c) {
			return false
		}
	}
	return true
}

func checkReference(v string) bool {
	return v != "" && len(v) < 4096 && !strings.ContainsFunc(v, unicode.IsControl)
}

// number reads a plain YAML number; text in quotes is none.
func number(n *yaml.Node) (float64, bool) {
	if n.Kind != yaml.ScalarNode {
		return 0, false
	}
	if tag := n.ShortTag(); tag != "!!int" && tag != "!!float" {
		return 0, false
	}
	var v float64
	if err := n.Decode(&v); err != nil {
		return 0, false
	}
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return v, true // a number to YAML; no range holds it
	}
	return v, true
}

func isNull(n *yaml.Node) bool { return n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null" }

// describe says in plain words what stands at a node.
func describe(n *yaml.Node) string {
	switch {
	case n.Kind == yaml.MappingNode:
		return "a group of keys"
	case n.Kind == yaml.SequenceNode:
		return "a list"
	case n.Kind == yaml.AliasNode:
		return "a reference to another place (*name)"
	case isNull(n):
		return "nothing"
	case n.ShortTag() == "!!str":
		return "text " + shorten(n.Value)
	case n.ShortTag() == "!!bool":
		return "yes/no value " + show(n.Value)
	case n.ShortTag() == "!!timestamp":
		return "date " + show(n.Value)
	}
	return show(n.Value)
}

// show prints a key or a number bare where that is safe, quoted otherwise.
func show(s string) string {
	for _, c := range s {
		if c > unicode.MaxASCII || !unicode.IsLetter(c) && !unicode.IsDigit(c) && !strings.ContainsRune("_.+-", c) {
			return shorten(s)
		}
	}
	if s == "" || len(s) > 40 {
		return shorten(s)
	}
	return s
}

func fieldKeys() []string {
	keys := make([]string, len(fields))
	for i, f := range fields {
		keys[i] = f.key
	}
	return keys
}

func equalMarks(a, b map[string][]float64) bool {
	if len(a) != len(b) {
		return false
	}
	for k, v := range a {
		if !slices.Equal(v, b[k]) {
			return false
		}
	}
	return true
}

// didYouMean suggests the word within two slips of the pen, ignoring case.
func didYouMean(got string, words []string) string {
	best, bestDist := "", 3
	for _, w := range words {
		if d := editDistance(strings.ToLower(got), strings.ToLower(w)); d < bestDist && d < len(w) {
			best, bestDist = w, d
		}
	}
	if best == "" {
		return ""
	}
	return "did you mean " + best + "?"
}

// editDistance is the Levenshtein distance in bytes, cut off at long words.
func editDistance(a, b string) int {
	if len(a) > 40 || len(b) > 40 {
		return 40
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
