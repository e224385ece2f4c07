package pipeline

import (
	"context"
	"errors"
	"fmt"
	"image"
	"slices"
	"sort"
	"strings"
	"sync"

	"cagebook/configs"
	"cagebook/phases"
	"cagebook/pipeline/video"
	"cagebook/pose"
	"cagebook/pose/smooth"
	"cagebook/report"
)

// Analyzer looks at clips, one at a time.
type Analyzer struct {
	Open    video.OpenFunc
	Nets    Nets
	Load    func() (Nets, error) // loads Nets at the first clip that needs them; nil = they are there
	Rules   *configs.RuleSet
	TempDir string // for spooled pictures and repaired clips; "" = the system's own
}

// Analyze is a clip's whole way: open, coarse pass, dense pass, smoothing,
// swings, measures, report. It is an AnalyzeFunc. Where an earlier run kept what
// it had read from the pictures, and nothing that this hangs on has changed, the
// way begins at the swings.
func (a *Analyzer) Analyze(ctx context.Context, clip Clip, progress Progress) (Result, error) {
	given := GivenBy(clip.Sidecar)
	in := report.Input{Tool: clip.Tool, Path: clip.Rel, SHA256: clip.SHA256, HitterID: clip.Sidecar.Hitter, Given: given, Rules: a.Rules, Said: clip.Sidecar, InBatch: true}
	if k := readKept(&clip, given); k != nil {
		if res, ok, err := a.analyzeAgain(ctx, clip, k, in, progress); ok || err != nil {
			return res, err
		}
	}
	clip.probed = &video.Probed{}
	open := func() (video.Source, error) {
		return a.Open(ctx, clip.Path, video.Options{CapturedFPS: clip.Sidecar.CapturedFPS, TempDir: a.TempDir, Probed: clip.probed})
	}
	nets, err := a.nets()
	if err != nil {
		return Result{}, err
	}
	found, err := scout(ctx, seen(open, &in.Info), nets, ScoutOptions{HitterAt: clip.Sidecar.HitterAt, TempDir: a.TempDir}, part(progress, "looking for the hitter"))
	if err != nil {
		return Result{}, err
	}
	left, sure := screened{hitters: found.Hitters}, pose.Sure(found.Hitters)
	if clip.Sidecar.HitterAt == nil && len(given.Marks) == 0 { // what a person has pointed at is looked at closely
		if left, err = a.screen(ctx, open, nets, found.Hitters, given, part(progress, "looking for swings")); err != nil {
			return Result{}, err
		}
	} else if len(sure) > 0 {
		left.hitters = sure
	}
	if len(left.hitters) == 0 && len(sure) == 0 {
		in.Outcome = withLost(nobody(found), &in.Info)
		return finish(ctx, clip, in, nil, a.TempDir)
	}
	in.Rejected = left.rejected
	hitters, leftOut := pose.Choose(left.hitters, found.Hitters, found.Ready)
	in.Info.Warnings = slices.Concat(in.Info.Warnings, leftOutWords(leftOut)) // of the clip, and kept with it
	windows, err := lookClosely(ctx, open, nets.Landmarks, hitters, DenseOptions{TempDir: a.TempDir, Several: several(found.All)}, part(progress, "following the joints"))
	if err != nil {
		return Result{}, err
	}
	pics := &pictures{}
	if len(windows) > 0 {
		pics.spool = windows[0].Spool
		pics.spool.again = wholeAgain(ctx, open, jpegQuality)
		defer pics.spool.Close()
	}
	for i := range windows {
		defer windows[i].small.Close()
	}
	if clip.Sidecar.FacesHidden() {
		pics.hide = newHeads(found.All, windows)
	}
	pics.all = found.All
	report1(progress, "measuring")
	if err := readAll(ctx, clip, windows, given, &in); err != nil {
		return Result{}, err
	}
	report1(progress, "writing the report")
	res, err := finish(ctx, clip, in, pics, a.TempDir)
	if err != nil {
		return res, err
	}
	return res, keepClip(&clip, given, in.Info, left, windows, res.Report, pics)
}

// leftOutWords tells of swings of people who were taken for others than the clip's hitter.
func leftOutWords(n pose.LeftOut) (out []string) {
	if n.Farther > 0 {
		out = append(out, "Somebody swung farther from the camera while the hitter was in the picture, and was left out. To have that one instead, name the place with hitter_at.")
	}
	if n.Cut > 0 {
		out = append(out, "Somebody whom the picture's edge cuts swung while the hitter was in the picture, and was left out. To have that one instead, name the place with hitter_at.")
	}
	return out
}

// analyzeAgain is the way from kept tracks. ok is false where they do not suffice.
func (a *Analyzer) analyzeAgain(ctx context.Context, clip Clip, k *kept, in report.Input, progress Progress) (Result, bool, error) {
	report1(progress, "measuring again")
	in.Info, in.Rejected = k.Info, k.Rejected
	if err := readAll(ctx, clip, k.windows(), in.Given, &in); err != nil {
		return Result{}, false, err
	}
	return k.again(ctx, clip, in, a.TempDir)
}

