//go:build cgo

package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"time"

	"github.com/spf13/cobra"

	"cagebook/configs"
	"cagebook/pipeline/queue"
)

// statusWait is how long status waits for an answer: a person sits before it.
const statusWait = 10 * time.Second

func newStatus(s streams) *cobra.Command {
	var at queueFlags
	var asJSON bool
	var failed int
	cmd := &cobra.Command{
		Use:   "status --queue URL",
		Short: "Show how the clips of a queue fare, and its workers",
		Long: `status shows how many clips wait, are in work, are done (in the last seven days)
and failed, with the reasons, and what every worker does now.

Exit status: 0 shown · 1 the queue does not answer · 4 wrong usage`,
		Example: `  cagebook status --queue nats://127.0.0.1:4222
  cagebook status --queue nats://127.0.0.1:4222 --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := configs.FillFromEnv(cmd.Flags()); err != nil {
				return err
			}
			if err := at.check("status", false); err != nil {
				return err
			}
			ctx, cancel := context.WithTimeout(cmd.Context(), statusWait)
			defer cancel()
			q, err := at.connect(ctx, slog.New(slog.DiscardHandler)) // what it waits for is said once, as the error
			if err != nil {
				if ctx.Err() != nil && cmd.Context().Err() == nil {
					return &exitError{exitFatal, fmt.Errorf("no queue answers at %s", at.url), "is the hub running, and the address right? cagebook hub --dir hub starts one on this machine"}
				}
				return err
			}
			defer q.Close()
			st, err := q.Status(ctx, failed)
			if err != nil {
				return err
			}
			if asJSON {
				e := json.NewEncoder(s.out)
				e.SetIndent("", "  ")
				return e.Encode(st)
			}
			printStatus(s, st)
			return nil
		},
	}
	at.add(cmd.Flags(), false)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print as JSON")
	cmd.Flags().IntVar(&failed, "failed", 20, "how many of the clips that failed to list, the newest first")
	return cmd
}

func printStatus(s streams, st queue.Status) {
	fmt.Fprintln(s.out, st.Line())
	for _, w := range st.Workers {
		fmt.Fprintf(s.out, "\n%s, version %s: %d done", w.Name, w.Version, w.Done)
		if w.NotDone > 0 {
			fmt.Fprintf(s.out, ", %d not processed", w.NotDone)
		}
		if w.PerClipS > 0 {
			fmt.Fprintf(s.out, ", %.1f s a clip", w.PerClipS)
		}
		fmt.Fprintln(s.out)
		for _, c := range w.InWork {
			fmt.Fprintf(s.out, "  %s: %s, for %v\n", quoted(c.Clip), c.Stage, time.Since(c.Since).Round(time.Second))
		}
	}
	if len(st.DeadClips) > 0 {
		fmt.Fprintln(s.out, "\nfailed:")
	}
	for _, d := range st.DeadClips {
		fmt.Fprintf(s.out, "  %s: %s\n", quoted(d.Clip), d.Reason)
	}
}
