package pipeline

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// faultyDisk is the real disk, but its call number failAt fails; from then on
// everything fails if dead is set, as after a power cut.
type faultyDisk struct {
	osDisk
	failAt, calls int
	dead          bool
	err           error
}

func (d *faultyDisk) fault() error {
	d.calls++
	if d.calls == d.failAt || d.dead && d.failAt > 0 && d.calls > d.failAt {
		return d.err
	}
	return nil
}

func (d *faultyDisk) MkdirAll(dir string) error {
	return errors.Join(d.fault(), d.osDisk.MkdirAll(dir))
}

func (d *faultyDisk) Rename(from, to string) error {
	if err := d.fault(); err != nil {
		return err
	}
	return d.osDisk.Rename(from, to)
}

func (d *faultyDisk) SyncDir(dir string) error { return errors.Join(d.fault(), d.osDisk.SyncDir(dir)) }

func (d *faultyDisk) Remove(path string) error {
	if err := d.fault(); err != nil {
		return err
	}
	return d.osDisk.Remove(path)
}

func (d *faultyDisk) RemoveAll(path string) error {
	if err := d.fault(); err != nil {
		return err
	}
	return d.osDisk.RemoveAll(path)
}

func (d *faultyDisk) CreateTemp(dir string) (tempFile, error) {
	if err := d.fault(); err != nil {
		return nil, err
	}
	f, err := d.osDisk.CreateTemp(dir)
	return &faultyFile{f, d}, err
}

type faultyFile struct {
	tempFile
	d *faultyDisk
}

// Write leaves half of the data when it fails, as a full disk does.
func (f *faultyFile) Write(b []byte) (int, error) {
	if err := f.d.fault(); err != nil {
		n, _ := f.tempFile.Write(b[:len(b)/2])
		return n, err
	}
	return f.tempFile.Write(b)
}
func (f *faultyFile) Sync() error  { return errors.Join(f.d.fault(), f.tempFile.Sync()) }
func (f *faultyFile) Close() error { return errors.Join(f.tempFile.Close(), f.d.fault()) }

func temps(t *testing.T, dir string) (names []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && strings.HasPrefix(d.Name(), tempPrefix) {
			names = append(names, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// Whichever call fails, the old file or the new one stands there, whole; the
// caller is told; and no half-written file stays, at the latest after the next start.
func TestPutWithEachCallFailing(t *testing.T) {
	const before, after = "the old report", "the new report, which is longer"
	failed := 0
	for n := 1; ; n++ {
		for _, dead := range []bool{false, true} {
			dir := t.TempDir()
			if err := NewStore(dir).Put("clips/a/report.json", []byte(before)); err != nil {
				t.Fatal(err)
			}
			d := &faultyDisk{failAt: n, dead: dead, err: syscall.ENOSPC}
			err := (&Store{dir: dir, disk: d}).Put("clips/a/report.json", []byte(after))
			got, rerr := os.ReadFile(filepath.Join(dir, "clips/a/report.json"))
			if rerr != nil || string(got) != before && string(got) != after {
				t.Errorf("call %d failing, dead %v: %q, %v", n, dead, got, rerr)
			}
			if d.calls < n { // no call left to fail: all have been tried
				if err != nil || string(got) != after || failed < 12 {
					t.Errorf("without a fault: %q, %v; %d faults before", got, err, failed)
				}
				return
			}
			failed++
			if !errors.Is(err, syscall.ENOSPC) || classify(err) != classFatal {
				t.Errorf("call %d failing, dead %v: error %v, want that of a full disk", n, dead, err)
			}
			if left := temps(t, dir); len(left) > 0 && !dead {
				t.Errorf("call %d failing: %q stayed", n, left)
			}
			if err := NewStore(dir).RemoveTemps(); err != nil {
				t.Error(err)
			}
			if left := temps(t, dir); len(left) > 0 {
				t.Errorf("call %d failing, dead %v: %q stayed after the next start", n, dead, left)
			}
		}
	}
}

// An old report never stands beside files of a later result: it goes first.
func TestClearClipWithEachCallFailing(t *testing.T) {
	for n := 1; ; n++ {
		dir := t.TempDir()
		for _, f := range []string{ReportFile, "report.html", "swing-1/proof.jpg", "coach.txt"} {
			put(t, filepath.Join(dir, ClipsDir, "a.mp4", f), "x")
		}
		d := &faultyDisk{failAt: n, dead: true, err: syscall.EIO}
		err := (&Store{dir: dir, disk: d}).ClearClip("a.mp4")
		_, report := os.Stat(filepath.Join(dir, ClipsDir, "a.mp4", ReportFile))
		_, page := os.Stat(filepath.Join(dir, ClipsDir, "a.mp4", "report.html"))
		_, notes := os.Stat(filepath.Join(dir, ClipsDir, "a.mp4", "coach.txt"))
		if report == nil && page != nil {
			t.Errorf("call %d failing: the report outlived its page", n)
		}
		if notes != nil {
			t.Errorf("call %d failing: a file that is not ours went away", n)
		}
		if d.calls < n {
			if err != nil || report == nil || page == nil || n < 4 {
				t.Errorf("without a fault: %v, report %v, page %v", err, report, page)
			}
			return
		}
		if !errors.Is(err, syscall.EIO) {
			t.Errorf("call %d failing: error %v", n, err)
		}
	}
}

func TestPutStaysBelow(t *testing.T) {
	s := NewStore(t.TempDir())
	for _, name := range []string{"../x", "/etc/x", "a/../../x", ""} {
		if err := s.Put(name, nil); err == nil {
			t.Errorf("%q was accepted", name)
		}
		if err := s.ClipPut("a.mp4")(name, nil); err == nil {
			t.Errorf("%q was accepted for a clip", name)
		}
	}
}
