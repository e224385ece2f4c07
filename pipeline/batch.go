package pipeline

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"cagebook/configs"
	"cagebook/report"
)

// Batch turns the clips below a folder into results below another. It can be
// stopped at any moment and run again: finished clips are recognised by their
// key and not looked at twice.
type Batch struct {
	Root string // folder of clips, or one clip
	Out  string // output folder
	Tool Tool   // what makes the results; Key is filled in for each clip

	Settings configs.Settings

	// Worker makes the command of a worker process that gives so many threads to each network; nil = Analyze runs in this process.
	Worker  func(threads int) *exec.Cmd
	Analyze AnalyzeFunc // used where Worker is nil

	// Elsewhere looks at the clips on other machines; the fields above are not used then.
	Elsewhere Elsewhere
	NoWait    bool // end as soon as all clips are handed over; the next run collects

	// Scratch is where workers spool during Serve; Run has a folder of its own. "" = the system's.
	Scratch string

	// OnEvent is told what happens; calls do not overlap. May be nil.
	OnEvent func(Event)

	pass *pass // set where a watch runs the batch
}

// Summary is how a batch ended.
type Summary struct {
	Clips  int
	Counts map[string]int // outcomes by state
	Lost   int            // clips that were not looked at from end to end
}

const (
	// pagesEvery is how often the morning page is renewed during a run: a person
	// who looks in sees it move, and writing costs little beside the clips.
	pagesEvery = 10 * time.Second

	// workerStart is how long a worker may take to load the models. 3 s is usual;
	// a cold disk under load has been seen to take a minute.
	workerStart = 5 * time.Minute
)

// transientPauses are the waits before the second and third try at a clip whose
// disk or network folder is away: long enough for a share to come back.
var transientPauses = []time.Duration{2 * time.Second, 20 * time.Second}

// Run works through the batch. The error is what stopped it: ErrBusy, a fatal
// fault, or the context's. What single clips ran into is in the summary.
func (b *Batch) Run(ctx context.Context) (Summary, error) {
	root, out, err := b.places()
	if err != nil {
		return Summary{}, err
	}
	list, err := b.pass.list(root, out)
	if err != nil {
		return Summary{}, err
	}
	if len(list.Clips) == 0 && b.pass == nil { // a slip in the name, or a disk that is not there: no reason to empty the page
		return Summary{}, fmt.Errorf("%s: %w", b.Root, ErrNoClips)
	}
	lock, err := lockOutput(out)
	if err != nil {
		return Summary{}, err
	}
	defer func() { _ = lock.unlock() }() // the end of the process unlocks as well
	scratch := makeScratch(out)
	defer func() { _ = os.RemoveAll(scratch) }() // the next run removes what stays
	store := NewStore(out)
	if err := store.RemoveTemps(); err != nil {
		return Summary{}, err
	}
	apart(&list, out)
	jobs := newFolderJobs(list)
	r := &run{b: b, root: root, rootDir: rootOf(root, root), out: out, lock: lock, scratch: scratch, store: store, queue: jobs, reports: make([]*report.Report, len(list.Clips)), said: map[string]string{}}
	if b.Elsewhere == nil {
		r.atOnce = min(AtOnce(b.Settings), len(list.Clips))
	}
	if r.rootID, err = idOf(r.rootDir); err != nil {
		return Summary{}, err
	}
	for _, c := range list.Clips {
		folder := ClipsDir + "/" + c.Rel
		if c.NoFolder {
			folder = ""
		}
		r.folders = append(r.folders, folder)
	}
	r.early = jobs.first(func(j Job) bool {
		_, err := os.Stat(filepath.Join(out, ClipsDir, filepath.FromSlash(j.Rel), ReportFile))
		return err == nil
	})
	r.announce(list)
	if b.Elsewhere != nil {
		err = r.elsewhere(ctx)
	} else {
		err = r.work(ctx)
	}
	if err == nil {
		err = r.besideReferences(ctx, list)
	}
	if perr := r.writePages(); err == nil || errors.Is(err, context.Canceled) {
		err = errors.Join(err, perr)
	}
	if r.untidy.Load() {
		err = errors.Join(err, store.RemoveTemps())
	}
	s := r.summary(len(list.Clips))
	finished := Event{Kind: EventFinished, Clips: s.Clips, Ended: r.ended, Counts: s.Counts}
	if b.Elsewhere != nil && b.NoWait && err == nil {
		finished.Reason = "queued"
	}
	r.emit(finished)
	return s, err
}

