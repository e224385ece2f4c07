package pipeline

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"syscall"
	"time"

	"cagebook/pipeline/video"
	"cagebook/report"
	"cagebook/report/still"
)

const (
	// replayDeadline ends an ffmpeg that hangs; a film takes seconds.
	replayDeadline = 5 * time.Minute
	// filmGOP is how far apart whole pictures lie in the film that the page steps
	// through: it decodes at most so many for a step back. A slow motion is played.
	filmGOP, replayGOP = 10, 120
	// jpegColour: pictures of the spool are full-range BT.601, as JPEG files are; films are limited-range BT.709.
	jpegColour = ":in_color_matrix=bt601:in_range=full:out_color_matrix=bt709:out_range=limited"
)

// filmArgs encode for any phone: H.264 in its plain form, quick to make.
// Constrained to level 4 by size alone. One thread: more cost a tenth more of processor time for pictures so small.
func filmArgs(crf, gop int) []string {
	return []string{
		"-an", "-c:v", "libx264", "-threads", "1", "-preset", "ultrafast", "-profile:v", "baseline", "-crf", strconv.Itoa(crf), "-g", strconv.Itoa(gop), "-pix_fmt", "yuv420p",
		"-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709", "-color_range", "tv",
		"-movflags", "+faststart", "-map_metadata", "-1", "-fflags", "+bitexact", "-flags:v", "+bitexact", "-f", "mp4", "-y",
	}
}

// slow is how many seconds of replay one second of motion takes. The page's player goes slower.
const slow = 4

// replayFPS is the rate of the slow motion: no more pictures a second than the
// clip has for it, and no more than every phone plays.
func replayFPS(capturedFPS float64) float64 {
	if !(capturedFPS > 0) {
		return 15
	}
	return min(filmRate, max(5, capturedFPS/slow))
}

const filmRate = 30

// films makes the films of all swings of a report and notes them in it: the
// plain one that the page's player steps through, and the slow motion. A film
// that cannot be made is a note in the report, not an error, unless no clip's could.
func films(ctx context.Context, clip Clip, r *report.Report, pics *pictures, tempDir string) error {
	plain, errs := make([][]byte, len(r.Swings)), make([]error, len(r.Swings))
	spreadOver(len(r.Swings), func(i int) {
		sw := &r.Swings[i]
		if sw.Film = sw.PlanFilm(); sw.Film == nil || pics == nil {
			return
		}
		fonts, err := still.NewFonts() // faces are not for several goroutines
		if err != nil {
			errs[i] = err
			return
		}
		for range 2 { // an ffmpeg that was killed, as where memory is short, does not fail again
			if plain[i], err = filmSwing(ctx, clip, r, sw, pics, fonts, tempDir); err == nil || classify(err) == classFatal || ctx.Err() != nil {
				break
			}
		}
		switch {
		case err == nil:
		case classify(err) == classFatal: // a disk is full, or ffmpeg gone
			errs[i] = err
		default:
			sw.Film.Path, sw.Replay = "", ""
			sw.Notes = append(sw.Notes, sentence("the slow motion could not be made: "+err.Error()))
		}
	})
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	for i, data := range plain {
		if data != nil {
			pics.keepFilm(r.Swings[i].Number, data)
		}
	}
	return errors.Join(errs...)
}

