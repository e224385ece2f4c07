package pipeline

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"cagebook/phases"
	"cagebook/pose"
	"cagebook/report"
	"cagebook/report/still"
)

// filmed is a swing of a figure that does not move, with pictures whose grey tells their number.
func filmed() (*report.Report, func(int) ([]byte, error)) {
	t := &pose.Track{Width: 320, Height: 240}
	for i := range 60 {
		var e [pose.NumJoints]pose.Estimate
		var raw pose.Pose
		for j := range e {
			e[j] = pose.Estimate{X: 120 + float64(j%6)*10, Y: 60 + float64(j)*4, Sigma: 1}
			raw[j] = pose.Keypoint{X: e[j].X, Y: e[j].Y, Score: 0.9}
		}
		t.Raw = append(t.Raw, raw)
		t.Frames, t.Times, t.Smooth = append(t.Frames, 10+i), append(t.Times, float64(10+i)/60), append(t.Smooth, e)
	}
	sw := &phases.Swing{Number: 1, Bats: phases.Right, To: 60, Events: []phases.Event{
		{Name: phases.FootDown, TimeS: 30.0 / 60, Frame: 30, SigmaS: 0.01}, {Name: phases.Contact, TimeS: 40.0 / 60, Frame: 40, SigmaS: 0.01},
	}}
	r := report.Build(report.Input{Path: "a.mp4", Swings: []report.SwingInput{{Swing: sw, Track: t}}, Outcome: report.Outcome{State: report.Done}})
	r.Clip.CapturedFPS = 60
	return r, func(frame int) ([]byte, error) {
		img := image.NewRGBA(image.Rect(0, 0, 320, 240)) // coded in colour, as the spool's are
		draw.Draw(img, img.Rect, image.NewUniform(color.Gray{uint8(min(255, 3*frame))}), image.Point{}, draw.Src)
		var b bytes.Buffer
		err := jpeg.Encode(&b, img, nil)
		return b.Bytes(), err
	}
}

// spooled puts pictures of the frames 0 to 99 into a spool.
func spooled(t *testing.T, jpg func(int) ([]byte, error)) *pictures {
	t.Helper()
	s, err := NewSpool(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	for f := range 100 {
		if b, err := jpg(f); err == nil {
			if err := s.Put(f, b, image.Rectangle{}); err != nil {
				t.Fatal(err)
			}
		}
	}
	return &pictures{spool: s}
}

func needFFmpeg(t *testing.T) {
	t.Helper()
	for _, n := range []string{"ffmpeg", "ffprobe"} {
		if _, err := exec.LookPath(n); err != nil {
			t.Skip(n + " is not installed")
		}
	}
}

// What ffprobe says of the films is what phones ask for, and picture i of the plain film is frame i.
func TestFilms(t *testing.T) {
	needFFmpeg(t)
	r, jpg := filmed()
	dir := t.TempDir()
	clip := Clip{Rel: "a.mp4", Put: NewStore(dir).ClipPut("a.mp4")}
	if err := films(context.Background(), clip, r, spooled(t, jpg), t.TempDir()); err != nil {
		t.Fatal(err)
	}
	sw := &r.Swings[0]
	if len(sw.Notes) > 0 || sw.Film.Path != "swing-1/film.mp4" || sw.Replay != "swing-1/replay.mp4" {
		t.Fatalf("film %q, replay %q, notes %q", sw.Film.Path, sw.Replay, sw.Notes)
	}
	n := len(sw.FilmSamples())
	for name, frames := range map[string]int{"film.mp4": n, "replay.mp4": n + 2*int(holdS*15)} { // 60 frames/s at a quarter are 15 a second; halts at two key frames
		path := filepath.Join(dir, "clips", "a.mp4", "swing-1", name)
		out, err := exec.Command("ffprobe", "-v", "error", "-count_frames", "-show_entries", "stream=codec_name,pix_fmt,width,height,color_space,color_range,nb_read_frames,r_frame_rate", "-of", "default=nw=1", path).CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		for _, want := range []string{"codec_name=h264", "pix_fmt=yuv420p", "color_space=bt709", "color_range=tv", fmt.Sprintf("nb_read_frames=%d\n", frames)} {
			if !strings.Contains(string(out), want) {
				t.Errorf("%s: no %q in\n%s", name, want, out)
			}
		}
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if moov, mdat := bytes.Index(data, []byte("moov")), bytes.Index(data, []byte("mdat")); moov < 0 || moov > mdat {
			t.Errorf("%s: the index lies behind the pictures", name)
		}
	}
	// Luma of each picture of the plain film: 16 to 235 for 0 to 255 (ITU-R BT.709, limited range).
	out, err := exec.Command("ffmpeg", "-v", "error", "-i", filepath.Join(dir, "clips", "a.mp4", "swing-1", "film.mp4"), "-vf", "crop=16:16", "-pix_fmt", "yuv420p", "-f", "rawvideo", "pipe:1").Output()
	const size = 16 * 16 * 3 / 2
	if err != nil || len(out) != n*size {
		t.Fatalf("%d bytes, %v; want %d pictures", len(out), err, n)
	}
	for i, k := range sw.FilmSamples() {
		want := 16 + 3*sw.Track.Frames[k]*219/255 // a step is 2.6
		if got := int(out[i*size]); abs(got-want) > 1 {
			t.Errorf("picture %d has luma %d, want %d of frame %d", i, got, want, sw.Track.Frames[k])
		}
	}
}

// A film that cannot be made is a note, and an interrupted run is an error.
func TestFilmsThatFail(t *testing.T) {
	needFFmpeg(t)
	r, _ := filmed()
	clip := Clip{Rel: "a.mp4", Put: NewStore(t.TempDir()).ClipPut("a.mp4")}
	bad := func(frame int) ([]byte, error) { return nil, fmt.Errorf("no picture of frame %d", frame) }
	if err := films(context.Background(), clip, r, spooled(t, bad), t.TempDir()); err != nil {
		t.Fatal(err)
	}
	if sw := r.Swings[0]; len(sw.Notes) != 1 || sw.Replay != "" || sw.Film.Path != "" {
		t.Errorf("notes %q, replay %q", sw.Notes, sw.Replay)
	}
	r, jpg := filmed()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := films(ctx, clip, r, spooled(t, jpg), t.TempDir()); err == nil {
		t.Error("an interrupted run made films")
	}
}

// The slow motion keeps the pace of uneven frames.
func TestShowings(t *testing.T) {
	sc := []still.ReplayFrame{{TimeS: 0}, {TimeS: 0.1}, {TimeS: 0.15, Key: true}, {TimeS: 0.4}}
	// 4 × slower at 30 a second: 12, 6, 30 and 1, and 18 at the key frame.
	if got, want := fmt.Sprint(showings(sc, 30)), "[12 6 48 1]"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}
