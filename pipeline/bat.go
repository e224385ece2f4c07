package pipeline

import (
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"math"
	"os"
	"runtime"
	"sort"
	"sync"

	"cagebook/phases"
	"cagebook/pipeline/video"
	"cagebook/pose"
	"cagebook/pose/bat"
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
	part pose.Box // of the frame, px
	zoom float64  // px of the frame a px of the picture; 0 = none wanted
	w, h int

	mu   sync.Mutex
	file *os.File
	at   map[int]int64 // position among the window's frames → offset
	end  int64

	spool  *Spool // whence pictures come that were not put; nil = there are none
	frames []int  // numbers of the window's frames
}

// newSmallPictures plans the pictures of a part in which the body is bodyPx long.
func newSmallPictures(part pose.Box, bodyPx float64, dir string) (*smallPictures, error) {
	s := &smallPictures{part: part, zoom: math.Max(1, bodyPx/smallBodyPx), at: map[int]int64{}}
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
		return s.fromSpool(pos)
	}
	im = pose.NewImage(s.w, s.h)
	if _, err := s.file.ReadAt(im.Pix, off); err != nil && !errors.Is(err, io.EOF) {
		return im, false, fmt.Errorf("reduced pictures: %w", err)
	}
	return im, true, nil
}

// prepare has the spool read at once what the pictures of the frames from..to need of it.
func (s *smallPictures) prepare(from, to int) error {
	if s.spool == nil {
		return nil
	}
	var frames []int
	for pos := from; pos < min(to, len(s.frames)); pos++ {
		if _, ok := s.at[pos]; !ok {
			frames = append(frames, s.frames[pos])
		}
	}
	return s.spool.need(frames, s.rect())
}

// rect is the part of the frame.
func (s *smallPictures) rect() image.Rectangle {
	return image.Rect(int(s.part.X0), int(s.part.Y0), int(s.part.X1), int(s.part.Y1))
}

