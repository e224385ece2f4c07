package report

import (
	"bytes"
	"cmp"
	"fmt"
	"math"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"cagebook/configs"
	"cagebook/phases"
)

// HittersDir is the folder of the pages of single hitters.
const HittersDir = "hitters"

// HitterFolder is the folder of a hitter's page below the output folder; false
// where the hitter has no name that can be one.
func HitterFolder(id string) (string, bool) {
	if strings.TrimSpace(id) != id || id == "" || strings.HasPrefix(id, ".") || strings.ContainsAny(id, "/\\\x00") || !filepath.IsLocal(id) || len(id) > 255 {
		return "", false
	}
	return HittersDir + "/" + id, true
}

// byHitter sorts rows into those of each hitter with a name, in the order of names.
func byHitter(rows []BatchRow) (ids []string, of map[string][]BatchRow) {
	of = map[string][]BatchRow{}
	for _, r := range rows {
		id := r.Report.Hitter.ID
		if _, ok := HitterFolder(id); ok && len(r.Report.Swings) > 0 {
			if of[id] == nil {
				ids = append(ids, id)
			}
			of[id] = append(of[id], r)
		}
	}
	slices.Sort(ids)
	return ids, of
}

// session is what was filmed of a hitter on one day, or where no day is known in one folder.
type session struct {
	Name  string
	Dated bool
	Lot   Lot
}

// progressMeasures are followed from session to session.
var progressMeasures = [][2]string{
	{"bat_speed", "contact"},
	{"swing_time", "hands_start_to_contact"},
	{"foot_down_to_contact", "foot_down_to_contact"},
	{"stride_length", "foot_down"},
	{"hands_separation", "foot_down"},
	{"body_over_feet", "load"},
	{"foot_slide", "foot_down_to_contact"},
	{"head_travel", "foot_down_to_contact"},
	{"lead_knee_straightening", "foot_down_to_contact"},
	{"lead_knee_flexion", "contact"},
	{"trunk_lean", "contact"},
}

type progressRow struct {
	Label, Words string
	Sign         string // points the way of a change
	Changed      bool
	Points       []progressPoint
	Alt          string
}

// progressPoint stands at X, Y percent of its picture, its interval from Top to Top+Height.
type progressPoint struct {
	X, Y, Top, Height float64
	Session, Words    string
}

type hitterClip struct {
	Name, Page, Thumb, Date string
	Number                  int
}

