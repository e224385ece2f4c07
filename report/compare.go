package report

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"image"
	"math"
	"slices"
	"sort"

	"cagebook/phases"
	"cagebook/pose"
	"cagebook/report/still"
)

// Compared is one of the two swings of a comparison.
type Compared struct {
	Report *Report
	Swing  *Swing
	Given  phases.Given // height and the like, for the scale
}

// ErrNoSwing says that a result cannot be compared.
var ErrNoSwing = errors.New("no such swing")

// SwingOf picks a swing by its number; 0 takes the first.
func SwingOf(r *Report, number int) (Compared, error) {
	for i := range r.Swings {
		s := &r.Swings[i]
		if number != 0 && s.Number != number {
			continue
		}
		if s.Track == nil || s.Film == nil {
			return Compared{}, fmt.Errorf("%w: swing %d of %s has no film and keypoints; run the clip again", ErrNoSwing, s.Number, r.Clip.Path)
		}
		return Compared{r, s, phases.Given{Bats: s.Bats, HeightM: number0(r.Hitter.HeightM)}}, nil
	}
	if number == 0 {
		return Compared{}, fmt.Errorf("%w: %s holds none", ErrNoSwing, r.Clip.Path)
	}
	return Compared{}, fmt.Errorf("%w: %s holds %d, not number %d", ErrNoSwing, r.Clip.Path, len(r.Swings), number)
}

func number0(n Num) float64 {
	if !n.Known() {
		return 0
	}
	return float64(n)
}

// Comparison sets a swing beside another, aligned by their key frames.
type Comparison struct {
	A, B     Compared
	Mirror   bool   // B is shown mirrored, so that both face one way
	Back     string // page to which the comparison belongs; "" = none
	Moments  []int  // indices into phases.KeyFrames that both have
	Samples  []int  // of A's film, positions
	Partner  []int  // of B's film, the position that belongs to each
	Differ   []Difference
	Compared int // measures that both have
	Notes    []string

	anchors [2]point2
	heights [2]float64
}

type point2 struct{ X, Y float64 }

// Difference is a measure in which two swings differ for certain.
type Difference struct {
	Name  string `json:"name"`
	Event string `json:"event"`
	Unit  string `json:"unit"`
	A     Num    `json:"a"`
	SigmA Num    `json:"a_sigma"`
	B     Num    `json:"b"`
	SigmB Num    `json:"b_sigma"`
	Delta Num    `json:"difference"`
	Sigma Num    `json:"difference_sigma"`
	p     float64
}

// Compare aligns two swings and lists in what they differ.
func Compare(a, b Compared) (*Comparison, error) {
	c := &Comparison{A: a, B: b}
	for i, name := range phases.KeyFrames {
		_, okA := a.Swing.event(name)
		_, okB := b.Swing.event(name)
		if okA && okB {
			c.Moments = append(c.Moments, i)
		}
	}
	if len(c.Moments) < 2 {
		return nil, fmt.Errorf("%w: fewer than two key frames in common", ErrNoSwing)
	}
	for i, s := range []Compared{a, b} {
		if !c.measureBody(i, s) {
			return nil, fmt.Errorf("%w: the size of the hitter in %s is not known", ErrNoSwing, s.Report.Clip.Path)
		}
	}
	xa, okA := a.Swing.sideways()
	xb, okB := b.Swing.sideways()
	switch {
	case okA && okB:
		c.Mirror = xa*xb < 0
	default: // from the ends, a left-hander is the mirror image of a right-hander
		c.Mirror = a.Swing.Bats != b.Swing.Bats
	}
	if a.Swing.View.Side != b.Swing.View.Side {
		c.Notes = append(c.Notes, fmt.Sprintf("The cameras stand on different sides: the first %s, the second %s. Compare the pictures with care.", ViewWords(a.Swing.View.Side), ViewWords(b.Swing.View.Side)))
	}
	if c.Mirror {
		c.Notes = append(c.Notes, "The second swing is shown mirrored, so that both face one way.")
	}
	c.align()
	c.Differ, c.Compared = differences(a.Swing, b.Swing)
	return c, nil
}

