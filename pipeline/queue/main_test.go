package queue

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"cagebook/configs"
	"cagebook/pipeline"
	"cagebook/pipeline/video"
	"cagebook/report"
)

// The test binary is its own hub, worker and analysing child.
func TestMain(m *testing.M) {
	role := os.Getenv("CAGEBOOK_TEST_ROLE")
	if role == "" {
		os.Exit(m.Run())
	}
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	err := map[string]func(context.Context) error{"look": lookRole, "worker": workerRole, "hub": hubRole}[role](ctx)
	stop()
	if err != nil && !errors.Is(err, context.Canceled) {
		fmt.Fprintln(os.Stderr, role+":", err)
		os.Exit(1)
	}
	os.Exit(0)
}

// role makes the command of a process; env holds NAME=value.
func role(name string, env ...string) *exec.Cmd {
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), append(env, "CAGEBOOK_TEST_ROLE="+name)...)
	cmd.Stderr = os.Stderr
	return cmd
}

func lookRole(context.Context) error {
	return pipeline.ServeWorker(os.Stdin, os.Stdout, func() (pipeline.AnalyzeFunc, error) { return fakeAnalyze, nil }, func() { os.Exit(0) })
}

func hubRole(ctx context.Context) error {
	port, err := strconv.Atoi(os.Getenv("HUB_PORT"))
	if err != nil {
		return err
	}
	h, err := StartHub(HubOptions{Port: port, Dir: os.Getenv("HUB_DIR")}, quiet())
	if err != nil {
		return err
	}
	<-ctx.Done()
	h.Stop()
	return nil
}

func workerRole(ctx context.Context) error {
	o := testOptions()
	o.AckWait = shortAck
	if n, err := strconv.Atoi(os.Getenv("TRIES")); err == nil {
		o.MaxTries = n
	}
	q, err := Connect(ctx, os.Getenv("HUB_URL"), Access{}, o, quiet())
	if err != nil {
		return err
	}
	defer q.Close()
	s, err := WaitForStore(ctx, q, os.Getenv("STORE"))
	if err != nil {
		return err
	}
	w := &Worker{Queue: q, Store: s, Name: fmt.Sprint("worker ", os.Getpid()), Batch: testBatch("", ""), Scratch: os.Getenv("SCRATCH")}
	return w.Run(ctx)
}

// quiet says nothing unless asked to.
func quiet() *slog.Logger {
	if os.Getenv("CAGEBOOK_TEST_LOUD") != "" {
		return slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelDebug}))
	}
	return slog.New(slog.NewTextHandler(io.Discard, nil))
}

// testOptions are patient: a machine that is busy with other things is no dead worker.
func testOptions() Options {
	return Options{AckWait: 10 * time.Second, MaxTries: 3, Pause: 20 * time.Millisecond}
}

// shortAck is for tests in which workers die, and nobody counts how often a clip was looked at.
const shortAck = time.Second

func testTool() pipeline.Tool {
	return pipeline.Tool{Version: "test", Models: map[string]string{"people": "abc"}, Options: "def"}
}

// testBatch looks at clips in child processes.
func testBatch(root, out string) pipeline.Batch {
	s := configs.Default()
	s.Jobs, s.Stall, s.Deadline, s.MemoryMB = 1, 20*time.Second, time.Minute, 400
	return pipeline.Batch{Root: root, Out: out, Settings: s, Tool: testTool(), Worker: func(int) *exec.Cmd {
		cmd := role("look")
		cmd.Stderr = nil // the parent collects it
		return cmd
	}}
}

