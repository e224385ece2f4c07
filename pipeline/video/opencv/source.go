//go:build cgo

// Package opencv reads clips with OpenCV's VideoCapture and repairs what it
// gets wrong: rotation, pixel shape, colours, times, and damaged files (through
// a clean copy that ffmpeg makes).
//
// A C++ exception ends the process, and a blocked read cannot be cancelled: run
// each clip in a child process with a deadline.
package opencv

import (
	"context"
	"fmt"
	"image"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"

	"gocv.io/x/gocv"

	"cagebook/pipeline/video"
)

// propOrientationAuto is CAP_PROP_ORIENTATION_AUTO of OpenCV 4.5 and later.
// OpenCV 4.6 turns 90° and 270° the wrong way, so it must not turn at all.
const propOrientationAuto = gocv.VideoCaptureProperties(49)

// flushFrames: the last frames, which the decoder gives up after the end of the
// file, may come without a time (they read 0). It holds back at most one a
// thread and 16 for reordering.
const flushFrames = 64

// source implements video.Source. Frames come either straight from the file or
// from a clean copy; in both cases index i is the frame of time fileS[i].
type source struct {
	path  string
	opts  video.Options
	probe *video.Probe
	info  video.Info

	fileS []float64 // times of the frames, file clock
	next  int       // index of the frame to be delivered next

	capture *gocv.VideoCapture
	grabbed int  // frames taken from capture
	errors  int  // FFmpeg's errors when capture was opened
	held    bool // raw holds frame next, read ahead
	pos0    float64

	copyOf  []int // per index the position in the clean copy, −1 = lost; nil = same position
	copied  bool
	tempDir string

	raw, spare, colored, square, turned, mirrored gocv.Mat
	color                                         gocv.Mat  // 3×4, empty = colours are right
	shown                                         *gocv.Mat // the last delivered picture, nil before

	repeat  repeatDetector
	resized bool // a change of size was reported

	sequential bool // frames are passed one by one: jumping did not hold what it promised
	closed     bool
}

// Open opens a clip; it is a video.OpenFunc. Errors are of type *video.Error,
// or the context's.
func Open(ctx context.Context, path string, o video.Options) (video.Source, error) {
	p, err := o.Probed.Read(ctx, path)
	if err != nil {
		return nil, err
	}
	s := &source{path: path, opts: o, probe: p, repeat: repeatDetector{}}
	if err := s.open(ctx); err != nil {
		s.Close()
		return nil, err
	}
	return s, nil
}

func (s *source) open(ctx context.Context) error {
	s.raw, s.spare, s.colored, s.square = gocv.NewMat(), gocv.NewMat(), gocv.NewMat(), gocv.NewMat()
	s.turned, s.mirrored, s.color = gocv.NewMat(), gocv.NewMat(), colorMatrix(s.probe)
	if len(s.probe.PTSS) > 0 { // refuse what is too large before any decoding
		info, err := s.probe.Info(s.path, nil, s.opts)
		if err != nil {
			return err
		}
		s.info, s.fileS = info, s.probe.PTSS
	}
	if s.probe.Suspicion() == "" {
		ok, err := s.openDirect(ctx)
		if ok || err != nil {
			return err
		}
	}
	return s.openCopy(ctx)
}

// openDirect opens the file itself and reads the first frame; false if it does
// not come out as the probe says.
func (s *source) openDirect(ctx context.Context) (bool, error) {
	if err := ctx.Err(); err != nil {
		return false, err
	}
	if !s.openCapture(s.path) {
		return false, nil
	}
	s.pos0 = s.probe.StartS
	if math.IsNaN(s.pos0) {
		s.pos0 = s.fileS[0]
	}
	s.held = s.read() && s.inPlace(0)
	return s.held, nil
}

// openCopy makes the clean copy and takes its frames as those of the clip.
func (s *source) openCopy(ctx context.Context) error {
	m, err := s.makeCopy(ctx)
	if err != nil {
		return err
	}
	info, err := s.probe.Info(s.path, m.PTSS, s.opts)
	if err != nil {
		return err
	}
	info.FramesExpected = max(info.FramesExpected, s.info.FramesExpected)
	info.Warnings = append(info.Warnings, m.Warnings(info.FramesExpected)...)
	s.info, s.copyOf = info, nil
	return nil
}

