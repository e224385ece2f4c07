package pipeline

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"cagebook/configs"
	"cagebook/report"
)

// night is a watch whose clock is turned by hand: nothing sleeps.
type night struct {
	t         *testing.T
	w         *Watch
	root, out string
	clock     time.Time
	busy      float64
	free      int64

	mu     sync.Mutex
	said   []string // reasons for waiting
	looked []string // clips that were really looked at
}

func newNight(t *testing.T) *night {
	n := &night{
		t: t, root: t.TempDir(), out: filepath.Join(t.TempDir(), "out"),
		clock: time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC), free: 1 << 40,
	}
	b := newBatch(n.root, n.out)
	b.Analyze = func(ctx context.Context, c Clip, p Progress) (Result, error) {
		n.mu.Lock()
		n.looked = append(n.looked, c.Rel)
		n.mu.Unlock()
		return fakeAnalyze(ctx, c, p)
	}
	b.OnEvent = func(e Event) {
		if e.Kind == EventWaiting {
			n.said = append(n.said, e.Reason)
		}
	}
	n.w = &Watch{
		Batch: *b, Settings: configs.DefaultWatch(), grace: time.Minute,
		now:  func() time.Time { return n.clock },
		busy: func() (float64, error) { return n.busy, nil },
		free: func(string) (int64, error) { return n.free, nil },
	}
	return n
}

// put writes a clip that was changed so long ago, by the night's clock.
func (n *night) put(rel, text string, ago time.Duration) {
	n.t.Helper()
	put(n.t, filepath.Join(n.root, rel), text)
	at := n.clock.Add(-ago)
	if err := os.Chtimes(filepath.Join(n.root, rel), at, at); err != nil {
		n.t.Fatal(err)
	}
}

// watch looks once, then after each step once more, ten seconds later by the night's clock.
func (n *night) watch(steps ...func()) (left bool, err error) {
	n.t.Helper()
	ctx, cancel := context.WithCancel(n.t.Context())
	defer cancel()
	n.w.sleep = func(_ context.Context, d time.Duration) error {
		if len(steps) == 0 {
			cancel()
			return ctx.Err()
		}
		n.clock = n.clock.Add(d)
		if steps[0] != nil {
			steps[0]()
		}
		steps = steps[1:]
		return nil
	}
	_, left, err = n.w.Run(ctx)
	return left, err
}

func (n *night) wantLooked(rels ...string) {
	n.t.Helper()
	slices.Sort(n.looked)
	if !slices.Equal(n.looked, rels) {
		n.t.Errorf("looked at %q, want %q; said %q", n.looked, rels, n.said)
	}
	n.looked = nil
}

func (n *night) wantSaid(parts ...string) {
	n.t.Helper()
	ok := len(n.said) == len(parts)
	for i := range parts {
		ok = ok && strings.Contains(n.said[i], parts[i])
	}
	if !ok {
		n.t.Errorf("said\n%s\nwant\n%s", strings.Join(n.said, "\n"), strings.Join(parts, "\n"))
	}
	n.said = nil
}

// page is the number of rows on the morning page.
func (n *night) page() int {
	n.t.Helper()
	data, err := os.ReadFile(filepath.Join(n.out, "batch.csv"))
	if err != nil {
		n.t.Error(err)
		return -1
	}
	return strings.Count(string(data), "\n") - 1
}

