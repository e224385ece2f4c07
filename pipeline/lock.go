package pipeline

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// ErrBusy says that another run writes to the output folder.
var ErrBusy = errors.New("another run is writing to this output folder")

// lockOutput marks dir as an output folder and locks it for this process. The
// system drops the lock when the process ends, however it ends.
func lockOutput(dir string) (unlock func() error, err error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrOutput, err)
	}
	f, err := os.OpenFile(filepath.Join(dir, outputMark), os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrOutput, err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		holder, _ := io.ReadAll(io.LimitReader(f, 200)) // only for the message
		cerr := f.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, fmt.Errorf("%s: %w (%s)", dir, ErrBusy, strings.TrimSpace(string(holder)))
		}
		return nil, errors.Join(fmt.Errorf("lock %s: %w", dir, err), cerr)
	}
	host, _ := os.Hostname() // only for the message
	who := fmt.Sprintf("process %d on %s\n", os.Getpid(), host)
	if err := f.Truncate(0); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	if _, err := f.WriteAt([]byte(who), 0); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f.Close, nil
}
