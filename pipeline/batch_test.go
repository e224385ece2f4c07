package pipeline

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"cagebook/configs"
	"cagebook/pipeline/video"
	"cagebook/report"
)

// The test binary is its own worker: fakeAnalyze does what the clip's text says.
func TestMain(m *testing.M) {
	if os.Getenv("CAGEBOOK_TEST_WORKER") == "1" {
		armDisk("worker")
		err := ServeWorker(os.Stdin, os.Stdout, func() (AnalyzeFunc, error) {
			if os.Getenv("CAGEBOOK_TEST_NO_MODEL") == "1" {
				return nil, errors.New("model people is missing: run: cagebook models fetch")
			}
			return fakeAnalyze, nil
		}, func() { os.Exit(0) })
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	if root, out, ok := strings.Cut(os.Getenv(batchEnv), "\n"); ok {
		if err := os.Unsetenv(batchEnv); err != nil { // the workers are not to run batches
			panic(err)
		}
		armDisk("batch")
		b := withWorkers(newBatch(root, out))
		b.Settings.Stall, b.Settings.Deadline = time.Minute, 2*time.Minute // a busy machine is no hang
		if _, err := b.Run(context.Background()); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// fakeAnalyze stands in for the analysis. A clip's content is a word that says how it ends.
func fakeAnalyze(ctx context.Context, c Clip, progress Progress) (Result, error) {
	data, err := os.ReadFile(c.Path)
	if err != nil {
		return Result{}, err
	}
	o := Outcome{State: report.Done}
	progress("pose", 1, 2)
	switch word, _, _ := strings.Cut(string(data), " "); word {
	case "no_swing":
		o = Outcome{State: report.NoSwing, Reason: "Nobody swings."}
	case "text":
		return Result{}, &video.Error{Path: c.Path, Kind: video.ErrNotVideo, Msg: "it holds text", Hint: "copy the clip again"}
	case "damaged":
		return Result{}, &video.Error{Path: c.Path, Kind: video.ErrDamaged, Msg: "no picture could be read", Hint: "copy the clip again"}
	case "abort":
		fmt.Fprintln(os.Stderr, "terminate called after throwing an instance of 'cv::Exception'")
		_ = syscall.Kill(os.Getpid(), syscall.SIGABRT)
		select {}
	case "abort-once":
		if _, err := os.Stat(c.Path + ".tried"); err != nil {
			if err := os.WriteFile(c.Path+".tried", nil, 0o644); err != nil {
				return Result{}, err
			}
			_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
			select {}
		}
	case "panic":
		panic("a joint is missing")
	case "hang":
		select {}
	case "eat":
		var hold [][]byte
		for {
			b := make([]byte, 10<<20)
			for i := 0; i < len(b); i += 4096 { // a page each
				b[i] = 1
			}
			hold = append(hold, b)
			progress("pose", len(hold), 0) // a busy machine is no hang
		}
	case "half": // half of the pictures came, and the file is as it was
	case "half-other": // half of the pictures came of a file that reads otherwise by now, which its time does not tell
		info, err := os.Stat(c.Path)
		if err == nil {
			err = errors.Join(os.WriteFile(c.Path, []byte("half-OTHER"), 0o644), os.Chtimes(c.Path, info.ModTime(), info.ModTime()))
		}
		if err != nil {
			return Result{}, err
		}
	case "child-eats": // as an ffmpeg that encodes large pictures: the worker itself stays small
		cmd := exec.Command("sh", "-c", "exec tail /dev/zero") // keeps all as one line, which never ends
		if err := cmd.Start(); err != nil {
			return Result{}, err
		}
		ended := make(chan error, 1)
		go func() { ended <- cmd.Wait() }()
		for n := 1; ; n++ {
			select {
			case err := <-ended:
				return Result{}, fmt.Errorf("the child ended: %w", err)
			case <-time.After(20 * time.Millisecond):
				progress("film", n, 0)
			}
		}
	case "full":
		return Result{}, fmt.Errorf("write x: %w", syscall.ENOSPC)
	case "away":
		if _, err := os.Stat(c.Path + ".tried"); err != nil {
			if err := os.WriteFile(c.Path+".tried", nil, 0o644); err != nil {
				return Result{}, err
			}
			return Result{}, fmt.Errorf("read x: %w", syscall.ESTALE)
		}
	case "gone":
		return Result{}, fmt.Errorf("read x: %w", syscall.ESTALE)
	case "vanish": // once, as from a shared folder that comes and goes
		if _, err := os.Stat(c.Path + ".tried"); err != nil {
			if err := errors.Join(os.WriteFile(c.Path+".tried", nil, 0o644), os.Rename(c.Path, c.Path+".gone")); err != nil {
				return Result{}, err
			}
			return Result{}, &video.Error{Path: c.Path, Kind: video.ErrNotVideo, Msg: "the file cannot be read", Hint: "check that it exists"}
		}
	case "probe":
		if _, err := video.ReadProbe(ctx, c.Path); err != nil {
			return Result{}, err
		}
	case "lost": // a temporary file, not the clip
		return Result{}, fmt.Errorf("spool: %w", &fs.PathError{Op: "open", Path: "/tmp/x", Err: syscall.ENOENT})
	case "growing":
		if err := os.WriteFile(c.Path, append(data, '.'), 0o644); err != nil {
			return Result{}, err
		}
	case "slow":
		for i := range 20 {
			select {
			case <-time.After(5 * time.Millisecond):
				progress("pose", i, 20)
			case <-ctx.Done():
				return Result{}, ctx.Err()
			}
		}
	}
	if c.Keep != nil {
		if err := c.Keep(data); err != nil {
			return Result{}, err
		}
	}
	for _, name := range []string{"swing-1/proof.jpg", "swing-1/1-stance.jpg", "track.json.gz", "report.html"} {
		if err := c.Put(name, []byte(name+" of "+string(data))); err != nil {
			return Result{}, err
		}
	}
	in := report.Input{Tool: c.Tool, Path: c.Rel, SHA256: c.SHA256, HitterID: c.Sidecar.Hitter, Outcome: o}
	if strings.HasPrefix(string(data), "half") {
		in.Info.Frames, in.Info.FramesExpected = 5, 10
	}
	return Result{Report: report.Build(in)}, nil
}

func testSettings() configs.Settings {
	s := configs.Default()
	s.Jobs, s.Stall, s.Deadline, s.MemoryMB = 1, 2*time.Second, 20*time.Second, 400
	return s
}

func newBatch(root, out string) *Batch {
	return &Batch{
		Root: root, Out: out, Settings: testSettings(), Analyze: fakeAnalyze,
		Tool: Tool{Version: "test", Models: map[string]string{"people": "abc"}, Options: "def"},
	}
}

// withWorkers makes a batch run its clips in child processes.
func withWorkers(b *Batch, env ...string) *Batch {
	b.Worker = func(int) *exec.Cmd {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), append(env, "CAGEBOOK_TEST_WORKER=1")...)
		return cmd
	}
	return b
}

func put(t *testing.T, file, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

func outcomes(t *testing.T, out string) map[string]Outcome {
	t.Helper()
	got := map[string]Outcome{}
	clips := filepath.Join(out, ClipsDir)
	err := filepath.WalkDir(clips, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.Name() != ReportFile {
			return err
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		rep, err := report.Parse(path, data)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(clips, filepath.Dir(path))
		got[rel] = rep.Outcome
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// One bad clip costs one clip: every clip has its outcome, good ones theirs.
func TestBatchEveryClipHasAnOutcome(t *testing.T) {
	root, out := t.TempDir(), filepath.Join(t.TempDir(), "new", "out")
	want := map[string]string{}
	add := func(rel, text, state string) {
		put(t, filepath.Join(root, rel), text)
		want[rel] = state
	}
	add("a.mp4", "good 1", report.Done)
	add("A.MOV", "good 2", report.Done)
	add("deep/er/est/b.mkv", "good 3", report.Done)
	add("c.mp4", "no_swing", report.NoSwing)
	add("d.mp4", "text", report.NotVideo)
	add("e.mp4", "damaged", report.Damaged)
	add("f.mp4", "abort", report.Failed)
	add("g.mp4", "abort-once", report.Done)
	add("h.mp4", "panic", report.Failed)
	add("i.mp4", "hang", report.Failed)
	add("j.mp4", "eat", report.Failed)
	add("jj.mp4", "child-eats", report.Failed)
	add("jk.mp4", "half", report.Done)
	add("jl.mp4", "half-other", report.Failed)
	add("k.mp4", "growing", report.Failed)
	add("l.mp4", "", report.NotVideo)
	add("m.mp4", "good 4", report.BadSettings)
	add("odd \"name\"\n<b>é\xff.mp4", "good 5", report.Done)
	add("z.mp4", "good 6", report.Done)
	put(t, filepath.Join(root, "m.yaml"), "height_m: 17\nfoo: 1\n")
	put(t, filepath.Join(root, "notes.txt"), "not a clip")
	put(t, filepath.Join(root, ".hidden.mp4"), "good")

	var warnings, clips int
	b := withWorkers(newBatch(root, out))
	b.Settings.Jobs = 2
	b.OnEvent = func(e Event) {
		switch e.Kind {
		case EventWarning:
			warnings++
		case EventClip:
			clips++
		}
	}
	s, err := b.Run(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	got := outcomes(t, out)
	for rel, state := range want {
		if got[rel].State != state {
			t.Errorf("%q: %+v, want %s", rel, got[rel], state)
		}
		if state != report.Done && got[rel].Reason == "" {
			t.Errorf("%q: %s without a reason", rel, state)
		}
	}
	if len(got) != len(want) || s.Clips != len(want) || clips != len(want) || s.Lost != 11 || warnings != 0 {
		t.Errorf("%d outcomes, summary %+v, %d events, %d warnings; want %d clips, 11 lost", len(got), s, clips, warnings, len(want))
	}
	for rel, part := range map[string]string{
		"f.mp4": "broke off twice", "h.mp4": "went wrong twice", "i.mp4": "no progress for 2s", "j.mp4": "more than 400 MB", "jj.mp4": "more than 400 MB", "jl.mp4": "changed while it was read",
		"k.mp4": "changed while it was read", "l.mp4": "empty", "m.mp4": "m.yaml:1: height_m: 17; want metres from 0.8 to 2.3",
	} {
		if !strings.Contains(got[rel].Reason, part) {
			t.Errorf("%s: reason %q does not say %q", rel, got[rel].Reason, part)
		}
	}
	for rel, part := range map[string]string{"f.mp4": "cv::Exception", "h.mp4": "fakeAnalyze"} {
		log, err := os.ReadFile(filepath.Join(out, ClipsDir, rel, "failure.log"))
		if err != nil || !strings.Contains(string(log), part) {
			t.Errorf("%s: failure.log does not say %q: %v\n%s", rel, part, err, log)
		}
	}
	table, err := os.ReadFile(filepath.Join(out, "batch.csv"))
	if err != nil || strings.Count(string(table), "\n") < len(want) {
		t.Errorf("the morning table lacks rows: %v\n%s", err, table)
	}
}

// A second run looks at nothing that is settled, and at everything that changed.
func TestBatchResume(t *testing.T) {
	root, out := t.TempDir(), t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "good a")
	put(t, filepath.Join(root, "b.mp4"), "good b")
	put(t, filepath.Join(root, "c.mp4"), "no_swing")
	put(t, filepath.Join(root, "d.mp4"), "panic")
	run := func(change func(*Batch)) (looked []string) {
		b := newBatch(root, out)
		var mu sync.Mutex
		b.Analyze = func(ctx context.Context, c Clip, p Progress) (Result, error) {
			mu.Lock()
			looked = append(looked, c.Rel)
			mu.Unlock()
			return fakeAnalyze(ctx, c, p)
		}
		if change != nil {
			change(b)
		}
		if _, err := b.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		slices.Sort(looked)
		return slices.Compact(looked)
	}
	want := func(got []string, rels ...string) {
		t.Helper()
		if !slices.Equal(got, rels) {
			t.Errorf("looked at %q, want %q", got, rels)
		}
	}
	want(run(nil), "a.mp4", "b.mp4", "c.mp4", "d.mp4")
	want(run(nil), "d.mp4") // a failure of ours is tried again in the next night
	put(t, filepath.Join(out, ClipsDir, "a.mp4", "swing-2", "proof.jpg"), "stale")
	put(t, filepath.Join(out, ClipsDir, "a.mp4", "coach.txt"), "my notes")
	put(t, filepath.Join(root, "a.mp4"), "good a2")
	want(run(nil), "a.mp4", "d.mp4")
	if _, err := os.Stat(filepath.Join(out, ClipsDir, "a.mp4", "swing-2")); !errors.Is(err, fs.ErrNotExist) {
		t.Error("a swing of an earlier result stayed")
	}
	if _, err := os.Stat(filepath.Join(out, ClipsDir, "a.mp4", "coach.txt")); err != nil {
		t.Error("a file that is not ours was removed")
	}
	put(t, filepath.Join(root, "b.yaml"), "bats: L\n")
	want(run(nil), "b.mp4", "d.mp4")
	want(run(func(b *Batch) { b.Tool.Models = map[string]string{"people": "xyz"} }), "a.mp4", "b.mp4", "c.mp4", "d.mp4")
	put(t, filepath.Join(out, ClipsDir, "c.mp4", ReportFile), "{cut sho")
	want(run(func(b *Batch) { b.Tool.Models = map[string]string{"people": "xyz"} }), "c.mp4", "d.mp4")
	if err := os.Rename(filepath.Join(root, "c.mp4"), filepath.Join(root, "e.mp4")); err != nil {
		t.Fatal(err)
	}
	want(run(func(b *Batch) { b.Tool.Models = map[string]string{"people": "xyz"} }), "d.mp4", "e.mp4")
	table, err := os.ReadFile(filepath.Join(out, "batch.csv"))
	if err != nil || strings.Contains(string(table), "c.mp4") {
		t.Errorf("a clip that is gone is still on the page: %v\n%s", err, table)
	}
}

// What would strike every clip stops the batch, with the reason.
func TestBatchFatal(t *testing.T) {
	root := t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "good")
	put(t, filepath.Join(root, "b.mp4"), "full")
	put(t, filepath.Join(root, "c.mp4"), "good")
	out := t.TempDir()
	_, err := withWorkers(newBatch(root, out)).Run(t.Context())
	if err == nil || !strings.Contains(err.Error(), "no space left on device") {
		t.Errorf("disk full: %v", err)
	}
	if got := outcomes(t, out); len(got) != 1 || got["a.mp4"].State != report.Done {
		t.Errorf("disk full: outcomes %v, want that of a.mp4 alone", got)
	}
	_, err = withWorkers(newBatch(root, t.TempDir()), "CAGEBOOK_TEST_NO_MODEL=1").Run(t.Context())
	if !errors.Is(err, ErrFatal) || !strings.Contains(err.Error(), "cagebook models fetch") {
		t.Errorf("no model: %v", err)
	}
	b := newBatch(root, t.TempDir())
	b.Worker = func(int) *exec.Cmd { return exec.Command("/bin/sh", "-c", "echo no such library >&2; exit 3") }
	if _, err = b.Run(t.Context()); !errors.Is(err, ErrFatal) || !strings.Contains(err.Error(), "no such library") {
		t.Errorf("worker that cannot start: %v", err)
	}
}

// A worker that is killed while it starts, as by a system that is short of memory, is started once more; one that always is stops the batch.
func TestBatchWorkerKilledAtItsStart(t *testing.T) {
	old := transientPauses
	transientPauses = []time.Duration{time.Millisecond, time.Millisecond}
	defer func() { transientPauses = old }()
	root := t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "good")
	for _, kills := range []int{2, 3} {
		b := withWorkers(newBatch(root, t.TempDir()))
		worker, started := b.Worker, 0
		b.Worker = func(int) *exec.Cmd {
			if started++; started <= kills {
				return exec.Command("/bin/sh", "-c", "kill -KILL $$")
			}
			return worker(1)
		}
		s, err := b.Run(t.Context())
		if kills == 2 && (err != nil || s.Counts[report.Done] != 1) {
			t.Errorf("killed twice: %+v, %v", s, err)
		}
		if kills == 3 && (!errors.Is(err, ErrFatal) || !strings.Contains(err.Error(), "memory is short")) {
			t.Errorf("killed three times: %v", err)
		}
	}
}

// A model that is altered while the batch runs does nothing to workers that have
// it in memory; the next one refuses it, and the batch stops with the reason.
func TestBatchModelAlteredMidRun(t *testing.T) {
	root, out := t.TempDir(), t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "good")
	put(t, filepath.Join(root, "b.mp4"), "good")
	put(t, filepath.Join(root, "c.mp4"), "abort")
	put(t, filepath.Join(root, "d.mp4"), "good")
	b := withWorkers(newBatch(root, out))
	worker, started := b.Worker, 0
	b.Worker = func(int) *exec.Cmd {
		cmd := worker(1)
		if started++; started > 1 {
			cmd.Env = append(cmd.Env, "CAGEBOOK_TEST_NO_MODEL=1")
		}
		return cmd
	}
	_, err := b.Run(t.Context())
	if !errors.Is(err, ErrFatal) || !strings.Contains(err.Error(), "cagebook models fetch") {
		t.Errorf("error %v", err)
	}
	if got := outcomes(t, out); len(got) != 2 || got["a.mp4"].State != report.Done || got["b.mp4"].State != report.Done {
		t.Errorf("outcomes %v, want those of a.mp4 and b.mp4 alone", got)
	}
}

func TestBatchTransient(t *testing.T) {
	old := transientPauses
	transientPauses = []time.Duration{time.Millisecond, time.Millisecond}
	defer func() { transientPauses = old }()
	root, out := t.TempDir(), t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "away")
	put(t, filepath.Join(root, "b.mp4"), "gone")
	if _, err := newBatch(root, out).Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	got := outcomes(t, out)
	if got["a.mp4"].State != report.Done || got["b.mp4"].State != report.Failed || !strings.Contains(got["b.mp4"].Reason, "three tries") {
		t.Errorf("outcomes %v", got)
	}
}

// Ctrl-C: nothing is recorded of the clip in work, the next run goes on.
func TestBatchInterrupted(t *testing.T) {
	root, out := t.TempDir(), t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "good")
	put(t, filepath.Join(root, "b.mp4"), "slow")
	put(t, filepath.Join(root, "c.mp4"), "good")
	ctx, cancel := context.WithCancel(t.Context())
	b := withWorkers(newBatch(root, out))
	b.OnEvent = func(e Event) {
		if e.Kind == EventProgress && e.Clip == "b.mp4" && e.Done > 3 {
			cancel()
		}
	}
	if _, err := b.Run(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want that of the context", err)
	}
	if got := outcomes(t, out); len(got) != 1 {
		t.Errorf("outcomes %v, want that of a.mp4 alone", got)
	}
	b = withWorkers(newBatch(root, out))
	var looked []string
	b.OnEvent = func(e Event) {
		if e.Kind == EventClip && !e.Resumed {
			looked = append(looked, e.Clip)
		}
	}
	if _, err := b.Run(t.Context()); err != nil || !reflect.DeepEqual(looked, []string{"b.mp4", "c.mp4"}) {
		t.Errorf("second run looked at %q, %v", looked, err)
	}
}

