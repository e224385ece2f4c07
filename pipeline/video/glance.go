package video

import (
	"context"
	"errors"
	"time"
)

// glanceDeadline is for the head of a file; it is found at its end in some.
const glanceDeadline = time.Minute

// Glance looks at what the head of a file says of it, and refuses it where that is
// enough: no video, or larger or longer than the limits. No packet is read, so
// that a file of any size takes a moment. Errors are of type *Error, or the context's.
func Glance(ctx context.Context, path string, o Options) error {
	out := &boundedBuffer{max: maxProbeBytes, strict: true}
	messages := &boundedBuffer{max: maxMessageBytes}
	args := append(append([]string(nil), safeInput...), "-v", "error", "-of", "json=compact=1",
		"-show_entries", "stream:stream_tags:stream_disposition:stream_side_data:format:format_tags", "-i", SafePath(path))
	err := runTool(ctx, glanceDeadline, path, "ffprobe", args, out, messages)
	var fault *Error
	if errors.As(err, &fault) || ctx.Err() != nil {
		return err
	}
	p, err := ParseProbe(out.Bytes())
	if errors.As(err, &fault) {
		fault.Path = path
		return fault
	}
	if err != nil {
		return unreadable(ctx, path, messages.String())
	}
	w, h := p.SquareSize()
	return checkLimits(&Info{Path: path, Width: w, Height: h}, p.DeclaredS, p, o)
}
