package bat

import (
	"math"
	"slices"
)

// Which of two hands that are apart holds the bat, from frame to frame. Scores are those of the polar search: a bat seen in full
// has 5 to 20.
const (
	handSpeed = 6.0  // heights a second: hands reach 10 m/s
	costJump  = 60.0 // a height beyond what that allows
	costOther = 1.0  // of the hand that is the less likely one, a frame
	mostSight = 8.0  // a frame's evidence counts up to this
)

// hands chooses the place in each frame from which more of a bat is seen, along a way that hands can take; -1 = none.
func (f *follower) hands(seen [][]sight) []int {
	n := len(seen)
	out := make([]int, n)
	type state struct {
		cost float64
		from int
	}
	states := make([][]state, n)
	last := -1
	for i := range n {
		out[i] = -1
		if len(seen[i]) == 0 {
			continue
		}
		states[i] = make([]state, len(seen[i]))
		for k := range seen[i] {
			s := &states[i][k]
			if last >= 0 {
				free := handSpeed * (f.s.Times[i] - f.s.Times[last])
				s.cost = math.Inf(1)
				for q := range seen[last] {
					a, b := seen[last][q].grip, seen[i][k].grip
					jump := math.Hypot(a.x-b.x, a.y-b.y)/f.s.Height - free
					if c := states[last][q].cost + costJump*math.Max(0, jump); c < s.cost {
						s.cost, s.from = c, q
					}
				}
			}
			if len(seen[i]) > 1 {
				s.cost -= math.Min(mostSight, float64(slices.Max(seen[i][k].polar)))
				s.cost += costOther * float64(k)
			}
		}
		last = i
	}
	if last < 0 {
		return out
	}
	k := 0
	for q := range states[last] {
		if states[last][q].cost < states[last][k].cost {
			k = q
		}
	}
	for i := last; i >= 0; i-- {
		if len(states[i]) == 0 {
			continue
		}
		out[i] = k
		k = states[i][k].from
	}
	return out
}
