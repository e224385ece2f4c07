package video

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
)

const (
	// maxAudioRateHz: more than this carries nothing that a microphone of a phone hears.
	maxAudioRateHz = 48000
	// maxAudioS bounds the memory of the sound: 20 minutes at 48 kHz are 230 MB.
	maxAudioS = 20 * 60
)

// ReadAudio decodes the first sound stream of the clip to mono, −1 to 1, at its
// own rate (at most 48 kHz). The first sample lies at StartS on the file's
// clock, counted from the first frame; gaps are filled with silence, and sound
// from before the first frame or after 20 minutes is left out. A clip without
// sound gives nil, nil. probed may be nil. Errors are of type *Error, or the context's.
func ReadAudio(ctx context.Context, path string, probed *Probed) (*Audio, error) {
	p, err := probed.Read(ctx, path)
	if err != nil {
		return nil, err
	}
	if !p.HasAudio {
		return nil, nil
	}
	a := &Audio{RateHz: p.AudioRateHz}
	if a.RateHz <= 0 || a.RateHz > maxAudioRateHz {
		a.RateHz = maxAudioRateHz
	}
	startS := 0.0
	if len(p.PTSS) > 0 {
		startS = p.PTSS[0]
	}
	first := int64(math.Round(startS * float64(a.RateHz)))
	a.StartS = float64(first)/float64(a.RateHz) - startS
	args := []string{"-nostdin", "-hide_banner", "-nostats", "-loglevel", "error", "-copyts"}
	args = append(args, safeInput...)
	args = append(args, "-i", SafePath(path), "-map", "0:a:0", "-vn", "-sn", "-dn", "-ac", "1",
		// Places every sample at its time: pads or trims the start to the first frame, fills gaps.
		"-af", fmt.Sprintf("aresample=%d:async=1:first_pts=%d", a.RateHz, first),
		"-f", "f32le", "pipe:1")
	out := &pcmWriter{max: maxAudioS * a.RateHz}
	messages := &boundedBuffer{max: maxMessageBytes}
	err = runTool(ctx, repairDeadline, path, "ffmpeg", args, out, messages)
	var fault *Error
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case errors.As(err, &fault):
		return nil, err
	}
	a.Samples = slices.Clip(out.samples)
	if len(a.Samples) == 0 { // damaged sound is as good as none
		return nil, nil
	}
	return a, nil
}

// pcmWriter collects little-endian 32 bit float samples; not-a-number and
// infinite ones, which damaged sound can give, become silence.
type pcmWriter struct {
	rest    [4]byte
	n       int
	max     int
	samples []float32
}

func (w *pcmWriter) Write(p []byte) (int, error) {
	for i, b := range p {
		w.rest[w.n] = b
		if w.n++; w.n < 4 {
			continue
		}
		w.n = 0
		if len(w.samples) >= w.max {
			return i, io.ErrShortWrite
		}
		v := math.Float32frombits(binary.LittleEndian.Uint32(w.rest[:]))
		if f := float64(v); math.IsNaN(f) || math.IsInf(f, 0) {
			v = 0
		}
		w.samples = append(w.samples, v)
	}
	return len(p), nil
}
