package main

import (
	"compress/gzip"
	"encoding/json"
	"os"

	"github.com/spf13/cobra"

	"cagebook/pipeline/studio"
)

// templateCmd writes the swings that phase detection compares tracks with.
func templateCmd() *cobra.Command {
	return &cobra.Command{
		Use:   "template FILE.json.gz",
		Short: "write the swings that phase detection compares tracks with (phases/template.json.gz)",
		Args:  cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			f, err := os.Create(args[0])
			if err != nil {
				return err
			}
			w := gzip.NewWriter(f)
			if err := json.NewEncoder(w).Encode(studio.Templates()); err != nil {
				return err
			}
			if err := w.Close(); err != nil {
				return err
			}
			return f.Close()
		},
	}
}
