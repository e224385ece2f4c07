package video

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// An ffmpeg whose reading breaks off says so in a message and ends well with
// what it has. The script stands for it: it hands out so many pictures, by the number of its call.
func TestReadingThatBreaksOff(t *testing.T) {
	const eio = "clip.mp4: Input/output error"
	for _, c := range []struct {
		name   string
		calls  [2]string // pictures, exit status and message of each call
		frames int       // 0 = an error
		tries  int
	}{
		{"whole", [2]string{"12 0 ", ""}, 12, 1},
		{"a damaged file is decoded once", [2]string{"7 0 [h264 @ 0x1] error while decoding MB 3 4", ""}, 7, 1},
		{"the disk comes back", [2]string{"5 0 " + eio, "12 0 "}, 12, 2},
		{"ffmpeg is killed half way", [2]string{"5 137 ", "12 0 "}, 12, 2},
		{"the file itself ends like that", [2]string{"7 0 " + eio, "7 0 " + eio}, 7, 2},
		{"the network flickers", [2]string{"5 0 " + eio, "9 0 " + eio}, 0, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			bin := t.TempDir()
			clip, tries := filepath.Join(bin, "clip.mp4"), filepath.Join(bin, "tries")
			script := "#!/bin/sh\n[ \"$1\" = -version ] && echo ffmpeg version 5 && exit 0\n" +
				"for last; do :; done\n: > \"${last#file:}\"\necho >> " + tries + "\nset -- " + // the copy, which nobody opens here
				"$(sed -n \"$(wc -l < " + tries + ")p\" " + bin + "/calls)\n" +
				"n=$1 status=$2; shift 2; i=0\n" +
				"while [ $i -lt $n ]; do echo \"[Parsed_showinfo_0 @ 0x1] n:   $i pts: $i pts_time:0.$i duration: 1\" >&2; i=$((i+1)); done\n" +
				"[ -n \"$*\" ] && echo \"$*\" >&2\nexit $status\n"
			for name, text := range map[string]string{"ffmpeg": script, "clip.mp4": "x", "calls": strings.Join(c.calls[:], "\n") + "\n"} {
				if err := os.WriteFile(filepath.Join(bin, name), []byte(text), 0o755); err != nil {
					t.Fatal(err)
				}
			}
			t.Setenv("PATH", bin+":"+os.Getenv("PATH"))
			m, err := Repair(t.Context(), clip, &Probe{}, t.TempDir())
			switch {
			case c.frames == 0 && !errors.Is(err, syscall.EIO):
				t.Errorf("%v, want an error of reading", err)
			case c.frames > 0 && (err != nil || len(m.PTSS) != c.frames):
				t.Errorf("%+v, %v; want %d pictures", m, err, c.frames)
			}
			if log, _ := os.ReadFile(tries); len(log) != c.tries {
				t.Errorf("decoded %d times, want %d", len(log), c.tries)
			}
		})
	}
}

// A file that is gone, or a folder in its place, cannot be read to its end; a whole one can.
func TestReadThrough(t *testing.T) {
	dir := t.TempDir()
	clip := filepath.Join(dir, "a.mp4")
	if err := os.WriteFile(clip, make([]byte, 3<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := readThrough(t.Context(), clip); err != nil {
		t.Error(err)
	}
	var e *Error
	if err := readThrough(t.Context(), dir); !errors.As(err, &e) || !errors.Is(err, syscall.EISDIR) || e.Hint == "" {
		t.Errorf("a folder: %v", err)
	}
	if err := readThrough(t.Context(), filepath.Join(dir, "b.mp4")); !errors.Is(err, syscall.ENOENT) {
		t.Errorf("gone: %v", err)
	}
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(fmt.Errorf("stopped"))
	if err := readThrough(ctx, clip); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
}
