package pipeline

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/sys/unix"

	"cagebook/pipeline/video"
)

// fileStamp tells whether a file is as it was, without reading it; zero = it is not there.
type fileStamp struct {
	bytes, modNs, changeNs int64
	id                     fileID
	mode                   uint32
}

func fileStampOf(path string) fileStamp {
	s, _ := readStamp(path) // zero, where there is none
	return s
}

func readStamp(path string) (fileStamp, error) {
	var st unix.Stat_t
	if err := unix.Stat(path, &st); err != nil {
		return fileStamp{}, &os.PathError{Op: "stat", Path: path, Err: err}
	}
	return fileStamp{
		bytes: st.Size, modNs: st.Mtim.Nano(), changeNs: st.Ctim.Nano(),
		id: fileID{uint64(st.Dev), st.Ino}, mode: uint32(st.Mode), //nolint:unconvert // their sizes differ between systems
	}, nil
}

// touched says whether a file was written to or replaced between two stamps. That
// somebody gave others the right to read it, or marked it as saved, is no change of a clip.
func (s fileStamp) touched(later fileStamp) bool {
	return s.bytes != later.bytes || s.modNs != later.modNs || s.id != later.id
}

// stampSettles is how old the last change of a file must be for its stamp to tell
// of later ones: file systems count time in steps, up to 2 s on memory cards (FAT).
var stampSettles = 3 * time.Second

// settledAt says whether a change after t would show in the stamp.
func (s fileStamp) settledAt(t time.Time) bool {
	return max(s.modNs, s.changeNs) < t.Add(-stampSettles).UnixNano()
}

// hashed is the hash of a clip's content and the stamp of the file from which it
// was read, so that the next run need not read it again. The number of the disk is left out: it changes
// when one is plugged in anew.
type hashed struct {
	Name     string `json:"name"` // of the clip, hashed
	SHA256   string `json:"sha256"`
	Bytes    int64  `json:"bytes"`
	ModNs    int64  `json:"mod_ns"`
	ChangeNs int64  `json:"change_ns"`
	Inode    uint64 `json:"inode"`
}

func hashedAs(s fileStamp, hash string) hashed {
	return hashed{SHA256: hash, Bytes: s.bytes, ModNs: s.modNs, ChangeNs: s.changeNs, Inode: s.id.ino}
}

// errClipFile marks errors of reading the file of a clip itself.
var errClipFile = errors.New("the clip cannot be read")

// hash is the SHA-256 of the clip's content, which is read only where the file is
// not as it was when it was read last.
func (r *run) hash(ctx context.Context, c *Clip) (string, error) {
	stamp, err := readStamp(c.Path)
	if err != nil {
		return "", fmt.Errorf("%w: %w", errClipFile, err)
	}
	if r.lock != nil {
		was := r.lock.hashOf(c.Rel)
		is := hashedAs(stamp, was.SHA256)
		if is.Name = was.Name; was.SHA256 != "" && is == was {
			return was.SHA256, nil
		}
	}
	began := time.Now()
	if err := checkLarge(ctx, c.Path, stamp.bytes); err != nil {
		return "", err
	}
	h, err := hashFile(ctx, c.Path, func(bytes int64) {
		r.emit(Event{Kind: EventProgress, Clip: c.Rel, Stage: "reading the file", Done: int(bytes >> 20), Total: int(stamp.bytes >> 20)})
	})
	if err != nil {
		return "", err
	}
	if r.lock != nil && stamp.settledAt(began) && fileStampOf(c.Path) == stamp { // clips of a queue are copies that nobody sees twice
		r.lock.remember(c.Rel, hashedAs(stamp, h))
	}
	return h, nil
}

// largeBytes is the size from which a file is looked into before it is read to
// its end: 2 GB take seconds to read, and few clips are larger.
const largeBytes = 2 << 30

// checkLarge refuses large files that hold no clip without reading them: 200 GB of
// which nothing was ever written would take minutes. Errors are those of video.
func checkLarge(ctx context.Context, path string, size int64) error {
	if size < largeBytes {
		return nil
	}
	written, err := writtenBytes(path, size)
	if err != nil {
		return fmt.Errorf("%w: %w", errClipFile, err)
	}
	if written < size/2 {
		return &video.Error{
			Path: path, Kind: video.ErrDamaged,
			Msg:  fmt.Sprintf("of its %.1f GB only %.1f MB were ever written, the rest is empty", float64(size)/1e9, float64(written)/1e6),
			Hint: "its copy broke off or is not done yet: copy the clip again",
		}
	}
	return video.Glance(ctx, path, video.Options{})
}

// maxPieces bounds the pieces of a file with holes that are counted; what follows counts as written.
const maxPieces = 10000

// writtenBytes is how much of a file the disk holds; file systems that do not know say all of it.
func writtenBytes(path string, size int64) (n int64, err error) {
	f, err := os.Open(path)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	at := int64(0)
	for range maxPieces {
		from, err := unix.Seek(int(f.Fd()), at, unix.SEEK_DATA)
		if errors.Is(err, unix.ENXIO) { // a hole up to the end
			return n, nil
		}
		if err != nil {
			return size, nil //nolint:nilerr // not known here
		}
		if at, err = unix.Seek(int(f.Fd()), from, unix.SEEK_HOLE); err != nil {
			return size, nil //nolint:nilerr // not known here
		}
		n += at - from
		if at >= size {
			return n, nil
		}
	}
	return n + size - at, nil
}
