package pipeline

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"os"
	"slices"
	"sync"

	"cagebook/pipeline/video"
)

// Spool keeps pictures of the frames of a window, JPEG-coded, in one temporary
// file, so that stills and the replay need no second decoding and memory stays
// flat. Mostly it holds the part about the hitter; whole pictures are read from the clip
// anew where they are wanted and were not put. It may be read by several goroutines once it is filled.
type Spool struct {
	mu     sync.Mutex
	file   *os.File
	size   int64
	at     map[int]piece // as they were put
	wholes map[int]piece // whole pictures besides

	// again reads whole pictures of frames, ascending, from the clip; nil = nobody can.
	reading sync.Mutex // held meanwhile: nothing is read twice
	again   func(frames []int, put func(frame int, jpg []byte) error) error
}

// piece is a picture in the file.
type piece struct {
	offset int64
	length int
	part   image.Rectangle // of the frame; empty = all of it
}

// holds says whether a picture shows a part of the frame, which must lie in the frame; an empty one asks for all.
func (p piece) holds(part image.Rectangle) bool {
	return p.part.Empty() || !part.Empty() && part.In(p.part)
}

// NewSpool makes an empty spool in a folder; "" = the system's own for temporary files.
func NewSpool(dir string) (*Spool, error) {
	f, err := os.CreateTemp(dir, "cagebook-frames-*")
	if err != nil {
		return nil, fmt.Errorf("spool of frames: %w", err)
	}
	return &Spool{file: f, at: map[int]piece{}, wholes: map[int]piece{}}, nil
}

// Put stores the picture of a part of a frame, empty = of all of it; a frame that is there already is kept.
// The part's corners must be even: colours are halved in a JPEG.
func (s *Spool) Put(frame int, jpg []byte, part image.Rectangle) error {
	return s.put(s.at, frame, jpg, part)
}

// PutWhole stores the whole picture of a frame besides.
func (s *Spool) PutWhole(frame int, jpg []byte) error {
	return s.put(s.wholes, frame, jpg, image.Rectangle{})
}

func (s *Spool) put(to map[int]piece, frame int, jpg []byte, part image.Rectangle) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, ok := to[frame]; ok {
		return nil
	}
	if _, err := s.file.WriteAt(jpg, s.size); err != nil {
		return fmt.Errorf("spool of frames: %w", err)
	}
	to[frame] = piece{s.size, len(jpg), part}
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

// JPEG is a frame's picture as it was put.
func (s *Spool) JPEG(frame int) ([]byte, error) {
	s.mu.Lock()
	p, ok := s.at[frame]
	s.mu.Unlock()
	if !ok {
		return nil, errNotSpooled(frame)
	}
	return s.read(frame, p)
}

// JPEGs gives the pictures of frames that were all put, of one part that holds the wanted one, and where that part begins.
func (s *Spool) JPEGs(frames []int, want image.Rectangle) (_ func(frame int) ([]byte, error), at image.Point, err error) {
	s.mu.Lock()
	var first piece
	same := true
	for i, f := range frames {
		p, ok := s.at[f]
		if i == 0 {
			first = p
		}
		same = same && ok && p.part == first.part && p.holds(want)
	}
	s.mu.Unlock()
	if same {
		return s.JPEG, first.part.Min, nil
	}
	if err := s.need(frames, image.Rectangle{}); err != nil {
		return nil, at, err
	}
	return func(frame int) ([]byte, error) {
		p, err := s.find(frame, image.Rectangle{})
		if err != nil {
			return nil, err
		}
		return s.read(frame, p)
	}, at, nil
}

// Image is a picture that holds the wanted part of a frame, where it lies in the frame; an empty part asks for all.
func (s *Spool) Image(frame int, want image.Rectangle) (image.Image, error) {
	p, err := s.find(frame, want)
	if err != nil {
		return nil, err
	}
	b, err := s.read(frame, p)
	if err != nil {
		return nil, err
	}
	im, err := jpeg.Decode(bytes.NewReader(b))
	if err != nil {
		return nil, fmt.Errorf("spool of frames: frame %d: %w", frame, err)
	}
	switch im := im.(type) {
	case *image.YCbCr:
		im.Rect = im.Rect.Add(p.part.Min)
	case *image.Gray:
		im.Rect = im.Rect.Add(p.part.Min)
	}
	return im, nil
}

// find is the picture of a frame that was put and holds a part.
func (s *Spool) find(frame int, want image.Rectangle) (piece, error) {
	if err := s.need([]int{frame}, want); err != nil {
		return piece{}, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	p, ok := s.at[frame]
	if ok && !p.holds(want) {
		p, ok = s.wholes[frame]
	}
	if !ok {
		return p, errNotSpooled(frame)
	}
	return p, nil
}

// need reads from the clip the whole pictures of those frames that were put, and of which no picture holds the wanted part.
func (s *Spool) need(frames []int, want image.Rectangle) error {
	s.reading.Lock()
	defer s.reading.Unlock()
	s.mu.Lock()
	var missing []int
	for _, f := range frames {
		p, ok := s.at[f]
		if _, whole := s.wholes[f]; ok && !whole && !p.holds(want) {
			missing = append(missing, f)
		}
	}
	s.mu.Unlock()
	if len(missing) == 0 || s.again == nil {
		return nil
	}
	slices.Sort(missing)
	return s.again(slices.Compact(missing), s.PutWhole)
}

// wholeAgain reads whole pictures of a clip's frames in a pass of its own.
func wholeAgain(ctx context.Context, open OpenSource, quality int) func(frames []int, put func(frame int, jpg []byte) error) error {
	return func(frames []int, put func(frame int, jpg []byte) error) (err error) {
		src, err := open()
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, src.Close()) }()
		var f video.Frame
		next := 0
		for _, frame := range frames {
			if frame > next {
				if err := src.Skip(ctx, frame-next); err != nil {
					return endOf(err)
				}
			}
			if err := src.Next(ctx, &f); err != nil {
				return endOf(err)
			}
			next = f.Index + 1
			jpg, err := src.JPEG(quality, image.Rectangle{})
			if err != nil {
				return fmt.Errorf("frame %d (%.3f s): %w", f.Index, f.TimeS, err)
			}
			if err := put(f.Index, jpg); err != nil {
				return err
			}
		}
		return nil
	}
}

func (s *Spool) read(frame int, p piece) ([]byte, error) {
	b := make([]byte, p.length)
	if _, err := s.file.ReadAt(b, p.offset); err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("spool of frames: frame %d: %w", frame, err)
	}
	return b, nil
}

func errNotSpooled(frame int) error {
	return fmt.Errorf("spool of frames: no picture of frame %d", frame)
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
	s.at, s.wholes = map[int]piece{}, map[int]piece{}
	return err
}
