//go:build cgo

package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"cagebook/pipeline"
	"cagebook/report"
)

func newCheck(s streams) *cobra.Command {
	return &cobra.Command{
		Use:   "check FOLDER",
		Short: "Check the settings beside the clips without looking at them",
		Long: `check reads session.yaml and <clip>.yaml everywhere below FOLDER and reports
everything that is wrong in them, with file, line and what is allowed.`,
		Example: `  cagebook check cage-videos`,
		Args:    argument("a FOLDER of clips", 1, 1),
		RunE: func(_ *cobra.Command, args []string) error {
			if err := mustExist(args[0], "folder or clip"); err != nil {
				return err
			}
			return check(s, args[0])
		},
	}
}

func check(s streams, root string) error {
	c, err := pipeline.CheckSettings(root)
	if err != nil {
		return err
	}
	for _, w := range c.Warnings {
		fmt.Fprintln(s.err, "warning:", report.Shown(w))
	}
	if len(c.Problems) > 0 {
		return &exitError{exitUsage, fmt.Errorf("%s", strings.Join(c.Problems, "\n")), ""}
	}
	if c.Clips == 0 {
		return fmt.Errorf("%s: %w", root, pipeline.ErrNoClips)
	}
	fmt.Fprintf(s.out, "%s, %s: all good\n", plural(c.Clips, "clip"), plural(c.Files, "settings file"))
	return nil
}