// measureBody finds how tall the hitter stands in the film and the point between the feet at foot down, px of the film.
func (c *Comparison) measureBody(i int, s Compared) bool {
	t, f := s.Swing.Track, s.Swing.Film
	tall := phases.EstimateScale(t, 0, t.Len(), s.Given).HeightPx
	e, ok := s.Swing.event(phases.FootDown)
	if !ok {
		e, _ = s.Swing.event(phases.KeyFrames[c.Moments[0]])
	}
	k, found := indexOfFrame(t, e)
	if !found {
		at := s.Swing.FilmSamples()
		k = at[nearestSample(t, at, float64(e.TimeS))]
	}
	p := poseAt(t, k)
	l, r := p[pose.LeftAnkle], p[pose.RightAnkle]
	if !(tall > 0) || !l.Known() || !r.Known() {
		return false
	}
	zoom := float64(f.Height) / float64(f.H)
	c.heights[i] = tall * zoom
	c.anchors[i] = point2{((l.X+r.X)/2 - float64(f.X)) * float64(f.Width) / float64(f.W), ((l.Y+r.Y)/2 - float64(f.Y)) * zoom}
	return true
}

// align finds, for each picture of A's film, that of B's that is as far between
// the same two key frames. It never steps back.
func (c *Comparison) align() {
	var ta, tb []float64
	for _, i := range c.Moments {
		ea, _ := c.A.Swing.event(phases.KeyFrames[i])
		eb, _ := c.B.Swing.event(phases.KeyFrames[i])
		if n := len(ta); n > 0 && (float64(ea.TimeS) <= ta[n-1] || float64(eb.TimeS) <= tb[n-1]) {
			continue // two key frames at once, or out of order
		}
		ta, tb = append(ta, float64(ea.TimeS)), append(tb, float64(eb.TimeS))
	}
	warp := func(t float64) float64 {
		n := len(ta)
		switch i := sort.SearchFloat64s(ta, t); {
		case i == 0:
			return tb[0] + t - ta[0]
		case i == n:
			return tb[n-1] + t - ta[n-1]
		default:
			return tb[i-1] + (tb[i]-tb[i-1])*(t-ta[i-1])/(ta[i]-ta[i-1])
		}
	}
	atA, atB := c.A.Swing.FilmSamples(), c.B.Swing.FilmSamples()
	last := 0
	for i, k := range atA {
		last = max(last, nearestSample(c.B.Swing.Track, atB, warp(c.A.Swing.Track.Times[k])))
		c.Samples, c.Partner = append(c.Samples, i), append(c.Partner, last)
	}
}

// falseShare is the share of listed differences that may be chance.
const falseShare = 0.05

// differences lists what differs by more than its uncertainty. Because some
// fifty numbers are compared, the limit is drawn so that at most one in twenty of
// those listed is chance (Benjamini and Hochberg 1995, J R Stat Soc B 57:289–300),
// and never below 1.96 σ. Lengths in metres are left out: those in body heights stand for them.
func differences(a, b *Swing) (out []Difference, compared int) {
	var all []Difference
	for _, m := range a.Measures {
		if m.Status != phases.Measured || m.Unit == "m" {
			continue
		}
		for _, o := range b.Measures {
			if o.Name != m.Name || o.Event != m.Event || o.Unit != m.Unit || o.Status != phases.Measured {
				continue
			}
			d := Difference{Name: m.Name, Event: m.Event, Unit: m.Unit, A: m.Value, SigmA: m.Sigma, B: o.Value, SigmB: o.Sigma, Delta: m.Value - o.Value, Sigma: Num(math.Hypot(float64(m.Sigma), float64(o.Sigma)))}
			d.p = math.Erfc(math.Abs(float64(d.Delta)) / float64(d.Sigma) / math.Sqrt2)
			all = append(all, d)
		}
	}
	byChance := slices.Clone(all)
	slices.SortStableFunc(byChance, func(x, y Difference) int { return cmp.Compare(x.p, y.p) })
	limit := 0.0
	for i, d := range byChance {
		if d.p <= falseShare*float64(i+1)/float64(len(all)) {
			limit = d.p
		}
	}
	for _, d := range all {
		if d.p <= limit && math.Abs(float64(d.Delta)) > z95*float64(d.Sigma) {
			out = append(out, d)
		}
	}
	return out, len(all)
}

