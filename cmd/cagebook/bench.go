//go:build cgo

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/pprof"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"cagebook/configs"
	"cagebook/models"
	"cagebook/pipeline"
	"cagebook/pipeline/video"
	"cagebook/pipeline/video/opencv"
	"cagebook/pose"
	"cagebook/pose/onnx"
)

// newBench measures what a clip costs against what it must cost. It is for those who work on
// the program (make bench), not for those who use it.
func newBench(s streams) *cobra.Command {
	settings := configs.Default()
	var runs, naiveFrames int
	var stagesOnly bool
	var profile string
	var peerDir string
	cmd := &cobra.Command{
		Use:    "bench CLIP...",
		Short:  "What a clip costs, against the floor of decoding and of the networks, and against the naive way",
		Hidden: true,
		Args:   argument("a CLIP", 1, -1),
		RunE: func(cmd *cobra.Command, args []string) error {
			dir, err := modelDir(settings)
			if err != nil {
				return err
			}
			if profile != "" {
				f, err := os.Create(profile)
				if err != nil {
					return err
				}
				defer f.Close()
				if err := pprof.StartCPUProfile(f); err != nil {
					return err
				}
				defer pprof.StopCPUProfile()
			}
			for i, clip := range args {
				b := bench{dir: dir, clip: clip, threads: threads(settings), naiveFrames: naiveFrames}
				if i == 0 { // what a frame costs the browser does not hang on the clip
					b.peer.dir = peerDir
				}
				if stagesOnly {
					err = b.count(cmd.Context())
				} else if err = b.run(cmd.Context(), runs); err == nil {
					b.print(s.out)
				}
				if err != nil {
					return fmt.Errorf("%s: %w", clip, err)
				}
				b.printStages(s.out)
			}
			return nil
		},
	}
	settings.AddFlags(cmd.Flags())
	cmd.Flags().IntVar(&runs, "runs", 5, "measured runs of each way, in turn; one more before them is not counted")
	cmd.Flags().BoolVar(&stagesOnly, "stages", false, "only look at each clip once, and say which networks were called and where the time went")
	cmd.Flags().StringVar(&profile, "profile", "", "write a CPU profile of this process to this file (\"\" = not)")
	cmd.Flags().IntVar(&naiveFrames, "naive-frames", 240, "frames that the naive way looks at; its time is reckoned from them (0 = all)")
	cmd.Flags().StringVar(&peerDir, "peer", "", "folder of the npm package that the landmark network comes from, to be run in Chromium (\"\" = not)")
	return cmd
}

// cost is what one way took in one run.
type cost struct{ wallS, cpuS, peakMB float64 }

// call is one kind of call of a network: which, and the shape of its input.
type call struct{ net, shape string }

type bench struct {
	dir, clip            string
	threads, naiveFrames int

	peer peer

	said   configs.Sidecar
	frames int
	counts map[call]int
	inputs map[call]pose.Tensor
	stages []stage

	decode, infer, whole, night, naive []cost
}

// stage is what the analysis told of itself, with what the process and its children used meanwhile.
type stage struct {
	name           string
	wallS          float64
	cpuS, childCPU float64
}

func (b *bench) run(ctx context.Context, runs int) error {
	if err := b.count(ctx); err != nil {
		return err
	}
	ways := []struct {
		to  *[]cost
		way func(context.Context) (cost, error)
	}{{&b.decode, b.decodeFloor}, {&b.infer, b.inferenceFloor}, {&b.whole, b.wholeJob}, {&b.night, b.oneOfMany}, {&b.naive, b.naiveWay}}
	for i := range runs + 1 {
		for _, w := range ways {
			c, err := w.way(ctx)
			if err != nil {
				return err
			}
			if i > 0 || runs == 0 { // the first fills the caches
				*w.to = append(*w.to, c)
			}
		}
		if i > 0 || runs == 0 {
			if err := b.peer.measure(ctx, b); err != nil {
				return err
			}
		}
	}
	return nil
}

// counted counts a network's calls.
type counted struct {
	pose.Net
	name string
	b    *bench
	mu   *sync.Mutex
}

func (n counted) Run(in ...pose.Tensor) ([]pose.Tensor, error) {
	c := call{n.name, fmt.Sprint(in[0].Shape)}
	n.mu.Lock()
	n.b.counts[c]++
	if _, ok := n.b.inputs[c]; !ok {
		t := pose.Tensor{Shape: slices.Clone(in[0].Shape), F32: slices.Clone(in[0].F32), I32: slices.Clone(in[0].I32)}
		n.b.inputs[c] = t
	}
	n.mu.Unlock()
	return n.Net.Run(in...)
}

