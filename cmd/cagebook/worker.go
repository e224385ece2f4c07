//go:build cgo

package main

import (
	"context"
	"errors"
	"log/slog"

	"github.com/spf13/cobra"

	"cagebook/configs"
	"cagebook/pipeline"
	"cagebook/pipeline/queue"
)

func newWorker(s streams) *cobra.Command {
	settings := configs.Default()
	var at queueFlags
	var w queue.Worker
	var metricsAt string
	cmd := &cobra.Command{
		Use:   "worker --queue URL --store STORE",
		Short: "Look at clips of a queue, on any number of machines",
		Long: `worker takes clips off the queue one by one, looks at them as run does (each in
a process of its own, with the same limits) and puts the results into the store.
It goes on until it is stopped. Where queue or store are away it waits for them.
It may be killed at any moment: its clip is handed to another worker a minute
later. A clip over which three workers ended is set aside with the reason.

It takes the clips that were submitted by the same version with the same models.

Exit status: 0 stopped by Ctrl-C or SIGTERM, or --until-empty and nothing left ·
1 something that every clip on this machine would meet: disk full, model missing · 4 wrong usage or settings`,
		Example: `  cagebook worker --queue nats://127.0.0.1:4222 --store /mnt/cage/store
  cagebook worker --queue tls://hub:4222 --user cage --password-file secret --tls-ca ca.pem --store s3://swings?region=eu-central-1 --jobs 4`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := configs.FillFromEnv(cmd.Flags()); err != nil {
				return err
			}
			if err := settings.Validate(); err != nil {
				return err
			}
			if err := at.check("worker", true); err != nil {
				return err
			}
			return runWorker(cmd.Context(), s, settings, at, &w, metricsAt)
		},
	}
	at.add(cmd.Flags(), true)
	cmd.Flags().StringVar(&w.Name, "name", hostName(), "what status calls this worker")
	cmd.Flags().StringVar(&w.Scratch, "scratch", "", "folder for the clips in work, removed as they end (default: the system's temporary folder)")
	cmd.Flags().BoolVar(&w.UntilEmpty, "until-empty", false, "end when nothing waits and nothing is in work")
	cmd.Flags().StringVar(&metricsAt, "metrics", "", "serve metrics at this loopback address, e.g. 127.0.0.1:9464")
	settings.AddFlags(cmd.Flags())
	return cmd
}

func runWorker(ctx context.Context, s streams, settings configs.Settings, at queueFlags, w *queue.Worker, metricsAt string) error {
	dir, err := modelDir(settings)
	if err != nil {
		return err
	}
	settings.Jobs = pipeline.AtOnce(settings) // once for all places: memory that is free changes with each clip that is begun
	log := newLog(s, settings.JSON).With("worker", w.Name)
	m := newMetrics()
	m.work()
	stop, err := m.serve(metricsAt, log)
	if err != nil {
		return err
	}
	defer stop()
	b, closeNets, err := newBatch(settings, dir, "", "", nil)
	if err != nil {
		return err
	}
	defer closeNets()
	b.OnEvent = func(e pipeline.Event) {
		m.event(e)
		logEvent(log, e)
	}
	w.Batch = *b
	if w.Queue, err = at.connect(ctx, log); err != nil {
		return err
	}
	defer w.Queue.Close()
	if w.Store, err = queue.WaitForStore(ctx, w.Queue, at.store); err != nil {
		return err
	}
	defer w.Store.Close()
	log.Info("worker is up", "version", version(), "clips_at_once", settings.Jobs)
	err = w.Run(ctx)
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		log.Info("worker stopped; what it had goes to others")
		return nil
	}
	return withModelHint(err, dir)
}

// logEvent writes what happens to a clip.
func logEvent(log *slog.Logger, e pipeline.Event) {
	switch e.Kind {
	case pipeline.EventStart:
		log.Info("clip begins", "clip", e.Clip, "bytes", e.Bytes)
	case pipeline.EventRetry:
		log.Warn("clip once more", "clip", e.Clip, "reason", e.Reason)
	case pipeline.EventClip:
		log.Info("clip ended", "clip", e.Clip, "state", e.State, "reason", e.Reason, "swings", e.Swings, "seconds", e.Seconds)
	}
}
