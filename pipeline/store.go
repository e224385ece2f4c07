package pipeline

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
)

// ClipsDir is the folder below the output folder that holds one folder a clip.
const ClipsDir = "clips"

// ReportFile is written last: a clip's folder that has one is finished.
const ReportFile = "report.json"

// tempPrefix starts the names of files that are being written. A crash may
// leave some; the next run removes them.
const tempPrefix = ".cagebook-tmp-"

// disk is the few file operations that a Store needs, so that tests can make
// each of them fail at will.
type disk interface {
	MkdirAll(dir string) error
	CreateTemp(dir string) (tempFile, error)
	Rename(from, to string) error
	SyncDir(dir string) error
	Remove(path string) error
	RemoveAll(path string) error
	ReadFile(path string) ([]byte, error)
}

type tempFile interface {
	Name() string
	Write(data []byte) (int, error)
	Sync() error
	Close() error
}

// Store keeps results in a folder. Every file appears whole or not at all, also
// when the machine loses power.
type Store struct {
	dir  string
	disk disk
}

// NewStore keeps results below dir, which is made when the first file is put.
func NewStore(dir string) *Store { return &Store{dir: dir, disk: realDisk} }

// realDisk is what stores write to; tests put a faulty one in its place.
var realDisk disk = osDisk{}

// Put writes a file below the store's folder; name is relative with slashes.
func (s *Store) Put(name string, data []byte) error {
	local := filepath.FromSlash(name)
	if !filepath.IsLocal(local) {
		return fmt.Errorf("store: %q is no name below the output folder", name)
	}
	if err := writeAtomic(s.disk, filepath.Join(s.dir, local), data); err != nil {
		return fmt.Errorf("%w: %w", ErrOutput, err)
	}
	return nil
}

// Read returns a file below the store's folder.
func (s *Store) Read(name string) ([]byte, error) {
	return s.disk.ReadFile(filepath.Join(s.dir, filepath.FromSlash(name)))
}

// ClipPut is Put into the folder of one clip.
func (s *Store) ClipPut(rel string) func(name string, data []byte) error {
	return func(name string, data []byte) error {
		if !filepath.IsLocal(filepath.FromSlash(name)) {
			return fmt.Errorf("store: %q is no name below the clip's folder", name)
		}
		return s.Put(clipFile(rel, name), data)
	}
}

// clipFile is the name in the store of a file of a clip. It does not clean the
// path: names may hold anything that a file system lets them.
func clipFile(rel, name string) string { return ClipsDir + "/" + rel + "/" + name }

// ours matches what a clip's folder may hold of ours; nothing else is ever removed from it.
var ours = regexp.MustCompile(`^(report\.json|report\.html|track\.json\.gz|failure\.log|swing-[0-9]+)$`)

// ClearClip removes an earlier result, report.json first, so that a crash in
// between cannot leave an old report beside new stills. Files that somebody
// else put there stay.
func (s *Store) ClearClip(rel string) error {
	dir := filepath.Join(s.dir, ClipsDir, filepath.FromSlash(rel))
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("%w: %w", ErrOutput, err)
	}
	err = s.disk.Remove(filepath.Join(dir, ReportFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w: %w", ErrOutput, err)
	}
	if err == nil {
		if err := s.disk.SyncDir(dir); err != nil {
			return fmt.Errorf("%w: %w", ErrOutput, err)
		}
	}
	for _, e := range entries {
		if !ours.MatchString(e.Name()) && !strings.HasPrefix(e.Name(), tempPrefix) {
			continue
		}
		if strings.HasPrefix(e.Name(), "swing-") && !e.IsDir() {
			continue
		}
		if err := s.disk.RemoveAll(filepath.Join(dir, e.Name())); err != nil {
			return fmt.Errorf("%w: %w", ErrOutput, err)
		}
	}
	return nil
}

// RemoveTemps removes files that a crash left half-written.
func (s *Store) RemoveTemps() error {
	err := filepath.WalkDir(s.dir, func(path string, d fs.DirEntry, err error) error {
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil
		case err != nil:
			return err
		case !d.IsDir() && strings.HasPrefix(d.Name(), tempPrefix):
			if err := s.disk.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("%w: %w", ErrOutput, err)
	}
	return nil
}

// writeAtomic writes to a temporary file in the same folder, flushes it to the
// disk, renames it into place and flushes the folder. If any step fails, what
// stood at path before still stands there, and no temporary file stays.
func writeAtomic(d disk, path string, data []byte) (err error) {
	dir := filepath.Dir(path)
	if err := d.MkdirAll(dir); err != nil {
		return err
	}
	f, err := d.CreateTemp(dir)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = d.Remove(f.Name()) // the first error is the one that matters
		}
	}()
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return err
	}
	if err := d.Rename(f.Name(), path); err != nil {
		return err
	}
	return d.SyncDir(dir)
}

type osDisk struct{}

func (osDisk) MkdirAll(dir string) error            { return os.MkdirAll(dir, 0o755) }
func (osDisk) Rename(from, to string) error         { return os.Rename(from, to) }
func (osDisk) Remove(path string) error             { return os.Remove(path) }
func (osDisk) RemoveAll(path string) error          { return os.RemoveAll(path) }
func (osDisk) ReadFile(path string) ([]byte, error) { return os.ReadFile(path) }

func (osDisk) CreateTemp(dir string) (tempFile, error) {
	f, err := os.CreateTemp(dir, tempPrefix)
	if err != nil {
		return nil, err
	}
	if err := f.Chmod(0o644); err != nil { // CreateTemp makes 0600; a coach's other account should read the page
		return nil, errors.Join(err, f.Close(), os.Remove(f.Name()))
	}
	return f, nil
}

func (osDisk) SyncDir(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = f.Sync()
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.ENOTSUP) {
		err = nil // some network and FUSE file systems flush no folders
	}
	return errors.Join(err, f.Close())
}
