package bat

import (
	"math"

	"cagebook/pose"
)

// The polar search. Lengths in hitter's heights.
const (
	angles   = 240    // directions: 1.5° apart
	fromR    = 0.055  // nearer than this are the hands themselves
	toR      = 0.64   // a bat of 0.56 heights (a long one of a short hitter), and a stretch beyond its end
	stepR    = 0.0125 //
	radii    = 47     // (toR-fromR)/stepR
	minLen   = 0.10   // shorter bats point at the camera and cannot be told from the hands
	maxBat   = 0.56   // barrel end from the hands, of any bat
	lenSteps = 18     // lengths that are told apart
	behindR  = 0.10   // hands may be put so far behind the handle: a bat's end that is seen says more than a hand that is not
	mostR    = 0.61   // nothing is looked for beyond
)

// follower is the state of one search.
type follower struct {
	s     *Scene
	w, h  int
	bg    []byte   // background, BGR, packed
	tries [][]grip // in each frame, all that the grip may be
	move  []shift  // how each frame lies on the background
	noise float64  // levels by which still parts of pictures differ
	fine  float64  // of the levels from which a difference counts
	longR float64  // heights: farthest barrel end from the hands
	maxR  float64  // heights: and from where the pose model put them
	views
}

// views are what is seen of a bat, one entry a frame.
type views struct {
	grips  []grip      // whence it is looked for
	polar  [][]float32 // score of a bat [angle][length]; nil = no grip
	ev     [][]float32 // cross-section evidence [angle][radius]
	inside [][]bool    // whether a place lies in the hitter's outline [angle][radius]
}

// unseen are the views before anything is looked at: of each grip the likeliest.
func (f *follower) unseen() views {
	n := len(f.tries)
	v := views{make([]grip, n), make([][]float32, n), make([][]float32, n), make([][]bool, n)}
	for i, t := range f.tries {
		v.grips[i] = t[0]
	}
	return v
}

func newFollower(s *Scene) *follower {
	n := len(s.Pics)
	f := &follower{s: s, w: s.Pics[0].W, h: s.Pics[0].H, tries: make([][]grip, n), move: make([]shift, n), fine: 1, longR: maxBat, maxR: maxBat}
	for i := range n {
		f.tries[i] = s.gripsOf(i)
	}
	f.views = f.unseen()
	if s.BatHeights > 0 {
		// The hands cover the first 8 to 10 cm of the handle; 6 % for the scale.
		f.longR = math.Min(maxBat, math.Max(0.25, (s.BatHeights-handsOnHandle)*1.06))
		f.maxR = math.Min(mostR, f.longR+behindR)
	}
	return f
}

// handsOnHandle is the distance from the knob to the middle of the hands,
// heights: the lower hand at the knob, a hand about 0.05 heights wide.
const handsOnHandle = 0.05

// backdropPics is the largest number of pictures that make the background.
const backdropPics = 39

// background is the weighted median over pictures.
func (f *follower) background() {
	pick, weight := f.spread(backdropPics)
	f.steady()
	f.bg = make([]byte, 3*f.w*f.h)
	f.s.each(f.h, func(y int) { f.medianRow(pick, weight, y) })
	f.noise = f.noiseLevel(pick)
}

// A bat is held still before the swing and after it, for most of the time: the pictures of the swing have half of the weight, so that
// it has no majority anywhere. The hands' way would say the same, but for hands that jump where the body hides one.
const (
	swingShare = 0.5
	sweptS     = 0.25 // s after contact by which the bat has gone round
)

