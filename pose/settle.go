package pose

import "math"

// Reading is what the landmark model gave for one frame from one region.
type Reading struct {
	Pose  Pose
	World [NumJoints]Point3
}

// upper and lower are the joints whose left and right may be taken for each
// other, each set as a whole: a model turns the chest about or crosses the
// legs, it does not swap an elbow alone.
var (
	upper = span33(Nose, RightThumb)
	lower = span33(LeftHip, RightFootIndex)
	trunk = []Joint{LeftShoulder, RightShoulder, LeftElbow, RightElbow, LeftWrist, RightWrist}
	legs  = []Joint{LeftHip, RightHip, LeftKnee, RightKnee, LeftAnkle, RightAnkle}
	bones = [2][][2]Joint{
		{{LeftShoulder, LeftElbow}, {RightShoulder, RightElbow}, {LeftElbow, LeftWrist}, {RightElbow, RightWrist}},
		{{LeftHip, LeftKnee}, {RightHip, RightKnee}, {LeftKnee, LeftAnkle}, {RightKnee, RightAnkle}},
	}
)

func span33(a, b Joint) []Joint {
	var out []Joint
	for j := a; j <= b; j++ {
		out = append(out, j)
	}
	return out
}

// choice is one way to read a frame: which region, and which sides are swapped.
type choice struct {
	reading              int
	swapUpper, swapLower bool
}

// Costs of a choice, in body lengths as if the points were that far off.
const (
	swapCost   = 0.03 // the model's own left and right are right unless something speaks against them
	secondCost = 0.01 // the fixed region jitters least
	coarseCap  = 0.25 // one opinion cannot outweigh everything
	jumpCap    = 0.35
	unaryPerS  = 25 // unary costs are per 1/25 s, so that the frame rate does not shift the balance to jumps
)

// Settle chooses among the readings of each frame, and among their left/right
// readings, the sequence that moves least from frame to frame, keeps its bone
// lengths and agrees with the people model. readings[i] holds one or more
// readings of frame i; the first is from the window's own region.
func Settle(times []float64, readings [][]Reading, coarse *Track, bodyPx float64) []Reading {
	n := len(times)
	if n == 0 {
		return nil
	}
	usual := usualBones(readings)
	choices := make([][]choice, n)
	cost := make([][]float64, n)
	from := make([][]int, n)
	settled := make([][]Reading, n) // the readings with sides swapped, per choice
	for i := range n {
		dt := 1.0 / unaryPerS
		if i > 0 {
			dt = math.Min(times[i]-times[i-1], 0.2)
		}
		c, gap, okC := coarse.PoseAt(times[i], coarseGapS)
		for r := range readings[i] {
			for k := range 4 {
				ch := choice{r, k&1 == 1, k>>1 == 1}
				rd := readings[i][r].swapped(ch)
				u := 0.0
				if ch.swapUpper {
					u += swapCost
				}
				if ch.swapLower {
					u += swapCost
				}
				if r > 0 {
					u += secondCost
				}
				if okC {
					w := math.Exp(-gap / 0.05)
					u += w * (setDistance(&rd.Pose, &c, trunk, bodyPx, coarseCap) + setDistance(&rd.Pose, &c, legs, bodyPx, coarseCap))
				}
				u += 0.1 * boneMisfit(&rd.Pose, usual)
				u *= dt * unaryPerS
				best, bestFrom := 0.0, -1
				if i > 0 {
					best = math.Inf(1)
					for p := range choices[i-1] {
						q := &settled[i-1][p].Pose
						j := cost[i-1][p] + setDistance(&rd.Pose, q, trunk, bodyPx, jumpCap) + setDistance(&rd.Pose, q, legs, bodyPx, jumpCap)
						if j < best {
							best, bestFrom = j, p
						}
					}
				}
				choices[i] = append(choices[i], ch)
				settled[i] = append(settled[i], rd)
				cost[i] = append(cost[i], best+u)
				from[i] = append(from[i], bestFrom)
			}
		}
	}
	out := make([]Reading, n)
	k := 0
	for p := range cost[n-1] {
		if cost[n-1][p] < cost[n-1][k] {
			k = p
		}
	}
	for i := n - 1; i >= 0; i-- {
		out[i] = settled[i][k]
		k = from[i][k]
	}
	return out
}

func (r Reading) swapped(c choice) Reading {
	out := r
	swap := func(set []Joint) {
		for _, j := range set {
			out.Pose[j], out.World[j] = r.Pose[j.Swap()], r.World[j.Swap()]
		}
	}
	if c.swapUpper {
		swap(upper)
	}
	if c.swapLower {
		swap(lower)
	}
	return out
}

// setDistance is the mean distance of the joints of a set that both poses
// have, weighted by score, each capped, body lengths.
func setDistance(a, b *Pose, set []Joint, bodyPx, limit float64) float64 {
	var sum, ws float64
	for _, j := range set {
		if !a[j].Seen() || !b[j].Seen() {
			continue
		}
		w := math.Sqrt(a[j].Score * b[j].Score)
		sum += w * math.Min(limit, math.Hypot(a[j].X-b[j].X, a[j].Y-b[j].Y)/bodyPx)
		ws += w
	}
	if ws == 0 {
		return 0
	}
	return sum / ws
}

// usualBones is the length that each bone rarely exceeds in the picture, px:
// a bone looks shorter when it points at the camera, never longer.
func usualBones(readings [][]Reading) [2][]float64 {
	var out [2][]float64
	for g := range bones {
		for _, b := range bones[g] {
			var v []float64
			for i := range readings {
				if len(readings[i]) == 0 {
					continue
				}
				p := &readings[i][0].Pose
				v = append(v, math.Hypot(p[b[0]].X-p[b[1]].X, p[b[0]].Y-p[b[1]].Y))
			}
			out[g] = append(out[g], quantile(v, 0.85))
		}
	}
	return out
}