func (s *source) makeCopy(ctx context.Context) (*video.Intermediate, error) {
	dir, err := os.MkdirTemp(s.opts.TempDir, "cagebook-video-")
	if err != nil {
		return nil, &video.Error{
			Path: s.path, Kind: video.ErrTool, Msg: "no temporary folder for a repaired copy",
			Hint: "check the free space and the rights of the temporary folder", Err: err,
		}
	}
	s.tempDir = dir
	m, err := video.Repair(ctx, s.path, s.probe, dir)
	if err != nil {
		return nil, err
	}
	if !s.openCapture(m.Path) {
		return nil, &video.Error{
			Path: s.path, Kind: video.ErrDamaged, Msg: "the repaired copy cannot be opened",
			Hint: "convert the clip to H.264 and try again",
		}
	}
	s.copied = true
	return m, nil
}

func (s *source) openCapture(path string) bool {
	if s.capture != nil {
		s.capture.Close()
		s.capture = nil
	}
	s.grabbed, s.held = 0, false
	c, err := gocv.VideoCaptureFileWithAPI(video.SafePath(path), gocv.VideoCaptureFFmpeg)
	if err != nil {
		return false
	}
	if !c.IsOpened() {
		c.Close()
		return false
	}
	c.Set(propOrientationAuto, 0)
	watchDecoder()
	s.errors = decodeErrors()
	s.capture = c
	return true
}

// read decodes the next frame of capture into raw. Where it fails raw stays as it
// is, because it may be the picture that is shown for those that are lost.
func (s *source) read() bool {
	if !s.capture.Read(&s.spare) || s.spare.Empty() || s.spare.Type() != gocv.MatTypeCV8UC3 {
		return false
	}
	s.raw, s.spare = s.spare, s.raw
	s.grabbed++
	return true
}

// grab decodes the next frame of capture without converting it.
func (s *source) grab() bool {
	before := s.capture.Get(gocv.VideoCapturePosFrames)
	s.capture.Grab(1)
	if s.capture.Get(gocv.VideoCapturePosFrames) <= before {
		return false
	}
	s.grabbed++
	return true
}

// inPlace says whether the frame that capture gave last is frame i by its time,
// and whole as far as the decoder knows.
func (s *source) inPlace(i int) bool {
	if decodeErrors() != s.errors {
		return false
	}
	at := s.capture.Get(gocv.VideoCapturePosMsec) / 1000
	if at == 0 && i >= len(s.fileS)-flushFrames {
		return true
	}
	return math.Abs(at-(s.fileS[i]-s.pos0)) <= s.toleranceS(i)
}

// toleranceS is a quarter of the shorter step beside frame i.
func (s *source) toleranceS(i int) float64 {
	step := math.Inf(1)
	if i > 0 {
		step = s.fileS[i] - s.fileS[i-1]
	}
	if i+1 < len(s.fileS) {
		step = min(step, s.fileS[i+1]-s.fileS[i])
	}
	if math.IsInf(step, 1) {
		step = 1 // a single frame
	}
	return step / 4
}

// recoverAt goes on from frame i with a clean copy, after the file itself
// stopped short or slipped. Indices and times stay as they were; frames that
// the copy lacks too are lost.
func (s *source) recoverAt(ctx context.Context, i int) error {
	m, err := s.makeCopy(ctx)
	if err != nil {
		return err
	}
	tol := video.MedianStep(s.fileS) / 4
	s.copyOf = video.MatchTimes(s.fileS, m.PTSS, tol)
	lost, last := 0, -1
	for k, at := range s.copyOf {
		if at < 0 {
			lost++
		} else {
			last = k
		}
	}
	if last < i { // nothing more to come
		last = i - 1
	}
	lost -= len(s.copyOf) - 1 - last
	if tail := len(s.copyOf) - 1 - last; tail > 0 {
		s.info.Warnings = append(s.info.Warnings, fmt.Sprintf(
			"The file is damaged: its last %d of %d frames could not be read.", tail, len(s.fileS)))
	}
	if lost > 0 {
		s.info.Warnings = append(s.info.Warnings, fmt.Sprintf(
			"The file is damaged: %d of %d frames could not be read; the picture before stands in their place.", lost, len(s.fileS)))
	}
	if m.Corrupt > 0 {
		s.info.Warnings = append(s.info.Warnings, m.Warnings(0)...)
	}
	s.copyOf = s.copyOf[:last+1]
	s.info.Frames = last + 1
	s.info.PTSS = s.info.PTSS[:last+1]
	return nil
}