// Pair describes the picture at position i of A's film. The pictures are those of both films.
func (c *Comparison) Pair(i int, a, b image.Image) (left, right still.Side) {
	left, right = c.side(0, c.A, c.Samples[i], a), c.side(1, c.B, c.Partner[i], b)
	right.Mirror = c.Mirror
	return left, right
}

func (c *Comparison) side(n int, s Compared, pos int, pic image.Image) still.Side {
	t, f := s.Swing.Track, s.Swing.Film
	k := s.Swing.FilmSamples()[pos]
	kx, ky := float64(f.Width)/float64(f.W), float64(f.Height)/float64(f.H)
	film := func(e pose.Estimate) pose.Estimate {
		if !e.Known() {
			return pose.Estimate{}
		}
		return pose.Estimate{X: (e.X - float64(f.X)) * kx, Y: (e.Y - float64(f.Y)) * ky, Sigma: e.Sigma * ky}
	}
	out := still.Side{
		Picture: pic, LeadIsLeft: s.Swing.Bats != phases.Left, AnchorX: c.anchors[n].X, AnchorY: c.anchors[n].Y, HeightPx: c.heights[n],
		Name: s.name(),
	}
	for j, e := range poseAt(t, k) {
		out.Pose[j] = film(e)
	}
	if k < len(t.Bat) && t.Bat[k].Status == string(phases.Measured) {
		out.Knob, out.Barrel = film(t.Bat[k].Knob), film(t.Bat[k].Barrel)
	}
	return out
}

func (s Compared) name() string {
	n := orUnknown(s.Report.Hitter.ID)
	if s.Report.Clip.Date != "" {
		n += ", " + s.Report.Clip.Date
	}
	if len(s.Report.Swings) > 1 {
		n += fmt.Sprintf(", swing %d", s.Swing.Number)
	}
	return n
}

// KeyPositions are the positions in A's film of the key frames that both have.
func (c *Comparison) KeyPositions() (at []int) {
	for _, i := range c.Moments {
		e, _ := c.A.Swing.event(phases.KeyFrames[i])
		at = append(at, nearestSample(c.A.Swing.Track, c.A.Swing.FilmSamples(), float64(e.TimeS)))
	}
	return at
}

// PairName is the file of a pair of stills.
func PairName(moment int) string {
	return "pair-" + StillName(moment+1, phases.KeyFrames[moment])
}

type pairCard struct {
	Number            int
	Moment, File, Alt string
}

type differRow struct {
	Label, When, A, B, Words string
}

