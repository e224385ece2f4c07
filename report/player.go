package report

import (
	"encoding/json"
	"fmt"
	"html/template"
	"math"
	"strings"

	"cagebook/phases"
	"cagebook/pose"
	"cagebook/report/still"
)

// playerJoints are the points that the player draws.
var playerJoints = []pose.Joint{
	pose.LeftShoulder, pose.RightShoulder, pose.LeftElbow, pose.RightElbow, pose.LeftWrist, pose.RightWrist, pose.LeftHip, pose.RightHip,
	pose.LeftKnee, pose.RightKnee, pose.LeftAnkle, pose.RightAnkle, pose.LeftHeel, pose.RightHeel, pose.LeftFootIndex, pose.RightFootIndex,
}

// playerData is what the page's player needs of one swing. Points are px of the film; null = not known.
type playerData struct {
	Swing  int           `json:"swing"`
	FPS    int           `json:"fps"`
	Width  int           `json:"width"`
	Height int           `json:"height"`
	Frames []int         `json:"frames"` // of the clip
	Times  []Num         `json:"times"`  // s of real motion
	Lead   int           `json:"lead"`   // 0 = left is the lead side, 1 = right
	Points [][]int       `json:"points"` // x, y of each joint; -9999 = not known
	Bat    [][]int       `json:"bat"`    // knob x, y, barrel x, y; empty = not known
	Marks  []playerMark  `json:"marks"`
	Curves []playerCurve `json:"curves"`
}

type playerMark struct {
	Name  phases.EventName `json:"name"`
	Words string           `json:"words"`
	Key   int              `json:"key"` // number of the key frame, 0 = none
	At    int              `json:"at"`  // position among the frames
	TimeS Num              `json:"time_s"`
	Given bool             `json:"given"` // a person set it
}

type playerCurve struct {
	Unit     string  `json:"unit"`
	Decimals int     `json:"decimals"`
	Y        [][]Num `json:"y"`
}

const unknownPx = -9999

// Player is all that the page shows of a swing in motion.
type Player struct {
	Number        int
	Film          string // link, or empty
	Replay        string
	Width, Height int
	Count         int // of frames
	Start         int // frame that is shown first: contact
	Marks         []playerMark
	HasBat        bool
	Bare          bool // lines are in the film; nothing to switch or to mark
	Curves        []curveView
	MarkFile      string // name of the settings file of the clip
	Data          template.JS
}

// curveView is a curve as it is drawn: a picture 1000 wide and 200 high.
type curveView struct {
	Title, Note, Unit string
	Lines             []curvePath
	Zero              float64 // height of the zero line; NaN = none
	HasZero           bool
	Low, High         string
	Ticks             []curveTick
	Alt               string
}

type curvePath struct {
	Name   string
	Dashed bool
	D      string // path of the line
	Shade  string // path of its uncertainty, or empty
}

type curveTick struct {
	Number  int
	Percent float64
	Words   string
}

// player makes the player of a swing; nil where there is no track.
func (s *Swing) player(r *Report) (*Player, error) {
	h := r.Hitter
	at := s.FilmSamples()
	if len(at) < 2 {
		return nil, nil
	}
	t, f := s.Track, s.Film
	d := playerData{Swing: s.Number, FPS: f.FPS, Width: f.Width, Height: f.Height, Points: [][]int{}, Bat: [][]int{}, Curves: []playerCurve{}}
	if s.Bats == phases.Left {
		d.Lead = 1
	}
	kx, ky := float64(f.Width)/float64(f.W), float64(f.Height)/float64(f.H)
	px := func(e pose.Estimate) (int, int) {
		return int(math.Round((e.X - float64(f.X)) * kx)), int(math.Round((e.Y - float64(f.Y)) * ky))
	}
	p := &Player{Number: s.Number, Width: f.Width, Height: f.Height, Count: len(at), MarkFile: markFile(r.Clip.Path)}
	for _, k := range at {
		d.Frames, d.Times = append(d.Frames, frameOf(t, k)), append(d.Times, Num(t.Times[k]))
		q := poseAt(t, k)
		row := make([]int, 0, 2*len(playerJoints))
		for _, j := range playerJoints {
			if x, y := px(q[j]); q[j].Known() && still.Sure(&q, j) {
				row = append(row, x, y)
			} else {
				row = append(row, unknownPx, unknownPx)
			}
		}
		d.Points = append(d.Points, row)
		bat := []int{}
		if k < len(t.Bat) && t.Bat[k].Status == string(phases.Measured) && t.Bat[k].Knob.Known() && t.Bat[k].Barrel.Known() {
			x0, y0 := px(t.Bat[k].Knob)
			x1, y1 := px(t.Bat[k].Barrel)
			bat, p.HasBat = []int{x0, y0, x1, y1}, true
		}
		d.Bat = append(d.Bat, bat)
	}
	d.Marks = s.playerMarks(at)
	for _, m := range d.Marks {
		if m.Name == phases.Contact {
			p.Start = m.At
		}
	}
	curves := s.curves(h, at)
	for _, c := range curves {
		pc := playerCurve{Unit: c.Unit, Decimals: c.Decimals}
		for _, l := range c.Lines {
			y := make([]Num, len(l.Y))
			for i, v := range l.Y {
				y[i] = Num(math.Round(v*100) / 100)
			}
			pc.Y = append(pc.Y, y)
		}
		d.Curves = append(d.Curves, pc)
		p.Curves = append(p.Curves, c.view(t, at, d.Marks))
	}
	p.Marks = d.Marks
	if f.Path != "" {
		p.Film = Link(f.Path)
	}
	if s.Replay != "" {
		p.Replay = Link(s.Replay)
	}
	b, err := json.Marshal(d) // < > & are escaped
	p.Data = template.JS(b)
	return p, err
}