// seek brings capture to frame next: true if its picture is now in raw (read)
// or has been passed (!read); false with a nil error if the frame is lost.
func (s *source) seek(ctx context.Context, read bool) (bool, error) {
	i := s.next
	if i >= s.info.Frames {
		return false, io.EOF
	}
	if s.held {
		s.held = false
		return true, nil
	}
	if !s.copied {
		var ok bool
		if read {
			ok = s.read()
		} else {
			ok = s.grab()
		}
		if ok && s.inPlace(i) {
			return true, nil
		}
		if err := s.recoverAt(ctx, i); err != nil {
			return false, err
		}
		if i >= s.info.Frames {
			return false, io.EOF
		}
	}
	at := i
	if s.copyOf != nil {
		at = s.copyOf[i]
	}
	if at < 0 || !read {
		return at >= 0, nil // the copy is brought up when a picture is wanted
	}
	for s.grabbed < at {
		if err := ctx.Err(); err != nil {
			return false, err
		}
		if !s.grab() {
			return false, s.copyEnded(i)
		}
	}
	if !s.read() {
		return false, s.copyEnded(i)
	}
	return true, nil
}

func (s *source) copyEnded(i int) error {
	s.info.Warnings = append(s.info.Warnings, fmt.Sprintf("Reading ended at frame %d of %d.", i, s.info.Frames))
	s.info.Frames, s.info.PTSS = i, s.info.PTSS[:i]
	return io.EOF
}

// Info returns what is known so far; damage may show only while frames are read.
func (s *source) Info() video.Info { return s.info }

// Next decodes the next frame. A frame that was lost to damage is delivered as
// a repeat of the picture before.
func (s *source) Next(ctx context.Context, f *video.Frame) error {
	if err := s.ready(ctx); err != nil {
		return err
	}
	ok, err := s.seek(ctx, true)
	if err != nil {
		return err
	}
	if ok || s.shown == nil {
		if !ok && !s.readAny() {
			return s.copyEnded(s.next)
		}
		if err := s.prepare(); err != nil {
			return err
		}
	}
	pix, err := s.shown.DataPtrUint8()
	if err != nil {
		return s.broken("the picture's memory is not in one piece", err)
	}
	f.Index, f.TimeS = s.next, s.info.PTSS[s.next]*s.info.TimeScale
	f.W, f.H, f.Stride, f.Pix = s.shown.Cols(), s.shown.Rows(), s.shown.Cols()*3, pix
	f.Repeat = s.repeat.next(pix, f.W, f.H, s.next) || !ok
	s.next++
	return nil
}

// readAny reads the copy's next picture where the clip's very first is lost.
func (s *source) readAny() bool {
	at := -1
	for _, k := range s.copyOf {
		if k >= 0 {
			at = k
			break
		}
	}
	if at < 0 {
		return false
	}
	for s.grabbed < at {
		if !s.grab() {
			return false
		}
	}
	ok := s.read()
	s.grabbed-- // it will be read again in its own place
	s.held = false
	return ok
}

// Skip passes n frames; many of them without decoding all.
func (s *source) Skip(ctx context.Context, n int) error {
	to := s.next + n
	if err := s.ready(ctx); err != nil {
		return err
	}
	if n >= jumpFrames && to < len(s.fileS)-flushFrames && !s.copied && !s.sequential && !s.jump(to) {
		s.sequential = true // this file cannot be entered in the middle: from the start again, frame by frame
		if s.next = 0; !s.openCapture(s.path) {
			return s.broken("it cannot be opened a second time", nil)
		}
	}
	for s.next < to {
		if err := s.ready(ctx); err != nil {
			return err
		}
		if _, err := s.seek(ctx, false); err != nil {
			return err
		}
		s.next++
	}
	return nil
}

// jumpFrames: fewer frames are passed sooner by decoding them than by looking for a frame to begin at.
const jumpFrames = 150

// jumpShort: so many frames before the wanted one the file is entered. Where steps are uneven it may be entered too late; then earlier.
var jumpShort = []int{10, 80}

// jump brings capture to just before frame to, from a frame near it that can be decoded alone. It is true where the
// frame before comes out at its very time and the decoder has nothing to say; then the pictures that follow are those of
// a reading from the start (TestJump).
func (s *source) jump(to int) bool {
	s.held = false
	fps := s.capture.Get(gocv.VideoCaptureFPS)
	for _, short := range jumpShort {
		s.capture.Set(gocv.VideoCapturePosFrames, math.Floor((s.fileS[to-short]-s.pos0)*fps))
		if !s.grab() {
			return false
		}
		at := s.capture.Get(gocv.VideoCapturePosMsec)/1000 + s.pos0
		k, _ := slices.BinarySearch(s.fileS, at)
		if k > 0 && (k == len(s.fileS) || at-s.fileS[k-1] < s.fileS[k]-at) {
			k--
		}
		for ; k < to-1; k++ {
			if !s.inPlace(k) || !s.grab() {
				return false
			}
		}
		if k == to-1 && s.inPlace(k) {
			s.next, s.grabbed = to, to
			return true
		}
	}
	return false
}

