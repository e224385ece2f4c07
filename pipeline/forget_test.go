package pipeline

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"cagebook/report"
)

// results makes an output folder with three clips of two hitters, one of them beside the other.
func results(t *testing.T) string {
	t.Helper()
	out := t.TempDir()
	lock, err := lockOutput(out)
	if err != nil {
		t.Fatal(err)
	}
	if err := lock.unlock(); err != nil {
		t.Fatal(err)
	}
	store := NewStore(out)
	var rows []report.BatchRow
	for _, c := range [][3]string{{"ada/1.mov", "ada", "aa"}, {"ada/2.mov", "ada", "bb"}, {"ben.mov", "ben", "cc"}} {
		r, _ := filmed()
		r.Clip.Path, r.Hitter.ID, r.Clip.SHA256, r.Tool.Key = c[0], c[1], c[2], "key-"+c[2]
		put := store.ClipPut(c[0])
		if err := report.WriteClip(put, r, nil); err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(put("swing-1/proof.jpg", []byte("x")), store.Put(KeptDir+"/"+c[2], []byte("x"))); err != nil {
			t.Fatal(err)
		}
		rows = append(rows, report.BatchRow{Folder: ClipsDir + "/" + c[0], Report: r})
	}
	put := store.ClipPut("ben.mov")
	if err := errors.Join(put("swing-1/beside/compare.json", []byte(`{"key":"key-cc/1/key-aa/1"}`)), put("swing-1/beside/pair.mp4", []byte("x")), report.WriteBatch(store.Put, rows)); err != nil {
		t.Fatal(err)
	}
	return out
}

func allFiles(t *testing.T, dir string) (names []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			rel, _ := filepath.Rel(dir, p)
			names = append(names, filepath.ToSlash(rel))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// After forgetting a hitter, no file and no page knows of them; others lose nothing.
func TestForgetHitter(t *testing.T) {
	out := results(t)
	before := allFiles(t, out)
	removed, err := Forget(out, "ada")
	if err != nil {
		t.Fatal(err)
	}
	after := allFiles(t, out)
	for _, name := range after {
		data, err := os.ReadFile(filepath.Join(out, name))
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(name, "ada") || strings.Contains(string(data), "ada/") || strings.Contains(string(data), ">ada<") {
			t.Errorf("%s still knows of the hitter", name)
		}
		if slices.Contains(removed, name) && !strings.HasSuffix(name, "beside/compare.html") {
			t.Errorf("%s is said to be removed", name)
		}
	}
	for _, name := range before { // what is gone was said to be
		if !slices.Contains(after, name) && !slices.Contains(removed, name) && name != "scout.html" {
			t.Errorf("%s is gone without a word", name)
		}
	}
	for _, want := range []string{"clips/ben.mov/report.json", "clips/ben.mov/swing-1/proof.jpg", ".kept/cc", "hitters/ben/index.html", "clips/ben.mov/swing-1/beside/compare.html"} {
		if !slices.Contains(after, want) {
			t.Errorf("%s is gone", want)
		}
	}
	if _, err := os.Stat(filepath.Join(out, "clips", "ada")); err == nil {
		t.Error("an empty folder bears the name")
	}
	if _, err := Forget(out, "ada"); !errors.Is(err, ErrUnknown) {
		t.Errorf("a second time: %v", err)
	}
}

func TestForgetClip(t *testing.T) {
	out := results(t)
	other := filepath.Join(out, "clips", "ada", "2.mov", "coach's notes.txt")
	if err := os.WriteFile(other, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Forget(out, "ada/2.mov"); err != nil {
		t.Fatal(err)
	}
	after := allFiles(t, out)
	for name, want := range map[string]bool{
		"clips/ada/2.mov/report.json": false, ".kept/bb": false, "clips/ada/2.mov/coach's notes.txt": true,
		"clips/ada/1.mov/report.json": true, ".kept/aa": true, "hitters/ada/index.html": true, "clips/ben.mov/swing-1/beside/pair.mp4": true,
	} {
		if slices.Contains(after, name) != want {
			t.Errorf("%s is there: %v, want %v", name, !want, want)
		}
	}
	for _, what := range []string{"", "..", "../..", "clips", "eve"} {
		if _, err := Forget(out, what); !errors.Is(err, ErrUnknown) {
			t.Errorf("%q: %v", what, err)
		}
	}
	none := t.TempDir()
	if _, err := Forget(none, "ada"); !errors.Is(err, ErrUnknown) {
		t.Errorf("no folder of results: %v", err)
	}
	if len(allFiles(t, none)) > 0 {
		t.Error("it left a mark in a folder that is not its own")
	}
}