// readAll finds and measures the swings of all windows.
func readAll(ctx context.Context, clip Clip, windows []DenseWindow, given phases.Given, in *report.Input) error {
	if len(windows) > 0 {
		heard, err := hear(ctx, clip.Path, clip.probed, &in.Info)
		if err != nil {
			return err
		}
		for i := range windows {
			windows[i].sound, windows[i].distanceM = heard, clip.Sidecar.CameraDistanceM
		}
	}
	parts, errs := make([]report.Input, len(windows)), make([]error, len(windows))
	var bats sync.Mutex
	spreadOver(len(windows), func(i int) {
		windows[i].bats = &bats
		errs[i] = read(&windows[i], given, &parts[i])
	})
	for i := range parts {
		if errs[i] != nil {
			return errs[i]
		}
		in.Swings, in.Rejected = append(in.Swings, parts[i].Swings...), append(in.Rejected, parts[i].Rejected...)
	}
	number(in)
	in.Outcome = withLost(outcome(*in), &in.Info)
	return nil
}

// nets are the networks, loaded when the first clip needs them.
func (a *Analyzer) nets() (Nets, error) {
	if a.Load == nil {
		return a.Nets, nil
	}
	nets, err := a.Load()
	if err == nil {
		a.Nets, a.Load = nets, nil
	}
	return nets, err
}

// AnalyzeTrack is the way of keypoints that were made elsewhere: everything after the pose model.
func AnalyzeTrack(clip Clip, tracks []*pose.Track, rules *configs.RuleSet) (Result, error) {
	in := report.Input{Tool: clip.Tool, Path: clip.Rel, SHA256: clip.SHA256, HitterID: clip.Sidecar.Hitter, Given: GivenBy(clip.Sidecar), Rules: rules, Said: clip.Sidecar}
	for _, t := range tracks {
		in.Info.Width, in.Info.Height = t.Width, t.Height
		in.Info.Frames += t.Len()
		if n := t.Len(); n > 1 {
			in.Info.DurationS = t.Times[n-1] - t.Times[0]
			in.Info.CapturedFPS = float64(n-1) / in.Info.DurationS
		}
		if err := read(&DenseWindow{Track: *t}, in.Given, &in); err != nil {
			return Result{}, err
		}
	}
	in.Info.FramesExpected, in.Info.CapturedFPSFrom = in.Info.Frames, "file"
	number(&in)
	in.Outcome = outcome(in)
	return finish(context.Background(), clip, in, nil, "")
}

// lookClosely reads the hitters' windows of a freshly opened clip by the given landmark networks.
func lookClosely(ctx context.Context, open OpenSource, landmarks []pose.Net, hitters []pose.Hitter, o DenseOptions, progress func(done, total int)) (_ []DenseWindow, err error) {
	if len(hitters) == 0 {
		return nil, nil
	}
	src, err := open()
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	return dense(ctx, src, hitters, Nets{Landmarks: landmarks}, o, progress)
}

// read smooths a window's track, finds its swings and measures them; swings and what was none go into in.
func read(w *DenseWindow, given phases.Given, in *report.Input) error {
	t := &w.Track
	if t.Smooth == nil {
		if err := smooth.Track(t, smooth.Options{}); errors.Is(err, smooth.ErrShort) {
			return nil // a window at the very end of a clip
		} else if err != nil {
			return fmt.Errorf("smoothing: %w", err)
		}
	}
	if len(given.Marks) > 0 && !w.followed {
		if err := w.followUnmarked(given); err != nil {
			return fmt.Errorf("following the bat: %w", err)
		}
	}
	res, err := phases.Detect(t, given)
	if errors.Is(err, phases.ErrNoTrack) {
		in.Rejected = append(in.Rejected, phases.Rejected{TimeS: t.Times[0], Reason: err.Error()})
		return nil
	} else if err != nil {
		return fmt.Errorf("finding the swing: %w", err)
	}
	in.Rejected = append(in.Rejected, res.Rejected...)
	for i := range res.Swings {
		sw := &res.Swings[i]
		sw.Scale = phases.EstimateScale(t, sw.From, sw.To, given)
		if err := witness(w, sw, given); err != nil {
			return err
		}
		sw.Measures = phases.MeasureAll(t, sw, given, 1)
		in.Swings = append(in.Swings, report.SwingInput{Swing: sw, Track: t, Hitter: w.Hitter})
	}
	return nil
}

// number puts the swings of all windows in the order of time, and says of each whether the first one's hitter takes it.
func number(in *report.Input) {
	start := func(s *phases.Swing) float64 { return s.Events[0].TimeS }
	sort.SliceStable(in.Swings, func(i, k int) bool { return start(in.Swings[i].Swing) < start(in.Swings[k].Swing) })
	for i := range in.Swings {
		sw := in.Swings[i].Swing
		sw.Number = i + 1
		if in.Swings[i].Hitter != in.Swings[0].Hitter {
			sw.Notes = append(sw.Notes, "This is not the hitter of the clip's first swing: two hitters take turns in it.")
		}
	}
	sort.SliceStable(in.Rejected, func(i, k int) bool { return in.Rejected[i].TimeS < in.Rejected[k].TimeS })
}

