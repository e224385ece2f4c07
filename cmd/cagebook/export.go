//go:build cgo

package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"path/filepath"

	"github.com/spf13/cobra"

	"cagebook/pipeline"
	"cagebook/report"
	"cagebook/report/trackfile"
)

// exportForms are the forms that export writes, by their names.
var exportForms = map[string]struct {
	ext   string
	write func(w io.Writer, name string, s trackfile.Swing) error
}{
	"trc":  {".trc", trackfile.WriteTRC},
	"csv":  {".csv", func(w io.Writer, _ string, s trackfile.Swing) error { return trackfile.WriteCSV(w, s) }},
	"coco": {".coco.json", func(w io.Writer, _ string, s trackfile.Swing) error { return trackfile.WriteCOCO(w, s) }},
}

func newExport(s streams) *cobra.Command {
	var out, form string
	cmd := &cobra.Command{
		Use:   "export RESULT… -o OUT",
		Short: "Write keypoints for other programs: TRC, CSV or COCO JSON",
		Long: `export takes results of run (folders of clips, or their report.json) and writes
the keypoints of each swing to OUT, one file a swing: csv (smoothed, px, with
uncertainty, bat and ball), trc (3D landmarks in metres) or coco (17 points as
the landmark model gave them). No picture is exported.`,
		Example: `  cagebook export results/clips/ada-03.mov -o keypoints
  cagebook export results/clips/ada-03.mov --as trc -o keypoints`,
		Args: argument("a RESULT of run", 1, -1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if out == "" {
				return usageError("cagebook export "+args[0]+" -o keypoints", "export: -o OUT is missing")
			}
			f, ok := exportForms[form]
			if !ok {
				return usageError("for example --as csv", "export: --as %s; want csv, trc or coco", form)
			}
			store := pipeline.NewStore(out)
			for _, a := range args {
				if err := mustExist(a, "result of a clip"); err != nil {
					return err
				}
				r, dir, err := pipeline.LoadClip(a)
				if err != nil {
					return usageError("name a folder below OUT/clips of a run", "export: %w", err)
				}
				n := 0
				for _, sw := range r.Swings {
					if sw.Track == nil {
						continue
					}
					name := fmt.Sprintf("%s-swing-%d%s", filepath.Base(dir), sw.Number, f.ext)
					var b bytes.Buffer
					err := f.write(&b, name, trackfile.Swing{Number: sw.Number, Track: sw.Track, To: sw.Track.Len()})
					if errors.Is(err, trackfile.ErrNothing) {
						fmt.Fprintf(s.err, "warning: %s, swing %d: %v\n", report.Shown(a), sw.Number, err)
						continue
					}
					if err != nil {
						return err
					}
					if err := store.Put(name, b.Bytes()); err != nil {
						return err
					}
					fmt.Fprintln(s.out, filepath.Join(out, name))
					n++
				}
				if n == 0 {
					fmt.Fprintf(s.err, "warning: %s: no swing to export\n", report.Shown(a))
				}
			}
			return nil
		},
	}
	cmd.Flags().StringVarP(&out, "out", "o", "", "folder for the files; made where missing")
	cmd.Flags().StringVar(&form, "as", "csv", "csv, trc or coco")
	return cmd
}
