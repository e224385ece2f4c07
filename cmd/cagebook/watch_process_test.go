//go:build cgo

package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"cagebook/models"
	"cagebook/pipeline"
	"cagebook/report"
)

// running is a cagebook process that tells what it does as JSON lines.
type running struct {
	t      *testing.T
	cmd    *exec.Cmd
	events chan pipeline.Event
	seen   []pipeline.Event
}

func startCagebook(t *testing.T, args ...string) *running {
	t.Helper()
	r := &running{t: t, cmd: exec.Command("cagebook", append(args, "--json")...), events: make(chan pipeline.Event, 1000)}
	r.cmd.Stderr = os.Stderr
	out, err := r.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := r.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = r.cmd.Process.Kill() }) // it has mostly ended
	go func() {
		defer close(r.events)
		for lines := bufio.NewScanner(out); lines.Scan(); {
			var e pipeline.Event
			if json.Unmarshal(lines.Bytes(), &e) == nil {
				r.events <- e
			}
		}
	}()
	return r
}

// until waits for an event of a kind that is about a clip, or gives a reason; "" = any.
func (r *running) until(kind, about string) pipeline.Event {
	r.t.Helper()
	timeout := time.After(3 * time.Minute)
	for {
		select {
		case e, ok := <-r.events:
			if !ok {
				r.t.Fatalf("the program ended before %s %q; it told %+v", kind, about, r.seen)
			}
			r.seen = append(r.seen, e)
			if e.Kind == kind && (e.Clip == about || strings.Contains(e.Reason, about)) {
				return e
			}
		case <-timeout:
			r.t.Fatalf("no %s %q; it told %+v", kind, about, r.seen)
		}
	}
}

// stop sends SIGTERM and returns the exit status.
func (r *running) stop() int {
	r.t.Helper()
	if err := r.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		r.t.Fatal(err)
	}
	return r.end()
}

// end waits for the end.
func (r *running) end() int {
	r.t.Helper()
	for e := range r.events {
		r.seen = append(r.seen, e)
	}
	err := r.cmd.Wait()
	var ee *exec.ExitError
	if err != nil && !errors.As(err, &ee) {
		r.t.Fatal(err)
	}
	return r.cmd.ProcessState.ExitCode()
}

// drop brings a clip into the folder as a copy does that is renamed when it is whole.
func drop(t *testing.T, root, name string, data []byte) {
	t.Helper()
	part := filepath.Join(root, name+".part")
	if err := errors.Join(os.WriteFile(part, data, 0o644), os.Rename(part, filepath.Join(root, name))); err != nil {
		t.Fatal(err)
	}
}

// A watch as a process: it takes up clips as they come, is stopped in the middle of
// one, goes on, waits while the disk of the results is full, and looks at nothing twice.
func TestWatchProcess(t *testing.T) {
	dir, err := models.DefaultDir()
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range models.Status(dir) {
		if m.Err != nil && !m.Optional {
			t.Skip(m.Err)
		}
	}
	t.Setenv("CAGEBOOK_MODEL_DIR", dir)
	root, disk := t.TempDir(), t.TempDir()
	out := filepath.Join(disk, "out")
	small := syscall.Mount("tmpfs", disk, "tmpfs", 0, "size=300m") == nil
	if small {
		t.Cleanup(func() { _ = syscall.Unmount(disk, 0) })
	} else {
		t.Log("without a full disk: this user may mount nothing")
	}
	args := []string{"watch", root, "-o", out, "--poll", "1s", "--quiet", "1s", "--jobs", "1"} // a.mp4 ends before b.mp4
	clip := ffmpegClip(t, "a.mp4", "-c:v", "libx264", "-preset", "veryfast", "-pix_fmt", "yuv420p")
	same := func(i byte) []byte { return append(clip[:len(clip):len(clip)], 0, 0, 0, 9, 'f', 'r', 'e', 'e', i) } // another clip that looks the same

	w := startCagebook(t, args...)
	w.until(pipeline.EventWaiting, "there are none yet")
	drop(t, root, "text.mp4", []byte("hello"))
	w.until(pipeline.EventClip, "text.mp4")
	drop(t, root, "a.mp4", same(1))
	w.until(pipeline.EventProgress, "a.mp4") // in work
	if code := w.stop(); code != exitInterrupted {
		t.Errorf("stopped in the middle of a clip: exit status %d, want %d", code, exitInterrupted)
	}
	if _, err := os.Stat(filepath.Join(out, "clips", "a.mp4", "report.json")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("something was recorded of the clip in work: %v", err)
	}

	drop(t, root, "b.mp4", same(2)) // while nobody watches
	w = startCagebook(t, args...)
	a := w.until(pipeline.EventClip, "a.mp4")
	b := w.until(pipeline.EventClip, "b.mp4")
	if a.State != report.NoHitter || b.State != report.NoHitter || a.Resumed {
		t.Errorf("a: %+v, b: %+v", a, b)
	}
	w.until(pipeline.EventWaiting, "for new clips")
	if code := w.stop(); code != exitLost { // text.mp4 is no video
		t.Errorf("stopped with nothing left to do: exit status %d, want %d", code, exitLost)
	}
	looked, err := os.Stat(filepath.Join(out, "clips", "a.mp4", "report.json"))
	if err != nil {
		t.Fatal(err)
	}

	w = startCagebook(t, args...)
	w.until(pipeline.EventWaiting, "for new clips")
	if small { // somebody else fills the disk
		filler := filepath.Join(disk, "filler")
		if err := os.WriteFile(filler, make([]byte, 200<<20), 0o644); err != nil {
			t.Fatal(err)
		}
		drop(t, root, "c.mp4", same(3))
		w.until(pipeline.EventWaiting, "for room")
		if err := os.Remove(filler); err != nil {
			t.Fatal(err)
		}
	} else {
		drop(t, root, "c.mp4", same(3))
	}
	if c := w.until(pipeline.EventClip, "c.mp4"); c.State != report.NoHitter {
		t.Errorf("c: %+v", c)
	}
	w.until(pipeline.EventWaiting, "for new clips")
	w.stop()
	again, err := os.Stat(filepath.Join(out, "clips", "a.mp4", "report.json"))
	if err != nil || !again.ModTime().Equal(looked.ModTime()) {
		t.Errorf("a.mp4 was looked at again: %v", err)
	}
	page, err := os.ReadFile(filepath.Join(out, "batch.csv"))
	if err != nil || strings.Count(string(page), "\n") != 5 {
		t.Errorf("the page has other rows than four: %v\n%s", err, page)
	}

	// A run on a disk that is too small from the beginning stops and says of what.
	if small {
		full := t.TempDir()
		if err := syscall.Mount("tmpfs", full, "tmpfs", 0, "size=24k"); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = syscall.Unmount(full, 0) })
		text, err := exec.Command("cagebook", "run", root, "-o", filepath.Join(full, "out")).CombinedOutput()
		var ee *exec.ExitError
		if !errors.As(err, &ee) || ee.ExitCode() != exitFatal || !strings.Contains(string(text), "the output folder cannot be written") || !strings.Contains(string(text), "no space left") {
			t.Errorf("%v:\n%s", err, text)
		}
	}
}
