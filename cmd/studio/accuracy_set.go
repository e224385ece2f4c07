package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"

	"cagebook/pipeline/studio"
)

// benchSet is how many clips a set has, with and without a swing.
type benchSet struct{ swings, others int }

var benchSets = map[string]benchSet{
	"quick":    {8, 4},
	"middle":   {40, 16},
	"standard": {200, 60},
}

// renderAndRun renders what is missing of a set and runs the program on it; both go on where they stopped.
func renderAndRun(ctx context.Context, name string, n benchSet, dir, tool string) error {
	var scenes []*studio.Scene
	for i := range n.swings {
		scenes = append(scenes, studio.BenchScene(uint64(i), false))
	}
	for i := range n.others {
		scenes = append(scenes, studio.BenchScene(uint64(i), true))
	}
	clips := filepath.Join(dir, name, "clips")
	if err := dropStale(scenes, clips, clips+"-truth"); err != nil {
		return err
	}
	if err := renderAll(ctx, scenes, clips, ""); err != nil {
		return err
	}
	run := exec.CommandContext(ctx, tool, "run", clips, "-o", filepath.Join(dir, name, "out"))
	run.Stdout, run.Stderr = os.Stdout, os.Stderr
	var exit *exec.ExitError
	if err := run.Run(); err != nil && !(errors.As(err, &exit) && exit.ExitCode() == 3) { // 3: some clips failed, which the table shows
		return fmt.Errorf("%s run: %w", tool, err)
	}
	return nil
}

// dropStale removes clips whose scene is no longer the one that they were rendered from, as their truth tells:
// a clip that is held against another clip's truth says nothing.
func dropStale(scenes []*studio.Scene, clips, truth string) error {
	for _, sc := range scenes {
		facts := filepath.Join(truth, sc.Folder, sc.Name+"."+sc.Ext+".json")
		old, err := os.ReadFile(facts)
		if errors.Is(err, os.ErrNotExist) {
			continue
		} else if err != nil {
			return err
		}
		var was struct {
			Scene string `json:"scene"`
		}
		if json.Unmarshal(old, &was) == nil && was.Scene == sc.Fingerprint() {
			continue
		}
		if err := os.Remove(facts); err != nil {
			return err
		}
		fmt.Printf("%s: its scene is another one now; it is rendered anew\n", filepath.Join(clips, sc.Folder, sc.Name+"."+sc.Ext))
	}
	return nil
}
