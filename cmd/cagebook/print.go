//go:build cgo

package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"golang.org/x/term"

	"cagebook/pipeline"
	"cagebook/report"
)

// stateWords say an outcome on the terminal.
var stateWords = map[string]string{
	report.Done: "done", report.NoSwing: "no swing", report.NoHitter: "no hitter", report.NotVideo: "not a video",
	report.Damaged: "damaged", report.BadSettings: "wrong settings", report.Failed: "failed",
}

// statesInOrder is the order in which the summary counts them.
var statesInOrder = []string{
	report.Done, report.NoSwing, report.NoHitter, report.NotVideo, report.Damaged, report.BadSettings, report.Failed,
}

// printer tells a person, or a program, how a batch goes.
type printer struct {
	s        streams
	json     bool
	terminal bool // a status line that is written over, besides the lines that stay

	clips, ended   int
	resumed        int   // of those that ended, known from an earlier run
	bytes, bytesIn int64 // of all clips; of those that ended
	worked         int64 // bytes of clips that were really looked at
	workedClips    int
	began          time.Time
	lost           []string
	drawn          time.Time
}

func newPrinter(s streams, asJSON bool) *printer {
	f, ok := s.err.(*os.File)
	return &printer{s: s, json: asJSON, terminal: ok && !asJSON && term.IsTerminal(int(f.Fd())), began: time.Now()}
}

func (p *printer) event(e pipeline.Event) {
	if p.json {
		_ = json.NewEncoder(p.s.out).Encode(e) // nobody reads: no reason to stop the night
		return
	}
	switch e.Kind {
	case pipeline.EventFound:
		p.clips, p.bytes, p.bytesIn, p.ended, p.resumed, p.lost = e.Clips, e.Bytes, 0, 0, 0, nil // a watch finds more than once
		p.worked, p.workedClips, p.began = 0, 0, time.Now()
		if e.Bytes > 0 {
			line := fmt.Sprintf("%s to look at, %s", plural(e.Clips, "clip"), megabytes(e.Bytes))
			if e.AtOnce > 1 {
				line += fmt.Sprintf(", %d at once", e.AtOnce)
			}
			p.line(p.s.out, line)
		}
	case pipeline.EventWarning:
		p.line(p.s.err, "warning: "+e.Reason)
	case pipeline.EventRetry:
		p.line(p.s.err, fmt.Sprintf("%s: once more, because: %s", quoted(e.Clip), e.Reason))
	case pipeline.EventProgress:
		p.status(e)
	case pipeline.EventClip:
		p.clip(e)
	case pipeline.EventQueue:
		p.queue(e)
	case pipeline.EventWaiting:
		p.line(p.s.out, time.Now().Format("15:04:05")+" waiting "+e.Reason)
	case pipeline.EventFinished:
		p.finished(e)
	}
}

func (p *printer) clip(e pipeline.Event) {
	p.ended = e.Ended
	p.bytesIn += e.Bytes
	if e.Resumed {
		p.resumed++
	} else if e.Bytes > 0 && e.Seconds >= 0.1 { // wrong settings take no time and say nothing of the rest
		p.worked += e.Bytes
		p.workedClips++
	}
	text := stateWords[e.State]
	if e.State == report.Done {
		text = plural(e.Swings, "swing")
	}
	switch {
	case e.Resumed:
		text += ", from an earlier run"
	case e.Seconds >= 0.1:
		text += fmt.Sprintf(", %.1f s", e.Seconds)
	}
	if e.Lost > 0 && e.State == report.Done { // elsewhere the reason says it
		text += fmt.Sprintf(", %s could not be read", plural(e.Lost, "frame"))
	}
	if e.Reason != "" && e.State != report.Done {
		text += ": " + strings.ReplaceAll(e.Reason, "\n", "; ")
	}
	width := len(fmt.Sprint(p.clips))
	p.line(p.s.out, fmt.Sprintf("[%*d/%d] %s: %s%s", width, e.Ended, p.clips, quoted(e.Clip), text, p.left()))
	switch e.State {
	case report.Done, report.NoSwing, report.NoHitter:
	default:
		p.lost = append(p.lost, quoted(e.Clip))
	}
}

