package pipeline

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

// A batch in which operation number n on the disk fails, once or from then on,
// for every n: it stops with an error, or says that it lost something, or the
// results are those of a calm night. The next run over the same folder ends calmly.
func TestBatchWithEachDiskCallFailing(t *testing.T) {
	oldDisk, oldPauses := realDisk, transientPauses
	transientPauses = []time.Duration{time.Millisecond, time.Millisecond}
	defer func() { realDisk, transientPauses = oldDisk, oldPauses }()
	root, calm := t.TempDir(), t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "good")
	put(t, filepath.Join(root, "b.mp4"), "text")
	calmSum, err := newBatch(root, calm).Run(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	want := everyFile(t, calm)
	faults := []error{syscall.ENOSPC, syscall.EIO, syscall.EACCES, syscall.EROFS}
	variants := 1
	if os.Getenv("CAGEBOOK_LONG") != "" {
		variants = 2 * len(faults)
	}
	stopped, lost := 0, 0
	step := 1
	if testing.Short() {
		step = 9
	}
	for n := 1; ; n += step {
		for v := range variants {
			v += n // each call meets another fault, and in the long test all of them
			what := fmt.Sprintf("call %d: %v, from then on %v", n, faults[v%4], v/4%2 == 0)
			out := t.TempDir()
			d := &faultyDisk{failAt: n, dead: v/4%2 == 0, err: faults[v%4]}
			realDisk = d
			sum, err := newBatch(root, out).Run(t.Context())
			realDisk = oldDisk
			got := everyFile(t, out)
			switch {
			case err != nil:
				stopped++
			case sum.Lost > calmSum.Lost:
				lost++
			case !maps.Equal(got, want):
				t.Errorf("%s: ended well, but the results are not those of a calm night", what)
			}
			if _, err := newBatch(root, out).Run(t.Context()); err != nil {
				t.Errorf("%s: the next run: %v", what, err)
			}
			if got := everyFile(t, out); !maps.Equal(got, want) {
				t.Errorf("%s: after the next run the results are not those of a calm night: %d files, want %d", what, len(got), len(want))
			}
			if d.calls < n {
				t.Logf("%d calls: %d runs stopped, %d said what they lost", d.calls, stopped, lost)
				if stopped < 40/step {
					t.Error("too few faults hit to show anything")
				}
				return
			}
		}
	}
}
