package queue

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"cagebook/pipeline"
	"cagebook/pipeline/video"
	"cagebook/report"
)

// seat is the place of one clip in work on a worker. It implements pipeline.Jobs.
type seat struct {
	w     *Worker
	n     int
	dir   string // in/ holds the clip, out/ what comes of it
	lease *lease
}

// attempts are how often a worker began with a clip and was not heard of again.
type attempts struct {
	N   int      `json:"n"`
	Who []string `json:"who"` // worker, time and reason, where there is one
}

// stopGrace is how long a worker that is stopped may take to put away a result that is ready.
const stopGrace = 20 * time.Second

func (s *seat) Claim(ctx context.Context) (pipeline.Job, error) {
	for {
		// A service that is started again and again on a full disk is to take no clip each time.
		if err := pipeline.CheckRoom(filepath.Dir(s.dir)); err != nil {
			return pipeline.Job{}, err
		}
		msg, err := s.w.next(ctx)
		if err != nil {
			return pipeline.Job{}, err
		}
		l := s.w.hold(msg)
		j, ok, err := s.begin(ctx, l)
		if err != nil {
			l.back()
			return pipeline.Job{}, err
		}
		if ok {
			s.lease = l
			s.inWork(&clipInWork{ID: l.id, Clip: j.Rel, Since: l.began.UTC()})
			return j, nil
		}
	}
}

// begin fetches the clip of a job. ok is false where the job needed no work and is done with.
func (s *seat) begin(ctx context.Context, l *lease) (j pipeline.Job, ok bool, err error) {
	q, st := s.w.Queue, s.w.Store
	if err := json.Unmarshal(l.msg.Data(), &l.job); err != nil || !l.job.sound() || len(l.id) != idLen {
		return j, false, s.setAside(ctx, l, "The job could not be read: submit the folder again.")
	}
	var there bool
	err = q.again(ctx, "the store", func() (err error) {
		there, err = st.has(ctx, resultName(l.id))
		return err
	})
	if err != nil {
		return j, false, err
	}
	if there {
		return j, false, s.endedBefore(ctx, l)
	}
	if err := q.readTries(ctx, l); err != nil {
		return j, false, err
	}
	if l.tries.N >= q.opt.MaxTries {
		return j, false, s.setAside(ctx, l, fmt.Sprintf("%d workers ended while they looked at this clip, so it was set aside: %s. Look at it by itself with cagebook run, or submit again.",
			l.tries.N, strings.Join(l.tries.Who, "; ")))
	}
	path, err := s.fetch(ctx, l)
	if errors.Is(err, errAltered) || errors.Is(err, os.ErrNotExist) {
		return j, false, s.setAside(ctx, l, "The store does not hold this clip as it was submitted: submit the folder again.")
	}
	if err != nil {
		return j, false, err
	}
	l.tries.N++
	l.tries.Who = append(l.tries.Who, fmt.Sprintf("%s at %s", s.w.Name, l.began.UTC().Format("15:04:05")))
	if err := q.writeTries(ctx, l); err != nil {
		return j, false, err
	}
	return pipeline.Job{ID: l.id, Rel: string(l.job.Rel), Path: path, Bytes: l.job.Bytes, Sidecar: &l.job.Sidecar}, true, nil
}

