package queue

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"cagebook/pipeline"
	"cagebook/report"
)

// A way brings the clips of a folder to results: the folder run, or a queue with
// a worker. Both are held to the same promises.
type way struct {
	name string
	// begin sets up what outlives a run, and returns how one run is made.
	begin func(t *testing.T) func(ctx context.Context, b pipeline.Batch) (pipeline.Summary, error)
}

var ways = []way{
	{"folder", func(*testing.T) func(context.Context, pipeline.Batch) (pipeline.Summary, error) {
		return func(ctx context.Context, b pipeline.Batch) (pipeline.Summary, error) { return b.Run(ctx) }
	}},
	{"queue", func(t *testing.T) func(context.Context, pipeline.Batch) (pipeline.Summary, error) {
		n := newNight(t)
		return func(ctx context.Context, b pipeline.Batch) (pipeline.Summary, error) {
			t.Helper()
			look := b // as the worker is started with the same options
			ctx, stop := context.WithCancel(ctx)
			defer stop()
			w := &Worker{Queue: n.connect(t), Store: n.open(t), Name: "bench", Batch: look, Scratch: t.TempDir()}
			w.Batch.OnEvent = nil
			ended := make(chan error, 1)
			go func() { ended <- w.Run(ctx) }()
			defer func() { stop(); <-ended }()
			b.Elsewhere = n.submitter(t, n.connect(t))
			return b.Run(ctx)
		}
	}},
}

// night is a hub with a store.
type night struct {
	hub *Hub
	dir string        // of the store
	ack time.Duration // 0 = that of testOptions
}

func newNight(t testing.TB) *night {
	t.Helper()
	h, err := StartHub(HubOptions{Port: -1, Dir: t.TempDir()}, quiet())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(h.Stop)
	return &night{hub: h, dir: filepath.Join(t.TempDir(), "store")}
}

func (n *night) connect(t testing.TB) *Queue {
	t.Helper()
	o := testOptions()
	if n.ack > 0 {
		o.AckWait = n.ack
	}
	q, err := Connect(t.Context(), n.hub.URL(), Access{}, o, quiet())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(q.Close)
	return q
}