// outcome says how a clip ended that was looked at from end to end.
func outcome(in report.Input) Outcome {
	if len(in.Swings) > 0 {
		return Outcome{State: report.Done}
	}
	reason := "no full swing was seen"
	if what := quickMovements(in.Rejected); len(what) > 0 {
		reason += "; quick movement that is none: " + strings.Join(what[:min(len(what), 3)], ", ")
	}
	return Outcome{State: report.NoSwing, Reason: reason + "."}
}

// quickMovements says what was taken for no swing and why, each reason once with all its times.
func quickMovements(rejected []phases.Rejected) (what []string) {
	times := map[string][]string{}
	var reasons []string
	for _, r := range rejected {
		if times[r.Reason] == nil {
			reasons = append(reasons, r.Reason)
		}
		times[r.Reason] = append(times[r.Reason], fmt.Sprintf("%.1f", r.TimeS))
	}
	for _, why := range reasons {
		s := fmt.Sprintf("at %s s %s", and(slices.Compact(times[why])), why)
		if strings.Contains(why, phases.SettingsSay) { // the first thing to know
			what = append([]string{s}, what...)
		} else {
			what = append(what, s)
		}
	}
	return what
}

// and lists words: a, b and c.
func and(words []string) string {
	last := len(words) - 1
	if last < 1 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:last], ", ") + " and " + words[last]
}

// withLost says of a clip without a swing that some of it could not be read.
func withLost(o Outcome, info *video.Info) Outcome {
	if lost := info.FramesExpected - info.Frames; lost > 0 && (o.State == report.NoSwing || o.State == report.NoHitter) {
		o.Reason += fmt.Sprintf(" But %d of its %d frames could not be read: what they show is not known. Copy the clip from the phone again.", lost, info.FramesExpected)
	}
	return o
}

func nobody(found Scouted) Outcome {
	if found.People == 0 {
		return Outcome{State: report.NoHitter, Reason: sentence(found.Seen) + " Film the whole body, head to feet, and nearer."}
	}
	return Outcome{State: report.NoSwing, Reason: sentence(found.Seen)}
}

// finish builds the report and writes the clip's files, all but report.json.
func finish(ctx context.Context, clip Clip, in report.Input, pics *pictures, tempDir string) (Result, error) {
	r := report.Build(in)
	if err := films(ctx, clip, r, pics, tempDir); err != nil {
		return Result{}, err
	}
	if pics == nil {
		return Result{Report: r}, report.WriteClip(allButReport(clip.Put), r, nil)
	}
	if err := notePeople(&clip, r, pics); err != nil {
		return Result{}, err
	}
	at := func(number, frame int) (image.Image, error) {
		for i := range r.Swings {
			if sw := &r.Swings[i]; sw.Number == number && sw.Film != nil {
				return pics.part(sw.Film, frame)
			}
		}
		return pics.image(frame, image.Rectangle{})
	}
	return Result{Report: r}, report.WriteClipBy(spreadOver, allButReport(clip.Put), r, at)
}

// GivenBy is what a sidecar states, in the words of phases.
func GivenBy(s configs.Sidecar) phases.Given {
	g := phases.Given{
		Bats: phases.Bats(s.Bats), HeightM: s.HeightM, BatLengthM: s.BatLengthM,
		Level: s.Level, Sport: s.Sport, Task: s.Task,
	}
	if len(s.Marks) > 0 {
		g.Marks = map[phases.EventName][]float64{}
		for n, ts := range s.Marks {
			g.Marks[phases.EventName(n)] = ts
		}
	}
	return g
}

// pictures are those of a clip that was just looked at.
type pictures struct {
	spool   *Spool
	partsMu sync.Mutex
	parts   map[int][]byte // of key frames, as they are kept
	films   map[int][]byte // plain films by number of the swing
	hide    *heads         // to be covered in every picture; nil = none
	all     []pose.Sample  // everybody who was seen

	people map[int][]byte // who was in view, by number of the swing
}

func (p *pictures) keepFilm(number int, data []byte) {
	if p.films == nil {
		p.films = map[int][]byte{}
	}
	p.films[number] = data
}

// seen notes what the opened clip says of itself.
func seen(open OpenSource, info *video.Info) OpenSource {
	return func() (video.Source, error) {
		src, err := open()
		if err == nil {
			*info = src.Info()
		}
		return src, err
	}
}

func part(p Progress, stage string) func(done, total int) {
	return func(done, total int) {
		if p != nil {
			p(stage, done, total)
		}
	}
}

func report1(p Progress, stage string) {
	if p != nil {
		p(stage, 0, 0)
	}
}
