package pipeline

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"cagebook/configs"
)

// runner analyses one clip after the other. It is used by one goroutine.
type runner interface {
	Run(ctx context.Context, c Clip, out string, p Progress) (Outcome, error)
	// Renew starts afresh after a failure.
	Renew()
	Close() error
}

// analyzeAndStore is what happens to one clip wherever it runs: analysis, then
// report.json as the last file.
func analyzeAndStore(ctx context.Context, analyze AnalyzeFunc, c Clip, out string, p Progress) (o Outcome, err error) {
	defer func() {
		if v := recover(); v != nil {
			err = &panicError{v, string(debug.Stack())}
		}
	}()
	store := NewStore(out)
	c.Put = store.ClipPut(c.Rel)
	if name := KeptDir + "/" + c.SHA256; c.SHA256 != "" {
		c.Kept = func() ([]byte, error) { return store.Read(name) }
		c.Keep = func(data []byte) error { return store.Put(name, data) }
	}
	res, err := analyze(ctx, c, p)
	if err != nil {
		if ctx.Err() != nil {
			return Outcome{}, ctx.Err()
		}
		return Outcome{}, err
	}
	data, err := res.Report.Marshal()
	if err != nil {
		return Outcome{}, err
	}
	if err := c.Put(ReportFile, data); err != nil {
		return Outcome{}, err
	}
	return res.Report.Outcome, nil
}

// inProcess runs clips in this process: for debugging and for tests.
type inProcess struct{ analyze AnalyzeFunc }

func (r inProcess) Run(ctx context.Context, c Clip, out string, p Progress) (Outcome, error) {
	return analyzeAndStore(ctx, r.analyze, c, out, p)
}
func (inProcess) Renew()       {}
func (inProcess) Close() error { return nil }

// request is a line to a worker process. Paths are bytes: names of files need
// not be UTF-8, JSON strings must be.
type request struct {
	Path    []byte          `json:"path"`
	Rel     []byte          `json:"rel"`
	SHA256  string          `json:"sha256"`
	Sidecar configs.Sidecar `json:"sidecar"`
	Tool    Tool            `json:"tool"`
	Out     []byte          `json:"out"`
}

// message is a line from a worker process. One field group is set.
type message struct {
	Ready bool   `json:"ready,omitempty"`
	Fatal string `json:"fatal,omitempty"` // cannot start

	Stage string `json:"stage,omitempty"`
	Done  int    `json:"done,omitempty"`
	Total int    `json:"total,omitempty"`

	Outcome *Outcome   `json:"outcome,omitempty"`
	Error   *clipError `json:"error,omitempty"`
}

// ServeWorker is the inside of a worker process: it reads requests from in,
// one at a time, and writes messages to out, until in ends. start loads what
// the analysis needs; its error is reported as fatal. When in ends while a clip
// is in work, the parent is gone: gone is called, which should end the process.
func ServeWorker(in io.Reader, out io.Writer, start func() (AnalyzeFunc, error), gone func()) error {
	var mu sync.Mutex
	enc := json.NewEncoder(out)
	send := func(m message) error {
		mu.Lock()
		defer mu.Unlock()
		return enc.Encode(m)
	}
	analyze, err := start()
	if err != nil {
		return errors.Join(err, send(message{Fatal: strings.TrimPrefix(err.Error(), ErrFatal.Error()+": ")}))
	}
	if err := send(message{Ready: true}); err != nil {
		return err
	}
	requests := make(chan request)
	var readErr error
	go func() {
		defer close(requests)
		dec := json.NewDecoder(in)
		for {
			var q request
			if err := dec.Decode(&q); err != nil {
				if err != io.EOF {
					readErr = fmt.Errorf("request: %w", err)
				}
				gone()
				return
			}
			requests <- q
		}
	}()
	for q := range requests {
		c := Clip{Path: string(q.Path), Rel: string(q.Rel), SHA256: q.SHA256, Sidecar: q.Sidecar, Tool: q.Tool}
		o, err := analyzeAndStore(context.Background(), analyze, c, string(q.Out), func(stage string, done, total int) {
			_ = send(message{Stage: stage, Done: done, Total: total}) // a parent that is gone ends this process anyway
		})
		m := message{Outcome: &o}
		if err != nil {
			m = message{Error: asClipError(err)}
		}
		if err := send(m); err != nil {
			return err
		}
	}
	return readErr
}

// limits are what a worker process may use.
type limits struct {
	stall    time.Duration
	deadline time.Duration
	memoryMB int
	start    time.Duration // longest time to load the models
}

// memoryEvery is how often a worker's memory is looked at: often enough to catch
// a decoder that takes 100 MB a picture before it has taken ten.
const memoryEvery = 100 * time.Millisecond

// child runs clips in a worker process of its own, so that a crash of a native
// library costs one clip. The process is started at the first clip and kept.
type child struct {
	command func() *exec.Cmd
	limits  limits
	scratch string // for temporary files, emptied for each process; "" = the system's own folder
	p       *process
}

