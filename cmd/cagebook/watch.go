//go:build cgo

package main

import (
	"context"

	"github.com/spf13/cobra"

	"cagebook/configs"
	"cagebook/pipeline"
)

func newWatch(s streams) *cobra.Command {
	settings, watch := configs.Default(), configs.DefaultWatch()
	var out string
	cmd := &cobra.Command{
		Use:   "watch FOLDER -o OUT",
		Short: "Look at clips as they arrive in a folder",
		Long: `watch does what run does, again and again: it looks at every clip below FOLDER
once it has been copied completely, and keeps the page in OUT current. It goes
on until it is stopped, and where it was stopped when it is started again.

It waits, and says so, outside its window (--window 22:00-06:00), while other
programs keep the machine busy (--max-load 1), while a disk is full or unplugged
and while another run writes to OUT. When the window closes, the clip in work may
take 15 more minutes; after that it is stopped, and begun again in the next window.

FOLDER is looked at every ten seconds, which works on network folders, too. A
clip that failed is tried again when it or its settings change, and after twelve hours.

Exit status:
  0    stopped by Ctrl-C or SIGTERM with nothing left to do
  1    stopped by something that waiting does not mend: model or tool missing
  3    like 0, but some clips could not be processed; the page says which and why
  4    wrong usage or settings; nothing was written
  130  stopped with clips still to do; the same command goes on`,
		Example: `  cagebook watch cage-videos -o results
  cagebook watch cage-videos -o results --window 22:00-06:00 --max-load 1`,
		Args: argument("a FOLDER of clips", 1, 1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := configs.FillFromEnv(cmd.Flags()); err != nil {
				return err
			}
			if err := settings.Validate(); err != nil {
				return err
			}
			if err := watch.Validate(); err != nil {
				return err
			}
			if out == "" {
				return usageError("cagebook watch "+args[0]+" -o results", "watch: -o OUT is missing")
			}
			return withBatch(s, settings, args[0], out, func(b *pipeline.Batch, p *printer) error {
				return runWatch(cmd.Context(), b, p, watch)
			})
		},
	}
	cmd.Flags().StringVarP(&out, "out", "o", "", "folder for the results; made where missing")
	watch.AddFlags(cmd.Flags())
	settings.AddFlags(cmd.Flags())
	return cmd
}

func runWatch(ctx context.Context, b *pipeline.Batch, p *printer, watch configs.Watch) error {
	w := &pipeline.Watch{Batch: *b, Settings: watch}
	summary, left, err := w.Run(ctx)
	p.close()
	switch {
	case err != nil:
		return err
	case left:
		return errInterrupted
	case summary.Lost > 0:
		return errLost
	}
	return nil
}