// left estimates the rest from the bytes looked at so far, once three clips have shown how long they take.
func (p *printer) left() string {
	if p.workedClips < 3 || p.ended >= p.clips || p.worked == 0 {
		return ""
	}
	seconds := time.Since(p.began).Seconds() / float64(p.worked) * float64(p.bytes-p.bytesIn)
	switch {
	case seconds < 90:
		return fmt.Sprintf(" (about %.0f s left)", seconds)
	case seconds < 90*60:
		return fmt.Sprintf(" (about %.0f min left)", seconds/60)
	case seconds < 100*3600:
		return fmt.Sprintf(" (about %.1f h left)", seconds/3600)
	}
	return "" // some file is large beyond all likelihood
}

func (p *printer) finished(e pipeline.Event) {
	if e.Clips == 0 {
		return
	}
	var parts []string
	for _, s := range statesInOrder {
		if n := e.Counts[s]; n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, stateWords[s]))
		}
	}
	if rest := e.Clips - e.Ended; rest > 0 {
		what := "not reached"
		if e.Reason != "" {
			what = e.Reason
		}
		parts = append(parts, fmt.Sprintf("%d %s", rest, what))
	}
	known := ""
	switch {
	case p.resumed == e.Clips:
		known = "; nothing was new: all from an earlier run"
	case p.resumed > 0:
		known = fmt.Sprintf("; %d from an earlier run", p.resumed)
	}
	p.line(p.s.out, fmt.Sprintf("%s: %s%s", plural(e.Clips, "clip"), strings.Join(parts, ", "), known))
	if len(p.lost) > 0 {
		p.line(p.s.out, "not processed: "+strings.Join(p.lost, ", "))
	}
}

// queue tells how clips fare on other machines, on a terminal in the line that is
// written over, else once a minute.
func (p *printer) queue(e pipeline.Event) {
	if p.terminal {
		fmt.Fprintf(p.s.err, "\r\x1b[K%s%s", e.Reason, p.left())
		return
	}
	if time.Since(p.drawn) >= time.Minute {
		p.drawn = time.Now()
		p.line(p.s.out, "the queue: "+e.Reason+p.left())
	}
}

// status writes over the last line of the terminal what is in work now.
func (p *printer) status(e pipeline.Event) {
	if !p.terminal || time.Since(p.drawn) < 100*time.Millisecond {
		return
	}
	p.drawn = time.Now()
	text := fmt.Sprintf("%s: %s", quoted(e.Clip), e.Stage)
	if e.Total > 0 {
		text += fmt.Sprintf(" %d %%", 100*e.Done/e.Total)
	}
	text += fmt.Sprintf(" · %d of %s%s", p.ended, plural(p.clips, "clip"), p.left())
	if f, ok := p.s.err.(*os.File); ok {
		if w, _, err := term.GetSize(int(f.Fd())); err == nil && len([]rune(text)) >= w && w > 1 {
			text = string([]rune(text)[:w-1])
		}
	}
	fmt.Fprintf(p.s.err, "\r\x1b[K%s", text)
}

// line writes a line that stays.
func (p *printer) line(w io.Writer, text string) {
	if p.terminal {
		fmt.Fprint(p.s.err, "\r\x1b[K")
	}
	fmt.Fprintln(w, report.Shown(text))
}

func (p *printer) close() {
	if p.terminal {
		fmt.Fprint(p.s.err, "\r\x1b[K")
	}
}

// quoted is a clip's name, in quotes where it holds anything that could upset a terminal.
func quoted(name string) string {
	if q := fmt.Sprintf("%q", name); q != `"`+name+`"` {
		return q
	}
	return name
}

func plural(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

func megabytes(n int64) string {
	if n < 1e9 {
		return fmt.Sprintf("%.1f MB", float64(n)/1e6)
	}
	return fmt.Sprintf("%.1f GB", float64(n)/1e9)
}