func (n *night) open(t testing.TB) *Store {
	t.Helper()
	s, err := OpenStore(t.Context(), n.dir, true)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

func (n *night) submitter(t testing.TB, q *Queue) *Submitter {
	t.Helper()
	u, err := NewSubmitter(t.Context(), q, n.open(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(u.Close)
	return u
}

// submit hands a folder of clips over and waits for the results; what comes is how that ended.
func (n *night) submit(ctx context.Context, t testing.TB, q *Queue, root, out string) <-chan error {
	t.Helper()
	b := inProcess(root, out)
	b.Elsewhere = n.submitter(t, q)
	done := make(chan error, 1)
	go func() { _, err := b.Run(ctx); done <- err }()
	return done
}

// theNight is a folder with a clip of every kind, and how each ends.
func theNight(t *testing.T) (root string, want map[string]string) {
	root, want = t.TempDir(), map[string]string{}
	add := func(rel, text, state string) {
		put(t, filepath.Join(root, rel), text)
		want[rel] = state
	}
	add("a.mp4", "good 1", report.Done)
	add("A.MOV", "good 2", report.Done)
	add("deep/er/est/b.mkv", "good 3", report.Done)
	add("c.mp4", "no_swing", report.NoSwing)
	add("d.mp4", "text", report.NotVideo)
	add("e.mp4", "damaged", report.Damaged)
	add("f.mp4", "abort", report.Failed)
	add("h.mp4", "panic", report.Failed)
	add("i.mp4", "hang", report.Failed)
	add("l.mp4", "", report.NotVideo)
	add("m.mp4", "good 4", report.BadSettings)
	add("twin.mp4", "good 1", report.Done) // the content of a.mp4 under another name
	add("odd \"name\"\n<b>é\xff.mp4", "good 5", report.Done)
	put(t, filepath.Join(root, "m.yaml"), "height_m: 17\n")
	put(t, filepath.Join(root, "session.yaml"), "hitter: ada\n")
	put(t, filepath.Join(root, "notes.txt"), "not a clip")
	return root, want
}

// The same folder gives the same files whichever way it is looked at, each clip once.
func TestConformEveryClipOnce(t *testing.T) {
	root, want := theNight(t)
	var first map[string]string
	for _, w := range ways {
		t.Run(w.name, func(t *testing.T) {
			seen := filepath.Join(t.TempDir(), "looks")
			t.Setenv("LOOKS", seen)
			run, out := w.begin(t), t.TempDir()
			b := testBatch(root, out)
			b.Settings.Jobs, b.Settings.Stall = 2, 2*time.Second
			ended := map[string]int{}
			b.OnEvent = func(e pipeline.Event) {
				if e.Kind == pipeline.EventClip {
					ended[e.Clip]++
				}
			}
			s, err := run(t.Context(), b)
			if err != nil {
				t.Fatal(err)
			}
			if s.Clips != len(want) || s.Lost != 7 || len(ended) != len(want) {
				t.Errorf("summary %+v, %d clips ended; want %d clips, 7 of them not looked at from end to end", s, len(ended), len(want))
			}
			for rel, state := range want {
				data, err := os.ReadFile(filepath.Join(out, pipeline.ClipsDir, rel, pipeline.ReportFile))
				if err != nil {
					t.Error(err)
					continue
				}
				rep, err := report.Parse(rel, data)
				if err != nil || rep.Outcome.State != state || ended[rel] != 1 {
					t.Errorf("%q ended %d times as %+v, %v; want once as %s", rel, ended[rel], rep.Outcome, err, state)
				}
			}
			for rel, part := range map[string]string{"f.mp4": "broke off", "h.mp4": "a joint is missing"} {
				log, err := os.ReadFile(filepath.Join(out, pipeline.ClipsDir, rel, "failure.log"))
				if err != nil || !strings.Contains(string(log), part) {
					t.Errorf("%s: failure.log does not say %q: %v\n%s", rel, part, err, log)
				}
			}
			n := looks(t, seen)
			for rel, times := range map[string]int{"a.mp4": 1, "A.MOV": 1, "c.mp4": 1, "d.mp4": 1, "f.mp4": 2, "h.mp4": 2, "i.mp4": 1, "twin.mp4": 1} {
				if n[rel] != times {
					t.Errorf("%s was looked at %d times, want %d", rel, n[rel], times)
				}
			}
			if first == nil {
				first = everyFile(t, out)
				return
			}
			sameFiles(t, everyFile(t, out), first)
		})
	}
}

// A second run looks at what failed, and at what changed, alone. Results that
// are still held elsewhere count as much as those in the output folder.
func TestConformResume(t *testing.T) {
	for _, w := range ways {
		t.Run(w.name, func(t *testing.T) {
			root, out, seen := t.TempDir(), t.TempDir(), filepath.Join(t.TempDir(), "looks")
			t.Setenv("LOOKS", seen)
			put(t, filepath.Join(root, "a.mp4"), "good a")
			put(t, filepath.Join(root, "b.mp4"), "good b")
			put(t, filepath.Join(root, "c.mp4"), "panic")
			run := w.begin(t)
			again := func(want ...string) {
				t.Helper()
				_ = os.Remove(seen) // of an earlier run
				if _, err := run(t.Context(), testBatch(root, out)); err != nil {
					t.Fatal(err)
				}
				got := looks(t, seen)
				for _, rel := range want {
					if got[rel] == 0 {
						t.Errorf("%s was not looked at", rel)
					}
					delete(got, rel)
				}
				if len(got) > 0 {
					t.Errorf("also looked at %v", got)
				}
			}
			again("a.mp4", "b.mp4", "c.mp4")
			again("c.mp4")
			put(t, filepath.Join(root, "a.mp4"), "good again")
			put(t, filepath.Join(root, "b.yaml"), "bats: L\n")
			again("a.mp4", "b.mp4", "c.mp4")
			put(t, filepath.Join(root, "c.mp4"), "good c")
			again("c.mp4")
			again()
		})
	}
}

// Whoever is stopped records nothing of the clip in work; the next run goes on.
func TestConformInterrupted(t *testing.T) {
	for _, w := range ways {
		t.Run(w.name, func(t *testing.T) {
			root, out := t.TempDir(), t.TempDir()
			for _, n := range []string{"a", "b", "c", "d"} {
				put(t, filepath.Join(root, n+".mp4"), "slow "+n)
			}
			run := w.begin(t)
			ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
			defer cancel()
			b := testBatch(root, out)
			b.OnEvent = func(e pipeline.Event) {
				if e.Kind == pipeline.EventClip {
					cancel()
				}
			}
			if _, err := run(ctx, b); !errors.Is(err, context.Canceled) {
				t.Fatalf("error %v, want that of the context", err)
			}
			s, err := run(t.Context(), testBatch(root, out))
			if err != nil || s.Counts[report.Done] != 4 {
				t.Errorf("after the second run: %+v, %v", s, err)
			}
		})
	}
}
