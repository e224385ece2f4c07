package pipeline

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"cagebook/pipeline/video"
)

// A clip is read once, unless its file shows that it was changed, or would not show it.
func TestHashIsRemembered(t *testing.T) {
	root, out := t.TempDir(), t.TempDir()
	file, mark := filepath.Join(root, "a.mp4"), filepath.Join(out, outputMark)
	put(t, file, "good 1")
	old := time.Now().Add(-time.Hour)
	hash := func() string { // as of a run of its own
		t.Helper()
		lock, err := lockOutput(out)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = lock.unlock() }()
		h, err := (&run{b: &Batch{}, lock: lock}).hash(t.Context(), &Clip{Path: file, Rel: "a.mp4"})
		if err != nil {
			t.Fatal(err)
		}
		return h
	}
	kept := func() string {
		t.Helper()
		data, err := os.ReadFile(mark)
		if err != nil {
			t.Fatal(err)
		}
		_, lines, _ := strings.Cut(string(data), "\n")
		return lines
	}
	first := hash()
	if kept() != "" {
		t.Error("the hash of a file that was changed a moment ago was kept")
	}
	if err := os.Chtimes(file, old, old); err != nil { // which is a change by itself
		t.Fatal(err)
	}
	hash()
	if kept() != "" {
		t.Error("the hash of a file whose time was set a moment ago was kept")
	}

	defer func(d time.Duration) { stampSettles = d }(stampSettles)
	stampSettles = -time.Hour // as if an hour had passed
	if hash() != first || !strings.Contains(kept(), first) || strings.Contains(kept(), "a.mp4") {
		t.Errorf("kept: %q, want the hash, and no name", kept())
	}
	// What is kept is believed: a second look reads nothing.
	false1 := strings.Repeat("0", 64)
	put(t, mark, "process 1\n{cut sho\n"+strings.Replace(kept(), first, false1, 1)+"\x00\x00\n")
	if got := hash(); got != false1 {
		t.Errorf("hash %s: the clip was read again", got)
	}
	// The same size and time, but written anew.
	put(t, file, "good 2")
	if err := os.Chtimes(file, old, old); err != nil {
		t.Fatal(err)
	}
	second := hash()
	if second == false1 || second == first {
		t.Errorf("hash %s: a changed clip was taken for the same", second)
	}
	// Another file in its place.
	put(t, file+".new", "good 3")
	if err := os.Rename(file+".new", file); err != nil {
		t.Fatal(err)
	}
	third := hash()
	if third == second || hash() != third {
		t.Error("another file was taken for the same")
	}
	if n := strings.Count(kept(), "\n"); n != 1 {
		t.Errorf("%d lines are kept of one clip:\n%s", n, kept())
	}
}

// Who waits for a large file to be read sees how far that is.
func TestHashTellsHowFar(t *testing.T) {
	root := t.TempDir()
	file := filepath.Join(root, "a.mp4")
	put(t, file, "x")
	if err := os.Truncate(file, 200<<20); err != nil {
		t.Fatal(err)
	}
	var told []int
	r := &run{b: &Batch{OnEvent: func(e Event) {
		if e.Kind == EventProgress && e.Clip == "a.mp4" && e.Total == 200 {
			told = append(told, e.Done)
		}
	}}, root: root, store: NewStore(t.TempDir())}
	if _, err := r.hash(t.Context(), &Clip{Path: file, Rel: "a.mp4"}); err != nil || !slices.Equal(told, []int{64, 128, 192}) {
		t.Errorf("told of %v MB, %v", told, err)
	}
}

// A second run over the same clips writes nothing and reads no clip.
func TestBatchSecondRunReadsNoClip(t *testing.T) {
	defer func(d time.Duration) { stampSettles = d }(stampSettles)
	stampSettles = -time.Hour
	root, out := t.TempDir(), t.TempDir()
	for rel, text := range map[string]string{"a.mp4": "good", "b.mp4": "text", "c/d.mp4": "no_swing"} {
		put(t, filepath.Join(root, rel), text)
	}
	if _, err := newBatch(root, out).Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join(out, outputMark))
	if n := strings.Count(string(data), "sha256"); err != nil || n != 3 {
		t.Errorf("%d hashes are kept, want 3: %v", n, err)
	}
	d := &faultyDisk{}
	realDisk = d
	defer func() { realDisk = osDisk{} }()
	sum, err := newBatch(root, out).Run(t.Context())
	if err != nil || sum.Clips != 3 {
		t.Errorf("%+v, %v", sum, err)
	}
	if pages := 2 * 3 * 7; d.calls > pages { // three pages at the first clip and at the end, of seven operations each
		t.Errorf("%d operations on the disk, want those of the pages, %d", d.calls, pages)
	}
}

// 200 GB of which nothing was written are settled in a moment, with what to do;
// so is a file that holds no video, and one of which a part was written is read.
func TestLargeFiles(t *testing.T) {
	dir := t.TempDir()
	sparse := func(name, head string, size int64) string {
		file := filepath.Join(dir, name)
		put(t, file, head)
		if err := os.Truncate(file, size); err != nil {
			t.Skip("this disk holds no large files: ", err)
		}
		return file
	}
	huge := sparse("huge.mp4", "", 200<<30)
	if n, err := writtenBytes(huge, 200<<30); err != nil || n > 1<<30 {
		t.Skipf("this disk does not tell what was written: %d, %v", n, err)
	}
	began := time.Now()
	err := checkLarge(t.Context(), huge, 200<<30)
	if o := outcomeOf(err); !errors.Is(err, video.ErrDamaged) || o.Reason != "Of its 214.7 GB only 0.0 MB were ever written, the rest is empty. Its copy broke off or is not done yet: copy the clip again." {
		t.Errorf("%v: %+v", err, o)
	}
	if d := time.Since(began); d > 5*time.Second {
		t.Errorf("it took %v", d)
	}
	if err := checkLarge(t.Context(), sparse("small.mp4", "x", 1<<20), 1<<20); err != nil {
		t.Errorf("a small file: %v", err)
	}
	if n, err := writtenBytes(sparse("head.mp4", strings.Repeat("x", 1<<20), 1<<30), 1<<30); err != nil || n < 1<<20 || n > 2<<20 {
		t.Errorf("%d bytes written, %v; want a million", n, err)
	}
}
