package pipeline

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"cagebook/report"
)

// ErrUnknown says that there is nothing of that name to forget.
var ErrUnknown = errors.New("nothing of that name")

// Forget removes everything that was made from a hitter's clips, or from one
// clip (its path below the folder of clips), and renews the pages that named
// them. The videos themselves are not touched. It returns the names of what it
// removed, below the output folder.
func Forget(out, what string) (removed []string, err error) {
	if _, err := os.Stat(filepath.Join(out, outputMark)); err != nil {
		return nil, fmt.Errorf("%w: %s is no folder of results", ErrUnknown, out)
	}
	lock, err := lockOutput(out)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, lock.unlock()) }()
	store := NewStore(out)
	rows, err := storedRows(out)
	if err != nil {
		return nil, err
	}
	var gone, stay []report.BatchRow
	for _, r := range rows {
		rel := strings.TrimPrefix(r.Folder, ClipsDir+"/")
		if r.Report.Hitter.ID == what || r.Report.Clip.Path == what || rel == what {
			gone = append(gone, r)
		} else {
			stay = append(stay, r)
		}
	}
	if what == "" || len(gone) == 0 {
		return nil, fmt.Errorf("%w: no hitter and no clip is called %q in %s", ErrUnknown, what, out)
	}
	if err := lock.forgetHashes(); err != nil {
		return nil, err
	}
	f := forgetter{out: out, store: store}
	for _, r := range gone {
		f.clip(r.Folder)
		if !slices.ContainsFunc(stay, func(o report.BatchRow) bool { return o.Report.Clip.SHA256 == r.Report.Clip.SHA256 }) {
			f.file(KeptDir + "/" + r.Report.Clip.SHA256)
		}
	}
	for _, r := range stay { // pictures of the forgotten in comparisons of others
		for _, s := range r.Report.Swings {
			f.comparison(r.Folder+"/"+report.BesideFolder(s.Number), gone)
		}
	}
	named := map[string]bool{}
	for _, r := range stay {
		if len(r.Report.Swings) > 0 {
			named[r.Report.Hitter.ID] = true
		}
	}
	for _, r := range gone {
		if folder, ok := report.HitterFolder(r.Report.Hitter.ID); ok && !named[r.Report.Hitter.ID] {
			f.tree(folder)
		}
	}
	f.file("scout.html") // made again where hitters are left
	if f.err != nil {
		return f.removed, f.err
	}
	return f.removed, report.WriteBatch(store.Put, stay)
}

// storedRows reads all reports below the output folder.
func storedRows(out string) (rows []report.BatchRow, err error) {
	root, said := filepath.Join(out, ClipsDir), map[string]string{}
	err = filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) && p == root {
			return nil
		}
		if err != nil {
			return err
		}
		if d.IsDir() || d.Name() != ReportFile {
			return nil
		}
		data, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		r, err := report.Parse(p, data)
		if err != nil {
			return nil //nolint:nilerr // not one of ours
		}
		rel, err := filepath.Rel(out, filepath.Dir(p))
		rows = append(rows, report.BatchRow{Folder: filepath.ToSlash(rel), Report: r.Brief(said)})
		return err
	})
	return rows, err
}

// forgetter removes files and notes their names; the first error stays.
type forgetter struct {
	out     string
	store   *Store
	removed []string
	err     error
}

func (f *forgetter) path(name string) string { return filepath.Join(f.out, filepath.FromSlash(name)) }

func (f *forgetter) note(err error) {
	if err != nil && !errors.Is(err, fs.ErrNotExist) && f.err == nil {
		f.err = err
	}
}

func (f *forgetter) file(name string) {
	err := os.Remove(f.path(name))
	if err == nil && name != "scout.html" {
		f.removed = append(f.removed, name)
	}
	f.note(err)
}

// tree removes a folder of ours with everything in it.
func (f *forgetter) tree(name string) {
	f.list(name, func(string) bool { return true })
	f.note(os.RemoveAll(f.path(name)))
}

// list notes the files below a folder.
func (f *forgetter) list(name string, ours func(top string) bool) {
	f.note(filepath.WalkDir(f.path(name), func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(f.path(name), p)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		if top, _, _ := strings.Cut(rel, "/"); ours(top) {
			f.removed = append(f.removed, path.Join(name, rel))
		}
		return nil
	}))
}

// clip removes a clip's results, and its folder and those above it where they are then empty.
func (f *forgetter) clip(folder string) {
	f.list(folder, ours.MatchString)
	f.note(f.store.ClearClip(strings.TrimPrefix(folder, ClipsDir+"/")))
	for dir := folder; dir != ClipsDir && dir != "."; dir = path.Dir(dir) {
		if os.Remove(f.path(dir)) != nil { // not empty: somebody else's files lie there
			return
		}
	}
}

// comparison removes a comparison that shows one of the forgotten.
func (f *forgetter) comparison(folder string, gone []report.BatchRow) {
	data, err := f.store.Read(folder + "/compare.json")
	if err != nil {
		return
	}
	for _, g := range gone {
		if key := g.Report.Tool.Key; key != "" && strings.Contains(string(data), key) {
			f.tree(folder)
			page, err := report.NoComparison("The swing that stood beside this one was forgotten on request.")
			f.note(err)
			f.note(f.store.Put(folder+"/compare.html", page))
			return
		}
	}
}
