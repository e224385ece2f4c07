package video

import (
	"context"
	"errors"
	"math"
	"os/exec"
	"path/filepath"
	"testing"
)

func ffmpegClip(t *testing.T, name string, args ...string) string {
	t.Helper()
	if _, err := exec.LookPath("ffmpeg"); err != nil {
		t.Skip("ffmpeg is not installed")
	}
	path := filepath.Join(t.TempDir(), name)
	args = append(append([]string{"-nostdin", "-v", "error", "-y"}, args...), path)
	if out, err := exec.Command("ffmpeg", args...).CombinedOutput(); err != nil {
		t.Fatalf("ffmpeg %v: %v\n%s", args, err, out)
	}
	return path
}

// TestReadAudio: a click one second into the sound must lie at one second minus
// the lead of the picture, whatever the container does with offsets and priming.
func TestReadAudio(t *testing.T) {
	click := []string{"-f", "lavfi", "-i", "aevalsrc='0.9*between(t,1,1.002)*sin(2*PI*2000*t)':s=44100:d=2"}
	picture := []string{"-f", "lavfi", "-i", "testsrc2=s=64x64:r=30:d=2"}
	tests := []struct {
		name, file string
		args       []string
		wantS      float64
		tolS       float64
	}{
		{"PCM", "a.mov", append(append(append([]string{}, picture...), click...), "-c:a", "pcm_s16le"), 1, 0.0005},
		{"AAC with priming", "a.mp4", append(append(append([]string{}, picture...), click...), "-c:a", "aac"), 1, 0.002},
		{"picture starts later", "a.mkv", append(append(append([]string{"-itsoffset", "0.3"}, picture...), click...), "-c:a", "pcm_s16le"), 0.7, 0.001},
		{"sound starts later", "a.mkv", append(append(append([]string{}, picture...), append([]string{"-itsoffset", "0.4"}, click...)...), "-c:a", "pcm_s16le"), 1.4, 0.001},
		{"both start at 5 s", "a.mkv", append(append(append([]string{}, picture...), click...), "-c:a", "pcm_s16le", "-output_ts_offset", "5"), 1, 0.001},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			a, err := ReadAudio(context.Background(), ffmpegClip(t, tt.file, tt.args...), nil)
			if err != nil || a == nil {
				t.Fatal(a, err)
			}
			if a.RateHz != 44100 {
				t.Errorf("%d Hz", a.RateHz)
			}
			for i, v := range a.Samples {
				if math.Abs(float64(v)) > 0.2 {
					if at := a.StartS + float64(i)/float64(a.RateHz); math.Abs(at-tt.wantS) > tt.tolS {
						t.Errorf("click at %.4f s, want %.4f", at, tt.wantS)
					}
					return
				}
			}
			t.Error("no click")
		})
	}
	t.Run("no sound", func(t *testing.T) {
		if a, err := ReadAudio(context.Background(), ffmpegClip(t, "a.mp4", picture...), nil); a != nil || err != nil {
			t.Error(a, err)
		}
	})
	t.Run("cancelled", func(t *testing.T) {
		path := ffmpegClip(t, "a.mp4", append(append([]string{}, picture...), click...)...)
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		if _, err := ReadAudio(ctx, path, nil); !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
	})
}
