package bat

import (
	"math"
	"slices"
)

// The way from frame to frame is one through directions, lengths and speeds of
// turning. A bat is heavy: what it turns at changes little from one frame to the
// next, and that is what tells it from stripes and shadows, which are here in one
// frame and there in the next.
const (
	costSpeed   = 0.0011 // a degree a second of change in the speed of turning
	costTurn    = 0.004  // a degree
	costReverse = 0.06   // a degree, during the swing against the way it goes round
	costBin     = 0.10   // a step of direction beside what the speed gives
	costLength  = 7.0    // a height of change of length within lengthTime
	lengthTime  = 1.0 / 60
	freeTurn    = 0.30  // heights: shorter lengths are foreshortened so much that a small turn in space is a large one in the picture
	flipSteps   = 4     // the shortest lengths: a bat that passes the line to the camera shows up in any direction
	costFlip    = 0.8   //
	costFlipDeg = 0.003 // a degree
	hidden      = -1.0  // score of a bat that is hidden, whatever its direction
	lengthApart = 2     // steps of length (0.05 heights) that are another end
	apartDeg    = 16    // directions farther apart than this are another answer,
	apartEnd    = 0.06  // if their ends are this far apart, too; heights
)

// speeds of turning that are told apart, degrees a second; in the picture bats turn at up to 4,800.
var speeds = [...]float64{-5200, -3600, -2400, -1600, -1000, -550, -220, 0, 220, 550, 1000, 1600, 2400, 3600, 5200}

// way is the chosen direction and length in every frame.
type way struct {
	angle, length []int
	gap           []float64 // NaN where there was no grip
	endGap        []float64 // how much better this length is than one more than lengthApart away in the same direction
}

// limitS is the time over which a missing stretch of frames still joins.
const limitS = 0.25

// A layer is the best score of each state of one frame: [speed][angle][length].
type layer [len(speeds) * angles * lenSteps]float32

const perSpeed = angles * lenSteps

// path finds the best way through all frames, forward and backward.
func (f *follower) path() way {
	n := len(f.polar)
	w := way{make([]int, n), make([]int, n), make([]float64, n), make([]float64, n)}
	// fwd[i] is the best of all ways that end at i, its own score left out.
	fwd := make([]*layer, n)
	var a, b, tmp layer
	last := -1
	for i := range n {
		if f.polar[i] == nil {
			continue
		}
		if last >= 0 && f.s.Times[i]-f.s.Times[last] < limitS {
			f.carry(&b, &a, &tmp, last, i)
		} else {
			clear(b[:])
		}
		fwd[i] = new(layer)
		*fwd[i] = b
		f.add(&a, &b, i)
		last = i
	}
	last = -1
	for i := n - 1; i >= 0; i-- {
		w.gap[i] = math.NaN()
		if f.polar[i] == nil {
			continue
		}
		if last >= 0 && f.s.Times[last]-f.s.Times[i] < limitS {
			f.carry(&b, &a, &tmp, last, i)
		} else {
			clear(b[:])
		}
		f.add(&a, &b, i)
		f.choose(&w, i, fwd[i], &a)
		fwd[i] = nil
		last = i
	}
	return w
}

// add adds frame i's own scores.
func (f *follower) add(dst, src *layer, i int) {
	for v := range speeds {
		d, s := dst[v*perSpeed:][:perSpeed], src[v*perSpeed:][:perSpeed]
		for k, p := range f.polar[i] {
			d[k] = s[k] + p
		}
	}
}

// choose takes the best state of frame i and says how much better it is than another answer.
func (f *follower) choose(w *way, i int, fwd, bwd *layer) {
	score := make([]float32, perSpeed)
	for k := range score {
		best := float32(math.Inf(-1))
		for v := range speeds {
			best = max(best, fwd[v*perSpeed+k]+bwd[v*perSpeed+k])
		}
		score[k] = best
	}
	best := 0
	for k, v := range score {
		if v > score[best] {
			best = k
		}
	}
	a0, l0 := best/lenSteps, best%lenSteps
	w.angle[i], w.length[i] = a0, l0
	other, end := float32(math.Inf(-1)), float32(math.Inf(-1))
	r0 := length(l0, f.maxR)
	for k, v := range score {
		d := k/lenSteps - a0
		if d < 0 {
			d = -d
		}
		d = min(d, angles-d)
		l := k % lenSteps
		if d*360 > apartDeg*angles && v > other {
			r := length(l, f.maxR)
			if r*r+r0*r0-2*r*r0*dirs[d][0] > apartEnd*apartEnd {
				other = v
			}
		}
		if m := l - l0; d <= 2 && (m >= lengthApart || -m >= lengthApart) {
			end = max(end, v)
		}
	}
	w.gap[i], w.endGap[i] = float64(score[best]-other), float64(score[best]-end)
}

