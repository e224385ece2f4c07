package queue

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"gocloud.dev/blob"
	_ "gocloud.dev/blob/fileblob" // file:///shared/folder
	_ "gocloud.dev/blob/memblob"  // mem:// for tests
	_ "gocloud.dev/blob/s3blob"   // s3://bucket?region=… and whatever speaks like it
	"gocloud.dev/gcerrors"
)

// Store holds clips, results and what was read of clips, each under a name made
// of its content: writing one twice changes nothing.
//
//	clips/ab/<sha256 of the clip>
//	results/cd/<id of the job>.tar    its files; report.json is the last one
//	kept/ab/<sha256 of the clip>      see pipeline.KeptDir
//	cagebook-store                    tells the store from an empty mount point
type Store struct {
	bucket *blob.Bucket
	dir    string // of a folder
}

const storeMark = "cagebook-store"

// errAway says that the store is not there now.
var errAway = errors.New("the store is away")

// ErrStore says that an address of a store cannot be used.
var ErrStore = errors.New("not usable as store")

// OpenStore opens the store at a URL or in a folder. create makes it where it is missing.
func OpenStore(ctx context.Context, address string, create bool) (*Store, error) {
	u, err := url.Parse(address)
	if err != nil || u.Scheme == "" {
		abs, err := filepath.Abs(address)
		if err != nil {
			return nil, err
		}
		u = &url.URL{Scheme: "file", Path: filepath.ToSlash(abs)}
	}
	s := &Store{}
	if u.Scheme == "file" {
		if u.Host != "" && u.Host != "localhost" {
			return nil, fmt.Errorf("%s: %w: a folder has three slashes, file:///shared/cagebook", address, ErrStore)
		}
		s.dir = filepath.FromSlash(u.Path)
		v := u.Query()
		v.Set("metadata", "skip")   // no second file beside each
		v.Set("no_tmp_dir", "true") // temporary files in the same file system, so that the rename is one step
		v.Set("create_dir", "true") // the bucket cannot be opened otherwise; storeMark says whether it is the store
		u.RawQuery = v.Encode()
		if _, err := os.Stat(s.dir); err != nil && !create {
			return nil, fmt.Errorf("%s: %w", s.dir, errAway)
		}
	}
	if s.bucket, err = blob.OpenBucket(ctx, u.String()); err != nil {
		return nil, fmt.Errorf("%s: %w: %w", address, ErrStore, err)
	}
	if create {
		err = s.write(ctx, storeMark, strings.NewReader("clips and results of cagebook\n"), true)
	}
	if err != nil {
		return nil, errors.Join(err, s.bucket.Close())
	}
	return s, nil
}

// WaitForStore opens a store that is there, and waits for one that is not.
func WaitForStore(ctx context.Context, q *Queue, address string) (s *Store, err error) {
	err = q.again(ctx, "the store", func() error {
		if s, err = OpenStore(ctx, address, false); err == nil {
			if err = s.here(ctx); err != nil {
				err = errors.Join(err, s.Close())
			}
		}
		if errors.Is(err, ErrStore) {
			return final{err}
		}
		return err
	})
	return s, err
}

// Close ends the use of the store.
func (s *Store) Close() error { return s.bucket.Close() }

func clipName(sha256 string) string { return "clips/" + sha256[:2] + "/" + sha256 }
func keptName(sha256 string) string { return "kept/" + sha256[:2] + "/" + sha256 }
func resultName(id string) string   { return "results/" + id[:2] + "/" + id + ".tar" }

func missing(err error) bool { return gcerrors.Code(err) == gcerrors.NotFound }

// here is an error unless the store is there: a folder that is not mounted looks empty.
func (s *Store) here(ctx context.Context) error {
	ok, err := s.bucket.Exists(ctx, storeMark)
	if err == nil && !ok {
		return errAway
	}
	return err
}

// has says whether the store holds an object; an error means that it could not be asked.
func (s *Store) has(ctx context.Context, name string) (bool, error) {
	ok, err := s.bucket.Exists(ctx, name)
	if err != nil || ok {
		return ok, err
	}
	return false, s.here(ctx)
}

