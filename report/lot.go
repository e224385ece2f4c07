package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"cagebook/configs"
	"cagebook/phases"
)

// minLot: below it, swings are shown side by side but not called a pattern.
// Common practice, no source; a spread from two numbers is known to a factor of four only.
const minLot = 3

// LotSwing is one swing of several that are judged together.
type LotSwing struct {
	Report *Report
	Swing  *Swing
	Folder string // of the clip's files, relative to the page; "" = the page's own
}

// Lot is several swings of one hitter, filmed from the same side, judged together.
type Lot struct {
	Hitter   Hitter
	Side     string
	Swings   []LotSwing
	Measures []LotMeasure
	Findings []Finding // of the medians
}

// LotMeasure is one measure over the swings of a lot.
type LotMeasure struct {
	Name, Event, Unit string
	Values            []Measure // measured ones only, in the order of the swings
	Median            float64
	Low, High         float64
	NoiseSigma        float64 // of one measured value, root mean square
	Own               float64 // standard deviation between swings beyond the noise; NaN for fewer than minLot values
	Sigma             float64 // of the median, as a statement about the hitter
	Varies            bool    // the spread is more than noise explains (95 %)
}

// NewLot gathers measures of swings. Where they were filmed from several sides,
// the side with most swings is taken, so that like is compared with like.
func NewLot(swings []LotSwing, rules *configs.RuleSet) Lot {
	bySide := map[string]int{}
	for _, s := range swings {
		bySide[s.Swing.View.Side]++
	}
	best := ""
	for _, side := range []string{"open", "closed", "catcher", "pitcher", ""} { // the earlier tells more
		if bySide[side] > bySide[best] || best == "" && bySide[side] > 0 {
			best = side
		}
	}
	l := Lot{Side: best}
	for _, s := range swings {
		if s.Swing.View.Side == best {
			l.Swings = append(l.Swings, s)
		}
	}
	if len(l.Swings) == 0 {
		return l
	}
	l.Hitter = l.Swings[len(l.Swings)-1].Report.Hitter
	l.Measures = lotMeasures(l.Swings)
	if rules != nil && len(l.Swings) >= minLot {
		l.Findings = Judge(l.typical(), rules, l.Hitter)
	}
	return l
}

// Pattern says whether there are enough swings to speak of one.
func (l *Lot) Pattern() bool { return len(l.Swings) >= minLot }

func lotMeasures(swings []LotSwing) []LotMeasure {
	type key struct{ name, event, unit string }
	var order []key
	values := map[key][]Measure{}
	for _, s := range swings {
		for _, m := range s.Swing.Measures {
			k := key{m.Name, m.Event, m.Unit}
			if values[k] == nil {
				order = append(order, k)
				values[k] = []Measure{}
			}
			if m.Status == phases.Measured && m.Value.Known() && m.Sigma > 0 {
				values[k] = append(values[k], m)
			}
		}
	}
	var out []LotMeasure
	for _, k := range order {
		if len(values[k]) > 0 {
			out = append(out, newLotMeasure(k.name, k.event, k.unit, values[k]))
		}
	}
	return out
}