// places makes both folders absolute and refuses pairs in which results could
// come to lie among the clips, or clips be taken for results.
func (b *Batch) places() (root, out string, err error) {
	if root, err = filepath.Abs(b.Root); err != nil {
		return "", "", err
	}
	if out, err = filepath.Abs(b.Out); err != nil {
		return "", "", err
	}
	if root, err = filepath.EvalSymlinks(root); err != nil {
		return "", "", err
	}
	if real, err := filepath.EvalSymlinks(out); err == nil {
		out = real
	}
	info, err := os.Stat(out)
	switch {
	case err == nil && !info.IsDir():
		return "", "", fmt.Errorf("%s: %w: it is a file", b.Out, ErrPlaces)
	case root == out:
		return "", "", fmt.Errorf("%s: %w: it is also the folder of clips", b.Out, ErrPlaces)
	case within(root, filepath.Join(out, ClipsDir)):
		return "", "", fmt.Errorf("%s: %w: the clips lie where results would go", b.Out, ErrPlaces)
	case inOutput(root):
		return "", "", fmt.Errorf("%s: %w: it holds results, or is a part of some, whose films are no clips (if clips lie there too, move the results to a folder of their own)", b.Root, ErrRoot)
	}
	return root, out, nil
}

// inOutput says whether a folder, or a file, holds results or is a part of them.
func inOutput(path string) bool {
	if IsOutput(path) {
		return true
	}
	for dir := filepath.Dir(path); dir != filepath.Dir(dir); dir = filepath.Dir(dir) {
		if IsOutput(dir) && within(path, filepath.Join(dir, ClipsDir)) {
			return true
		}
	}
	return false
}

// ErrPlaces says that an output folder cannot be used for these clips.
var ErrPlaces = errors.New("not usable as output folder")

// ErrRoot says that a folder holds no clips to look at.
var ErrRoot = errors.New("not usable as folder of clips")

// ErrNoClips is an ErrRoot for want of clips.
var ErrNoClips = fmt.Errorf("%w: no clips in it or below it (files that end in .mp4, .mov, .avi, .mkv and the like)", ErrRoot)

func within(path, dir string) bool {
	rel, err := filepath.Rel(dir, path)
	return err == nil && filepath.IsLocal(rel)
}

// run is a batch in work.
type run struct {
	b         *Batch
	atOnce    int // clips in work here
	root, out string
	store     *Store
	lock      *outputLock // nil where clips come from a queue
	queue     Jobs

	early int // clips that had a report at the start; they come first

	scratch string       // for what workers spool; "" = the system's folder of temporary files
	runners atomic.Int32 // made so far
	untidy  atomic.Bool  // a worker may have left half-written files

	rootDir string // the folder of clips, also where root is one clip
	rootID  fileID

	folders []string // by number of the clip: where its files lie, below the output folder; "" = it has none

	mu        sync.Mutex
	reports   []*report.Report  // by number of the clip, in brief; nil = not ended
	said      map[string]string // words that reports have in common
	ended     int
	lastPages time.Time

	eventMu sync.Mutex
}

func (r *run) announce(l listing) {
	var bytes int64
	for _, c := range l.Clips {
		bytes += c.Bytes
	}
	r.emit(Event{Kind: EventFound, Clips: len(l.Clips), Bytes: bytes, AtOnce: r.atOnce})
	for _, w := range l.Warnings {
		r.emit(Event{Kind: EventWarning, Reason: strings.ReplaceAll(w, r.root+string(filepath.Separator), "")})
	}
}

// work looks at clips beside each other until the queue is empty, something fatal happens or ctx ends.
func (r *run) work(ctx context.Context) error {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	var wg sync.WaitGroup
	for range max(r.atOnce, 1) {
		wg.Go(func() {
			if err := r.worker(ctx); err != nil {
				stop(err) // the first one counts
			}
		})
	}
	wg.Wait()
	return context.Cause(ctx)
}

