//go:build cgo

package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"cagebook/configs"
	"cagebook/pipeline"
	"cagebook/pipeline/video"
	"cagebook/pipeline/video/opencv"
	"cagebook/report"
)

// decodeOnly is a worker that reads every picture of a clip and looks at none.
func decodeOnly() {
	out, err := claimStdout()
	if err != nil {
		panic(err)
	}
	err = pipeline.ServeWorker(os.Stdin, out, func() (pipeline.AnalyzeFunc, error) { return decodeClip, nil }, func() { os.Exit(0) })
	if err != nil {
		panic(err)
	}
}

func decodeClip(ctx context.Context, c pipeline.Clip, progress pipeline.Progress) (pipeline.Result, error) {
	s, err := opencv.Open(ctx, c.Path, video.Options{})
	if err != nil {
		return pipeline.Result{}, err
	}
	defer s.Close()
	var f video.Frame
	if filepath.Base(c.Path) == "vanishes.mp4" { // as from a disk that is unplugged
		if err := os.Remove(c.Path); err != nil {
			return pipeline.Result{}, err
		}
		return pipeline.Result{}, &video.Error{Path: c.Path, Kind: video.ErrDamaged, Msg: "no picture could be read", Hint: "copy the clip again"}
	}
	for n := 1; ; n++ {
		err := s.Next(ctx, &f)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return pipeline.Result{}, err
		}
		if len(f.Pix) != f.Stride*f.H || f.Stride < 3*f.W || f.W <= 0 {
			panic(fmt.Sprintf("picture %d: %d × %d, %d bytes a row, %d in all", n, f.W, f.H, f.Stride, len(f.Pix)))
		}
		progress("decode", n, 0)
	}
	in := report.Input{Tool: c.Tool, Path: c.Rel, SHA256: c.SHA256, Outcome: report.Outcome{State: report.NoSwing, Reason: "Nobody looked."}}
	return pipeline.Result{Report: report.Build(in)}, nil
}

// mutatedClips is how many altered files are read: CAGEBOOK_LONG=1 for 10,000, any other number for itself; CAGEBOOK_FROM=3000 goes on from there.
func mutatedClips() int {
	switch n, err := strconv.Atoi(os.Getenv("CAGEBOOK_LONG")); {
	case err != nil || n <= 0:
		if testing.Short() {
			return 40
		}
		return 200
	case n > 1:
		return n
	}
	return 10000
}