// newLotMeasure computes spread and uncertainty. What is seen between swings is
// the hitter's own spread plus noise; the noise of one camera is taken as common
// to all swings, so that it does not average out: that is the careful side.
func newLotMeasure(name, event, unit string, ms []Measure) LotMeasure {
	l := LotMeasure{Name: name, Event: event, Unit: unit, Values: ms, Own: math.NaN()}
	n := float64(len(ms))
	var v []float64
	sum, noise := 0.0, 0.0
	for _, m := range ms {
		v = append(v, float64(m.Value))
		sum += float64(m.Value)
		noise += float64(m.Sigma) * float64(m.Sigma)
	}
	slices.Sort(v)
	l.Low, l.High = v[0], v[len(v)-1]
	l.Median = (v[(len(v)-1)/2] + v[len(v)/2]) / 2
	l.NoiseSigma = math.Sqrt(noise / n)
	l.Sigma = l.NoiseSigma
	if len(ms) < minLot {
		return l
	}
	ss := 0.0
	for _, x := range v {
		ss += (x - sum/n) * (x - sum/n)
	}
	variance := ss / (n - 1)
	l.Own = math.Sqrt(max(0, variance-l.NoiseSigma*l.NoiseSigma))
	l.Varies = ss/(l.NoiseSigma*l.NoiseSigma) > distuv.ChiSquared{K: n - 1}.Quantile(0.95)
	// The median of n normal values has π/2 times the variance of their mean.
	l.Sigma = math.Sqrt(math.Pi/2*variance/n + l.NoiseSigma*l.NoiseSigma)
	return l
}

// typical is a swing that has the medians as its measures, for the rules to judge.
func (l *Lot) typical() *phases.Swing {
	sw := &phases.Swing{Number: 1, View: phases.View{Side: l.Side}, Bats: l.Hitter.Bats}
	for _, m := range l.Measures {
		if len(m.Values) < minLot {
			continue
		}
		sw.Measures = append(sw.Measures, phases.Measure{
			Name: m.Name, Event: m.Event, Unit: m.Unit, Value: m.Median, Sigma: m.Sigma, Status: phases.Measured, Basis: m.Values[0].Basis,
		})
	}
	// What could be told of fewer than minLot swings keeps the reason of the last one.
	last := l.Swings[len(l.Swings)-1].Swing
	for _, m := range last.Measures {
		if find(sw, m.Name, m.Event).Event == m.Event && find(sw, m.Name, m.Event).Status == phases.Measured {
			continue
		}
		st := m.Status
		if st == phases.Measured {
			st = phases.FailedCheck
		}
		sw.Measures = append(sw.Measures, phases.Measure{Name: m.Name, Event: m.Event, Unit: m.Unit, Status: st})
	}
	return sw
}

// measure finds a measure of the lot.
func (l *Lot) measure(name, event string) (LotMeasure, bool) {
	for _, m := range l.Measures {
		if m.Name == name && m.Event == event {
			return m, true
		}
	}
	return LotMeasure{}, false
}

// steadyMeasures are those that a coach would ask about from swing to swing.
var steadyMeasures = [][2]string{
	{"stance_width", "stance"},
	{"body_over_feet", "load"},
	{"stride_length", "foot_down"},
	{"hands_separation", "foot_down"},
	{"head_travel", "foot_down_to_contact"},
	{"lead_knee_flexion", "contact"},
	{"trunk_lean", "contact"},
	{"foot_down_to_contact", "foot_down_to_contact"},
	{"swing_time", "hands_start_to_contact"},
	{"bat_speed", "contact"},
}

// steadyRow is a measure from swing to swing, in words.
type steadyRow struct {
	Label, Words, Range string // Range: the middle and from where to where
	Varies              bool
	Dots                []steadyDot
}

type steadyDot struct {
	Percent float64
	Words   string
}

// spread says in words where n values lie, the unit once.
func spread(low, mid, high string, n int) string {
	switch {
	case low == high:
		return high + " every time"
	case n == 2:
		return unitOnce(low, high) + " and " + high
	}
	return mid + " in the middle, " + unitOnce(low, high) + " to " + high
}

// unitOnce takes the unit off low where high has the same.
func unitOnce(low, high string) string {
	num, unit, ok := strings.Cut(low, " ")
	if _, same, _ := strings.Cut(high, " "); ok && unit == same {
		return num
	}
	return low
}

