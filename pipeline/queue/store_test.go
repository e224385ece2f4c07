package queue

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A folder that is not mounted looks like an empty one: nothing may be written
// there, and nothing in it counts as missing.
func TestStoreKnowsAnEmptyMountPoint(t *testing.T) {
	ctx, dir := t.Context(), filepath.Join(t.TempDir(), "a [b] *", "store")
	if _, err := OpenStore(ctx, dir, false); !errors.Is(err, errAway) {
		t.Errorf("a folder that is not there: %v", err)
	}
	s, err := OpenStore(ctx, "file://"+dir, true)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := s.writeBytes(ctx, resultName("abcd"), []byte("one"), true); err != nil {
		t.Fatal(err)
	}
	if err := s.writeBytes(ctx, resultName("abcd"), []byte("two"), true); err != nil {
		t.Fatal(err)
	}
	if data, err := s.read(ctx, resultName("abcd")); err != nil || string(data) != "one" {
		t.Errorf("the first result counts: %q, %v", data, err)
	}
	if ok, err := s.has(ctx, resultName("efgh")); ok || err != nil {
		t.Errorf("a result that is not there: %v, %v", ok, err)
	}
	if err := os.Rename(dir, dir+"-away"); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	_, err = s.has(ctx, resultName("abcd"))
	_, rerr := s.read(ctx, resultName("abcd"))
	_, ferr := s.fetch(ctx, resultName("abcd"), "", filepath.Join(t.TempDir(), "x"))
	werr := s.writeBytes(ctx, resultName("ijkl"), []byte("three"), true)
	for what, err := range map[string]error{"has": err, "read": rerr, "fetch": ferr, "write": werr} {
		if !errors.Is(err, errAway) {
			t.Errorf("%s in an empty mount point: %v", what, err)
		}
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("something was written into the mount point: %v, %v", left, err)
	}
}

// What a writer that was killed leaves goes away; what somebody writes now stays.
func TestStoreTidies(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	s, err := OpenStore(ctx, dir, true)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	file := func(name string) string { return filepath.Join(dir, filepath.FromSlash(name)) }
	done, now, old := resultName("aa11"), resultName("aa22"), clipName("bb33")
	for _, name := range []string{done, now, old} {
		put(t, file(name)+".18eb501e.tmp", "half")
	}
	put(t, file(done), "whole")
	past := time.Now().Add(-2 * stillWritten)
	if err := os.Chtimes(file(old)+".18eb501e.tmp", past, past); err != nil {
		t.Fatal(err)
	}
	s.tidy(func(name string) bool { return name == done })
	for name, want := range map[string]bool{done: true, done + ".18eb501e.tmp": false, now + ".18eb501e.tmp": true, old + ".18eb501e.tmp": false} {
		if _, err := os.Stat(file(name)); (err == nil) != want {
			t.Errorf("%s there: %v, want %v", name, err == nil, want)
		}
	}
}

// A clip that was altered in the store is told from one that is away.
func TestStoreChecksContent(t *testing.T) {
	ctx := context.Background()
	s, err := OpenStore(ctx, "mem://", true)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	const sum = "2cf24dba5fb0a30e26e83b2ac5b9e29e1b161e5c1fa7425e73043362938b9824" // of "hello", as sha256sum prints it
	for text, want := range map[string]error{"hello": nil, "hullo": errAltered} {
		if err := s.writeBytes(ctx, clipName(sum), []byte(text), false); err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(t.TempDir(), "x")
		if ok, err := s.fetch(ctx, clipName(sum), sum, file); !errors.Is(err, want) || ok != (want == nil) {
			t.Errorf("%s: %v, %v", text, ok, err)
		}
	}
}

func TestUnpackWantsAWholeArchive(t *testing.T) {
	dir := t.TempDir()
	for _, f := range []string{"report.html", "swing-1/proof.jpg", "report.json", "zzz"} {
		put(t, filepath.Join(dir, f), strings.Repeat(f, 300))
	}
	data, err := pack(dir)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	if err := unpack(data, func(name string, _ []byte) error { names = append(names, name); return nil }); err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(names, " "); got != "report.html swing-1/proof.jpg zzz report.json" {
		t.Errorf("order: %s", got)
	}
	for n := 0; n < len(data)-1024; n += 512 { // the end of an archive is two empty blocks of 512 bytes (POSIX pax)
		if err := unpack(data[:n], func(string, []byte) error { return nil }); !errors.Is(err, errCut) {
			t.Fatalf("cut at byte %d: %v", n, err)
		}
	}
	if err := os.Remove(filepath.Join(dir, "report.json")); err != nil {
		t.Fatal(err)
	}
	if _, err := pack(dir); err == nil {
		t.Error("a folder without a report was packed")
	}
}
