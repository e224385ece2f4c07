//go:build cgo

package opencv

import (
	"bytes"
	"context"
	"errors"
	"image"
	"image/jpeg"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"cagebook/pipeline/video"
)

var plainH264 = []string{"-c:v", "libx264", "-pix_fmt", "yuv420p", "-preset", "veryfast"}

func rewrite(t *testing.T, path string, change func([]byte) []byte) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(t.TempDir(), filepath.Base(path))
	if err := os.WriteFile(out, change(b), 0o600); err != nil {
		t.Fatal(err)
	}
	return out
}

func said(in video.Info, words string) bool {
	return strings.Contains(strings.Join(in.Warnings, " "), words)
}

func TestTruncated(t *testing.T) {
	whole := ffmpeg(t, "a.mp4", with(lavfi("320x180", 30, 4), with(plainH264, "-movflags", "+faststart", "-g", "15")...)...)
	cut := rewrite(t, whole, func(b []byte) []byte { return b[:len(b)*6/10] })
	s := open(t, cut, video.Options{})
	before := s.Info().Frames
	n, _ := readAll(t, s)
	in := s.Info()
	if n < 50 || n > 80 || n != before || in.FramesExpected != 120 || !said(in, "could not be read") {
		t.Errorf("%d frames announced, %d read of %d, warnings %v", before, n, in.FramesExpected, in.Warnings)
	}
}

// TestCorruptInside: OpenCV alone stops at the first broken packet.
func TestCorruptInside(t *testing.T) {
	whole := ffmpeg(t, "a.mp4", with(lavfi("320x180", 30, 4), with(plainH264, "-g", "30", "-movflags", "+faststart")...)...)
	wholePictures, times := reference(t, whole)
	for _, size := range []int{200, 3000} {
		bad := rewrite(t, whole, func(b []byte) []byte {
			for i := range size {
				b[len(b)/2+i] = byte(i*37 + 11)
			}
			return b
		})
		s := open(t, bad, video.Options{})
		var f video.Frame
		n, same := 0, 0
		for s.Next(context.Background(), &f) == nil {
			at := slices.IndexFunc(times, func(x float64) bool { return math.Abs(x-f.TimeS) < 1e-5 })
			if at < 0 {
				t.Fatalf("frame %d at %g s, where no frame is", f.Index, f.TimeS)
			}
			if meanDifference(f.Pix, wholePictures[at]) < maxDifference {
				same++
			}
			n++
		}
		in := s.Info()
		// All but one group of pictures (30 frames) must be as in the whole file, at their own times.
		if n < 115 || same < 85 || in.Frames != n || in.FramesExpected != 120 || len(in.Warnings) == 0 {
			t.Errorf("%d bytes: %d frames of %d, %d of them whole, warnings %v", size, n, in.FramesExpected, same, in.Warnings)
			t.Logf("through a copy: %v, decoder errors %d", s.copied, decodeErrors()-s.errors)
		}
	}
}

func TestNotVideo(t *testing.T) {
	dir := t.TempDir()
	write := func(name, content string) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		return p
	}
	whole := ffmpeg(t, "a.mp4", with(lavfi("160x90", 30, 1), plainH264...)...)
	playlist := "#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\nhttp://127.0.0.1:9/a.ts\n#EXT-X-ENDLIST\n"
	tests := []struct {
		name, path string
		kind       error
	}{
		{"zero bytes", write("zero.mp4", ""), video.ErrNotVideo},
		{"text", write("text.mp4", strings.Repeat("not a video\n", 500)), video.ErrNotVideo},
		{"text by name", write("notes.txt", strings.Repeat("not a video\n", 500)), video.ErrNotVideo},
		{"playlist to the network", write("list.m3u8", playlist), video.ErrNotVideo},
		{"concat list", write("list.mp4", "ffconcat version 1.0\nfile '"+whole+"'\n"), video.ErrNotVideo},
		{"sound only", ffmpeg(t, "a.m4a", "-f", "lavfi", "-i", "sine=d=1", "-c:a", "aac"), video.ErrNotVideo},
		{"still picture", ffmpeg(t, "a.png", with(lavfi("64x64", 1, 1), "-frames:v", "1", "-update", "1")...), video.ErrNotVideo},
		{"missing", filepath.Join(dir, "none.mp4"), video.ErrNotVideo},
		{"folder", dir, video.ErrNotVideo},
		{"zero byte in the name", dir + "/a\x00b.mp4", video.ErrNotVideo},
		{"index lost", rewrite(t, whole, func(b []byte) []byte { return b[:len(b)/2] }), video.ErrNotVideo},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s, err := Open(context.Background(), tt.path, video.Options{})
			if err == nil {
				s.Close()
			}
			var e *video.Error
			if !errors.As(err, &e) || !errors.Is(err, tt.kind) || e.Hint == "" || e.Msg == "" {
				t.Errorf("%v; want kind %v and a hint", err, tt.kind)
			}
		})
	}
}

