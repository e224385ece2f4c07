//go:build cgo

package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"cagebook/pipeline"
)

// A long night needs no more memory at its end than after its first clips: the
// real program looks at some hundred clips, with the real networks, and its
// memory and that of its worker are noted after each. Most clips are half a second of a
// test picture, which goes through decoding, the networks and the search for
// people; every so many is one out of a folder of real or rendered clips. All
// differ in their bytes, so that none is known.
//
// CAGEBOOK_NIGHT_CLIPS=500 says how many, CAGEBOOK_NIGHT_FROM=folder where the others lie, CAGEBOOK_NIGHT_EVERY=20 how often they come.
func TestNightMemory(t *testing.T) {
	clips, err := strconv.Atoi(os.Getenv("CAGEBOOK_NIGHT_CLIPS"))
	if err != nil {
		t.Skip("long: make night-memory")
	}
	root := t.TempDir()
	nightClips(t, root, clips)
	cmd := exec.Command("cagebook", "run", root, "-o", filepath.Join(t.TempDir(), "out"), "--json", "--jobs", "1", "--stall", "15m", "--deadline", "30m")
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var own, worker []float64 // MB after each clip
	counts, workers, began := map[string]int{}, map[int]bool{}, time.Now()
	for lines := bufio.NewScanner(out); lines.Scan(); {
		var e pipeline.Event
		if json.Unmarshal(lines.Bytes(), &e) != nil || e.Kind != pipeline.EventClip {
			continue
		}
		counts[e.State]++
		pid, mb := workerOf(cmd.Process.Pid)
		own = append(own, residentMB(cmd.Process.Pid))
		if pid != 0 { // after the last clip it may have ended
			workers[pid] = true
			worker = append(worker, mb)
		}
		if n := len(own); n%max(clips/10, 1) == 0 {
			fmt.Fprintf(os.Stderr, "%d of %d after %v: parent %.0f MB, worker %.0f MB\n", n, clips, time.Since(began).Round(time.Second), own[n-1], mb)
		}
	}
	if err := cmd.Wait(); err != nil {
		t.Error(err)
	}
	t.Logf("%d clips in %v: %v, %d worker processes", len(own), time.Since(began).Round(time.Second), counts, len(workers))
	if len(own) != clips || len(worker) < clips-2 || len(workers) != 1 {
		t.Errorf("%d clips ended, want %d; %d worker processes, want one", len(own), clips, len(workers))
	}
	for _, c := range []struct {
		name  string
		mb    []float64
		limit float64 // MB that a whole night may add
	}{{"parent", own, 30}, {"worker", worker, 60}} {
		settled := c.mb[len(c.mb)/5:] // the first fifth fills caches and pools
		slope, sigma := slopeOf(settled)
		fifth := max(len(settled)/4, 1)
		t.Logf("%s: at most %.0f MB; middle %.0f MB in the second fifth, %.0f MB in the last; slope %+.2f ± %.2f kB a clip",
			c.name, slices.Max(c.mb), median(settled[:fifth]), median(settled[len(settled)-fifth:]), 1000*slope, 1000*sigma)
		if grown := (slope - 2*sigma) * float64(clips); grown > c.limit {
			t.Errorf("%s: grows by %.0f MB a night of %d clips", c.name, grown, clips)
		}
	}
}

// nightClips fills a folder with clips of which no two have the same bytes.
func nightClips(t *testing.T, root string, n int) {
	t.Helper()
	plain := [][]byte{
		ffmpegClip(t, "a.mp4", "-c:v", "libx264", "-preset", "veryfast", "-pix_fmt", "yuv420p"),
		ffmpegClip(t, "b.mp4", "-c:v", "mpeg4"),
		ffmpegClip(t, "c.mp4", "-c:v", "libx264", "-preset", "veryfast", "-pix_fmt", "yuv420p", "-vf", "scale=640:360"),
	}
	var others []string
	if from := os.Getenv("CAGEBOOK_NIGHT_FROM"); from != "" {
		err := filepath.WalkDir(from, func(path string, _ fs.DirEntry, err error) error {
			if strings.HasSuffix(path, ".mp4") {
				others = append(others, path)
			}
			return err
		})
		if err != nil || len(others) == 0 {
			t.Fatalf("no *.mp4 in %s: %v", from, err)
		}
	}
	every, err := strconv.Atoi(os.Getenv("CAGEBOOK_NIGHT_EVERY"))
	if err != nil {
		every = 20
	}
	for i := range n {
		data := plain[i%len(plain)]
		if len(others) > 0 && i%every == every/2 {
			if data, err = os.ReadFile(others[i/every%len(others)]); err != nil {
				t.Fatal(err)
			}
		}
		// A box that readers pass over (ISO/IEC 14496-12, section 8.1.2) makes each clip another one.
		box := fmt.Sprintf("\x00\x00\x00\x10free%08d", i)
		if err := os.WriteFile(filepath.Join(root, fmt.Sprintf("%05d.mp4", i)), append(slices.Clip(data), box...), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// workerOf is the child process that holds most memory.
func workerOf(parent int) (pid int, mb float64) {
	stats, _ := filepath.Glob("/proc/[0-9]*/stat")
	for _, s := range stats {
		data, err := os.ReadFile(s)
		if err != nil {
			continue // ended meanwhile
		}
		f := strings.Fields(string(data[strings.LastIndexByte(string(data), ')')+1:]))
		if len(f) < 2 || f[1] != strconv.Itoa(parent) {
			continue
		}
		child, err := strconv.Atoi(filepath.Base(filepath.Dir(s)))
		if err != nil {
			continue
		}
		if m := residentMB(child); m > mb {
			pid, mb = child, m
		}
	}
	return pid, mb
}

// residentMB is the memory of a process that lies in RAM (proc(5), statm).
func residentMB(pid int) float64 {
	var size, pages float64
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/statm", pid))
	if err == nil {
		_, err = fmt.Sscan(string(data), &size, &pages)
	}
	if err != nil {
		return 0
	}
	return pages * float64(os.Getpagesize()) / 1e6
}

// slopeOf is the least-squares slope of y over 0, 1, 2, … and its standard error.
func slopeOf(y []float64) (slope, sigma float64) {
	n := float64(len(y))
	if n < 3 {
		return 0, math.Inf(1)
	}
	var sy, sxy float64
	mean := (n - 1) / 2
	for i, v := range y {
		sy += v
		sxy += (float64(i) - mean) * v
	}
	sxx := n * (n*n - 1) / 12
	slope = sxy / sxx
	rest := 0.0
	for i, v := range y {
		d := v - sy/n - slope*(float64(i)-mean)
		rest += d * d
	}
	return slope, math.Sqrt(rest / (n - 2) / sxx)
}

func median(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	return s[len(s)/2]
}
