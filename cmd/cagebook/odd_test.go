//go:build cgo

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"html"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"cagebook/configs"
	"cagebook/pipeline"
	"cagebook/pipeline/video"
	"cagebook/report"
)

// oddFolder is a folder of everything that may lie among clips, and how each must end; "" = anything that is said with a reason.
type oddFolder struct {
	root string
	want map[string]string
	says map[string]string // part of the reason
}

// oddNames are names that a shell, a page, ffmpeg or a table might take for something else.
var oddNames = []string{
	`"double" 'single' ` + "`back`.mp4", "line\nfeed.mp4", "tab\tcarriage\rreturn.mp4", "<script>document.title='pwned'<script>.mp4",
	"<img src=x onerror=document.title=1>.mp4", "&amp;lt;b&gt;.mp4", "%2e%2e%2fetc.mp4", "a..mp4", "\u202egnp.mp4", "\u200fשלום\u200e.mp4",
	"latin1 \xe9\xff.mp4", "-rf.mp4", "file:x.mp4", "concat:a|b.mp4", "%03d.mp4", "a?b#c&d=e.mp4", " leading and trailing .mp4", "con.mp4", "⚾ é ｅ 日本.mp4",
	"back\\slash.mp4", "=cmd|' A0.mp4", "javascript:alert(1).mp4", "a;b,c.mp4", "${HOME}.mp4", "*.mp4", "upper.MP4",
	strings.Repeat("n", 251) + ".mp4", strings.Repeat("é", 125) + "x.mp4",
	"session.yaml.mp4", "report.json.mp4", "index.html.mp4", "swing-1/clip.mp4", "report.json/clip.mp4", strings.Repeat("deep/", 40) + "clip.mp4",
}

