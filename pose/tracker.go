package pose

import (
	"math"
	"slices"
)

// Sample is what the coarse pass saw at one instant.
type Sample struct {
	Frame   int
	TimeS   float64
	People  []Person
	Objects []Object
}

// sighting is one person in one sample.
type sighting struct {
	sample int // index into the samples
	timeS  float64
	person Person
}

// walker is one person followed over time.
type walker struct {
	seen []sighting
}

func (w *walker) last() *sighting { return &w.seen[len(w.seen)-1] }

const (
	followGapS    = 1.2 // a person hidden for longer starts anew (and may be joined later)
	joinGapS      = 3.0 // two stretches this far apart may be one person
	coarseMin     = 0.2 // score from which a point of the people model counts
	followReach   = 0.35
	followReachPS = 1.2 // body lengths a second that a person runs at most, roughly
)

// follow assigns the people of each sample to persons over time: best pairs
// first, by distance from where each was expected, overlap and shirt.
func follow(samples []Sample) []*walker {
	var active, done []*walker
	for i, s := range samples {
		type pair struct {
			w, p int
			cost float64
		}
		var pairs []pair
		for wi, w := range active {
			for pi := range s.People {
				if c := followCost(w, &s.People[pi], s.TimeS); c < 1 {
					pairs = append(pairs, pair{wi, pi, c})
				}
			}
		}
		slices.SortStableFunc(pairs, func(a, b pair) int { return cmpDesc(b.cost, a.cost) })
		tookW, tookP := make([]bool, len(active)), make([]bool, len(s.People))
		for _, p := range pairs {
			if tookW[p.w] || tookP[p.p] {
				continue
			}
			tookW[p.w], tookP[p.p] = true, true
			active[p.w].seen = append(active[p.w].seen, sighting{i, s.TimeS, s.People[p.p]})
		}
		for pi := range s.People {
			if !tookP[pi] {
				active = append(active, &walker{seen: []sighting{{i, s.TimeS, s.People[pi]}}})
			}
		}
		active = slices.DeleteFunc(active, func(w *walker) bool {
			if s.TimeS-w.last().timeS > followGapS {
				done = append(done, w)
				return true
			}
			return false
		})
	}
	return join(append(done, active...))
}

// followCost is how badly a person fits as the next sighting: 1 and above = not at all.
func followCost(w *walker, p *Person, timeS float64) float64 {
	l := w.last()
	dt := timeS - l.timeS
	size := math.Max(boxSize(l.person.Box), 1)
	if r := boxSize(p.Box) / size; r < 0.5 || r > 2 {
		return 2
	}
	dist := poseDistance(&l.person.Points, &p.Points, 0.1)
	if n := len(w.seen); n >= 2 && dt < 0.5 { // expected place: moving on as before
		b := &w.seen[n-2]
		if back := l.timeS - b.timeS; back > 0 && back < 0.5 {
			vx := (centre(l.person.Box).X - centre(b.person.Box).X) / back
			vy := (centre(l.person.Box).Y - centre(b.person.Box).Y) / back
			moved := l.person.Points
			for j := range moved {
				moved[j].X += vx * dt
				moved[j].Y += vy * dt
			}
			dist = math.Min(dist, poseDistance(&moved, &p.Points, 0.1))
		}
	}
	if math.IsInf(dist, 1) {
		a, b := centre(l.person.Box), centre(p.Box)
		dist = math.Hypot(a.X-b.X, a.Y-b.Y)
	}
	return 0.7*dist/(size*(followReach+followReachPS*dt)) + 0.15*(1-l.person.Box.IoU(p.Box)) + 0.3*shirtDistance(l.person.Shirt, p.Shirt)
}

func centre(b Box) Keypoint { return Keypoint{(b.X0 + b.X1) / 2, (b.Y0 + b.Y1) / 2, 1} }

// shirtDistance is 0 for the same colour, about 1 for quite another; 0 where one is not known.
func shirtDistance(a, b [3]float64) float64 {
	if a == [3]float64{} || b == [3]float64{} {
		return 0
	}
	return math.Min(1, math.Sqrt((a[0]-b[0])*(a[0]-b[0])+(a[1]-b[1])*(a[1]-b[1])+(a[2]-b[2])*(a[2]-b[2]))/120)
}

// join puts stretches together that are one person who was hidden for a while.
func join(ws []*walker) []*walker {
	slices.SortStableFunc(ws, func(a, b *walker) int { return cmpDesc(b.seen[0].timeS, a.seen[0].timeS) })
	var out []*walker
next:
	for _, w := range ws {
		first := &w.seen[0]
		var best *walker
		bestCost := 1.0
		for _, o := range out {
			l := o.last()
			gap := first.timeS - l.timeS
			if gap <= 0 || gap > joinGapS {
				continue
			}
			size := math.Max(boxSize(l.person.Box), 1)
			r := boxSize(first.person.Box) / size
			a, b := centre(l.person.Box), centre(first.person.Box)
			c := math.Hypot(a.X-b.X, a.Y-b.Y)/(size*(0.5+0.3*gap)) + shirtDistance(l.person.Shirt, first.person.Shirt)
			if r > 0.6 && r < 1.7 && c < bestCost {
				best, bestCost = o, c
			}
		}
		if best != nil {
			best.seen = append(best.seen, w.seen...)
			continue next
		}
		out = append(out, w)
	}
	return out
}
