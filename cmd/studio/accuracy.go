package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sort"
	"strings"

	"github.com/spf13/cobra"

	"cagebook/phases"
	"cagebook/pipeline/studio"
	"cagebook/pose"
	"cagebook/pose/smooth"
	"cagebook/report"
	"cagebook/report/trackfile"
)

// accuracyCmd measures everything after the pose model on keypoints whose
// truth is known: finding swings, side and view, instants, measures.
func accuracyCmd() *cobra.Command {
	var swings, others int
	var noise float64
	var only13, list, again bool
	var seed uint64
	var out, reports, truth, set, dir, tool string
	c := &cobra.Command{
		Use:   "accuracy",
		Short: "hold instants and measures against keypoints with known truth",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			b := newBench()
			if set != "" {
				n, ok := benchSets[set]
				if !ok {
					return fmt.Errorf("no set %q; there are quick, middle and standard", set)
				}
				if err := renderAndRun(cmd.Context(), n, dir, tool); err != nil {
					return err
				}
				reports, truth = filepath.Join(dir, set, "out"), filepath.Join(dir, set, "clips-truth")
			}
			if reports != "" {
				if err := b.reports(reports, truth, again, list); err != nil {
					return err
				}
				swings, others = 0, 0
			}
			for i := range swings {
				if err := b.scene(studio.RandomScene(seed+uint64(i), studio.Variety{}), noise, only13, list); err != nil {
					return err
				}
			}
			for i := range others {
				v := studio.Variety{Acts: []string{"take", "check", "bunt", "practice", "waggle"}}
				if err := b.scene(studio.RandomScene(seed+5000+uint64(i), v), noise, only13, list); err != nil {
					return err
				}
			}
			b.print(cmd.OutOrStdout())
			if out != "" {
				data, err := json.MarshalIndent(b.table(), "", " ")
				if err != nil {
					return err
				}
				return writeFile(out, append(data, '\n'))
			}
			return nil
		},
	}
	f := c.Flags()
	f.IntVar(&swings, "swings", 60, "scenes with a swing")
	f.IntVar(&others, "others", 20, "scenes without one")
	f.Float64Var(&noise, "noise", 0.012, "keypoint noise, standard deviation a coordinate, body heights")
	f.BoolVar(&only13, "only13", false, "13 joints, as marked by people")
	f.BoolVar(&list, "list", false, "print each swing")
	f.Uint64Var(&seed, "seed", 1000, "first seed")
	f.StringVar(&set, "set", "", "render a set of clips (quick, middle, standard), run cagebook on it and hold its reports against the truth")
	f.StringVar(&dir, "dir", "build/accuracy", "where rendered sets are kept")
	f.StringVar(&tool, "cagebook", "bin/cagebook", "the program that is tried")
	f.StringVar(&reports, "reports", "", "hold the reports of this output folder of cagebook run against --truth, instead of tracks")
	f.BoolVar(&again, "again", false, "with --reports: start anew from the raw keypoints of each report's track file")
	f.StringVar(&truth, "truth", "", "folder with the truth of the clips, as written beside them")
	f.StringVar(&out, "json", "", "write the table to this file, too")
	return c
}

// sample is one value held against its truth.
type sample struct{ err, sigma float64 }

// bench gathers results by name.
type bench struct {
	expected, found, missed, invented int
	side, view                        int
	azimuth                           []sample
	events                            map[string][]sample // name, and name@fps
	lost                              map[string]int      // event not reported though the truth has it
	measures                          map[string][]sample
	status                            map[string]map[phases.Status]int
}

func newBench() *bench {
	return &bench{events: map[string][]sample{}, lost: map[string]int{}, measures: map[string][]sample{}, status: map[string]map[phases.Status]int{}}
}

func (b *bench) scene(s *studio.Scene, noise float64, only13, list bool) error {
	tr, err := s.Truth()
	if err != nil {
		return err
	}
	t := trackOf(s.Track(tr, noise, only13))
	t.Width, t.Height = tr.Width, tr.Height
	if err := smooth.Track(t, smooth.Options{}); err != nil {
		return fmt.Errorf("scene %d: %w", s.Seed, err)
	}
	res, err := measure(t, tr)
	if err != nil {
		return fmt.Errorf("scene %d: %w", s.Seed, err)
	}
	label := fmt.Sprintf("scene %d %3.0f fps %s az %4.0f %s", s.Seed, s.FPS, tr.Bats, tr.View.AzimuthDeg, s.Hitter.Style.Stride)
	b.compare(label, tr, res, list)
	return nil
}

