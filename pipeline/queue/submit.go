package queue

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"cagebook/pipeline"
	"cagebook/report"
)

// Submitter hands the clips of a folder to a queue and takes the results from
// the store. It implements pipeline.Elsewhere.
type Submitter struct {
	q     *Queue
	store *Store
	stop  func()

	mu       sync.Mutex
	mine     map[string]pipeline.Clip // by ID of the job: handed over, not known to have ended
	complete map[string]bool          // objects of clips that ended
	order    []string                 // IDs in the order in which sweep looks at them
	ended    []record
	changed  chan struct{} // one place: ended has grown
}

const (
	// sweepEvery is how often a few clips that are awaited are looked up one by one:
	// it makes up for whatever a server that was away did not tell.
	sweepEvery = 30 * time.Second
	sweepClips = 500
)

// NewSubmitter begins to listen for clips that end.
func NewSubmitter(ctx context.Context, q *Queue, s *Store) (*Submitter, error) {
	u := &Submitter{q: q, store: s, mine: map[string]pipeline.Clip{}, complete: map[string]bool{}, changed: make(chan struct{}, 1)}
	var follow []jetstream.ConsumeContext
	for _, name := range []string{endedStream, deadStream} {
		err := q.againOnQueue(ctx, func(ctx context.Context) error {
			c, err := q.js.OrderedConsumer(ctx, name, jetstream.OrderedConsumerConfig{DeliverPolicy: jetstream.DeliverNewPolicy})
			if err != nil {
				return err
			}
			f, err := c.Consume(func(m jetstream.Msg) {
				var r record
				if json.Unmarshal(m.Data(), &r) == nil {
					u.end(r)
				}
			})
			if err == nil {
				follow = append(follow, f)
			}
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	sweeping, quiet := context.WithCancel(ctx)
	var sweep sync.WaitGroup
	sweep.Go(func() { u.sweep(sweeping) })
	u.stop = func() {
		quiet()
		sweep.Wait()
		for _, f := range follow {
			f.Stop()
		}
	}
	return u, nil
}

// Clear removes from the store the clips that ended, and all that was made of
// them. Call it when their results are collected: another submitter of the same
// clips that still waits would have to run again.
func (u *Submitter) Clear(ctx context.Context) error {
	u.mu.Lock()
	defer u.mu.Unlock()
	for name := range u.complete {
		if err := u.q.again(ctx, "the store", func() error { return u.store.remove(ctx, name) }); err != nil {
			return err
		}
	}
	return nil
}

// Close stops listening and tidies the store.
func (u *Submitter) Close() {
	u.stop()
	u.mu.Lock()
	defer u.mu.Unlock()
	u.store.tidy(func(name string) bool { return u.complete[name] })
}

// Submit uploads a clip and queues its job, unless its result is there already.
func (u *Submitter) Submit(ctx context.Context, c pipeline.Clip, again bool) error {
	id := idOf(c.Tool.Key, c.Rel)
	u.mu.Lock()
	u.mine[id] = c
	u.order = append(u.order, id)
	u.mu.Unlock()
	r, ok, err := u.lookUp(ctx, id, c)
	if err != nil {
		return err
	}
	if ok && again && r.State == report.Failed {
		ok = false
		err := u.q.again(ctx, "the store", func() error { return u.store.remove(ctx, resultName(id)) })
		if err == nil {
			err = u.forgetDead(ctx, id)
		}
		if err != nil {
			return err
		}
	}
	return u.settle(ctx, id, c, r, ok)
}

// settle takes in how a job ended (ok), or sees to it that clip and job are there.
func (u *Submitter) settle(ctx context.Context, id string, c pipeline.Clip, r record, ok bool) error {
	if ok {
		u.end(r)
		return nil
	}
	if err := u.upload(ctx, c); err != nil {
		return err
	}
	return u.enqueue(ctx, id, c)
}

// lookUp says how a job ended, if it did.
func (u *Submitter) lookUp(ctx context.Context, id string, c pipeline.Clip) (r record, ok bool, err error) {
	var data []byte
	err = u.q.again(ctx, "the store", func() (err error) {
		ok, err = u.store.has(ctx, resultName(id))
		if ok {
			data, err = u.store.read(ctx, resultName(id))
		}
		return err
	})
	if err != nil {
		return r, false, err
	}
	if ok {
		if o, err := outcomeIn(data); err == nil {
			return record{ID: id, Rel: []byte(c.Rel), State: o.State, Reason: o.Reason, Result: true}, true, nil
		}
		return r, false, u.q.again(ctx, "the store", func() error { return u.store.remove(ctx, resultName(id)) })
	}
	err = u.q.againOnQueue(ctx, func(ctx context.Context) error {
		s, err := u.q.js.Stream(ctx, deadStream)
		if err != nil {
			return err
		}
		m, err := s.GetLastMsgForSubject(ctx, deadSubject+"."+id)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return nil
		}
		if err == nil {
			ok = json.Unmarshal(m.Data, &r) == nil && !r.Result // one with a result that is gone is looked at again
		}
		return err
	})
	return r, ok, err
}

func (u *Submitter) forgetDead(ctx context.Context, id string) error {
	return u.q.againOnQueue(ctx, func(ctx context.Context) error {
		s, err := u.q.js.Stream(ctx, deadStream)
		if err != nil {
			return err
		}
		return s.Purge(ctx, jetstream.WithPurgeSubject(deadSubject+"."+id))
	})
}

func (u *Submitter) upload(ctx context.Context, c pipeline.Clip) error {
	return u.q.again(ctx, "the store", func() error {
		there, err := u.store.has(ctx, clipName(c.SHA256))
		if err != nil || there {
			return err
		}
		f, err := os.Open(c.Path)
		if err != nil {
			return final{err}
		}
		defer f.Close()
		return u.store.write(ctx, clipName(c.SHA256), f, false)
	})
}

// errCodeFull is what the server answers where a subject holds its one message
// (JSStreamStoreFailedF in the server's list of errors).
const errCodeFull jetstream.ErrorCode = 10077

func (u *Submitter) enqueue(ctx context.Context, id string, c pipeline.Clip) error {
	info, err := os.Stat(c.Path)
	if err != nil {
		return err
	}
	return u.enqueueBytes(ctx, id, c, info.Size())
}

func (u *Submitter) enqueueBytes(ctx context.Context, id string, c pipeline.Clip, bytes int64) error {
	data, err := json.Marshal(job{[]byte(c.Rel), c.SHA256, bytes, c.Sidecar, c.Tool, time.Now().UTC()})
	if err != nil {
		return err
	}
	return u.q.againOnQueue(ctx, func(ctx context.Context) error {
		_, err := u.q.js.Publish(ctx, subjectOf(c.Tool, id), data, jetstream.WithExpectStream(jobsStream))
		var api *jetstream.APIError
		if errors.As(err, &api) {
			if api.ErrorCode == errCodeFull && api.Description == "maximum messages per subject exceeded" {
				return nil // it waits or is in work
			}
			if api.Code == 400 {
				return final{err}
			}
		}
		return err
	})
}

// end notes that a job ended, once.
func (u *Submitter) end(r record) {
	u.mu.Lock()
	c, ok := u.mine[r.ID]
	if ok {
		u.complete[clipName(c.SHA256)], u.complete[keptName(c.SHA256)], u.complete[resultName(r.ID)] = true, true, true
		delete(u.mine, r.ID)
		u.ended = append(u.ended, r)
	}
	u.mu.Unlock()
	if ok {
		select {
		case u.changed <- struct{}{}:
		default:
		}
	}
}

// Next waits for the next clip that has ended.
func (u *Submitter) Next(ctx context.Context) (pipeline.Ended, error) {
	for {
		u.mu.Lock()
		if len(u.ended) > 0 {
			r := u.ended[0]
			u.ended = u.ended[1:]
			u.mu.Unlock()
			return u.endedClip(r), nil
		}
		u.mu.Unlock()
		select {
		case <-u.changed:
		case <-ctx.Done():
			return pipeline.Ended{}, ctx.Err()
		}
	}
}

func (u *Submitter) endedClip(r record) pipeline.Ended {
	e := pipeline.Ended{Rel: string(r.Rel), Seconds: r.Seconds}
	if !r.Result {
		e.Outcome = &pipeline.Outcome{State: r.State, Reason: r.Reason}
		return e
	}
	e.Files = func(ctx context.Context, put func(name string, data []byte) error, keep func(data []byte) error) error {
		var data, kept []byte
		err := u.q.again(ctx, "the store", func() (err error) {
			if data, err = u.store.read(ctx, resultName(r.ID)); err != nil {
				return err
			}
			if data == nil {
				return final{fmt.Errorf("%s: its result is gone from the store: run the same command again", r.Rel)}
			}
			kept, err = u.store.read(ctx, keptName(u.sum(data)))
			return err
		})
		if err != nil {
			return err
		}
		if kept != nil {
			if err := keep(kept); err != nil {
				return err
			}
		}
		return unpack(data, put)
	}
	return e
}

// sum is the content hash of the clip whose result this is; zeros where it has none.
func (u *Submitter) sum(data []byte) string {
	sum := ""
	_ = unpack(data, func(name string, data []byte) error {
		if name == pipeline.ReportFile {
			if rep, err := report.Parse(name, data); err == nil {
				sum = rep.Clip.SHA256
			}
		}
		return nil
	})
	if len(sum) != 64 {
		return fmt.Sprintf("%064d", 0)
	}
	return sum
}

// sweep looks awaited clips up one by one, and queues again what the server no longer has.
func (u *Submitter) sweep(ctx context.Context) {
	tick := time.NewTicker(min(sweepEvery, 2*u.q.opt.AckWait))
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
		for range sweepClips {
			id, c, ok := u.oldest()
			if !ok {
				break
			}
			if err := u.lookAgain(ctx, id, c); err != nil && ctx.Err() == nil {
				u.q.log.Warn("looking up a clip that is awaited", "clip", c.Rel, "error", err)
			}
		}
	}
}

func (u *Submitter) lookAgain(ctx context.Context, id string, c pipeline.Clip) error {
	r, ok, err := u.lookUp(ctx, id, c)
	if err != nil {
		return err
	}
	return u.settle(ctx, id, c, r, ok)
}

// oldest is the awaited clip that was looked up the longest time ago.
func (u *Submitter) oldest() (id string, c pipeline.Clip, ok bool) {
	u.mu.Lock()
	defer u.mu.Unlock()
	for len(u.order) > 0 {
		id := u.order[0]
		u.order = u.order[1:]
		if c, ok := u.mine[id]; ok {
			u.order = append(u.order, id)
			return id, c, true
		}
	}
	return "", c, false
}

// State says how the queue fares.
func (u *Submitter) State(ctx context.Context) string {
	c, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	s, err := u.q.Status(c, 0)
	switch {
	case errors.Is(err, nats.ErrTimeout) || errors.Is(err, context.DeadlineExceeded) || u.q.nc.Status() != nats.CONNECTED:
		return "the queue is away"
	case err != nil:
		return ""
	}
	return s.Line()
}