// spread chooses pictures evenly along the weights of time.
func (f *follower) spread(most int) (pick []int, weight []float64) {
	k := len(f.s.Pics)
	w := make([]float64, k)
	from, to := f.s.SwingFromS, f.s.ContactS+sweptS
	t0, t1 := f.s.Times[0], f.s.Times[k-1]
	rate := func(t float64) float64 { // of weight, 1/s
		switch {
		case !(from > t0 && to < t1 && from < to):
			return 1
		case t < from:
			return (1 - swingShare) / 2 / (from - t0)
		case t > to:
			return (1 - swingShare) / 2 / (t1 - to)
		}
		return swingShare / (to - from)
	}
	for i := 1; i < k; i++ {
		v := (f.s.Times[i] - f.s.Times[i-1]) * rate((f.s.Times[i-1]+f.s.Times[i])/2)
		w[i-1] += v / 2
		w[i] += v / 2
	}
	// Neighbours share a picture where there are too many.
	n := min(k, most)
	var cum float64
	for _, v := range w {
		cum += v
	}
	var sum float64
	last := -1
	for i, v := range w {
		slot := int((sum + v/2) / cum * float64(n))
		sum += v
		if k <= most || slot != last {
			pick, weight = append(pick, i), append(weight, v)
			last = slot
			continue
		}
		weight[len(weight)-1] += v
	}
	return pick, weight
}

func (f *follower) medianRow(pick []int, weight []float64, y int) {
	var v [backdropPics]byte
	var w [backdropPics]float64
	row := f.bg[3*f.w*y : 3*f.w*(y+1)]
	for x := range f.w {
		for c := range 3 {
			n := 0
			var total float64
			for k, i := range pick {
				b, ok := f.sample(i, x, y, c)
				if !ok {
					continue
				}
				m := n
				for ; m > 0 && v[m-1] > b; m-- {
					v[m], w[m] = v[m-1], w[m-1]
				}
				v[m], w[m] = b, weight[k]
				total += weight[k]
				n++
			}
			var sum float64
			for m := range n {
				if sum += w[m]; sum >= total/2 {
					row[3*x+c] = v[m]
					break
				}
			}
		}
	}
}

// sample is a channel of frame i at a place of the background.
func (f *follower) sample(i, x, y, c int) (byte, bool) {
	p := &f.s.Pics[i]
	if f.move[i].still {
		return p.Pix[y*p.Stride+3*x+c], true
	}
	u, v := f.move[i].to(float64(x), float64(y))
	xi, yi := int(u+0.5), int(v+0.5)
	if u < -0.5 || v < -0.5 || xi >= f.w || yi >= f.h {
		return 0, false
	}
	return p.Pix[yi*p.Stride+3*xi+c], true
}

// noiseLevel is the difference from the background that still parts have: the
// 0.8 quantile over a sample of pixels, levels.
func (f *follower) noiseLevel(pick []int) float64 {
	var hist [256]int
	n := 0
	for k := 0; k < len(pick); k += 4 {
		for y := 1; y < f.h; y += 7 {
			for x := 1; x < f.w; x += 5 {
				if d, ok := f.differs(pick[k], x, y); ok {
					hist[d]++
					n++
				}
			}
		}
	}
	sum := 0
	for d, c := range hist {
		if sum += c; sum*5 >= n*4 {
			return math.Min(float64(d), 12)
		}
	}
	return 0
}

// differs is the largest difference of a channel from the background; x, y are places of the background.
func (f *follower) differs(i, x, y int) (int, bool) {
	p := &f.s.Pics[i]
	xi, yi := x, y
	if !f.move[i].still {
		u, v := f.move[i].to(float64(x), float64(y))
		xi, yi = int(math.Floor(u+0.5)), int(math.Floor(v+0.5))
		if xi < 0 || yi < 0 || xi >= f.w || yi >= f.h {
			return 0, false
		}
	}
	return levels(p.Pix[yi*p.Stride+3*xi:], f.bg[3*(y*f.w+x):]), true
}

// gather works out the evidence of all frames; c weighs colours, nil = none learnt. Where the bat may come from two places, the
// one is taken that has more of it.
func (f *follower) gather(c *colours) {
	seen := make([][]sight, len(f.s.Pics))
	f.s.each(len(f.s.Pics), func(i int) {
		for _, g := range f.tries[i] {
			if g.ok {
				seen[i] = append(seen[i], f.look(i, g, c))
			}
		}
	})
	f.views = f.unseen()
	for i, k := range f.hands(seen) {
		if k < 0 {
			continue
		}
		v := &seen[i][k]
		f.grips[i], f.ev[i], f.polar[i], f.inside[i] = v.grip, v.ev, v.polar, v.inside
	}
}

