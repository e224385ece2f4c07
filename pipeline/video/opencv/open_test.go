//go:build cgo

package opencv

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"cagebook/pipeline/video"
)

// ffmpeg makes a clip in a temporary folder and returns its path.
func ffmpeg(t testing.TB, name string, args ...string) string {
	t.Helper()
	if _, err := exec.LookPath("ffmpeg"); err != nil {
		t.Skip("ffmpeg is not installed")
	}
	path := filepath.Join(t.TempDir(), name)
	all := append([]string{"-nostdin", "-v", "error", "-y"}, args...)
	out, err := exec.Command("ffmpeg", append(all, "file:"+path)...).CombinedOutput()
	if bytes.Contains(out, []byte("Unknown encoder")) {
		t.Skipf("%s", out)
	}
	if err != nil {
		t.Fatalf("ffmpeg %v: %v\n%s", args, err, out)
	}
	return path
}

// lavfi returns the arguments of a test picture that moves, seconds long.
func lavfi(size string, fps, seconds float64) []string {
	return []string{"-f", "lavfi", "-i", "testsrc2=s=" + size + ":r=" + strconv.FormatFloat(fps, 'g', -1, 64) + ":d=" + strconv.FormatFloat(seconds, 'g', -1, 64)}
}

func with(a []string, b ...string) []string { return append(append([]string(nil), a...), b...) }

func open(t testing.TB, path string, o video.Options) *source {
	t.Helper()
	o.TempDir = t.TempDir()
	s, err := Open(context.Background(), path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.Close()
		if left, _ := os.ReadDir(o.TempDir); len(left) > 0 {
			t.Errorf("left behind: %v", left)
		}
	})
	return s.(*source)
}

// reference decodes the clip with ffmpeg to BGR, turned as a player would, and
// takes the times of the decoded frames from ffprobe: both from outside OpenCV.
func reference(t *testing.T, path string) (pictures [][]byte, times []float64) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	out, err := exec.CommandContext(ctx, "ffprobe", "-v", "error", "-select_streams", "v:0", "-show_entries", "frame=best_effort_timestamp_time", "-of", "json", "file:"+path).Output()
	if err != nil {
		t.Fatal(err)
	}
	var j struct {
		Frames []struct {
			T string `json:"best_effort_timestamp_time"`
		} `json:"frames"`
	}
	if err := json.Unmarshal(out, &j); err != nil {
		t.Fatal(err)
	}
	for _, f := range j.Frames {
		x, err := strconv.ParseFloat(f.T, 64)
		if err != nil {
			x = math.NaN() // a stream without times
		}
		times = append(times, x)
	}
	raw, err := exec.CommandContext(ctx, "ffmpeg", "-nostdin", "-v", "error", "-i", "file:"+path, "-map", "0:v:0", "-fps_mode", "passthrough",
		"-vf", "scale=in_range=auto:out_range=full:flags=bicubic,format=bgr24", "-f", "rawvideo", "pipe:1").Output()
	if err != nil {
		t.Fatal(err)
	}
	if len(times) == 0 || len(raw)%len(times) != 0 {
		t.Fatalf("%d bytes for %d frames", len(raw), len(times))
	}
	n := len(raw) / len(times)
	for i := range times {
		pictures = append(pictures, raw[i*n:(i+1)*n])
	}
	return pictures, times
}

// maxDifference is the mean difference in levels that rounding and the
// upsampling of chroma explain; a neighbour frame is 5 and more levels away, a
// wrong colour matrix 3 and more. (Fully saturated colours clip before the
// matrix can be corrected; the pictures for colour are muted.)
const maxDifference = 1.5

func meanDifference(a, b []byte) float64 {
	if len(a) != len(b) {
		return math.Inf(1)
	}
	sum := 0.0
	for i := range a {
		sum += math.Abs(float64(a[i]) - float64(b[i]))
	}
	return sum / float64(len(a))
}

