package pipeline

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"cagebook/configs"
)

// Watch looks at a folder again and again and runs the batch whenever clips in
// it are complete and not done. What is done stands on the disk alone, so that
// a watch can be stopped at any moment and started again.
type Watch struct {
	Batch    Batch // OnEvent is told of waiting, too, and not again of clips that it knows
	Settings configs.Watch

	// What the tests put something else in place of.
	now   func() time.Time
	sleep func(ctx context.Context, d time.Duration) error
	busy  func() (float64, error)
	free  func(dir string) (int64, error)
	grace time.Duration

	root, out string
	wasThere  bool   // the output folder has been seen with its mark
	hadClips  bool   // so has the folder of clips, with some
	said      string // the kind of reason that was told last

	seen    map[string]sight     // by path: clips and settings
	failed  map[string]time.Time // by key: when a clip failed in this watch
	soon    map[string]bool      // clips that may do better in a minute
	told    map[string]string    // by clip: what was told of it last
	done    map[string]fileStamp // what the last pass that came to its end had seen
	doneAt  time.Time
	retryAt time.Time // after a full disk
	sum     Summary
}

const (
	// windowGrace is how long the clips in work may go on after the window has
	// closed. Few take longer; those that do are begun again in the next window.
	windowGrace = 15 * time.Minute

	// minFreeBytes is the room below which no clip is begun: the results of a clip
	// take some 10 MB, the pictures spooled meanwhile up to some 100 MB.
	minFreeBytes = 200 << 20

	// retryFull is the wait after a disk that says it is full although there
	// seems to be room, as one with a quota does.
	retryFull = time.Minute

	// retrySoon is the wait before another try at clips that changed while they
	// were read, or whose disk gave errors.
	retrySoon = time.Minute

	// retryFailed is the wait before a clip that failed is tried once more while
	// nothing about it has changed: the next night, not every few seconds.
	retryFailed = 12 * time.Hour
)

// errWindow ends the clips in work when the window has been closed for a while.
var errWindow = fmt.Errorf("the window has closed: %w", context.Canceled)

// sight is how long a file has been seen as it is.
type sight struct {
	stamp fileStamp
	since time.Time
	again bool // by two looks in a row
}

// Run watches until ctx ends, which is no error, or until something goes wrong
// that waiting does not mend. The summary is that of the last pass that came to
// its end; left says whether anything was still to do.
func (w *Watch) Run(ctx context.Context) (s Summary, left bool, err error) {
	if err := w.begin(); err != nil {
		return Summary{}, false, err
	}
	for {
		left, err := w.look(ctx)
		if ctx.Err() != nil {
			return w.sum, left, nil
		}
		if err != nil {
			return w.sum, left, err
		}
		if w.sleep(ctx, w.Settings.Poll) != nil {
			return w.sum, left, nil
		}
	}
}

func (w *Watch) begin() (err error) {
	w.seen, w.failed, w.told = map[string]sight{}, map[string]time.Time{}, map[string]string{}
	if w.now == nil {
		w.now, w.free, w.sleep, w.grace = time.Now, freeBytes, sleep, windowGrace
		w.busy = (&loadMeter{now: time.Now}).others
	}
	if w.Settings.MaxLoad > 0 {
		if _, err := w.busy(); err != nil {
			return fmt.Errorf("%w: the load of this machine is not known, do without --max-load: %w", ErrFatal, err)
		}
	}
	if w.root, err = filepath.Abs(w.Batch.Root); err != nil {
		return err
	}
	if w.out, err = filepath.Abs(w.Batch.Out); err != nil {
		return err
	}
	_, err = os.Stat(filepath.Join(w.out, outputMark))
	w.wasThere = err == nil
	return nil
}

