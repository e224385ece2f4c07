package video

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
)

// Intermediate is a clean copy that ffmpeg made of a damaged or odd clip: the
// stored picture (neither turned nor stretched), one entry of PTSS a frame.
type Intermediate struct {
	Path     string    // the copy; its own clock is meaningless
	PTSS     []float64 // seconds of the original file's clock, in the order shown; NaN = not known
	Corrupt  int       // frames that ffmpeg marked as damaged (wholly or partly made up)
	Messages string    // what ffmpeg complained of, bounded

	brokeOff bool // reading failed, or ffmpeg did not come to its end
}

// Repair decodes the clip with ffmpeg, which goes on where others give up, and
// writes an intermediate into dir. Errors are of type *Error, or the context's.
//
// Where reading broke off, by a disk or a network that fails for a moment, ffmpeg ends
// as if the file were over. So the file is read to its end and decoded once
// more: what is missing is the file's fault only if it is missing again.
func Repair(ctx context.Context, path string, p *Probe, dir string) (*Intermediate, error) {
	m, err := repair(ctx, path, p, dir)
	if err != nil || !m.brokeOff {
		return m, err
	}
	if err := readThrough(ctx, path); err != nil {
		return nil, err
	}
	again, err := repair(ctx, path, p, dir)
	if err == nil && again.brokeOff && (len(again.PTSS) != len(m.PTSS) || again.Corrupt != m.Corrupt) {
		err = &Error{
			Path: path, Kind: syscall.EIO, Msg: fmt.Sprintf("reading broke off, at %d pictures and then at %d", len(m.PTSS), len(again.PTSS)),
			Hint: diskHint,
		}
	}
	return again, err
}

const diskHint = "check the disk or the network folder and run again"

// readThrough reads a file to its end and drops what it reads. An error has the system's own number as its kind.
func readThrough(ctx context.Context, path string) error {
	f, err := os.Open(path)
	if err == nil {
		defer f.Close()
		buf := make([]byte, 1<<20)
		for err == nil && ctx.Err() == nil {
			_, err = f.Read(buf)
		}
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err == io.EOF {
		return nil
	}
	e := &Error{Path: path, Kind: ErrDamaged, Msg: "the file cannot be read to its end", Hint: "copy the clip from the phone again", Err: err}
	var n syscall.Errno
	if errors.As(err, &n) {
		e.Kind, e.Hint = n, diskHint
	}
	return e
}

func repair(ctx context.Context, path string, p *Probe, dir string) (*Intermediate, error) {
	m := &Intermediate{Path: filepath.Join(dir, "clean.mkv")}
	watch := &decodeWatch{}
	args := []string{"-nostdin", "-hide_banner", "-nostats", "-loglevel", "info", "-y", "-copyts", "-noautorotate"}
	args = append(args, safeInput...)
	// One thread: with several, FFmpeg forgets to mark some of the damaged frames.
	args = append(args, "-threads", "1", "-i", SafePath(path), "-map", fmt.Sprintf("0:%d", p.StreamIndex), "-an", "-sn", "-dn",
		// showinfo prints the time of every frame; then the clock is replaced,
		// because broken clocks make encoders and containers drop frames.
		"-vf", fmt.Sprintf("showinfo=checksum=0,format=%s,setpts=N/(25*TB)", p.intermediateFormat()), "-fps_mode", "passthrough", "-enc_time_base", "1/25")
	args = append(args, intermediateCodec...)
	args = append(args, SafePath(m.Path))
	err := runTool(ctx, repairDeadline, path, "ffmpeg", args, nil, watch)
	watch.flush()
	m.PTSS, m.Corrupt, m.Messages = watch.pts, watch.corrupt, watch.messages.String()
	m.brokeOff = err != nil || watch.readFault
	var fault *Error
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case errors.As(err, &fault):
		return nil, err
	case len(m.PTSS) == 0:
		if err := checkTool(ctx, path, "ffmpeg"); err != nil {
			return nil, err
		}
		e := &Error{
			Path: path, Kind: ErrDamaged, Msg: "not one picture could be decoded",
			Hint: "copy the clip from the phone again; if it does not play there, it is lost",
		}
		if m.Messages != "" {
			e.Err = errors.New(lastMessage(m.Messages, path))
		}
		return nil, e
	case err != nil && watch.output:
		return nil, &Error{
			Path: path, Kind: ErrTool, Msg: "the repaired copy could not be written to " + dir,
			Hint: "check free space in the temporary folder", Err: errors.New(lastMessage(m.Messages, path)),
		}
	}
	if _, err := os.Stat(m.Path); err != nil {
		return nil, &Error{Path: path, Kind: ErrDamaged, Msg: "no repaired copy came out", Hint: "copy the clip from the phone again", Err: err}
	}
	if m.Corrupt > len(m.PTSS)/2 {
		return nil, &Error{
			Path: path, Kind: ErrDamaged, Msg: fmt.Sprintf("%d of %d pictures are damaged or encrypted", m.Corrupt, len(m.PTSS)),
			Hint: "copy the clip from the phone again; export protected clips from the app that made them",
		}
	}
	return m, nil
}