// carry takes the best scores of frame i on to frame k, before or after it.
func (f *follower) carry(dst, src, tmp *layer, i, k int) {
	t0, t1 := f.s.Times[i], f.s.Times[k]
	dt := math.Abs(t1 - t0)
	mid := (t0 + t1) / 2
	const degPerBin = 360.0 / angles
	// A bat that points at the camera turns in the picture at no cost.
	var slow [lenSteps]float32
	for l := range slow {
		slow[l] = float32(math.Max(0.15, math.Min(1, length(l, f.maxR)/freeTurn)))
	}
	perLen := float32(costLength * (f.maxR - minLen) / (lenSteps - 1) * lengthTime / math.Max(dt, lengthTime/4))
	copy(tmp[:], src[:])
	relaxLengths(tmp, perLen)
	relaxSpeeds(tmp, &slow)
	swing := mid >= f.s.SwingFromS && mid <= f.s.SwingToS
	for v, speed := range speeds {
		// Whole bins, so that the sum over frames is right.
		shift := int(math.Round(speed*t1/degPerBin)) - int(math.Round(speed*t0/degPerBin))
		cost := costTurn * math.Abs(speed) * dt
		if swing && speed*float64(f.s.Turn) < 0 {
			cost = costReverse * math.Abs(speed) * dt
		}
		gap := (speeds[min(v+1, len(speeds)-1)] - speeds[max(v-1, 0)]) / 4 * dt / degPerBin // bins that the next speeds leave open
		turn(dst[v*perSpeed:][:perSpeed], tmp[v*perSpeed:][:perSpeed], shift, float32(cost), float32(costBin/math.Max(1, gap)), &slow)
	}
	flip(dst, tmp)
}

// relaxLengths lets lengths change at a cost that is linear in the change.
func relaxLengths(x *layer, perLen float32) {
	for row := range slices.Chunk(x[:], lenSteps) {
		for l := 1; l < lenSteps; l++ {
			row[l] = max(row[l], row[l-1]-perLen)
		}
		for l := lenSteps - 2; l >= 0; l-- {
			row[l] = max(row[l], row[l+1]-perLen)
		}
	}
}

// relaxSpeeds does the same for speeds.
func relaxSpeeds(x *layer, slow *[lenSteps]float32) {
	step := func(to, from int) {
		d := float32(costSpeed * math.Abs(speeds[to]-speeds[from]))
		p, q := x[to*perSpeed:][:perSpeed], x[from*perSpeed:][:perSpeed]
		for a := 0; a < perSpeed; a += lenSteps {
			for l, s := range slow {
				p[a+l] = max(p[a+l], q[a+l]-d*s)
			}
		}
	}
	for v := 1; v < len(speeds); v++ {
		step(v, v-1)
	}
	for v := len(speeds) - 2; v >= 0; v-- {
		step(v, v+1)
	}
}

// turn moves the scores of one speed by a whole number of bins, give or take: each bin beside it costs perBin.
func turn(dst, src []float32, shift int, cost, perBin float32, slow *[lenSteps]float32) {
	for a := range angles {
		b := ((a-shift)%angles + angles) % angles
		copy(dst[a*lenSteps:][:lenSteps], src[b*lenSteps:][:lenSteps])
	}
	var d [lenSteps]float32
	for l, s := range slow {
		d[l] = perBin * s
	}
	near := func(to, from int) {
		p, q := dst[to*lenSteps:][:lenSteps], dst[from*lenSteps:][:lenSteps]
		for l, c := range d {
			p[l] = max(p[l], q[l]-c)
		}
	}
	const round = angles / 4 // the circle's seam is passed by a quarter: farther than any speed leaves open
	for a := range angles + round {
		near(a%angles, (a+angles-1)%angles)
	}
	for a := angles + round; a > 0; a-- {
		near((a+angles-1)%angles, a%angles)
	}
	for a := range angles {
		p := dst[a*lenSteps:][:lenSteps]
		for l, s := range slow {
			p[l] -= cost * s
		}
	}
}

// flip lets a bat that points at the camera, or away from it, show up in another direction, at any speed.
func flip(dst, src *layer) {
	for l := range flipSteps {
		var ring [2 * angles]float32
		for a := range angles {
			best := src[a*lenSteps+l]
			for v := 1; v < len(speeds); v++ {
				best = max(best, src[v*perSpeed+a*lenSteps+l])
			}
			ring[a], ring[a+angles] = best, best
		}
		const d = float32(costFlipDeg * 360.0 / angles)
		for a := 1; a < 2*angles; a++ {
			ring[a] = max(ring[a], ring[a-1]-d)
		}
		for a := 2*angles - 2; a >= 0; a-- {
			ring[a] = max(ring[a], ring[a+1]-d)
		}
		for a := range angles {
			s := max(ring[a], ring[a+angles]) - costFlip
			for v := range speeds {
				k := v*perSpeed + a*lenSteps + l
				dst[k] = max(dst[k], s)
			}
		}
	}
}
