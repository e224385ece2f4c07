package report

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"math"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"cagebook/configs"
	"cagebook/phases"
)

//go:embed page/*.html page/*.css page/*.js
var pageFiles embed.FS

var pages = template.Must(template.New("").Funcs(template.FuncMap{
	"event": EventWords, "measure": MeasureWords, "view": ViewWords, "bats": BatsWords,
	"status": StatusShort, "from": FromWords, "pm": ValuePM, "plain": PlainPM, "link": Link, "unknown": orUnknown,
	"moment": func(e phases.EventName) string { return EventWords(string(e)) },
	"base":   path.Base,
	"css": func() (template.CSS, error) {
		b, err := pageFiles.ReadFile("page/style.css")
		return template.CSS(b), err
	},
	"js": func() (template.JS, error) {
		b, err := pageFiles.ReadFile("page/player.js")
		return template.JS(b), err
	},
	"capital":    capital,
	"lowerfirst": func(s string) string { return strings.ToLower(s[:1]) + s[1:] },
	"level":      func(s string) string { return strings.ReplaceAll(s, "_", " ") },
	"add":        func(a, b int) int { return a + b },
	"per":        func(v float64) float64 { return v * 10 },
	"moments":    func() []string { return configs.EventNames },
	"levels":     func() []string { return configs.Levels },
	"markfile":   markFile,
	"name":       Shown,
	"state":      StateWords, "todo": WhatToDo,
	"secs":   func(n Num) string { return noMinusZero("%.3f", float64(n), 3) },
	"secs2":  func(n Num) string { return noMinusZero("%.2f", float64(n), 2) },
	"inches": inches,
	"num":    func(n Num) string { return rate(n) },
	"lower":  strings.ToLower,
	"azim":   func(n Num) string { return noMinusZero("%.0f°", float64(n), 0) },
	"anchor": func(a string, i int) string { return fmt.Sprintf("%s-%d", a, i) },
}).ParseFS(pageFiles, "page/*.html"))

// capital begins a sentence.
func capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// markFile is the name of a clip's own settings file.
func markFile(clip string) string { return path.Base(clip) + ".yaml" }

// inches is a length in metres for a field of the page; empty where it is not known.
func inches(m Num) string {
	if !m.Known() || m <= 0 {
		return ""
	}
	return strconv.FormatFloat(math.Round(float64(m)/inchM*10)/10, 'f', -1, 64)
}

// ByPerson names the moments of a swing that a person set; empty where there are none.
func (s *Swing) ByPerson() string {
	var names []string
	for _, e := range s.Events {
		if e.From == "mark" {
			names = append(names, strings.ToLower(EventWords(string(e.Name))))
		}
	}
	return strings.Join(names, ", ")
}

// Link turns a relative path with slashes into a link: every part is escaped,
// and the leading "./" keeps a colon in a name from being read as a scheme.
func Link(p string) string {
	parts := strings.Split(p, "/")
	for i, s := range parts {
		parts[i] = url.PathEscape(s)
	}
	return "./" + strings.Join(parts, "/")
}

// StateWords says an outcome's state in words.
func StateWords(state string) string {
	switch state {
	case Done:
		return "done"
	case NoSwing:
		return "no swing found"
	case NoHitter:
		return "no hitter found"
	case NotVideo:
		return "not a video"
	case Damaged:
		return "damaged file"
	case BadSettings:
		return "settings to correct"
	default:
		return "failed"
	}
}

// WhatToDo says what to do first about an outcome; empty where nothing is to be done.
func WhatToDo(state string) string {
	switch state {
	case Done:
		return ""
	case NoSwing:
		return "Watch the clip. If there is a full swing in it, film the next one with the whole body and bat in the picture. If somebody else was followed, say when and where the hitter stands, as shares of the picture from left and top, in the clip's settings file: hitter_at: {time_s: 2.4, x: 0.45, y: 0.6}."
	case NoHitter:
		return "Film with the hitter's whole body in the picture, larger than anyone else, and run it again."
	case NotVideo:
		return "Take the file out of the folder, or export the video from the phone again."
	case Damaged:
		return "Copy the file from the phone again; if it still fails, the recording itself is damaged."
	case BadSettings:
		return "Correct the line that is named in the settings file beside the clip, then run again."
	default:
		return "Run again. If it fails again, keep the clip and report the message."
	}
}

// group of findings of one verdict.
type group struct {
	ID, Head, Sign, Lead string
	Cues                 string // form of cues; empty = both
	Findings             []Finding
	Look                 []Finding // not sure, for a person's eye
}

type swingPage struct {
	*Swing
	Report *Report
	Main   []group // keep, work on
	Folded []group // more to keep, notes
	Cannot []because
	Order  []string // what to know of the moments' order
	Frames []frameCard
	Player *Player // nil where there is no track
}