// intermediateCodec: H.264 without loss. Of FFV1, Huffyuv, MJPEG and this, at
// 720p, it is among the fastest to write and read (7 and 4 ms of CPU a frame)
// and a third of the size of the other fast lossless ones.
var intermediateCodec = []string{"-c:v", "libx264", "-preset", "ultrafast", "-qp", "0"}

// intermediateFormat returns the pixel format of the copy: the values of 8 bit
// sources are kept as they are. Odd sizes cannot be halved for chroma.
func (p *Probe) intermediateFormat() string {
	sub, full := "420p", ""
	if p.StoredWidth%2 != 0 || p.StoredHeight%2 != 0 {
		sub = "444p"
	}
	if p.FullRange || strings.HasPrefix(p.PixelFormat, "yuvj") {
		full = "j"
	}
	return "yuv" + full + sub
}

// Warnings says what was lost, given the number of frames expected.
func (m *Intermediate) Warnings(expected int) []string {
	var w []string
	if lost := expected - len(m.PTSS); lost > 0 {
		w = append(w, fmt.Sprintf("The file is damaged: %d of %d frames could not be read.", lost, expected))
	}
	if m.Corrupt > 0 {
		w = append(w, fmt.Sprintf("%d of %d frames are damaged; they and those shortly after may show a wrong picture.", m.Corrupt, len(m.PTSS)))
	}
	return w
}

// decodeWatch reads ffmpeg's messages line by line: frame times from the
// showinfo filter, damaged frames, and the rest for a person.
type decodeWatch struct {
	line     []byte
	pts      []float64
	corrupt  int
	output   bool // a message about the output
	messages boundedBuffer

	readFault bool // a message that the system could not read
}

// readFaults are what the system says where reading fails for a while (errno(3), as glibc and musl put it).
var readFaults = []string{
	"Input/output error", "I/O error", "Stale file handle", "Stale NFS file handle", "onnection timed out", "Operation timed out", "Host is down",
	"No route to host", "Host is unreachable", "Network is unreachable", "No such device", "Transport endpoint is not connected", "Socket not connected",
}

// maxLineBytes bounds one line of messages.
const maxLineBytes = 4096

func (w *decodeWatch) Write(p []byte) (int, error) {
	n := len(p)
	for len(p) > 0 {
		i := bytes.IndexAny(p, "\n\r")
		if i < 0 {
			if len(w.line) < maxLineBytes {
				w.line = append(w.line, p...)
			}
			break
		}
		w.line = append(w.line, p[:i]...)
		w.flush()
		p = p[i+1:]
	}
	return n, nil
}

func (w *decodeWatch) flush() {
	line := string(w.line)
	w.line = w.line[:0]
	w.readFault = w.readFault || slices.ContainsFunc(readFaults, func(s string) bool { return strings.Contains(line, s) })
	switch {
	case strings.HasPrefix(line, "[Parsed_showinfo"):
		if t, ok := showinfoTime(line); ok {
			w.pts = append(w.pts, t)
		}
	case strings.Contains(line, "corrupt decoded frame"):
		w.corrupt++
	case strings.HasPrefix(line, "Error marking filters"): // says nothing
	case strings.HasPrefix(line, "["), strings.Contains(line, "rror"), strings.Contains(line, "Invalid"):
		if w.messages.max == 0 {
			w.messages.max = maxMessageBytes
		}
		if strings.Contains(line, "No space left") || strings.Contains(line, "av_interleaved_write_frame") {
			w.output = true
		}
		w.messages.WriteString(line + "\n")
	}
}

// showinfoTime reads "… n:   0 pts:      0 pts_time:0       duration: …"; a
// frame without a time gives NaN.
func showinfoTime(line string) (float64, bool) {
	if !strings.Contains(line, " n:") {
		return 0, false
	}
	_, rest, ok := strings.Cut(line, "pts_time:")
	if !ok {
		return 0, false
	}
	fields := strings.Fields(rest)
	if len(fields) == 0 {
		return math.NaN(), true
	}
	t, err := strconv.ParseFloat(fields[0], 64)
	if err != nil || math.IsInf(t, 0) {
		return math.NaN(), true
	}
	return t, true
}

// MatchTimes finds, for every wanted time, the index of the frame whose time
// agrees within tolS, or −1. Both lists are in the order shown; frames without
// a time match nothing.
func MatchTimes(want, have []float64, tolS float64) []int {
	type entry struct {
		t float64
		i int
	}
	var byTime []entry
	for i, t := range have {
		if !math.IsNaN(t) {
			byTime = append(byTime, entry{t, i})
		}
	}
	slices.SortStableFunc(byTime, func(a, b entry) int {
		switch {
		case a.t < b.t:
			return -1
		case a.t > b.t:
			return 1
		}
		return 0
	})
	out := make([]int, len(want))
	k := 0
	for i, t := range want {
		out[i] = -1
		for k < len(byTime) && byTime[k].t < t-tolS {
			k++
		}
		if k < len(byTime) && byTime[k].t <= t+tolS {
			out[i] = byTime[k].i
			k++
		}
	}
	return out
}