// A clip is begun when it has stayed as it is for a while, and not while it grows.
func TestWatchWaitsForWholeClips(t *testing.T) {
	n := newNight(t)
	n.put("old.mp4", "good", time.Hour)
	n.put("early.mp4", "good", 5*time.Second)
	grow := func() { n.put("late.mp4", "good"+strings.Repeat(" more", n.clock.Second()), 0) }
	left, err := n.watch(
		grow, // old has been seen twice
		grow,
		func() { grow(); n.wantLooked("old.mp4") },
		nil, // early has been quiet for 35 s by now
		func() { n.wantLooked("early.mp4") },
		nil,
		func() {
			n.put("moved.mp4.part", "good", time.Hour)
			if err := os.Rename(filepath.Join(n.root, "moved.mp4.part"), filepath.Join(n.root, "moved.mp4")); err != nil {
				t.Error(err)
			}
			n.wantLooked("late.mp4")
		},
		nil,
	)
	if err != nil || left {
		t.Errorf("left %v, %v", left, err)
	}
	n.wantLooked("moved.mp4") // renamed in: seen twice is enough
	if got := n.page(); got != 4 {
		t.Errorf("%d rows on the page, want 4", got)
	}
	n.wantSaid("for 2 of 2 clips", "for 2 of 3", "for 1 of 3", "for new clips: 3 done", "for 1 of 4", "for new clips: 4 done")
}

// What happens again: a changed clip, changed settings, a removed clip; what does not: a clip that failed.
func TestWatchSeesChanges(t *testing.T) {
	n := newNight(t)
	n.w.Settings.Quiet = 10 * time.Second
	n.put("a.mp4", "good a", time.Hour)
	n.put("b.mp4", "good b", time.Hour)
	n.put("c.mp4", "panic", time.Hour)
	_, err := n.watch(
		nil,
		func() { n.wantLooked("a.mp4", "b.mp4", "c.mp4", "c.mp4"); n.put("a.mp4", "good a2", time.Hour) },
		nil,
		func() { n.wantLooked("a.mp4"); put(t, filepath.Join(n.root, "b.yaml"), "bats: L\n") },
		func() { n.wantLooked("b.mp4"); put(t, filepath.Join(n.root, "b.yaml"), "bats: X\n") },
		func() {
			n.wantLooked()
			if got := outcomes(t, n.out)["b.mp4"]; got.State != report.BadSettings {
				t.Errorf("b.mp4: %+v", got)
			}
			if err := os.Remove(filepath.Join(n.root, "a.mp4")); err != nil {
				t.Error(err)
			}
		},
		func() {
			if got := n.page(); got != 2 {
				t.Errorf("%d rows on the page, want 2", got)
			}
			n.clock = n.clock.Add(retryFailed)
		},
		nil,
	)
	if err != nil {
		t.Error(err)
	}
	n.wantLooked("c.mp4", "c.mp4") // twelve hours later
}

// A clip that was written to while it was read is looked at again soon, even if its content stays the same.
func TestWatchLooksAgainAtAChangingClip(t *testing.T) {
	n := newNight(t)
	n.put("a.mp4", "good", time.Hour)
	analyze := n.w.Batch.Analyze
	n.w.Batch.Analyze = func(ctx context.Context, c Clip, p Progress) (Result, error) {
		if len(n.looked) == 0 {
			n.put("a.mp4", "good", time.Minute)
		}
		return analyze(ctx, c, p)
	}
	minute := []func(){nil, func() {
		if got := outcomes(t, n.out)["a.mp4"]; !strings.Contains(got.Reason, "changed while it was read") {
			t.Errorf("outcome %+v", got)
		}
	}}
	if _, err := n.watch(append(minute, make([]func(), 8)...)...); err != nil {
		t.Error(err)
	}
	n.wantLooked("a.mp4", "a.mp4")
	if got := outcomes(t, n.out)["a.mp4"]; got.State != report.Done {
		t.Errorf("outcome %+v", got)
	}
}