// worker takes clips off the queue, one after the other.
func (r *run) worker(ctx context.Context) (err error) {
	rn := r.newRunner()
	defer func() { err = errors.Join(err, rn.Close()) }()
	for r.b.pass.mayBegin() {
		j, err := r.queue.Claim(ctx)
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		began := time.Now()
		rep, resumed, err := r.clip(ctx, rn, j)
		if err != nil {
			return errors.Join(err, r.queue.Release(j, err))
		}
		if err := r.queue.Finish(ctx, j, rep); err != nil {
			return err
		}
		if err := r.finished(j, rep, resumed, time.Since(began)); err != nil {
			return err
		}
	}
	return nil
}

func (r *run) newRunner() runner {
	if r.b.Worker == nil {
		return inProcess{r.b.Analyze}
	}
	s := r.b.Settings
	scratch := ""
	if r.scratch != "" {
		scratch = filepath.Join(r.scratch, strconv.Itoa(int(r.runners.Add(1))))
	}
	return &child{command: func() *exec.Cmd { return r.b.Worker(r.threads()) }, scratch: scratch, limits: limits{stall: s.Stall, deadline: s.Deadline, memoryMB: s.MemoryMB, start: workerStart}}
}

// clip brings one clip to its end. An error is one that stops the batch.
func (r *run) clip(ctx context.Context, rn runner, j Job) (rep *report.Report, resumed bool, err error) {
	c := Clip{Path: j.Path, Rel: j.Rel, Tool: r.b.Tool}
	if j.Outcome != nil {
		rep, err := r.record(c, *j.Outcome, j.NoFolder)
		return rep, false, err
	}
	r.emit(Event{Kind: EventStart, Clip: j.Rel, Bytes: j.Bytes})
	if j.Sidecar != nil {
		c.Sidecar = *j.Sidecar
		return r.tries(ctx, rn, c)
	}
	if c.Sidecar, err = r.settings(j); err != nil {
		rep, err := r.record(c, Outcome{State: report.BadSettings, Reason: r.settingsReason(err)}, false)
		return rep, false, err
	}
	return r.tries(ctx, rn, c)
}

// settings merges what was said of a clip.
func (r *run) settings(j Job) (configs.Sidecar, error) {
	sidecar, err := configs.ForClip(rootOf(r.root, j.Path), j.Path)
	if err != nil {
		return configs.Sidecar{}, err
	}
	if r.b.Settings.HideFaces {
		sidecar.HideFaces = "yes"
	}
	return sidecar, nil
}

// tries looks at a clip until there is a result, or an outcome without one.
func (r *run) tries(ctx context.Context, rn runner, c Clip) (rep *report.Report, resumed bool, err error) {
	for try := 0; ; try++ {
		rep, resumed, err := r.try(ctx, rn, &c)
		if err == nil {
			return rep, resumed, nil
		}
		again, err := r.decide(ctx, rn, c, err, try)
		if err != nil {
			return nil, false, err
		}
		if again == nil {
			continue
		}
		rep, err = r.record(c, *again, false)
		return rep, false, err
	}
}

// try looks at the clip once, unless an earlier result still holds.
func (r *run) try(ctx context.Context, rn runner, c *Clip) (rep *report.Report, resumed bool, err error) {
	before := fileStampOf(c.Path)
	old, err := r.identify(ctx, c)
	if err != nil {
		return nil, false, err
	}
	if old != nil && (settled(old.Outcome) || r.b.pass.tried(c.Tool.Key)) {
		return old, true, nil
	}
	if err := r.store.ClearClip(c.Rel); err != nil {
		return nil, false, err
	}
	_, err = rn.Run(ctx, *c, r.out, func(stage string, done, total int) {
		r.emit(Event{Kind: EventProgress, Clip: c.Rel, Stage: stage, Done: done, Total: total})
	})
	if err != nil {
		return nil, false, err
	}
	after, err := readStamp(c.Path)
	if err != nil {
		return nil, false, fmt.Errorf("%w: %w", errClipFile, err)
	}
	if before.touched(after) {
		return nil, false, errChanged
	}
	if rep = r.stored(c.Rel); rep == nil || rep.Tool.Key != c.Tool.Key {
		return nil, false, fmt.Errorf("%s: the analysis ended without its report", c.Rel)
	}
	if rep.Clip.Frames < rep.Clip.FramesExpected { // the file's own fault, or that of the way to it?
		if err := sameContent(ctx, *c); err != nil {
			return nil, false, errors.Join(err, r.store.ClearClip(c.Rel))
		}
	}
	return rep, false, nil
}

