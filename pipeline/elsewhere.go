package pipeline

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"cagebook/report"
)

// Elsewhere looks at clips on other machines.
type Elsewhere interface {
	// Submit hands a clip over, with its key and merged settings. A clip that
	// waits, is in work or has ended is not doubled. again asks for another look
	// at a clip that failed. Submit may be called by several goroutines.
	Submit(ctx context.Context, c Clip, again bool) error
	// Next waits for the next clip, of those handed over, that has ended. It, too, may be called by several goroutines.
	Next(ctx context.Context) (Ended, error)
	// State says in a few words how the clips fare, "" = not known.
	State(ctx context.Context) string
}

// Ended is a clip that came to its end elsewhere.
type Ended struct {
	Rel     string
	Seconds float64  // spent on it
	Outcome *Outcome // set: there are no files, only this
	// Files passes the clip's files to put and what was read from its pictures to keep.
	Files func(ctx context.Context, put func(name string, data []byte) error, keep func(data []byte) error) error
}

const (
	// uploadsAtOnce is how many clips are hashed and uploaded at once, and how many results written: enough to fill a network link while one of them reads the disk.
	uploadsAtOnce = 4
	// stateEvery is how often a run that waits tells how the clips fare.
	stateEvery = 5 * time.Second
)

// elsewhere hands over every clip that is not finished, and collects the results.
func (r *run) elsewhere(ctx context.Context) error {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	sent := &sentClips{by: map[string]sentClip{}, done: make(chan struct{})}
	var uploads, collect sync.WaitGroup
	for range uploadsAtOnce {
		uploads.Go(func() {
			if err := r.handOver(ctx, sent); err != nil {
				stop(err)
			}
		})
	}
	if !r.b.NoWait {
		for range uploadsAtOnce {
			collect.Go(func() {
				if err := r.collect(ctx, sent); err != nil {
					stop(err)
				}
			})
		}
		collect.Go(func() { r.tellState(ctx, sent) })
	}
	uploads.Wait()
	sent.change(func() { sent.all = true })
	collect.Wait()
	return context.Cause(ctx)
}

// sentClips are those of which the result is awaited.
type sentClips struct {
	mu   sync.Mutex
	by   map[string]sentClip // by path
	all  bool                // no more will come
	done chan struct{}       // closed when all is set and none is awaited
}

type sentClip struct {
	job  Job
	clip Clip
}

func (s *sentClips) change(f func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f()
	if s.all && len(s.by) == 0 {
		select {
		case <-s.done:
		default:
			close(s.done)
		}
	}
}

func (s *sentClips) get(rel string) (c sentClip, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	c, ok = s.by[rel]
	return c, ok
}

func (s *sentClips) remove(rel string) { s.change(func() { delete(s.by, rel) }) }

// handOver takes clips off the list: finished ones are noted, others submitted.
func (r *run) handOver(ctx context.Context, sent *sentClips) error {
	for {
		j, err := r.queue.Claim(ctx)
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		rep, c, again, err := r.prepare(ctx, j)
		if err != nil {
			return err
		}
		if rep != nil {
			if err := r.finished(j, rep, settled(rep.Outcome) && j.Outcome == nil, 0); err != nil {
				return err
			}
			continue
		}
		// It is awaited before it is handed over: it may end in between.
		sent.change(func() { sent.by[j.Rel] = sentClip{j, c} })
		r.emit(Event{Kind: EventStart, Clip: j.Rel, Bytes: j.Bytes})
		if err := r.b.Elsewhere.Submit(ctx, c, again); err != nil {
			rep, err := r.notHandedOver(ctx, c, err)
			if err != nil {
				return err
			}
			if err := r.finished(j, rep, false, 0); err != nil {
				return err
			}
			sent.remove(j.Rel)
		}
	}
}

// prepare identifies a clip. A report is what is known of it without looking at it; again means that it failed before.
func (r *run) prepare(ctx context.Context, j Job) (rep *report.Report, c Clip, again bool, err error) {
	c = Clip{Path: j.Path, Rel: j.Rel, Tool: r.b.Tool}
	if j.Outcome != nil {
		rep, err = r.record(c, *j.Outcome, j.NoFolder)
		return rep, c, false, err
	}
	if c.Sidecar, err = r.settings(j); err != nil {
		rep, err = r.record(c, Outcome{State: report.BadSettings, Reason: r.settingsReason(err)}, false)
		return rep, c, false, err
	}
	old, err := r.identify(ctx, &c)
	switch {
	case err != nil:
		rep, err = r.notHandedOver(ctx, c, err)
		return rep, c, false, err
	case old != nil && settled(old.Outcome):
		return old, c, false, nil
	}
	return nil, c, old != nil, nil
}

// notHandedOver decides what follows an error before the clip was handed over.
func (r *run) notHandedOver(ctx context.Context, c Clip, err error) (*report.Report, error) {
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	if away := r.rootAway(); away != nil {
		return nil, away
	}
	if k := classify(err); k != classInput && k != classTransient {
		return nil, fmt.Errorf("%s: %w", c.Rel, err)
	}
	return r.record(c, outcomeOf(err), false)
}

// collect writes results into the output folder until nothing is awaited.
func (r *run) collect(ctx context.Context, sent *sentClips) error {
	waiting, enough := context.WithCancel(ctx)
	defer enough()
	var watch sync.WaitGroup
	watch.Go(func() {
		select {
		case <-sent.done:
			enough()
		case <-waiting.Done():
		}
	})
	defer watch.Wait()
	defer enough()
	for {
		e, err := r.b.Elsewhere.Next(waiting)
		if ctx.Err() == nil && waiting.Err() != nil {
			return nil
		}
		if err != nil {
			return err
		}
		s, ok := sent.get(e.Rel)
		if !ok {
			continue // told twice
		}
		rep, err := r.takeIn(ctx, s.clip, e)
		if err != nil {
			return err
		}
		if err := r.finished(s.job, rep, false, time.Duration(e.Seconds*float64(time.Second))); err != nil {
			return err
		}
		sent.remove(e.Rel)
	}
}

// takeIn stores what came back of a clip, report.json last.
func (r *run) takeIn(ctx context.Context, c Clip, e Ended) (*report.Report, error) {
	if e.Outcome != nil {
		return r.record(c, *e.Outcome, false)
	}
	if err := r.store.ClearClip(c.Rel); err != nil {
		return nil, err
	}
	var last []byte
	put := r.store.ClipPut(c.Rel)
	err := e.Files(ctx, func(name string, data []byte) error {
		if name == ReportFile {
			last = data
			return nil
		}
		return put(name, data)
	}, func(data []byte) error { return r.store.Put(KeptDir+"/"+c.SHA256, data) })
	if err != nil {
		return nil, err
	}
	rep, err := report.Parse(c.Rel, last)
	if err == nil && rep.Tool.Key != c.Tool.Key {
		err = errors.New("it is the result of another clip")
	}
	if err != nil {
		return nil, fmt.Errorf("%s: the result that came back: %w", c.Rel, err)
	}
	return rep, put(ReportFile, last)
}

// tellState emits how the clips fare, while some are awaited.
func (r *run) tellState(ctx context.Context, sent *sentClips) {
	tick := time.NewTicker(stateEvery)
	defer tick.Stop()
	last := ""
	for {
		select {
		case <-ctx.Done():
			return
		case <-sent.done:
			return
		case <-tick.C:
		}
		if text := r.b.Elsewhere.State(ctx); text != "" && text != last {
			last = text
			r.emit(Event{Kind: EventQueue, Reason: text})
		}
	}
}
