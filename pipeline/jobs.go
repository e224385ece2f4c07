package pipeline

import (
	"context"
	"io"
	"sync"

	"cagebook/configs"
	"cagebook/report"
)

// Job is one clip that is to be looked at.
type Job struct {
	ID       string // names the job in a queue; "" in a folder run
	Rel      string // path below the input folder, slashes
	Path     string // file on this machine
	Bytes    int64
	Sidecar  *configs.Sidecar // what was said of the clip, merged; nil = it lies beside the clip
	Outcome  *Outcome         // set: the end of it, without looking inside
	NoFolder bool             // it has no folder of results; see found

	number int // row on the morning page
}

// Jobs hands out clips, each to one worker at a time. What was claimed is either
// finished, or released to be claimed again. A queue that outlives its workers
// hands a clip out again when the worker that has it is gone.
type Jobs interface {
	// Claim waits for the next job. It returns io.EOF when none is left.
	Claim(ctx context.Context) (Job, error)
	// Finish takes the result: the report, and the clip's files, which lie complete in the output folder.
	Finish(ctx context.Context, j Job, rep *report.Report) error
	// Release gives the job back because of cause, which stopped the worker.
	Release(j Job, cause error) error
}

// folderJobs are the clips of a listed folder, in its order.
type folderJobs struct {
	mu      sync.Mutex
	waiting []Job
}

func newFolderJobs(l listing) *folderJobs {
	q := &folderJobs{}
	for i, f := range l.Clips {
		q.waiting = append(q.waiting, Job{Rel: f.Rel, Path: f.Path, Bytes: f.Bytes, Outcome: f.Outcome, NoFolder: f.NoFolder, number: i})
	}
	return q
}

// first brings the jobs that match to the front and counts them.
func (q *folderJobs) first(match func(Job) bool) (n int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	var before, after []Job
	for _, j := range q.waiting {
		if match(j) {
			before = append(before, j)
		} else {
			after = append(after, j)
		}
	}
	q.waiting = append(before, after...)
	return len(before)
}

func (q *folderJobs) Claim(ctx context.Context) (Job, error) {
	if err := ctx.Err(); err != nil {
		return Job{}, err
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.waiting) == 0 {
		return Job{}, io.EOF
	}
	j := q.waiting[0]
	q.waiting = q.waiting[1:]
	return j, nil
}

// Finish has nothing to keep: report.json in the clip's folder is the record.
func (q *folderJobs) Finish(context.Context, Job, *report.Report) error { return nil }

func (q *folderJobs) Release(j Job, _ error) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.waiting = append([]Job{j}, q.waiting...)
	return nil
}

// Serve looks at the clips that jobs hands out, one after the other, until none
// is left or ctx ends. A clip's files lie below Out when its job is finished;
// what becomes of them is the queue's business. Root and Elsewhere are not used.
func (b *Batch) Serve(ctx context.Context, jobs Jobs) error {
	r := &run{b: b, atOnce: AtOnce(b.Settings), out: b.Out, store: NewStore(b.Out), queue: jobs, scratch: b.Scratch}
	return r.worker(ctx)
}
