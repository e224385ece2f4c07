//go:build cgo

package main

import (
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"cagebook/configs"
	"cagebook/models"
	"cagebook/pipeline"
	"cagebook/pipeline/queue"
	"cagebook/report"
)

// Exit codes. 2 is left to crashes of the Go runtime.
const (
	exitOK          = 0
	exitFatal       = 1
	exitLost        = 3
	exitUsage       = 4
	exitInterrupted = 130
)

const exitHelp = `Exit status:
  0    all clips done (a clip without a swing counts as done)
  1    stopped by something that every clip would meet: disk full, model missing
  3    some clips could not be processed; the page says which and why
  4    wrong usage or settings, or no clips there; nothing was written
  130  interrupted; the same command goes on where it stopped`

// streams are where a command reads and writes.
type streams struct {
	in       io.Reader
	out, err io.Writer
}

var errInterrupted = errors.New("interrupted")

// exitError is an error with its exit code and what to do about it.
type exitError struct {
	code int
	err  error
	hint string
}

func (e *exitError) Error() string { return e.err.Error() }
func (e *exitError) Unwrap() error { return e.err }

func usageError(hint, format string, args ...any) error {
	return &exitError{exitUsage, fmt.Errorf(format, args...), hint}
}

// execute runs a command line and returns the exit code.
func execute(ctx context.Context, args []string, s streams) int {
	root := newRoot(s)
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	code, hint := judge(err)
	if err != nil && code != exitInterrupted && !errors.Is(err, errLost) {
		for line := range strings.SplitSeq(err.Error(), "\n") {
			fmt.Fprintln(s.err, "error:", report.Shown(line))
		}
		if hint != "" {
			fmt.Fprintln(s.err, "hint:", report.Shown(hint))
		}
	}
	return code
}

// judge is the only place that turns errors into exit codes and hints.
func judge(err error) (code int, hint string) {
	var ee *exitError
	var ps configs.Problems
	var unknown x509.UnknownAuthorityError
	var noHost *net.DNSError
	switch {
	case err == nil:
		return exitOK, ""
	case errors.As(err, &ee):
		return ee.code, ee.hint
	case errors.Is(err, errInterrupted), errors.Is(err, context.Canceled):
		return exitInterrupted, ""
	case errors.Is(err, errLost):
		return exitLost, ""
	case errors.As(err, &ps):
		return exitUsage, ""
	case errors.Is(err, queue.ErrOpen), errors.Is(err, queue.ErrHub), errors.Is(err, queue.ErrStore):
		return exitUsage, ""
	case errors.Is(err, queue.ErrDenied):
		return exitFatal, "--user NAME --password-file FILE, --token-file FILE or --creds FILE, as the hub asks for"
	case errors.As(err, &noHost):
		return exitFatal, "check the address, e.g. --queue nats://hub.example:4222, and that this machine reaches it"
	case errors.As(err, &unknown):
		return exitFatal, "--tls-ca FILE: the certificate of the authority that signed the hub's, or the hub's own where it signed itself"
	case errors.Is(err, pipeline.ErrPlaces):
		return exitUsage, "choose a folder of its own for the results, e.g. -o results"
	case errors.Is(err, pipeline.ErrRoot):
		return exitUsage, "name the folder with the clips from the phones; if that is on a disk or a network folder, see that it is there"
	case errors.Is(err, pipeline.ErrBusy):
		return exitFatal, "wait for the other run to end, or choose another output folder"
	case errors.Is(err, pipeline.ErrOutput):
		return exitFatal, "see to the output folder (its disk, its room, your right to write there) and run again; finished clips are kept"
	case errors.Is(err, models.ErrNotReady):
		return exitFatal, "cagebook models fetch"
	case errors.Is(err, pipeline.ErrFatal):
		return exitFatal, "cagebook doctor"
	case errors.Is(err, fs.ErrPermission):
		return exitFatal, "give yourself the right to read and write there, or run as the user who has it"
	}
	return exitFatal, ""
}

func newRoot(s streams) *cobra.Command {
	root := &cobra.Command{
		Use:   "cagebook",
		Short: "Key frames and a findings report for every swing in a folder of videos",
		Long: `cagebook looks at every video below a folder, finds the baseball and softball
swings in it, and writes stills of the key frames, a report for each clip and a
page for the morning. Videos stay on this machine.`,
		Example: `  cagebook run cage-videos -o results     every clip below a folder
  cagebook check cage-videos              only check the settings beside the clips
  cagebook doctor                         is everything there that a run needs?`,
		SilenceUsage:  true,
		SilenceErrors: true,
		Args:          cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return cmd.Help()
			}
			return unknownCommand(cmd, args[0])
		},
		SuggestionsMinimumDistance: 2,
	}
	root.SetIn(s.in)
	root.SetOut(s.out)
	root.SetErr(s.err)
	root.CompletionOptions.HiddenDefaultCmd = true
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		if before := cmd.Flags().Args(); cmd == root && len(before) > 0 { // the options are those of a command that is misspelt
			return unknownCommand(cmd, before[0])
		}
		said, _, _ := strings.Cut(err.Error(), ": strconv.") // no words for a person follow
		return usageError(cmd.CommandPath()+" --help lists the options", "%s", said)
	})
	root.AddCommand(newRun(s), newWatch(s), newTrack(s), newCompare(s), newServe(s), newExport(s), newForget(s), newCheck(s), newDoctor(s), newModels(s), newVersion(s),
		newHub(s), newWorker(s), newSubmit(s), newStatus(s), newBench(s), newLook())
	return root
}

func unknownCommand(root *cobra.Command, name string) error {
	hint := "cagebook --help lists the commands"
	if like := root.SuggestionsFor(name); len(like) > 0 {
		hint = "did you mean: cagebook " + like[0]
	}
	return usageError(hint, "unknown command %q", name)
}

// argument is an Args check that says in words what is missing.
func argument(want string, low, high int) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) < low {
			return usageError("for example: "+firstExample(cmd), "%s: %s is missing", cmd.CommandPath(), want)
		}
		if high >= 0 && len(args) > high {
			hint := "put a name with spaces in quotes"
			if out := cmd.Flags().Lookup("out"); out != nil && !out.Changed {
				hint += "; results go behind -o: " + firstExample(cmd)
			}
			return usageError(hint, "%s: too many arguments, want %s alone: %q", cmd.CommandPath(), want, args)
		}
		return nil
	}
}

func firstExample(cmd *cobra.Command) string {
	line, _, _ := strings.Cut(strings.TrimSpace(cmd.Example), "\n")
	line, _, _ = strings.Cut(line, "   ") // the example without its explanation
	return line
}

// mustExist is a usage error for a path that is not there.
func mustExist(path, what string) error {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return usageError("check the spelling; names with spaces need quotes", "%s: no such %s", path, what)
	} else if err != nil {
		return usageError("", "%w", err)
	}
	return nil
}

// modelDir is the folder of models that the settings name, or the user's own.
func modelDir(s configs.Settings) (string, error) {
	if s.ModelDir != "" {
		return s.ModelDir, nil
	}
	return models.DefaultDir()
}