// Window, load, room: nothing is begun, the reason is told once, and what was left goes on.
func TestWatchWaits(t *testing.T) {
	n := newNight(t)
	n.w.Settings.Window = configs.Window{From: 22 * 60, To: 6 * 60}
	n.w.Settings.MaxLoad = 1.5
	n.put("a.mp4", "good", time.Hour)
	n.put("b.mp4", "good", time.Hour)
	at := func(hour, minute int) { n.clock = time.Date(2026, 5, 1, hour, minute, 0, 0, time.UTC) }
	left, err := n.watch(
		nil,
		func() { at(21, 59) },
		func() { n.wantLooked(); n.busy = 1.6; at(23, 0) },
		func() { n.busy = 3 },
		func() { n.wantLooked(); n.busy = 0.2; n.free = 5 << 20 },
		func() { n.wantLooked(); n.free = 1 << 40 },
		func() { n.wantLooked("a.mp4", "b.mp4"); n.put("c.mp4", "good", time.Hour) },
		func() { at(24+6, 0) },
	)
	n.wantLooked()
	if err != nil || !left {
		t.Errorf("left %v, %v; one clip waits for the next night", left, err)
	}
	n.wantSaid("for 2 of 2", "until 22:00, when the window opens; 2 files", "other programs, which keep 1.6 cores", "5 MB are free",
		"for new clips: 2 done", "for 1 of 3", "until 22:00, when the window opens; 1 file is new")
}

// The window closes during a pass: the clip in work is finished, no other is
// begun; one that takes longer than the grace is stopped and begun again later.
func TestWatchWindowCloses(t *testing.T) {
	n := newNight(t)
	n.w.Settings.Window = configs.Window{From: 11 * 60, To: 13 * 60}
	n.put("a.mp4", "good", time.Hour)
	n.put("b.mp4", "good", time.Hour)
	analyze := n.w.Batch.Analyze
	n.w.Batch.Analyze = func(ctx context.Context, c Clip, p Progress) (Result, error) {
		n.clock = time.Date(2026, 5, 1, 13, 0, 0, 0, time.UTC)
		return analyze(ctx, c, p)
	}
	left, err := n.watch(nil, nil)
	n.wantLooked("a.mp4")
	if err != nil || !left || n.page() != 1 {
		t.Errorf("left %v, %v", left, err)
	}
	n.clock = time.Date(2026, 5, 2, 12, 59, 0, 0, time.UTC)
	n.w.grace = -time.Minute + time.Second
	n.w.Batch.Analyze = func(ctx context.Context, c Clip, _ Progress) (Result, error) {
		n.looked = append(n.looked, c.Rel)
		<-ctx.Done()
		return Result{}, ctx.Err()
	}
	n.w.Settings.Poll = 0
	left, err = n.watch(nil, func() { n.clock = n.clock.Add(time.Hour) })
	n.wantLooked("b.mp4")
	if err != nil || !left || len(outcomes(t, n.out)) != 1 {
		t.Errorf("left %v, %v, outcomes %v; want that of a.mp4 alone", left, err, outcomes(t, n.out))
	}
}

// Unplugged, at rest and in the middle of a clip: the pages stay, and it goes on when the disk is back.
func TestWatchUnplugged(t *testing.T) {
	n := newNight(t)
	away := n.root + ".away"
	unplug := func() {
		if err := os.Rename(n.root, away); err != nil {
			t.Error(err)
		}
	}
	plug := func() {
		if err := errors.Join(os.RemoveAll(n.root), os.Rename(away, n.root)); err != nil {
			t.Error(err)
		}
	}
	n.put("a.mp4", "good", time.Hour)
	n.put("b.mp4", "good", time.Hour)
	n.put("c.mp4", "good", time.Hour)
	analyze, pulled := n.w.Batch.Analyze, false
	n.w.Batch.Analyze = func(ctx context.Context, c Clip, p Progress) (Result, error) {
		if c.Rel == "b.mp4" && !pulled {
			pulled = true
			unplug()
		}
		return analyze(ctx, c, p)
	}
	_, err := n.watch(
		nil,
		func() { n.wantLooked("a.mp4", "b.mp4") },
		plug,
		func() { n.wantLooked("b.mp4", "c.mp4"); unplug() },
		func() { // the mount point stays behind
			if err := os.Mkdir(n.root, 0o755); err != nil {
				t.Error(err)
			}
		},
		func() {
			if got := n.page(); got != 3 {
				t.Errorf("%d rows on the page while the folder is away", got)
			}
			plug()
		},
		nil,
	)
	if err != nil {
		t.Error(err)
	}
	n.wantLooked()
	for rel, o := range outcomes(t, n.out) {
		if o.State != report.Done {
			t.Errorf("%s: %+v", rel, o)
		}
	}
	n.wantSaid("for 3 of 3", "the folder of clips is away", "for new clips: 3 done", "cannot be read", "is empty now", "for new clips: 3 done")
}

