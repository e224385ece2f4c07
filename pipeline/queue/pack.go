package queue

import (
	"archive/tar"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"cagebook/pipeline"
)

// pack puts the files below dir into one archive, report.json last. The same
// files give the same bytes: names are in order, times and owners left out.
func pack(dir string) ([]byte, error) {
	var names []string
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(dir, path)
		names = append(names, filepath.ToSlash(rel))
		return err
	})
	if err != nil {
		return nil, err
	}
	slices.Sort(names)
	last := slices.Index(names, pipeline.ReportFile)
	if last < 0 {
		return nil, fmt.Errorf("%s holds no %s", dir, pipeline.ReportFile)
	}
	names = append(slices.Delete(names, last, last+1), pipeline.ReportFile)
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	for _, name := range names {
		data, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(name)))
		if err != nil {
			return nil, err
		}
		h := &tar.Header{Name: name, Mode: 0o644, Size: int64(len(data)), ModTime: time.Unix(0, 0), Format: tar.FormatPAX}
		if err := w.WriteHeader(h); err != nil {
			return nil, err
		}
		if _, err := w.Write(data); err != nil {
			return nil, err
		}
	}
	return b.Bytes(), w.Close()
}

// errCut says that an archive is not whole.
var errCut = errors.New("the result in the store is cut short")

// unpack passes the files of an archive to put. Without report.json at its end it is not whole.
func unpack(data []byte, put func(name string, data []byte) error) error {
	r := tar.NewReader(bytes.NewReader(data))
	last := ""
	for {
		h, err := r.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return fmt.Errorf("%w: %w", errCut, err)
		}
		content, err := io.ReadAll(r)
		if err != nil {
			return fmt.Errorf("%w: %w", errCut, err)
		}
		last = h.Name
		if err := put(h.Name, content); err != nil { // put refuses names that lead out of the clip's folder
			return err
		}
	}
	if last != pipeline.ReportFile {
		return errCut
	}
	return nil
}