func (r *child) Run(ctx context.Context, c Clip, out string, p Progress) (Outcome, error) {
	if r.p == nil {
		proc, err := r.start(ctx)
		for try := 0; errors.Is(err, errKilled) && try < len(transientPauses); try++ {
			select { // a machine that is short of memory for a while is no reason to end the night
			case <-time.After(transientPauses[try]):
			case <-ctx.Done():
				return Outcome{}, ctx.Err()
			}
			proc, err = r.start(ctx)
		}
		if err != nil {
			return Outcome{}, err
		}
		r.p = proc
	}
	o, err := r.p.run(ctx, request{[]byte(c.Path), []byte(c.Rel), c.SHA256, c.Sidecar, c.Tool, []byte(out)}, r.limits, p)
	if r.p.dead {
		r.p = nil
	}
	return o, err
}

func (r *child) start(ctx context.Context) (*process, error) {
	cmd := r.command()
	if err := useScratch(cmd, r.scratch); err != nil {
		return nil, err
	}
	return startProcess(ctx, cmd, r.limits.start)
}

func (r *child) Renew() { _ = r.Close() } // how the old process ends does not matter

func (r *child) Close() error {
	if r.p != nil {
		r.p.kill()
		r.p = nil
	}
	return nil
}

// process is a running worker.
type process struct {
	cmd      *exec.Cmd
	stdin    io.WriteCloser
	messages chan message
	stderr   *tail
	ended    chan error // holds the exit error, once
	dead     bool

	group  sync.Mutex // held while its group is signalled
	reaped bool       // its number may be another's by now
}

// errKilled marks a worker that the system, or a person, ended before it was ready.
var errKilled = errors.New("it was killed while it loaded the networks, as happens where memory is short: close other programs, or use fewer --jobs")

func startProcess(ctx context.Context, cmd *exec.Cmd, limit time.Duration) (*process, error) {
	fail := func(err error) (*process, error) { return nil, fmt.Errorf("%w: worker process: %w", ErrFatal, err) }
	// A group of its own: Ctrl-C on the terminal reaches only the parent, and
	// killing the group takes ffmpeg with it.
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	p := &process{cmd: cmd, messages: make(chan message), stderr: &tail{}, ended: make(chan error, 1)}
	cmd.Stderr = p.stderr
	cmd.WaitDelay = 5 * time.Second // a grandchild may hold stderr open
	stdin, err := cmd.StdinPipe()
	if err != nil {
		return fail(err)
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		return fail(err)
	}
	p.stdin = stdin
	if err := cmd.Start(); err != nil {
		return fail(err)
	}
	go p.read(stdout)
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case m, ok := <-p.messages:
		switch {
		case ok && m.Ready:
			return p, nil
		case ok && m.Fatal != "":
			p.kill()
			return nil, fmt.Errorf("%w: %s", ErrFatal, m.Fatal)
		}
		p.kill()
		exit := <-p.ended
		if ws, is := p.cmd.ProcessState.Sys().(syscall.WaitStatus); is && !ok && ws.Signaled() && ws.Signal() == syscall.SIGKILL {
			return fail(errKilled)
		}
		return fail(fmt.Errorf("ended before it was ready (%v): %s", exit, p.stderr.last()))
	case <-timer.C:
		p.kill()
		return fail(fmt.Errorf("not ready after %v: %s", limit, p.stderr.last()))
	case <-ctx.Done():
		p.kill()
		return nil, ctx.Err()
	}
}

// read passes messages on until the process closes its output, then collects its exit.
func (p *process) read(stdout io.Reader) {
	r := bufio.NewReader(stdout)
	for {
		line, err := r.ReadBytes('\n')
		var m message
		if err == nil && json.Unmarshal(line, &m) == nil {
			p.messages <- m
			continue
		}
		if err != nil {
			break
		}
		_, _ = p.stderr.Write(line) // a library that prints to the wrong place
	}
	// Its number is its own until it is waited for, and so is that of its group.
	for unix.Waitid(unix.P_PID, p.cmd.Process.Pid, nil, unix.WEXITED|unix.WNOWAIT, nil) == unix.EINTR {
	}
	p.killGroup()
	p.group.Lock()
	p.reaped = true
	p.group.Unlock()
	p.ended <- p.cmd.Wait()
	close(p.messages)
}

// killGroup ends the process and all that it started, but nothing that has come by their number since.
func (p *process) killGroup() {
	p.group.Lock()
	defer p.group.Unlock()
	if !p.reaped {
		_ = syscall.Kill(-p.cmd.Process.Pid, syscall.SIGKILL) // gone already is as good
	}
}

