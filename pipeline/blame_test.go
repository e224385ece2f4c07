package pipeline

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"cagebook/report"
)

// A disk of results that fails for good, in the batch or in a worker, stops the
// batch, which says so of the output folder; no clip is blamed, none is lost.
func TestOutputFaultsAreNotTheClips(t *testing.T) {
	old := transientPauses
	transientPauses = []time.Duration{time.Millisecond, time.Millisecond}
	defer func() { transientPauses, realDisk = old, osDisk{} }()
	root := t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "good a")
	put(t, filepath.Join(root, "b.mp4"), "good b")
	for _, errno := range []syscall.Errno{syscall.EACCES, syscall.EPERM, syscall.ENOENT, syscall.ENOSPC, syscall.EDQUOT, syscall.EROFS, syscall.EIO, syscall.EINVAL} {
		for _, where := range []string{"batch", "worker"} {
			t.Run(fmt.Sprint(where, " ", errno), func(t *testing.T) {
				out := t.TempDir()
				b := newBatch(root, out)
				if where == "worker" {
					withWorkers(b, fmt.Sprintf("%s=worker 30 %d", faultEnv, errno)) // in its second clip
				} else {
					realDisk = &faultyDisk{failAt: 30, dead: true, err: errno}
				}
				_, err := b.Run(t.Context())
				realDisk = osDisk{}
				if !errors.Is(err, ErrOutput) || !errors.Is(err, errno) || !strings.Contains(err.Error(), "output folder") {
					t.Errorf("error %v, want that of the output folder", err)
				}
				for rel, o := range outcomes(t, out) {
					if o.State != report.Done {
						t.Errorf("%s: %+v", rel, o)
					}
				}
				sum, err := newBatch(root, out).Run(t.Context())
				if err != nil || sum.Counts[report.Done] != 2 {
					t.Errorf("the next run: %+v, %v", sum, err)
				}
			})
		}
	}
}

// The right to write is taken away during the run, by another user than root for whom no right is missing.
func TestOutputMayNotBeWritten(t *testing.T) {
	if os.Getuid() == 0 {
		t.Skip("root may write anywhere")
	}
	root, out := t.TempDir(), t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "good a")
	put(t, filepath.Join(root, "b.mp4"), "good b")
	b := newBatch(root, out)
	b.OnEvent = func(e Event) {
		if e.Kind == EventClip {
			if err := os.Chmod(filepath.Join(out, ClipsDir), 0o555); err != nil {
				t.Error(err)
			}
		}
	}
	_, err := b.Run(t.Context())
	if err := os.Chmod(filepath.Join(out, ClipsDir), 0o755); err != nil {
		t.Fatal(err)
	}
	if !errors.Is(err, ErrOutput) || !errors.Is(err, os.ErrPermission) {
		t.Errorf("error %v", err)
	}
	if got := outcomes(t, out); len(got) != 1 || got["a.mp4"].State != report.Done {
		t.Errorf("outcomes %v, want that of a.mp4 alone", got)
	}
}

// A clip that goes away while it is looked at is no bad clip: when it is back, it is looked at.
func TestClipGoesAwayDuringTheRun(t *testing.T) {
	root, out := t.TempDir(), t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "vanish")
	put(t, filepath.Join(root, "b.mp4"), "good")
	put(t, filepath.Join(root, "c.mp4"), "lost")
	sum, err := withWorkers(newBatch(root, out)).Run(t.Context())
	got := outcomes(t, out)
	if err != nil || sum.Lost != 2 || got["a.mp4"].State != report.Failed || !strings.Contains(got["a.mp4"].Reason, "went away") || got["b.mp4"].State != report.Done {
		t.Errorf("%+v, %v, outcomes %v", sum, err, got)
	}
	if c := got["c.mp4"]; c.State != report.Failed || strings.Contains(c.Reason, "went away") {
		t.Errorf("a temporary file went away: %+v", c)
	}
	if err := os.Rename(filepath.Join(root, "a.mp4.gone"), filepath.Join(root, "a.mp4")); err != nil {
		t.Fatal(err)
	}
	if sum, err := newBatch(root, out).Run(t.Context()); err != nil || sum.Counts[report.Done] != 2 {
		t.Errorf("after it came back: %+v, %v", sum, err)
	}
}

// Where ffprobe is missing or broken the batch stops and says so: no clip is told
// to be no video, which would hold for good.
func TestBrokenTools(t *testing.T) {
	root := t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "good")
	put(t, filepath.Join(root, "b.mp4"), "probe")
	for _, c := range []struct{ name, script, say string }{
		{"missing", "", "was not found"},
		{"exits 1", "#!/bin/sh\necho cannot open shared object file >&2; exit 1\n", "shared object"},
		{"killed", "#!/bin/sh\nkill -9 $$\n", "does not work"},
		{"says nothing", "#!/bin/sh\nexit 0\n", "does not work"},
		{"says nonsense", "#!/bin/sh\necho '{\"streams\": 7'\n", "does not work"},
	} {
		t.Run(c.name, func(t *testing.T) {
			bin, out := t.TempDir(), t.TempDir()
			if c.script != "" {
				if err := os.WriteFile(filepath.Join(bin, "ffprobe"), []byte(c.script), 0o755); err != nil {
					t.Fatal(err)
				}
			}
			t.Setenv("PATH", bin)
			_, err := withWorkers(newBatch(root, out)).Run(t.Context())
			if !errors.Is(err, ErrFatal) || !strings.Contains(err.Error(), c.say) {
				t.Errorf("error %v, want %q", err, c.say)
			}
			if got := outcomes(t, out); len(got) != 1 || got["a.mp4"].State != report.Done {
				t.Errorf("outcomes %v, want that of a.mp4 alone", got)
			}
		})
	}
}

// Results whose path would be too long for the system are a matter of that clip alone.
func TestNameTooLongForTheOutput(t *testing.T) {
	root, out := t.TempDir(), filepath.Join(t.TempDir(), strings.Repeat("o", 200))
	const longest = 4096 // PATH_MAX of Linux
	rel := strings.Repeat("deep/", (longest-40-len(root))/5) + "a.mp4"
	put(t, filepath.Join(root, rel), "good")
	put(t, filepath.Join(root, "b.mp4"), "good")
	for range 2 {
		sum, err := withWorkers(newBatch(root, out)).Run(t.Context())
		if err != nil || sum.Lost != 1 || sum.Counts[report.Done] != 1 {
			t.Fatalf("%+v, %v", sum, err)
		}
	}
	page, err := os.ReadFile(filepath.Join(out, "index.html"))
	if err != nil || !strings.Contains(string(page), "shorter, plainer names") {
		t.Errorf("the page does not say what is wrong: %v", err)
	}
}
