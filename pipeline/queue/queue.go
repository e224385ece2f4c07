// Package queue lets many machines look at the clips of a folder: jobs and
// records go through NATS JetStream, clips and results through a store of
// objects (a shared folder, S3). It implements the two seams of package
// pipeline: Jobs on a worker, Elsewhere where a folder is submitted.
//
// A clip is never lost and its result never doubled, because the order of steps is fixed:
// clip in the store, then the job in the stream; result in the store, then the
// record that it ended, then the ack that removes the job. Whoever breaks off in
// between leaves a job that is handed out again, and each step may be repeated.
package queue

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"cagebook/configs"
	"cagebook/pipeline"
)

// Names in JetStream. A job's subject is jobSubject.<tool>.<id>: workers see the
// jobs of their own version and models alone, and the stream takes a subject once.
const (
	jobsStream    = "CAGEBOOK_JOBS"
	endedStream   = "CAGEBOOK_ENDED"
	deadStream    = "CAGEBOOK_DEAD"
	triesBucket   = "CAGEBOOK_TRIES"
	workersBucket = "CAGEBOOK_WORKERS"

	jobSubject   = "cagebook.job"
	endedSubject = "cagebook.ended"
	deadSubject  = "cagebook.dead"
)

// Options are what all programs of one queue agree on. The zero value is right
// but for tests.
type Options struct {
	// AckWait is how long a worker may be silent before its clip is handed to another one.
	AckWait time.Duration
	// MaxTries is how many workers may end over a clip before it is set aside.
	MaxTries int
	// Pause is the first wait before something that is away is tried again; it doubles up to a minute.
	Pause time.Duration
}

func (o Options) withDefaults() Options {
	if o.AckWait == 0 {
		o.AckWait = time.Minute // four heartbeats: one that is late costs nothing
	}
	if o.MaxTries == 0 {
		o.MaxTries = 3
	}
	if o.Pause == 0 {
		o.Pause = time.Second
	}
	return o
}

const (
	maxPause = time.Minute
	// keepRecords is how long it is remembered that a clip ended. Results stay in the store; these are for status and for those who wait.
	keepRecords = 7 * 24 * time.Hour
	// keepTries bounds what the bucket of tries holds; two tries at a clip are never so far apart.
	keepTries = 24 * time.Hour
	// workerLife is how long a worker that says nothing is listed.
	workerLife = 30 * time.Second
)

// ErrDenied says that the server refuses this program.
var ErrDenied = errors.New("the queue refuses")

// Queue is a connection to the server.
type Queue struct {
	opt Options
	nc  *nats.Conn
	js  jetstream.JetStream
	log *slog.Logger

	mu      sync.Mutex
	triesKV jetstream.KeyValue // opened once: opening asks the server
}

func (q *Queue) tries(ctx context.Context) (jetstream.KeyValue, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.triesKV == nil {
		kv, err := q.js.KeyValue(ctx, triesBucket)
		if err != nil {
			return nil, err
		}
		q.triesKV = kv
	}
	return q.triesKV, nil
}