// The output folder's disk is unplugged, or full: the watch waits and goes on.
func TestWatchOutputAwayAndFull(t *testing.T) {
	n := newNight(t)
	n.put("a.mp4", "good", time.Hour)
	analyze := n.w.Batch.Analyze
	full := false
	n.w.Batch.Analyze = func(ctx context.Context, c Clip, p Progress) (Result, error) {
		if full {
			return Result{}, fmt.Errorf("write x: %w", syscall.ENOSPC)
		}
		return analyze(ctx, c, p)
	}
	rename := func(from, to string) {
		if err := os.Rename(from, to); err != nil {
			t.Error(err)
		}
	}
	steps := []func(){
		nil,
		func() { n.wantLooked("a.mp4"); rename(n.out, n.out+".away"); n.put("b.mp4", "good", time.Hour) },
		nil,
		nil,
		func() {
			n.wantLooked()
			if _, err := os.Stat(n.out); err == nil {
				t.Error("the output folder was made anew while its disk is away")
			}
			rename(n.out+".away", n.out)
			full = true
		},
		func() { full = false },
	}
	steps = append(steps, make([]func(), 7)...)
	left, err := n.watch(steps...)
	if err != nil || left {
		t.Errorf("left %v, %v", left, err)
	}
	n.wantLooked("b.mp4")
	n.wantSaid("for 1 of 1", "for new clips: 1 done", "for 1 of 2", "which is away", "the disk is full", "for new clips: 2 done")
}

// While a run writes to the output folder the watch waits, and the other way round.
func TestWatchAndRunTakeTurns(t *testing.T) {
	n := newNight(t)
	n.put("a.mp4", "good", time.Hour)
	lock, err := lockOutput(n.out)
	if err != nil {
		t.Fatal(err)
	}
	analyze := n.w.Batch.Analyze
	n.w.Batch.Analyze = func(ctx context.Context, c Clip, p Progress) (Result, error) {
		if _, err := newBatch(n.root, n.out).Run(ctx); !errors.Is(err, ErrBusy) {
			t.Errorf("a run during a pass: %v", err)
		}
		return analyze(ctx, c, p)
	}
	_, err = n.watch(nil, func() {
		n.wantLooked()
		if err := lock.unlock(); err != nil {
			t.Error(err)
		}
	}, func() { // between passes anybody may write
		if _, err := newBatch(n.root, n.out).Run(t.Context()); err != nil {
			t.Errorf("a run between passes: %v", err)
		}
	})
	if err != nil {
		t.Error(err)
	}
	n.wantLooked("a.mp4")
	n.wantSaid("for 1 of 1", "for the other run: ", "for new clips: 1 done")
}

// What waiting does not mend ends the watch, with the reason.
func TestWatchFatal(t *testing.T) {
	n := newNight(t)
	n.put("a.mp4", "good", time.Hour)
	n.w.Batch.Analyze = func(context.Context, Clip, Progress) (Result, error) {
		return Result{}, fmt.Errorf("%w: model people is missing", ErrFatal)
	}
	if left, err := n.watch(nil, nil); !errors.Is(err, ErrFatal) || !left {
		t.Errorf("left %v, %v", left, err)
	}
	n.w.Settings.MaxLoad, n.w.busy = 1, func() (float64, error) { return 0, os.ErrNotExist }
	if _, err := n.watch(); !errors.Is(err, ErrFatal) || !strings.Contains(err.Error(), "--max-load") {
		t.Error(err)
	}
}

