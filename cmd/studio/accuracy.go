package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"cagebook/pipeline/studio"
)

// accuracyOptions are the flags of the accuracy bench.
type accuracyOptions struct {
	swings, others       int
	noise                float64
	only13, list, again  bool
	seed                 uint64
	set, dir, tool       string
	reports, truth       string
	json, markdown, name string
	floors               bool
}

// accuracyCmd holds what was found against what is true: in keypoints with noise (everything after the pose model),
// or in rendered clips (the whole program).
func accuracyCmd() *cobra.Command {
	var o accuracyOptions
	c := &cobra.Command{
		Use:   "accuracy",
		Short: "hold swings, instants, measures and findings against known truth",
		Long: `Without --set or --reports: keypoints with known truth and noise, without pictures; half a minute.
With --set: renders the clips of a set where they are missing, runs cagebook on them, and holds its reports against the truth.
With --reports and --truth: holds the reports of an earlier run against the truth; what has no report yet is counted as such.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			b := newBench()
			if o.list {
				b.log = cmd.OutOrStdout()
			}
			if err := o.gather(cmd, b); err != nil {
				return err
			}
			t := b.table()
			t.Commit, t.Date, t.Set = commit, time.Now().UTC().Format(time.DateOnly), o.name
			return o.write(cmd.OutOrStdout(), t)
		},
	}
	f := c.Flags()
	f.IntVar(&o.swings, "swings", 60, "scenes with a swing, as keypoints")
	f.IntVar(&o.others, "others", 20, "scenes without one, as keypoints")
	f.Float64Var(&o.noise, "noise", 0.012, "keypoint noise, standard deviation a coordinate, body heights")
	f.BoolVar(&o.only13, "only13", false, "13 joints, as marked by people")
	f.BoolVar(&o.list, "list", false, "print each swing")
	f.Uint64Var(&o.seed, "seed", 1000, "first seed")
	f.StringVar(&o.set, "set", "", "render a set of clips (quick, middle, standard, fresh, faults), run cagebook on it and hold its reports against the truth")
	f.StringVar(&o.dir, "dir", "build/accuracy", "where rendered sets are kept")
	f.StringVar(&o.tool, "cagebook", "bin/cagebook", "the program that is tried")
	f.StringVar(&o.reports, "reports", "", "hold the reports of this output folder of cagebook run against --truth")
	f.BoolVar(&o.again, "again", false, "with --reports: start anew from the raw keypoints of each report's track file; bat's ends, ball and sound as they were found")
	f.StringVar(&o.truth, "truth", "", "folder with the truth of the clips, as written beside them")
	f.StringVar(&o.json, "json", "", "write the table to this file as JSON, too (with --set also to accuracy.json in the set's folder)")
	f.StringVar(&o.markdown, "markdown", "", "write the table to this file as Markdown, too")
	f.BoolVar(&o.floors, "floors", false, "fail where the table falls below the floors of the quick set")
	return c
}

// gather fills the bench with what the flags ask for.
func (o *accuracyOptions) gather(cmd *cobra.Command, b *bench) error {
	o.name = "keypoints"
	if o.set != "" {
		n, ok := benchSets[o.set]
		if !ok {
			return fmt.Errorf("no set %q; there are quick, middle, standard, fresh and faults", o.set)
		}
		o.name = o.set
		if err := renderAndRun(cmd.Context(), o.set, n, o.dir, o.tool); err != nil {
			return err
		}
		o.reports, o.truth = filepath.Join(o.dir, o.set, "out"), filepath.Join(o.dir, o.set, "clips-truth")
	}
	if o.reports != "" {
		if o.truth == "" {
			return fmt.Errorf("--reports needs --truth, the folder with the truth of the clips")
		}
		if o.set == "" { // build/accuracy/SET/out is of the set
			if o.name = filepath.Base(o.reports); o.name == "out" {
				o.name = filepath.Base(filepath.Dir(filepath.Clean(o.reports)))
			}
		}
		return b.reports(o.reports, o.truth, o.again)
	}
	return b.keypoints(o.swings, o.others, o.seed, o.noise, o.only13)
}

// keypoints holds everything after the pose model against scenes that are never rendered.
func (b *bench) keypoints(swings, others int, seed uint64, noise float64, only13 bool) error {
	for i := range swings {
		if err := b.scene(studio.RandomScene(seed+uint64(i), studio.Variety{Faults: true}), noise, only13); err != nil {
			return err
		}
	}
	for i := range others {
		v := studio.Variety{Acts: []string{"take", "check", "bunt", "practice", "waggle"}}
		if err := b.scene(studio.RandomScene(seed+5000+uint64(i), v), noise, only13); err != nil {
			return err
		}
	}
	return nil
}

// write prints the table and writes it to the files that were asked for.
func (o *accuracyOptions) write(w io.Writer, t *table) error {
	t.print(w)
	files := []string{}
	if o.json != "" {
		files = append(files, o.json)
	}
	if o.set != "" {
		files = append(files, filepath.Join(o.dir, o.set, "accuracy.json"))
	}
	for _, f := range files {
		data, err := t.json()
		if err != nil {
			return err
		}
		if err := writeFile(f, data); err != nil {
			return err
		}
	}
	if o.markdown != "" {
		if err := writeFile(o.markdown, t.markdown()); err != nil {
			return err
		}
	}
	if !o.floors {
		return nil
	}
	below := t.below(quickFloors)
	for _, s := range below {
		fmt.Fprintln(os.Stderr, s)
	}
	if len(below) > 0 {
		return fmt.Errorf("accuracy is below %d of %d floors", len(below), len(quickFloors))
	}
	fmt.Fprintf(w, "\nall %d floors hold\n", len(quickFloors))
	return nil
}
