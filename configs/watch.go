package configs

import (
	"fmt"
	"strings"
	"time"

	"github.com/spf13/pflag"
)

// Watch steers how a folder is watched.
type Watch struct {
	// Window is the time of day in which clips are looked at.
	Window Window

	// MaxLoad is the number of cores that other programs may keep busy while a
	// clip is begun; 0 = any.
	MaxLoad float64

	// Quiet is how long a file must have stayed as it is to count as complete.
	// Phones and shares pause while they copy, seldom for half a minute.
	Quiet time.Duration

	// Poll is the time between two looks at the folder: polling also works on
	// network folders, which send no events, and costs one listing.
	Poll time.Duration
}

// DefaultWatch is the only place where these defaults stand.
func DefaultWatch() Watch {
	return Watch{Quiet: 30 * time.Second, Poll: 10 * time.Second}
}

// AddFlags lets flags set w. Call it with w = DefaultWatch().
func (w *Watch) AddFlags(fs *pflag.FlagSet) {
	fs.Var(&w.Window, "window", "time of day in which clips are looked at, such as 22:00-06:00 (default: always)")
	fs.Float64Var(&w.MaxLoad, "max-load", w.MaxLoad, "begin no clip while other programs keep more cores busy than this (0 = always begin)")
	fs.DurationVar(&w.Quiet, "quiet", w.Quiet, "a file that has not changed for so long is complete")
	fs.DurationVar(&w.Poll, "poll", w.Poll, "time between two looks at the folder")
}

// Validate returns every setting that cannot be.
func (w Watch) Validate() error {
	var problems Problems
	bad := func(flag string, got any, want string) {
		problems = append(problems, Problem{File: "settings", Key: "--" + flag, Got: fmt.Sprint(got), Want: want})
	}
	if !(w.MaxLoad >= 0) { // nor NaN
		bad("max-load", w.MaxLoad, "0 (always begin) or a number of cores")
	}
	if w.Quiet < time.Second {
		bad("quiet", w.Quiet, "1s or more")
	}
	if w.Poll < time.Second || w.Poll > time.Hour {
		bad("poll", w.Poll, "1s to 1h")
	}
	if len(problems) > 0 {
		return problems
	}
	return nil
}

// Window is a time of day, from one minute to another, by the clock on the
// wall; it may reach over midnight. The zero value is the whole day.
type Window struct {
	From, To int // minutes since midnight; equal = the whole day
}

// ParseWindow reads HH:MM-HH:MM.
func ParseWindow(s string) (Window, error) {
	from, to, ok := strings.Cut(strings.ReplaceAll(s, "–", "-"), "-")
	w := Window{minuteOfDay(from), minuteOfDay(to)}
	if !ok || w.From < 0 || w.To < 0 || w.From == w.To {
		return Window{}, fmt.Errorf("%q is no window; want from and to, such as 22:00-06:00", shorten(s))
	}
	return w, nil
}

// minuteOfDay reads HH:MM; −1 = it is no time of day.
func minuteOfDay(s string) int {
	t, err := time.Parse("15:04", strings.TrimSpace(s))
	if err != nil {
		return -1
	}
	return t.Hour()*60 + t.Minute()
}

// Set implements pflag.Value.
func (w *Window) Set(s string) (err error) {
	*w, err = ParseWindow(s)
	return err
}

// Type implements pflag.Value.
func (w *Window) Type() string { return "HH:MM-HH:MM" }

// String is HH:MM-HH:MM, or nothing for the whole day.
func (w *Window) String() string {
	if w.From == w.To {
		return ""
	}
	return clock(w.From) + "-" + clock(w.To)
}

// Opens is when the window opens, HH:MM.
func (w *Window) Opens() string { return clock(w.From) }

func clock(minute int) string { return fmt.Sprintf("%02d:%02d", minute/60, minute%60) }

// Closes says whether the window is open at t and when it closes next, which
// is never (zero) for the whole day.
func (w *Window) Closes(t time.Time) (at time.Time, open bool) {
	if w.From == w.To {
		return time.Time{}, true
	}
	m := t.Hour()*60 + t.Minute()
	if w.From < w.To {
		open = m >= w.From && m < w.To
	} else {
		open = m >= w.From || m < w.To
	}
	if !open {
		return time.Time{}, false
	}
	day := t.Day()
	if m >= w.To {
		day++
	}
	return time.Date(t.Year(), t.Month(), day, w.To/60, w.To%60, 0, 0, t.Location()), true
}
