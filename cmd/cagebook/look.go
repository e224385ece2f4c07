//go:build cgo

package main

import (
	"fmt"
	"io"
	"os"
	"syscall"

	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"

	"cagebook/configs"
	"cagebook/pipeline"
)

// newLook is the inside of a child process of run, watch and worker. People do not call it.
func newLook() *cobra.Command {
	settings := configs.Default()
	cmd := &cobra.Command{
		Use:    "look",
		Short:  "Look at clips named on standard input (used by run, watch and worker)",
		Hidden: true,
		Args:   cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			out, err := claimStdout()
			if err != nil {
				return err
			}
			return serve(os.Stdin, out, settings)
		},
	}
	settings.AddFlags(cmd.Flags())
	return cmd
}

func serve(in io.Reader, out io.Writer, s configs.Settings) error {
	dir, err := modelDir(s)
	if err != nil {
		return err
	}
	closeNets := func() {}
	defer func() { closeNets() }()
	return pipeline.ServeWorker(in, out, func() (pipeline.AnalyzeFunc, error) {
		analyze, closer, err := newAnalyze(dir, threads(s))
		if err == nil {
			closeNets = closer
		}
		return analyze, err
	}, func() {
		// The parent is gone. End with everything that was started, ffmpeg too;
		// native code that is busy could not be stopped in another way.
		_ = syscall.Kill(0, syscall.SIGKILL)
	})
}

// claimStdout keeps standard output for messages alone: whatever a native
// library prints there goes to standard error from now on, and so does what
// child processes print.
func claimStdout() (io.Writer, error) {
	fd, err := unix.FcntlInt(uintptr(syscall.Stdout), unix.F_DUPFD_CLOEXEC, 3)
	if err != nil {
		return nil, fmt.Errorf("standard output: %w", err)
	}
	if err := unix.Dup2(syscall.Stderr, syscall.Stdout); err != nil {
		return nil, fmt.Errorf("standard output: %w", err)
	}
	return os.NewFile(uintptr(fd), "messages"), nil
}