// sight is what is seen of a bat from one place in one frame.
type sight struct {
	grip   grip
	ev     []float32
	polar  []float32
	inside []bool
}

func (f *follower) look(i int, g grip, c *colours) sight {
	v := sight{grip: g}
	roi := f.evidence(i, g, c)
	v.ev = f.crossSections(g, &roi)
	v.polar, v.inside = f.lengths(g, v.ev, &roi)
	return v
}

// patch is a square of evidence about the hands, in places of the frame.
type patch struct {
	x0, y0, n int
	e         []float32 // 0 to 1: differs as a bat would
	full      []float32 // the same, not damped inside the outline
	in        []bool    // inside the hitter's outline
}

func (p *patch) at(x, y float64) float32 { return p.of(p.e, x, y) }

// of reads one of the patch's maps between its pixels.
func (p *patch) of(e []float32, x, y float64) float32 {
	xi, yi := int(x)-p.x0, int(y)-p.y0
	if x < float64(p.x0) || y < float64(p.y0) || xi >= p.n-1 || yi >= p.n-1 {
		return 0
	}
	fx, fy := float32(x)-float32(int(x)), float32(y)-float32(int(y))
	k := yi*p.n + xi
	a := e[k]*(1-fx) + e[k+1]*fx
	b := e[k+p.n]*(1-fx) + e[k+p.n+1]*fx
	return a*(1-fy) + b*fy
}

func (p *patch) inside(x, y float64) bool {
	xi, yi := int(x+0.5)-p.x0, int(y+0.5)-p.y0
	return xi >= 0 && yi >= 0 && xi < p.n && yi < p.n && p.in[yi*p.n+xi]
}

// Differences: below threshold + noise there is none, at soft above it 63 %.
const (
	threshold = 4.0
	soft      = 16.0
	neighbour = 0.020 // s to the frames with which the inside of the outline is compared
	inBody    = 0.55  // weight of evidence inside the outline
	inColour  = 0.6   // and of the bat's colour there
)

func (f *follower) evidence(i int, g grip, col *colours) patch {
	h := f.s.Height
	half := int(toR*h) + 3
	p := patch{x0: int(g.x) - half, y0: int(g.y) - half, n: 2*half + 1}
	p.e, p.full, p.in = make([]float32, p.n*p.n), make([]float32, p.n*p.n), make([]bool, p.n*p.n)
	outline(&f.s.Body[i], h, &p)
	prev, next := f.near(i, -neighbour), f.near(i, neighbour)
	low := threshold*f.fine + 1.5*f.noise
	var rise [256]float32
	for d := range rise {
		rise[d] = float32(1 - math.Exp(-math.Max(0, float64(d)-low)/(soft*f.fine)))
	}
	im := &f.s.Pics[i]
	mv := f.move[i]
	for y := range p.n {
		py := p.y0 + y
		if py < 0 || py >= f.h {
			continue
		}
		for x := range p.n {
			px := p.x0 + x
			if px < 0 || px >= f.w {
				continue
			}
			bx, by := px, py // place in the background
			if !mv.still {
				u, v := mv.from(float64(px), float64(py))
				bx, by = int(math.Floor(u+0.5)), int(math.Floor(v+0.5))
				if bx < 0 || by < 0 || bx >= f.w || by >= f.h {
					continue
				}
			}
			a := im.Pix[py*im.Stride+3*px : py*im.Stride+3*px+3]
			k := y*p.n + x
			e := rise[levels(a, f.bg[3*(by*f.w+bx):])]
			if col != nil && e > 0 {
				e *= col.weight(a)
			}
			p.full[k] = e
			if p.in[k] {
				d := 255
				if prev >= 0 {
					d = min(d, f.between(a, prev, bx, by))
				}
				if next >= 0 {
					d = min(d, f.between(a, next, bx, by))
				}
				if d == 255 {
					d = 0
				}
				e = inBody * rise[d]
				if col != nil {
					e = max(e*col.weight(a), inColour*col.like(a))
				}
			}
			p.e[k] = e
		}
	}
	return p
}

