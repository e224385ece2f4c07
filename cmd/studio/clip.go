package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"time"

	"github.com/spf13/cobra"
	"go.yaml.in/yaml/v3"

	"cagebook/pipeline/studio"
)

func sceneCmd() *cobra.Command {
	var src source
	var out, truth string
	c := &cobra.Command{
		Use:   "scene [SCENE.yaml…] -o DIR",
		Short: "render clips; what is there already is left alone",
		RunE: func(c *cobra.Command, args []string) error {
			scenes, err := src.scenes(args)
			if err != nil {
				return err
			}
			return renderAll(c.Context(), scenes, out, truth)
		},
	}
	src.flags(c)
	c.Flags().StringVarP(&out, "out", "o", "studio-out", "folder of the clips")
	c.Flags().StringVar(&truth, "truth", "", "folder of the truth (default: the folder of the clips with -truth added)")
	return c
}

// renderAll renders the scenes one after another, each on all processors.
func renderAll(ctx context.Context, scenes []*studio.Scene, out, truth string) error {
	if truth == "" {
		truth = filepath.Clean(out) + "-truth"
	}
	if err := writeSessions(scenes, out); err != nil {
		return err
	}
	for _, sc := range scenes {
		start := time.Now()
		clip := filepath.Join(out, sc.Folder, sc.Name+"."+sc.Ext)
		facts := filepath.Join(truth, sc.Folder, sc.Name+"."+sc.Ext+".json")
		if exists(clip) && exists(facts) {
			fmt.Printf("%s: there already\n", clip)
			continue
		}
		tr, err := sc.Truth()
		if err != nil {
			return err
		}
		if err := sc.SeeBat(tr); err != nil {
			return err
		}
		if err := writeJSON(facts, tr); err != nil {
			return err
		}
		if sc.Sidecar != nil {
			data, err := yaml.Marshal(sc.Sidecar)
			if err != nil {
				return err
			}
			if err := writeFile(filepath.Join(out, sc.Folder, sc.Name+".yaml"), data); err != nil {
				return err
			}
		}
		n, err := renderClip(ctx, sc, clip)
		if err != nil {
			return fmt.Errorf("%s: %w", clip, err)
		}
		d := time.Since(start).Seconds()
		fmt.Printf("%s: %d frames in %.1f s (%.0f a second)\n", clip, n, d, float64(n)/d)
	}
	return nil
}

// writeSessions writes session.yaml into each folder that a scene gives one for.
func writeSessions(scenes []*studio.Scene, out string) error {
	done := map[string]bool{}
	for _, sc := range scenes {
		if sc.Session == nil || done[sc.Folder] {
			continue
		}
		done[sc.Folder] = true
		path := filepath.Join(out, sc.Folder, "session.yaml")
		if exists(path) {
			continue
		}
		data, err := yaml.Marshal(sc.Session)
		if err != nil {
			return err
		}
		if err := writeFile(path, data); err != nil {
			return err
		}
	}
	return nil
}

func exists(path string) bool { _, err := os.Stat(path); return err == nil }

// renderClip renders every frame and pipes them to ffmpeg.
func renderClip(ctx context.Context, sc *studio.Scene, path string) (frames int, err error) {
	workers := runtime.GOMAXPROCS(0)
	film, err := studio.NewFilm(sc, rows(workers))
	if err != nil {
		return 0, err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return 0, err
	}
	sound, err := sc.Sound()
	if err != nil {
		return 0, err
	}
	part := path + ".part." + sc.Ext
	args, wav, err := ffmpegArgs(film, sound, part)
	if err != nil {
		return 0, err
	}
	if wav != "" {
		defer os.Remove(wav)
	}
	cmd := exec.CommandContext(ctx, "ffmpeg", args...)
	var msg bytes.Buffer
	cmd.Stderr = &msg
	in, err := cmd.StdinPipe()
	if err != nil {
		return 0, err
	}
	if err := cmd.Start(); err != nil {
		return 0, fmt.Errorf("start ffmpeg (install it): %w", err)
	}
	werr := pump(film, in, workers)
	in.Close()
	if err := cmd.Wait(); err != nil {
		os.Remove(part)
		return 0, fmt.Errorf("ffmpeg: %w: %s", err, bytes.TrimSpace(msg.Bytes()))
	}
	if werr != nil {
		os.Remove(part)
		return 0, werr
	}
	if sc.Rotate != 0 {
		if err := setRotation(part, sc.Rotate); err != nil {
			return 0, err
		}
	}
	return film.Len(), os.Rename(part, path)
}