// because is a reason for which things cannot be told, and these.
type because struct {
	Why string
	Of  []untold
}

type untold struct {
	Finding
	What string
	Told bool // some of its numbers were measured
}

// becauseOf says every reason once, in the order in which they first come.
func becauseOf(findings []Finding) (out []because) {
	for _, f := range findings {
		what, why, ok := strings.Cut(f.Sentence, cannotMark)
		if !ok {
			what, why = f.Sentence, "Other reasons"
		}
		why = capital(strings.TrimSuffix(why, "."))
		u := untold{f, what, slices.ContainsFunc(f.Measures, func(m FindingMeasure) bool { return m.Status == phases.Measured })}
		at := slices.IndexFunc(out, func(b because) bool { return b.Why == why })
		if at < 0 {
			at = len(out)
			out = append(out, because{Why: why})
		}
		out[at].Of = append(out[at].Of, u)
	}
	return out
}

// CannotN is how many things the clip cannot tell.
func (p swingPage) CannotN() (n int) {
	for _, b := range p.Cannot {
		n += len(b.Of)
	}
	return n
}

// order says which moments were read one after another the wrong way round, and that stance and load are one picture. Hands may start before
// the foot is down: that is no mistake.
func (r *Report) order(s *Swing) (out []string) {
	frameS := 0.02
	if f := float64(r.Clip.CapturedFPS); f > 0 {
		frameS = 1 / f
	}
	for _, p := range [][2]phases.EventName{{phases.Stance, phases.Load}, {phases.Load, phases.FootDown}, {phases.FootDown, phases.Contact}, {phases.Contact, phases.Extension}, {phases.Extension, phases.Finish}} {
		a, okA := s.event(p[0])
		b, okB := s.event(p[1])
		if !okA || !okB {
			continue
		}
		names := [2]string{EventWords(string(p[0])), strings.ToLower(EventWords(string(p[1])))}
		switch d := float64(b.TimeS - a.TimeS); {
		case d < -frameS:
			out = append(out, fmt.Sprintf("%s was read %.2f s later than %s, so one of the two is wrong. Look at the pictures, and correct the moment on this page.", names[0], -d, names[1]))
		case p[0] == phases.Stance && d < frameS:
			out = append(out, "Stance and load are the same picture: no lift of the front foot was seen.")
		}
	}
	return out
}

// shown is the swing with its numbers in the units of the hitter's pages.
func (s *Swing) shown(h Hitter) *Swing {
	t := *s
	t.Measures = slices.Clone(s.Measures)
	for i := range t.Measures {
		m := &t.Measures[i]
		m.Value, m.Sigma, m.Unit = inUnits(m.Value, m.Sigma, m.Unit, h)
	}
	t.Findings = slices.Clone(s.Findings)
	for i := range t.Findings {
		f := &t.Findings[i]
		f.Measures = slices.Clone(f.Measures)
		for k := range f.Measures {
			m := &f.Measures[k]
			if m.Unit == "body_heights" && m.Status == phases.Measured && h.HeightM > 0 && h.HeightM.Known() {
				m.length = " (" + PlainPM(m.Value, m.Sigma, m.Unit, h) + ")"
			}
			m.Value, m.Sigma, m.Unit = inUnits(m.Value, m.Sigma, m.Unit, h)
		}
	}
	return &t
}

type frameCard struct {
	Number       int
	Moment, Time string
	Still, Alt   string
}

// Index links to the morning page, HitterPage to the hitter's own; empty where there is none.
func (r *Report) Index() string {
	if r.up == "" {
		return ""
	}
	return "./" + r.up + "index.html"
}

// HitterPage: see Index.
func (r *Report) HitterPage() string {
	folder, ok := HitterFolder(r.Hitter.ID)
	if r.up == "" || !ok || len(r.Swings) == 0 {
		return ""
	}
	return Link(r.up + folder + "/index.html")
}

// HTML is report.html.
func (r *Report) HTML() ([]byte, error) {
	data := struct {
		*Report
		Pages   []swingPage
		Lot     *lotView // several swings judged together; nil for one
		Advice  []string
		Caution []string
	}{r, nil, r.lot(), r.advice(), Cautions}
	for i := range r.Swings {
		p := r.swingPage(&r.Swings[i])
		var err error
		if p.Player, err = r.Swings[i].player(r); err != nil {
			return nil, fmt.Errorf("page of %s: %w", r.Clip.Path, err)
		}
		data.Pages = append(data.Pages, p)
	}
	var b bytes.Buffer
	if err := pages.ExecuteTemplate(&b, "report.html", data); err != nil {
		return nil, fmt.Errorf("page of %s: %w", r.Clip.Path, err)
	}
	return b.Bytes(), nil
}

