package pipeline

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cagebook/report"
)

// On a disk that takes Ada.mp4 and ada.mp4 for one name the second has no results,
// and is told of; on any other both have their own.
func TestNamesThatTheOutputDiskTakesForOne(t *testing.T) {
	root := t.TempDir()
	names := []string{"Ada.mp4", "Cage/ben.mp4", "ada.mp4", "ben.mp4", "cage/Ben.mp4", "ren\u00e9.mp4", "rene\u0301.mp4"}
	for _, name := range names {
		put(t, filepath.Join(root, name), "good "+name)
	}
	if l, err := findClips(root, ""); err != nil || len(l.Clips) != len(names) {
		t.Skipf("the disk of temporary files takes them for one: %v", err)
	}
	out := t.TempDir()
	if s, err := newBatch(root, out).Run(t.Context()); err != nil || s.Counts[report.Done] != len(names) {
		t.Errorf("%+v, %v; want every clip done", s, err)
	}
	if left, _ := filepath.Glob(filepath.Join(out, tempPrefix+"*")); len(left) > 0 {
		t.Errorf("left over: %q", left)
	}

	real := sameName
	defer func() { sameName = real }()
	for _, c := range []struct {
		what string
		same func(a, b string) bool
		told map[string]string // the clip without results: the one that has them
	}{
		{"capitals", strings.EqualFold, map[string]string{"ada.mp4": "Ada.mp4", "cage/Ben.mp4": "Cage/ben.mp4"}},
		{"ways to write é", func(a, b string) bool { return !strings.EqualFold(a, b) }, map[string]string{"ren\u00e9.mp4": "rene\u0301.mp4"}},
	} {
		sameName = func(_, a, b string) bool { return c.same(a, b) }
		out := t.TempDir()
		b, told := newBatch(root, out), map[string]string{}
		b.OnEvent = func(e Event) {
			if e.Kind == EventClip && e.State == report.Failed {
				told[e.Clip] = e.Reason
			}
		}
		if s, err := b.Run(t.Context()); err != nil || s.Lost != len(c.told) || s.Counts[report.Done] != len(names)-len(c.told) {
			t.Errorf("%s: %+v, %v; want %d told of", c.what, s, err, len(c.told))
		}
		page, err := os.ReadFile(filepath.Join(out, "index.html"))
		for clip, other := range c.told {
			if !strings.Contains(told[clip], report.Shown(other)) || err != nil || strings.Contains(string(page), "./clips/"+clip+"/") {
				t.Errorf("%s: %s: %q, %v; or the page links to what is another clip's", c.what, clip, told[clip], err)
			}
			if _, err := os.Stat(filepath.Join(out, ClipsDir, clip)); err == nil {
				t.Errorf("%s: %s has a folder", c.what, clip)
			}
		}
	}
}