// TestAgainstFFmpeg holds every frame's picture, place and time against
// ffmpeg's own decoding and ffprobe's frame times.
func TestAgainstFFmpeg(t *testing.T) {
	src := lavfi("320x180", 30, 2)
	x264 := []string{"-c:v", "libx264", "-pix_fmt", "yuv420p", "-preset", "veryfast"}
	h264 := func(more ...string) []string { return with(with(src, x264...), more...) }
	// Times 0, 1, 3, 6, … 30ths of a second: a variable rate.
	const varied = "select='not(mod(n,2))*lt(n,20)+gte(n,20)*not(mod(n,5))+eq(n,1)'"
	tests := []struct {
		name, file string
		args       []string
		frames     int // 0 = not stated here
		copied     bool
	}{
		{"plain", "a.mp4", h264("-bf", "0"), 60, false},
		{"B-frames", "a.mp4", h264("-bf", "3"), 60, false},
		{"B-frames open GOP", "a.mp4", h264("-bf", "3", "-x264-params", "open-gop=1:keyint=12"), 60, false},
		{"variable rate", "a.mp4", h264("-vf", varied, "-fps_mode", "vfr"), 0, false},
		{"start offset", "a.mkv", h264("-output_ts_offset", "3.7"), 60, false},
		{"edit list", "a.mp4", nil, 0, false},
		{"fragmented", "a.mp4", h264("-movflags", "frag_keyframe+empty_moov", "-g", "10"), 60, false},
		{"HEVC", "a.mp4", with(src, "-c:v", "libx265", "-preset", "ultrafast", "-x265-params", "log-level=none:bframes=3", "-tag:v", "hvc1"), 60, false},
		{"HEVC 10 bit", "a.mp4", with(src, "-c:v", "libx265", "-preset", "ultrafast", "-pix_fmt", "yuv420p10le", "-x265-params", "log-level=none"), 60, false},
		{"VP9", "a.webm", with(src, "-c:v", "libvpx-vp9", "-deadline", "realtime", "-cpu-used", "8"), 60, false},
		{"AV1", "a.mkv", with(src, "-c:v", "libsvtav1", "-preset", "12"), 60, false},
		{"MJPEG", "a.mov", with(src, "-c:v", "mjpeg", "-q:v", "3", "-pix_fmt", "yuvj420p"), 60, false},
		{"MJPEG in AVI", "a.avi", with(src, "-c:v", "mjpeg", "-q:v", "3", "-pix_fmt", "yuvj420p"), 60, false},
		{"transport stream", "a.ts", h264(), 60, false},
		{"raw H.264", "a.h264", h264("-bf", "2"), 60, true},
		{"odd size", "a.mkv", with(lavfi("321x179", 30, 1), "-c:v", "ffv1", "-pix_fmt", "yuv444p"), 30, false},
		{"240 frames per second", "a.mp4", with(lavfi("320x180", 240, 0.5), with(x264)...), 120, false},
		{"one frame", "a.mp4", h264("-frames:v", "1"), 1, false},
		{"BT.709", "a.mp4", with(src, "-vf", "hue=s=0.5,scale=out_color_matrix=bt709:out_range=tv,format=yuv420p", "-colorspace", "bt709", "-color_range", "tv", "-c:v", "libx264", "-crf", "10"), 60, false},
		{"BT.709 full range", "a.mp4", with(src, "-vf", "hue=s=0.5,scale=out_color_matrix=bt709:out_range=pc,format=yuvj420p", "-colorspace", "bt709", "-color_range", "pc", "-c:v", "libx264", "-crf", "10"), 60, false},
		{"BT.2020 10 bit", "a.mp4", with(src, "-vf", "hue=s=0.5,scale=out_color_matrix=bt2020:out_range=tv,format=yuv420p10le", "-colorspace", "bt2020nc", "-color_range", "tv", "-c:v", "libx265", "-preset", "ultrafast", "-x265-params", "log-level=none:crf=10"), 60, false},
	}
	for _, r := range []string{"90", "180", "270"} {
		tests = append(tests, struct {
			name, file string
			args       []string
			frames     int
			copied     bool
		}{"rotate " + r, "a.mp4", []string{"rotate", r}, 60, false})
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var path string
			switch {
			case tt.args == nil: // cut in the middle of a GOP without decoding
				whole := ffmpeg(t, "whole.mp4", h264("-bf", "2", "-g", "25")...)
				path = ffmpeg(t, tt.file, "-ss", "1.13", "-i", whole, "-c", "copy")
			case tt.args[0] == "rotate":
				whole := ffmpeg(t, "whole.mp4", h264()...)
				path = ffmpeg(t, tt.file, "-i", whole, "-c", "copy", "-metadata:s:v", "rotate="+tt.args[1])
			default:
				path = ffmpeg(t, tt.file, tt.args...)
			}
			pictures, times := reference(t, path)
			if tt.frames != 0 && len(times) != tt.frames {
				t.Fatalf("the reference has %d frames, not %d", len(times), tt.frames)
			}
			s := open(t, path, video.Options{})
			if s.info.Frames != len(times) {
				t.Fatalf("%d frames announced, reference %d", s.info.Frames, len(times))
			}
			var f video.Frame
			for i := range times {
				if err := s.Next(context.Background(), &f); err != nil {
					t.Fatal(i, err)
				}
				if d := f.TimeS - (times[i] - times[0]); math.Abs(d) > 2e-6 { // false for a stream without times
					t.Fatalf("frame %d at %g s, reference %g", i, f.TimeS, times[i]-times[0])
				}
				if d := meanDifference(f.Pix, pictures[i]); d > maxDifference {
					t.Fatalf("frame %d differs by %.2f levels from the reference", i, d)
				} else if i+1 < len(pictures) && d >= meanDifference(f.Pix, pictures[i+1]) {
					t.Fatalf("frame %d is nearer to the reference's next frame", i)
				}
				if f.Repeat {
					t.Errorf("frame %d called a repeat", i)
				}
			}
			if err := s.Next(context.Background(), &f); !errors.Is(err, io.EOF) {
				t.Error("after the end: ", err)
			}
			if noTimes := math.IsNaN(times[0]); s.copied != tt.copied || len(s.info.Warnings) > 0 != noTimes {
				t.Errorf("through a copy: %v, want %v; warnings %v", s.copied, tt.copied, s.info.Warnings)
			}
		})
	}
}