// fetch brings the clip, and what was read of it before, to this machine.
func (s *seat) fetch(ctx context.Context, l *lease) (path string, err error) {
	if err := os.RemoveAll(s.dir); err != nil {
		return "", err
	}
	in, out := filepath.Join(s.dir, "in"), filepath.Join(s.dir, "out")
	kept := filepath.Join(out, pipeline.KeptDir)
	if err := errors.Join(os.MkdirAll(in, 0o700), os.MkdirAll(kept, 0o700)); err != nil {
		return "", fmt.Errorf("%w: %w", pipeline.ErrFatal, err)
	}
	path = filepath.Join(in, filepath.Base(filepath.FromSlash(string(l.job.Rel))))
	st, sum := s.w.Store, l.job.SHA256
	altered := 0
	err = s.w.Queue.again(ctx, "the store", func() error {
		ok, err := st.fetch(ctx, clipName(sum), sum, path)
		if errors.Is(err, errAltered) {
			if altered++; altered < 3 { // the line may have done it
				return err
			}
		}
		switch {
		case errors.Is(err, errAltered):
			return final{err}
		case errors.Is(err, syscall.ENOSPC): // the folder of this worker: the store is only read
			return final{fmt.Errorf("%w: %w", pipeline.ErrFatal, err)}
		case err == nil && !ok:
			return final{os.ErrNotExist}
		case err != nil:
			return err
		}
		l.kept, err = st.read(ctx, keptName(sum))
		return err
	})
	if err == nil && l.kept != nil {
		err = os.WriteFile(filepath.Join(kept, sum), l.kept, 0o600)
	}
	return path, err
}

// Finish puts the result away: into the store, then into the records, then the job is gone.
func (s *seat) Finish(ctx context.Context, j pipeline.Job, rep *report.Report) (err error) {
	ctx, cancel := graceful(ctx)
	defer cancel()
	l, st := s.lease, s.w.Store
	defer func() {
		if err != nil {
			s.end(l, nil)
			l.back()
		}
	}()
	out := filepath.Join(s.dir, "out")
	data, err := pack(filepath.Join(out, pipeline.ClipsDir, filepath.FromSlash(j.Rel)))
	if err != nil {
		return err
	}
	kept, _ := os.ReadFile(filepath.Join(out, pipeline.KeptDir, l.job.SHA256)) // mostly there is one
	err = s.w.Queue.again(ctx, "the store", func() error {
		if kept != nil && !bytes.Equal(kept, l.kept) {
			if err := st.writeBytes(ctx, keptName(l.job.SHA256), kept, false); err != nil {
				return err
			}
		}
		return st.writeBytes(ctx, resultName(l.id), data, true)
	})
	if err != nil {
		return err
	}
	if err := s.tellEnd(ctx, l, rep.Outcome, true); err != nil {
		return err
	}
	l.done(ctx)
	s.end(l, &rep.Outcome)
	return os.RemoveAll(s.dir)
}

// graceful outlives ctx by stopGrace.
func graceful(ctx context.Context) (context.Context, context.CancelFunc) {
	long, cancel := context.WithCancel(context.WithoutCancel(ctx))
	stop := context.AfterFunc(ctx, func() {
		timer := time.AfterFunc(stopGrace, cancel)
		context.AfterFunc(long, func() { timer.Stop() })
	})
	return long, func() { stop(); cancel() }
}

// Release gives the clip to another worker. One that was only interrupted counts as
// no try, nor does one that lacks a model or a tool: under a service manager it comes back every
// few seconds, and would use up the tries of every clip there is. A full disk counts, as the clip may have filled it.
func (s *seat) Release(_ pipeline.Job, cause error) error {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	l := s.lease
	last := len(l.tries.Who) - 1
	machines := (errors.Is(cause, pipeline.ErrFatal) || errors.Is(cause, video.ErrTool)) && !errors.Is(cause, syscall.ENOSPC) && !errors.Is(cause, syscall.EDQUOT)
	if errors.Is(cause, context.Canceled) || machines {
		l.tries.N--
		l.tries.Who = l.tries.Who[:last]
	} else {
		l.tries.Who[last] += " (" + cause.Error() + ")"
	}
	err := s.w.Queue.writeTries(ctx, l)
	s.end(l, nil)
	l.back()
	return errors.Join(err, os.RemoveAll(s.dir))
}

// setAside records why nobody looked at a clip, and removes its job.
func (s *seat) setAside(ctx context.Context, l *lease, reason string) error {
	if err := s.tellEnd(ctx, l, pipeline.Outcome{State: report.Failed, Reason: reason}, false); err != nil {
		return err
	}
	l.done(ctx)
	return nil
}

