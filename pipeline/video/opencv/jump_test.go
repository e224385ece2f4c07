//go:build cgo

package opencv

import (
	"bytes"
	"context"
	"testing"

	"cagebook/pipeline/video"
)

// TestJump: what is passed by jumping leaves the frames, times and pictures behind it as a reading of every frame gives them.
func TestJump(t *testing.T) {
	src := lavfi("160x90", 30, 18)
	h264 := func(more ...string) []string { return with(with(src, plainH264...), more...) }
	tests := []struct {
		name, file string
		args       []string
		jumps      bool
	}{
		{"plain", "a.mp4", h264("-g", "60"), true},
		{"one whole picture", "a.mp4", h264("-g", "1000", "-sc_threshold", "0"), true},
		{"B-frames", "a.mp4", h264("-bf", "3", "-g", "48"), true},
		{"open GOP", "a.mp4", h264("-x264-params", "open-gop=1:keyint=30:bframes=3"), false},
		{"intra refresh", "a.mp4", h264("-x264-params", "intra-refresh=1:keyint=30"), false},
		{"variable rate", "a.mp4", with(lavfi("160x90", 30, 30), with(plainH264, "-vf", "select='not(mod(n,3))+gt(sin(n/40),0.3)'", "-fps_mode", "vfr", "-g", "40")...), true},
		{"start offset", "a.mkv", h264("-output_ts_offset", "3.7", "-g", "50"), true},
		{"fragmented", "a.mp4", h264("-movflags", "frag_keyframe+empty_moov", "-g", "30"), false},
		{"transport stream", "a.ts", h264("-g", "50"), false},
		{"HEVC", "a.mp4", with(src, "-c:v", "libx265", "-preset", "ultrafast", "-x265-params", "log-level=error:keyint=40"), true},
		{"MPEG-4", "a.avi", with(src, "-c:v", "mpeg4", "-g", "30", "-q:v", "4"), true},
		{"MJPEG", "a.avi", with(src, "-c:v", "mjpeg", "-q:v", "4"), true},
	}
	ctx := context.Background()
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			path := ffmpeg(t, tt.file, tt.args...)
			a, b := open(t, path, video.Options{}), open(t, path, video.Options{})
			b.sequential = true
			var f, g video.Frame
			for _, n := range []int{0, jumpFrames, 5, jumpFrames + 7} { // the last ones may end the clip
				if a.Skip(ctx, n) != nil || b.Skip(ctx, n) != nil {
					t.Fatalf("%d frames cannot be passed", n)
				}
				for range 12 {
					if err := a.Next(ctx, &f); err != nil {
						t.Fatal(err)
					}
					if err := b.Next(ctx, &g); err != nil {
						t.Fatal(err)
					}
					if f.Index != g.Index || f.TimeS != g.TimeS || f.Repeat != g.Repeat || !bytes.Equal(f.Pix, g.Pix) {
						t.Fatalf("frame %d (%g s) after a jump differs from frame %d (%g s) of a whole reading", f.Index, f.TimeS, g.Index, g.TimeS)
					}
				}
			}
			if tt.jumps && (a.sequential || a.copied) {
				t.Errorf("read from the start again, copied: %v", a.copied)
			} else if !tt.jumps {
				t.Logf("read from the start again: %v, copied: %v", a.sequential, a.copied)
			}
		})
	}
}
