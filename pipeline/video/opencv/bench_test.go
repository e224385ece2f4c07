//go:build cgo

package opencv

import (
	"context"
	"errors"
	"io"
	"testing"

	"cagebook/pipeline/video"
)

// BenchmarkRead reads 720p H.264 and reports the time a frame.
func BenchmarkRead(b *testing.B) {
	tags := []string{"-colorspace", "bt709", "-color_range", "tv"}
	source := with(lavfi("1280x720", 60, 4), "-vf", "noise=alls=4:allf=t,scale=out_color_matrix=bt709:out_range=tv,format=yuv420p")
	plain := ffmpeg(b, "a.mp4", with(source, plainH264...)...)
	tagged := ffmpeg(b, "b.mp4", with(source, with(plainH264, tags...)...)...)
	turned := ffmpeg(b, "c.mp4", "-i", tagged, "-c", "copy", "-metadata:s:v", "rotate=90")
	ctx := context.Background()
	for _, c := range []struct {
		name, path string
		skip       bool
	}{{"Skip", plain, true}, {"Next", plain, false}, {"NextBT709", tagged, false}, {"NextBT709Turned", turned, false}} {
		b.Run(c.name, func(b *testing.B) {
			frames := 0
			for b.Loop() {
				s, err := Open(ctx, c.path, video.Options{})
				if err != nil {
					b.Fatal(err)
				}
				var f video.Frame
				for err == nil {
					if c.skip {
						err = s.Skip(ctx, 1)
					} else {
						err = s.Next(ctx, &f)
					}
					if err == nil {
						frames++
					}
				}
				if !errors.Is(err, io.EOF) {
					b.Fatal(err)
				}
				s.Close()
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/1000/float64(frames), "ms/frame")
		})
	}
}
