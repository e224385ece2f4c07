package pipeline

import (
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	"cagebook/report"
)

// batchEnv makes the test binary run a batch: root and out, separated by a line feed.
const batchEnv = "CAGEBOOK_TEST_BATCH"

// everyFile reads what a batch left.
func everyFile(t *testing.T, dir string) map[string]string {
	t.Helper()
	got := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || d.Name() == outputMark {
			return err
		}
		data, err := os.ReadFile(path)
		rel, _ := filepath.Rel(dir, path) // path is below dir
		got[rel] = string(data)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// The whole batch, or one of its workers, is killed at random moments and
// started again until it ends. Every file must then be what a night without a
// kill leaves, and nothing else may lie there.
func TestKilledBatchEndsLikeAnUnkilledOne(t *testing.T) {
	kills := 16
	switch {
	case os.Getenv("CAGEBOOK_LONG") != "":
		kills = 200
	case testing.Short():
		kills = 4
	}
	root := t.TempDir()
	for i := range 6 {
		put(t, filepath.Join(root, fmt.Sprintf("%d.mp4", i)), fmt.Sprintf("slow %d", i))
	}
	put(t, filepath.Join(root, "text.mp4"), "text")
	calm := t.TempDir()
	if err := batchProcess(root, calm).Run(); err != nil {
		t.Fatal(err)
	}
	want := everyFile(t, calm)
	for rel, o := range outcomes(t, calm) {
		if (o.State == report.Done) != (rel != "text.mp4") {
			t.Fatalf("a calm night: %s: %+v", rel, o)
		}
	}

	rnd := rand.New(rand.NewPCG(1, 2))
	starts, killed, resumed := 0, 0, 0
	for killed < kills {
		out := t.TempDir()
		for {
			cmd := batchProcess(root, out)
			way := starts % 4
			starts++
			// A power cut between two operations on the disk, or in the middle of one: in the batch, or in a worker.
			pause := time.Duration(rnd.IntN(700)) * time.Millisecond
			mark := filepath.Join(t.TempDir(), "died")
			switch way {
			case 1:
				cmd.Env = append(cmd.Env, fmt.Sprintf("%s=batch %d %s", dieEnv, 1+rnd.IntN(120), mark))
				pause = time.Minute
			case 3:
				cmd.Env = append(cmd.Env, fmt.Sprintf("%s=worker %d %s", dieEnv, 1+rnd.IntN(250), mark))
				pause = time.Minute
			}
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			ended := make(chan error, 1)
			go func() { ended <- cmd.Wait() }()
			var err error
			select {
			case err = <-ended:
				if _, died := os.Stat(mark); died == nil {
					killed++
				}
			case <-time.After(pause):
				if way == 2 {
					killWorkers(cmd.Process.Pid) // the batch should go on by itself
				} else {
					_ = cmd.Process.Kill() // it may have ended just now
				}
				killed++
				err = <-ended
			}
			if err == nil {
				break
			}
			resumed++
		}
		got := everyFile(t, out)
		for name, text := range want {
			if got[name] != text {
				t.Errorf("%s differs:\n%q\nwant\n%q", name, got[name], text)
			}
		}
		for name := range got {
			if _, ok := want[name]; !ok {
				t.Errorf("%s is left over", name)
			}
		}
	}
	t.Logf("%d kills, %d starts after one", killed, resumed)
	if resumed == 0 {
		t.Error("no kill hit a batch in work: the test shows nothing")
	}
}

// dieEnv makes the disk of a process end it: who ("batch" or "worker"), at which
// operation, and the file that says it has happened already.
const dieEnv = "CAGEBOOK_TEST_DIE"

// faultEnv makes the disk of a process fail: who, from which operation on, and with which error.
const faultEnv = "CAGEBOOK_TEST_FAULT"

// dyingDisk kills its process before, in the middle of or after operation number at.
type dyingDisk struct {
	osDisk
	at, calls int
	mark      string
	mu        *sync.Mutex
}

// armDisk puts a dying disk in place of the real one where the environment asks for it.
func armDisk(who string) {
	var errno syscall.Errno
	var from string
	var at int
	if n, _ := fmt.Sscanf(os.Getenv(faultEnv), "%s %d %d", &from, &at, &errno); n == 3 && from == who {
		realDisk = &faultyDisk{failAt: at, dead: true, err: errno}
		return
	}
	d := &dyingDisk{mu: &sync.Mutex{}}
	var name string
	if n, _ := fmt.Sscanf(os.Getenv(dieEnv), "%s %d %s", &name, &d.at, &d.mark); n != 3 || name != who {
		return
	}
	if _, err := os.Stat(d.mark); err == nil {
		return
	}
	realDisk = d
}

// op runs do at its turn; half is the part of it that a power cut leaves.
func (d *dyingDisk) op(half func(), do func() error) error {
	d.mu.Lock()
	d.calls++
	now := d.calls == d.at
	d.mu.Unlock()
	if !now {
		return do()
	}
	if err := os.WriteFile(d.mark, nil, 0o644); err != nil {
		panic(err)
	}
	switch d.at % 3 {
	case 1:
		_ = do() // nobody is left to be told
	case 2:
		half()
	}
	_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
	select {}
}

func nothing() {}

func (d *dyingDisk) MkdirAll(dir string) error {
	return d.op(nothing, func() error { return d.osDisk.MkdirAll(dir) })
}

func (d *dyingDisk) Rename(from, to string) error {
	return d.op(nothing, func() error { return d.osDisk.Rename(from, to) })
}

func (d *dyingDisk) SyncDir(dir string) error {
	return d.op(nothing, func() error { return d.osDisk.SyncDir(dir) })
}

func (d *dyingDisk) Remove(path string) error {
	return d.op(nothing, func() error { return d.osDisk.Remove(path) })
}

// RemoveAll leaves a folder half emptied.
func (d *dyingDisk) RemoveAll(path string) error {
	return d.op(func() {
		entries, _ := os.ReadDir(path) // a file has none
		if len(entries) > 0 {
			_ = os.RemoveAll(filepath.Join(path, entries[0].Name()))
		}
	}, func() error { return d.osDisk.RemoveAll(path) })
}

func (d *dyingDisk) CreateTemp(dir string) (f tempFile, err error) {
	err = d.op(nothing, func() error {
		f, err = d.osDisk.CreateTemp(dir)
		return err
	})
	return &dyingFile{f, d}, err
}

type dyingFile struct {
	tempFile
	d *dyingDisk
}

func (f *dyingFile) Write(b []byte) (n int, err error) {
	err = f.d.op(func() { _, _ = f.tempFile.Write(b[:len(b)/2]) }, func() error {
		n, err = f.tempFile.Write(b)
		return err
	})
	return n, err
}

func (f *dyingFile) Sync() error { return f.d.op(nothing, f.tempFile.Sync) }

// batchProcess runs a batch in a process of its own, so that it can be killed.
func batchProcess(root, out string) *exec.Cmd {
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), batchEnv+"="+root+"\n"+out)
	cmd.Stderr = os.Stderr
	return cmd
}

// killWorkers kills the children of a process: the workers of a batch.
func killWorkers(pid int) {
	stats, _ := filepath.Glob("/proc/[0-9]*/stat")
	for _, s := range stats {
		data, err := os.ReadFile(s)
		if err != nil {
			continue // ended meanwhile
		}
		var child, parent int
		var name string
		var state rune
		if n, _ := fmt.Sscanf(string(data), "%d %s %c %d", &child, &name, &state, &parent); n == 4 && parent == pid {
			_ = syscall.Kill(child, syscall.SIGKILL)
		}
	}
}
