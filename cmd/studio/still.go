package main

import (
	"fmt"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"sync"

	"github.com/spf13/cobra"

	"cagebook/pipeline/studio"
)

// rows runs row for 0..n-1 on a few goroutines.
func rows(workers int) func(n int, row func(y int)) {
	return func(n int, row func(y int)) {
		var wg sync.WaitGroup
		for w := range workers {
			wg.Go(func() {
				for y := w; y < n; y += workers {
					row(y)
				}
			})
		}
		wg.Wait()
	}
}

func stillCmd() *cobra.Command {
	var src source
	var out string
	var times []float64
	c := &cobra.Command{
		Use:   "still [SCENE.yaml…] --at T,… -o DIR",
		Short: "render single pictures (NAME-T.png)",
		RunE: func(_ *cobra.Command, args []string) error {
			scenes, err := src.scenes(args)
			if err != nil {
				return err
			}
			for _, sc := range scenes {
				f, err := studio.NewFilm(sc, rows(2))
				if err != nil {
					return err
				}
				b := f.NewBrush()
				for _, t := range times {
					i := 0
					for i+1 < f.Len() && f.Time(i) < t {
						i++
					}
					f.Frame(i, b)
					if err := writePNG(filepath.Join(out, fmt.Sprintf("%s-%.2f.png", sc.Name, t)), f, b); err != nil {
						return err
					}
				}
			}
			return nil
		},
	}
	src.flags(c)
	c.Flags().StringVarP(&out, "out", "o", "studio-out", "output folder")
	c.Flags().Float64SliceVar(&times, "at", []float64{0}, "times of the clip, s")
	return c
}

func writePNG(path string, f *studio.Film, b *studio.Brush) error {
	w, h := f.Size()
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for i := range w * h {
		copy(img.Pix[4*i:], b.Pix[3*i:3*i+3])
		img.Pix[4*i+3] = 255
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	out, err := os.Create(path)
	if err != nil {
		return err
	}
	if err := png.Encode(out, img); err != nil {
		return err
	}
	return out.Close()
}
