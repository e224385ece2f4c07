package main

import "fmt"

// floor is the least (or, with most, the largest) that a row of the quick set may show.
type floor struct {
	section, name, group string
	what                 string // share | inside_95 | median_error | p95_error | goal
	least, most          float64
}

// quickFloors are what the quick set must hold: what holds comfortably today, with one clip of eight to spare. They are
// no goals: those stand in the table.
var quickFloors = []floor{
	{section: "swings", name: "swings found", what: "share", least: 0.75},
	{section: "swings", name: "swings invented per 100 clips", what: "goal", most: 17}, // two
	{section: "swings", name: "right person in the swings found", what: "share", least: 0.99},
	{section: "swings", name: "bats side right", what: "share", least: 0.85},
	{section: "swings", name: "view side right", what: "share", least: 0.85},
	{section: "events", name: "contact", what: "median_error", most: 12}, // ms
	{section: "events", name: "contact", what: "inside_95", least: 0.50}, // 0.62: the ball is too sure of itself; the body alone has 1
	{section: "events", name: "hands_start", what: "median_error", most: 40},
	{section: "events", name: "foot_down", what: "inside_95", least: 0.70},
	{section: "measures", name: "stance_width @ stance", what: "inside_95", least: 0.70},
	{section: "bat", name: "barrel end within 5 % of body height", what: "share", least: 0.50},
	{section: "keypoints", name: "left_knee", group: "smoothed", what: "median_error", most: 2.5}, // % of body height
}

// below says which floors a table falls below. A row that is not there is below its floor.
func (t *table) below(floors []floor) (out []string) {
	for _, f := range floors {
		what := fmt.Sprintf("%s: %s %s", f.section, f.name, f.group)
		r := t.find(f.section, f.name, f.group)
		if r == nil {
			out = append(out, what+": no such row")
			continue
		}
		var v *float64
		switch f.what {
		case "share":
			v = r.Share
		case "inside_95":
			v = r.Inside
		case "median_error":
			v = r.Median
		case "p95_error":
			v = r.P95
		case "goal":
			if len(r.Goals) > 0 {
				v = &r.Goals[0].Value
			}
		}
		switch {
		case v == nil:
			out = append(out, fmt.Sprintf("%s: no %s (n = %d)", what, f.what, r.N))
		case f.most > 0 && *v > f.most:
			out = append(out, fmt.Sprintf("%s: %s is %.3f, at most %.3f is allowed", what, f.what, *v, f.most))
		case f.most == 0 && *v < f.least:
			out = append(out, fmt.Sprintf("%s: %s is %.3f, at least %.3f is needed", what, f.what, *v, f.least))
		}
	}
	return out
}