// identify hashes the clip, forms its key, and returns the report that the output folder holds under it, if any.
func (r *run) identify(ctx context.Context, c *Clip) (old *report.Report, err error) {
	if c.SHA256, err = r.hash(ctx, c); err != nil {
		return nil, err
	}
	if c.Tool.Key, err = keyOf(c.SHA256, c.Sidecar, r.b.Tool); err != nil {
		return nil, err
	}
	if old := r.stored(c.Rel); old != nil && old.Tool.Key == c.Tool.Key {
		return old, nil
	}
	return nil, nil
}

// settled says whether an outcome holds as long as nothing changes: everything but failures of ours.
func settled(o Outcome) bool { return o.State != report.Failed && o.State != report.BadSettings }

// stored is the report in the clip's folder, nil if there is none that can be read.
func (r *run) stored(rel string) *report.Report {
	name := clipFile(rel, ReportFile)
	data, err := r.store.Read(name)
	if err != nil {
		return nil
	}
	rep, err := report.Parse(name, data)
	if err != nil {
		return nil
	}
	return rep
}

// decide what follows an error: an outcome, another try (nil), or the end of the batch (an error).
func (r *run) decide(ctx context.Context, rn runner, c Clip, err error, try int) (*Outcome, error) {
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	r.untidy.Store(true)
	if away := r.rootAway(); away != nil {
		return nil, away // not the fault of this clip, nor of those that follow
	}
	if away := r.reread(ctx, c, outcomeOf(err)); away != nil {
		err = away
	}
	o := outcomeOf(err)
	if errors.Is(err, errChanged) || classify(err) == classTransient {
		r.b.pass.again(c.Rel)
	}
	switch classify(err) {
	case classInterrupted, classFatal:
		return nil, fmt.Errorf("%s: %w", c.Rel, err)
	case classInput:
		return &o, nil
	case classTransient:
		if try >= len(transientPauses) && errors.Is(err, ErrOutput) {
			return nil, fmt.Errorf("%s: %w", c.Rel, err) // nor would the others fare better
		}
		if try >= len(transientPauses) {
			return &o, nil
		}
		r.emit(Event{Kind: EventRetry, Clip: c.Rel, Reason: err.Error()})
		select {
		case <-time.After(transientPauses[try]):
			return nil, nil
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		}
	case classBug:
		rn.Renew()
		if try == 0 {
			r.emit(Event{Kind: EventRetry, Clip: c.Rel, Reason: err.Error()})
			return nil, nil
		}
	}
	if log := failureLog(err); log != "" {
		if err := r.store.Put(clipFile(c.Rel, "failure.log"), []byte(log)); err != nil {
			return nil, err
		}
	}
	return &o, nil
}

// reread reads a clip again that was found to be no video, or damaged: what was
// meant may be a file that is gone, or that a network gave only in part. Such a
// verdict holds for good, so it must be one on the content that was hashed.
func (r *run) reread(ctx context.Context, c Clip, o Outcome) error {
	if c.SHA256 == "" || o.State != report.NotVideo && o.State != report.Damaged {
		return nil
	}
	return sameContent(ctx, c)
}

// sameContent is an error where the clip cannot be read any more, or has become another.
func sameContent(ctx context.Context, c Clip) error {
	h, err := hashFile(ctx, c.Path, nil)
	if err == nil && h != c.SHA256 {
		err = errChanged
	}
	return err
}

// rootAway is an error where the folder of clips cannot be listed any more, or
// another one stands in its place, as when a disk was unplugged.
func (r *run) rootAway() error {
	if r.root == "" {
		return nil // clips come one by one, from a queue
	}
	id, err := idOf(r.rootDir)
	if err == nil && id != r.rootID {
		err = errors.New("another disk or folder is in its place")
	}
	if err != nil {
		return fmt.Errorf("%s: %w (%w): plug it in and run again; finished clips are kept", r.b.Root, ErrAway, err)
	}
	return nil
}

