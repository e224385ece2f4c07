//go:build cgo

package opencv

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"cagebook/pipeline/video"
)

// readAll reads a clip to its end and checks what every source promises.
func readAll(t *testing.T, s video.Source) (frames, repeats int) {
	t.Helper()
	var f video.Frame
	last := -1.0
	for {
		err := s.Next(context.Background(), &f)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("frame %d: %v", frames, err)
		}
		in := s.Info()
		if f.Index != frames || f.TimeS <= last || f.W != in.Width || f.H != in.Height || len(f.Pix) != f.Stride*f.H {
			t.Fatalf("frame %d of %d × %d at %g s after %g s, %d bytes; clip %+v", f.Index, f.W, f.H, f.TimeS, last, len(f.Pix), in)
		}
		last = f.TimeS
		frames++
		if f.Repeat {
			repeats++
		}
	}
	if in := s.Info(); in.Frames != frames || len(in.PTSS) != frames {
		t.Errorf("read %d frames; the clip says %d and %d times", frames, in.Frames, len(in.PTSS))
	}
	return frames, repeats
}

// TestOddFiles pins what becomes of each odd or broken file of the evaluation
// data. Frames and sizes are ffprobe's (-count_frames, sample aspect, display matrix).
func TestOddFiles(t *testing.T) {
	dir := filepath.Join("..", "..", "..", "..", "shared", "data", "odd")
	if _, err := os.Stat(dir); err != nil {
		t.Skip("evaluation data is not here: ", err)
	}
	type want struct {
		kind         error
		frames       int // that can be read
		expected     int // that ought to be there
		w, h, rotate int
		says         string // part of the message or of the warnings; "" = no warning
	}
	wants := map[string]want{
		"av1_video.mkv":                    {nil, 125, 125, 640, 360, 0, ""},
		"bt709_full_range.mp4":             {nil, 30, 30, 1280, 720, 0, ""},
		"corrupted.mp4":                    {nil, 49, 50, 1280, 720, 0, "1 of 50 frames could not be read"},
		"gomp4_sample_fragmented.mp4":      {nil, 10, 10, 1280, 720, 0, ""},
		"gomp4_sample_qt.mp4":              {kind: video.ErrDamaged, says: "not one picture"},
		"h264_10bits.mp4":                  {nil, 30, 30, 200, 200, 0, ""},
		"h265_10bits.mp4":                  {nil, 30, 30, 200, 200, 0, ""},
		"h265_video.mp4":                   {nil, 10, 10, 128, 128, 0, ""},
		"mp4ff_cbcs.mp4":                   {kind: video.ErrDamaged, says: "encrypted"},
		"mp4ff_ed_hevc.mp4":                {nil, 27, 27, 640, 360, 0, ""},
		"mp4ff_init_truncated.mp4":         {kind: video.ErrNotVideo, says: "only the beginning"},
		"mp4ff_opus.mp4":                   {kind: video.ErrNotVideo, says: "no moving pictures"},
		"mp4ff_prog_8s.mp4":                {nil, 240, 240, 640, 360, 0, ""},
		"mp4ff_stereo_spatial.mp4":         {nil, 10, 10, 160, 120, 0, ""},
		"mp4ff_v300_multiple_segments.mp4": {nil, 240, 240, 640, 360, 0, ""},
		"mp4ff_vvc_400kbps_2s.mp4":         {kind: video.ErrDamaged, says: "codec (vvc1)"},
		"mp4parse_bbb_sunflower_QCIF_30fps_mp4v_noaudio_1f.mp4": {nil, 1, 1, 256, 144, 0, ""},
		"mp4parse_chunk_out_of_range.mp4":                       {kind: video.ErrNotVideo, says: "no video can be read"},
		"mp4parse_h264_white_frame_sar_16_9.mp4":                {nil, 1, 1, 1138, 480, 0, ""},
		"mp4parse_hevc_white_frame.mp4":                         {nil, 1, 1, 640, 480, 0, ""},
		"mp4parse_invalid_userdata.mp4":                         {kind: video.ErrDamaged, says: "not one picture"},
		"mp4parse_minimal.mp4":                                  {nil, 1, 1, 320, 240, 0, ""},
		"mp4parse_no_timescale.mp4":                             {nil, 170, 182, 320, 240, 0, "12 of 182 frames could not be read"},
		"mp4parse_tiny_av1.mp4":                                 {nil, 1, 1, 64, 64, 0, ""},
		"mp4parse_video_colr_nclx_hdr10.mp4":                    {nil, 3, 3, 2, 2, 0, "HDR"},
		"mp4parse_video_rotation_90.mp4":                        {nil, 1, 1, 60, 100, 90, ""},
		"mp4parse_zero_empty_stsc.mp4":                          {kind: video.ErrDamaged, says: "not one picture"},
		"unordered.mov":                                         {nil, 4, 4, 50, 50, 0, ""},
		"video_0.mov":                                           {nil, 3, 3, 568, 320, 0, ""},
		"video_90.mov":                                          {nil, 3, 3, 320, 568, 90, ""},
		"video_180.mov":                                         {nil, 3, 3, 568, 320, 180, ""},
		"video_270.mov":                                         {nil, 3, 3, 320, 568, 270, ""},
	}
	for name, w := range wants {
		t.Run(name, func(t *testing.T) {
			ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
			defer cancel()
			s, err := Open(ctx, filepath.Join(dir, name), video.Options{TempDir: t.TempDir()})
			if err != nil {
				var e *video.Error
				if w.kind == nil || !errors.Is(err, w.kind) || !errors.As(err, &e) || !strings.Contains(e.Msg, w.says) || e.Hint == "" {
					t.Errorf("%v; want %+v", err, w)
				}
				return
			}
			defer s.Close()
			n, _ := readAll(t, s)
			in := s.Info()
			got := want{nil, n, in.FramesExpected, in.Width, in.Height, in.Rotation, w.says}
			if got != w || !said(in, w.says) || w.says == "" && len(in.Warnings) > 0 {
				t.Errorf("%+v, warnings %q; want %+v", got, in.Warnings, w)
			}
		})
	}
}
