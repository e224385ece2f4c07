package bat

import "math"

// dirs are the directions of the search.
var dirs = func() (d [angles][2]float64) {
	for a := range d {
		d[a][1], d[a][0] = math.Sincos(2 * math.Pi * float64(a) / angles)
	}
	return d
}()

func radius(k int) float64 { return fromR + float64(k)*stepR }

// Half-widths of what is looked for, heights, at the hands and what they grow by
// along one height: a bat of 2.5 cm at the handle and 6.7 cm at the barrel
// (0.014 and 0.037 heights of an adult), sharp, and blurred to a fan.
var widths = [3]struct{ base, grow, weight float32 }{
	{0.008, 0.024, 1}, {0.011, 0.055, 0.95}, {0.014, 0.13, 0.85},
}

// crossSections is how much the evidence across each ray stands out from its
// flanks: [angle][radius], about −1 to 1.
func (f *follower) crossSections(g grip, p *patch) []float32 {
	out := make([]float32, angles*radii)
	h := f.s.Height
	type prefix [2*angles + 1]float32 // sums around the circle, twice
	var cum, full prefix
	var inside [angles]bool
	sum := func(c *prefix, from, to float32) float32 { // of bins from..to, in bins, 0 ≤ from < to ≤ 2·angles
		a, b := int(from), int(to)
		lo := c[a] + (from-float32(a))*(c[a+1]-c[a])
		hi := c[min(b, 2*angles)]
		if b < 2*angles {
			hi += (to - float32(b)) * (c[b+1] - c[b])
		}
		return hi - lo
	}
	for k := range radii {
		r := radius(k)
		for a := range angles {
			x, y := g.x+r*h*dirs[a][0], g.y+r*h*dirs[a][1]
			cum[a+1], full[a+1] = cum[a]+p.at(x, y), full[a]+p.of(p.full, x, y)
			inside[a] = p.inside(x, y)
		}
		for a := angles; a < 2*angles; a++ {
			cum[a+1], full[a+1] = cum[a]+cum[a+1-angles]-cum[a-angles], full[a]+full[a+1-angles]-full[a-angles]
		}
		bins := float32(angles / (2 * math.Pi * r)) // per height of arc
		for a := range angles {
			// The centre of bin a lies at a+0.5 in prefix coordinates.
			c := float32(a) + 0.5
			if a < angles/2 {
				c += angles
			}
			best := float32(-1)
			// The edge of a body that is wider than its outline is no bar: beside it the body goes on.
			flank := &full
			if inside[a] {
				flank = &cum
			}
			for _, w := range widths {
				hw := min((w.base+w.grow*float32(r))*bins, angles/6)
				gap := min(0.006*bins, angles/12)
				fl := min(max(0.02*bins, hw*0.8), angles/6)
				in := sum(&cum, c-hw, c+hw) / (2 * hw)
				l := sum(flank, c-hw-gap-fl, c-hw-gap) / fl
				q := sum(flank, c+hw+gap, c+hw+gap+fl) / fl
				best = max(best, w.weight*(in-0.65*max(l, q)-0.35*min(l, q)))
			}
			out[a*radii+k] = best
		}
	}
	return out
}

// Costs of the score of a length; a step of evidence is worth at most about 1.
const (
	needOutside = 0.20 // evidence a step outside the outline must have to pay
	needInside  = 0.06 // inside, the bat may be hidden by an arm
	needNowhere = 0.20 // out of the picture
	beyondSteps = 6    // steps beyond the end that should be empty: 0.075 heights
	beyondCost  = 0.55
	behindCost  = 30 // a height by which the end is farther off than the bat is long
)

func length(l int, maxR float64) float64 {
	return minLen + (maxR-minLen)*float64(l)/(lenSteps-1)
}

// The hands' place is not sure: the line of the bat may pass beside it, to either
// side. Offsets in heights, and what they cost.
var asides = [7]struct {
	off  float64
	cost float32
}{{0, 0}, {0.02, 0.15}, {-0.02, 0.15}, {0.04, 0.5}, {-0.04, 0.5}, {0.065, 1.3}, {-0.065, 1.3}}

// sidestep says where on the polar map the points of a line beside the hands lie:
// the point at radius r of a line offset by o lies on the circle of √(r²+o²), turned by atan(o/r).
var sidestep = func() (t [len(asides)][radii]struct{ turn, k int }) {
	for o := range asides {
		for k := range radii {
			r := radius(k)
			t[o][k].turn = int(math.Round(math.Atan2(asides[o].off, r) * angles / (2 * math.Pi)))
			t[o][k].k = min(radii-1, int(math.Round((math.Hypot(r, asides[o].off)-fromR)/stepR)))
		}
	}
	return t
}()

// lengths scores a bat of every direction and length, [angle][length], and says which places lie in the outline, [angle][radius].
func (f *follower) lengths(g grip, ev []float32, p *patch) (scores []float32, inside []bool) {
	h := f.s.Height
	// What each step of the map brings when the bat lies there, and when it should have ended before.
	gain, pos := make([]float32, angles*radii), make([]float32, angles*radii)
	inside = make([]bool, angles*radii)
	for a := range angles {
		for k := range radii {
			r := radius(k)
			need := float32(needOutside)
			if p.inside(g.x+r*h*dirs[a][0], g.y+r*h*dirs[a][1]) {
				need = needInside
				inside[a*radii+k] = true
			}
			e := ev[a*radii+k]
			gain[a*radii+k] = max(e, -0.3) - need
			pos[a*radii+k] = max(0, e-0.1)
		}
	}
	out := make([]float32, angles*lenSteps)
	for k := range out {
		out[k] = hidden
	}
	for o := range asides {
		for a := range angles {
			lengthsOf(out[a*lenSteps:][:lenSteps], gain, pos, a, o, f.ends())
		}
	}
	for l := range lenSteps {
		over := length(l, f.maxR) - f.longR
		if over <= 0 {
			continue
		}
		for a := range angles {
			k := a*lenSteps + l
			out[k] = max(hidden, out[k]-float32(behindCost*over))
		}
	}
	return out, inside
}

// ends are the steps at which each length ends.
func (f *follower) ends() (e [lenSteps]int) {
	for l := range e {
		e[l] = min(int((length(l, f.maxR)-fromR)/stepR+0.5), radii)
	}
	return e
}

// lengthsOf raises out to the scores of the lengths of one line.
func lengthsOf(out []float32, gain, pos []float32, a, o int, ends [lenSteps]int) {
	var cum, beyond [radii + 1]float32
	for k := range radii {
		s := sidestep[o][k]
		b := a + s.turn
		if b >= angles {
			b -= angles
		} else if b < 0 {
			b += angles
		}
		cum[k+1] = cum[k] + gain[b*radii+s.k]
		beyond[k+1] = beyond[k] + pos[b*radii+s.k]
	}
	for l, end := range ends {
		far := min(end+beyondSteps, radii)
		out[l] = max(out[l], cum[end]-beyondCost*(beyond[far]-beyond[end])-asides[o].cost)
	}
}