// A watch that starts where another one was stopped looks at nothing twice and tells nothing twice.
func TestWatchStartsAgain(t *testing.T) {
	n := newNight(t)
	n.put("a.mp4", "good", time.Hour)
	if _, err := n.watch(nil); err != nil {
		t.Fatal(err)
	}
	n.wantLooked("a.mp4")
	events := map[string]int{}
	n.w.Batch.OnEvent = func(e Event) { events[e.Kind]++ }
	n.put("b.mp4", "good", time.Hour)
	if _, err := n.watch(nil, func() { n.put("c.mp4", "good", time.Hour) }, nil, nil); err != nil {
		t.Fatal(err)
	}
	n.wantLooked("b.mp4", "c.mp4")
	if events[EventClip] != 3 || events[EventFound] != 2 || events[EventFinished] != 2 {
		t.Errorf("events %v, want each clip once and two passes", events)
	}
}

// The wanted values are those of the files below, reckoned by hand after proc(5):
// user, nice, system, irq, softirq and steal are busy, idle and iowait are not.
func TestLoadMeter(t *testing.T) {
	dir := t.TempDir()
	self := os.Getpid()
	clock := time.Unix(1e9, 0)
	m := &loadMeter{proc: dir, now: func() time.Time { return clock }}
	stat := func(pid, parent, utime, stime, cutime, cstime int) {
		put(t, filepath.Join(dir, fmt.Sprint(pid), "stat"),
			fmt.Sprintf("%d (a ) b) S %d 1 1 0 -1 0 0 0 0 0 %d %d %d %d 20 0\n", pid, parent, utime, stime, cutime, cstime))
	}
	put(t, filepath.Join(dir, "stat"), "cpu  1000 100 200 9000 500 10 20 5 77 0\ncpu0 1 1 1 1\n")
	stat(1, 0, 50, 50, 0, 0)
	stat(self, 1, 10, 10, 10, 10)
	stat(self+1, self, 100, 0, 0, 0)
	if got, err := m.others(); got != 0 || err != nil {
		t.Error(got, err)
	}
	clock = clock.Add(10 * time.Second)
	put(t, filepath.Join(dir, "stat"), "cpu  3000 100 200 9500 900 10 20 5 99 0\n") // 20 core seconds in 10 s
	stat(self+1, self, 500, 100, 0, 0)                                              // 5 of them ours
	stat(self+2, self+1, 50, 0, 0, 50)                                              // and one of a grandchild
	if got, err := m.others(); got < 1.3999 || got > 1.4001 || err != nil {
		t.Errorf("%g cores, %v; want 1.4", got, err)
	}
	if err := os.Remove(filepath.Join(dir, "stat")); err != nil {
		t.Fatal(err)
	}
	if got, err := m.others(); got < 1.3999 || err != nil { // too soon for another look
		t.Error(got, err)
	}
	clock = clock.Add(10 * time.Second)
	if _, err := m.others(); err == nil {
		t.Error("no error without the file")
	}
}

// On this machine: work of a child counts as ours.
func TestLoadMeterHere(t *testing.T) {
	if _, err := os.Stat("/proc/self/stat"); err != nil {
		t.Skip("this system tells no load: ", err)
	}
	m := &loadMeter{now: time.Now}
	before, err := m.ownSeconds()
	if err != nil {
		t.Fatal(err)
	}
	// 0.3 s of processor time, then the shell ends and its time passes to us.
	if out, err := exec.Command("/bin/sh", "-c", "ulimit -t 1; i=0; while [ $i -lt 100000 ]; do i=$((i+1)); done").CombinedOutput(); err != nil {
		t.Skipf("%v: %s", err, out)
	}
	after, err := m.ownSeconds()
	if err != nil || after <= before {
		t.Errorf("%g s before, %g s after a child's work, %v", before, after, err)
	}
	busy, err := m.busySeconds()
	if err != nil || busy < after {
		t.Errorf("the machine was busy for %g s, we for %g s, %v", busy, after, err)
	}
}