func (p *process) run(ctx context.Context, q request, l limits, progress Progress) (Outcome, error) {
	p.stderr.reset()
	giveUp := func(format string, args ...any) (Outcome, error) {
		p.kill()
		return Outcome{}, fmt.Errorf("%w: %s", errGaveUp, fmt.Sprintf(format, args...))
	}
	line, err := json.Marshal(q)
	if err != nil {
		return Outcome{}, err
	}
	if _, err := p.stdin.Write(append(line, '\n')); err != nil {
		return Outcome{}, p.died()
	}
	stall := time.NewTimer(l.stall)
	defer stall.Stop()
	deadline := time.NewTimer(l.deadline)
	defer deadline.Stop()
	memory := time.NewTicker(memoryEvery)
	defer memory.Stop()
	held := holding{pid: p.cmd.Process.Pid}
	for {
		select {
		case m, ok := <-p.messages:
			switch {
			case !ok:
				return Outcome{}, p.died()
			case m.Outcome != nil:
				return *m.Outcome, nil
			case m.Error != nil:
				return Outcome{}, m.Error
			}
			stall.Reset(l.stall)
			progress(m.Stage, m.Done, m.Total)
		case <-memory.C:
			if l.memoryMB > 0 && held.mb() > l.memoryMB {
				return giveUp("the clip needed more than %d MB of memory, ffmpeg's share included; raise --memory-mb or make the clip smaller", l.memoryMB)
			}
		case <-stall.C:
			return giveUp("no progress for %v; play the clip to see whether it is whole, or raise --stall", l.stall)
		case <-deadline.C:
			return giveUp("not done after %v; cut the clip into shorter ones, or raise --deadline", l.deadline)
		case <-ctx.Done():
			p.kill()
			return Outcome{}, ctx.Err()
		}
	}
}

// died collects the exit of a process that has ended by itself.
func (p *process) died() error {
	p.kill()
	return &diedError{exit: <-p.ended, stderr: p.stderr.text()}
}

// diedError is the unplanned end of a worker.
type diedError struct {
	exit   error
	stderr string
}

func (e *diedError) Error() string {
	if e.exit == nil {
		return errDied.Error() + ": exit status 0"
	}
	return errDied.Error() + ": " + e.exit.Error()
}
func (e *diedError) Unwrap() error { return errDied }

// kill ends the process and all that it started. It may be called again.
func (p *process) kill() {
	if p.dead {
		return
	}
	p.dead = true
	p.killGroup()
	for range p.messages { //nolint:revive // drains what was sent before the end, so that read can finish
	}
}

// holding is the memory of a process and of all in its group: of a worker and the ffmpeg that it started.
type holding struct {
	pid     int
	others  []int // the rest of the group
	counted time.Time
}

// groupEvery is how often the group is counted anew, which means looking at every process of the machine.
const groupEvery = time.Second

// mb is what they hold now, 0 where the system does not say. What the others merely map, such as libraries, is not counted again.
func (h *holding) mb() int {
	if now := time.Now(); now.Sub(h.counted) >= groupEvery {
		h.counted, h.others = now, groupOf(h.pid)
	}
	bytes, _ := memoryOf(h.pid)
	for _, pid := range h.others {
		all, mapped := memoryOf(pid)
		bytes += max(0, all-mapped)
	}
	return bytes >> 20
}

// memoryOf is what of a process lies in RAM, and how much of that is files or shared (proc(5), statm).
func memoryOf(pid int) (all, mapped int) {
	data, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/statm")
	if err != nil {
		return 0, 0
	}
	f := strings.Fields(string(data))
	if len(f) < 3 {
		return 0, 0
	}
	all, _ = strconv.Atoi(f[1]) // the kernel writes digits
	mapped, _ = strconv.Atoi(f[2])
	return all * os.Getpagesize(), mapped * os.Getpagesize()
}

// groupOf are the other processes in the group that a process leads (proc(5), stat).
func groupOf(leader int) (pids []int) {
	dirs, _ := filepath.Glob("/proc/[0-9]*") // the pattern is a sound one; with "/stat" behind it every folder would be listed
	for _, dir := range dirs {
		data, err := os.ReadFile(filepath.Join(dir, "stat"))
		if err != nil {
			continue // ended meanwhile
		}
		// The name of the program, in brackets, may hold anything.
		f := strings.Fields(string(data[bytes.LastIndexByte(data, ')')+1:]))
		if len(f) < 3 || f[2] != strconv.Itoa(leader) {
			continue
		}
		if pid, err := strconv.Atoi(filepath.Base(dir)); err == nil && pid != leader {
			pids = append(pids, pid)
		}
	}
	return pids
}

// tail keeps the end of what a process said.
type tail struct {
	mu  sync.Mutex
	buf []byte
}

const tailBytes = 16 << 10 // a Go stack dump or a native library's message fits

func (t *tail) Write(b []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.buf = append(t.buf, b...)
	if over := len(t.buf) - tailBytes; over > 0 {
		t.buf = append(t.buf[:0], t.buf[over:]...)
	}
	return len(b), nil
}

func (t *tail) text() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return string(t.buf)
}

func (t *tail) reset() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.buf = t.buf[:0]
}

// last is the last line that says something.
func (t *tail) last() string {
	lines := strings.Split(strings.TrimSpace(t.text()), "\n")
	return lines[len(lines)-1]
}
