package main

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"sort"
	"strings"
)

var sectionTitles = map[string]string{
	"swings": "Swings, person, side, view", "events": "Instants", "contact": "Contact, by witness", "measures": "Measures",
	"findings": "Findings", "bat": "Bat, in frames in which it can be seen", "keypoints": "Keypoints, stance to finish",
}

func (t *table) headline() string {
	s := fmt.Sprintf("%s, %s, commit %s: %d clips counted", t.Set, t.Date, or(t.Commit, "not known"), t.Clips)
	if t.NoReport > 0 {
		s += fmt.Sprintf(", %d have no report yet", t.NoReport)
	}
	if len(t.Outcomes) > 0 {
		s += " (" + counted(t.Outcomes) + ")"
	}
	if len(t.Versions) > 0 {
		s += "; reports by version " + counted(t.Versions)
	}
	return s
}

// counted lists what is there at all: "done 12, no_swing 3".
func counted(m map[string]int) string {
	var out []string
	for _, k := range sortedKeys(m) {
		if m[k] > 0 {
			out = append(out, fmt.Sprintf("%s %d", k, m[k]))
		}
	}
	return strings.Join(out, ", ")
}

func or(s, other string) string {
	if s == "" {
		return other
	}
	return s
}

// number is a value with as many digits as mean something.
func number(v *float64) string {
	if v == nil {
		return ""
	}
	switch a := math.Abs(*v); {
	case a >= 100:
		return fmt.Sprintf("%.0f", *v)
	case a >= 10:
		return fmt.Sprintf("%.1f", *v)
	case a >= 1:
		return fmt.Sprintf("%.2f", *v)
	}
	return fmt.Sprintf("%.3f", *v)
}

func percent(v *float64) string {
	if v == nil {
		return ""
	}
	return fmt.Sprintf("%.1f %%", 100**v)
}

// cells are a row's columns: name, n, bias, median, 95th, σ, inside, share, goals, counts.
func (r *row) cells() [10]string {
	name := r.Name
	if r.Group != "" {
		name += " · " + r.Group
	}
	switch r.Unit {
	case "", "share", "per 100 clips":
	default:
		name += ", " + r.Unit
	}
	var goals []string
	for _, g := range r.Goals {
		v := ""
		switch {
		case r.Unit == "per 100 clips":
			v = fmt.Sprintf(" (%.1f)", g.Value)
		case strings.Contains(g.Text, "within"):
			v = fmt.Sprintf(" (%.1f %%)", 100*g.Value)
		}
		goals = append(goals, g.Text+v+": "+g.Verdict)
	}
	return [10]string{
		name, fmt.Sprint(r.N), number(r.Bias), number(r.Median), number(r.P95), number(r.Sigma), percent(r.Inside), percent(r.Share),
		strings.Join(goals, "; "), counted(r.Counts),
	}
}

var columns = [10]string{"", "n", "bias", "median", "95th", "sigma", "inside", "share", "goals", "counts"}

// sections are the rows of each section in their order.
func (t *table) sections(f func(name string, rows []row)) {
	for i := 0; i < len(t.Rows); {
		k := i
		for k < len(t.Rows) && t.Rows[k].Section == t.Rows[i].Section {
			k++
		}
		f(t.Rows[i].Section, t.Rows[i:k])
		i = k
	}
}

// misses are the goals that are missed.
func (t *table) misses() (out []string, goals int) {
	for i := range t.Rows {
		r := &t.Rows[i]
		for _, g := range r.Goals {
			goals++
			if strings.HasPrefix(g.Verdict, missed) {
				out = append(out, fmt.Sprintf("%s: %s; goal %s; is %s", r.Section, r.cells()[0], g.Text, is(r, g)))
			}
		}
	}
	sort.Strings(out)
	return out, goals
}

func is(r *row, g goal) string {
	if strings.HasPrefix(g.Text, "median") || strings.HasPrefix(g.Text, "95th") || r.Unit == "per 100 clips" {
		return number(&g.Value)
	}
	return percent(&g.Value)
}

func (t *table) print(w io.Writer) {
	fmt.Fprintf(w, "%s\n", t.headline())
	t.sections(func(name string, rows []row) {
		fmt.Fprintf(w, "\n%-62s %6s %8s %8s %8s %8s %8s %8s\n", sectionTitles[name], columns[1], columns[2], columns[3], columns[4], columns[5], columns[6], columns[7])
		for i := range rows {
			c := rows[i].cells()
			line := fmt.Sprintf("%-62s %6s %8s %8s %8s %8s %8s %8s  %s", c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7], c[8])
			if c[9] != "" {
				line = fmt.Sprintf("%s  [%s]", line, c[9])
			}
			fmt.Fprintln(w, strings.TrimRight(line, " "))
		}
	})
	if len(t.Notices) > 0 {
		fmt.Fprintf(w, "\nWhat went wrong, clip by clip\n")
		for _, n := range t.Notices {
			fmt.Fprintln(w, n)
		}
	}
	m, n := t.misses()
	fmt.Fprintf(w, "\n%d of %d goals missed\n", len(m), n)
	for _, s := range m {
		fmt.Fprintln(w, "MISSED "+s)
	}
}

// markdown is the table as a page that can be kept.
func (t *table) markdown() []byte {
	var b bytes.Buffer
	m, n := t.misses()
	fmt.Fprintf(&b, "# Accuracy against known truth\n\n%s.\n\n", t.headline())
	fmt.Fprintf(&b, "Made by `studio accuracy`; do not edit. Bias is the mean error; median and 95th are percentiles of the error's size; sigma is the median of the stated standard uncertainty;\n"+
		"inside is the share of truths within 1.96 sigma. Share is what the row's name says, for measures the share with a value, for the bat the share of frames answered within 5 %% of body height.\n\n")
	fmt.Fprintf(&b, "## Goals missed: %d of %d\n\n", len(m), n)
	for _, s := range m {
		fmt.Fprintf(&b, "- %s\n", s)
	}
	t.sections(func(name string, rows []row) {
		fmt.Fprintf(&b, "\n## %s\n\n| what | %s |\n|---|%s\n", sectionTitles[name], strings.Join(columns[1:], " | "), strings.Repeat("---:|", 7)+"---|---|")
		for i := range rows {
			c := rows[i].cells()
			fmt.Fprintf(&b, "| %s |\n", strings.Join(c[:], " | "))
		}
	})
	if len(t.Notices) > 0 {
		fmt.Fprintf(&b, "\n## What went wrong, clip by clip\n\n")
		for _, s := range t.Notices {
			fmt.Fprintf(&b, "- %s\n", s)
		}
	}
	return b.Bytes()
}