// count looks at the clip once in this process and keeps which network was called how often, and how long each stage took.
func (b *bench) count(ctx context.Context) error {
	nets, closeNets, err := openNets(b.dir, b.threads)
	if err != nil {
		return err
	}
	defer closeNets()
	b.counts, b.inputs = map[call]int{}, map[call]pose.Tensor{}
	var mu sync.Mutex
	for i := range nets.Landmarks {
		nets.People[i] = counted{nets.People[i], models.Multipose, b, &mu}
		nets.Objects[i] = counted{nets.Objects[i], models.NanoDet, b, &mu}
		nets.Landmarks[i] = counted{nets.Landmarks[i], models.LandmarkHeavy, b, &mu}
		nets.Sketch[i] = counted{nets.Sketch[i], models.LandmarkFull, b, &mu}
	}
	rules, err := configs.DefaultRules()
	if err != nil {
		return err
	}
	if b.said, err = configs.ForClip(filepath.Dir(b.clip), b.clip); err != nil {
		return err
	}
	a := &pipeline.Analyzer{Open: opencv.Open, Nets: nets, Rules: rules}
	begin := time.Now()
	self, children := used(syscall.RUSAGE_SELF), used(syscall.RUSAGE_CHILDREN)
	name := "opening"
	end := func(next string) {
		if next == name {
			return
		}
		s, c := used(syscall.RUSAGE_SELF), used(syscall.RUSAGE_CHILDREN)
		b.stages = append(b.stages, stage{name, time.Since(begin).Seconds(), s - self, c - children})
		name, begin, self, children = next, time.Now(), s, c
	}
	put := func(string, []byte) error { return nil }
	res, err := a.Analyze(ctx, pipeline.Clip{Path: b.clip, Rel: filepath.Base(b.clip), Sidecar: b.said, Put: put},
		func(stage string, _, _ int) { end(stage) })
	if err != nil {
		return err
	}
	end("")
	b.frames = res.Report.Clip.Frames
	return nil
}

// decodeFloor decodes the clip with ffmpeg and throws the pictures away.
func (b *bench) decodeFloor(ctx context.Context) (cost, error) {
	return timed(exec.CommandContext(ctx, "ffmpeg", "-v", "error", "-threads", fmt.Sprint(b.threads), "-i", b.clip, "-map", "0:v:0", "-f", "null", "-"))
}

// inferenceFloor makes just the calls that the analysis made, as fast as the cores allow.
func (b *bench) inferenceFloor(ctx context.Context) (cost, error) {
	sets := make([]map[string]pose.Net, b.threads)
	for i := range sets {
		nets, closeNets, err := openNets(b.dir, 1)
		if err != nil {
			return cost{}, err
		}
		defer closeNets()
		sets[i] = map[string]pose.Net{models.Multipose: nets.People[0], models.NanoDet: nets.Objects[0], models.LandmarkHeavy: nets.Landmarks[0], models.LandmarkFull: nets.Sketch[0]}
		for c := range b.counts { // buffers are made at the first call
			if _, err := sets[i][c.net].Run(b.inputs[c]); err != nil {
				return cost{}, err
			}
		}
	}
	todo := make(chan call)
	errs := make(chan error, b.threads)
	begin, cpu := time.Now(), used(syscall.RUSAGE_SELF)
	for _, nets := range sets {
		go func() {
			var err error
			for c := range todo {
				if err == nil {
					_, err = nets[c.net].Run(b.inputs[c])
				}
			}
			errs <- err
		}()
	}
	for c, n := range b.counts {
		for range n {
			todo <- c
		}
	}
	close(todo)
	var err error
	for range sets {
		err = errors.Join(err, <-errs)
	}
	return cost{wallS: time.Since(begin).Seconds(), cpuS: used(syscall.RUSAGE_SELF) - cpu}, errors.Join(err, ctx.Err())
}

// wholeJob is cagebook run on the clip alone, as a user starts it.
func (b *bench) wholeJob(ctx context.Context) (cost, error) {
	return b.cagebookRun(ctx, func(string) (string, error) { return b.clip, nil }, "--threads", fmt.Sprint(b.threads))
}

// oneOfMany is what the clip costs among others like it, as many as threads: cagebook run on a folder of copies, by their number.
func (b *bench) oneOfMany(ctx context.Context) (cost, error) {
	c, err := b.cagebookRun(ctx, b.copies, "--jobs", fmt.Sprint(b.threads))
	n := float64(b.threads)
	return cost{c.wallS / n, c.cpuS / n, c.peakMB}, err
}

