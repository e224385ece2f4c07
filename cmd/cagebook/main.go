//go:build cgo

// Command cagebook turns folders of swing videos into annotated key frames and
// a findings report for each clip.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"slices"
	"syscall"
)

func main() {
	ctx, stop := stoppable(len(os.Args) > 1 && slices.Contains([]string{"run", "watch", "submit"}, os.Args[1]))
	code := execute(ctx, os.Args[1:], streams{os.Stdin, os.Stdout, os.Stderr})
	stop()
	os.Exit(code)
}

// stoppable is a context that the first Ctrl-C ends; the second ends the process
// at once. goesOn: the same command takes up its work later.
func stoppable(goesOn bool) (context.Context, func()) {
	ctx, cancel := context.WithCancelCause(context.Background())
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	go func() {
		s, ok := <-signals
		if !ok {
			return
		}
		say := "stopping (again to stop at once)"
		if goesOn {
			say = "stopping; finished clips are kept, the next run goes on (again to stop at once)"
		}
		fmt.Fprintf(os.Stderr, "\n%v: %s\n", s, say)
		cancel(errors.Join(errInterrupted, context.Canceled))
		if _, ok := <-signals; ok {
			os.Exit(exitInterrupted)
		}
	}()
	return ctx, func() {
		signal.Stop(signals)
		close(signals)
		cancel(nil)
	}
}