func (s *source) ready(ctx context.Context) error {
	if s.closed {
		return os.ErrClosed
	}
	return ctx.Err()
}

// prepare turns raw into the upright picture with square pixels and right colours.
func (s *source) prepare() error {
	m := &s.raw
	p := s.probe
	w, h := p.SquareSize()
	if m.Cols() != p.StoredWidth || m.Rows() != p.StoredHeight {
		if !s.resized {
			s.resized = true
			s.info.Warnings = append(s.info.Warnings, fmt.Sprintf(
				"From frame %d on the picture has another size (%d × %d); it was scaled.", s.next, m.Cols(), m.Rows()))
		}
	}
	if !s.color.Empty() {
		gocv.Transform(*m, &s.colored, s.color)
		m = &s.colored
	}
	if m.Cols() != w || m.Rows() != h {
		gocv.Resize(*m, &s.square, image.Pt(w, h), 0, 0, gocv.InterpolationLinear)
		m = &s.square
	}
	if code, ok := turns[p.Rotation]; ok {
		gocv.Rotate(*m, &s.turned, code)
		m = &s.turned
	}
	if p.Mirrored {
		gocv.Flip(*m, &s.mirrored, 1)
		m = &s.mirrored
	}
	if m.Empty() || m.Type() != gocv.MatTypeCV8UC3 || m.Cols() != s.info.Width || m.Rows() != s.info.Height {
		return s.broken(fmt.Sprintf("frame %d has an unexpected shape", s.next), nil)
	}
	s.shown = m
	return nil
}

var turns = map[int]gocv.RotateFlag{
	90: gocv.Rotate90Clockwise, 180: gocv.Rotate180Clockwise, 270: gocv.Rotate90CounterClockwise,
}

func (s *source) broken(msg string, err error) error {
	return &video.Error{
		Path: s.path, Kind: video.ErrDamaged, Msg: msg,
		Hint: "convert the clip to H.264 and try again", Err: err,
	}
}

// maxJPEGSide is the largest side that a JPEG can have (ITU-T T.81: 65,535; libjpeg: 65,500).
const maxJPEGSide = 65500

// JPEG encodes a part of the frame that Next delivered last. A part whose corners are multiples of 16 or the frame's own
// has the very blocks of the whole frame.
func (s *source) JPEG(quality int, part image.Rectangle) ([]byte, error) {
	if s.closed {
		return nil, os.ErrClosed
	}
	if s.shown == nil || s.shown.Empty() {
		return nil, fmt.Errorf("%s: no frame was read yet", filepath.Base(s.path))
	}
	if s.shown.Cols() > maxJPEGSide || s.shown.Rows() > maxJPEGSide {
		return nil, fmt.Errorf("%s: the picture is too large for a JPEG", filepath.Base(s.path))
	}
	quality = min(max(quality, 1), 100)
	m := *s.shown
	if !part.Empty() {
		if !part.In(image.Rect(0, 0, m.Cols(), m.Rows())) {
			return nil, fmt.Errorf("%s: %v does not lie in the picture", filepath.Base(s.path), part)
		}
		m = m.Region(part)
		defer m.Close()
	}
	b, err := gocv.IMEncodeWithParams(gocv.JPEGFileExt, m, []int{gocv.IMWriteJpegQuality, quality})
	if err != nil {
		return nil, fmt.Errorf("%s: encoding a still: %w", filepath.Base(s.path), err)
	}
	defer b.Close()
	if b.Len() == 0 {
		return nil, fmt.Errorf("%s: encoding a still gave nothing", filepath.Base(s.path))
	}
	return append([]byte(nil), b.GetBytes()...), nil
}

// Close frees everything, the clean copy included. It may be called twice.
func (s *source) Close() error {
	if s.closed {
		return nil
	}
	s.closed, s.shown = true, nil
	if s.capture != nil {
		s.capture.Close()
	}
	for _, m := range []*gocv.Mat{&s.raw, &s.spare, &s.colored, &s.square, &s.turned, &s.mirrored, &s.color} {
		if m.Ptr() != nil {
			m.Close()
		}
	}
	if s.tempDir != "" {
		return os.RemoveAll(s.tempDir)
	}
	return nil
}