// cagebookRun is cagebook run on what clips puts into a folder, or names elsewhere.
func (b *bench) cagebookRun(ctx context.Context, clips func(dir string) (string, error), options ...string) (cost, error) {
	dir, err := os.MkdirTemp("", "cagebook-bench-")
	if err != nil {
		return cost{}, err
	}
	defer os.RemoveAll(dir)
	in, err := clips(filepath.Join(dir, "clips"))
	if err != nil {
		return cost{}, err
	}
	self, err := os.Executable()
	if err != nil {
		return cost{}, err
	}
	return timed(exec.CommandContext(ctx, self, append([]string{"run", in, "-o", filepath.Join(dir, "out"), "--model-dir", b.dir}, options...)...))
}

// copies makes a folder of copies of the clip, as many as threads.
func (b *bench) copies(dir string) (string, error) {
	data, err := os.ReadFile(b.clip)
	if err != nil {
		return "", err
	}
	said, err := json.Marshal(b.said) // is YAML, too
	if err != nil {
		return "", err
	}
	if err := os.Mkdir(dir, 0o755); err != nil {
		return "", err
	}
	for i := range b.threads {
		// An empty box at the end makes each another file; nothing is found to have been looked at.
		data = append(data, 0, 0, 0, 8, 'f', 'r', 'e', 'e')
		name := filepath.Join(dir, fmt.Sprintf("%d%s", i+1, filepath.Ext(b.clip)))
		if err := errors.Join(os.WriteFile(name, data, 0o644), os.WriteFile(name+".yaml", said, 0o644)); err != nil {
			return "", err
		}
	}
	return dir, nil
}

// naiveWay looks at every frame with the large landmark network, one after the other, and does nothing else.
func (b *bench) naiveWay(ctx context.Context) (cost, error) {
	path, _, err := models.Open(b.dir, models.LandmarkHeavy)
	if err != nil {
		return cost{}, err
	}
	net, err := onnx.Open(path, b.threads)
	if err != nil {
		return cost{}, err
	}
	defer net.Close()
	src, err := opencv.Open(ctx, b.clip, video.Options{})
	if err != nil {
		return cost{}, err
	}
	defer src.Close()
	var f video.Frame
	var buf []float32
	n := 0
	begin, cpu := time.Now(), used(syscall.RUSAGE_SELF)
	for ; b.naiveFrames == 0 || n < b.naiveFrames; n++ {
		if err := src.Next(ctx, &f); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return cost{}, err
		}
		all := pose.Region{CX: float64(f.W) / 2, CY: float64(f.H) / 2, Side: float64(max(f.W, f.H))}
		in := pose.LandmarkInput(pose.ImageOf(&f), all, buf)
		buf = in.F32
		if _, err := net.Run(in); err != nil {
			return cost{}, err
		}
	}
	part := float64(b.frames) / float64(max(n, 1))
	return cost{wallS: time.Since(begin).Seconds() * part, cpuS: (used(syscall.RUSAGE_SELF) - cpu) * part}, nil
}

// timed runs a command; its memory is that of its largest process. (What the system reports of an ended process
// counts the memory of the one that started it, too.)
func timed(c *exec.Cmd) (cost, error) {
	var out bytes.Buffer
	c.Stdout, c.Stderr = &out, &out
	begin := time.Now()
	if err := c.Start(); err != nil {
		return cost{}, err
	}
	ended := make(chan error, 1)
	go func() { ended <- c.Wait() }()
	var k cost
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			k.peakMB = math.Max(k.peakMB, peakMB(c.Process.Pid))
		case err := <-ended:
			if err != nil {
				return cost{}, fmt.Errorf("%s: %w\n%s", filepath.Base(c.Path), err, out.Bytes())
			}
			p := c.ProcessState
			k.wallS, k.cpuS = time.Since(begin).Seconds(), (p.UserTime() + p.SystemTime()).Seconds()
			return k, nil
		}
	}
}

// peakMB is the most memory that any of a process and its descendants held so far; 0 where the system does not say.
func peakMB(pid int) (most float64) {
	dir := fmt.Sprintf("/proc/%d", pid)
	status, _ := os.ReadFile(dir + "/status") // gone already: nothing to say
	if _, after, ok := strings.Cut(string(status), "VmHWM:"); ok {
		var kB float64
		if _, err := fmt.Sscan(after, &kB); err == nil {
			most = kB / 1024
		}
	}
	lists, _ := filepath.Glob(dir + "/task/*/children")
	for _, l := range lists {
		children, _ := os.ReadFile(l)
		for _, c := range strings.Fields(string(children)) {
			if n, err := strconv.Atoi(c); err == nil {
				most = math.Max(most, peakMB(n))
			}
		}
	}
	return most
}