func newOddFolder(t *testing.T) *oddFolder {
	t.Helper()
	o := &oddFolder{root: t.TempDir(), want: map[string]string{}, says: map[string]string{}}
	add := func(rel, state, says string, make func(path string) error) {
		t.Helper()
		path := filepath.Join(o.root, rel)
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), make(path)); err != nil {
			t.Fatalf("%q: %v", rel, err)
		}
		o.want[rel], o.says[rel] = state, says
	}
	holding := func(data []byte) func(string) error {
		return func(path string) error { return os.WriteFile(path, data, 0o644) }
	}
	link := func(to string) func(string) error { return func(path string) error { return os.Symlink(to, path) } }
	clip := ffmpegClip(t, "a.mp4", "-c:v", "libx264", "-preset", "veryfast", "-pix_fmt", "yuv420p")
	for _, name := range oddNames {
		add(name, report.NoSwing, "", holding(clip))
	}
	add("empty.mp4", report.NotVideo, "empty (0 bytes)", holding(nil))
	add("text.mp4", report.NotVideo, "No video can be read in it", holding([]byte("hello")))
	add("half.mp4", "", "", holding(clip[:len(clip)/2]))
	add("pipe.mp4", report.NotVideo, "a named pipe", func(p string) error { return syscall.Mkfifo(p, 0o644) })
	add("device.mp4", report.NotVideo, "a device", link("/dev/zero"))
	add("loop.mp4", report.Failed, "too many levels of symbolic links", link("loop.mp4"))
	add("nowhere.mp4", report.NotVideo, "leads nowhere", link("not/there.mp4"))
	add("linked.mp4", report.NoSwing, "", link("a..mp4"))
	add("settings.mp4", report.BadSettings, "bats", holding(clip))
	add("vanishes.mp4", report.Failed, "went away during the run", holding(clip))
	add("sparse.mp4", report.Damaged, "were ever written", func(p string) error {
		return errors.Join(os.WriteFile(p, clip, 0o644), os.Truncate(p, 200<<30))
	})
	add("socket.mp4", report.NotVideo, "a socket", func(p string) error {
		short := filepath.Join(os.TempDir(), fmt.Sprintf("odd-%d.sock", os.Getpid())) // names of sockets are at most 107 bytes long
		ln, err := net.Listen("unix", short)
		if err != nil {
			return err
		}
		t.Cleanup(func() { _ = ln.Close() })
		return os.Rename(short, p)
	})
	if os.Getuid() != 0 { // root may read everything
		add("forbidden.mp4", report.Failed, "may not be read", holding(clip))
		add("closed/clip.mp4", "", "", holding(clip))
		delete(o.want, "closed/clip.mp4")
		o.want["closed"], o.says["closed"] = report.Failed, "folder cannot be read"
		if err := errors.Join(os.Chmod(filepath.Join(o.root, "forbidden.mp4"), 0), os.Chmod(filepath.Join(o.root, "closed"), 0)); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = os.Chmod(filepath.Join(o.root, "closed"), 0o755) })
	}
	if err := errors.Join(
		os.WriteFile(filepath.Join(o.root, "settings.yaml"), []byte("bats: r\n"), 0o644),
		os.WriteFile(filepath.Join(o.root, ".hidden.mp4"), clip, 0o644),
		os.WriteFile(filepath.Join(o.root, "notes.txt"), []byte("no clip"), 0o644),
		os.Symlink(o.root, filepath.Join(o.root, "around")), // a folder within itself
	); err != nil {
		t.Fatal(err)
	}
	shared := filepath.Join("..", "..", "..", "shared", "data", "odd")
	entries, err := os.ReadDir(shared)
	if err != nil {
		t.Log("without the odd files of ../shared/data: ", err)
	}
	for _, e := range entries {
		data, err := os.ReadFile(filepath.Join(shared, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		add("shared/"+e.Name(), "", "", holding(data))
	}
	return o
}

func (o *oddFolder) batch(t *testing.T, ended map[string]pipeline.Event) *pipeline.Batch {
	settings := configs.Default()
	settings.Jobs, settings.Stall, settings.Deadline = 2, 2*time.Minute, 4*time.Minute
	b := &pipeline.Batch{Root: o.root, Out: filepath.Join(t.TempDir(), "out"), Settings: settings, Tool: pipeline.Tool{Version: "test"}}
	b.Worker = func(int) *exec.Cmd { return exec.Command("cagebook-decode") }
	b.OnEvent = func(e pipeline.Event) {
		if e.Kind == pipeline.EventClip {
			ended[e.Clip] = e
		}
	}
	return b
}

// check holds how clips ended against how they must.
func (o *oddFolder) check(t *testing.T, ended map[string]pipeline.Event) {
	t.Helper()
	if len(ended) != len(o.want) {
		t.Errorf("%d clips ended, want %d", len(ended), len(o.want))
	}
	for rel, state := range o.want {
		e, ok := ended[rel]
		switch {
		case !ok:
			t.Errorf("%q: no word of it", rel)
		case state == "" && e.State == report.Failed && !strings.Contains(e.Reason, "the limit of"), state != "" && e.State != state:
			t.Errorf("%q: %s (%s), want %s", rel, e.State, e.Reason, state)
		case e.State != report.NoSwing && e.Reason == "", !strings.Contains(e.Reason, o.says[rel]):
			t.Errorf("%q: %s for the reason %q, want %q", rel, e.State, e.Reason, o.says[rel])
		}
	}
}

// grow writes to a clip as a slow copy does, until it is told to stop.
func (o *oddFolder) grow(t *testing.T) (stop func()) {
	t.Helper()
	const rel = "growing.mp4"
	data := ffmpegClip(t, "g.mp4", "-c:v", "mpeg4", "-movflags", "+faststart", "-q:v", "2")
	f, err := os.Create(filepath.Join(o.root, rel))
	if err != nil {
		t.Fatal(err)
	}
	write := func(b []byte) {
		if _, err := f.Write(b); err != nil {
			t.Error(err)
		}
	}
	write(data[:len(data)/2])
	enough := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		rest := data[len(data)/2:]
		for {
			select {
			case <-enough:
				write(rest)
				if err := f.Close(); err != nil {
					t.Error(err)
				}
				return
			case <-time.After(20 * time.Millisecond):
				if len(rest) > 1 {
					write(rest[:1])
					rest = rest[1:]
				}
			}
		}
	})
	return sync.OnceFunc(func() { close(enough); wg.Wait() })
}

