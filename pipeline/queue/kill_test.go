package queue

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"cagebook/pipeline"
	"cagebook/report"
)

// freePort is a port that was free a moment ago; the hub must come back at the same.
func freePort(t *testing.T) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	_, port, _ := net.SplitHostPort(ln.Addr().String())
	return port
}

// process is a hub or a worker that the test kills and starts again.
type process struct {
	make  func() *exec.Cmd
	cmd   *exec.Cmd
	ended chan error
}

func start(t *testing.T, make func() *exec.Cmd) *process {
	p := &process{make: make}
	p.start(t)
	t.Cleanup(p.kill)
	return p
}

func (p *process) start(t *testing.T) {
	t.Helper()
	p.cmd, p.ended = p.make(), make(chan error, 1)
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func(c *exec.Cmd, ended chan error) { ended <- c.Wait() }(p.cmd, p.ended)
}

func (p *process) kill() {
	_ = p.cmd.Process.Kill() // it may have ended
	<-p.ended
	p.ended <- nil // so that it may be called again
}

// long is for the nightly run: CAGEBOOK_TEST_KILLS=200.
func kills(t *testing.T, usual int) int {
	if n, err := strconv.Atoi(os.Getenv("CAGEBOOK_TEST_KILLS")); err == nil {
		return n
	}
	if testing.Short() {
		return usual / 3
	}
	return usual
}

// A hub, a store and three workers, all of which come and go: workers are killed
// at random, the hub is killed and stopped, the store is taken away. Every clip
// must end once, with the files of a calm night in one folder.
func TestKilledNightEndsLikeACalmOne(t *testing.T) {
	t.Parallel() // it mostly waits
	kills := kills(t, 12)
	root, calm, out := t.TempDir(), t.TempDir(), t.TempDir()
	clips := 8 + 2*kills
	for i := range clips {
		put(t, filepath.Join(root, fmt.Sprintf("%03d.mp4", i)), fmt.Sprintf("slow %d", i))
	}
	put(t, filepath.Join(root, "text.mp4"), "text")
	put(t, filepath.Join(root, "twin.mp4"), "slow 1")
	b := testBatch(root, calm)
	b.Settings.Jobs = 8
	if _, err := b.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	want := everyFile(t, calm)

	// A killed worker costs a try; this test kills more of them than a night has.
	port, hubDir, store, scratch := freePort(t), t.TempDir(), filepath.Join(t.TempDir(), "store"), t.TempDir()
	temp := t.TempDir() // the system's folder of temporary files
	url := "nats://127.0.0.1:" + port
	if s, err := OpenStore(t.Context(), store, true); err != nil {
		t.Fatal(err)
	} else if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	hub := start(t, func() *exec.Cmd { return role("hub", "HUB_PORT="+port, "HUB_DIR="+hubDir) })
	var workers []*process
	for range 3 {
		workers = append(workers, start(t, func() *exec.Cmd {
			return role("worker", "HUB_URL="+url, "STORE="+store, "SCRATCH="+scratch, "TRIES=1000", "TMPDIR="+temp)
		}))
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Duration(180+10*kills)*time.Second)
	defer cancel()
	o := testOptions()
	o.AckWait = shortAck
	q, err := Connect(ctx, url, Access{}, o, quiet())
	if err != nil {
		t.Fatal(err)
	}
	defer q.Close()
	ended := map[string]int{}
	done := make(chan error, 1)
	submit := func() {
		s, err := OpenStore(ctx, store, true)
		if err != nil {
			done <- err
			return
		}
		u, err := NewSubmitter(ctx, q, s)
		if err != nil {
			done <- err
			return
		}
		b := testBatch(root, out)
		b.Elsewhere = u
		b.OnEvent = func(e pipeline.Event) {
			if e.Kind == pipeline.EventClip {
				ended[e.Clip]++
			}
		}
		_, err = b.Run(ctx)
		u.Close()
		done <- errors.Join(err, s.Close())
	}
	go submit()
	rnd, killed := rand.New(rand.NewPCG(3, 4)), 0
	running := true
	for running {
		select {
		case err := <-done:
			if err != nil {
				t.Fatal(err)
			}
			running = false
		case <-time.After(time.Duration(100+rnd.IntN(300)) * time.Millisecond):
			if killed >= kills {
				continue
			}
			killed++
			switch {
			case killed%7 == 3: // the hub loses power, or is stopped
				if rnd.IntN(2) == 0 {
					_ = hub.cmd.Process.Signal(syscall.SIGTERM) // it may have ended
					<-hub.ended
				} else {
					hub.kill()
				}
				time.Sleep(300 * time.Millisecond)
				hub.start(t)
			case killed%7 == 5: // the shared folder is away
				if err := os.Rename(store, store+"-away"); err != nil {
					t.Fatal(err)
				}
				time.Sleep(400 * time.Millisecond)
				if err := os.RemoveAll(store); err != nil { // an empty mount point, should anything have been written there
					t.Fatal(err)
				}
				if err := os.Rename(store+"-away", store); err != nil {
					t.Fatal(err)
				}
			default:
				w := workers[rnd.IntN(len(workers))]
				w.kill()
				w.start(t)
			}
		}
	}
	if killed < kills {
		t.Errorf("the night was over after %d of %d kills: the test shows too little", killed, kills)
	}
	sameFiles(t, everyFile(t, out), want)
	for rel, n := range ended {
		if n != 1 {
			t.Errorf("%s ended %d times", rel, n)
		}
	}
	if len(ended) != clips+2 {
		t.Errorf("%d clips ended, want %d", len(ended), clips+2)
	}
	results := 0
	err = filepath.WalkDir(store, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil || d.IsDir():
		case strings.HasSuffix(path, ".tmp"):
			t.Errorf("%s is left over", path)
		case strings.HasSuffix(path, ".tar"):
			results++
		}
		return err
	})
	if err != nil || results != clips+2 {
		t.Errorf("the store holds %d results, %v; want %d", results, err, clips+2)
	}
	// A result is told before its job is acknowledged: a worker that is killed in between leaves the job to the next.
	var st Status
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		st, err = q.Status(ctx, 10)
		if err != nil || st.Waiting+st.InWork == 0 || time.Now().After(end) {
			break
		}
	}
	if err != nil || st.Waiting+st.InWork+st.Dead != 0 || st.Done != clips+2 {
		t.Errorf("the queue holds %+v, %v", st, err)
	}
	for _, w := range workers {
		_ = w.cmd.Process.Signal(syscall.SIGTERM) // all are running
		<-w.ended
		w.ended <- nil
	}
	for _, dir := range []string{scratch, temp} {
		left, err := filepath.Glob(filepath.Join(dir, "*"))
		if err != nil || len(left) > 0 {
			t.Errorf("workers left clips or pictures behind: %q, %v", left, err)
		}
	}
}

