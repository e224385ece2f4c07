package queue

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// answerWait is long for a server that is there.
const answerWait = 5 * time.Second

// Status is how a queue fares.
type Status struct {
	Waiting int `json:"waiting"` // jobs that no worker has
	InWork  int `json:"in_work"` // jobs that a worker has, or had less than AckWait ago
	Done    int `json:"done"`    // clips that ended in the last seven days and were not set aside
	Dead    int `json:"dead"`    // clips that failed or were set aside

	// Foreign jobs wait for a version or models that no worker here has.
	Foreign   int          `json:"foreign"`
	Workers   []WorkerLine `json:"workers"`
	DeadClips []DeadLine   `json:"dead_clips"`
}

// WorkerLine is one worker.
type WorkerLine struct {
	Name       string       `json:"name"`
	Version    string       `json:"version"`
	ClipsAt    int          `json:"clips_at_once"`
	Began      time.Time    `json:"began"`
	Done       int          `json:"done"`
	NotDone    int          `json:"not_processed"`
	PerClipS   float64      `json:"seconds_per_clip"`
	InWork     []clipInWork `json:"in_work"`
	toolID     string
	heardSince time.Time
}

// DeadLine is a clip that was set aside.
type DeadLine struct {
	Clip   string    `json:"clip"`
	Reason string    `json:"reason"`
	Worker string    `json:"worker"`
	Time   time.Time `json:"time"`
}

// Status asks the server. It lists at most dead clips that were set aside, the newest.
// What was asked while the server ended is never answered: it gives up after answerWait, and may be called again.
func (q *Queue) Status(ctx context.Context, dead int) (s Status, err error) {
	ctx, cancel := context.WithTimeout(ctx, answerWait)
	defer cancel()
	if _, s.Done, err = q.count(ctx, endedStream); err != nil {
		return s, err
	}
	deadLast, n, err := q.count(ctx, deadStream)
	if err != nil {
		return s, err
	}
	s.Dead = n
	_, jobs, err := q.count(ctx, jobsStream)
	if err != nil {
		return s, err
	}
	if err := q.workers(ctx, &s); err != nil {
		return s, err
	}
	jobStream, err := q.js.Stream(ctx, jobsStream)
	if err != nil {
		return s, err
	}
	served := 0
	list := jobStream.ListConsumers(ctx)
	for c := range list.Info() {
		s.InWork += c.NumAckPending
		if slices.ContainsFunc(s.Workers, func(w WorkerLine) bool { return c.Name == "look-"+w.toolID }) {
			served += c.NumAckPending + int(c.NumPending)
		}
	}
	if err := list.Err(); err != nil {
		return s, err
	}
	s.Waiting = max(jobs-s.InWork, 0)
	s.Foreign = max(jobs-served, 0)
	s.DeadClips, err = q.deadClips(ctx, deadLast, dead)
	return s, err
}

func (q *Queue) count(ctx context.Context, name string) (last uint64, n int, err error) {
	s, err := q.js.Stream(ctx, name)
	if err != nil {
		return 0, 0, err
	}
	st := s.CachedInfo().State
	return st.LastSeq, int(st.Msgs), nil
}

func (q *Queue) workers(ctx context.Context, s *Status) error {
	kv, err := q.js.KeyValue(ctx, workersBucket)
	if err != nil {
		return err
	}
	keys, err := kv.ListKeys(ctx)
	if err != nil {
		return err
	}
	for k := range keys.Keys() {
		e, err := kv.Get(ctx, k)
		if errors.Is(err, jetstream.ErrKeyNotFound) {
			continue // gone meanwhile
		}
		if err != nil {
			return err
		}
		var r workerRecord
		if json.Unmarshal(e.Value(), &r) != nil {
			continue // of another version
		}
		l := WorkerLine{Name: r.Name, Version: r.Version, ClipsAt: r.Jobs, Began: r.Began, Done: r.Done, NotDone: r.Failed, toolID: r.Tool, heardSince: e.Created()}
		if r.Done > 0 {
			l.PerClipS = r.Seconds / float64(r.Done)
		}
		for _, c := range r.InWork {
			if c != nil {
				l.InWork = append(l.InWork, *c)
			}
		}
		s.Workers = append(s.Workers, l)
	}
	slices.SortFunc(s.Workers, func(a, b WorkerLine) int { return strings.Compare(a.Name, b.Name) })
	return nil
}

// deadClips reads the newest records of clips that were set aside.
func (q *Queue) deadClips(ctx context.Context, last uint64, most int) (out []DeadLine, err error) {
	if most == 0 || last == 0 {
		return nil, nil
	}
	s, err := q.js.Stream(ctx, deadStream)
	if err != nil {
		return nil, err
	}
	for seq := last; seq > 0 && len(out) < most && last-seq < 10*uint64(most); seq-- {
		m, err := s.GetMsg(ctx, seq)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			continue
		}
		if err != nil {
			return nil, err
		}
		var r record
		if json.Unmarshal(m.Data, &r) == nil {
			out = append(out, DeadLine{string(r.Rel), r.Reason, r.Worker, r.Time})
		}
	}
	return out, nil
}

// Line is the status in a few words.
func (s Status) Line() string {
	text := fmt.Sprintf("%d waiting, %d in work, %d done", s.Waiting, s.InWork, s.Done)
	if s.Dead > 0 {
		text += fmt.Sprintf(", %d failed", s.Dead)
	}
	switch n := len(s.Workers); n {
	case 0:
		text += ", no worker"
	case 1:
		text += ", 1 worker"
	default:
		text += fmt.Sprintf(", %d workers", n)
	}
	if s.Foreign > 0 && len(s.Workers) > 0 {
		text += fmt.Sprintf(" (%d for workers of another version)", s.Foreign)
	}
	return text
}