// boneMisfit is by how much bones are longer than usual, as a mean ratio above 1, and much too short at half weight.
func boneMisfit(p *Pose, usual [2][]float64) float64 {
	var sum float64
	n := 0
	for g := range bones {
		for k, b := range bones[g] {
			u := usual[g][k]
			if !(u > 0) {
				continue
			}
			l := math.Hypot(p[b[0]].X-p[b[1]].X, p[b[0]].Y-p[b[1]].Y) / u
			sum += math.Min(1, math.Max(0, l-1.1)) + 0.5*math.Max(0, 0.4-l)
			n++
		}
	}
	if n == 0 {
		return 0
	}
	return sum / float64(n)
}

const (
	handleBL   = 0.14 // wrists of two hands on one handle are at most about this far apart, body lengths
	slidBL     = 0.20 // farther apart than this while both hold the handle: one has slid off, e.g. onto the bat
	handleS    = 0.25 // s about a frame within which the hands are judged to be together
	slidScore  = 0.3  // a wrist put right is a guess: its score is at most this
	overlong   = 1.15 // a forearm this much longer than usual: its wrist is the wrong one
	handleMost = 0.6  // share of nearby frames with the hands together that makes an exception an error
)

// MendHands puts right a wrist that slid off the handle: both hands hold one
// bat, so where the wrists part for a few frames within a stretch in which
// they are together, the one whose forearm became too long, or which left its
// way, is placed beside the other one, with a low score. It returns the number
// of frames changed.
func MendHands(times []float64, rs []Reading, bodyPx float64) int {
	n := len(times)
	apart := make([]float64, n)
	var fore [2][]float64
	arms := [2][2]Joint{{LeftElbow, LeftWrist}, {RightElbow, RightWrist}}
	for i := range rs {
		p := &rs[i].Pose
		apart[i] = math.Hypot(p[LeftWrist].X-p[RightWrist].X, p[LeftWrist].Y-p[RightWrist].Y) / bodyPx
		for s, a := range arms {
			fore[s] = append(fore[s], math.Hypot(p[a[0]].X-p[a[1]].X, p[a[0]].Y-p[a[1]].Y))
		}
	}
	usual := [2]float64{quantile(fore[0], 0.85), quantile(fore[1], 0.85)}
	mended := 0
	for i := range rs {
		if apart[i] < slidBL {
			continue
		}
		before, after, nb, na := 0, 0, 0, 0
		lastGood, nextGood := -1, -1
		for k := range rs {
			d := times[k] - times[i]
			if math.Abs(d) > handleS || k == i {
				continue
			}
			together := apart[k] < handleBL
			switch {
			case d < 0:
				nb++
				if together {
					before++
					lastGood = k
				}
			default:
				na++
				if together {
					after++
					if nextGood < 0 {
						nextGood = k
					}
				}
			}
		}
		// Together on both sides: hands do not leave the handle and come back within half a second.
		if lastGood < 0 || nextGood < 0 || float64(before) < handleMost*float64(nb) && float64(after) < handleMost*float64(na) {
			continue
		}
		wrong := slidSide(times, rs, i, lastGood, nextGood, fore, usual)
		right := 1 - wrong
		p := &rs[i].Pose
		w, o := arms[wrong][1], arms[right][1]
		// Beside the other hand, as far and in the direction as before and after.
		f := (times[i] - times[lastGood]) / (times[nextGood] - times[lastGood])
		a, b := &rs[lastGood].Pose, &rs[nextGood].Pose
		dx := (1-f)*(a[w].X-a[o].X) + f*(b[w].X-b[o].X)
		dy := (1-f)*(a[w].Y-a[o].Y) + f*(b[w].Y-b[o].Y)
		nx, ny := p[o].X+dx, p[o].Y+dy
		mx, my := nx-p[w].X, ny-p[w].Y
		score := math.Min(p[w].Score, slidScore)
		p[w] = Keypoint{nx, ny, score}
		for _, h := range hand(w) { // the fingers go with their wrist
			p[h] = Keypoint{p[h].X + mx, p[h].Y + my, math.Min(p[h].Score, slidScore)}
		}
		mended++
	}
	return mended
}

func hand(wrist Joint) [3]Joint {
	if wrist == LeftWrist {
		return [3]Joint{LeftPinky, LeftIndex, LeftThumb}
	}
	return [3]Joint{RightPinky, RightIndex, RightThumb}
}

// slidSide decides which wrist is wrong in frame i: 0 left, 1 right.
func slidSide(times []float64, rs []Reading, i, lastGood, nextGood int, fore [2][]float64, usual [2]float64) int {
	l, r := fore[0][i]/usual[0], fore[1][i]/usual[1]
	if math.Max(l, r) > overlong && math.Abs(l-r) > 0.1 {
		if l > r {
			return 0
		}
		return 1
	}
	// Neither forearm tells: the one farther from the way between the good frames.
	f := (times[i] - times[lastGood]) / (times[nextGood] - times[lastGood])
	off := func(j Joint) float64 {
		a, b, p := rs[lastGood].Pose[j], rs[nextGood].Pose[j], rs[i].Pose[j]
		return math.Hypot(p.X-a.X-f*(b.X-a.X), p.Y-a.Y-f*(b.Y-a.Y))
	}
	if off(LeftWrist) > off(RightWrist) {
		return 0
	}
	return 1
}
