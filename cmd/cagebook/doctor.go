//go:build cgo

package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"

	"cagebook/configs"
	"cagebook/models"
	"cagebook/pipeline"
	"cagebook/pipeline/video/opencv"
	"cagebook/pose/onnx"
)

var lookPath = exec.LookPath

// needGB is the free space below which doctor warns: a clip's results take
// about 5 MB, a repaired copy of a damaged clip up to 1 GB.
const needGB = 2

// finding is one line of the doctor.
type finding struct {
	what, state string
	bad         bool
	hint        string
}

func newDoctor(s streams) *cobra.Command {
	settings := configs.Default()
	var out string
	cmd := &cobra.Command{
		Use:   "doctor",
		Short: "Check that everything is there that a run needs",
		Long: `doctor checks the video tools, the inference library, the networks, memory and
disk, prints their versions, and says what to run where something is missing.`,
		Example: `  cagebook doctor`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := configs.FillFromEnv(cmd.Flags()); err != nil {
				return err
			}
			dir, err := modelDir(settings)
			if err != nil {
				return err
			}
			return examine(cmd.Context(), s, dir, out)
		},
	}
	cmd.Flags().StringVar(&settings.ModelDir, "model-dir", "", "folder of models and inference library (default: the user's cache folder)")
	cmd.Flags().StringVarP(&out, "out", "o", ".", "folder for results whose disk is checked")
	return cmd
}

func examine(ctx context.Context, s streams, dir, out string) error {
	all := []finding{
		{what: "cagebook", state: version() + ", " + runtime.Version() + ", " + runtime.GOOS + "/" + runtime.GOARCH},
		{what: "cores", state: fmt.Sprint(runtime.NumCPU())},
		videoTool(ctx, "ffmpeg"), videoTool(ctx, "ffprobe"),
		{what: "opencv", state: opencv.Version()},
	}
	all = append(all, inference(dir)...)
	all = append(all, disk("results", out), disk("models", dir), memory())
	if !haveNPM() {
		all = append(all, finding{what: "npm", state: "not found; needed only to fetch models"})
	}
	bad := 0
	for _, f := range all {
		mark := "ok  "
		if f.bad {
			mark = "BAD "
			bad++
		}
		fmt.Fprintf(s.out, "%s %-18s %s\n", mark, f.what, f.state)
		if f.bad && !strings.Contains(f.state, f.hint) { // an error may say so itself
			fmt.Fprintf(s.out, "     %-18s %s\n", "", f.hint)
		}
	}
	if bad > 0 {
		return &exitError{exitFatal, fmt.Errorf("%s missing or wrong", plural(bad, "thing")), "see the lines marked BAD"}
	}
	fmt.Fprintln(s.out, "all good")
	return nil
}

// videoTool asks a video tool for its version.
func videoTool(ctx context.Context, name string) finding {
	hint := "run: apt-get install ffmpeg"
	path, err := lookPath(name)
	if err != nil {
		return finding{name, "not found", true, hint}
	}
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	text, err := exec.CommandContext(ctx, path, "-version").Output()
	if err != nil {
		return finding{name, fmt.Sprintf("%s does not run: %v", path, err), true, hint}
	}
	line, _, _ := strings.Cut(string(text), "\n")
	line, _, _ = strings.Cut(line, " Copyright")
	return finding{what: name, state: line}
}

// inference checks the networks and loads the library.
func inference(dir string) []finding {
	var all []finding
	for _, m := range models.Status(dir) {
		f := finding{what: m.Name, state: "ready, " + m.Package}
		if m.Err != nil {
			f.state, f.bad, f.hint = m.Err.Error(), !m.Optional, "run: cagebook models fetch"
			if m.Optional {
				f.state = "not fetched (optional)"
			}
		}
		all = append(all, f)
	}
	if lib, err := models.Library(dir); err == nil {
		if err := onnx.Init(lib); err != nil {
			all = append(all, finding{"inference", err.Error(), true, "run: cagebook models fetch"})
		} else if err := onnx.Shutdown(); err != nil {
			all = append(all, finding{"inference", err.Error(), true, ""})
		}
	}
	return all
}

// disk tells the free space where path lies or would lie.
func disk(what, path string) finding {
	at, err := filepath.Abs(path)
	if err != nil {
		return finding{what, err.Error(), true, ""}
	}
	var st unix.Statfs_t
	for {
		err = unix.Statfs(at, &st)
		if !errors.Is(err, os.ErrNotExist) || at == filepath.Dir(at) {
			break
		}
		at = filepath.Dir(at)
	}
	if err != nil {
		return finding{what + " disk", err.Error(), true, ""}
	}
	gb := float64(st.Bavail) * float64(st.Bsize) / 1e9
	f := finding{what: what + " disk", state: fmt.Sprintf("%.1f GB free at %s", gb, at)}
	if gb < needGB {
		f.bad, f.hint = true, fmt.Sprintf("make room: at least %d GB", needGB)
	}
	return f
}

// memory tells what is available, and how many clips that and the cores carry.
func memory() finding {
	const needMB = 1500 // a worker holds up to 1000, the system needs some too
	mb, err := pipeline.FreeMB()
	if err != nil {
		return finding{what: "memory", state: "not known on this system: one clip at a time, unless --jobs says otherwise"}
	}
	clips := plural(pipeline.AtOnce(configs.Default()), "clip")
	return finding{"memory", fmt.Sprintf("%.0f MB available: %s at once, unless --jobs says otherwise", mb, clips), mb < needMB, "close other programs"}
}
