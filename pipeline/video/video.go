// Package video describes a clip as the rest of the program sees it: upright
// pictures with square pixels, each with its true time. It holds no decoder;
// pipeline/video/opencv does.
package video

import (
	"context"
	"errors"
	"fmt"
	"image"
)

// Info is what is known of a clip before and after its frames were read.
type Info struct {
	Path   string
	Codec  string
	Width  int // px, of the upright displayed picture with square pixels
	Height int // px, likewise

	Rotation    int     // degrees clockwise by which the stored picture was turned to stand upright: 0, 90, 180, 270
	PixelAspect float64 // width of a stored pixel / its height; 1 = square

	Frames         int       // frames that can be decoded
	FramesExpected int       // frames that the file declares or the probe counted
	PTSS           []float64 // seconds of the file's clock, one a decoded frame in display order, first frame = 0, strictly increasing
	DurationS      float64   // seconds of real motion from first to last frame plus one frame

	CapturedFPS     float64 // frames per second of real motion (mean)
	CapturedFPSFrom string  // "sidecar" | "metadata" | "file"
	TimeScale       float64 // seconds of real motion per second of the file's clock (1 = real time; 30/240 for a 240 fps file stored at 30)

	Lens35MM float64 // focal length that the file states, mm on a film of 36 × 24 mm that shows as much; 0 = none

	Recorded string // day on which the file says it was filmed, 2026-05-01; "" = it does not say

	HasAudio bool
	Warnings []string // sentences for the report, e.g. what was lost in a damaged file
}

// FocalPx is the focal length of the upright picture, px, by what the file states; 0 = it states none. Of film the longer side has 36 mm. A phone films in a
// wider shape than it measures by, which makes it 5 % shorter, and cuts off what it needs to hold the picture still, which makes it up to a fifth longer
// (from memory): so 5 % longer, give or take 12 (phases).
func (i *Info) FocalPx() float64 { return 1.05 * i.Lens35MM / 36 * float64(max(i.Width, i.Height)) }

// Frame is one decoded picture. Pix belongs to the Source and is valid until
// the next call of Next, Skip or Close.
type Frame struct {
	Index  int     // 0-based position among the decoded frames
	TimeS  float64 // seconds of real motion since the first frame (PTS × TimeScale)
	W, H   int     // px
	Stride int     // bytes a row
	Pix    []byte  // BGR, 8 bit, len = Stride*H
	Repeat bool    // the picture repeats the one before (a duplicated frame: not motion)
}

// Source reads a clip's frames in order. It is used by one goroutine.
type Source interface {
	Info() Info
	// Next decodes the next frame into f. It returns io.EOF after the last one.
	Next(ctx context.Context, f *Frame) error
	// Skip decodes past n frames without delivering them; io.EOF if the clip ends first.
	Skip(ctx context.Context, n int) error
	// JPEG encodes a part of the frame that Next delivered last, empty = all of it; quality 1 to 100.
	JPEG(quality int, part image.Rectangle) ([]byte, error)
	Close() error
}

// Options limit and steer the reading of a clip.
type Options struct {
	CapturedFPS  float64 // from the sidecar; 0 = not stated
	MaxPixels    int     // larger pictures are refused; 0 = DefaultOptions
	MaxDurationS float64 // longer clips are refused; 0 = DefaultOptions
	TempDir      string  // for repaired intermediates; "" = system default
	Probed       *Probed // what ffprobe said of the clip; nil = it is asked at each opening
}

// DefaultOptions are the limits used where an option is zero.
var DefaultOptions = Options{
	MaxPixels:    8192 * 4608, // 8K; a 16000 × 16000 picture would take 770 MB a frame
	MaxDurationS: 3 * 3600,
}

// OpenFunc opens a clip. Errors are of type *Error where the file is at fault.
type OpenFunc func(ctx context.Context, path string, o Options) (Source, error)

// Kinds of fault of a file. Test with errors.Is.
var (
	ErrNotVideo = errors.New("not a video")      // nothing that could be decoded as moving pictures
	ErrDamaged  = errors.New("damaged")          // a video, but nothing usable is left
	ErrTooLarge = errors.New("too large")        // beyond the caps
	ErrTool     = errors.New("tool unavailable") // ffprobe, ffmpeg or a library is missing: not the file's fault
)

// Error says which file, what is wrong, and what a person can do.
type Error struct {
	Path string
	Kind error  // one of the Err values above
	Msg  string // what was seen
	Hint string // what to do
	Err  error  // underlying error, may be nil
}

func (e *Error) Error() string {
	s := fmt.Sprintf("%s: %v: %s", e.Path, e.Kind, e.Msg)
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	return s
}

// Unwrap lets errors.Is find both the kind and the cause.
func (e *Error) Unwrap() []error {
	if e.Err == nil {
		return []error{e.Kind}
	}
	return []error{e.Kind, e.Err}
}

// Audio is mono sound of a clip.
type Audio struct {
	RateHz  int
	StartS  float64 // seconds of the file's clock, relative to the first frame, of the first sample
	Samples []float32
}