// Of each clip a run holds what the morning page needs, and no more: a night of any length needs the same memory.
func TestRunHoldsLittleOfEachClip(t *testing.T) {
	const clips, limit = 2000, 4 << 10
	r := &run{b: newBatch("", ""), reports: make([]*report.Report, clips), said: map[string]string{}, lastPages: time.Now()}
	heap := func() int {
		var m runtime.MemStats
		runtime.GC()
		runtime.GC() // what the first one freed late
		runtime.ReadMemStats(&m)
		return int(m.HeapAlloc)
	}
	before := heap()
	for i := range clips {
		rep := report.Build(report.Input{Path: fmt.Sprintf("%d.mp4", i), Outcome: Outcome{State: report.NoSwing, Reason: fmt.Sprint("No swing in clip ", i, ".")}})
		for range 10 { // what only the clip's own page shows
			rep.Rejected = append(rep.Rejected, report.Rejected{Reason: strings.Repeat("x", 2000)})
		}
		if err := r.finished(Job{Rel: rep.Clip.Path, number: i}, rep, false, time.Second); err != nil {
			t.Fatal(err)
		}
	}
	each := (heap() - before) / clips
	t.Logf("%d bytes a clip", each)
	if each > limit || r.summary(clips).Counts[report.NoSwing] != clips {
		t.Errorf("%d bytes a clip, want at most %d; counts %v", each, limit, r.summary(clips).Counts)
	}
}

