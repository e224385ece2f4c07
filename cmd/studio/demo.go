package main

import (
	"fmt"
	"path/filepath"
	"sort"
	"time"

	"github.com/spf13/cobra"

	"cagebook/pipeline/studio"
)

func demoCmd() *cobra.Command {
	var out, truth, scenes string
	c := &cobra.Command{
		Use:   "demo -o DIR",
		Short: "render the demo folder: invented hitters, one folder each; what is there already is left alone",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			files, err := filepath.Glob(filepath.Join(scenes, "*.yaml"))
			if err != nil {
				return err
			}
			if len(files) == 0 {
				return fmt.Errorf("no scenes in %s: run from the repository's top folder or give --scenes", scenes)
			}
			sort.Strings(files)
			var all []*studio.Scene
			for _, f := range files {
				sc, err := readScene(f)
				if err != nil {
					return err
				}
				all = append(all, sc)
			}
			start := time.Now()
			if err := renderAll(c.Context(), all, out, truth); err != nil {
				return err
			}
			fmt.Printf("%d clips in %s (%.0f s)\n", len(all), out, time.Since(start).Seconds())
			return nil
		},
	}
	c.Flags().StringVarP(&out, "out", "o", "demo", "folder of the clips")
	c.Flags().StringVar(&truth, "truth", "", "folder of the truth (default: the folder of the clips with -truth added)")
	c.Flags().StringVar(&scenes, "scenes", "testdata/scenes/demo", "folder of the scenes")
	return c
}