// playerMarks are the instants that lie in the film, in the order of time.
func (s *Swing) playerMarks(at []int) []playerMark {
	out := []playerMark{}
	first, last := s.Track.Times[at[0]], s.Track.Times[at[len(at)-1]]
	for _, e := range s.Events {
		if float64(e.TimeS) < first || float64(e.TimeS) > last {
			continue
		}
		m := playerMark{Name: e.Name, Words: EventWords(string(e.Name)), At: nearestSample(s.Track, at, float64(e.TimeS)), TimeS: e.TimeS, Given: e.From == "mark"}
		for i, k := range phases.KeyFrames {
			if k == e.Name {
				m.Key = i + 1
			}
		}
		out = append(out, m)
	}
	return out
}

// view lays a curve out.
func (c curve) view(t *pose.Track, at []int, marks []playerMark) curveView {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, l := range c.Lines {
		for _, v := range l.Y {
			if finite(v) {
				lo, hi = min(lo, v-c.Sigma), max(hi, v+c.Sigma)
			}
		}
	}
	if c.ID == "speed" {
		lo = 0
	}
	least := map[string]float64{"cm": 20, "% of body height": 12, "°": 30}[c.Unit] // a steady head must look steady
	if hi-lo < least {
		mid := (hi + lo) / 2
		lo, hi = mid-least/2, mid+least/2
	}
	room := 0.06 * (hi - lo)
	if lo != 0 {
		lo -= room
	}
	hi += room
	first, last := t.Times[at[0]], t.Times[at[len(at)-1]]
	x := func(timeS float64) float64 { return 1000 * (timeS - first) / (last - first) }
	y := func(v float64) float64 { return 200 * (hi - v) / (hi - lo) }
	format := fmt.Sprintf("%%.%df", c.Decimals)
	out := curveView{
		Title: c.Title, Note: c.Note, Unit: c.Unit,
		Low: noMinusZero(format, lo, c.Decimals), High: noMinusZero(format, hi, c.Decimals),
		Zero: y(0), HasZero: lo < 0 && hi > 0,
	}
	for _, l := range c.Lines {
		p := curvePath{Name: l.Name, Dashed: l.Dashed}
		var line, upper, lower strings.Builder
		pen := "M"
		for i, k := range at {
			if !finite(l.Y[i]) {
				pen = "M"
				continue
			}
			fmt.Fprintf(&line, "%s%.1f %.1f", pen, x(t.Times[k]), y(l.Y[i]))
			pen = "L"
		}
		p.D = line.String()
		if c.Sigma > 0 {
			for i, k := range at {
				if finite(l.Y[i]) {
					fmt.Fprintf(&upper, "%.1f %.1f ", x(t.Times[k]), y(l.Y[i]+c.Sigma))
				}
			}
			for i := len(at) - 1; i >= 0; i-- {
				if finite(l.Y[i]) {
					fmt.Fprintf(&lower, "%.1f %.1f ", x(t.Times[at[i]]), y(l.Y[i]-c.Sigma))
				}
			}
			p.Shade = upper.String() + lower.String()
		}
		out.Lines = append(out.Lines, p)
	}
	var names []string
	for _, l := range c.Lines {
		names = append(names, l.Name)
	}
	out.Alt = fmt.Sprintf("%s over the time of the swing (%s), from %s to %s %s", c.Title, strings.Join(names, " and "), out.Low, out.High, c.Unit)
	for _, m := range marks {
		if m.Key > 0 {
			out.Ticks = append(out.Ticks, curveTick{m.Key, x(float64(m.TimeS)) / 10, m.Words})
		}
	}
	return out
}