// fromSpool reduces the picture of frame pos as the spool holds it.
func (s *smallPictures) fromSpool(pos int) (im pose.Image, ok bool, err error) {
	if s.spool == nil || pos >= len(s.frames) || !s.spool.Has(s.frames[pos]) {
		return im, false, nil
	}
	pic, err := s.spool.Image(s.frames[pos], s.rect())
	if err != nil {
		return im, false, err
	}
	im = pose.NewImage(s.w, s.h)
	pose.Resize(im, pose.PartOf(pic, s.rect().Intersect(pic.Bounds())))
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

// The stretch of a swing in which bat and ball are followed, s about contact:
// waggle, load, swing and follow-through.
const (
	batBeforeS = 0.90
	batAfterS  = 0.75
)

// witness follows bat and ball about a swing, listens for the crack, and times
// contact and what hangs on it by all that was found.
func witness(w *DenseWindow, sw *phases.Swing, given phases.Given) error {
	flight, err := w.follow(sw, given)
	if err != nil {
		return err
	}
	t := &w.Track
	var cues []phases.ContactCue
	if c, ok := phases.BatCue(t, sw); ok {
		cues = append(cues, c)
	}
	if s := flight.SigmaS; s > 0 {
		cues = append(cues, phases.BallCue(sw, flight.ContactS, s))
	}
	var heard phases.Heard
	if c, ok := sw.Event(phases.Contact); ok && w.sound != nil {
		if s := flight.SigmaS; s > 0 {
			c.TimeS, c.SigmaS = flight.ContactS, s
		}
		if d, sd, ok := phases.CameraDistance(t, sw, given, w.distanceM); ok {
			from, to := phases.SoundWindow(c, d, sd)
			on, reason := phases.FindOnset(w.sound.Samples, w.sound.RateHz, w.sound.StartS, from, to)
			heard = phases.Heard{Looked: reason != phases.OnsetNoSound, Reason: reason}
			if reason == phases.OnsetFound {
				cues = append(cues, phases.AudioCue(on, d, sd))
			}
		}
	}
	phases.Refine(t, sw, given, cues, flight.In || flight.Out, heard)
	return nil
}

// soundStretch is how much longer or shorter than the pictures a sound may run before it is taken for another one.
const soundStretch = 0.08

// hear reads a clip's sound if it can tell of contact: a slow-motion file's is
// stretched or missing. Sound that cannot be read is none.
func hear(ctx context.Context, path string, probed *video.Probed, info *video.Info) (*video.Audio, error) {
	if !info.HasAudio || math.Abs(info.TimeScale-1) > 1e-3 { // no sound, or that of slow motion
		return nil, nil
	}
	a, err := video.ReadAudio(ctx, path, probed)
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	if mayPass(err) { // damaged sound is as good as none, but an ffmpeg that was killed says nothing of it
		return nil, err
	}
	if err != nil || a == nil || !runsAlong(a, info.DurationS) {
		return nil, nil
	}
	return a, nil
}

// runsAlong says whether a sound is about as long as the pictures are.
func runsAlong(a *video.Audio, picturesS float64) bool {
	if a.RateHz <= 0 {
		return false
	}
	d := math.Abs(a.StartS + float64(len(a.Samples))/float64(a.RateHz) - picturesS)
	return d <= 0.5 || d <= soundStretch*picturesS
}

// followBat looks for bat and ball about one swing and writes them into the
// track. It does nothing for a track without pictures.
func followBat(w *DenseWindow, sw *phases.Swing, given phases.Given) (found bat.Result, err error) {
	if w.small == nil {
		return found, nil
	}
	if w.bats != nil {
		w.bats.Lock()
		defer w.bats.Unlock()
	}
	sc, err := sceneOf(&w.Track, sw, given, w.small)
	if err != nil || sc == nil {
		return found, err
	}
	found = bat.Follow(sc)
	t := &w.Track
	if t.Bat == nil {
		t.Bat, t.Ball = make([]pose.BatSample, t.Len()), make([]pose.BallSample, t.Len())
		for i := range t.Bat {
			t.Bat[i].Status, t.Ball[i].Status = string(phases.NoBat), string(phases.NoBall)
		}
	}
	for k := range found.Bat {
		b, o := found.Bat[k], found.Ball[k]
		b.Knob, b.Barrel, o.At = w.small.toFrame(b.Knob), w.small.toFrame(b.Barrel), w.small.toFrame(o.At)
		t.Bat[sc.At[k]], t.Ball[sc.At[k]] = b, o
	}
	return found, nil
}

// toFrame maps a point of a reduced picture to the frame.
func (s *smallPictures) toFrame(e pose.Estimate) pose.Estimate {
	if !e.Known() {
		return pose.Estimate{}
	}
	return pose.Estimate{X: (e.X+0.5)*s.zoom + s.part.X0, Y: (e.Y+0.5)*s.zoom + s.part.Y0, Sigma: e.Sigma * s.zoom}
}

// fromFrame maps a point of the frame to a reduced picture.
func (s *smallPictures) fromFrame(e pose.Estimate) pose.Estimate {
	if !e.Known() {
		return pose.Estimate{}
	}
	return pose.Estimate{X: (e.X-s.part.X0)/s.zoom - 0.5, Y: (e.Y-s.part.Y0)/s.zoom - 0.5, Sigma: e.Sigma / s.zoom}
}

// sceneOf prepares the search for bat and ball about one swing; nil if there is too little to go by.
func sceneOf(t *pose.Track, sw *phases.Swing, given phases.Given, small *smallPictures) (*bat.Scene, error) {
	c, ok := sw.Event(phases.Contact)
	if !ok || !(sw.Scale.HeightPx > 0) {
		return nil, nil
	}
	sc := &bat.Scene{Height: sw.Scale.HeightPx / small.zoom, Turn: turnOf(sw), SwingFromS: c.TimeS - 0.2, SwingToS: c.TimeS + 0.03, ContactS: c.TimeS, Lead: sw.Lead(pose.LeftWrist), Each: spreadOver}
	if e, ok := sw.Event(phases.HandsStart); ok {
		sc.SwingFromS = e.TimeS
	}
	if given.BatLengthM > 0 && given.HeightM > 0 {
		sc.BatHeights = given.BatLengthM / given.HeightM
	}
	from, to := sort.SearchFloat64s(t.Times, c.TimeS-batBeforeS), min(sort.SearchFloat64s(t.Times, c.TimeS+batAfterS), t.Len())
	if err := small.prepare(from, to); err != nil {
		return nil, err
	}
	for i := from; i < to; i++ {
		if t.Repeat != nil && t.Repeat[i] {
			continue
		}
		im, ok, err := small.image(i)
		if err != nil {
			return nil, err
		}
		if !ok {
			continue
		}
		var b bat.Joints
		for j, e := range t.Smooth[i] {
			b[j] = small.fromFrame(e)
		}
		sc.Times, sc.Pics, sc.Body, sc.At = append(sc.Times, t.Times[i]), append(sc.Pics, im), append(sc.Body, b), append(sc.At, i)
	}
	return sc, nil
}

// turnOf is how the bat turns in the picture: from the open side a right-hander's
// goes down behind the hitter, under the hands and up in front, counter-clockwise
// as seen. Near the line to the pitcher either may be.
func turnOf(sw *phases.Swing) int {
	x := sw.View.ImageX(sw.Bats)
	switch {
	case x > 0.5:
		return -1
	case x < -0.5:
		return 1
	}
	return 0
}

// spreadOver runs f for every number below n on several goroutines.
func spreadOver(n int, f func(i int)) {
	var wg sync.WaitGroup
	next := make(chan int)
	for range min(runtime.GOMAXPROCS(0), n) {
		wg.Go(func() {
			for i := range next {
				f(i)
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
}
