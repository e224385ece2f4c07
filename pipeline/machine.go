package pipeline

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"

	"cagebook/configs"
)

const (
	// jobMB is what a clip in work is given of the memory: most take up to 0.9 GB, those of 4K 1.2 GB.
	jobMB = 1500
	// spareMB is left to everything else.
	spareMB = 500
)

// AtOnce is how many clips are in work at once: as many as was said, or one for each core as far as the memory that is free goes.
// Two beside each other on two cores take 0.9 of the time of one after the other.
func AtOnce(s configs.Settings) int {
	switch {
	case s.Jobs > 0:
		return s.Jobs
	case s.InProcess: // its networks are there once
		return 1
	}
	free, err := FreeMB()
	if err != nil {
		return 1
	}
	return carried(runtime.GOMAXPROCS(0), free)
}

func carried(cores int, freeMB float64) int {
	return max(1, min(cores, int((freeMB-spareMB)/jobMB), configs.MaxJobs))
}

// FreeMB is the memory that new processes can take: what the system has available, or what the control groups of this process allow in
// all, if that is less.
func FreeMB() (float64, error) { return freeMB("/") }

func freeMB(root string) (float64, error) {
	name := filepath.Join(root, "proc/meminfo")
	data, err := os.ReadFile(name)
	if err != nil {
		return 0, err
	}
	_, after, _ := bytes.Cut(data, []byte("MemAvailable:"))
	var kB float64
	if _, err := fmt.Sscan(string(after), &kB); err != nil {
		return 0, fmt.Errorf("%s: MemAvailable: %w", name, err)
	}
	free := kB / 1024
	own, err := os.ReadFile(filepath.Join(root, "proc/self/cgroup"))
	if err != nil {
		return free, nil // a system without control groups
	}
	for line := range strings.Lines(string(own)) {
		f := strings.SplitN(strings.TrimSpace(line), ":", 3) // number, controllers, group
		dir, file := "sys/fs/cgroup", "memory.max"
		if len(f) == 3 && f[1] == "memory" { // version 1
			dir, file = "sys/fs/cgroup/memory", "memory.limit_in_bytes"
		} else if len(f) != 3 || f[1] != "" {
			continue
		}
		for group := path.Clean("/" + f[2]); ; group = path.Dir(group) { // in a container the group may be named as outside of it
			free = math.Min(free, limitMB(filepath.Join(root, dir, group, file)))
			if group == "/" {
				break
			}
		}
	}
	return free, nil
}

// limitMB is the limit that a file of a control group states; none is +Inf.
func limitMB(file string) float64 {
	data, err := os.ReadFile(file)
	if err != nil {
		return math.Inf(1)
	}
	b, err := strconv.ParseFloat(strings.TrimSpace(string(data)), 64)
	if err != nil { // "max"
		return math.Inf(1)
	}
	return b / (1 << 20)
}

// threads is how many threads a worker process that begins now gives to each network: the cores, shared out over the clips that
// will be in work beside each other, but two where there are two. What one process leaves idle another takes, and the last clip has both:
// three alike clips on two cores took 142 s with two threads each, 156 s with one, and 150 s one after the other.
func (r *run) threads() int {
	if t := r.b.Settings.Threads; t > 0 {
		return t
	}
	n := r.atOnce
	if len(r.reports) > 0 { // of a queue nobody knows what is left
		r.mu.Lock()
		n = min(n, max(1, len(r.reports)-r.ended))
		r.mu.Unlock()
	}
	cores := runtime.GOMAXPROCS(0)
	return max(min(cores, 2), cores/n)
}
