package configs

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// SessionFile is the name of the settings that hold for a folder and all below it.
const SessionFile = "session.yaml"

// ClipFiles are the two names that a clip's own settings may have: with the
// clip's extension and without. session.yaml is always the folder's.
func ClipFiles(clip string) []string {
	names := []string{clip + ".yaml"}
	short := strings.TrimSuffix(clip, filepath.Ext(clip)) + ".yaml"
	if base := filepath.Base(short); base != SessionFile && base != ".yaml" && short != names[0] {
		names = append(names, short)
	}
	return names
}

// ForClip merges what people said of a clip: session.yaml of root, then of each
// folder down to the clip's, then the clip's own file. The nearer file wins key
// by key. The clip's two own files may share the keys between them but not
// contradict each other. The error, if any, is of type Problems.
func ForClip(root, clip string) (Sidecar, error) {
	var merged Sidecar
	var problems Problems
	for _, dir := range foldersDown(root, filepath.Dir(clip)) {
		file := filepath.Join(dir, SessionFile)
		s, ps := readFile(file)
		problems = append(problems, ps...)
		if s.Marks != nil {
			problems = append(problems, Problem{
				File: file, Key: "marks", Got: "times that would hold for every clip of the folder",
				Want: "marks in the clip's own file", Hint: "move them to <clip>.yaml",
			})
		}
		merge(&merged, &s)
	}
	var own Sidecar
	var first string
	for _, file := range ClipFiles(clip) {
		if _, err := os.Lstat(file); missing(err) {
			continue
		}
		s, ps := readFile(file)
		problems = append(problems, ps...)
		if first != "" {
			for _, f := range fields {
				if !f.same(&own, &s) {
					problems = append(problems, Problem{
						File: file, Key: f.key, Got: "differs from " + first,
						Want: "one value", Hint: "keep one of the two files",
					})
				}
			}
		}
		first = file
		merge(&own, &s)
	}
	merge(&merged, &own)
	if len(problems) > 0 {
		return Sidecar{}, problems
	}
	return merged, nil
}

// CheckFile reads one settings file and reports its problems.
func CheckFile(file string) error {
	_, ps := readFile(file)
	if len(ps) > 0 {
		return ps
	}
	return nil
}

func merge(to, from *Sidecar) {
	for _, f := range fields {
		f.copy(to, from)
	}
}

// foldersDown lists root and each folder below it on the way to dir.
func foldersDown(root, dir string) []string {
	dirs := []string{root}
	rel, err := filepath.Rel(root, dir)
	if err != nil || rel == "." || rel == ".." || strings.HasPrefix(rel, ".."+string(filepath.Separator)) {
		return dirs
	}
	at := root
	for _, part := range strings.Split(rel, string(filepath.Separator)) {
		at = filepath.Join(at, part)
		dirs = append(dirs, at)
	}
	return dirs
}

// missing says whether an error stands for a file that is not there, or cannot be,
// because the clip's own name is as long as a name may be.
func missing(err error) bool {
	return errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENAMETOOLONG)
}

// readFile parses a settings file; one that is not there states nothing.
func readFile(file string) (Sidecar, Problems) {
	// Not blocking: opening a named pipe would otherwise wait for a writer.
	f, err := os.OpenFile(file, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if missing(err) {
		if _, lerr := os.Lstat(file); lerr != nil {
			return Sidecar{}, nil
		}
		err = errors.New("a link that leads nowhere")
	}
	if err != nil {
		return Sidecar{}, Problems{{File: file, Got: "cannot be read: " + reason(err), Want: "a readable file"}}
	}
	defer f.Close()
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() {
		return Sidecar{}, Problems{{File: file, Got: fmt.Sprintf("not a file (%s)", info.Mode().Type()), Want: "a text file"}}
	}
	var data []byte
	if err == nil {
		data, err = io.ReadAll(io.LimitReader(f, maxSidecarBytes+1))
	}
	if err != nil {
		return Sidecar{}, Problems{{File: file, Got: "cannot be read: " + reason(err), Want: "a readable file"}}
	}
	s, ps := ParseSidecar(file, data)
	if s.Reference != "" && !filepath.IsAbs(s.Reference) {
		s.Reference = filepath.Join(filepath.Dir(file), s.Reference)
	}
	return s, ps
}

// reason is the bare cause of a file error, without the path that the message names already.
func reason(err error) string {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err.Error()
	}
	return err.Error()
}
