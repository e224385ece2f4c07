package models

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// ErrNotReady marks a model or library that is missing or not the right one.
var ErrNotReady = errors.New("run: cagebook models fetch")

// DefaultDir is the user's cache folder for models.
func DefaultDir() (string, error) {
	dir, err := os.UserCacheDir()
	if err != nil {
		return "", fmt.Errorf("no cache folder: %w", err)
	}
	return filepath.Join(dir, "cagebook"), nil
}

// item is one file that the cache should hold.
type item struct {
	what   string // for messages
	path   string
	size   int64
	sha256 string
}

func modelItem(dir string, m *Model) item {
	return item{"model " + m.Name, filepath.Join(dir, "models", m.Name+".onnx"), m.Size, m.SHA256}
}

func libraryItem(dir string, l *library) item {
	folder := onnxRuntime.Version + "-" + l.goos + "-" + l.goarch
	return item{"onnx runtime library", filepath.Join(dir, "lib", folder, l.name), l.size, l.sha256}
}

// Open gives the path of a converted model and the sha256 of its file, after
// it has been verified: in full the first time, by size and time of the file
// after that. An error that is ErrNotReady says what to do.
func Open(dir, name string) (path, sha string, err error) {
	m, err := find(name)
	if err != nil {
		return "", "", err
	}
	it := modelItem(dir, m)
	if err := it.verify(); err != nil {
		return "", "", err
	}
	return it.path, it.sha256, nil
}

// Library gives the path of the ONNX Runtime library for this machine, verified as Open does.
func Library(dir string) (string, error) {
	l := platformLibrary()
	if l == nil {
		return "", errPlatform()
	}
	it := libraryItem(dir, l)
	return it.path, it.verify()
}

// State is what the cache holds of one model, or of the library.
type State struct {
	Name     string // of the model, or "onnxruntime"
	Path     string
	Package  string // name and version
	License  string
	SHA256   string
	Optional bool
	Err      error // nil = ready
}

// Status verifies everything in the cache.
func Status(dir string) []State {
	var out []State
	lib := State{
		Name: "onnxruntime", Package: onnxRuntime.Name + "@" + onnxRuntime.Version, License: onnxRuntime.License,
	}
	if l := platformLibrary(); l != nil {
		it := libraryItem(dir, l)
		lib.Path, lib.SHA256, lib.Err = it.path, it.sha256, it.verify()
	} else {
		lib.Err = errPlatform()
	}
	out = append(out, lib)
	for i := range manifest {
		m := &manifest[i]
		it := modelItem(dir, m)
		out = append(out, State{
			Name: m.Name, Path: it.path, Package: m.Package.Name + "@" + m.Package.Version, License: m.License,
			SHA256: m.SHA256, Optional: m.Optional, Err: it.verify(),
		})
	}
	return out
}

// stampSettles is how old the last change of a file must be for its stamp to tell
// of later ones: file systems count time in steps, up to 2 s.
var stampSettles = 3 * time.Second

// verify makes sure that the file is the right one.
func (it item) verify() error {
	st, err := os.Stat(it.path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s is not in %s: %w", it.what, filepath.Dir(it.path), ErrNotReady)
	case err != nil:
		return fmt.Errorf("%s: %w", it.what, err)
	case !st.Mode().IsRegular():
		return fmt.Errorf("%s: %s is not a file: %w", it.what, it.path, ErrNotReady)
	case st.Size() != it.size:
		return fmt.Errorf("%s: %s has %d bytes, want %d; it was cut short or is of another version: %w", it.what, it.path, st.Size(), it.size, ErrNotReady)
	}
	stamp := it.stamp(st)
	if old, err := os.ReadFile(it.path + ".ok"); err == nil && string(old) == stamp {
		return nil
	}
	sum, err := hashFile(it.path)
	if err != nil {
		return fmt.Errorf("%s: %w", it.what, err)
	}
	if sum != it.sha256 {
		return fmt.Errorf("%s: %s has been altered (sha256 %s, want %s): %w", it.what, it.path, sum, it.sha256, ErrNotReady)
	}
	// Without the stamp the next call reads the file again; a cache that
	// cannot be written is no fault. A change right after this one would not show.
	if time.Since(time.Unix(0, max(st.ModTime().UnixNano(), changeNs(it.path)))) < stampSettles {
		return nil
	}
	_ = writeFile(it.path+".ok", []byte(stamp))
	return nil
}

// stamp tells whether the file is as it was. Whoever alters it can set its time
// back, but not the time of that change, which the system keeps.
func (it item) stamp(st fs.FileInfo) string {
	return fmt.Sprintf("%d %d %d %s\n", st.Size(), st.ModTime().UnixNano(), changeNs(it.path), it.sha256)
}

func hashFile(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// writeFile writes a file so that nobody ever sees half of it.
func writeFile(path string, data []byte) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+"-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if _, err = f.Write(data); err != nil {
		return err
	}
	if err = f.Chmod(0o644); err != nil {
		return err
	}
	if err = f.Sync(); err != nil {
		return err
	}
	if err = f.Close(); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}

func errPlatform() error {
	var have []string
	for _, l := range libraries {
		have = append(have, l.goos+"/"+l.goarch)
	}
	return fmt.Errorf("no onnx runtime library for this platform; there is one for %s", strings.Join(have, ", "))
}
