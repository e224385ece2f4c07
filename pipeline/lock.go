package pipeline

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"golang.org/x/sys/unix"
)

// ErrBusy says that another run writes to the output folder.
var ErrBusy = errors.New("another run is writing to this output folder")

// outputLock holds an output folder for this process. Its file also keeps the
// hashes of clips for the next run: a line each, added without a flush, as what is lost is only read again.
type outputLock struct {
	f     *os.File
	mu    sync.Mutex
	known map[string]hashed // by the hash of the clip's name
}

// lockOutput marks dir as an output folder and locks it for this process. The
// system drops the lock when the process ends, however it ends.
func lockOutput(dir string) (*outputLock, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrOutput, err)
	}
	f, err := os.OpenFile(filepath.Join(dir, outputMark), os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrOutput, err)
	}
	lockErr := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	holder, known := readMark(f)
	if lockErr != nil {
		cerr := f.Close()
		if errors.Is(lockErr, unix.EWOULDBLOCK) {
			return nil, fmt.Errorf("%s: %w (%s)", dir, ErrBusy, holder)
		}
		return nil, errors.Join(fmt.Errorf("lock %s: %w", dir, lockErr), cerr)
	}
	l := &outputLock{f: f, known: known}
	if err := l.write(); err != nil {
		return nil, errors.Join(fmt.Errorf("%w: %w", ErrOutput, err), f.Close())
	}
	return l, nil
}

// maxKnown bounds the hashes that are kept; beyond it most are of clips that are gone.
const maxKnown = 100_000

// readMark reads who had the lock, and the hashes, as far as they can be read.
func readMark(f *os.File) (holder string, known map[string]hashed) {
	known = map[string]hashed{}
	lines := bufio.NewScanner(f)
	if lines.Scan() {
		holder = strings.TrimSpace(lines.Text())
	}
	for lines.Scan() && len(known) < maxKnown {
		var h hashed
		if json.Unmarshal(lines.Bytes(), &h) == nil && len(h.SHA256) == sha256.Size*2 {
			known[h.Name] = h
		}
	}
	return holder, known
}

// write writes the file anew, without lines that later ones have replaced.
func (l *outputLock) write() error {
	var b bytes.Buffer
	host, _ := os.Hostname() // only for the message
	fmt.Fprintf(&b, "process %d on %s\n", os.Getpid(), host)
	for _, name := range slices.Sorted(maps.Keys(l.known)) {
		if err := json.NewEncoder(&b).Encode(l.known[name]); err != nil {
			return err
		}
	}
	if err := l.f.Truncate(0); err != nil {
		return err
	}
	if _, err := l.f.Seek(0, io.SeekStart); err != nil {
		return err
	}
	_, err := l.f.Write(b.Bytes())
	return err
}

// hashOf is what is known of a clip; zero = nothing.
func (l *outputLock) hashOf(rel string) hashed {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.known[nameHash(rel)]
}

// remember keeps the hash of a clip for the next run.
func (l *outputLock) remember(rel string, h hashed) {
	l.mu.Lock()
	defer l.mu.Unlock()
	h.Name = nameHash(rel)
	if l.known[h.Name] == h {
		return
	}
	l.known[h.Name] = h
	_ = json.NewEncoder(l.f).Encode(h) // where it fails the clip is read again
}

// forgetHashes leaves no trace of any clip.
func (l *outputLock) forgetHashes() error {
	l.known = map[string]hashed{}
	return l.write()
}

// nameHash stands for the name of a clip, which need not be text.
func nameHash(rel string) string {
	sum := sha256.Sum256([]byte(rel))
	return hex.EncodeToString(sum[:16])
}

func (l *outputLock) unlock() error { return l.f.Close() }