func TestBatchOneRunAtATime(t *testing.T) {
	root, out := t.TempDir(), t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "slow")
	b := newBatch(root, out)
	var second error
	b.OnEvent = func(e Event) {
		if e.Kind == EventStart {
			_, second = newBatch(root, out).Run(t.Context())
		}
	}
	if _, err := b.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if !errors.Is(second, ErrBusy) || !strings.Contains(second.Error(), fmt.Sprintf("process %d", os.Getpid())) {
		t.Errorf("second run: %v", second)
	}
}

// Results never come to lie among clips, nor clips where results are removed.
func TestBatchPlaces(t *testing.T) {
	root := t.TempDir()
	put(t, filepath.Join(root, ClipsDir, "a.mp4"), "good")
	put(t, filepath.Join(root, "file"), "good")
	for _, c := range [][2]string{{root, root}, {filepath.Join(root, ClipsDir), root}, {root, filepath.Join(root, "file")}} {
		if _, err := newBatch(c[0], c[1]).Run(t.Context()); !errors.Is(err, ErrPlaces) {
			t.Errorf("clips in %s, results in %s: %v", c[0], c[1], err)
		}
	}
	if data, err := os.ReadFile(filepath.Join(root, ClipsDir, "a.mp4")); err != nil || string(data) != "good" {
		t.Errorf("the clip was touched: %q, %v", data, err)
	}
	results := t.TempDir()
	put(t, filepath.Join(results, outputMark), "")
	put(t, filepath.Join(results, ClipsDir, "a.mp4", "swing-1", "replay.mp4"), "good")
	for _, part := range []string{"", ClipsDir, ClipsDir + "/a.mp4/swing-1/replay.mp4"} {
		if _, err := newBatch(filepath.Join(results, part), t.TempDir()).Run(t.Context()); !errors.Is(err, ErrRoot) {
			t.Errorf("results taken for clips (%s): %v", part, err)
		}
	}
	out := filepath.Join(root, "out")
	for range 2 { // an output folder among the clips is no clip, nor is one of an earlier run elsewhere
		put(t, filepath.Join(root, "earlier", outputMark), "")
		put(t, filepath.Join(root, "earlier", "swing-1", "replay.mp4"), "good")
		put(t, filepath.Join(out, ClipsDir, "clips", "a.mp4", "swing-1", "replay.mp4"), "good")
		s, err := newBatch(root, out).Run(t.Context())
		if err != nil || s.Clips != 1 {
			t.Errorf("%d clips, %v; want one", s.Clips, err)
		}
	}
	one, err := newBatch(filepath.Join(root, ClipsDir, "a.mp4"), t.TempDir()).Run(t.Context())
	if err != nil || one.Counts[report.Done] != 1 {
		t.Errorf("a single clip: %+v, %v", one, err)
	}
}

func TestEventsAreJSON(t *testing.T) {
	data, err := json.Marshal(Event{Kind: EventClip, Clip: "a\xff.mp4", State: report.Done, Seconds: 1.5})
	if err != nil || !json.Valid(data) {
		t.Errorf("%s, %v", data, err)
	}
}
