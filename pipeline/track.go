package pipeline

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"time"

	"cagebook/configs"
	"cagebook/report"
	"cagebook/report/trackfile"
)

// Tracks turns files of keypoints that were made elsewhere into reports, one
// folder a file.
type Tracks struct {
	Files   []string
	Out     string
	FPS     float64 // frames a second of real motion, for COCO files; 0 = not stated
	Tool    Tool
	Rules   *configs.RuleSet
	OnEvent func(Event) // may be nil
}

// ErrSameName says that two files would have the same folder of results.
var ErrSameName = errors.New("have the same name")

// Run reads every file. The error is what stopped it; what single files ran
// into is in their reports and in the summary.
func (t *Tracks) Run(ctx context.Context) (Summary, error) {
	first := map[string]string{}
	for _, f := range t.Files {
		name := trackName(f)
		if other, twice := first[name]; twice {
			return Summary{}, fmt.Errorf("%s and %s %w", other, f, ErrSameName)
		}
		first[name] = f
	}
	lock, err := lockOutput(t.Out)
	if err != nil {
		return Summary{}, err
	}
	defer func() { _ = lock.unlock() }() // the end of the process unlocks as well
	store := NewStore(t.Out)
	if err := store.RemoveTemps(); err != nil {
		return Summary{}, err
	}
	s := Summary{Clips: len(t.Files), Counts: map[string]int{}}
	t.emit(Event{Kind: EventFound, Clips: len(t.Files)})
	for i, f := range t.Files {
		if err := ctx.Err(); err != nil {
			return s, err
		}
		began := time.Now()
		rep, err := t.one(store, f)
		if err != nil {
			return s, err
		}
		s.Counts[rep.Outcome.State]++
		if !rep.Outcome.Processed() {
			s.Lost++
		}
		t.emit(Event{
			Kind: EventClip, Clip: f, State: rep.Outcome.State, Reason: rep.Outcome.Reason, Swings: len(rep.Swings),
			Seconds: time.Since(began).Seconds(), Ended: i + 1, Clips: len(t.Files),
		})
	}
	t.emit(Event{Kind: EventFinished, Clips: s.Clips, Ended: s.Clips, Counts: s.Counts})
	return s, nil
}

// trackName is the folder of a file's results: its name without .json or .json.gz.
func trackName(file string) string {
	return strings.TrimSuffix(strings.TrimSuffix(filepath.Base(file), ".gz"), ".json")
}

// one brings one file to its end; an error is one that stops the run.
func (t *Tracks) one(store *Store, file string) (*report.Report, error) {
	name := trackName(file)
	c := Clip{Path: file, Rel: name, Tool: t.Tool}
	c.Put = func(n string, data []byte) error { return store.Put(name+"/"+n, data) }
	rep, err := t.analyze(&c)
	if err != nil {
		if classify(err) == classFatal {
			return nil, err
		}
		rep = report.Build(report.Input{Tool: c.Tool, Path: name, SHA256: c.SHA256, Outcome: trackOutcome(err)})
	}
	data, err := rep.Marshal()
	if err != nil {
		return nil, err
	}
	return rep, c.Put(ReportFile, data)
}

func (t *Tracks) analyze(c *Clip) (rep *report.Report, err error) {
	defer func() {
		if v := recover(); v != nil {
			err = &panicError{v, string(debug.Stack())}
		}
	}()
	if c.SHA256, err = hashFile(context.Background(), c.Path, nil); err != nil {
		return nil, err
	}
	if c.Sidecar, err = configs.ForClip(filepath.Dir(c.Path), c.Path); err != nil {
		return nil, err
	}
	if c.Tool.Key, err = keyOf(c.SHA256, c.Sidecar, t.Tool); err != nil {
		return nil, err
	}
	f, err := os.Open(c.Path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	tracks, err := trackfile.Read(f, c.Path, trackfile.Options{FPS: t.FPS})
	if err != nil {
		return nil, err
	}
	res, err := AnalyzeTrack(*c, tracks, t.Rules)
	return res.Report, err
}

// trackOutcome says in words why a file of keypoints gave no report.
func trackOutcome(err error) Outcome {
	var te *trackfile.Error
	var ps configs.Problems
	switch {
	case errors.As(err, &ps):
		return Outcome{State: report.BadSettings, Reason: "The settings beside this file are wrong. " + err.Error()}
	case errors.As(err, &te):
		return Outcome{State: report.Damaged, Reason: sentence("these keypoints cannot be read: " + err.Error())}
	}
	return outcomeOf(err)
}

func (t *Tracks) emit(e Event) {
	if t.OnEvent != nil {
		e.Time = time.Now()
		t.OnEvent(e)
	}
}