// lot judges the swings of a clip together; nil where there are fewer than two.
func (r *Report) lot() *lotView {
	rules, err := configs.DefaultRules()
	if err != nil {
		return nil // WriteClip has said so
	}
	var swings []LotSwing
	for i := range r.Swings {
		swings = append(swings, LotSwing{Report: r, Swing: &r.Swings[i]})
	}
	return NewLot(swings, rules).view(len(swings))
}

func (r *Report) swingPage(s *Swing) swingPage {
	s = s.shown(r.Hitter)
	p := swingPage{Swing: s, Report: r, Order: r.order(s)}
	of := func(v Verdict) []Finding {
		return s.pick(func(f *Finding) bool { return f.Verdict == v && !f.Look })
	}
	// Few things at a time: the first ones stand open, the rest is folded away.
	const maxKeep = 3
	keep := of(Keep)
	more := keep[min(maxKeep, len(keep)):]
	keep = keep[:len(keep)-len(more)]
	p.Main = []group{
		{ID: "keep", Head: "Keep", Sign: "✓", Lead: "Nothing stands out for certain in this clip. Look at the pictures for what you like, and film a few more swings.", Findings: keep},
		{ID: "work", Head: "Work on", Sign: "➜", Lead: "Nothing is far enough from the usual to ask for a change.", Findings: of(WorkOn), Look: s.look(), Cues: r.Cues},
	}
	p.Folded = []group{
		{ID: "more", Head: "More to keep", Sign: "✓", Findings: more},
		{ID: "note", Head: "Also seen", Sign: "•", Findings: of(Note)},
	}
	p.Cannot = becauseOf(of(CannotTell))
	for i, name := range phases.KeyFrames {
		c := frameCard{Number: i + 1, Moment: EventWords(string(name)), Still: s.Stills[name]}
		if e, ok := s.event(name); ok {
			c.Time = s.TimeWords(e)
		} else {
			c.Time = "not found"
		}
		c.Alt = fmt.Sprintf("Key frame %d, %s, %s", c.Number, strings.ToLower(c.Moment), c.Time)
		p.Frames = append(p.Frames, c)
	}
	return p
}

// Cautions stand at the foot of every page.
var Cautions = []string{
	"This report describes movement seen on video. It is not a medical opinion and says nothing about injuries.",
	"If a swing hurts, stop and tell a parent or guardian and the coach. Pain that is sharp, follows a blow, sits in the back, wrist, shoulder, elbow or side, or stays after rest belongs with a clinician before the next swing.",
	"No young hitter should change a swing because of a number alone: talk to a coach who knows the player. Most bands here are common coaching practice, and bands from adults are not asked of children.",
	"Hit with an approved helmet, and film from behind a net or well out of the way of bat and ball.",
	"Film minors only with the consent of the player and a parent or guardian. These files stay on this computer; delete them when they are no longer needed.",
}

// advice says how to film so that the next clip tells more, from what this one could not tell.
func (r *Report) advice() []string {
	var out []string
	missing := map[phases.Status]bool{}
	side := true
	for _, s := range r.Swings {
		side = side && (s.View.Side == "open" || s.View.Side == "closed")
		for _, m := range s.Measures {
			missing[m.Status] = true
		}
	}
	if len(r.Swings) > 0 && !side {
		out = append(out, "Put the camera on the hitter's chest side, square to the line from plate to pitcher, at hip to chest height, five metres away or more: most checkpoints show from there.")
	} else if missing[phases.NotInView] {
		out = append(out, "Add a second clip from behind the catcher's side (outside the cage) for what this side cannot show, such as the turn of the hips.")
	}
	if r.Clip.CapturedFPS.Known() && r.Clip.CapturedFPS > 0 && r.Clip.CapturedFPS < 120 {
		out = append(out, fmt.Sprintf("This clip has %s frames a second. Use slow motion, 120 or 240, in good light: times and contact become sharper.", rate(r.Clip.CapturedFPS)))
	}
	if missing[phases.NoScale] {
		out = append(out, "Say how tall the hitter is (“Correct the hitter …” above, or height_m or height_in in session.yaml): then lengths come in centimetres or inches.")
	}
	if missing[phases.NoBat] {
		out = append(out, "Keep the whole arc of the bat in the picture, with a plain background and a fast shutter.")
	}
	if missing[phases.Occluded] {
		out = append(out, "Keep nets, posts and people out of the line between camera and hitter.")
	}
	out = append(out,
		"Stand the phone on a tripod, level, the whole hitter and both feet in the picture, nobody else in front.",
		"Film five swings or more: one swing is not a pattern.")
	return out
}