// hitterPage is hitters/<hitter>/index.html.
func hitterPage(id string, rows []BatchRow, rules *configs.RuleSet) ([]byte, error) {
	up := "../../"
	all := lotSwings(rows)
	data := struct {
		ID       string
		Hitter   Hitter
		Lot      *lotView
		Sessions []session
		Undated  bool
		Progress []progressRow
		Clips    []hitterClip
		Caution  []string
		Swings   int
	}{ID: id, Caution: Cautions, Swings: len(all)}
	lot := NewLot(all, rules)
	data.Hitter, data.Lot = lot.Hitter, lot.view(len(all))
	data.Sessions = sessions(all, lot.Side)
	// Over several days a hitter changes: what to keep and to work on is that of the last day, if it tells enough.
	if n := len(data.Sessions); n > 1 && data.Sessions[n-1].Dated && data.Sessions[n-1].Lot.Pattern() {
		last := NewLot(data.Sessions[n-1].Lot.Swings, rules)
		data.Lot = last.view(len(last.Swings))
		data.Lot.Head = fmt.Sprintf("%d swings of %s together", len(last.Swings), data.Sessions[n-1].Name)
	}
	for _, s := range data.Sessions {
		data.Undated = data.Undated || !s.Dated
	}
	if len(data.Sessions) > 1 {
		for _, m := range progressMeasures {
			if p, ok := progress(data.Sessions, m[0], m[1], lot.Hitter, len(progressMeasures)); ok {
				data.Progress = append(data.Progress, p)
			}
		}
		slices.SortStableFunc(data.Progress, func(a, b progressRow) int { return btoi(b.Changed) - btoi(a.Changed) })
	}
	for _, s := range all {
		c := hitterClip{Name: s.Report.Clip.Path, Date: s.Report.Clip.Date, Number: s.Swing.Number, Page: Link(up + path.Join(s.Folder, "report.html"))}
		if p := s.Swing.Stills[phases.Contact]; p != "" {
			c.Thumb = Link(up + path.Join(s.Folder, p))
		}
		data.Clips = append(data.Clips, c)
	}
	var b bytes.Buffer
	if err := pages.ExecuteTemplate(&b, "hitter.html", data); err != nil {
		return nil, fmt.Errorf("page of %s: %w", id, err)
	}
	return b.Bytes(), nil
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

func lotSwings(rows []BatchRow) (out []LotSwing) {
	for _, r := range rows {
		for i := range r.Report.Swings {
			out = append(out, LotSwing{Report: r.Report, Swing: &r.Report.Swings[i], Folder: r.Folder})
		}
	}
	return out
}

// sessions sorts swings into days, in their order. Swings of one side only: others do not compare.
func sessions(all []LotSwing, side string) (out []session) {
	of := map[string][]LotSwing{}
	dated := map[string]bool{}
	var names []string
	for _, s := range all {
		if s.Swing.View.Side != side {
			continue
		}
		name := s.Report.Clip.Date
		if name == "" {
			if name = path.Dir(s.Report.Clip.Path); name == "." {
				name = "no day known"
			}
		} else {
			dated[name] = true
		}
		if of[name] == nil {
			names = append(names, name)
		}
		of[name] = append(of[name], s)
	}
	slices.SortStableFunc(names, func(a, b string) int { // days first, in their order
		if d := btoi(dated[b]) - btoi(dated[a]); d != 0 {
			return d
		}
		return cmp.Compare(a, b)
	})
	for _, n := range names {
		out = append(out, session{n, dated[n], NewLot(of[n], nil)})
	}
	return out
}

// progress follows a measure over sessions. A change is claimed between the
// first day and the last only where it lies outside the 95 % interval of its
// uncertainty and is larger than the hitter's own spread within a day. of is how
// many measures are looked at: of eleven, one would seem changed by chance on every
// other page, so the 5 % are shared among them (Bonferroni's bound).
func progress(all []session, name, event string, h Hitter, of int) (progressRow, bool) {
	var at []session
	var ms []LotMeasure
	lo, hi := math.Inf(1), math.Inf(-1)
	own, dof := 0.0, 0
	for _, s := range all {
		m, ok := s.Lot.measure(name, event)
		if !ok {
			continue
		}
		at, ms = append(at, s), append(ms, m)
		if n := len(m.Values); n >= minLot {
			own += m.Own * m.Own * float64(n-1)
			dof += n - 1
		}
	}
	if len(ms) < 2 || ms[0].Unit != ms[len(ms)-1].Unit {
		return progressRow{}, false
	}
	if dof > 0 {
		own = math.Sqrt(own / float64(dof))
	}
	sigmas := make([]float64, len(ms))
	for i, m := range ms {
		sigmas[i] = m.Sigma
		if len(m.Values) < minLot && dof > 0 { // one or two swings may lie anywhere in the hitter's spread
			sigmas[i] = math.Sqrt(math.Pi/2*own*own/float64(len(m.Values)) + m.NoiseSigma*m.NoiseSigma)
		}
		lo, hi = min(lo, m.Median-z95*sigmas[i]), max(hi, m.Median+z95*sigmas[i])
	}
	r := progressRow{Label: MeasureWords(name)}
	if w := when(event); w != "" {
		r.Label += " " + w
	}
	room := 0.08 * (hi - lo)
	lo, hi = lo-room, hi+room
	var alt []string
	for i, m := range ms {
		y := func(v float64) float64 { return 100 * (hi - v) / (hi - lo) }
		top := y(m.Median + z95*sigmas[i])
		p := progressPoint{
			X: 100 * (float64(i) + 0.5) / float64(len(ms)), Y: y(m.Median), Top: top, Height: y(m.Median-z95*sigmas[i]) - top,
			Session: at[i].Name, Words: PlainPM(Num(m.Median), Num(sigmas[i]), m.Unit, h),
		}
		r.Points = append(r.Points, p)
		alt = append(alt, p.Session+": "+p.Words)
	}
	r.Alt = r.Label + ". " + strings.Join(alt, "; ")
	last := len(ms) - 1
	d, sigma := ms[last].Median-ms[0].Median, math.Hypot(sigmas[0], sigmas[last])
	size, pm := PlainValue(math.Abs(d), ms[0].Unit, h), PlainPM(Num(math.Abs(d)), Num(sigma), ms[0].Unit, h)
	z := math.Inf(1)
	if dof > 0 { // the spread itself is known from few swings
		z = distuv.StudentsT{Sigma: 1, Nu: float64(dof)}.Quantile(1 - 0.025/float64(max(of, 1)))
	}
	switch {
	case !at[0].Dated || !at[last].Dated:
		r.Words = "No days are known, so nothing is said about change. Put date: 2026-05-01 into session.yaml."
	case dof == 0:
		r.Words = fmt.Sprintf("Film %d swings or more on one day first: until your own spread is known, a change of %s may be chance.", minLot, size)
	case math.Abs(d) <= z*sigma || math.Abs(d) <= own:
		r.Words = "No change that this video can tell from chance."
	case d > 0:
		r.Sign = "↗"
		r.Words, r.Changed = fmt.Sprintf("Larger by %s than on %s. That is more than chance and more than your swings differ in a day.", pm, at[0].Name), true
	default:
		r.Sign = "↘"
		r.Words, r.Changed = fmt.Sprintf("Smaller by %s than on %s. That is more than chance and more than your swings differ in a day.", pm, at[0].Name), true
	}
	return r, true
}

// scoutMeasures compare across cameras: times, speeds, and lengths in body
// heights, each measured only where the view allows it. Angles seen from
// different sides do not.
var scoutMeasures = [][2]string{
	{"bat_speed", "contact"},
	{"swing_time", "hands_start_to_contact"},
	{"foot_down_to_contact", "foot_down_to_contact"},
	{"stride_length", "foot_down"},
	{"head_travel", "foot_down_to_contact"},
	{"reach_of_ceiling", "extension"},
}

type scoutRow struct {
	ID, Page, Level, Sport string
	Bats                   phases.Bats
	Swings                 int
	Cells                  []scoutCell
}

type scoutCell struct {
	Words string
	Sort  string // a number, or empty
	Sigma string // likewise
	Unit  string
	N     int
}

// scoutPage is scout.html: hitters side by side.
func scoutPage(ids []string, of map[string][]BatchRow) ([]byte, error) {
	data := struct {
		Heads   []string
		Rows    []scoutRow
		Caution []string
	}{Caution: Cautions}
	for _, m := range scoutMeasures {
		data.Heads = append(data.Heads, MeasureWords(m[0]))
	}
	units := unitsUS // where all say so
	for _, id := range ids {
		swings := lotSwings(of[id])
		if swings[len(swings)-1].Report.Hitter.Units != unitsUS {
			units = ""
		}
	}
	for _, id := range ids {
		swings := lotSwings(of[id])
		h := swings[len(swings)-1].Report.Hitter
		folder, _ := HitterFolder(id) // byHitter took only those that have one
		row := scoutRow{ID: id, Page: Link(folder + "/index.html"), Level: strings.ReplaceAll(h.Level, "_", " "), Sport: h.Sport, Bats: h.Bats, Swings: len(swings)}
		all := Lot{Swings: swings, Measures: lotMeasures(swings)}
		for _, k := range scoutMeasures {
			c := scoutCell{Words: "not known"}
			if m, ok := all.measure(k[0], k[1]); ok {
				v, sigma, unit := inUnits(Num(m.Median), Num(m.Sigma), m.Unit, Hitter{Units: units})
				c = scoutCell{Words: ValuePM(v, sigma, unit), Unit: UnitWords(unit), N: len(m.Values)}
				if unit == "fraction" {
					v, sigma = 100*v, 100*sigma
				}
				c.Sort, c.Sigma = fmt.Sprintf("%g", v), fmt.Sprintf("%g", sigma)
			}
			row.Cells = append(row.Cells, c)
		}
		data.Rows = append(data.Rows, row)
	}
	var b bytes.Buffer
	if err := pages.ExecuteTemplate(&b, "scout.html", data); err != nil {
		return nil, fmt.Errorf("scout.html: %w", err)
	}
	return b.Bytes(), nil
}

// writeHitters writes the page of each hitter with a name, and scout.html.
func writeHitters(put func(name string, data []byte) error, rows []BatchRow) error {
	rules, err := configs.DefaultRules()
	if err != nil {
		return err
	}
	ids, of := byHitter(rows)
	for _, id := range ids {
		page, err := hitterPage(id, of[id], rules)
		if err != nil {
			return err
		}
		folder, _ := HitterFolder(id)
		if err := put(folder+"/index.html", page); err != nil {
			return err
		}
	}
	if len(ids) < 2 {
		return nil
	}
	page, err := scoutPage(ids, of)
	if err != nil {
		return err
	}
	return put("scout.html", page)
}