// look is one look at the folder, and a pass if there is anything to do. left
// says whether anything stays to be done.
func (w *Watch) look(ctx context.Context) (left bool, err error) {
	list, err := w.list()
	switch {
	case err != nil:
		w.wait("away", "for the folder %s, which cannot be read (%v): plug its disk in or mount the network folder", w.Batch.Root, cause(err))
		return true, nil
	case len(list.Clips) == 0 && w.hadClips:
		w.wait("empty", "for clips: %s is empty now, as if its disk were unplugged; the pages stay as they are", w.Batch.Root)
		return false, nil
	}
	if w.Settings.MaxLoad > 0 {
		_, _ = w.busy() // so that the next answer is of the time since now
	}
	w.hadClips = w.hadClips || len(list.Clips) > 0
	now := w.now()
	ready, growing := w.observe(list, now)
	want := w.stamps(ready, list.Settings)
	if len(ready.Clips) == 0 || !w.isNews(want, now) {
		w.idle(len(ready.Clips), growing)
		return growing > 0, nil
	}
	if kind, reason := w.hindered(); kind != "" {
		w.wait(kind, "%s; %s", reason, w.toDo(want))
		return true, nil
	}
	complete, err := w.run(ctx, &pass{w: w, ready: ready})
	switch {
	case ctx.Err() != nil || errors.Is(err, errWindow):
		return true, nil
	case err != nil:
		return true, w.survive(err)
	case !complete:
		return true, nil
	}
	w.done, w.doneAt = want, now
	w.idle(len(ready.Clips), growing)
	return growing > 0, nil
}

// list names the clips that are there now.
func (w *Watch) list() (listing, error) {
	root, err := filepath.EvalSymlinks(w.root)
	if err != nil {
		return listing{}, err
	}
	out := w.out
	if real, err := filepath.EvalSymlinks(w.out); err == nil {
		out = real
	}
	return findClips(root, out)
}

// survive turns an error that may pass into waiting.
func (w *Watch) survive(err error) error {
	switch {
	case errors.Is(err, ErrBusy):
		w.wait("busy", "for the other run: %v", err)
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		w.retryAt = w.now().Add(retryFull)
		w.wait("full", "for room: the disk is full (%v); trying again every minute", err)
	case errors.Is(err, ErrAway):
		w.wait("away", "for the folder: %v", err)
	case errors.Is(err, ErrOutput) && w.wasThere:
		w.wait("out", "for the output folder: %v", err)
	case classify(err) == classTransient:
		w.wait("transient", "for the disk or the network folder: %v", err)
	default:
		return err
	}
	return nil
}

// hindered says why no clip can be begun now; "" = go.
func (w *Watch) hindered() (kind, reason string) {
	now := w.now()
	if _, open := w.Settings.Window.Closes(now); !open {
		return "window", "until " + w.Settings.Window.Opens() + ", when the window opens"
	}
	if now.Before(w.retryAt) {
		return "full", "for room: the disk was full a moment ago"
	}
	if w.wasThere {
		if _, err := os.Stat(filepath.Join(w.out, outputMark)); err != nil {
			return "out", fmt.Sprintf("for the output folder %s, which is away (%v): plug its disk in; if it was removed on purpose, start the watch again", w.Batch.Out, cause(err))
		}
	}
	for _, dir := range []string{w.out, os.TempDir()} {
		n, err := w.free(dir)
		if err == nil && n < minFreeBytes { // where the room is not known the disk will tell
			return "full", fmt.Sprintf("for room: %d MB are free at %s, it takes %d", n>>20, dir, minFreeBytes>>20)
		}
	}
	if limit := w.Settings.MaxLoad; limit > 0 {
		n, err := w.busy()
		if err == nil && n > limit {
			return "load", fmt.Sprintf("for other programs, which keep %.1f cores busy (--max-load %.1f)", n, limit)
		}
	}
	return "", ""
}

// observe sorts out the clips that are complete.
func (w *Watch) observe(l listing, now time.Time) (ready listing, growing int) {
	old := w.seen
	w.seen = map[string]sight{}
	ready = listing{Settings: l.Settings, Warnings: l.Warnings}
	for _, c := range l.Clips {
		s := sight{stamp: fileStampOf(c.Path), since: now}
		o, ok := old[c.Path]
		switch {
		case ok && o.stamp == s.stamp:
			s.since, s.again = o.since, true
		case !ok && time.Unix(0, s.stamp.modNs).Before(now): // renamed in, or there before us
			s.since = time.Unix(0, s.stamp.modNs)
		default:
			delete(w.told, c.Rel)
		}
		w.seen[c.Path] = s
		if s.again && now.Sub(s.since) >= w.Settings.Quiet {
			ready.Clips = append(ready.Clips, c)
		} else {
			growing++
		}
	}
	return ready, growing
}

