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
	"strconv"

	"github.com/spf13/cobra"

	"cagebook/configs"
	"cagebook/models"
	"cagebook/pipeline"
)

// errLost ends a run in which some clips were not processed; the printer has said so already.
var errLost = errors.New("some clips were not processed")

func newRun(s streams) *cobra.Command {
	settings := configs.Default()
	var out, metricsAt string
	cmd := &cobra.Command{
		Use:   "run FOLDER -o OUT",
		Short: "Look at every clip below a folder",
		Long: `run looks at every clip below FOLDER (or at one clip), at any depth, and writes
below OUT: index.html for the morning, batch.csv and batch.json, and a folder
for each clip with stills, report.html and report.json.

It can be stopped at any moment and started again: finished clips are not
looked at twice as long as clip, settings, models and version stay the same.
Settings may lie beside the clips: session.yaml for a folder and all below it,
<clip>.yaml for one clip (ada-03.mov.yaml or ada-03.yaml).

` + exitHelp,
		Example: `  cagebook run cage-videos -o results
  cagebook run cage-videos -o results --jobs 2     two clips at once, to leave cores to other work
  cagebook run cage-videos/ada-03.mov -o results   one clip`,
		Args: argument("a FOLDER of clips", 1, 1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := configs.FillFromEnv(cmd.Flags()); err != nil {
				return err
			}
			if err := settings.Validate(); err != nil {
				return err
			}
			if out == "" {
				return usageError("cagebook run "+args[0]+" -o results", "run: -o OUT is missing")
			}
			if err := mustExist(args[0], "folder or clip"); err != nil {
				return err
			}
			return withBatch(s, settings, args[0], out, func(b *pipeline.Batch, p *printer) error {
				return runBatch(cmd.Context(), s, b, p, metricsAt)
			})
		},
	}
	cmd.Flags().StringVarP(&out, "out", "o", "", "folder for the results; made where missing")
	cmd.Flags().StringVar(&metricsAt, "metrics", "", "serve metrics at this loopback address, e.g. 127.0.0.1:9464")
	settings.AddFlags(cmd.Flags())
	return cmd
}

// withBatch hands a batch and what tells of it to do, and says of an error that a model is missing where one is.
func withBatch(s streams, settings configs.Settings, root, out string, do func(*pipeline.Batch, *printer) error) error {
	dir, err := modelDir(settings)
	if err != nil {
		return err
	}
	p := newPrinter(s, settings.JSON)
	b, closeNets, err := newBatch(settings, dir, root, out, p)
	if err != nil {
		return err
	}
	defer closeNets()
	return withModelHint(do(b, p), dir)
}

func runBatch(ctx context.Context, s streams, b *pipeline.Batch, p *printer, metricsAt string) error {
	if metricsAt != "" {
		m := newMetrics()
		m.work()
		stop, err := m.serve(metricsAt, newLog(s, b.Settings.JSON))
		if err != nil {
			return err
		}
		defer stop()
		b.OnEvent = func(e pipeline.Event) {
			m.event(e)
			p.event(e)
		}
	}
	summary, err := b.Run(ctx)
	p.close()
	if err != nil {
		return err
	}
	if page, err := filepath.Abs(filepath.Join(b.Out, "index.html")); err == nil && !b.Settings.JSON {
		fmt.Fprintln(s.out, "morning page:", page)
	}
	if summary.Lost > 0 {
		return errLost
	}
	return nil
}

// newBatch joins a batch to what looks at its clips.
func newBatch(settings configs.Settings, dir, root, out string, p *printer) (b *pipeline.Batch, closeNets func(), err error) {
	b = &pipeline.Batch{Root: root, Out: out, Settings: settings, Tool: tool()}
	if p != nil {
		b.OnEvent = p.event
	}
	if settings.InProcess {
		b.Analyze, closeNets, err = newAnalyze(dir, threads(settings))
		return b, closeNets, err
	}
	self, err := os.Executable()
	if err != nil {
		return nil, nil, fmt.Errorf("find this program for its workers: %w", err)
	}
	b.Worker = func(threads int) *exec.Cmd {
		return exec.Command(self, "look", "--model-dir", dir, "--threads", strconv.Itoa(threads))
	}
	return b, func() {}, nil
}

// threads are those of a network where this process looks at clips itself.
func threads(s configs.Settings) int {
	if s.Threads > 0 {
		return s.Threads
	}
	return max(1, runtime.GOMAXPROCS(0)/max(1, s.Jobs))
}

// withModelHint looks whether a fatal error, which a worker may have sent as
// mere text, comes from a model that is not ready.
func withModelHint(err error, dir string) error {
	if !errors.Is(err, pipeline.ErrFatal) {
		return err
	}
	for _, m := range models.Status(dir) {
		if m.Err != nil && !m.Optional {
			return &exitError{exitFatal, err, "cagebook models fetch"}
		}
	}
	return err
}
