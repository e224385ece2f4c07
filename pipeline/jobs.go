package pipeline

import (
	"context"
	"io"
	"sync"
)

// clipJob is one clip of a batch; number is its row on the morning page.
type clipJob struct {
	number int
	found
}

// jobQueue hands out the clips of a batch, each to one worker. A job that was
// claimed is either finished, or released to be claimed again.
type jobQueue interface {
	// Claim returns io.EOF when no job is left.
	Claim(ctx context.Context) (clipJob, error)
	Finish(j clipJob, o Outcome) error
	Release(j clipJob) error
}

// folderJobs are the clips of a listed folder, in its order.
type folderJobs struct {
	mu      sync.Mutex
	waiting []clipJob
}

func newFolderJobs(l listing) *folderJobs {
	q := &folderJobs{}
	for i, f := range l.Clips {
		q.waiting = append(q.waiting, clipJob{number: i, found: f})
	}
	return q
}

func (q *folderJobs) Claim(ctx context.Context) (clipJob, error) {
	if err := ctx.Err(); err != nil {
		return clipJob{}, err
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.waiting) == 0 {
		return clipJob{}, io.EOF
	}
	j := q.waiting[0]
	q.waiting = q.waiting[1:]
	return j, nil
}

// Finish has nothing to keep: report.json in the clip's folder is the record.
func (q *folderJobs) Finish(clipJob, Outcome) error { return nil }

func (q *folderJobs) Release(j clipJob) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.waiting = append([]clipJob{j}, q.waiting...)
	return nil
}