// benchSet is how many clips a set has.
type benchSet struct {
	name          string
	swings, other int
}

var benchSets = map[string]benchSet{
	"quick":    {"quick", 8, 4},
	"middle":   {"middle", 40, 16},
	"standard": {"standard", 200, 60},
}

// renderAndRun renders what is missing of a set and runs the program on it; both go on where they stopped.
func renderAndRun(ctx context.Context, n benchSet, dir, tool string) error {
	var scenes []*studio.Scene
	for i := range n.swings {
		scenes = append(scenes, studio.BenchScene(uint64(i), false))
	}
	for i := range n.other {
		scenes = append(scenes, studio.BenchScene(uint64(i), true))
	}
	clips := filepath.Join(dir, n.name, "clips")
	if err := renderAll(ctx, scenes, clips, ""); err != nil {
		return err
	}
	run := exec.CommandContext(ctx, tool, "run", clips, "-o", filepath.Join(dir, n.name, "out"))
	run.Stdout, run.Stderr = os.Stdout, os.Stderr
	var exit *exec.ExitError
	if err := run.Run(); err != nil && !(errors.As(err, &exit) && exit.ExitCode() == 3) { // 3: some clips failed, which the table shows
		return fmt.Errorf("%s run: %w", tool, err)
	}
	return nil
}

// measure finds and measures the swings of a smoothed track.
func measure(t *pose.Track, tr *studio.Truth) (phases.Result, error) {
	res, err := phases.Detect(t, phases.Given{})
	if err != nil && !errors.Is(err, phases.ErrNoTrack) {
		return res, err
	}
	given := phases.Given{HeightM: tr.HeightM, BatLengthM: tr.BatLengthM}
	for i := range res.Swings {
		sw := &res.Swings[i]
		sw.Scale = phases.EstimateScale(t, sw.From, sw.To, given)
		sw.Measures = phases.MeasureAll(t, sw, given, 1)
	}
	return res, nil
}

// fromTracks starts from the raw keypoints of a report's track file, if there is one.
func fromTracks(name string, tr *studio.Truth) (phases.Result, error) {
	var all phases.Result
	f, err := os.Open(name)
	if errors.Is(err, fs.ErrNotExist) {
		return all, nil
	} else if err != nil {
		return all, err
	}
	defer f.Close()
	tracks, err := trackfile.Read(f, name, trackfile.Options{})
	if err != nil {
		return all, err
	}
	for _, t := range tracks {
		t.Smooth = nil
		if err := smooth.Track(t, smooth.Options{}); err != nil {
			return all, fmt.Errorf("%s: %w", name, err)
		}
		res, err := measure(t, tr)
		if err != nil {
			return all, fmt.Errorf("%s: %w", name, err)
		}
		all.Swings, all.Rejected = append(all.Swings, res.Swings...), append(all.Rejected, res.Rejected...)
	}
	return all, nil
}

// reports holds what cagebook run wrote against the truth of the same clips.
func (b *bench) reports(outDir, truthDir string, again, list bool) error {
	return filepath.WalkDir(truthDir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ".json" {
			return err
		}
		rel, err := filepath.Rel(truthDir, path)
		if err != nil {
			return err
		}
		var tr studio.Truth
		data, err := os.ReadFile(path)
		if err == nil {
			err = json.Unmarshal(data, &tr)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		name := filepath.Join(outDir, "clips", strings.TrimSuffix(rel, ".json"), "report.json")
		data, err = os.ReadFile(name)
		if err != nil {
			return err
		}
		rep, err := report.Parse(name, data)
		if err != nil {
			return err
		}
		res := resultOf(rep)
		if again {
			if res, err = fromTracks(filepath.Join(filepath.Dir(name), "track.json.gz"), &tr); err != nil {
				return err
			}
		}
		b.compare(fmt.Sprintf("%s %3.0f fps %s az %4.0f", rel, tr.FPS, tr.Bats, tr.View.AzimuthDeg), &tr, res, list)
		return nil
	})
}

