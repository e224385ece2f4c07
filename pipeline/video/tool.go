package video

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

const (
	// probeDeadline ends an ffprobe that does not come back: some damaged
	// files send it into an endless loop. Reading the packet list of an hour of
	// video from a slow disk takes seconds.
	probeDeadline = 2 * time.Minute
	// repairDeadline ends a decode to an intermediate or to sound.
	repairDeadline = 30 * time.Minute
	// killDelay is how long pipes may stay open after a kill.
	killDelay = 2 * time.Second
	// maxProbeBytes bounds what ffprobe may print: about 3 million packets,
	// more than three hours at 240 frames per second.
	maxProbeBytes = 384 << 20
	// maxMessageBytes bounds what is kept of a tool's messages.
	maxMessageBytes = 16 << 10
)

const toolHint = "install ffmpeg (apt-get install ffmpeg)"

// errOutputTooLong is returned by a bounded writer.
var errOutputTooLong = errors.New("output too long")

// SafePath returns path in a form that ffmpeg, ffprobe and OpenCV take for a
// local file whatever it contains: no option, no protocol, no playlist.
func SafePath(path string) string { return "file:" + path }

// boundedBuffer keeps at most max bytes and fails beyond (strict) or drops the rest.
type boundedBuffer struct {
	bytes.Buffer
	max    int
	strict bool
}

func (b *boundedBuffer) Write(p []byte) (int, error) {
	if room := b.max - b.Len(); len(p) > room {
		if b.strict {
			return 0, errOutputTooLong
		}
		b.Buffer.Write(p[:max(room, 0)])
		return len(p), nil
	}
	return b.Buffer.Write(p)
}

// runTool runs ffmpeg or ffprobe without a terminal and kills it when ctx ends
// or the deadline passes, of kind ETIMEDOUT where all of the machine is slow. A program that is missing or broken is an *Error of kind
// ErrTool; a deadline that is ours, not the caller's, is reported as "no answer".
func runTool(ctx context.Context, deadline time.Duration, path, name string, args []string, stdout, stderr io.Writer) error {
	if strings.ContainsRune(path, 0) {
		return &Error{Path: path, Kind: ErrNotVideo, Msg: "the file name holds a zero byte", Hint: "rename the file"}
	}
	runCtx, cancel := context.WithTimeout(ctx, deadline)
	defer cancel()
	cmd := exec.CommandContext(runCtx, name, args...)
	cmd.Stdout, cmd.Stderr = stdout, stderr
	cmd.WaitDelay = killDelay
	err := cmd.Run()
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return ctx.Err()
	case errors.Is(err, exec.ErrNotFound):
		return &Error{Path: path, Kind: ErrTool, Msg: name + " was not found", Hint: toolHint, Err: err}
	}
	late := runCtx.Err() != nil
	asked := time.Now()
	if err := checkTool(ctx, path, name); err != nil {
		return err
	}
	if sig := endedFromOutside(err); sig != 0 && !late {
		return &Error{
			Path: path, Kind: syscall.EAGAIN, Msg: fmt.Sprintf("%s was ended from outside (%v)", name, sig),
			Hint: "this machine may have been short of memory: run again, with fewer clips at once", Err: err,
		}
	}
	if took := time.Since(asked); late && took > promptly {
		return &Error{
			Path: path, Kind: syscall.ETIMEDOUT, Msg: fmt.Sprintf("%s gave no answer within %v, and took %v to tell its version: this machine is too busy", name, deadline, took.Round(time.Second)),
			Hint: "run again when it has less to do",
		}
	}
	if late {
		return &Error{
			Path: path, Kind: ErrDamaged, Msg: fmt.Sprintf("%s gave no answer within %v", name, deadline),
			Hint: "copy the clip from the phone again, or re-encode it",
		}
	}
	return err
}

// endedFromOutside is the signal by which the system, short of memory, or a person ended a
// program; 0 = it ended by itself. A crash is none of these: a file may bring it about.
func endedFromOutside(err error) syscall.Signal {
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		if s, ok := exit.Sys().(syscall.WaitStatus); ok && s.Signaled() && (s.Signal() == syscall.SIGKILL || s.Signal() == syscall.SIGTERM) {
			return s.Signal()
		}
	}
	return 0
}

// checkDeadline is ample for a program that only prints its version. On a machine
// where everything else came first, 20 s were seen not to be enough.
var checkDeadline = 2 * time.Minute

// promptly is the longest that a program takes to print its version where it gets its share of the machine.
var promptly = 5 * time.Second

// checkTool tells a broken program from a broken file: it asks for the version,
// as a program that lacks a library, hangs or is another one cannot answer. A
// verdict on a file must not rest on that. It takes some 50 ms.
func checkTool(ctx context.Context, path, name string) error {
	runCtx, cancel := context.WithTimeout(ctx, checkDeadline)
	defer cancel()
	out := &boundedBuffer{max: maxMessageBytes}
	cmd := exec.CommandContext(runCtx, name, "-version")
	cmd.Stdout, cmd.Stderr = out, out
	cmd.WaitDelay = killDelay
	err := cmd.Run()
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err == nil && strings.HasPrefix(out.String(), name+" version") {
		return nil
	}
	if err == nil {
		err = fmt.Errorf("it says %.100q", out.String())
	} else if said := strings.TrimSpace(out.String()); said != "" {
		err = fmt.Errorf("%w: %.300s", err, lastMessage(said, path))
	}
	return &Error{Path: path, Kind: ErrTool, Msg: name + " does not work", Hint: toolHint, Err: err}
}

// lastMessage returns the last line of a tool's messages without the tool's
// own prefix and without the file's name.
func lastMessage(messages, path string) string {
	lines := strings.Split(strings.TrimSpace(messages), "\n")
	s := strings.TrimSpace(lines[len(lines)-1])
	if i := strings.Index(s, "] "); strings.HasPrefix(s, "[") && i > 0 {
		s = s[i+2:]
	}
	s = strings.TrimPrefix(s, SafePath(path)+": ")
	s = strings.ReplaceAll(s, path, filepath.Base(path))
	return strings.ToValidUTF8(s, "?")
}
