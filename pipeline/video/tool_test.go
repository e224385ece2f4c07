package video

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// A verdict on a file is one only if the program that gave it works.
func TestBrokenToolIsNotTheFilesFault(t *testing.T) {
	defer func(d time.Duration) { checkDeadline = d }(checkDeadline)
	checkDeadline = time.Second
	const works = "#!/bin/sh\n[ \"$1\" = -version ] && echo NAME version 5 && exit 0\n"
	for _, c := range []struct {
		name, script string
		want         error
	}{
		{"missing", "", ErrTool},
		{"lacks a library", "#!/bin/sh\nexit 127\n", ErrTool},
		{"hangs", "#!/bin/sh\nexec sleep 60\n", ErrTool},
		{"another program", "#!/bin/sh\necho hello\n", ErrTool},
		{"no program at all", "\x7fELF nonsense", ErrTool},
		{"is killed, as where memory is short", works + "kill -KILL $$\n", syscall.EAGAIN},
		{"works, and finds no video", works + "echo Invalid data >&2; exit 1\n", ErrNotVideo},
		{"works, but this file makes it talk nonsense", works + "echo '{\"streams\": 7'\n", ErrNotVideo},
	} {
		t.Run(c.name, func(t *testing.T) {
			bin := t.TempDir()
			clip := filepath.Join(bin, "a.mp4")
			if err := os.WriteFile(clip, []byte("x"), 0o644); err != nil {
				t.Fatal(err)
			}
			for _, name := range []string{"ffprobe", "ffmpeg"} {
				if c.script == "" {
					continue
				}
				if err := os.WriteFile(filepath.Join(bin, name), []byte(strings.ReplaceAll(c.script, "NAME", name)), 0o755); err != nil {
					t.Fatal(err)
				}
			}
			t.Setenv("PATH", bin+":/bin")
			if c.script == "" {
				t.Setenv("PATH", bin)
			}
			ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
			defer cancel()
			var e *Error
			if c.name != "hangs" { // there the deadline of two minutes comes first
				if _, err := ReadProbe(ctx, clip); !errors.As(err, &e) || !errors.Is(err, c.want) || e.Hint == "" {
					t.Errorf("ReadProbe: %v, want %v", err, c.want)
				}
				if err := Glance(ctx, clip, Options{}); !errors.As(err, &e) || !errors.Is(err, c.want) {
					t.Errorf("Glance: %v, want %v", err, c.want)
				}
				if _, err := Repair(ctx, clip, &Probe{}, bin); !errors.As(err, &e) || errors.Is(err, ErrTool) != (c.want == ErrTool) {
					t.Errorf("Repair: %v", err)
				}
			}
			if c.name == "works, and finds no video" { // a machine on which nothing gets on
				promptly = 0
				defer func() { promptly = 5 * time.Second }()
				slow := filepath.Join(bin, "slow")
				if err := os.WriteFile(slow, []byte(strings.ReplaceAll(works, "NAME", "slow")+"exec sleep 60\n"), 0o755); err != nil {
					t.Fatal(err)
				}
				if err := runTool(ctx, 300*time.Millisecond, clip, "slow", nil, nil, nil); !errors.As(err, &e) || !errors.Is(err, syscall.ETIMEDOUT) || errors.Is(err, ErrDamaged) {
					t.Errorf("runTool on a machine that is too busy: %v", err)
				}
			}
			err := runTool(ctx, 500*time.Millisecond, clip, "ffmpeg", []string{"-i", clip}, nil, nil)
			if errors.Is(err, ErrTool) != (c.want == ErrTool && c.name != "another program") { // that one ends well here
				t.Errorf("runTool: %v", err)
			}
		})
	}
}
