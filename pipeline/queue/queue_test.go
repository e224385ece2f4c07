package queue

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"cagebook/pipeline"
	"cagebook/pipeline/video"
	"cagebook/report"
)

// inProcess is a batch whose clips are looked at in the test's own process.
func inProcess(root, out string) pipeline.Batch {
	b := testBatch(root, out)
	b.Worker, b.Analyze = nil, fakeAnalyze
	return b
}

// worker runs until the test ends, or stop is called.
func (n *night) worker(t *testing.T, b pipeline.Batch) (stop func() error) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	w := &Worker{Queue: n.connect(t), Store: n.open(t), Name: "bench", Batch: b, Scratch: t.TempDir()}
	ended := make(chan error, 1)
	go func() { ended <- w.Run(ctx) }()
	stop = func() error {
		cancel()
		err := <-ended
		ended <- err
		return err
	}
	t.Cleanup(func() { _ = stop() })
	return stop
}

// What every clip on a machine would meet stops its worker; the clip goes to another machine.
func TestWorkerThatCannotGoOnGivesItsClipBack(t *testing.T) {
	t.Parallel() // it mostly waits
	n := newNight(t)
	root, out := t.TempDir(), t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "good a")
	full := inProcess("", "")
	full.Analyze = func(context.Context, pipeline.Clip, pipeline.Progress) (pipeline.Result, error) {
		return pipeline.Result{}, fmt.Errorf("write x: %w", syscall.ENOSPC)
	}
	w := &Worker{Queue: n.connect(t), Store: n.open(t), Name: "full", Batch: full, Scratch: t.TempDir()}
	ended := make(chan error, 1)
	go func() { ended <- w.Run(t.Context()) }()
	ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
	defer cancel()
	done := n.submit(ctx, t, n.connect(t), root, out)
	if err := <-ended; !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("the worker ended with %v", err)
	}
	n.worker(t, inProcess("", ""))
	if err := <-done; err != nil {
		t.Error(err)
	}
	if st, err := n.connect(t).Status(ctx, 1); err != nil || st.Done != 1 || st.Dead != 0 {
		t.Errorf("%+v, %v", st, err)
	}
}

// A machine without a model or a tool, on which a service manager starts the worker
// again and again, uses up the tries of no clip.
func TestBrokenMachineUsesUpNoClip(t *testing.T) {
	t.Parallel() // it mostly waits
	n := newNight(t)
	root, out := t.TempDir(), t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "good a")
	put(t, filepath.Join(root, "b.mp4"), "good b")
	ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
	defer cancel()
	done := n.submit(ctx, t, n.connect(t), root, out)
	for i := range 8 {
		broken := inProcess("", "")
		broken.Analyze = func(context.Context, pipeline.Clip, pipeline.Progress) (pipeline.Result, error) {
			if i%2 == 0 {
				return pipeline.Result{}, fmt.Errorf("%w: model people is missing", pipeline.ErrFatal)
			}
			return pipeline.Result{}, &video.Error{Kind: video.ErrTool, Msg: "ffprobe does not work"}
		}
		w := &Worker{Queue: n.connect(t), Store: n.open(t), Name: fmt.Sprint("broken ", i), Batch: broken, Scratch: t.TempDir()}
		if err := w.Run(ctx); !errors.Is(err, pipeline.ErrFatal) && !errors.Is(err, video.ErrTool) {
			t.Fatalf("the worker ended with %v", err)
		}
	}
	n.worker(t, inProcess("", ""))
	if err := <-done; err != nil {
		t.Error(err)
	}
	if st, err := n.connect(t).Status(ctx, 1); err != nil || st.Done != 2 || st.Dead != 0 {
		t.Errorf("%+v, %v", st, err)
	}
}

