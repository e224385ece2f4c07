package pipeline

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"cagebook/report"
)

func TestFindClips(t *testing.T) {
	root := t.TempDir()
	for _, f := range []string{"a.mp4", "B.MoV", "x/y/z/c.3gp", "notes.txt", "pic.jpg", ".hidden.mp4", ".trash/d.mp4", "._a.mp4", "name.mp4/e.mts", "quote\"s\n.mkv"} {
		put(t, filepath.Join(root, f), "v")
	}
	put(t, filepath.Join(root, "zero.webm"), "")
	put(t, filepath.Join(root, "typo.yaml"), "hitter: a\n")
	put(t, filepath.Join(root, "a.yml"), "hitter: a\n")
	put(t, filepath.Join(root, "x", "session.yaml"), "hitter: a\n")
	for _, err := range []error{
		syscall.Mkfifo(filepath.Join(root, "pipe.mp4"), 0o644),
		os.Symlink("nowhere.mp4", filepath.Join(root, "broken.mp4")),
		os.Symlink("/dev/zero", filepath.Join(root, "endless.mp4")),
		os.Symlink("..", filepath.Join(root, "x", "loop")),
		os.Symlink("x", filepath.Join(root, "x-again")),
		os.Symlink("self.mp4", filepath.Join(root, "self.mp4")),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	l, err := findClips(root, "")
	if err != nil {
		t.Fatal(err)
	}
	var good, bad []string
	for _, c := range l.Clips {
		if c.Outcome == nil {
			good = append(good, c.Rel)
			continue
		}
		bad = append(bad, c.Rel)
		if c.Outcome.Reason == "" || c.Outcome.State != report.NotVideo && c.Outcome.State != report.Failed {
			t.Errorf("%s: %+v", c.Rel, c.Outcome)
		}
	}
	if want := []string{"B.MoV", "a.mp4", "name.mp4/e.mts", "quote\"s\n.mkv", "x/y/z/c.3gp"}; !slices.Equal(good, want) {
		t.Errorf("clips %q, want %q", good, want)
	}
	if want := []string{"broken.mp4", "endless.mp4", "pipe.mp4", "self.mp4", "zero.webm"}; !slices.Equal(bad, want) {
		t.Errorf("without a look %q, want %q", bad, want)
	}
	warned := strings.Join(l.Warnings, "\n")
	if len(l.Warnings) != 2 || !strings.Contains(warned, "typo.yaml: belongs to no clip") || !strings.Contains(warned, "settings files end in .yaml") {
		t.Errorf("warnings: %s", warned)
	}
}

// An unreadable folder may hide clips: it is a row, not silence.
func TestFindClipsUnreadableFolder(t *testing.T) {
	if os.Getuid() == 0 {
		t.Skip("root may read everything")
	}
	root := t.TempDir()
	put(t, filepath.Join(root, "shut", "a.mp4"), "v")
	if err := os.Chmod(filepath.Join(root, "shut"), 0); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.Chmod(filepath.Join(root, "shut"), 0o755) }) // so that the folder can be removed
	l, err := findClips(root, "")
	if err != nil || len(l.Clips) != 1 || l.Clips[0].Outcome == nil || !l.Clips[0].NoFolder {
		t.Errorf("%+v, %v", l, err)
	}
}
