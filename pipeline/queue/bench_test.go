package queue

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"cagebook/configs"
	"cagebook/pipeline"
)

// simulated are clips whose analysis only takes time.
type simulated struct {
	clips  []pipeline.Clip
	data   [][]byte
	totalS float64
}

// simulate makes n clips with times spread as measured on demo clips: 13 to 38 s
// of one core, times scale.
func simulate(n int, scale float64) (s simulated) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for i := range n {
		ms := (13 + 25*rnd.Float64()) * 1000 * scale
		data := []byte(fmt.Sprintf("sim %.3f %d", ms, i))
		sum := sha256.Sum256(data)
		c := pipeline.Clip{Rel: fmt.Sprintf("%06d.mp4", i), SHA256: hex.EncodeToString(sum[:]), Tool: testTool()}
		c.Tool.Key = c.SHA256
		s.clips, s.data = append(s.clips, c), append(s.data, data)
		s.totalS += ms / 1000
	}
	return s
}

// fill puts the clips into store and queue as a submitter does, but from memory.
func (s *simulated) fill(ctx context.Context, b *testing.B, q *Queue, st *Store) {
	b.Helper()
	u := &Submitter{q: q, store: st, mine: map[string]pipeline.Clip{}, complete: map[string]bool{}, changed: make(chan struct{}, 1)}
	var wg sync.WaitGroup
	next := make(chan int)
	for range 8 {
		wg.Go(func() {
			for i := range next {
				c := s.clips[i]
				if err := st.writeBytes(ctx, clipName(c.SHA256), s.data[i], false); err != nil {
					b.Error(err)
				}
				if err := u.enqueueBytes(ctx, idOf(c.Tool.Key, c.Rel), c, int64(len(s.data[i]))); err != nil {
					b.Error(err)
				}
			}
		})
	}
	for i := range s.clips {
		next <- i
	}
	close(next)
	wg.Wait()
}

// night works the queue off with n workers and returns the wall time.
func (s *simulated) night(b *testing.B, n int) time.Duration {
	b.Helper()
	ctx := b.Context()
	h, err := StartHub(HubOptions{Port: -1, Dir: b.TempDir()}, quiet())
	if err != nil {
		b.Fatal(err)
	}
	defer h.Stop()
	connect := func() *Queue {
		q, err := Connect(ctx, h.URL(), Access{}, Options{}, quiet())
		if err != nil {
			b.Fatal(err)
		}
		return q
	}
	st, err := OpenStore(ctx, "mem://", true)
	if err != nil {
		b.Fatal(err)
	}
	q := connect()
	defer q.Close()
	s.fill(ctx, b, q, st)
	cpu := cpuTime(b)
	began := time.Now()
	var wg sync.WaitGroup
	for i := range n {
		wg.Go(func() {
			wq := connect()
			defer wq.Close()
			settings := configs.Default()
			settings.Jobs = 1
			w := &Worker{
				Queue: wq, Store: st, Name: fmt.Sprint("worker ", i), Scratch: scratchRAM(b), UntilEmpty: true,
				Batch: pipeline.Batch{Settings: settings, Tool: testTool(), Analyze: fakeAnalyze},
			}
			if err := w.Run(ctx); err != nil {
				b.Error(err)
			}
		})
	}
	wg.Wait()
	b.ReportMetric(1e3*(cpuTime(b)-cpu).Seconds()/float64(len(s.clips)), "cpu-ms/clip")
	v, err := h.s.Varz(nil)
	if err != nil {
		b.Fatal(err)
	}
	load, err := h.Load()
	if err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(v.InMsgs+v.OutMsgs)/float64(len(s.clips)), "messages/clip")
	b.ReportMetric(float64(load.Bytes)/float64(len(s.clips)), "hub-bytes/clip")
	took := time.Since(began) - untilEmptyWait // the last look whether there is more
	status, err := q.Status(ctx, 0)
	if err != nil || status.Done != len(s.clips) || status.Waiting+status.InWork+status.Dead != 0 {
		b.Fatalf("after the night: %+v, %v; want %d done", status, err, len(s.clips))
	}
	return took
}

// cpuTime is what this process, hub, store and workers in one, has used.
func cpuTime(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// scratchRAM keeps flushing of scratch files out of what is measured: it is a worker's own disk.
func scratchRAM(b *testing.B) string {
	if info, err := os.Stat("/dev/shm"); err == nil && info.IsDir() {
		dir, err := os.MkdirTemp("/dev/shm", "cagebook-bench-")
		if err == nil {
			b.Cleanup(func() { _ = os.RemoveAll(dir) })
			return dir
		}
	}
	return b.TempDir()
}

// Throughput of N workers against one. QUEUE_CLIPS and QUEUE_SCALE set the size
// of the night and what a second of analysis takes; QUEUE_WORKERS the numbers of workers.
// Efficiency is the sum of simulated times over (wall time × workers), so that one worker's own overhead counts, too.
func BenchmarkQueue(b *testing.B) {
	clips, scale, workers := 1500, 0.001, []int{1, 8, 64}
	if n, err := strconv.Atoi(os.Getenv("QUEUE_CLIPS")); err == nil {
		clips = n
	}
	if f, err := strconv.ParseFloat(os.Getenv("QUEUE_SCALE"), 64); err == nil {
		scale = f
	}
	if list := os.Getenv("QUEUE_WORKERS"); list != "" {
		workers = nil
		for w := range strings.SplitSeq(list, ",") {
			n, err := strconv.Atoi(w)
			if err != nil {
				b.Fatal(err)
			}
			workers = append(workers, n)
		}
	}
	one := 0.0 // efficiency of one worker, on as many clips as take about 20 s
	for _, n := range workers {
		b.Run(fmt.Sprintf("workers=%d", n), func(b *testing.B) {
			size := clips
			if n < 8 {
				size = min(clips, int(float64(n)*20/(25.5*scale)))
			}
			s := simulate(size, scale)
			b.ResetTimer()
			for range b.N {
				took := s.night(b, n).Seconds()
				rate := float64(size) / took
				efficiency := s.totalS / (took * float64(n))
				if n == 1 {
					one = efficiency
				}
				b.ReportMetric(float64(size), "clips")
				b.ReportMetric(rate, "clips/s")
				b.ReportMetric(efficiency, "efficiency")
				b.ReportMetric(1e3*(took*float64(n)-s.totalS)/float64(size), "overhead-ms/clip")
				if one > 0 {
					b.ReportMetric(efficiency/one, "of-N×one")
				}
			}
		})
	}
}