// A hub that comes back with nothing is given the clips again by whoever waits for them.
func TestHubThatLostItsDisk(t *testing.T) {
	t.Parallel() // it mostly waits
	port, err := strconv.Atoi(freePort(t))
	if err != nil {
		t.Fatal(err)
	}
	h, err := StartHub(HubOptions{Port: port, Dir: t.TempDir()}, quiet())
	if err != nil {
		t.Fatal(err)
	}
	n := &night{hub: h, dir: filepath.Join(t.TempDir(), "store"), ack: shortAck}
	root, out := t.TempDir(), t.TempDir()
	for i := range 5 {
		put(t, filepath.Join(root, fmt.Sprint(i, ".mp4")), fmt.Sprint("good ", i))
	}
	ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
	defer cancel()
	q := n.connect(t)
	done := n.submit(ctx, t, q, root, out)
	for {
		if st, err := q.Status(ctx, 0); err == nil && st.Waiting == 5 {
			break
		}
		if time.Sleep(20 * time.Millisecond); ctx.Err() != nil {
			t.Fatal("the clips were not queued")
		}
	}
	h.Stop()
	if n.hub, err = StartHub(HubOptions{Port: port, Dir: t.TempDir()}, quiet()); err != nil {
		t.Fatal(err)
	}
	defer n.hub.Stop()
	stop := n.worker(t, inProcess("", ""))
	if err := <-done; err != nil {
		t.Error(err)
	}
	if err := stop(); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

// A worker without anything to do is in the list of workers again when the hub comes back.
func TestIdleWorkerAfterTheHubWasAway(t *testing.T) {
	t.Parallel() // it mostly waits
	port, err := strconv.Atoi(freePort(t))
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	h, err := StartHub(HubOptions{Port: port, Dir: dir}, quiet())
	if err != nil {
		t.Fatal(err)
	}
	n := &night{hub: h, dir: filepath.Join(t.TempDir(), "store"), ack: shortAck}
	q := n.connect(t)
	listed := func() error {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		for {
			st, err := q.Status(ctx, 0)
			if err == nil && len(st.Workers) == 1 {
				return nil
			}
			if time.Sleep(20 * time.Millisecond); ctx.Err() != nil {
				return fmt.Errorf("%+v, %w", st, err)
			}
		}
	}
	n.worker(t, inProcess("", ""))
	if err := listed(); err != nil {
		t.Fatal(err)
	}
	h.Stop()
	if n.hub, err = StartHub(HubOptions{Port: port, Dir: dir}, quiet()); err != nil {
		t.Fatal(err)
	}
	defer n.hub.Stop()
	if err := listed(); err != nil {
		t.Errorf("not listed: %v", err)
	}
}

// Two people submit the same clips at the same time: each has the results, and nothing was looked at twice.
func TestTwoSubmitters(t *testing.T) {
	n := newNight(t)
	root, seen := t.TempDir(), filepath.Join(t.TempDir(), "looks")
	t.Setenv("LOOKS", seen)
	for i := range 6 {
		put(t, filepath.Join(root, fmt.Sprint(i, ".mp4")), fmt.Sprint("good ", i))
	}
	n.worker(t, inProcess("", ""))
	n.worker(t, inProcess("", ""))
	outs := []string{t.TempDir(), t.TempDir()}
	done := make(chan error, len(outs))
	for _, out := range outs {
		b := inProcess(root, out)
		b.Elsewhere = n.submitter(t, n.connect(t))
		go func() {
			s, err := b.Run(t.Context())
			if err == nil && s.Counts[report.Done] != 6 {
				err = fmt.Errorf("%+v", s)
			}
			done <- err
		}()
	}
	for range outs {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	sameFiles(t, everyFile(t, outs[1]), everyFile(t, outs[0]))
	for rel, times := range looks(t, seen) {
		if times != 1 {
			t.Errorf("%s was looked at %d times", rel, times)
		}
	}
}

// Builds of two commits with the same analysis take each other's clips; a key is no part of the tool.
func TestToolID(t *testing.T) {
	a := toolID(pipeline.Tool{Version: "1+a", Options: "x", Key: "k"})
	for _, c := range []struct {
		name string
		tool pipeline.Tool
		same bool
	}{
		{"another commit", pipeline.Tool{Version: "1+b", Options: "x"}, true},
		{"another version", pipeline.Tool{Version: "2+a", Options: "x"}, false},
		{"another analysis", pipeline.Tool{Version: "1+a", Options: "y"}, false},
	} {
		if (toolID(c.tool) == a) != c.same {
			t.Errorf("%s: same %v, want %v", c.name, !c.same, c.same)
		}
	}
}

// A worker leaves the clips of another version alone, and status says that somebody is missing.
func TestWorkerOfAnotherVersion(t *testing.T) {
	t.Parallel() // it mostly waits
	n := newNight(t)
	root, out := t.TempDir(), t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "good a")
	b := inProcess(root, out)
	b.Elsewhere, b.NoWait = n.submitter(t, n.connect(t)), true
	if _, err := b.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	other := inProcess("", "")
	other.Tool.Version = "later"
	n.worker(t, other)
	q := n.connect(t)
	for began := time.Now(); ; time.Sleep(20 * time.Millisecond) {
		st, err := q.Status(t.Context(), 0)
		if err == nil && len(st.Workers) == 1 {
			if st.Foreign != 1 || st.Waiting != 1 || !strings.HasSuffix(st.Line(), "1 worker (1 for workers of another version)") {
				t.Errorf("%+v: %s", st, st.Line())
			}
			break
		}
		if time.Since(began) > time.Minute {
			t.Fatalf("no worker is listed: %+v, %v", st, err)
		}
	}
	n.worker(t, inProcess("", ""))
	b.NoWait = false
	if s, err := b.Run(t.Context()); err != nil || s.Counts[report.Done] != 1 {
		t.Errorf("%+v, %v", s, err)
	}
}

// A stopped process is taken for dead; when it goes on, its late result is no second one.
func TestWorkerThatWasAsleep(t *testing.T) {
	t.Parallel() // it mostly waits
	n := newNight(t)
	n.ack = shortAck
	n.open(t)
	root, out := t.TempDir(), t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "slow a")
	sleeper := start(t, func() *exec.Cmd {
		return role("worker", "HUB_URL="+n.hub.URL(), "STORE="+n.dir, "SCRATCH="+t.TempDir())
	})
	q := n.connect(t)
	ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
	defer cancel()
	done := n.submit(ctx, t, q, root, out)
	wait := func(what string, is func(Status) bool) {
		t.Helper()
		for {
			st, err := q.Status(ctx, 0)
			if err == nil && is(st) {
				return
			}
			if time.Sleep(10 * time.Millisecond); ctx.Err() != nil {
				t.Fatalf("%s: %+v, %v", what, st, err)
			}
		}
	}
	wait("no worker took the clip", func(s Status) bool { return s.InWork == 1 })
	if err := sleeper.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	n.worker(t, inProcess("", ""))
	if err := <-done; err != nil {
		t.Error(err)
	}
	if err := sleeper.cmd.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	time.Sleep(700 * time.Millisecond)              // it takes 300 ms to end its clip
	_ = sleeper.cmd.Process.Signal(syscall.SIGTERM) // it is running
	<-sleeper.ended                                 // what is ready is put away
	sleeper.ended <- nil
	wait("the queue is not empty", func(s Status) bool { return s.Waiting+s.InWork == 0 && s.Done == 1 && s.Dead == 0 })
	results, err := filepath.Glob(filepath.Join(n.dir, "results", "*", "*"))
	if err != nil || len(results) != 1 {
		t.Errorf("results %q, %v; want one", results, err)
	}
}