// filmSwing makes both films of one swing, and gives the plain one back.
func filmSwing(ctx context.Context, clip Clip, r *report.Report, sw *report.Swing, pics *pictures, fonts *still.Fonts, tempDir string) (film []byte, err error) {
	dir, err := os.MkdirTemp(tempDir, "cagebook-film-*")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	var frames []int
	for _, k := range sw.FilmSamples() {
		frames = append(frames, sw.Track.Frames[k])
	}
	f := sw.Film
	plain, slow := filepath.Join(dir, "film.mp4"), filepath.Join(dir, "replay.mp4")
	jpegs, at, err := pics.spool.JPEGs(frames, f.Crop())
	if err != nil {
		return nil, err
	}
	scaled := fmt.Sprintf("crop=%d:%d:%d:%d:exact=1,scale=%d:%d:flags=area", f.W, f.H, f.X-at.X, f.Y-at.Y, f.Width, f.Height)
	args := []string{"-nostdin", "-v", "error", "-filter_complex_threads", "1", "-threads", "1", "-f", "image2pipe", "-framerate", strconv.Itoa(f.FPS), "-c:v", "mjpeg", "-i", "pipe:0"}
	var cover func(i int, pic *image.RGBA) error // what is done to each picture before anything is drawn on it
	var covered *tool
	if pics.hide == nil {
		args = append(args, "-filter_complex", "[0:v]"+scaled+jpegColour+",format=yuv420p,split[film][b];[b]scale=in_color_matrix=bt709:in_range=limited,format=rgba[raw]", "-map", "[film]")
		args = append(append(args, filmArgs(25, filmGOP)...), plain)
	} else { // faces are covered before the film is coded
		args = append(args, "-filter_complex", "[0:v]"+scaled+",format=rgba[raw]")
		if covered, err = startTool(ctx, append(append(rawArgs(f.Width, f.Height, float64(f.FPS)), filmArgs(25, filmGOP)...), plain)); err != nil {
			return nil, err
		}
		defer covered.stop()
		cover = func(i int, pic *image.RGBA) error {
			pics.hide.hideIn(pic, frames[i], f.Crop())
			_, err := covered.in.Write(pic.Pix)
			return err
		}
	}
	args = append(args, "-map", "[raw]", "-f", "rawvideo", "pipe:1")
	read, err := startTool(ctx, args)
	if err != nil {
		return nil, err
	}
	defer read.stop()
	read.fed = make(chan error, 1)
	go read.feed(frames, jpegs)
	if err := drawSlow(ctx, float64(r.Clip.CapturedFPS), f, sw.ReplayFrames(), read.out, cover, slow, fonts); err != nil {
		return nil, read.wait(err)
	}
	if err := read.wait(nil); err != nil {
		return nil, err
	}
	if covered != nil {
		if err := covered.wait(covered.in.Close()); err != nil {
			return nil, err
		}
	}
	for _, v := range []struct {
		file string
		path *string
	}{{plain, &f.Path}, {slow, &sw.Replay}} {
		data, err := os.ReadFile(v.file)
		if err != nil {
			return nil, err
		}
		name := fmt.Sprintf("swing-%d/%s", sw.Number, filepath.Base(v.file))
		if err := clip.Put(name, data); err != nil {
			return nil, err
		}
		*v.path = name
		if v.path == &f.Path {
			film = data
		}
	}
	return film, nil
}

// rawArgs are those of an ffmpeg that encodes raw RGBA pictures from its standard input.
func rawArgs(w, h int, fps float64) []string {
	return []string{
		"-nostdin", "-v", "error", "-filter_threads", "1", "-threads", "1", "-f", "rawvideo", "-pix_fmt", "rgba", "-s", fmt.Sprintf("%dx%d", w, h),
		"-framerate", strconv.FormatFloat(fps, 'f', 3, 64), "-i", "pipe:0", "-vf", "scale=out_color_matrix=bt709:out_range=limited,format=yuv420p",
	}
}

// drawSlow draws on the raw pictures that come from raw and encodes the slow motion. first sees each picture before; nil = nobody.
func drawSlow(ctx context.Context, fps float64, f *report.Film, scenes []still.ReplayFrame, raw io.Reader, first func(i int, pic *image.RGBA) error, file string, fonts *still.Fonts) error {
	pics := image.NewRGBA(image.Rect(0, 0, f.Width, f.Height+still.ReplayBand(f.Width)))
	rate := replayFPS(fps)
	write, err := startTool(ctx, append(append(rawArgs(pics.Rect.Dx(), pics.Rect.Dy(), rate), filmArgs(24, replayGOP)...), file))
	if err != nil {
		return err
	}
	defer write.stop()
	part := pics.SubImage(image.Rect(0, 0, f.Width, f.Height)).(*image.RGBA)
	part.Pix = part.Pix[:4*f.Width*f.Height]
	shown := showings(scenes, rate)
	for i := range scenes {
		if _, err := io.ReadFull(raw, part.Pix); err != nil {
			return write.wait(fmt.Errorf("picture %d of %d: %w", i+1, len(scenes), err))
		}
		if first != nil {
			if err := first(i, part); err != nil {
				return write.wait(err)
			}
		}
		if shown[i] == 0 {
			continue
		}
		if err := still.DrawReplay(pics, f.Crop(), &scenes[i], fonts); err != nil {
			return write.wait(err)
		}
		for range shown[i] {
			if _, err := write.in.Write(pics.Pix); err != nil {
				return write.wait(err)
			}
		}
	}
	return write.wait(write.in.Close())
}

