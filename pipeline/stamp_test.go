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
	root := t.TempDir()
	file := filepath.Join(root, "a.mp4")
	put(t, file, "good 1")
	old := time.Now().Add(-time.Hour)
	r := &run{b: &Batch{}, root: root, out: t.TempDir()}
	r.store = NewStore(r.out)
	name := filepath.Join(r.out, ClipsDir, "a.mp4", hashedFile)
	hash := func() string {
		t.Helper()
		c := Clip{Path: file, Rel: "a.mp4"}
		h, err := r.hash(t.Context(), &c)
		if err == nil {
			err = r.remember(c)
		}
		if err != nil {
			t.Fatal(err)
		}
		return h
	}
	first := hash()
	if _, err := os.Stat(name); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the hash of a file that was changed a moment ago was kept: %v", err)
	}
	if err := os.Chtimes(file, old, old); err != nil { // which is a change by itself
		t.Fatal(err)
	}
	hash()
	if _, err := os.Stat(name); !errors.Is(err, os.ErrNotExist) {
		t.Error("the hash of a file whose time was set a moment ago was kept")
	}

	defer func(d time.Duration) { stampSettles = d }(stampSettles)
	stampSettles = -time.Hour // as if an hour had passed
	if hash() != first {
		t.Error("another hash of the same content")
	}
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	// What is kept is believed: a second look reads nothing.
	mark := strings.Repeat("0", 64)
	put(t, name, strings.Replace(string(data), first, mark, 1))
	if got := hash(); got != mark {
		t.Errorf("hash %s: the clip was read again", got)
	}
	// The same size and time, but written anew.
	put(t, file, "good 2")
	if err := os.Chtimes(file, old, old); err != nil {
		t.Fatal(err)
	}
	second := hash()
	if second == mark || second == first {
		t.Errorf("hash %s: a changed clip was taken for the same", second)
	}
	// Another file in its place.
	put(t, file+".new", "good 3")
	if err := os.Rename(file+".new", file); err != nil {
		t.Fatal(err)
	}
	if got := hash(); got == second {
		t.Error("another file was taken for the same")
	}
	put(t, name, "{cut sho")
	if got := hash(); len(got) != 64 || got == mark {
		t.Errorf("with a broken note: %q", got)
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
	for _, rel := range []string{"a.mp4", "b.mp4", "c/d.mp4"} {
		if _, err := os.Stat(filepath.Join(out, ClipsDir, rel, hashedFile)); err != nil {
			t.Error(err)
		}
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
