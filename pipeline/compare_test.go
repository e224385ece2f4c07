package pipeline

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"cagebook/report"
)

// Two stored results become a page, pairs of stills and a film of both.
func TestCompareFolders(t *testing.T) {
	needFFmpeg(t)
	dir := t.TempDir()
	store := NewStore(dir)
	for _, name := range []string{"a.mp4", "b.mp4"} {
		r, jpg := filmed()
		clip := Clip{Rel: name, Put: store.ClipPut(name)}
		if err := films(context.Background(), clip, r, spooled(t, jpg), t.TempDir()); err != nil {
			t.Fatal(err)
		}
		if err := report.WriteClip(clip.Put, r, nil); err != nil {
			t.Fatal(err)
		}
	}
	out := NewStore(filepath.Join(dir, "beside"))
	a := filepath.Join(dir, "clips", "a.mp4")
	c, err := Compare(context.Background(), a, 0, filepath.Join(dir, "clips", "b.mp4", "report.json"), 1, "", out.Put)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"compare.html", "compare.json", "pair-3-foot-down.jpg", "pair-5-contact.jpg", "pair.mp4"} {
		if info, err := os.Stat(filepath.Join(dir, "beside", name)); err != nil || info.Size() == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
	n, err := exec.Command("ffprobe", "-v", "error", "-count_frames", "-show_entries", "stream=nb_read_frames", "-of", "csv=p=0", filepath.Join(dir, "beside", "pair.mp4")).Output()
	if err != nil || strings.TrimSpace(string(n)) != "60" || len(c.Samples) != 60 { // all of the example's frames
		t.Errorf("%s pictures for %d samples, %v", n, len(c.Samples), err)
	}
	if _, err := Compare(context.Background(), a, 7, a, 1, "", out.Put); !errors.Is(err, report.ErrNoSwing) {
		t.Errorf("swing 7: %v", err)
	}
	if err := os.Remove(filepath.Join(a, "swing-1", "film.mp4")); err != nil {
		t.Fatal(err)
	}
	if _, err := Compare(context.Background(), a, 1, a, 1, "", out.Put); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a film that is gone: %v", err)
	}
}