// write stores an object under its final name at once, flushed to the disk where it is a folder. keep leaves an older one as it is.
func (s *Store) write(ctx context.Context, name string, r io.Reader, keep bool) error {
	if name != storeMark {
		if err := s.here(ctx); err != nil {
			return err
		}
	}
	var file *os.File
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	w, err := s.bucket.NewWriter(ctx, name, &blob.WriterOptions{
		IfNotExist: keep, ContentType: "application/octet-stream",
		BeforeWrite: func(as func(any) bool) error { _ = as(&file); return nil }, // stays nil where it is no folder
	})
	if err != nil {
		return err
	}
	_, err = io.Copy(w, r)
	if err == nil && file != nil {
		err = errors.Join(file.Chmod(0o644), file.Sync()) // workers may run under other accounts
	}
	if err != nil {
		cancel() // an object that is cut short does not appear
		return errors.Join(err, w.Close())
	}
	err = w.Close()
	if keep && gcerrors.Code(err) == gcerrors.FailedPrecondition {
		return nil
	}
	if err == nil && s.dir != "" {
		err = syncDir(filepath.Dir(filepath.Join(s.dir, filepath.FromSlash(name))))
	}
	return err
}

// stillWritten is how long a file that somebody writes may stand without growing.
const stillWritten = time.Hour

// tidy removes what writers that were killed left in a folder: files that have
// not grown for long, and those of objects that are complete. Of the latter a
// writer that is only slow finds the object there when it tries again.
func (s *Store) tidy(complete func(name string) bool) {
	if s.dir == "" {
		return
	}
	for _, kind := range []string{"clips", "results", "kept"} {
		shards, _ := os.ReadDir(filepath.Join(s.dir, kind)) // what cannot be read now is tidied another time
		for _, d := range shards {
			dir := filepath.Join(s.dir, kind, d.Name())
			files, _ := os.ReadDir(dir)
			for _, f := range files {
				name, ok := strings.CutSuffix(f.Name(), ".tmp")
				if !ok {
					continue
				}
				name = strings.TrimSuffix(name, filepath.Ext(name))
				info, err := f.Info()
				if err == nil && (complete(kind+"/"+d.Name()+"/"+name) || time.Since(info.ModTime()) >= stillWritten) {
					_ = os.Remove(filepath.Join(dir, f.Name()))
				}
			}
		}
	}
}

func syncDir(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// read returns a small object, nil if the store has none of that name.
func (s *Store) read(ctx context.Context, name string) ([]byte, error) {
	data, err := s.bucket.ReadAll(ctx, name)
	if missing(err) {
		return nil, s.here(ctx)
	}
	return data, err
}

// errAltered says that an object is not what its name says.
var errAltered = errors.New("the clip in the store is not the one that was submitted")

// fetch copies an object to a file and checks its content. ok is false where the store has none.
func (s *Store) fetch(ctx context.Context, name, sum, file string) (ok bool, err error) {
	r, err := s.bucket.NewReader(ctx, name, nil)
	if missing(err) {
		return false, s.here(ctx)
	}
	if err != nil {
		return false, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	f, err := os.OpenFile(file, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return false, err
	}
	h := sha256.New()
	// The reader's own way would take a megabyte for each clip.
	_, err = io.CopyBuffer(io.MultiWriter(f, h), struct{ io.Reader }{r}, make([]byte, 128<<10))
	if err = errors.Join(err, f.Close()); err != nil {
		return false, err
	}
	if sum != "" && hex.EncodeToString(h.Sum(nil)) != sum {
		return false, errAltered
	}
	return true, nil
}

func (s *Store) remove(ctx context.Context, name string) error {
	if err := s.bucket.Delete(ctx, name); err != nil && !missing(err) {
		return err
	}
	return nil
}

func (s *Store) writeBytes(ctx context.Context, name string, data []byte, keep bool) error {
	return s.write(ctx, name, bytes.NewReader(data), keep)
}
