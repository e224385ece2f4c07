package pipeline

import (
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"
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
	kills := 15
	if testing.Short() {
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

	rnd := rand.New(rand.NewPCG(1, 2))
	killed, resumed := 0, 0
	for killed < kills {
		out := t.TempDir()
		for {
			cmd := batchProcess(root, out)
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			ended := make(chan error, 1)
			go func() { ended <- cmd.Wait() }()
			var err error
			select {
			case err = <-ended:
			case <-time.After(time.Duration(rnd.IntN(700)) * time.Millisecond):
				if killed%3 == 2 {
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
	if resumed == 0 {
		t.Error("no kill hit a batch in work: the test shows nothing")
	}
}

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
