package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"

	"cagebook/pipeline/studio"
)

// benchSet is how many clips a set has, with and without a swing, and the number of its first scenes. The quick set is
// the beginning of the middle and the standard one. Constants may be set on those; never on the fresh set, which shows
// what such constants are worth on scenes that nobody looked at. The faults set is swings with one fault each that nobody
// would overlook, from where a camera sees it.
type benchSet struct{ first, swings, others, faults int }

var benchSets = map[string]benchSet{
	"quick":    {0, 8, 4, 0},
	"middle":   {0, 40, 16, 0},
	"standard": {0, 200, 60, 0},
	"fresh":    {2000, 60, 16, 0},
	"faults":   {0, 0, 0, 48},
}

// renderAndRun renders what is missing of a set and runs the program on it; both go on where they stopped.
func renderAndRun(ctx context.Context, name string, n benchSet, dir, tool string) error {
	var scenes []*studio.Scene
	for i := range n.swings {
		scenes = append(scenes, studio.BenchScene(uint64(n.first+i), false))
	}
	for i := range n.others {
		scenes = append(scenes, studio.BenchScene(uint64(n.first+i), true))
	}
	for i := range n.faults {
		scenes = append(scenes, studio.FaultScene(uint64(n.first+i)))
	}
	clips := filepath.Join(dir, name, "clips")
	if err := renew(scenes, clips, clips+"-truth"); err != nil {
		return err
	}
	if err := renderAll(ctx, scenes, clips, ""); err != nil {
		return err
	}
	out := filepath.Join(dir, name, "out")
	if err := dropOthers(filepath.Join(dir, name, "cagebook.sha256"), tool, out); err != nil {
		return err
	}
	run := exec.CommandContext(ctx, tool, "run", clips, "-o", out)
	run.Stdout, run.Stderr = os.Stdout, os.Stderr
	var exit *exec.ExitError
	if err := run.Run(); err != nil && !(errors.As(err, &exit) && exit.ExitCode() == 3) { // 3: some clips failed, which the table shows
		return fmt.Errorf("%s run: %w", tool, err)
	}
	return nil
}

// dropOthers removes the reports in out where note says that another program made them: two builds may call themselves
// by the same version, and the reports of one say nothing of the other.
func dropOthers(note, tool, out string) error {
	f, err := os.Open(tool)
	if err != nil {
		return fmt.Errorf("the program that is tried: %w (build it, or say where it is with --cagebook)", err)
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return fmt.Errorf("read %s: %w", tool, err)
	}
	now := hex.EncodeToString(h.Sum(nil)) + "\n"
	was, err := os.ReadFile(note)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if err == nil && string(was) != now {
		fmt.Printf("%s: made by another build of the program; looked at anew\n", out)
		if err := os.RemoveAll(out); err != nil {
			return err
		}
	}
	return writeFile(note, []byte(now))
}

// renew holds the truth files against their scenes. A clip whose scene is no longer the one that it was rendered from loses
// its truth, and so is rendered anew: held against another clip's truth it says nothing. Where an older build of the studio
// told what is true of the swings, that is told anew; what is true of the frames stays.
func renew(scenes []*studio.Scene, clips, truth string) error {
	for _, sc := range scenes {
		name := filepath.Join(sc.Folder, sc.Name+"."+sc.Ext)
		facts := filepath.Join(truth, name+".json")
		was, err := readTruth(facts)
		switch {
		case errors.Is(err, os.ErrNotExist):
			continue
		case err != nil || was.Scene != sc.Fingerprint():
			if err := os.Remove(facts); err != nil {
				return err
			}
			fmt.Printf("%s: its scene is another one now; it is rendered anew\n", filepath.Join(clips, name))
		case was.Told != studio.TruthVersion:
			now, err := sc.Truth()
			if err != nil {
				return err
			}
			now.Frames = was.Frames // how much of the bat can be seen took a while to find out
			if err := writeJSON(facts, now); err != nil {
				return err
			}
		}
	}
	return nil
}
