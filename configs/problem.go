// Package configs holds the settings of the program: defaults in one place,
// environment and flags, and the files that people put beside their clips. It
// imports nothing of ours.
package configs

import (
	"fmt"
	"strings"
)

// Problem is one thing wrong in a settings file.
type Problem struct {
	File string
	Line int    // 1-based; 0 = the file as a whole
	Key  string // e.g. "height_m" or "marks.contact"; "" = the file as a whole
	Got  string // what stands there, shortened
	Want string // what is allowed
	Hint string // what to write instead; may be empty
}

// String is one line: file:line: key: got; want … (hint: …).
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d", p.Line)
	}
	if p.Key != "" {
		fmt.Fprintf(&b, ": %s", p.Key)
	}
	if p.Got != "" {
		fmt.Fprintf(&b, ": %s", p.Got)
	}
	if p.Want != "" {
		fmt.Fprintf(&b, "; want %s", p.Want)
	}
	if p.Hint != "" {
		fmt.Fprintf(&b, " (hint: %s)", p.Hint)
	}
	return b.String()
}

// Problems is everything wrong in one or more settings files; as an error it is one line a problem.
type Problems []Problem

func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

// shorten makes text from a file fit to be printed: quoted, at most 40 runes.
func shorten(s string) string {
	r := []rune(s)
	if len(r) > 40 {
		return fmt.Sprintf("%q…", string(r[:40]))
	}
	return fmt.Sprintf("%q", s)
}