// resultOf is what a report says, in the form of phases.
func resultOf(r *report.Report) phases.Result {
	var res phases.Result
	for _, s := range r.Swings {
		sw := phases.Swing{Number: s.Number, Bats: s.Bats, View: phases.View{Side: s.View.Side, AzimuthDeg: float64(s.View.AzimuthDeg), SigmaDeg: float64(s.View.SigmaDeg)}, Score: float64(s.Score)}
		for _, e := range s.Events {
			sw.Events = append(sw.Events, phases.Event{Name: e.Name, TimeS: float64(e.TimeS), SigmaS: float64(e.SigmaS), Frame: e.Frame, From: e.From})
		}
		for _, m := range s.Measures {
			sw.Measures = append(sw.Measures, phases.Measure{Name: m.Name, Event: m.Event, Value: float64(m.Value), Sigma: float64(m.Sigma), Unit: m.Unit, Status: m.Status})
		}
		res.Swings = append(res.Swings, sw)
	}
	for _, j := range r.Rejected {
		res.Rejected = append(res.Rejected, phases.Rejected{TimeS: float64(j.TimeS), Reason: j.Reason})
	}
	return res
}

// compare pairs found with true swings by contact.
func (b *bench) compare(label string, tr *studio.Truth, res phases.Result, list bool) {
	used := map[int]bool{}
	for _, want := range tr.Swings {
		b.expected++
		truth := map[string]float64{}
		for _, e := range want.Events {
			truth[e.Name] = e.TimeS
		}
		var got *phases.Swing
		for i := range res.Swings {
			c, _ := res.Swings[i].Event(phases.Contact)
			if !used[i] && math.Abs(c.TimeS-truth["contact"]) < 0.3 {
				got = &res.Swings[i]
				used[i] = true
				break
			}
		}
		if got == nil {
			b.missed++
			fmt.Printf("%s MISSED at %.2f: %v\n", label, truth["contact"], res.Rejected)
			continue
		}
		b.found++
		if string(got.Bats) == tr.Bats {
			b.side++
		} else {
			fmt.Printf("%s WRONG SIDE %s az %.0f±%.0f\n", label, got.Bats, got.View.AzimuthDeg, got.View.SigmaDeg)
		}
		if got.View.Side == want.View.Side {
			b.view++
		}
		b.azimuth = append(b.azimuth, sample{math.Remainder(got.View.AzimuthDeg-want.View.AzimuthDeg, 360), got.View.SigmaDeg})
		line := ""
		for _, e := range want.Events {
			g, ok := got.Event(phases.EventName(e.Name))
			if !ok {
				b.lost[e.Name]++
				continue
			}
			x := sample{1000 * (g.TimeS - e.TimeS), 1000 * g.SigmaS}
			b.events[e.Name] = append(b.events[e.Name], x)
			if e.Name == "contact" || e.Name == "foot_down" || e.Name == "hands_start" {
				at := fmt.Sprintf("%s at %.0f fps", e.Name, tr.FPS)
				b.events[at] = append(b.events[at], x)
			}
			line += fmt.Sprintf(" %s %+.0f±%.0f", e.Name, x.err, x.sigma)
		}
		if list {
			fmt.Printf("%s (%.0f)%s\n", label, got.View.AzimuthDeg, line)
		}
		for _, m := range want.Measures {
			key := m.Name + " @ " + m.Event
			for _, g := range got.Measures {
				if g.Name != m.Name || g.Event != m.Event {
					continue
				}
				if b.status[key] == nil {
					b.status[key] = map[phases.Status]int{}
				}
				b.status[key][g.Status]++
				if g.Status == phases.Measured {
					b.measures[key] = append(b.measures[key], sample{g.Value - m.Value, g.Sigma})
				}
			}
		}
	}
	for i := range res.Swings {
		if !used[i] {
			b.invented++
			c, _ := res.Swings[i].Event(phases.Contact)
			fmt.Printf("%s INVENTED at %.2f score %.2f others %v\n", label, c.TimeS, res.Swings[i].Score, tr.Others)
		}
	}
}