// ffmpegClip makes a clip of half a second.
func ffmpegClip(t *testing.T, name string, args ...string) []byte {
	t.Helper()
	file := filepath.Join(t.TempDir(), name)
	all := []string{"-nostdin", "-v", "error", "-f", "lavfi", "-i", "testsrc2=s=160x120:r=24:d=0.5"}
	out, err := exec.Command("ffmpeg", append(append(all, args...), file)...).CombinedOutput()
	if err != nil {
		t.Skipf("ffmpeg: %v: %s", err, out)
	}
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

type mutated struct {
	name string
	data []byte
}

// mutator alters files in the ways in which they break, or are made to.
type mutator struct {
	rnd   *rand.Rand
	seeds []mutated
}

// boxes of ISO/IEC 14496-12 and elements around them whose fields steer the reader.
var boxes = []string{
	"ftyp", "moov", "mvhd", "trak", "tkhd", "edts", "elst", "mdia", "mdhd", "hdlr", "minf", "vmhd", "dinf", "stbl", "stsd", "avc1", "avcC", "hvc1", "hvcC", "mp4v",
	"stts", "ctts", "stss", "stsc", "stsz", "stco", "udta", "meta", "mdat", "moof", "mfhd", "traf", "tfhd", "tfdt", "trun", "mvex", "trex", "jpeg", "colr", "pasp", "sidx",
}

// next is the altered file number i; the same i gives the same file.
func (m *mutator) next(i int) mutated {
	m.rnd = rand.New(rand.NewPCG(2026, uint64(i)))
	seed := m.seeds[i%len(m.seeds)]
	data := bytes.Clone(seed.data)
	for range 1 + m.rnd.IntN(3) {
		data = m.change(data)
	}
	return mutated{fmt.Sprintf("%05d-%s", i, seed.name), data}
}

func (m *mutator) change(data []byte) []byte {
	if len(data) < 16 {
		return data
	}
	at := m.rnd.IntN(len(data) - 8)
	odd := [...]uint32{0, 1, 7, 8, 9, 0x7fffffff, 0x80000000, 0xffffffff, uint32(len(data)), uint32(len(data) * 2), m.rnd.Uint32()}
	value := odd[m.rnd.IntN(len(odd))]
	switch m.rnd.IntN(7) {
	case 0: // flipped bits
		for range 1 + m.rnd.IntN(64) {
			data[m.rnd.IntN(len(data))] ^= 1 << m.rnd.IntN(8)
		}
	case 1: // cut short
		data = data[:at]
	case 2, 3: // a box that lies about its size, or about what it holds
		name := []byte(boxes[m.rnd.IntN(len(boxes))])
		if b := bytes.Index(data, name); b >= 4 {
			offset := b - 4
			if m.rnd.IntN(2) == 0 {
				offset = b + 4 + 4*m.rnd.IntN(12)
			}
			if offset+4 <= len(data) {
				binary.BigEndian.PutUint32(data[offset:], value)
			}
		}
	case 4: // a number anywhere
		binary.BigEndian.PutUint32(data[at:], value)
	case 5: // a piece lost, or there twice
		end := min(len(data), at+1+m.rnd.IntN(2000))
		if m.rnd.IntN(2) == 0 {
			data = append(data[:at:at], data[end:]...)
		} else {
			data = append(data[:end:end], data[at:]...)
		}
	case 6: // zeros, as of blocks never written
		clear(data[at:min(len(data), at+1+m.rnd.IntN(4096))])
	}
	return data
}

func newMutator(t *testing.T) *mutator {
	h264 := []string{"-c:v", "libx264", "-preset", "veryfast", "-pix_fmt", "yuv420p", "-g", "6"}
	with := func(more ...string) []string { return append(append([]string(nil), h264...), more...) }
	m := &mutator{}
	for name, args := range map[string][]string{
		"front.mp4":  with("-movflags", "+faststart"),
		"behind.mov": with(),
		"pieces.mp4": with("-movflags", "frag_keyframe+empty_moov"),
		"hevc.mp4":   {"-c:v", "libx265", "-preset", "ultrafast", "-x265-params", "log-level=none", "-tag:v", "hvc1", "-pix_fmt", "yuv420p"},
		"mjpeg.avi":  {"-c:v", "mjpeg", "-q:v", "8", "-pix_fmt", "yuvj420p"},
		"h264.mkv":   with(),
		"h264.ts":    with(),
		"turned.mp4": with("-metadata:s:v", "rotate=90", "-movflags", "+faststart"),
	} {
		m.seeds = append(m.seeds, mutated{name, ffmpegClip(t, name, args...)})
	}
	// A map has no order, the numbers of the files have.
	for i := range m.seeds {
		for j := i + 1; j < len(m.seeds); j++ {
			if m.seeds[j].name < m.seeds[i].name {
				m.seeds[i], m.seeds[j] = m.seeds[j], m.seeds[i]
			}
		}
	}
	return m
}

// troublesome are files that were found to break something, which are read every
// time: their pictures were empty after the last that could be read.
var troublesome = []int{549, 693, 885, 2020}

// Whatever is in a file, it has a stated outcome: no crash, no hang, no flood
// of memory, and the clips beside it are read.
func TestMutatedClips(t *testing.T) {
	const atOnce = 100
	m, total := newMutator(t), mutatedClips()
	counts := map[string]int{}
	settings := configs.Default()
	settings.Jobs, settings.Stall, settings.Deadline, settings.MemoryMB = 2, 2*time.Minute, 4*time.Minute, 1200
	if total > 200 { // in the background of a busy machine, minutes without a turn are no hang
		settings.Stall, settings.Deadline = 15*time.Minute, 30*time.Minute
	}
	began, from, read := time.Now(), 0, 0
	if n, err := strconv.Atoi(os.Getenv("CAGEBOOK_FROM")); err == nil { // what an earlier run has read need not be read again
		from = n / atOnce * atOnce
	}
	for first := from; first < total; first += atOnce {
		root, out := t.TempDir(), t.TempDir()
		numbers := troublesome
		if first > from {
			numbers = nil
		}
		for i := first; i < min(total, first+atOnce); i++ {
			if !slices.Contains(numbers, i) {
				numbers = append(numbers[:len(numbers):len(numbers)], i)
			}
		}
		for _, i := range numbers {
			c := m.next(i)
			if err := os.WriteFile(filepath.Join(root, c.name), c.data, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		b := &pipeline.Batch{Root: root, Out: out, Settings: settings, Tool: pipeline.Tool{Version: "test"}}
		b.Worker = func(int) *exec.Cmd { return exec.Command("cagebook-decode") }
		b.OnEvent = func(e pipeline.Event) {
			if e.Kind != pipeline.EventClip {
				return
			}
			counts[e.State]++
			bad := e.State == report.Failed && !strings.Contains(e.Reason, "the limit of") // a clip that says it lasts for weeks
			if bad || e.State != report.NoSwing && e.Reason == "" {
				keep := filepath.Join(os.TempDir(), "cagebook-mutated-"+e.Clip)
				data, _ := os.ReadFile(filepath.Join(root, e.Clip)) // only to help
				_ = os.WriteFile(keep, data, 0o600)
				t.Errorf("%s (kept as %s): %s: %s", e.Clip, keep, e.State, e.Reason)
			}
		}
		s, err := b.Run(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if n := len(numbers); s.Clips != n || sum(s.Counts) != n {
			t.Fatalf("%d files, %d outcomes", n, sum(s.Counts))
		}
		read += len(numbers)
		if err := errors.Join(os.RemoveAll(root), os.RemoveAll(out)); err != nil {
			t.Fatal(err)
		}
		if total > 1000 {
			fmt.Fprintf(os.Stderr, "up to %d of %d after %v: %v\n", first+atOnce, total, time.Since(began).Round(time.Second), counts)
		}
	}
	t.Logf("%d files: %v", read, counts)
	if counts[report.NoSwing] < read/20 || counts[report.Damaged]+counts[report.NotVideo] < read/20 {
		t.Errorf("outcomes %v: too few of one kind to show anything", counts)
	}
}

func sum(counts map[string]int) (n int) {
	for _, c := range counts {
		n += c
	}
	return n
}
