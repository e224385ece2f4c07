package pipeline

import (
	"path/filepath"
	"slices"
	"strings"

	"cagebook/configs"
)

// Checked is what CheckSettings saw.
type Checked struct {
	Clips    int
	Files    int      // settings files
	Problems []string // one a line; files below the folder
	Warnings []string
}

// CheckSettings reads all settings beside the clips below root, without
// looking at a clip.
func CheckSettings(root string) (Checked, error) {
	abs, err := filepath.Abs(root)
	if err != nil {
		return Checked{}, err
	}
	list, err := findClips(abs, "")
	if err != nil {
		return Checked{}, err
	}
	c := Checked{Files: len(list.Settings)}
	short := strings.NewReplacer(rootOf(abs, abs)+string(filepath.Separator), "")
	var all []string
	add := func(err error) {
		if err != nil {
			all = append(all, strings.Split(short.Replace(err.Error()), "\n")...)
		}
	}
	for _, f := range list.Clips {
		if !f.NoFolder {
			c.Clips++
			_, err := configs.ForClip(rootOf(abs, f.Path), f.Path)
			add(err)
		}
	}
	for _, f := range list.Settings { // those that no clip uses are read as well
		add(configs.CheckFile(f))
	}
	for _, line := range all { // a folder's settings are met once for each clip
		if !slices.Contains(c.Problems, line) {
			c.Problems = append(c.Problems, line)
		}
	}
	for _, w := range list.Warnings {
		c.Warnings = append(c.Warnings, short.Replace(w))
	}
	return c, nil
}
