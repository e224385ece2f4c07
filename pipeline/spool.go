package pipeline

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"os"
	"slices"
	"sync"
)

// Spool keeps pictures of the frames of a window, JPEG-coded, in one temporary
// file, so that stills and the replay need no second decoding and memory stays
// flat. It may be read by several goroutines once it is filled.
type Spool struct {
	mu   sync.Mutex
	file *os.File
	size int64
	at   map[int]piece
}

type piece struct {
	offset int64
	length int
}

// NewSpool makes an empty spool in a folder; "" = the system's own for temporary files.
func NewSpool(dir string) (*Spool, error) {
	f, err := os.CreateTemp(dir, "cagebook-frames-*")
	if err != nil {
		return nil, fmt.Errorf("spool of frames: %w", err)
	}
	return &Spool{file: f, at: map[int]piece{}}, nil
}

// Put stores a frame's picture; a frame that is there already is kept.
func (s *Spool) Put(frame int, jpg []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, ok := s.at[frame]; ok {
		return nil
	}
	if _, err := s.file.WriteAt(jpg, s.size); err != nil {
		return fmt.Errorf("spool of frames: %w", err)
	}
	s.at[frame] = piece{s.size, len(jpg)}
	s.size += int64(len(jpg))
	return nil
}

// Has says whether a frame's picture is there.
func (s *Spool) Has(frame int) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	_, ok := s.at[frame]
	return ok
}

// Frames are the numbers of the frames that are there, ascending.
func (s *Spool) Frames() []int {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := make([]int, 0, len(s.at))
	for f := range s.at {
		out = append(out, f)
	}
	slices.Sort(out)
	return out
}

// JPEG is a frame's picture as it was stored.
func (s *Spool) JPEG(frame int) ([]byte, error) {
	s.mu.Lock()
	p, ok := s.at[frame]
	s.mu.Unlock()
	if !ok {
		return nil, fmt.Errorf("spool of frames: no picture of frame %d", frame)
	}
	b := make([]byte, p.length)
	if _, err := s.file.ReadAt(b, p.offset); err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("spool of frames: frame %d: %w", frame, err)
	}
	return b, nil
}

// Image is a frame's picture, decoded.
func (s *Spool) Image(frame int) (image.Image, error) {
	b, err := s.JPEG(frame)
	if err != nil {
		return nil, err
	}
	im, err := jpeg.Decode(bytes.NewReader(b))
	if err != nil {
		return nil, fmt.Errorf("spool of frames: frame %d: %w", frame, err)
	}
	return im, nil
}

// Close removes the pictures; of no spool there are none.
func (s *Spool) Close() error {
	if s == nil {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.file == nil {
		return nil
	}
	name := s.file.Name()
	err := errors.Join(s.file.Close(), os.Remove(name))
	s.file = nil
	s.at = map[int]piece{}
	return err
}