// holdS is how long the slow motion stands still at each key frame.
const holdS = 0.6

// showings is how often each picture is stored at a rate, so that the slow motion keeps
// the pace of the true times, with a halt at each key frame.
func showings(scenes []still.ReplayFrame, fps float64) []int {
	n := make([]int, len(scenes))
	if len(scenes) == 0 {
		return n
	}
	at := func(i int) int { return int(math.Round((scenes[i].TimeS - scenes[0].TimeS) * slow * fps)) }
	for i := range scenes {
		n[i] = 1
		if i+1 < len(scenes) {
			n[i] = at(i+1) - at(i)
		}
		if scenes[i].Key {
			n[i] += int(holdS * fps)
		}
	}
	return n
}

// tool is an ffmpeg in work.
type tool struct {
	cmd    *exec.Cmd
	cancel context.CancelFunc
	in     io.WriteCloser
	out    io.Reader
	said   bytes.Buffer
	fed    chan error // nil where nobody feeds it
	ended  bool
}

func startTool(ctx context.Context, args []string) (*tool, error) {
	ctx, cancel := context.WithTimeout(ctx, replayDeadline)
	t := &tool{cmd: exec.CommandContext(ctx, "ffmpeg", args...), cancel: cancel}
	t.cmd.Stderr = &t.said
	t.cmd.WaitDelay = 2 * time.Second
	var err error
	if t.in, err = t.cmd.StdinPipe(); err != nil {
		cancel()
		return nil, err
	}
	out, err := t.cmd.StdoutPipe()
	if err != nil {
		cancel()
		return nil, err
	}
	t.out = bufio.NewReaderSize(out, 1<<20)
	if err := t.cmd.Start(); err != nil {
		cancel()
		return nil, fmt.Errorf("%w: %w: install ffmpeg", video.ErrTool, err)
	}
	return t, nil
}

// feed writes the JPEG pictures of frames, one after the other.
func (t *tool) feed(frames []int, jpeg func(frame int) ([]byte, error)) {
	err := func() error {
		for _, f := range frames {
			b, err := jpeg(f)
			if err != nil {
				return err
			}
			if _, err := t.in.Write(b); err != nil {
				return err
			}
		}
		return nil
	}()
	t.fed <- errors.Join(err, t.in.Close())
}

// wait ends the tool; cause is what went wrong before, if anything.
func (t *tool) wait(cause error) error {
	if cause != nil {
		t.cancel()
	}
	t.ended = true
	_, _ = io.Copy(io.Discard, t.out) // so that it can end
	err := t.cmd.Wait()
	t.cancel()
	if t.fed != nil {
		ferr := <-t.fed // the feeder reads the spool, which may be closed next
		if cause == nil && err == nil {
			err = ferr
		}
	}
	if said := bytes.TrimSpace(t.said.Bytes()); cause == nil && err != nil {
		if bytes.Contains(said, []byte("No space left")) {
			err = fmt.Errorf("%w: %w", err, syscall.ENOSPC)
		}
		return fmt.Errorf("ffmpeg: %w: %s", err, said[max(0, len(said)-300):])
	}
	return cause
}

// stop ends a tool that nobody waited for.
func (t *tool) stop() {
	if !t.ended {
		_ = t.wait(context.Canceled)
	}
}
