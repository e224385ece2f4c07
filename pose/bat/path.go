package bat

import "math"

// Costs of the way from frame to frame, in units of the score of a length.
const (
	fastest     = 6500.0 // degrees a second; in the picture bats turn at up to 4,800
	costTurn    = 0.012  // a degree, where the bat turns as expected
	costReverse = 0.07   // a degree, against the expected way
	costWaggle  = 0.03   // a degree, before and after the swing
	costLength  = 7.0    // a height of change of length within lengthTime
	lengthTime  = 1.0 / 60
	freeTurn    = 0.30 // heights: shorter lengths are foreshortened so much that a small turn in space is a large one in the picture
	hidden      = -1.0 // score of a bat that is hidden, whatever its direction
	lengthApart = 2    // steps of length (0.05 heights) that are another end
	apartDeg    = 16   // directions farther apart than this are another answer
)

// way is the chosen direction and length in every frame.
type way struct {
	angle, length []int
	gap           []float64 // NaN where there was no grip
	endGap        []float64 // how much better this length is than one more than lengthApart away in the same direction
}

// limitS is the time over which a missing stretch of frames still joins.
const limitS = 0.25

// path finds the best way through all frames, forward and backward.
func (f *follower) path() way {
	n := len(f.polar)
	w := way{make([]int, n), make([]int, n), make([]float64, n), make([]float64, n)}
	fwd, bwd := make([][]float32, n), make([][]float32, n)
	run := func(dst [][]float32, from, to, step int) {
		last := -1
		for i := from; i != to; i += step {
			if f.polar[i] == nil {
				continue
			}
			dst[i] = append([]float32(nil), f.polar[i]...)
			if last >= 0 && math.Abs(f.s.Times[i]-f.s.Times[last]) < limitS {
				for k, v := range f.carry(dst[last], last, i) {
					dst[i][k] += v
				}
			}
			last = i
		}
	}
	run(fwd, 0, n, 1)
	run(bwd, n-1, -1, -1)
	apart := apartDeg * angles / 360
	for i := range n {
		w.gap[i] = math.NaN()
		if fwd[i] == nil {
			continue
		}
		// The best of all ways through each direction.
		var top [angles]float32
		var topLen [angles]int
		best := 0
		for a := range angles {
			top[a] = float32(math.Inf(-1))
			for l := range lenSteps {
				k := a*lenSteps + l
				if v := fwd[i][k] + bwd[i][k] - f.polar[i][k]; v > top[a] {
					top[a], topLen[a] = v, l
				}
			}
			if top[a] > top[best] {
				best = a
			}
		}
		other := float32(math.Inf(-1))
		for a := range angles {
			d := a - best
			if d < 0 {
				d = -d
			}
			if d = min(d, angles-d); d > apart {
				other = max(other, top[a])
			}
		}
		w.angle[i], w.length[i], w.gap[i] = best, topLen[best], float64(top[best]-other)
		end := float32(math.Inf(-1))
		for d := -2; d <= 2; d++ {
			a := (best + d + angles) % angles
			for l := range lenSteps {
				if m := l - topLen[best]; m >= lengthApart || -m >= lengthApart {
					k := a*lenSteps + l
					end = max(end, fwd[i][k]+bwd[i][k]-f.polar[i][k])
				}
			}
		}
		w.endGap[i] = float64(top[best] - end)
	}
	return w
}

// carry takes the best scores of frame i on to frame k, before or after it.
func (f *follower) carry(score []float32, i, k int) []float32 {
	dt := f.s.Times[k] - f.s.Times[i]
	mid := (f.s.Times[k] + f.s.Times[i]) / 2
	const degPerBin = 360.0 / angles
	reach := min(int(fastest*math.Abs(dt)/degPerBin)+2, angles/2-1)
	up, down := float32(costWaggle*degPerBin), float32(costWaggle*degPerBin) // cost of a bin toward larger and smaller angles
	if mid >= f.s.SwingFromS && mid <= f.s.SwingToS {
		up, down = costTurn*degPerBin, costTurn*degPerBin
		turn := f.s.Turn
		if dt < 0 {
			turn = -turn
		}
		switch {
		case turn > 0:
			down = costReverse * degPerBin
		case turn < 0:
			up = costReverse * degPerBin
		}
	}
	perLen := float32(costLength * (f.maxR - minLen) / (lenSteps - 1) * lengthTime / math.Max(math.Abs(dt), lengthTime/4))
	// lengths first: two sweeps, the cost is linear
	tmp := append([]float32(nil), score...)
	// A bat that points at the camera turns in the picture at no cost.
	var slow [lenSteps]float32
	for l := range slow {
		slow[l] = float32(math.Max(0.15, math.Min(1, length(l, f.maxR)/freeTurn)))
	}
	for a := range angles {
		row := tmp[a*lenSteps : (a+1)*lenSteps]
		for l := 1; l < lenSteps; l++ {
			row[l] = max(row[l], row[l-1]-perLen)
		}
		for l := lenSteps - 2; l >= 0; l-- {
			row[l] = max(row[l], row[l+1]-perLen)
		}
	}
	out := append([]float32(nil), tmp...)
	for d := 1; d <= reach; d++ {
		cu, cd := float32(d)*up, float32(d)*down
		for a := range angles {
			src := tmp[a*lenSteps : (a+1)*lenSteps]
			p := out[((a+d)%angles)*lenSteps:][:lenSteps]
			q := out[((a-d+angles)%angles)*lenSteps:][:lenSteps]
			for l, v := range src {
				p[l] = max(p[l], v-cu*slow[l])
				q[l] = max(q[l], v-cd*slow[l])
			}
		}
	}
	return out
}