// stamps are those of everything that a pass over the clips depends on.
func (w *Watch) stamps(l listing, settings []string) map[string]fileStamp {
	m := map[string]fileStamp{}
	for _, c := range l.Clips {
		m[c.Path] = w.seen[c.Path].stamp
	}
	for _, path := range settings {
		m[path] = fileStampOf(path)
	}
	return m
}

// isNews says whether a pass would find something to do.
func (w *Watch) isNews(want map[string]fileStamp, now time.Time) bool {
	if !maps.Equal(want, w.done) {
		return true
	}
	since := now.Sub(w.doneAt)
	return len(w.failed) > 0 && since >= retryFailed || len(w.soon) > 0 && since >= retrySoon
}

// toDo counts what is new, for a person.
func (w *Watch) toDo(want map[string]fileStamp) string {
	n := 0
	for path, s := range want {
		if w.done[path] != s {
			n++
		}
	}
	if n == 1 {
		return "1 file is new or changed"
	}
	return fmt.Sprintf("%d files are new or changed", n)
}

func (w *Watch) idle(ready, growing int) {
	kind := fmt.Sprint("idle ", ready, " ", growing)
	switch {
	case growing > 0:
		w.wait(kind, "for %d of %d clips to be copied completely", growing, ready+growing)
	case ready == 0:
		w.wait(kind, "for clips: there are none yet")
	case w.sum.Lost > 0:
		w.wait(kind, "for new clips: %d done, %d not processed (see the page)", ready-w.sum.Lost, w.sum.Lost)
	default:
		w.wait(kind, "for new clips: %d done", ready)
	}
}

// wait tells a reason, once for as long as its kind stays the same.
func (w *Watch) wait(kind, format string, args ...any) {
	if kind != w.said {
		w.said = kind
		w.tell(Event{Kind: EventWaiting, Reason: fmt.Sprintf(format, args...), Time: w.now()})
	}
}

func (w *Watch) tell(e Event) {
	if w.Batch.OnEvent != nil {
		w.Batch.OnEvent(e)
	}
}

// run is one pass over the clips that are complete. It says whether all of them ended.
func (w *Watch) run(ctx context.Context, p *pass) (complete bool, err error) {
	now := w.now()
	maps.DeleteFunc(w.failed, func(_ string, at time.Time) bool { return now.Sub(at) >= retryFailed })
	if closes, _ := w.Settings.Window.Closes(now); !closes.IsZero() {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeoutCause(ctx, closes.Sub(now)+w.grace, errWindow)
		defer cancel()
	}
	w.said, w.soon = "", map[string]bool{}
	b := w.Batch
	b.pass, b.OnEvent = p, p.event
	sum, err := b.Run(ctx)
	if err != nil {
		if context.Cause(ctx) == errWindow {
			err = errWindow
		}
		return false, err
	}
	w.wasThere = true
	ended := 0
	for _, n := range sum.Counts {
		ended += n
	}
	if ended < sum.Clips {
		return false, nil
	}
	w.sum = sum
	return true, nil
}

// CheckRoom is an error where the disk of a folder has not the room that a clip takes.
func CheckRoom(dir string) error {
	if n, err := freeBytes(dir); err == nil && n < minFreeBytes { // where the room is not known the disk will tell
		return fmt.Errorf("%w: %d MB are free at %s, a clip takes up to %d: %w", ErrFatal, n>>20, dir, minFreeBytes>>20, syscall.ENOSPC)
	}
	return nil
}

// freeBytes is the room that is left for a user where dir lies or would lie.
func freeBytes(dir string) (int64, error) {
	for {
		var st unix.Statfs_t
		err := unix.Statfs(dir, &st)
		if !errors.Is(err, os.ErrNotExist) || dir == filepath.Dir(dir) {
			return int64(st.Bavail) * int64(st.Bsize), err //nolint:unconvert // their sizes differ between systems
		}
		dir = filepath.Dir(dir)
	}
}

func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