func TestPaths(t *testing.T) {
	src := ffmpeg(t, "a.mp4", with(lavfi("160x90", 30, 0.2), plainH264...)...)
	b, err := os.ReadFile(src)
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	for _, name := range []string{
		"schläger ⚾.mp4", "two words.mp4", `a'b"c.mp4`, "line\nbreak.mp4", "-v.mp4", "-i", "http:x.mp4", "a%03d.mp4", "concat:a|b.mp4", "a\\b?#&.mp4", "file:a.mp4",
	} {
		if err := os.WriteFile(name, b, 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := Open(context.Background(), name, video.Options{})
		if err != nil {
			t.Errorf("%q: %v", name, err)
			continue
		}
		if n, _ := readAll(t, s); n != 6 || s.(*source).copied {
			t.Errorf("%q: %d frames", name, n)
		}
		s.Close()
	}
}

func TestPixelAspect(t *testing.T) {
	// A white square on black, 60 × 80 stored pixels of 4:3, is square when shown.
	path := ffmpeg(t, "a.mp4", with([]string{"-f", "lavfi", "-i", "color=black:s=240x160:r=10:d=0.5,drawbox=60:40:60:80:white:fill,setsar=4/3"}, plainH264...)...)
	s := open(t, path, video.Options{})
	var f video.Frame
	if err := s.Next(context.Background(), &f); err != nil {
		t.Fatal(err)
	}
	if f.W != 320 || f.H != 160 {
		t.Fatalf("%d × %d", f.W, f.H)
	}
	white := func(x, y int) bool { return f.Pix[y*f.Stride+3*x] > 128 }
	w, h := 0, 0
	for x := range f.W {
		if white(x, 80) {
			w++
		}
	}
	for y := range f.H {
		if white(100, y) {
			h++
		}
	}
	if w < 78 || w > 82 || h < 78 || h > 82 {
		t.Errorf("the square is %d × %d", w, h)
	}
}

func TestSkipAndNext(t *testing.T) {
	path := ffmpeg(t, "a.mp4", with(lavfi("320x180", 30, 2), with(plainH264, "-bf", "3")...)...)
	pictures, times := reference(t, path)
	ctx := context.Background()
	s := open(t, path, video.Options{})
	var f video.Frame
	at := 0
	for _, n := range []int{3, 0, 10, 1, 40} {
		if err := s.Skip(ctx, n); err != nil {
			t.Fatal(err)
		}
		at += n
		if err := s.Next(ctx, &f); err != nil {
			t.Fatal(err)
		}
		if f.Index != at || math.Abs(f.TimeS-times[at]+times[0]) > 2e-6 || meanDifference(f.Pix, pictures[at]) > maxDifference || f.Repeat {
			t.Errorf("frame %d at %g s (repeat %v); want %d at %g", f.Index, f.TimeS, f.Repeat, at, times[at])
		}
		at++
	}
	if err := s.Skip(ctx, 100); !errors.Is(err, io.EOF) {
		t.Error(err)
	}
	if err := s.Next(ctx, &f); !errors.Is(err, io.EOF) {
		t.Error(err)
	}
}

func TestRepeats(t *testing.T) {
	// 15 real frames a second written as 30: every second frame repeats.
	double := ffmpeg(t, "a.mp4", with(lavfi("640x360", 15, 2), with(with([]string{"-vf", "fps=30"}, plainH264...), "-crf", "23")...)...)
	s := open(t, double, video.Options{})
	if n, rep := readAll(t, s); n != 60 || rep < 28 || rep > 30 {
		t.Errorf("%d frames, %d repeats; want 30 of 60", n, rep)
	}
	// A ball of 8 px that creeps half a pixel a frame on a still ground is motion.
	ball := ffmpeg(t, "b.mp4", with([]string{"-f", "lavfi", "-i", "color=gray:s=640x360:r=30:d=1[g];color=white:s=8x8:r=30:d=1[b];[g][b]overlay=x=100+2*n:y=100"}, with(plainH264, "-crf", "18")...)...)
	s = open(t, ball, video.Options{})
	if n, rep := readAll(t, s); n != 30 || rep > 0 {
		t.Errorf("%d frames, %d repeats; want none", n, rep)
	}
}

func TestSlowMotion(t *testing.T) {
	path := ffmpeg(t, "a.mp4", with(lavfi("160x90", 30, 2), with(plainH264, "-movflags", "use_metadata_tags", "-metadata", "com.android.capture.fps=240")...)...)
	for _, tt := range []struct {
		sidecar, fps float64
		from         string
	}{{0, 240, "metadata"}, {120, 120, "sidecar"}} {
		s := open(t, path, video.Options{CapturedFPS: tt.sidecar})
		var f video.Frame
		if err := s.Skip(context.Background(), 24); err != nil {
			t.Fatal(err)
		}
		if err := s.Next(context.Background(), &f); err != nil {
			t.Fatal(err)
		}
		in := s.Info()
		if in.CapturedFPSFrom != tt.from || math.Abs(f.TimeS-24/tt.fps) > 1e-5 || math.Abs(in.DurationS-60/tt.fps) > 1e-3 {
			t.Errorf("frame 24 at %g s, %+v", f.TimeS, in)
		}
	}
}

func TestLimits(t *testing.T) {
	path := ffmpeg(t, "a.mp4", with(lavfi("160x90", 30, 2), plainH264...)...)
	for _, o := range []video.Options{{MaxPixels: 160*90 - 1}, {MaxDurationS: 1.5}} {
		if _, err := Open(context.Background(), path, o); !errors.Is(err, video.ErrTooLarge) {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

func TestCancel(t *testing.T) {
	path := ffmpeg(t, "a.mp4", with(lavfi("160x90", 30, 1), plainH264...)...)
	ctx, cancel := context.WithCancel(context.Background())
	s := open(t, path, video.Options{})
	var f video.Frame
	if err := s.Next(ctx, &f); err != nil {
		t.Fatal(err)
	}
	cancel()
	if err := s.Next(ctx, &f); !errors.Is(err, context.Canceled) {
		t.Error("Next: ", err)
	}
	if err := s.Skip(ctx, 1); !errors.Is(err, context.Canceled) {
		t.Error("Skip: ", err)
	}
	if _, err := Open(ctx, path, video.Options{}); !errors.Is(err, context.Canceled) {
		t.Error("Open: ", err)
	}
}

func TestNoTool(t *testing.T) {
	path := ffmpeg(t, "a.mp4", with(lavfi("160x90", 30, 1), plainH264...)...)
	t.Setenv("PATH", t.TempDir())
	_, err := Open(context.Background(), path, video.Options{})
	var e *video.Error
	if !errors.As(err, &e) || !errors.Is(err, video.ErrTool) || !strings.Contains(e.Hint, "apt-get install ffmpeg") {
		t.Error(err)
	}
}

func TestJPEGAndClose(t *testing.T) {
	path := ffmpeg(t, "a.mp4", with(lavfi("160x90", 30, 1), plainH264...)...)
	s := open(t, path, video.Options{})
	if _, err := s.JPEG(90, image.Rectangle{}); err == nil {
		t.Error("a still before the first frame")
	}
	var f video.Frame
	if err := s.Next(context.Background(), &f); err != nil {
		t.Fatal(err)
	}
	b, err := s.JPEG(95, image.Rectangle{})
	if err != nil {
		t.Fatal(err)
	}
	im, err := jpeg.Decode(bytes.NewReader(b))
	if err != nil || im.Bounds().Dx() != 160 || im.Bounds().Dy() != 90 {
		t.Fatal(err)
	}
	sum := 0.0
	for y := range 90 {
		for x := range 160 {
			r, g, bl, _ := im.At(x, y).RGBA()
			p := f.Pix[y*f.Stride+3*x:]
			sum += math.Abs(float64(r>>8)-float64(p[2])) + math.Abs(float64(g>>8)-float64(p[1])) + math.Abs(float64(bl>>8)-float64(p[0]))
		}
	}
	if mean := sum / (3 * 160 * 90); mean > 6 { // sharp test colours, chroma halved
		t.Errorf("the still differs by %.1f levels", mean)
	}
	// A part on the grid of blocks, up to the picture's edge, has the very pixels of the whole.
	at := image.Rect(32, 16, 160, 90)
	if b, err = s.JPEG(95, at); err != nil {
		t.Fatal(err)
	}
	part, err := jpeg.Decode(bytes.NewReader(b))
	if err != nil || part.Bounds().Size() != at.Size() {
		t.Fatal(err)
	}
	for y := range at.Dy() {
		for x := range at.Dx() {
			if part.At(x, y) != im.At(x+at.Min.X, y+at.Min.Y) {
				t.Fatalf("pixel %d, %d of the part differs", x, y)
			}
		}
	}
	if _, err := s.JPEG(95, image.Rect(100, 0, 161, 90)); err == nil {
		t.Error("a part beyond the picture")
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	if err := s.Next(context.Background(), &f); !errors.Is(err, os.ErrClosed) {
		t.Error(err)
	}
	if _, err := s.JPEG(90, image.Rectangle{}); !errors.Is(err, os.ErrClosed) {
		t.Error(err)
	}
}