// endedBefore is for a job whose result lies in the store: the worker that made it broke off before it could say so.
func (s *seat) endedBefore(ctx context.Context, l *lease) error {
	var o pipeline.Outcome
	err := s.w.Queue.again(ctx, "the store", func() error {
		data, err := s.w.Store.read(ctx, resultName(l.id))
		if err != nil {
			return err
		}
		o, err = outcomeIn(data)
		if err != nil {
			return errors.Join(err, s.w.Store.remove(ctx, resultName(l.id)))
		}
		return nil
	})
	if errors.Is(err, errCut) { // removed: the clip is looked at when the job comes back
		l.back()
		return nil
	}
	if err != nil {
		return err
	}
	if err := s.tellEnd(ctx, l, o, true); err != nil {
		return err
	}
	l.tries.N = 1 // there may be some to forget
	l.done(ctx)
	return nil
}

// outcomeIn reads how the clip of a packed result ended.
func outcomeIn(data []byte) (pipeline.Outcome, error) {
	var o pipeline.Outcome
	err := unpack(data, func(name string, data []byte) error {
		if name != pipeline.ReportFile {
			return nil
		}
		rep, err := report.Parse(name, data)
		if err != nil {
			return fmt.Errorf("%w: %w", errCut, err)
		}
		o = rep.Outcome
		return nil
	})
	if err != nil {
		return o, final{err}
	}
	return o, nil
}

func (s *seat) tellEnd(ctx context.Context, l *lease, o pipeline.Outcome, result bool) error {
	return s.w.Queue.publishRecord(ctx, record{
		ID: l.id, Rel: l.job.Rel, State: o.State, Reason: o.Reason, Result: result,
		Seconds: time.Since(l.began).Seconds(), Worker: s.w.Name, Time: time.Now().UTC(),
	}, o.State == report.Failed)
}

// event passes on what happens to the clip of this seat.
func (s *seat) event(e pipeline.Event) {
	w := s.w
	w.mu.Lock()
	defer w.mu.Unlock()
	if e.Kind == pipeline.EventProgress && w.record.InWork[s.n] != nil {
		w.record.InWork[s.n].Stage = e.Stage
	}
	if w.Batch.OnEvent != nil {
		w.Batch.OnEvent(e)
	}
}

func (s *seat) inWork(c *clipInWork) {
	s.w.mu.Lock()
	defer s.w.mu.Unlock()
	s.w.record.InWork[s.n] = c
}

// end frees the seat; how is what the clip counts as, nil = it goes back.
func (s *seat) end(l *lease, how *pipeline.Outcome) {
	s.w.mu.Lock()
	defer s.w.mu.Unlock()
	s.w.record.InWork[s.n] = nil
	s.lease = nil
	switch {
	case how == nil:
	case how.Processed():
		s.w.record.Done++
		s.w.record.Seconds += time.Since(l.began).Seconds()
	default:
		s.w.record.Failed++
	}
}

func (q *Queue) readTries(ctx context.Context, l *lease) error {
	return q.againOnQueue(ctx, func(ctx context.Context) error {
		kv, err := q.tries(ctx)
		if err != nil {
			return err
		}
		e, err := kv.Get(ctx, l.id)
		if errors.Is(err, jetstream.ErrKeyNotFound) {
			return nil
		}
		if err != nil {
			return err
		}
		l.tries = attempts{}
		_ = json.Unmarshal(e.Value(), &l.tries) // what cannot be read counts as none
		return nil
	})
}

func (q *Queue) writeTries(ctx context.Context, l *lease) error {
	data, err := json.Marshal(l.tries)
	if err != nil {
		return err
	}
	return q.againOnQueue(ctx, func(ctx context.Context) error {
		kv, err := q.tries(ctx)
		if err != nil {
			return err
		}
		_, err = kv.Put(ctx, l.id, data)
		return err
	})
}

// forgetTries leaves nothing behind; where it fails, an entry of some bytes stays.
func (q *Queue) forgetTries(ctx context.Context, id string) {
	c, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	if kv, err := q.tries(c); err == nil {
		_ = kv.Purge(c, id)
	}
}
