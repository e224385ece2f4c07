package pipeline

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"sync/atomic"
	"testing"
	"time"

	"cagebook/configs"
	"cagebook/report"
)

func TestCarried(t *testing.T) {
	for _, c := range []struct {
		name   string
		cores  int
		freeMB float64
		want   int
	}{
		{"memory for all cores", 4, 24000, 4},
		{"a laptop with little memory", 8, 5000, 3},
		{"hardly any memory: one all the same", 8, 300, 1},
		{"one core", 1, 64000, 1},
		{"more cores than are of use", 512, 1e7, configs.MaxJobs},
	} {
		if got := carried(c.cores, c.freeMB); got != c.want {
			t.Errorf("%s: %d, want %d", c.name, got, c.want)
		}
	}
}

// The form of these files: proc_meminfo(5), cgroups(7), and "Control Group v2" of the kernel's administration guide.
func TestFreeMemory(t *testing.T) {
	const info = "MemTotal:       16000000 kB\nMemFree:          500000 kB\nMemAvailable:    8192000 kB\n"
	for _, c := range []struct {
		name  string
		files map[string]string
		want  float64
	}{
		{"no control groups", map[string]string{"proc/meminfo": info}, 8000},
		{"version 1", map[string]string{"proc/meminfo": info, "proc/self/cgroup": "5:cpu,cpuacct:/\n4:memory:/user.slice\n", "sys/fs/cgroup/memory/user.slice/memory.limit_in_bytes": "9223372036854771712\n"}, 8000},
		{"a container of version 1", map[string]string{"proc/meminfo": info, "proc/self/cgroup": "4:memory:/box/0a1b\n", "sys/fs/cgroup/memory/memory.limit_in_bytes": "3221225472\n"}, 3072},
		{"no limit", map[string]string{"proc/meminfo": info, "proc/self/cgroup": "0::/a/b\n", "sys/fs/cgroup/a/b/memory.max": "max\n"}, 8000},
		{"a container", map[string]string{"proc/meminfo": info, "proc/self/cgroup": "0::/\n", "sys/fs/cgroup/memory.max": "2147483648\n"}, 2048},
		{"the limit of a group above", map[string]string{"proc/meminfo": info, "proc/self/cgroup": "0::/a/b\n", "sys/fs/cgroup/a/memory.max": "4294967296\n", "sys/fs/cgroup/a/b/memory.max": "max\n"}, 4096},
		{"a limit beyond what there is", map[string]string{"proc/meminfo": info, "proc/self/cgroup": "0::/\n", "sys/fs/cgroup/memory.max": "99999999999999\n"}, 8000},
	} {
		root := t.TempDir()
		for name, text := range c.files {
			if err := os.MkdirAll(filepath.Dir(filepath.Join(root, name)), 0o755); err != nil {
				t.Fatal(err)
			}
			put(t, filepath.Join(root, name), text)
		}
		if got, err := freeMB(root); err != nil || got != c.want {
			t.Errorf("%s: %g, %v; want %g", c.name, got, err, c.want)
		}
	}
	root := t.TempDir()
	if err := os.Mkdir(filepath.Join(root, "proc"), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{"", "MemTotal: 5 kB\n", "MemAvailable: much\n"} {
		put(t, filepath.Join(root, "proc/meminfo"), text)
		if got, err := freeMB(root); err == nil {
			t.Errorf("%q: %g, want an error", text, got)
		}
	}
}

// What is said counts; else the last clips of a folder have the cores to themselves.
func TestThreadsOfAWorker(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	for _, c := range []struct {
		name                                      string
		cores, said, atOnce, clips, ended, wanted int
	}{
		{"a long folder", 4, 0, 4, 300, 10, 2},
		{"two clips on two cores", 2, 0, 2, 2, 0, 2},
		{"the last one of many", 4, 0, 4, 300, 299, 4},
		{"the last three", 4, 0, 4, 300, 297, 2},
		{"little memory", 8, 0, 2, 300, 0, 4},
		{"a queue", 8, 0, 2, 0, 0, 4},
		{"as said", 4, 3, 4, 300, 0, 3},
		{"more clips at once than cores", 4, 0, 9, 300, 0, 2},
		{"one core", 1, 0, 1, 300, 0, 1},
	} {
		runtime.GOMAXPROCS(c.cores)
		r := &run{b: &Batch{Settings: configs.Settings{Threads: c.said}}, atOnce: c.atOnce, reports: make([]*report.Report, c.clips), ended: c.ended}
		if got := r.threads(); got != c.wanted {
			t.Errorf("%s: %d, want %d", c.name, got, c.wanted)
		}
	}
}

// Clips are in work beside each other where nothing else is said.
func TestBatchClipsAtOnce(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(2))
	if free, err := freeMB("/"); err != nil || carried(2, free) < 2 {
		t.Skipf("%g MB free, %v", free, err)
	}
	root := t.TempDir()
	for _, name := range []string{"a.mp4", "b.mp4", "c.mp4"} {
		put(t, filepath.Join(root, name), "good")
	}
	b := newBatch(root, t.TempDir())
	b.Settings.Jobs = 0
	var begun atomic.Int32
	both := make(chan struct{})
	told := 0
	b.OnEvent = func(e Event) {
		if e.Kind == EventFound {
			told = e.AtOnce
		}
	}
	look := b.Analyze
	b.Analyze = func(ctx context.Context, c Clip, progress Progress) (Result, error) {
		if begun.Add(1) == 2 {
			close(both)
		}
		select { // the first ends when another has begun
		case <-both:
		case <-time.After(10 * time.Second):
			return Result{}, errors.New("no other clip was begun meanwhile")
		}
		return look(ctx, c, progress)
	}
	s, err := b.Run(t.Context())
	if err != nil || s.Counts[report.Done] != 3 || told != 2 {
		t.Errorf("%+v, %v; %d at once were told of, want 2", s, err, told)
	}
}
