package pipeline

import (
	"errors"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"

	"cagebook/configs"
	"cagebook/report"
)

// outputMark lies in every output folder, so that later runs over a folder
// above it do not take replays for clips. It is also what a run locks.
const outputMark = ".cagebook-output"

// IsOutput says whether a folder is one that a run writes or wrote to.
func IsOutput(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, outputMark))
	return err == nil
}

// videoExts are the endings that mark a file as a clip; anything else beside
// the clips (pictures, settings, notes) is passed over.
var videoExts = map[string]bool{
	".mp4": true, ".m4v": true, ".mov": true, ".qt": true, ".avi": true, ".mkv": true, ".webm": true,
	".mts": true, ".m2ts": true, ".ts": true, ".mpg": true, ".mpeg": true, ".mpe": true, ".m2v": true, ".vob": true, ".mod": true, ".tod": true,
	".3gp": true, ".3gpp": true, ".3g2": true, ".wmv": true, ".asf": true, ".flv": true, ".f4v": true, ".ogv": true, ".mxf": true,
	".dv": true, ".divx": true, ".insv": true, ".lrv": true, ".264": true, ".h264": true, ".265": true, ".h265": true, ".hevc": true, ".mjpeg": true, ".mjpg": true,
}

// found is a clip, or something in its place that is known to give none.
type found struct {
	Rel      string // below the input folder, slashes
	Path     string
	Bytes    int64
	Outcome  *Outcome // set: the end of it, without looking inside
	NoFolder bool     // it has no folder of results: a folder that could not be read, or a clip whose folder is another clip's
}

// listing is what lies below an input folder, in the order of its names.
type listing struct {
	Clips    []found
	Settings []string // files of settings, used or not
	Warnings []string
}

// findClips lists every clip below root at any depth. It follows links, each
// folder once, passes over hidden files and output folders (skip is the one of
// this run), and gives a row to everything that looks like a clip by its name.
func findClips(root, skip string) (listing, error) {
	w := walker{skip: skip, seen: map[fileID]bool{}, settings: map[string]bool{}, used: map[string]bool{}}
	info, err := os.Stat(root)
	if err != nil {
		return listing{}, err
	}
	if !info.IsDir() {
		w.clip(root, filepath.Base(root))
		w.markUsed(root)
	} else if err := w.folder(root, "", info); err != nil {
		return listing{}, err
	}
	w.warnAboutSettings()
	return w.listing, nil
}

type fileID struct{ dev, ino uint64 }

// idOf tells one file or folder from another in its place. A folder is also
// listed, because a disk that is gone may still answer for its own name.
func idOf(path string) (fileID, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return fileID{}, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return fileID{}, err
	}
	if info.IsDir() {
		if _, err := f.Readdirnames(1); err != nil && err != io.EOF {
			return fileID{}, err
		}
	}
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		return fileID{uint64(st.Dev), st.Ino}, nil //nolint:unconvert // Dev is 32 bits on some systems
	}
	return fileID{}, nil
}

type walker struct {
	listing
	skip     string
	seen     map[fileID]bool
	settings map[string]bool // *.yaml and *.yml files seen, by path: whether it is a session.yaml
	used     map[string]bool // settings that belong to a clip or a folder
}

// folder walks one folder. The error is that of the root alone; a folder below it that cannot be read becomes a row.
func (w *walker) folder(dir, rel string, info fs.FileInfo) error {
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		id := fileID{uint64(st.Dev), st.Ino} //nolint:unconvert // Dev is 32 bits on some systems
		if w.seen[id] {
			return nil
		}
		w.seen[id] = true
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		if rel == "" {
			return err
		}
		w.Clips = append(w.Clips, found{Rel: rel, Path: dir, NoFolder: true, Outcome: &Outcome{
			State: report.Failed, Reason: "This folder cannot be read (" + cause(err).Error() + "), so its clips were not looked at: give yourself the right to read it and run again.",
		}})
		return nil
	}
	if rel != "" && slices.ContainsFunc(entries, func(e fs.DirEntry) bool { return e.Name() == outputMark }) {
		return nil
	}
	for _, e := range entries {
		w.entry(filepath.Join(dir, e.Name()), join(rel, e.Name()))
	}
	return nil
}

func (w *walker) entry(path, rel string) {
	name := filepath.Base(path)
	if strings.HasPrefix(name, ".") || path == w.skip {
		return
	}
	ext := strings.ToLower(filepath.Ext(name))
	info, err := os.Stat(path)
	switch {
	case err == nil && info.IsDir():
		_ = w.folder(path, rel, info) // only the root's error is returned
	case videoExts[ext]:
		w.clip(path, rel)
		w.markUsed(path)
	case ext == ".yaml" || ext == ".yml":
		w.settings[path] = name == configs.SessionFile
	}
}

func (w *walker) markUsed(clip string) {
	for _, f := range configs.ClipFiles(clip) {
		w.used[f] = true
	}
}

func (w *walker) clip(path, rel string) {
	f := found{Rel: rel, Path: path}
	end := func(state, reason string) { f.Outcome = &Outcome{State: state, Reason: reason} }
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		end(report.NotVideo, "This is a link that leads nowhere: copy the clip itself here.")
	case err != nil:
		end(report.Failed, sentence("the file cannot be read ("+cause(err).Error()+"): copy it again and run again"))
	case !info.Mode().IsRegular():
		end(report.NotVideo, "This is not a file but "+kindOf(info.Mode())+".")
	case info.Size() == 0:
		end(report.NotVideo, "The file is empty (0 bytes): copy it again from the phone.")
	default:
		f.Bytes = info.Size()
	}
	w.Clips = append(w.Clips, f)
}

// warnAboutSettings names settings files that no clip uses: mostly a slip in the name.
func (w *walker) warnAboutSettings() {
	w.Settings = slices.Sorted(maps.Keys(w.settings))
	for _, path := range w.Settings {
		if w.settings[path] || w.used[path] {
			continue
		}
		hint := "name it like the clip, e.g. ada-03.mov.yaml or ada-03.yaml for ada-03.mov, or session.yaml for a folder"
		if strings.HasSuffix(path, ".yml") {
			hint = "settings files end in .yaml"
		}
		w.Warnings = append(w.Warnings, path+": belongs to no clip and is not used ("+hint+")")
	}
}

func kindOf(m fs.FileMode) string {
	switch {
	case m&fs.ModeNamedPipe != 0:
		return "a named pipe"
	case m&fs.ModeSocket != 0:
		return "a socket"
	case m&fs.ModeDevice != 0:
		return "a device"
	}
	return "something else"
}

func join(rel, name string) string {
	if rel == "" {
		return name
	}
	return rel + "/" + name
}
