package pipeline

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// loadMeter tells how many cores other programs keep busy. The system's load
// average cannot: it counts our own work, and waiting for disks.
type loadMeter struct {
	now  func() time.Time
	proc string // "" = /proc

	at         time.Time
	busy, own  float64 // core seconds at that time
	last       float64
	everywhere bool // at, busy and own are set
}

const (
	// loadSpan is the shortest time over which load is measured.
	loadSpan = 5 * time.Second

	// ticksHz is the kernel's unit of processor time (USER_HZ), 100 on every
	// architecture that Go runs on (proc(5), sysconf(3)).
	ticksHz = 100
)

// others is the mean number of cores busy with other programs since the last
// call; the first call, and one that follows too soon, repeats what was known.
func (m *loadMeter) others() (cores float64, err error) {
	t := m.now()
	if m.everywhere && t.Sub(m.at) < loadSpan {
		return m.last, nil
	}
	busy, err := m.busySeconds()
	if err != nil {
		return 0, err
	}
	own, err := m.ownSeconds()
	if err != nil {
		return 0, err
	}
	if m.everywhere {
		m.last = max(0, ((busy-m.busy)-(own-m.own))/t.Sub(m.at).Seconds())
	}
	m.at, m.busy, m.own, m.everywhere = t, busy, own, true
	return m.last, nil
}

func (m *loadMeter) path(name string) string {
	if m.proc == "" {
		return filepath.Join("/proc", name)
	}
	return filepath.Join(m.proc, name)
}

// busySeconds is the time that all cores have spent on anything since the start of the system.
func (m *loadMeter) busySeconds() (float64, error) {
	data, err := os.ReadFile(m.path("stat"))
	if err != nil {
		return 0, err
	}
	line, _, _ := strings.Cut(string(data), "\n")
	f := strings.Fields(line)
	if len(f) < 8 || f[0] != "cpu" {
		return 0, fmt.Errorf("%s: the first line is %q", m.path("stat"), line)
	}
	ticks := 0.0
	for i, s := range f[1:min(9, len(f))] {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			return 0, fmt.Errorf("%s: %w", m.path("stat"), err)
		}
		if i != 3 && i != 4 { // idle, and waiting for a disk; guests stand in user time already
			ticks += v
		}
	}
	return ticks / ticksHz, nil
}

// ownSeconds is the time that this process and all that came from it have
// spent, those that have ended too: their time passes to who waited for them.
func (m *loadMeter) ownSeconds() (float64, error) {
	names, err := filepath.Glob(m.path("[0-9]*"))
	if err != nil {
		return 0, err
	}
	type process struct {
		parent int
		ticks  float64
	}
	all := map[int]process{}
	for _, dir := range names {
		data, err := os.ReadFile(filepath.Join(dir, "stat"))
		if err != nil {
			continue // ended meanwhile
		}
		pid, _ := strconv.Atoi(filepath.Base(dir)) // the pattern lets digits alone through
		// The name of the program, in brackets, may hold anything.
		f := strings.Fields(string(data[bytes.LastIndexByte(data, ')')+1:]))
		if len(f) < 15 {
			continue
		}
		p := process{}
		p.parent, _ = strconv.Atoi(f[1])
		for _, s := range f[11:15] { // utime, stime, cutime, cstime
			v, _ := strconv.ParseFloat(s, 64) // the kernel writes digits
			p.ticks += v
		}
		all[pid] = p
	}
	self := os.Getpid()
	sum := 0.0
	for pid, p := range all {
		at := pid
		for range 64 { // deeper trees than any of ours, and no endless loop
			if at == self {
				sum += p.ticks
				break
			}
			next, ok := all[at]
			if !ok || at == next.parent {
				break
			}
			at = next.parent
		}
	}
	return sum / ticksHz, nil
}