// HTML is compare.html; film is the file of the synchronised replay or empty, title what the second swing is called.
func (c *Comparison) HTML(film string) ([]byte, error) {
	data := struct {
		C       *Comparison
		A, B    string
		Pairs   []pairCard
		Rows    []differRow
		Player  *Player
		Caution []string
	}{C: c, A: c.A.name(), B: c.B.name(), Caution: Cautions}
	for _, i := range c.Moments {
		m := EventWords(string(phases.KeyFrames[i]))
		data.Pairs = append(data.Pairs, pairCard{i + 1, m, Link(PairName(i)), fmt.Sprintf("%s of %s, left, and of %s, right", m, data.A, data.B)})
	}
	h := Hitter{Units: c.A.Report.Hitter.Units}
	for _, d := range c.Differ {
		more := "more"
		if d.Delta < 0 {
			more = "less"
		}
		data.Rows = append(data.Rows, differRow{
			MeasureWords(d.Name), EventWords(d.Event), PlainPM(d.A, d.SigmA, d.Unit, h), PlainPM(d.B, d.SigmB, d.Unit, h),
			PlainPM(Num(math.Abs(float64(d.Delta))), d.Sigma, d.Unit, h) + " " + more,
		})
	}
	if film != "" {
		var err error
		if data.Player, err = c.player(film); err != nil {
			return nil, err
		}
	}
	var b bytes.Buffer
	if err := pages.ExecuteTemplate(&b, "compare.html", data); err != nil {
		return nil, fmt.Errorf("compare.html: %w", err)
	}
	return b.Bytes(), nil
}

// Box is the part of both pictures that is shown; a body height spans heightPx in it.
func (c *Comparison) Box(heightPx float64) still.PairBox {
	var sides [2]still.Side
	var sizes [2]image.Point
	for i, s := range []Compared{c.A, c.B} {
		sides[i] = still.Side{AnchorX: c.anchors[i].X, AnchorY: c.anchors[i].Y, HeightPx: c.heights[i], Mirror: i == 1 && c.Mirror}
		sizes[i] = image.Pt(s.Swing.Film.Width, s.Swing.Film.Height)
	}
	b := still.NewPairBox(sides, sizes)
	b.HeightPx = heightPx
	return b
}

// PairHeightPx is what a body height spans in the film of a pair.
const PairHeightPx = 300

// player of the synchronised replay: the lines are in its pictures.
func (c *Comparison) player(film string) (*Player, error) {
	s := c.A.Swing
	at := s.FilmSamples()
	w, h := c.Box(PairHeightPx).Size()
	d := playerData{Swing: s.Number, FPS: filmFPS, Width: w, Height: h, Marks: s.playerMarks(at), Curves: []playerCurve{}}
	for _, k := range at {
		d.Frames, d.Times = append(d.Frames, frameOf(s.Track, k)), append(d.Times, Num(s.Track.Times[k]))
		d.Points, d.Bat = append(d.Points, []int{}), append(d.Bat, []int{})
	}
	p := &Player{Number: s.Number, Film: Link(film), Width: w, Height: h, Count: len(at), Marks: d.Marks, Bare: true}
	for _, m := range d.Marks {
		if m.Name == phases.Contact {
			p.Start = m.At
		}
	}
	b, err := json.Marshal(d)
	p.Data = template.JS(b)
	return p, err
}

// JSON is compare.json; key tells whether both results are still those that were compared.
func (c *Comparison) JSON(key string) ([]byte, error) {
	type ref struct {
		Path   string `json:"path"`
		Hitter string `json:"hitter"`
		Swing  int    `json:"swing"`
	}
	of := func(s Compared) ref { return ref{s.Report.Clip.Path, s.Report.Hitter.ID, s.Swing.Number} }
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetIndent("", " ")
	enc.SetEscapeHTML(false)
	err := enc.Encode(struct {
		Schema   int          `json:"schema"`
		Key      string       `json:"key"`
		A        ref          `json:"a"`
		B        ref          `json:"b"`
		Mirrored bool         `json:"mirrored"`
		Compared int          `json:"compared"`
		Differ   []Difference `json:"differences"`
	}{SchemaVersion, key, of(c.A), of(c.B), c.Mirror, c.Compared, append([]Difference{}, c.Differ...)})
	return b.Bytes(), err
}

// NoComparison is compare.html where the reference could not be used.
func NoComparison(reason string) ([]byte, error) {
	var b bytes.Buffer
	err := pages.ExecuteTemplate(&b, "nocompare.html", struct{ Back, Reason string }{BesideBack, reason})
	return b.Bytes(), err
}