// pump renders on several goroutines and writes the frames in order.
func pump(film *studio.Film, out io.Writer, workers int) error {
	type job struct {
		i    int
		done chan []byte
	}
	jobs := make(chan job)
	order := make(chan job, 2*workers)
	quit := make(chan struct{})
	defer close(quit)
	free := make(chan []byte, 4*workers)
	for range workers {
		go func() {
			b := film.NewBrush()
			for j := range jobs {
				film.Frame(j.i, b)
				var buf []byte
				select {
				case buf = <-free:
				default:
					buf = make([]byte, len(b.Pix))
				}
				copy(buf, b.Pix)
				j.done <- buf
			}
		}()
	}
	go func() {
		defer close(order)
		defer close(jobs)
		for i := range film.Len() {
			j := job{i, make(chan []byte, 1)}
			select {
			case order <- j:
			case <-quit:
				return
			}
			select {
			case jobs <- j:
			case <-quit:
				return
			}
		}
	}()
	for j := range order {
		buf := <-j.done
		if _, err := out.Write(buf); err != nil {
			return err
		}
		select {
		case free <- buf:
		default:
		}
	}
	return nil
}

// ffmpegArgs are the arguments that turn raw frames on stdin, and sound, into a clip.
func ffmpegArgs(film *studio.Film, sound []float32, path string) (args []string, wav string, err error) {
	sc := film.Scene()
	w, h := film.Size()
	rate := sc.FPS
	if sc.StoredFPS > 0 {
		rate, sound = sc.StoredFPS, nil // a slow-motion file has no sound that fits
	}
	args = []string{"-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "rgb24", "-s", fmt.Sprintf("%dx%d", w, h), "-r", fmt.Sprint(rate), "-i", "-"}
	if sound != nil {
		if wav, err = writeWAV(sound); err != nil {
			return nil, "", err
		}
		args = append(args, "-i", wav)
	}
	filter := ""
	add := func(f string) {
		if filter != "" {
			filter += ","
		}
		filter += f
	}
	switch sc.Rotate { // stored turned the other way, so that the player turns it upright
	case 90:
		add("transpose=2")
	case 180:
		add("hflip,vflip")
	case 270:
		add("transpose=1")
	}
	if sc.Jitter > 0 {
		add(fmt.Sprintf("settb=1/%d,setpts='floor(%s/TB+0.5)'", studio.TickHz, sc.WanderExpr()))
		args = append(args, "-fps_mode", "passthrough", "-enc_time_base", fmt.Sprintf("1:%d", studio.TickHz))
	}
	if filter != "" {
		args = append(args, "-vf", filter)
	}
	crf := 19
	if sc.CRF > 0 {
		crf = sc.CRF
	}
	args = append(args, "-c:v", "libx264", "-preset", "veryfast", "-crf", fmt.Sprint(crf), "-pix_fmt", "yuv420p")
	if sound != nil {
		args = append(args, "-c:a", "aac", "-b:a", "96k")
	}
	args = append(args, "-video_track_timescale", fmt.Sprint(studio.TickHz), "-movflags", "+faststart",
		"-fflags", "+bitexact", "-flags:v", "+bitexact", path)
	return args, wav, nil
}

// writeWAV writes mono sound to a temporary file.
func writeWAV(x []float32) (string, error) {
	f, err := os.CreateTemp("", "studio-*.wav")
	if err != nil {
		return "", err
	}
	var b bytes.Buffer
	n := uint32(2 * len(x))
	b.WriteString("RIFF")
	_ = binary.Write(&b, binary.LittleEndian, 36+n) // a bytes.Buffer does not fail
	b.WriteString("WAVEfmt ")
	for _, v := range []any{uint32(16), uint16(1), uint16(1), uint32(studio.SoundRateHz), uint32(2 * studio.SoundRateHz), uint16(2), uint16(16)} {
		_ = binary.Write(&b, binary.LittleEndian, v)
	}
	b.WriteString("data")
	_ = binary.Write(&b, binary.LittleEndian, n)
	for _, v := range x {
		_ = binary.Write(&b, binary.LittleEndian, int16(v*32000))
	}
	if _, err := f.Write(b.Bytes()); err != nil {
		f.Close()
		return "", err
	}
	return f.Name(), f.Close()
}
