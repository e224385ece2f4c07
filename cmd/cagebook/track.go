//go:build cgo

package main

import (
	"context"
	"errors"

	"github.com/spf13/cobra"

	"cagebook/configs"
	"cagebook/pipeline"
)

func newTrack(s streams) *cobra.Command {
	var out string
	var fps float64
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "track FILE… -o OUT",
		Short: "Report on keypoints that were made elsewhere",
		Long: `track takes keypoints instead of video: the form of track.json.gz, its short form
with "names" and "frames" alone, or COCO keypoint JSON with a frame rate, plain
or gzipped. It writes OUT/<name without .json>/report.json and report.html.

` + exitHelp,
		Example: `  cagebook track ada-03.json -o results
  cagebook track coco.json --fps 59.94 -o results`,
		Args: argument("a FILE of keypoints", 1, -1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if out == "" {
				return usageError("cagebook track "+args[0]+" -o results", "track: -o OUT is missing")
			}
			if cmd.Flags().Changed("fps") && !(fps >= 1 && fps <= 10000) {
				return usageError("for example --fps 59.94", "track: --fps %v; want frames per second from 1 to 10000", fps)
			}
			for _, f := range args {
				if err := mustExist(f, "file"); err != nil {
					return err
				}
			}
			return runTracks(cmd.Context(), s, args, out, fps, asJSON)
		},
	}
	cmd.Flags().StringVarP(&out, "out", "o", "", "folder for the results; made where missing")
	cmd.Flags().Float64Var(&fps, "fps", 0, "frames per second of real motion, for COCO files, which hold no times")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print events as JSON lines")
	return cmd
}

func runTracks(ctx context.Context, s streams, files []string, out string, fps float64, asJSON bool) error {
	rules, err := configs.DefaultRules()
	if err != nil {
		return fatal(err)
	}
	p := newPrinter(s, asJSON)
	t := &pipeline.Tracks{Files: files, Out: out, FPS: fps, Tool: tool(), Rules: rules, OnEvent: p.event}
	summary, err := t.Run(ctx)
	p.close()
	switch {
	case errors.Is(err, pipeline.ErrSameName):
		return usageError("rename one, or give them different output folders", "%w", err)
	case err != nil:
		return err
	case summary.Lost > 0:
		return errLost
	}
	return nil
}
