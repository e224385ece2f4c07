package main

import (
	"encoding/json"
	"fmt"
	"image/png"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"cagebook/pipeline/studio"
)

// source are the flags that say which scenes are meant.
type source struct {
	random   int
	seed     uint64
	azimuths []float64
	fps      []float64
	acts     []string
	faults   bool
}

func (s *source) flags(c *cobra.Command) {
	f := c.Flags()
	f.IntVar(&s.random, "random", 0, "draw this many random scenes instead of reading files")
	f.Uint64Var(&s.seed, "seed", 1, "seed of the first random scene")
	f.Float64SliceVar(&s.azimuths, "azimuth", nil, "azimuths to draw from, degrees (default all four sides)")
	f.Float64SliceVar(&s.fps, "fps", nil, "frame rates to draw from (default 30,60,120,240)")
	f.StringSliceVar(&s.acts, "act", nil, "acts to draw from: swing, dry, take, check, bunt, practice, waggle (default swing)")
	f.BoolVar(&s.faults, "faults", false, "plant a fault in two of three swings")
}

func (s *source) scenes(files []string) ([]*studio.Scene, error) {
	var out []*studio.Scene
	for _, f := range files {
		sc, err := readScene(f)
		if err != nil {
			return nil, err
		}
		out = append(out, sc)
	}
	for i := range s.random {
		out = append(out, studio.RandomScene(s.seed+uint64(i), studio.Variety{Azimuths: s.azimuths, FPS: s.fps, Acts: s.acts, Faults: s.faults}))
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("nothing to do: name scene files or use --random N")
	}
	return out, nil
}

func readScene(path string) (*studio.Scene, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read scene: %w", err)
	}
	sc, err := studio.ParseScene(data)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return sc, nil
}

// writeJSON writes through a temporary file, so that a file that is there is whole.
func writeJSON(path string, v any) error {
	data, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return writeFile(path, data)
}

func writeFile(path string, data []byte) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	tmp := path + ".part"
	if err := os.WriteFile(tmp, data, 0o644); err != nil {
		return err
	}
	return os.Rename(tmp, path)
}

func trackCmd() *cobra.Command {
	var src source
	var out string
	var noise float64
	var only13 bool
	c := &cobra.Command{
		Use:   "track [SCENE.yaml…] -o DIR",
		Short: "write keypoints (tracks/NAME.json) and their truth (truth/NAME.json) without rendering",
		RunE: func(_ *cobra.Command, args []string) error {
			scenes, err := src.scenes(args)
			if err != nil {
				return err
			}
			for _, sc := range scenes {
				tr, err := sc.Truth()
				if err != nil {
					return err
				}
				if err := writeJSON(filepath.Join(out, "truth", sc.Name+".json"), tr); err != nil {
					return err
				}
				if err := writeJSON(filepath.Join(out, "tracks", sc.Name+".json"), sc.Track(tr, noise, only13)); err != nil {
					return err
				}
			}
			fmt.Printf("%d tracks in %s\n", len(scenes), out)
			return nil
		},
	}
	src.flags(c)
	c.Flags().StringVarP(&out, "out", "o", "studio-out", "output folder")
	c.Flags().Float64Var(&noise, "noise", 0, "standard deviation of keypoint noise, fraction of stature (e.g. 0.01), correlated over 60 ms")
	c.Flags().BoolVar(&only13, "13", false, "13 joints only, the head as nose")
	return c
}

func sheetCmd() *cobra.Command {
	var src source
	var out string
	c := &cobra.Command{
		Use:   "sheet [SCENE.yaml…] -o DIR",
		Short: "draw stick figures of each scene's acts, open side and catcher's side (NAME.png)",
		RunE: func(_ *cobra.Command, args []string) error {
			scenes, err := src.scenes(args)
			if err != nil {
				return err
			}
			for _, sc := range scenes {
				img, err := sc.ActSheet(280)
				if err != nil {
					return err
				}
				if err := os.MkdirAll(out, 0o755); err != nil {
					return err
				}
				f, err := os.Create(filepath.Join(out, sc.Name+".png"))
				if err != nil {
					return err
				}
				if err := png.Encode(f, img); err != nil {
					return err
				}
				if err := f.Close(); err != nil {
					return err
				}
			}
			return nil
		},
	}
	src.flags(c)
	c.Flags().StringVarP(&out, "out", "o", "studio-out", "output folder")
	return c
}