func levels(a, b []byte) int {
	d := 0
	for c := range 3 {
		e := int(a[c]) - int(b[c])
		if e < 0 {
			e = -e
		}
		d = max(d, e)
	}
	return d
}

// between is the difference of a pixel from another frame at a place of the background.
func (f *follower) between(a []byte, frame, bx, by int) int {
	p := &f.s.Pics[frame]
	x, y := bx, by
	if !f.move[frame].still {
		u, v := f.move[frame].to(float64(bx), float64(by))
		x, y = int(math.Floor(u+0.5)), int(math.Floor(v+0.5))
		if x < 0 || y < 0 || x >= f.w || y >= f.h {
			return 255
		}
	}
	return levels(a, p.Pix[y*p.Stride+3*x:])
}

// near is the frame closest to frame i in time after a delay, but never i itself; −1 = none.
func (f *follower) near(i int, delay float64) int {
	t := f.s.Times[i] + delay
	dir := 1
	if delay < 0 {
		dir = -1
	}
	best := -1
	for k := i + dir; k >= 0 && k < len(f.s.Times); k += dir {
		if best >= 0 && math.Abs(f.s.Times[k]-t) > math.Abs(f.s.Times[best]-t) {
			break
		}
		best = k
	}
	return best
}

// limbs are the capsules of the outline: from, to, radius in heights.
var limbs = []struct {
	a, b pose.Joint
	r    float64
}{
	{pose.LeftShoulder, pose.LeftElbow, 0.034},
	{pose.RightShoulder, pose.RightElbow, 0.034},
	{pose.LeftElbow, pose.LeftWrist, 0.027},
	{pose.RightElbow, pose.RightWrist, 0.027},
	{pose.LeftHip, pose.LeftKnee, 0.055},
	{pose.RightHip, pose.RightKnee, 0.055},
	{pose.LeftKnee, pose.LeftAnkle, 0.04},
	{pose.RightKnee, pose.RightAnkle, 0.04},
	{pose.LeftShoulder, pose.RightShoulder, 0.05},
	{pose.LeftHip, pose.RightHip, 0.07},
	{pose.LeftShoulder, pose.LeftHip, 0.06},
	{pose.RightShoulder, pose.RightHip, 0.06},
	{pose.LeftShoulder, pose.RightHip, 0.06},
	{pose.RightShoulder, pose.LeftHip, 0.06},
	{pose.LeftHeel, pose.LeftFootIndex, 0.03},
	{pose.RightHeel, pose.RightFootIndex, 0.03},
	{pose.LeftEar, pose.RightEar, 0.075},
}

// outline marks what lies inside the hitter's body.
func outline(b *Joints, h float64, p *patch) {
	for _, l := range limbs {
		u, v := b[l.a], b[l.b]
		if !u.Known() || !v.Known() {
			continue
		}
		capsule(p, u.X, u.Y, v.X, v.Y, l.r*h)
	}
}

func capsule(p *patch, x0, y0, x1, y1, r float64) {
	xa, xb := int(math.Min(x0, x1)-r)-p.x0, int(math.Max(x0, x1)+r)+1-p.x0
	ya, yb := int(math.Min(y0, y1)-r)-p.y0, int(math.Max(y0, y1)+r)+1-p.y0
	dx, dy := x1-x0, y1-y0
	l2 := dx*dx + dy*dy
	for y := max(ya, 0); y <= min(yb, p.n-1); y++ {
		for x := max(xa, 0); x <= min(xb, p.n-1); x++ {
			px, py := float64(x+p.x0)-x0, float64(y+p.y0)-y0
			t := 0.0
			if l2 > 0 {
				t = math.Max(0, math.Min(1, (px*dx+py*dy)/l2))
			}
			ex, ey := px-t*dx, py-t*dy
			if ex*ex+ey*ey <= r*r {
				p.in[y*p.n+x] = true
			}
		}
	}
}