// steady says what is the same from swing to swing and what changes. Those that change most come first.
func (l *Lot) steady() (out []steadyRow) {
	type ranked struct {
		steadyRow
		z float64
	}
	var rows []ranked
	for _, k := range steadyMeasures {
		m, ok := l.measure(k[0], k[1])
		if !ok || len(m.Values) < 2 {
			continue
		}
		r := steadyRow{
			Label: MeasureWords(m.Name), Varies: m.Varies,
			Range: spread(PlainValue(m.Low, m.Unit, l.Hitter), PlainValue(m.Median, m.Unit, l.Hitter), PlainValue(m.High, m.Unit, l.Hitter), len(m.Values)),
		}
		if w := when(m.Event); w != "" {
			r.Label += " " + w
		}
		switch {
		case len(m.Values) < minLot:
			r.Words = "" // the page says why once
		case m.Varies:
			r.Words = fmt.Sprintf("Changes from swing to swing, by about %s either way.", PlainValue(m.Own, m.Unit, l.Hitter))
		default:
			r.Words = fmt.Sprintf("The same every time, as far as this video can tell (it can see differences of about %s).", PlainValue(2*m.NoiseSigma, m.Unit, l.Hitter))
		}
		pad := max(0.15*(m.High-m.Low), 2*m.NoiseSigma)
		lo, hi := m.Low-pad, m.High+pad
		for i, v := range m.Values {
			r.Dots = append(r.Dots, steadyDot{100 * (float64(v.Value) - lo) / (hi - lo), fmt.Sprintf("%d: %s", i+1, PlainPM(v.Value, v.Sigma, v.Unit, l.Hitter))})
		}
		z := 0.0
		if m.Varies {
			z = m.Own / m.NoiseSigma
		}
		rows = append(rows, ranked{r, z})
	}
	slices.SortStableFunc(rows, func(a, b ranked) int { return cmp.Compare(b.z, a.z) })
	for _, r := range rows {
		out = append(out, r.steadyRow)
	}
	return out
}

// when names the moment of a measure where its name does not tell it.
func when(event string) string {
	if strings.Contains(event, "_to_") {
		return ""
	}
	return "at " + strings.ToLower(EventWords(event))
}

// lotView is what a page shows of a lot.
type lotView struct {
	Lot
	Head    string
	Few     string // why no pattern is claimed; empty where one is
	Keep    []Finding
	More    []string // titles of the others to keep
	Work    []Finding
	Steady  []steadyRow
	Side    string
	Others  int // swings from other sides, left out
	Changes int // how many of the steady rows vary
}

func (l Lot) view(all int) *lotView {
	if len(l.Swings) < 2 {
		return nil
	}
	v := &lotView{Lot: l, Head: fmt.Sprintf("%d swings together", len(l.Swings)), Side: ViewWords(l.Side), Others: all - len(l.Swings), Steady: l.steady()}
	if !l.Pattern() {
		v.Few = fmt.Sprintf("%d swings are not a pattern yet. Film five or more of the same kind, then this page says what you do every time and what changes.", len(l.Swings))
	}
	for _, f := range l.Findings {
		switch f.Verdict {
		case Keep:
			if len(v.Keep) < indexKeep {
				v.Keep = append(v.Keep, f)
			} else {
				v.More = append(v.More, f.Title)
			}
		case WorkOn:
			v.Work = append(v.Work, f)
		}
	}
	for _, s := range v.Steady {
		if s.Varies {
			v.Changes++
		}
	}
	return v
}

// Consistency is the finding about how alike the swings are, in words.
func (v *lotView) Consistency() string {
	switch n := len(v.Steady); {
	case v.Few != "" || n == 0:
		return ""
	case v.Changes == 0:
		return "You swing the same way every time, as far as this video can tell. That is worth keeping."
	case v.Changes*2 <= n:
		return fmt.Sprintf("Most of it is the same every time. %s changes most.", v.Steady[0].Label)
	default:
		return fmt.Sprintf("Much changes from swing to swing, %s most of all. The same start each time is a good first step.", strings.ToLower(v.Steady[0].Label[:1])+v.Steady[0].Label[1:])
	}
}
