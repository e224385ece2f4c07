package pipeline

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"sync"

	"cagebook/pose"
)

// smallBodyPx is the hitter's height in the reduced pictures in which bat and
// ball are looked for: a barrel is then 7 px wide and a ball 8 px, and 1 % of
// body height 2 px.
const smallBodyPx = 200

// reach of the reduced pictures beyond the part that the joints need, body
// lengths: the bat's arc above the head and behind the back, the ball's way to
// the sides.
const (
	smallSide = 0.75
	smallUp   = 0.30
	smallDown = 0.05
)

// widened is the part of a frame in which bat and ball are looked for.
func widened(part pose.Box, bodyPx float64, w, h int) pose.Box {
	return pose.Box{
		X0: math.Max(0, math.Floor(part.X0-smallSide*bodyPx)), Y0: math.Max(0, math.Floor(part.Y0-smallUp*bodyPx)),
		X1: math.Min(float64(w), math.Ceil(part.X1+smallSide*bodyPx)), Y1: math.Min(float64(h), math.Ceil(part.Y1+smallDown*bodyPx)),
	}
}

// smallPictures are reduced pictures of one part of a clip's frames, raw, in one
// temporary file, all of one size. Put may be called by several goroutines.
type smallPictures struct {
	x0, y0 float64 // of the part in the frame, px
	zoom   float64 // px of the frame a px of the picture; 0 = none wanted
	w, h   int

	mu   sync.Mutex
	file *os.File
	at   map[int]int64 // position among the window's frames → offset
	end  int64
}

// newSmallPictures plans the pictures of a part in which the body is bodyPx long.
func newSmallPictures(part pose.Box, bodyPx float64, dir string) (*smallPictures, error) {
	s := &smallPictures{x0: part.X0, y0: part.Y0, zoom: math.Max(1, bodyPx/smallBodyPx), at: map[int]int64{}}
	s.w, s.h = int((part.X1-part.X0)/s.zoom), int((part.Y1-part.Y0)/s.zoom)
	if s.w < 16 || s.h < 16 || !(bodyPx > 0) {
		return nil, nil
	}
	f, err := os.CreateTemp(dir, "cagebook-small-*")
	if err != nil {
		return nil, fmt.Errorf("reduced pictures: %w", err)
	}
	s.file = f
	return s, nil
}

// put reduces a picture of the part and stores it as that of frame pos.
func (s *smallPictures) put(pos int, im pose.Image, scratch *[]byte) error {
	n := 3 * s.w * s.h
	if len(*scratch) < n {
		*scratch = make([]byte, n)
	}
	small := pose.Image{W: s.w, H: s.h, Stride: 3 * s.w, Pix: (*scratch)[:n]}
	pose.Resize(small, im)
	s.mu.Lock()
	off := s.end
	s.end += int64(n)
	s.at[pos] = off
	s.mu.Unlock()
	if _, err := s.file.WriteAt(small.Pix, off); err != nil {
		return fmt.Errorf("reduced pictures: %w", err)
	}
	return nil
}

// image reads the picture of frame pos; ok is false if there is none.
func (s *smallPictures) image(pos int) (im pose.Image, ok bool, err error) {
	s.mu.Lock()
	off, ok := s.at[pos]
	s.mu.Unlock()
	if !ok {
		return im, false, nil
	}
	im = pose.Image{W: s.w, H: s.h, Stride: 3 * s.w, Pix: make([]byte, 3*s.w*s.h)}
	if _, err := s.file.ReadAt(im.Pix, off); err != nil && !errors.Is(err, io.EOF) {
		return im, false, fmt.Errorf("reduced pictures: %w", err)
	}
	return im, true, nil
}

// Close removes the pictures.
func (s *smallPictures) Close() error {
	if s == nil || s.file == nil {
		return nil
	}
	name := s.file.Name()
	err := errors.Join(s.file.Close(), os.Remove(name))
	s.file = nil
	return err
}
