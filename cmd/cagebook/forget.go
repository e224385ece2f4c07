//go:build cgo

package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"cagebook/pipeline"
	"cagebook/report"
)

func newForget(s streams) *cobra.Command {
	var out string
	cmd := &cobra.Command{
		Use:   "forget HITTER|CLIP -o OUT",
		Short: "Remove everything that was made from a hitter's clips, or from one clip",
		Long: `forget removes from OUT all pictures, films, keypoints, reports and what is kept
for corrections of one hitter, or of one clip (its path as the pages show it),
and says what it removed. The pages are made again without them. The videos
themselves are not touched: delete them too, or the next run makes it all again.`,
		Example: `  cagebook forget ada -o results
  cagebook forget cage/ada-03.mov -o results`,
		Args: argument("a HITTER or a CLIP", 1, 1),
		RunE: func(_ *cobra.Command, args []string) error {
			if out == "" {
				return usageError("cagebook forget "+args[0]+" -o results", "forget: -o OUT is missing")
			}
			if err := mustExist(out, "folder of results"); err != nil {
				return err
			}
			removed, err := pipeline.Forget(out, args[0])
			for _, r := range removed {
				fmt.Fprintln(s.out, "removed", report.Shown(r))
			}
			if errors.Is(err, pipeline.ErrUnknown) {
				return usageError("the pages show how hitters and clips are called", "forget: %w", err)
			}
			if err != nil {
				return err
			}
			fmt.Fprintf(s.out, "%d files removed. The videos themselves are still where they were.\n", len(removed))
			return nil
		},
	}
	cmd.Flags().StringVarP(&out, "out", "o", "", "folder of results")
	return cmd
}