// failureLog is all that is known about a failure of ours.
func failureLog(err error) string {
	var de *diedError
	var ce *clipError
	var pe *panicError
	detail := ""
	switch {
	case errors.As(err, &de):
		detail = de.stderr
	case errors.As(err, &ce):
		detail = ce.Detail
	case errors.As(err, &pe):
		detail = pe.stack
	}
	return err.Error() + "\n\n" + detail
}

// record stores the report of a clip that was not looked at from end to end.
func (r *run) record(c Clip, o Outcome, noFolder bool) (*report.Report, error) {
	rep := report.Build(report.Input{Tool: c.Tool, Path: c.Rel, SHA256: c.SHA256, HitterID: c.Sidecar.Hitter, Outcome: o, InBatch: !noFolder})
	if noFolder {
		return rep, nil
	}
	if old := r.stored(c.Rel); old != nil && old.Outcome == o && old.Tool.Key == c.Tool.Key {
		return old, nil
	}
	if err := r.putRecord(c, rep); err != nil && !unnameable(err) { // else the page alone tells of it
		return nil, err
	}
	return rep, nil
}

func (r *run) putRecord(c Clip, rep *report.Report) error {
	var log []byte
	if rep.Outcome.State == report.Failed {
		log, _ = r.store.Read(clipFile(c.Rel, "failure.log")) // mostly there is none
	}
	if err := r.store.ClearClip(c.Rel); err != nil {
		return err
	}
	if len(log) > 0 {
		if err := r.store.Put(clipFile(c.Rel, "failure.log"), log); err != nil {
			return err
		}
	}
	// report.json is the last file that WriteClip writes.
	return report.WriteClip(r.store.ClipPut(c.Rel), rep, nil)
}

// settingsReason names files as the coach knows them: below the folder of clips.
func (r *run) settingsReason(err error) string {
	text := strings.ReplaceAll(err.Error(), rootOf(r.root, r.root)+string(filepath.Separator), "")
	return "The settings beside this clip are wrong, so it was not looked at. " + text
}

// rootOf is the folder at which the search for session.yaml begins: the batch's
// root, or the folder of a single clip.
func rootOf(root, clip string) string {
	if root == clip {
		if info, err := os.Stat(root); err == nil && !info.IsDir() {
			return filepath.Dir(root)
		}
	}
	return root
}

func (r *run) finished(j Job, rep *report.Report, resumed bool, took time.Duration) error {
	r.b.pass.ended(j.Rel, rep)
	r.mu.Lock()
	if r.reports != nil {
		r.reports[j.number] = rep.Brief(r.said)
	}
	r.ended++
	ended := r.ended
	due := r.reports != nil && time.Since(r.lastPages) >= pagesEvery
	if resumed && ended < r.early {
		due = false // an earlier page shows more
	}
	if due {
		r.lastPages = time.Now()
	}
	r.mu.Unlock()
	r.emit(Event{
		Kind: EventClip, Clip: j.Rel, State: rep.Outcome.State, Reason: rep.Outcome.Reason, Seconds: took.Seconds(),
		Resumed: resumed, Swings: len(rep.Swings), Lost: max(0, rep.Clip.FramesExpected-rep.Clip.Frames), Bytes: j.Bytes, Ended: ended, Clips: len(r.reports),
	})
	if due {
		return r.writePages()
	}
	return nil
}

// writePages renews the morning page from the clips that have ended.
func (r *run) writePages() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	var rows []report.BatchRow
	for i, rep := range r.reports {
		if rep != nil {
			rows = append(rows, report.BatchRow{Folder: r.folders[i], Report: rep})
		}
	}
	return report.WriteBatch(r.store.Put, rows)
}

func (r *run) summary(clips int) Summary {
	s := Summary{Clips: clips, Counts: map[string]int{}}
	for _, rep := range r.reports {
		if rep == nil {
			continue
		}
		s.Counts[rep.Outcome.State]++
		if !rep.Outcome.Processed() {
			s.Lost++
		}
	}
	return s
}

func (r *run) emit(e Event) {
	if r.b.OnEvent == nil {
		return
	}
	r.eventMu.Lock()
	defer r.eventMu.Unlock()
	e.Time = time.Now()
	r.b.OnEvent(e)
}