// Connect opens the queue at url. A server that is away now is waited for later,
// but what it refuses is an error.
func Connect(ctx context.Context, url string, a Access, o Options, log *slog.Logger) (*Queue, error) {
	q := &Queue{opt: o.withDefaults(), log: log}
	access, err := a.options()
	if err != nil {
		return nil, err
	}
	opts := append([]nats.Option{
		nats.Name("cagebook"), nats.MaxReconnects(-1), nats.ReconnectWait(500 * time.Millisecond), nats.ReconnectJitter(200*time.Millisecond, time.Second),
		nats.RetryOnFailedConnect(false), nats.Timeout(5 * time.Second), nats.IgnoreAuthErrorAbort(),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil {
				log.Warn("the queue is away", "error", err)
			}
		}),
		nats.ReconnectHandler(func(c *nats.Conn) { log.Info("the queue is back", "server", c.ConnectedUrlRedacted()) }),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { log.Warn("queue", "error", err) }),
	}, access...)
	err = q.again(ctx, "the queue", func() (err error) {
		q.nc, err = nats.Connect(url, opts...)
		if errors.Is(err, nats.ErrAuthorization) || errors.Is(err, nats.ErrAuthExpired) || errors.Is(err, nats.ErrNkeysNotSupported) {
			return final{fmt.Errorf("%w: %w", ErrDenied, err)}
		}
		if err != nil && !errors.Is(err, nats.ErrNoServers) && !errors.Is(err, nats.ErrTimeout) && !slowHandshake(err) {
			return final{err}
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	if q.js, err = jetstream.New(q.nc); err == nil {
		err = q.again(ctx, "the queue", func() error { return q.setUp(ctx) })
	}
	if err != nil {
		q.nc.Close()
		return nil, err
	}
	return q, nil
}

// slowHandshake says whether the server sent its first ping before the handshake was over, as it does
// to a machine that is very busy. The client library has no value for it.
func slowHandshake(err error) bool {
	return err != nil && strings.Contains(err.Error(), "expected 'PONG', got 'PING'")
}

// Close ends the connection.
func (q *Queue) Close() { q.nc.Close() }

// setUp makes the streams where they are missing.
func (q *Queue) setUp(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	for _, c := range []jetstream.StreamConfig{
		{
			Name: jobsStream, Subjects: []string{jobSubject + ".*.*"}, Retention: jetstream.WorkQueuePolicy, Storage: jetstream.FileStorage,
			// A job that waits or is in work is not taken a second time.
			Discard: jetstream.DiscardNew, MaxMsgsPerSubject: 1, DiscardNewPerSubject: true,
		},
		{Name: endedStream, Subjects: []string{endedSubject + ".*"}, Storage: jetstream.FileStorage, MaxMsgsPerSubject: 1, MaxAge: keepRecords},
		{Name: deadStream, Subjects: []string{deadSubject + ".*"}, Storage: jetstream.FileStorage, MaxMsgsPerSubject: 1},
	} {
		if _, err := q.js.CreateStream(ctx, c); err != nil && !errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) {
			return fmt.Errorf("stream %s: %w", c.Name, err)
		}
	}
	for _, c := range []jetstream.KeyValueConfig{
		{Bucket: triesBucket, Storage: jetstream.FileStorage, TTL: keepTries},
		{Bucket: workersBucket, Storage: jetstream.MemoryStorage, TTL: workerLife},
	} {
		if _, err := q.js.CreateKeyValue(ctx, c); err != nil && !errors.Is(err, jetstream.ErrBucketExists) {
			return fmt.Errorf("bucket %s: %w", c.Bucket, err)
		}
	}
	return nil
}

// final marks an error that another try would not change.
type final struct{ error }

func (f final) Unwrap() error { return f.error }

// again tries until it works, ctx ends or the error is final. What is away for
// an hour is away; a night is not given up because of it.
func (q *Queue) again(ctx context.Context, what string, try func() error) error {
	pause, said := q.opt.Pause, false
	for {
		err := try()
		var f final
		switch {
		case err == nil:
			if said {
				q.log.Info(what + " is back")
			}
			return nil
		case errors.As(err, &f):
			return f.error
		case ctx.Err() != nil:
			return ctx.Err()
		}
		if !said {
			q.log.Warn(what+" is away; trying again until it is back", "error", err)
			said = true
		}
		select {
		case <-time.After(pause):
		case <-ctx.Done():
			return ctx.Err()
		}
		pause = min(2*pause, maxPause, 20*q.opt.Pause)
	}
}

// againOnQueue is again for calls to the server, which may have lost its streams.
func (q *Queue) againOnQueue(ctx context.Context, try func(ctx context.Context) error) error {
	return q.again(ctx, "the queue", func() error {
		c, cancel := context.WithTimeout(ctx, 10*time.Second)
		defer cancel()
		err := try(c)
		if errors.Is(err, jetstream.ErrNoStreamResponse) || errors.Is(err, jetstream.ErrStreamNotFound) || errors.Is(err, nats.ErrNoResponders) ||
			errors.Is(err, jetstream.ErrBucketNotFound) || errors.Is(err, jetstream.ErrConsumerNotFound) {
			_ = q.setUp(ctx) // the next try shows whether it helped
		}
		return err
	})
}

// job is a message of the jobs stream. Names of files need not be UTF-8.
type job struct {
	Rel       []byte          `json:"rel"`
	SHA256    string          `json:"sha256"`
	Bytes     int64           `json:"bytes"`
	Sidecar   configs.Sidecar `json:"sidecar"`
	Tool      pipeline.Tool   `json:"tool"` // with the clip's key
	Submitted time.Time       `json:"submitted"`
}

// sound says whether a job names files within the worker's own folder alone.
func (j *job) sound() bool {
	sum, err := hex.DecodeString(j.SHA256)
	rel := filepath.FromSlash(string(j.Rel))
	return err == nil && len(sum) == sha256.Size && filepath.IsLocal(rel) && filepath.Clean(rel) != "."
}

// record says how a job ended.
type record struct {
	ID      string    `json:"id"`
	Rel     []byte    `json:"rel"`
	State   string    `json:"state"`
	Reason  string    `json:"reason,omitempty"`
	Result  bool      `json:"result"` // the store holds files
	Seconds float64   `json:"seconds"`
	Worker  string    `json:"worker"`
	Time    time.Time `json:"time"`
}

// idOf names a job: the clip's key, which stands for content, settings, models
// and version, and its path, which the report shows.
func idOf(key, rel string) string {
	sum := sha256.Sum256([]byte(key + "\x00" + rel))
	return hex.EncodeToString(sum[:idLen/2])
}

const idLen = 32 // hex digits

// toolID is the same for all programs that make the same results.
func toolID(t pipeline.Tool) string {
	data, err := json.Marshal(pipeline.ResultsOf(t))
	if err != nil {
		panic(err) // strings and a map of strings
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:8])
}

func subjectOf(t pipeline.Tool, id string) string { return jobSubject + "." + toolID(t) + "." + id }

// publishRecord says how a job ended, to those who wait and to status.
func (q *Queue) publishRecord(ctx context.Context, r record, dead bool) error {
	data, err := json.Marshal(r)
	if err != nil {
		return err
	}
	subject := endedSubject + "." + r.ID
	if dead {
		subject = deadSubject + "." + r.ID
	}
	return q.againOnQueue(ctx, func(ctx context.Context) error {
		_, err := q.js.Publish(ctx, subject, data)
		return err
	})
}