// Whatever lies in the folder, each thing has its row with a reason, the clips beside
// it are looked at, and the page names them all without doing what names say.
func TestOddInputsRun(t *testing.T) {
	o := newOddFolder(t)
	stop := o.grow(t)
	defer stop()
	o.want["growing.mp4"], o.says["growing.mp4"] = report.Failed, "changed while it was read"
	ended := map[string]pipeline.Event{}
	b := o.batch(t, ended)
	s, err := b.Run(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	o.check(t, ended)
	if s.Clips != len(o.want) || s.Lost == 0 || sum(s.Counts) != s.Clips {
		t.Errorf("summary %+v", s)
	}
	for rel, e := range ended {
		if strings.HasPrefix(rel, "shared/") {
			t.Logf("%s: %s %s", rel, e.State, e.Reason)
		}
	}
	names := make([]string, 0, len(ended))
	for rel := range ended {
		names = append(names, rel)
	}
	checkPage(t, filepath.Join(b.Out, "index.html"), names)
	err = filepath.WalkDir(filepath.Dir(b.Out), func(path string, _ fs.DirEntry, err error) error {
		if err == nil && path != filepath.Dir(b.Out) && !strings.HasPrefix(path, b.Out) {
			t.Errorf("%q was written outside the output folder", path)
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
}

// The same folder, watched: the clip that is being copied is waited for.
func TestOddInputsWatch(t *testing.T) {
	if testing.Short() {
		t.Skip("the same folder as that of the run")
	}
	o := newOddFolder(t)
	stop := o.grow(t)
	defer stop()
	o.want["growing.mp4"] = report.NoSwing
	ended := map[string]pipeline.Event{}
	b := o.batch(t, ended)
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	note := b.OnEvent
	b.OnEvent = func(e pipeline.Event) {
		note(e)
		switch {
		case e.Kind != pipeline.EventWaiting:
		case strings.Contains(e.Reason, "for 1 of"):
			stop()
		case strings.Contains(e.Reason, "for new clips"):
			cancel()
		}
	}
	w := &pipeline.Watch{Batch: *b, Settings: configs.Watch{Poll: 200 * time.Millisecond, Quiet: time.Second}}
	s, left, err := w.Run(ctx)
	if err != nil || left || s.Lost == 0 {
		t.Errorf("%+v, left %v, %v", s, left, err)
	}
	o.check(t, ended)
	names := make([]string, 0, len(ended))
	for rel := range ended {
		if rel != "vanishes.mp4" { // gone from the folder, gone from the page
			names = append(names, rel)
		}
	}
	checkPage(t, filepath.Join(b.Out, "index.html"), names)
}

// checkPage opens a morning page in a browser and looks for the names in what it made of it.
func checkPage(t *testing.T, page string, names []string) {
	t.Helper()
	browser, err := exec.LookPath("chromium")
	if err != nil {
		t.Log("the page is not opened: ", err)
		return
	}
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--user-data-dir="+t.TempDir(), "--dump-dom", "file://"+page)
	var errs bytes.Buffer
	cmd.Stderr, cmd.WaitDelay = &errs, 5*time.Second
	out, err := cmd.Output()
	if err != nil || len(out) == 0 {
		t.Errorf("chromium: %v: %s", err, errs.String())
		return
	}
	dom := string(out)
	for _, done := range []string{"<title>pwned", "<title>1<", "<img src=\"x\"", "<script>document.title"} {
		if strings.Contains(dom, done) {
			t.Errorf("a name became part of the page: %s", done)
		}
	}
	text := shown(html.UnescapeString(dom))
	for _, name := range names {
		if want := shown(marks.Replace(name)); !strings.Contains(text, want) {
			t.Errorf("the page does not name %q", name)
		}
	}
}

// shown is a text as a browser draws it: white space is one space, bytes that are no text are replaced.
func shown(s string) string {
	return strings.Join(strings.Fields(badBytes.ReplaceAllString(strings.ToValidUTF8(s, "\uFFFD"), "\uFFFD")), " ")
}

// marks that would turn or break a name stand on the page as their numbers.
var marks = strings.NewReplacer("\n", `\n`, "\t", `\t`, "\r", `\x0d`, "\u200e", `\u200e`, "\u200f", `\u200f`, "\u202e", `\u202e`)

var badBytes = regexp.MustCompile("\uFFFD+")

// What the head of a large file says of it suffices to refuse it.
func TestGlance(t *testing.T) {
	for _, c := range []struct {
		name string
		data []byte
		want error
	}{
		{"a clip", ffmpegClip(t, "a.mp4", "-c:v", "libx264", "-pix_fmt", "yuv420p"), nil},
		{"a clip in Matroska", ffmpegClip(t, "a.mkv", "-c:v", "mpeg4"), nil},
		{"text", []byte("hello"), video.ErrNotVideo},
		{"four hours", ffmpegClip(t, "a.mp4", "-vf", "setpts=PTS*28800", "-fps_mode", "passthrough", "-c:v", "mpeg4"), video.ErrTooLarge},
		{"sound", ffmpegClip(t, "a.m4a", "-f", "lavfi", "-i", "sine=d=0.1", "-map", "1:a"), video.ErrNotVideo},
	} {
		file := filepath.Join(t.TempDir(), "clip")
		if err := os.WriteFile(file, c.data, 0o644); err != nil {
			t.Fatal(err)
		}
		if err := video.Glance(t.Context(), file, video.Options{}); !errors.Is(err, c.want) || (err == nil) != (c.want == nil) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
}