// A job that names files elsewhere is set aside, and so is what is no job.
func TestUnsoundJobs(t *testing.T) {
	t.Parallel() // it mostly waits
	n := newNight(t)
	q := n.connect(t)
	u := n.submitter(t, q)
	sum := strings.Repeat("ab", 32)
	for i, c := range []pipeline.Clip{
		{Rel: "../../a.mp4", SHA256: sum},
		{Rel: "/etc/a.mp4", SHA256: sum},
		{Rel: ".", SHA256: sum},
		{Rel: "", SHA256: sum},
		{Rel: "a.mp4", SHA256: "../" + sum[:61]},
		{Rel: "a.mp4", SHA256: sum[:10]},
		{Rel: "gone.mp4", SHA256: sum},
	} {
		c.Tool = testTool()
		if err := u.enqueueBytes(t.Context(), idOf(fmt.Sprint(i), ""), c, 1); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := q.js.Publish(t.Context(), subjectOf(testTool(), "x"), []byte("no job")); err != nil {
		t.Fatal(err)
	}
	n.worker(t, inProcess("", ""))
	for began := time.Now(); ; time.Sleep(20 * time.Millisecond) {
		st, err := q.Status(t.Context(), 10)
		if err == nil && st.Waiting+st.InWork == 0 && st.Dead == 8 && st.Done == 0 && strings.Contains(st.DeadClips[0].Reason, "submit the folder again") {
			return
		}
		if time.Since(began) > time.Minute {
			t.Fatalf("%+v, %v", st, err)
		}
	}
}

// Clear leaves nothing of a folder in the store but its mark.
func TestClear(t *testing.T) {
	n := newNight(t)
	root, out := t.TempDir(), t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "good a")
	put(t, filepath.Join(root, "b.mp4"), "panic")
	n.worker(t, inProcess("", ""))
	b, u := inProcess(root, out), n.submitter(t, n.connect(t))
	b.Elsewhere = u
	if _, err := b.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := everyFile(t, n.dir); len(got) != 6 { // two clips, two results, one kept, the mark
		t.Errorf("the store holds %d files, want 6", len(got))
	}
	if err := u.Clear(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := everyFile(t, n.dir); len(got) != 1 {
		t.Errorf("the store still holds %d files", len(got))
	}
}
