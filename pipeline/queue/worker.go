package queue

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/sys/unix"

	"cagebook/pipeline"
)

// Worker looks at the clips of a queue.
type Worker struct {
	Queue *Queue
	Store *Store
	Name  string // what status calls it

	// Batch says how clips are looked at, Settings.Jobs at once. Root, Out and Elsewhere are not used.
	Batch pipeline.Batch

	Scratch    string // folder for the clips in work; they are removed as they end
	UntilEmpty bool   // end when nothing waits and nothing is in work

	cons   jetstream.Consumer
	consMu sync.Mutex

	mu     sync.Mutex // guards what follows, and calls of Batch.OnEvent
	id     string
	record workerRecord
}

// workerRecord is what a worker says of itself every few seconds.
type workerRecord struct {
	Name    string        `json:"name"`
	Version string        `json:"version"`
	Tool    string        `json:"tool"`
	Jobs    int           `json:"jobs"` // clips at once
	Began   time.Time     `json:"began"`
	Done    int           `json:"done"`
	Failed  int           `json:"failed"`
	Seconds float64       `json:"seconds"` // spent on clips that ended
	InWork  []*clipInWork `json:"in_work"`
}

type clipInWork struct {
	ID    string    `json:"id"`
	Clip  string    `json:"clip"`
	Stage string    `json:"stage"`
	Since time.Time `json:"since"`
}

// untilEmptyWait is how long a worker that is to end with the queue waits for a job before it looks whether there are any.
const untilEmptyWait = time.Second

// Run works until ctx ends, the queue is empty (where asked for), or something
// strikes that every clip on this machine would meet.
func (w *Worker) Run(ctx context.Context) error {
	dir, unlock, err := scratch(w.Scratch)
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(dir); unlock() }() // what stays is removed by the next worker here
	slots := pipeline.AtOnce(w.Batch.Settings)
	w.id = rand.Text()
	w.record = workerRecord{
		Name: w.Name, Version: w.Batch.Tool.Version, Tool: toolID(w.Batch.Tool), Jobs: slots, Began: time.Now().UTC(),
		InWork: make([]*clipInWork, slots),
	}
	if err := w.openConsumer(ctx); err != nil {
		return err
	}
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	var work, tell sync.WaitGroup
	for n := range slots {
		s := &seat{w: w, n: n, dir: filepath.Join(dir, strconv.Itoa(n))}
		b := w.Batch
		b.Root, b.Out, b.OnEvent = "", filepath.Join(s.dir, "out"), s.event
		b.Scratch = filepath.Join(dir, "spool", strconv.Itoa(n)) // so that what a killed worker spooled is removed, too
		work.Go(func() {
			if err := b.Serve(ctx, s); err != nil {
				stop(err)
			}
		})
	}
	telling, quiet := context.WithCancel(context.WithoutCancel(ctx))
	tell.Go(func() { w.tell(telling) })
	work.Wait()
	quiet()
	tell.Wait()
	return context.Cause(ctx)
}

// scratch makes a folder of this process below parent and removes those of workers that were killed: neither clips nor their pictures lie about.
func scratch(parent string) (dir string, unlock func(), err error) {
	if parent == "" {
		parent = os.TempDir()
	}
	if err := os.MkdirAll(parent, 0o755); err != nil {
		return "", nil, err
	}
	const prefix = "cagebook-worker-"
	old, err := filepath.Glob(filepath.Join(parent, prefix+"*"))
	if err != nil {
		return "", nil, err
	}
	for _, d := range old {
		if f, ok := lockDir(d); ok {
			_ = os.RemoveAll(d) // another's account: not ours to remove
			_ = f.Close()
		}
	}
	if dir, err = os.MkdirTemp(parent, prefix); err != nil {
		return "", nil, err
	}
	f, ok := lockDir(dir)
	if !ok {
		return "", nil, fmt.Errorf("%s cannot be locked", dir)
	}
	return dir, func() { _ = f.Close() }, nil
}

func lockDir(dir string) (*os.File, bool) {
	f, err := os.Open(dir)
	if err != nil {
		return nil, false
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		_ = f.Close()
		return nil, false
	}
	return f, true
}

func (w *Worker) openConsumer(ctx context.Context) error {
	tool := toolID(w.Batch.Tool)
	return w.Queue.againOnQueue(ctx, func(ctx context.Context) error {
		c, err := w.Queue.js.CreateOrUpdateConsumer(ctx, jobsStream, jetstream.ConsumerConfig{
			Durable: "look-" + tool, FilterSubject: jobSubject + "." + tool + ".*",
			AckPolicy: jetstream.AckExplicitPolicy, AckWait: w.Queue.opt.AckWait,
			MaxDeliver: -1, MaxAckPending: -1, // tries are counted where a clip is begun: a worker that is stopped costs none
			MaxWaiting: 10_000, InactiveThreshold: keepRecords,
		})
		if err == nil {
			w.consMu.Lock()
			w.cons = c
			w.consMu.Unlock()
		}
		return err
	})
}