func trackOf(f *studio.TrackFile) *pose.Track {
	t := &pose.Track{}
	joints := make([]pose.Joint, len(f.Names))
	for k, n := range f.Names {
		joints[k], _ = pose.ParseJoint(n)
		t.Has[joints[k]] = true
	}
	for _, fr := range f.Frames {
		var p pose.Pose
		for k, j := range joints {
			p[j] = pose.Keypoint{X: fr.Raw[k][0], Y: fr.Raw[k][1], Score: fr.Raw[k][2]}
		}
		t.Frames, t.Times, t.Raw = append(t.Frames, fr.Frame), append(t.Times, fr.TimeS), append(t.Raw, p)
	}
	return t
}

// row is one line of the table.
type row struct {
	What      string         `json:"what"`
	N         int            `json:"n"`
	Bias      float64        `json:"bias"`
	Median    float64        `json:"median_error"`
	P95       float64        `json:"p95_error"`
	Coverage  float64        `json:"inside_95"`
	MeanSigma float64        `json:"median_sigma"`
	Status    map[string]int `json:"status,omitempty"`
}

func rowOf(what string, xs []sample) row {
	r := row{What: what, N: len(xs)}
	if len(xs) == 0 {
		return r
	}
	var errs, abs, sig []float64
	in := 0
	for _, x := range xs {
		errs, abs, sig = append(errs, x.err), append(abs, math.Abs(x.err)), append(sig, x.sigma)
		if math.Abs(x.err) <= 1.96*x.sigma {
			in++
		}
	}
	r.Bias, r.Median, r.P95, r.MeanSigma = pct(errs, 0.5), pct(abs, 0.5), pct(abs, 0.95), pct(sig, 0.5)
	r.Coverage = float64(in) / float64(len(xs))
	return r
}

func pct(x []float64, q float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	return s[int(math.Min(float64(len(s)-1), q*float64(len(s))))]
}

type table struct {
	Expected, Found, Missed, Invented, SideRight, ViewRight int
	Rows                                                    []row
}

func (b *bench) table() table {
	t := table{Expected: b.expected, Found: b.found, Missed: b.missed, Invented: b.invented, SideRight: b.side, ViewRight: b.view}
	t.Rows = append(t.Rows, rowOf("azimuth, deg", b.azimuth))
	for _, n := range []string{"stance", "lead_foot_off", "load", "foot_down", "heel_down", "hands_start", "contact", "extension", "finish"} {
		r := rowOf(n+", ms", b.events[n])
		r.Status = map[string]int{"not reported": b.lost[n]}
		t.Rows = append(t.Rows, r)
	}
	var byRate []string
	for n := range b.events {
		if strings.Contains(n, " at ") {
			byRate = append(byRate, n)
		}
	}
	sort.Strings(byRate)
	for _, n := range byRate {
		t.Rows = append(t.Rows, rowOf(n+", ms", b.events[n]))
	}
	var names []string
	for n := range b.status {
		names = append(names, n)
	}
	sort.Strings(names)
	for _, n := range names {
		r := rowOf(n, b.measures[n])
		r.Status = map[string]int{}
		for s, k := range b.status[n] {
			r.Status[string(s)] = k
		}
		t.Rows = append(t.Rows, r)
	}
	return t
}

func (b *bench) print(w io.Writer) {
	t := b.table()
	fmt.Fprintf(w, "swings: %d true, %d found, %d missed, %d invented; bats right in %d, view right in %d\n", t.Expected, t.Found, t.Missed, t.Invented, t.SideRight, t.ViewRight)
	fmt.Fprintf(w, "%-58s %5s %9s %9s %9s %9s %7s\n", "", "n", "bias", "median", "95th", "sigma", "inside")
	for _, r := range t.Rows {
		mark := ""
		if r.N >= 20 && (r.Coverage < 0.90) {
			mark = "  <- interval too narrow"
		} else if r.N >= 20 && r.Coverage > 0.99 {
			mark = "  <- interval wide"
		}
		fmt.Fprintf(w, "%-58s %5d %9.3f %9.3f %9.3f %9.3f %6.0f%%%s\n", r.What, r.N, r.Bias, r.Median, r.P95, r.MeanSigma, 100*r.Coverage, mark)
	}
}