// fakeAnalyze stands in for the analysis. A clip's content is a word that says
// how it ends, and what else it likes. Each look leaves a line in the file LOOKS.
func fakeAnalyze(ctx context.Context, c pipeline.Clip, progress pipeline.Progress) (pipeline.Result, error) {
	data, err := os.ReadFile(c.Path)
	if err != nil {
		return pipeline.Result{}, err
	}
	if name := os.Getenv("LOOKS"); name != "" {
		f, err := os.OpenFile(name, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
		if err != nil {
			return pipeline.Result{}, err
		}
		if _, err := fmt.Fprintln(f, c.Rel); err != nil {
			return pipeline.Result{}, err
		}
		if err := f.Close(); err != nil {
			return pipeline.Result{}, err
		}
	}
	spool, err := os.CreateTemp("", "spool-*") // as the analysis does; of a process that is killed it stays
	if err != nil {
		return pipeline.Result{}, err
	}
	defer func() { _, _ = spool.Close(), os.Remove(spool.Name()) }()
	o := pipeline.Outcome{State: report.Done}
	progress("pose", 1, 2)
	word, rest, _ := strings.Cut(string(data), " ")
	switch word {
	case "no_swing":
		o = pipeline.Outcome{State: report.NoSwing, Reason: "Nobody swings."}
	case "text":
		return pipeline.Result{}, &video.Error{Path: c.Path, Kind: video.ErrNotVideo, Msg: "it holds text", Hint: "copy the clip again"}
	case "damaged":
		return pipeline.Result{}, &video.Error{Path: c.Path, Kind: video.ErrDamaged, Msg: "no picture could be read", Hint: "copy the clip again"}
	case "abort":
		_ = syscall.Kill(os.Getpid(), syscall.SIGABRT)
		select {}
	case "panic":
		panic("a joint is missing")
	case "hang":
		select {}
	case "full":
		return pipeline.Result{}, fmt.Errorf("write x: %w", syscall.ENOSPC)
	case "kill-worker":
		_ = syscall.Kill(os.Getppid(), syscall.SIGKILL)
		select {}
	case "sim":
		first, _, _ := strings.Cut(rest, " ")
		ms, err := strconv.ParseFloat(first, 64)
		if err != nil {
			return pipeline.Result{}, err
		}
		select {
		case <-time.After(time.Duration(ms * float64(time.Millisecond))):
		case <-ctx.Done():
			return pipeline.Result{}, ctx.Err()
		}
		in := report.Input{Tool: c.Tool, Path: c.Rel, SHA256: c.SHA256, Outcome: o}
		return pipeline.Result{Report: report.Build(in)}, nil
	case "slow":
		for i := range 10 {
			select {
			case <-time.After(30 * time.Millisecond):
				progress("pose", i, 10)
			case <-ctx.Done():
				return pipeline.Result{}, ctx.Err()
			}
		}
	}
	for _, name := range []string{"swing-1/proof.jpg", "swing-1/1-stance.jpg", "track.json.gz", "report.html"} {
		if err := c.Put(name, []byte(name+" of "+string(data))); err != nil {
			return pipeline.Result{}, err
		}
	}
	if err := c.Keep([]byte("read of " + string(data))); err != nil {
		return pipeline.Result{}, err
	}
	in := report.Input{Tool: c.Tool, Path: c.Rel, SHA256: c.SHA256, HitterID: c.Sidecar.Hitter, Outcome: o}
	return pipeline.Result{Report: report.Build(in)}, nil
}

func put(t testing.TB, file, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// everyFile is the content of all files below dir but the mark, which names a process, and stacks.
func everyFile(t *testing.T, dir string) map[string]string {
	t.Helper()
	got := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || d.Name() == ".cagebook-output" || d.Name() == "failure.log" {
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

func sameFiles(t *testing.T, got, want map[string]string) {
	t.Helper()
	for name, text := range want {
		if got[name] != text {
			t.Errorf("%s differs:\n%.300q\nwant\n%.300q", name, got[name], text)
		}
	}
	for name := range got {
		if _, ok := want[name]; !ok {
			t.Errorf("%s is left over", name)
		}
	}
}

// looks counts how often each clip was looked at.
func looks(t *testing.T, file string) map[string]int {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	n := map[string]int{}
	for line := range strings.Lines(string(data)) {
		n[strings.TrimSuffix(line, "\n")]++
	}
	return n
}