// tell keeps the worker's entry in the list of workers.
func (w *Worker) tell(ctx context.Context) {
	put := func(ctx context.Context, gone bool) error {
		ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
		defer cancel()
		kv, err := w.Queue.js.KeyValue(ctx, workersBucket)
		if err != nil {
			return err
		}
		if gone {
			return kv.Delete(ctx, w.id)
		}
		w.mu.Lock()
		data, err := json.Marshal(w.record)
		w.mu.Unlock()
		if err == nil {
			_, err = kv.Put(ctx, w.id, data)
		}
		return err
	}
	tick := time.NewTicker(min(workerLife/6, w.Queue.opt.AckWait))
	defer tick.Stop()
	_ = put(ctx, false) // the next one will do
	for {
		select {
		case <-tick.C:
			if put(ctx, false) != nil { // a hub that was started again has lost the list, which lies in its memory
				_ = w.Queue.setUp(ctx) // likewise
			}
		case <-ctx.Done():
			_ = put(context.WithoutCancel(ctx), true) // the list forgets it by itself
			return
		}
	}
}

// next waits for a job.
func (w *Worker) next(ctx context.Context) (jetstream.Msg, error) {
	wait := 20 * time.Second
	if w.UntilEmpty {
		wait = untilEmptyWait
	}
	for ctx.Err() == nil {
		w.consMu.Lock()
		cons := w.cons
		w.consMu.Unlock()
		asked := time.Now()
		fetch, cancel := context.WithTimeout(ctx, wait)
		msg, err := cons.Next(jetstream.FetchContext(fetch))
		cancel()
		switch {
		case err == nil:
			return msg, nil
		case ctx.Err() != nil:
			return nil, ctx.Err()
		case errors.Is(err, nats.ErrTimeout), errors.Is(err, context.DeadlineExceeded):
			if w.UntilEmpty {
				c, cancel := context.WithTimeout(ctx, 5*time.Second)
				info, err := cons.Info(c)
				cancel()
				if err == nil && info.NumPending == 0 && info.NumAckPending == 0 {
					return nil, io.EOF
				}
			}
			continue
		}
		if since := time.Since(asked); since < w.Queue.opt.Pause { // do not spin where the server is away
			select {
			case <-time.After(w.Queue.opt.Pause - since):
			case <-ctx.Done():
				return nil, ctx.Err()
			}
		}
		if err := w.openConsumer(ctx); err != nil {
			return nil, err
		}
	}
	return nil, ctx.Err()
}

// hold keeps a job from being handed to another worker until it is let go.
func (w *Worker) hold(msg jetstream.Msg) *lease {
	ctx, cancel := context.WithCancel(context.Background())
	l := &lease{q: w.Queue, msg: msg, began: time.Now(), stop: cancel}
	l.id = msg.Subject()[strings.LastIndexByte(msg.Subject(), '.')+1:]
	l.beats.Go(func() {
		tick := time.NewTicker(w.Queue.opt.AckWait / 4)
		defer tick.Stop()
		for {
			select {
			case <-tick.C:
				_ = msg.InProgress() // lost with the connection: the next one counts
			case <-ctx.Done():
				return
			}
		}
	})
	return l
}

// lease is a job that this worker has.
type lease struct {
	q     *Queue
	msg   jetstream.Msg
	id    string
	job   job
	began time.Time
	tries attempts
	kept  []byte // what the store has of it

	stop  context.CancelFunc
	beats sync.WaitGroup
}

func (l *lease) letGo() {
	l.stop()
	l.beats.Wait()
}

// done removes the job from the queue. Where that cannot be done it is handed out
// again, and found to have ended.
func (l *lease) done(ctx context.Context) {
	defer l.letGo()
	c, cancel := context.WithTimeout(ctx, l.q.opt.AckWait)
	defer cancel()
	for c.Err() == nil {
		one, stop := context.WithTimeout(c, 5*time.Second)
		err := l.msg.DoubleAck(one)
		stop()
		if err == nil || errors.Is(err, jetstream.ErrMsgAlreadyAckd) {
			break
		}
		select {
		case <-time.After(l.q.opt.Pause):
		case <-c.Done():
		}
	}
	if l.tries.N > 0 {
		l.q.forgetTries(ctx, l.id)
	}
}

// back gives the job to the next worker that asks.
func (l *lease) back() {
	l.letGo()
	_ = l.msg.Nak() // where it does not arrive, the job comes back by itself
}