// used is CPU time in seconds.
func used(who int) float64 {
	var r syscall.Rusage
	if syscall.Getrusage(who, &r) != nil {
		return math.NaN()
	}
	return float64(r.Utime.Nano()+r.Stime.Nano()) / 1e9
}

func (b *bench) print(w io.Writer) {
	fmt.Fprintf(w, "%s: %d frames, %d threads, %d runs\n\n", filepath.Base(b.clip), b.frames, b.threads, len(b.whole))
	fmt.Fprintf(w, "%-44s %22s %22s %12s\n", "seconds: median (least to most)", "wall", "CPU", "peak, MB")
	rows := []struct {
		name  string
		costs []cost
	}{
		{"a  decoding alone (ffmpeg to null)", b.decode},
		{"b  networks alone, the same calls", b.infer},
		{"c  the whole job (cagebook run)", b.whole},
		{"d  naive: every frame, one after the other", b.naive},
		{"f  the whole job among as many as threads", b.night},
	}
	for _, r := range rows {
		peak := "-"
		if m := spread(r.costs, func(c cost) float64 { return c.peakMB }); m[1] > 0 {
			peak = fmt.Sprintf("%.0f", m[2])
		}
		fmt.Fprintf(w, "%-44s %22s %22s %12s\n", r.name, words(spread(r.costs, func(c cost) float64 { return c.wallS })), words(spread(r.costs, func(c cost) float64 { return c.cpuS })), peak)
	}
	if b.naiveFrames > 0 && b.naiveFrames < b.frames {
		fmt.Fprintf(w, "   (d reckoned from %d of %d frames)\n", b.naiveFrames, b.frames)
	}
	fmt.Fprintln(w)
	ratio := func(name, goal string, f func(i int) float64) {
		var v []cost
		for i := range b.whole {
			v = append(v, cost{wallS: f(i)})
		}
		fmt.Fprintf(w, "%-44s %22s   %s\n", name, words(spread(v, func(c cost) float64 { return c.wallS })), goal)
	}
	ratio("c / max(a, b), wall", "goal ≤ 1.25", func(i int) float64 { return b.whole[i].wallS / math.Max(b.decode[i].wallS, b.infer[i].wallS) })
	ratio("f / max(a, b), wall", "clip for clip of a night", func(i int) float64 { return b.night[i].wallS / math.Max(b.decode[i].wallS, b.infer[i].wallS) })
	ratio("d / f, wall", "likewise", func(i int) float64 { return b.naive[i].wallS / b.night[i].wallS })
	ratio("c / (a + b), wall", "were the two not overlapped", func(i int) float64 { return b.whole[i].wallS / (b.decode[i].wallS + b.infer[i].wallS) })
	ratio("c / (a + b), CPU", "what the two must cost together", func(i int) float64 { return b.whole[i].cpuS / (b.decode[i].cpuS + b.infer[i].cpuS) })
	ratio("d / c, wall", "goal ≥ 5 for a minute with five swings", func(i int) float64 { return b.naive[i].wallS / b.whole[i].wallS })
	b.peer.print(w)
	fmt.Fprintln(w)
}

func (b *bench) printStages(w io.Writer) {
	fmt.Fprintf(w, "%s: calls of the networks\n", filepath.Base(b.clip))
	var calls []call
	for c := range b.counts {
		calls = append(calls, c)
	}
	slices.SortFunc(calls, func(x, y call) int { return strings.Compare(x.net+x.shape, y.net+y.shape) })
	for _, c := range calls {
		fmt.Fprintf(w, "  %-24s %-18s %6d\n", c.net, c.shape, b.counts[c])
	}
	fmt.Fprintf(w, "\n%-28s %8s %8s %10s   (one look in this process)\n", "where the time goes, s", "wall", "CPU", "children")
	for _, s := range b.stages {
		fmt.Fprintf(w, "  %-26s %8.2f %8.2f %10.2f\n", s.name, s.wallS, s.cpuS, s.childCPU)
	}
	fmt.Fprintln(w)
}

// spread is least, median and most.
func spread(c []cost, of func(cost) float64) [3]float64 {
	if len(c) == 0 {
		return [3]float64{}
	}
	v := make([]float64, len(c))
	for i := range c {
		v[i] = of(c[i])
	}
	slices.Sort(v)
	return [3]float64{v[0], v[len(v)/2], v[len(v)-1]}
}

func words(v [3]float64) string { return fmt.Sprintf("%.2f (%.2f to %.2f)", v[1], v[0], v[2]) }
