//go:build cgo

package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"cagebook/pipeline"
	"cagebook/report"
)

func newCompare(s streams) *cobra.Command {
	var out string
	var numberA, numberB int
	cmd := &cobra.Command{
		Use:   "compare A B -o OUT",
		Short: "Set a swing beside another: a model, or the hitter's own",
		Long: `compare takes two results of run (the folder of a clip, or its report.json) and
writes OUT/compare.html: both swings at the same scale with their key frames side
by side, mirrored where they face different ways, a film of both in step, and a
table of the differences that are larger than their uncertainty.`,
		Example: `  cagebook compare results/clips/ada-03.mov results/clips/best.mov -o beside
  cagebook compare results/clips/ada-03.mov results/clips/ada-03.mov --swing-b 2 -o beside`,
		Args: argument("A and B, two folders of results", 2, 2),
		RunE: func(cmd *cobra.Command, args []string) error {
			if out == "" {
				return usageError("cagebook compare A B -o beside", "compare: -o OUT is missing")
			}
			for _, a := range args {
				if err := mustExist(a, "result of a clip"); err != nil {
					return err
				}
			}
			if numberA < 0 || numberB < 0 {
				return usageError("swings are numbered from 1", "compare: a swing has no number below 1")
			}
			c, err := pipeline.Compare(cmd.Context(), args[0], numberA, args[1], numberB, "", pipeline.NewStore(out).Put)
			switch {
			case errors.Is(err, report.ErrNoSwing), errors.Is(err, os.ErrNotExist):
				return usageError("name folders below OUT/clips of a run, and the numbers of their swings", "compare: %w", err)
			case err != nil:
				return err
			}
			fmt.Fprintf(s.out, "%d of %d numbers differ by more than their uncertainty\n", len(c.Differ), c.Compared)
			if page, err := filepath.Abs(filepath.Join(out, "compare.html")); err == nil {
				fmt.Fprintln(s.out, "comparison:", page)
			}
			return nil
		},
	}
	cmd.Flags().StringVarP(&out, "out", "o", "", "folder for the comparison; made where missing")
	cmd.Flags().IntVar(&numberA, "swing-a", 0, "number of A's swing (0 = the first)")
	cmd.Flags().IntVar(&numberB, "swing-b", 0, "number of B's swing (0 = the first)")
	return cmd
}
