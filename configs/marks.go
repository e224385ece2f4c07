package configs

import (
	"fmt"
	"slices"
	"strings"

	"gopkg.in/yaml.v3"
)

// readHitterAt reads a time and a place; all three numbers are needed.
func readHitterAt(r *reader, n *yaml.Node, s *Sidecar) {
	const example = "hitter_at: {time_s: 2.4, x: 0.45, y: 0.6}"
	if n.Kind != yaml.MappingNode {
		r.add(n.Line, "hitter_at", describe(n), "a time and a place in the picture", example)
		return
	}
	var p Place
	want := map[string]struct {
		to   *float64
		most float64
		text string
	}{
		"time_s": {&p.TimeS, maxMarkS, "seconds from 0 to 10800"},
		"x":      {&p.X, 1, "a share of the picture's width, from 0 to 1"},
		"y":      {&p.Y, 1, "a share of the picture's height, from 0 to 1"},
	}
	keys, good := []string{"time_s", "x", "y"}, true
	for key, value := range r.pairs(n, "hitter_at.") {
		w, ok := want[key.Value]
		if !ok {
			r.add(key.Line, "hitter_at."+show(key.Value), "unknown key", "one of "+strings.Join(keys, ", "), didYouMean(key.Value, keys))
			good = false
			continue
		}
		delete(want, key.Value)
		v, ok := number(value)
		if !ok || !(v >= 0 && v <= w.most) {
			r.add(value.Line, "hitter_at."+key.Value, describe(value), w.text, example)
			good = false
		}
		*w.to = v
	}
	for _, k := range keys {
		if _, missing := want[k]; missing && good {
			r.add(n.Line, "hitter_at", "no "+k, "time_s, x and y", example)
			good = false
		}
	}
	if good {
		s.HitterAt = &p
	}
}

func readMarks(r *reader, n *yaml.Node, s *Sidecar) {
	if n.Kind != yaml.MappingNode {
		r.add(n.Line, "marks", describe(n), "event names with times in seconds", "marks: {contact: 1.42}")
		return
	}
	marks := map[string][]float64{}
	for key, value := range r.pairs(n, "marks.") {
		if !slices.Contains(EventNames, key.Value) {
			r.add(key.Line, "marks."+show(key.Value), "unknown event", "one of "+strings.Join(EventNames, ", "), didYouMean(key.Value, EventNames))
			continue
		}
		if times, ok := r.times(value, "marks."+key.Value); ok {
			marks[key.Value] = times
		}
	}
	if len(marks) > 0 {
		s.Marks = marks
	}
}

// times reads one time or a list of them, rising.
func (r *reader) times(n *yaml.Node, key string) ([]float64, bool) {
	const want = "seconds from 0 to 10800, one time or a list of rising ones"
	nodes := []*yaml.Node{n}
	if n.Kind == yaml.SequenceNode {
		nodes = n.Content
	}
	if len(nodes) == 0 || len(nodes) > maxMarks {
		r.add(n.Line, key, fmt.Sprintf("%d times", len(nodes)), want, "")
		return nil, false
	}
	times := make([]float64, 0, len(nodes))
	good := true
	for _, t := range nodes {
		v, ok := number(t)
		switch {
		case !ok || !(v >= 0 && v <= maxMarkS):
			r.add(t.Line, key, describe(t), want, "")
			good = false
		case len(times) > 0 && v <= times[len(times)-1]:
			r.add(t.Line, key, describe(t)+" does not come after the time before it", want, "")
			good = false
		default:
			times = append(times, v)
		}
	}
	return times, good
}
