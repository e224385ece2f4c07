//go:build cgo

package main

import (
	"context"
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"cagebook/configs"
	"cagebook/pipeline"
	"cagebook/pipeline/queue"
)

func newSubmit(s streams) *cobra.Command {
	settings := configs.Default()
	var at queueFlags
	var out string
	var noWait, clear bool
	cmd := &cobra.Command{
		Use:   "submit FOLDER --queue URL --store STORE -o OUT",
		Short: "Let the workers of a queue look at every clip below a folder",
		Long: `submit does what run does, with the workers of a queue: it copies every clip
below FOLDER into the store (once for each content), queues it with the settings
beside it, and collects the results into OUT, which then holds the same files
and the same page as after run.

It can be stopped at any moment and started again: what was queued goes on
meanwhile, and the same command collects it. Clips and results stay in the store
until you remove them there, or with --clear until they are collected; they are
films of people, so see who can read it.

` + exitHelp,
		Example: `  cagebook submit cage-videos --queue nats://127.0.0.1:4222 --store /mnt/cage/store -o results
  cagebook submit cage-videos --queue nats://127.0.0.1:4222 --store /mnt/cage/store -o results --no-wait`,
		Args: argument("a FOLDER of clips", 1, 1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := configs.FillFromEnv(cmd.Flags()); err != nil {
				return err
			}
			if err := at.check("submit", true); err != nil {
				return err
			}
			if out == "" {
				return usageError("cagebook submit "+args[0]+" … -o results", "submit: -o OUT is missing")
			}
			if err := mustExist(args[0], "folder or clip"); err != nil {
				return err
			}
			p := newPrinter(s, settings.JSON)
			b := &pipeline.Batch{Root: args[0], Out: out, Settings: settings, Tool: tool(), OnEvent: p.event, NoWait: noWait}
			return runSubmit(cmd.Context(), s, b, at, p, clear)
		},
	}
	cmd.Flags().StringVarP(&out, "out", "o", "", "folder for the results; made where missing")
	at.add(cmd.Flags(), true)
	cmd.Flags().BoolVar(&noWait, "no-wait", false, "end when all clips are queued; the same command without this collects the results")
	cmd.Flags().BoolVar(&clear, "clear", false, "remove clips and results from the store once they are collected")
	cmd.Flags().BoolVar(&settings.HideFaces, "hide-faces", false, "cover all faces in every picture and film")
	cmd.Flags().BoolVar(&settings.JSON, "json", false, "print events as JSON lines")
	return cmd
}

func runSubmit(ctx context.Context, s streams, b *pipeline.Batch, at queueFlags, p *printer, clear bool) error {
	log := newLog(s, b.Settings.JSON)
	q, err := at.connect(ctx, log)
	if err != nil {
		return err
	}
	defer q.Close()
	store, err := queue.OpenStore(ctx, at.store, true)
	if err != nil {
		return err
	}
	defer store.Close()
	u, err := queue.NewSubmitter(ctx, q, store)
	if err != nil {
		return err
	}
	defer u.Close()
	b.Elsewhere = u
	summary, err := b.Run(ctx)
	p.close()
	if err == nil && clear {
		err = u.Clear(ctx)
	}
	if err != nil {
		return err
	}
	if !b.Settings.JSON {
		page, err := filepath.Abs(filepath.Join(b.Out, "index.html"))
		if err != nil {
			return err
		}
		if b.NoWait {
			fmt.Fprintln(s.out, "queued; the same command without --no-wait collects the results, cagebook status shows how they fare")
		} else {
			fmt.Fprintln(s.out, "morning page:", page)
		}
	}
	if summary.Lost > 0 {
		return errLost
	}
	return nil
}