// A clip over which every worker ends is set aside with the reason, and the
// others are looked at. Submitted again it gets another chance.
func TestClipThatKillsWorkersIsSetAside(t *testing.T) {
	t.Parallel() // it mostly waits
	n := newNight(t)
	n.ack = shortAck
	n.open(t)
	root, out, scratch := t.TempDir(), t.TempDir(), t.TempDir()
	put(t, filepath.Join(root, "a.mp4"), "kill-worker")
	put(t, filepath.Join(root, "b.mp4"), "good b")
	stop := make(chan struct{})
	stopped := make(chan struct{})
	go func() { // as a service manager does
		defer close(stopped)
		for {
			cmd := role("worker", "HUB_URL="+n.hub.URL(), "STORE="+n.dir, "SCRATCH="+scratch)
			if err := cmd.Start(); err != nil {
				t.Error(err)
				return
			}
			ended := make(chan error, 1)
			go func() { ended <- cmd.Wait() }()
			select {
			case <-ended:
			case <-stop:
				_ = cmd.Process.Kill() // it may have ended
				<-ended
				return
			}
		}
	}()
	defer func() { close(stop); <-stopped }()
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	defer cancel()
	b := testBatch(root, out)
	b.Elsewhere = n.submitter(t, n.connect(t))
	s, err := b.Run(ctx)
	if err != nil || s.Counts[report.Done] != 1 || s.Counts[report.Failed] != 1 {
		t.Fatalf("%+v, %v", s, err)
	}
	q := n.connect(t)
	st, err := q.Status(ctx, 10)
	for err == nil && st.Waiting+st.InWork != 0 && ctx.Err() == nil { // the last hand-out is acknowledged a moment later
		time.Sleep(50 * time.Millisecond)
		st, err = q.Status(ctx, 10)
	}
	if err != nil || st.Dead != 1 || len(st.DeadClips) != 1 || st.Waiting+st.InWork != 0 {
		t.Fatalf("%+v, %v", st, err)
	}
	if d := st.DeadClips[0]; d.Clip != "a.mp4" || !strings.Contains(d.Reason, "3 workers ended while they looked at this clip") || strings.Count(d.Reason, " at ") < 3 {
		t.Errorf("set aside: %+v", d)
	}
	put(t, filepath.Join(root, "a.mp4"), "good now")
	if s, err = b.Run(ctx); err != nil || s.Counts[report.Done] != 2 {
		t.Errorf("with another clip in its place: %+v, %v", s, err)
	}
}
