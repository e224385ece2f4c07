package phases

import (
	"math"
	"slices"

	k "cagebook/phases/kinematics"
	"cagebook/pose"
)

// A bat that is not seen for a moment is bridged in a straight line. What that leaves open follows from the barrel's acceleration:
// up to 640 heights/s² about contact (30 m/s on an arc of 0.8 m), 170 at launch (30 m/s within a tenth of a second), half of the
// larger one on the whole.
const (
	bridgeS      = 0.055
	bridgedAccel = 300.0 // body heights/s²
)

// bridged interpolates between the nearest measured samples of the bat to either side of a time, px.
func (d *draw) bridged(timeS float64, pick func(*pose.BatSample) pose.Estimate) (x, y, sigma float64, ok bool) {
	n := min(len(d.t.Bat), d.t.Len())
	seen := func(i int) (pose.Estimate, bool) {
		if i < 0 || i >= n {
			return pose.Estimate{}, false
		}
		e := pick(&d.t.Bat[i])
		return e, d.t.Bat[i].Status == string(Measured) && e.Known()
	}
	i := d.before(timeS)
	j := i + 1
	for i >= 0 && timeS-d.t.Times[i] < bridgeS {
		if _, ok := seen(i); ok {
			break
		}
		i--
	}
	for j < n && d.t.Times[j]-timeS < bridgeS {
		if _, ok := seen(j); ok {
			break
		}
		j++
	}
	a, okA := seen(i)
	b, okB := seen(j)
	if !okA || !okB || d.t.Times[j]-d.t.Times[i] > math.Max(bridgeS, 1.01*d.frameS) || timeS < d.t.Times[i] {
		return 0, 0, 0, false
	}
	gap := d.t.Times[j] - d.t.Times[i]
	f := (timeS - d.t.Times[i]) / gap
	sigma = a.Sigma + f*(b.Sigma-a.Sigma)
	if j > i+1 {
		sigma = math.Hypot(sigma, bridgedAccel/2*f*(1-f)*gap*gap*d.heightPx)
	}
	return a.X + f*(b.X-a.X), a.Y + f*(b.Y-a.Y), sigma, true
}

// batAt is the bat at a time: knob and barrel end, body heights; ok only between or at measured samples.
func (d *draw) batAt(timeS float64) (knob, barrel spot, ok bool) {
	at := func(pick func(*pose.BatSample) pose.Estimate) spot {
		x, y, s, ok := d.bridged(timeS, pick)
		if !ok {
			return nowhere
		}
		return d.place(x+d.subject.mirror*d.normal(s), y+d.normal(s))
	}
	ks := at(func(b *pose.BatSample) pose.Estimate { return b.Knob })
	bs := at(func(b *pose.BatSample) pose.Estimate { return b.Barrel })
	if !bs.known() || !ks.known() {
		d.why = d.batStatus(timeS)
		return ks, bs, false
	}
	return ks, bs, true
}

// batStatus says why there is no bat at a time.
func (s *subject) batStatus(timeS float64) Status {
	if len(s.t.Bat) == 0 {
		return NoBat
	}
	i := min(s.before(timeS), len(s.t.Bat)-1)
	switch st := Status(s.t.Bat[i].Status); st {
	case Occluded, NotInView, FrameRate:
		return st
	case Measured:
		return Occluded // measured in this frame, but not in its neighbour
	}
	return NoBat
}

// batLong is the bat's own length, body heights: as stated, or where it is least foreshortened.
func (d *draw) batLong() float64 {
	if d.given.BatLengthM > 0 && d.pxPerM > 0 {
		return d.given.BatLengthM * d.pxPerM / d.heightPx
	}
	var ls []float64
	for i := max(d.sw.From, 0); i < min(d.sw.To, len(d.t.Bat)); i++ {
		b := &d.t.Bat[i]
		if b.Status == string(Measured) && b.Knob.Known() && b.Barrel.Known() {
			ls = append(ls, math.Hypot(b.Knob.X-b.Barrel.X, b.Knob.Y-b.Barrel.Y))
		}
	}
	return quantile(ls, 0.95) / d.heightPx * math.Max(0.5, d.once("bat", 1, 0.05))
}

// batTilt is the angle of the bat's long axis to the horizontal, + = barrel above the knob.
func (d *draw) batTilt() float64 {
	knob, barrel, ok := d.batAt(d.times[Contact])
	if !ok {
		return math.NaN()
	}
	flat := barrel.minus(knob).flat()
	l := math.Max(d.batLong(), flat)
	// At contact the bat points to the plate: toward a camera on the open side, away from one on the closed side. A
	// camera looks down on the hands by lookDown, and shows what comes toward it that much lower.
	deep := math.Sqrt(math.Max(0, 1-flat*flat/(l*l))) * math.Cos(d.az)
	return math.Asin(math.Max(-1, math.Min(1, (barrel.w-knob.w)/l)))*180/math.Pi + deep*d.once("look down", lookDownDeg, lookDownSD)
}

// A phone held or set up at 0.9 to 1.7 m, 4 to 9 m off, looks down on a bat at 0.8 m by 1 to 9°.
const (
	lookDownDeg = 4.5
	lookDownSD  = 3.5
)

// pathSD is the standard uncertainty of the climb of the sweet spot for want of depth: the barrel comes toward the camera or
// goes away from it, up to as fast as across the picture, and the camera looks down on it; and the line is that of the last hundredths of a
// second, in which the path still bends up. Degrees.
const pathSD = 8

// batVelocity is the velocity just before contact of the place on the bat that is a share of its length from the knob (1 = the
// barrel's end), body heights per second: along X and up. It is fitted to the last samples before contact and never across it.
func (d *draw) batVelocity(share float64) (x, up float64, ok bool) {
	const spanS = 0.03
	end := d.times[Contact]
	span := math.Max(spanS, 3.2*d.frameS)
	var ts, us, ws, sds []float64
	for i := d.before(end); i >= 0 && i < len(d.t.Bat) && end-d.t.Times[i] <= span; i-- {
		b := &d.t.Bat[i]
		if b.Status != string(Measured) || !b.Barrel.Known() || !b.Knob.Known() {
			continue
		}
		ex, ey := b.Barrel.X-b.Knob.X, b.Barrel.Y-b.Knob.Y
		l := math.Hypot(ex, ey)
		if l == 0 {
			continue
		}
		// Where the bat ends is less sure than how it lies, and the barrel moves across the bat.
		across := share * math.Min(b.Barrel.Sigma, acrossSD*d.heightPx)
		along, aside := d.normal(share*b.Barrel.Sigma)/l, d.normal(across)/l
		px, py := b.Knob.X+share*ex+along*ex-aside*ey, b.Knob.Y+share*ey+along*ey+aside*ex
		p := d.place(px, py)
		ts, us, ws, sds = append(ts, d.t.Times[i]), append(us, p.u), append(ws, p.w), append(sds, across)
	}
	if len(ts) < 3 {
		d.why = d.batStatus(end)
		return 0, 0, false
	}
	for _, x := range [][]float64{ts, us, ws, sds} {
		slices.Reverse(x)
	}
	u, _, err1 := k.LocalPolynomial(ts, us, sds, end, 2*span, 1, 1)
	w, _, err2 := k.LocalPolynomial(ts, ws, sds, end, 2*span, 1, 1)
	if err1 != nil || err2 != nil {
		return 0, 0, false
	}
	return d.shownX("barrel", u, 0, 0.3*math.Abs(u)), w, true
}

const (
	// acrossSD is the largest standard uncertainty of the barrel's place across the bat, body heights: in frames that are answered at
	// all the line is right. What is more in sigma is that of the end.
	acrossSD = 0.03

	// sweetSpotM is how far from the barrel's end a ball is meant to be hit. Common practice, no source.
	sweetSpotM = 0.15
	// A bat whose length nobody gave: 29 to 34 inches.
	usualBatM, usualBatSD = 0.80, 0.05
)

// batM is the bat's length, m.
func (d *draw) batM() float64 {
	if l := d.given.BatLengthM; l > 0 {
		return l
	}
	return math.Max(0.6, d.once("bat length", usualBatM, usualBatSD))
}

// sweetSpot is the share of the bat's length at which the ball is meant to be hit.
func (d *draw) sweetSpot() float64 { return 1 - sweetSpotM/d.batM() }

func (d *draw) attackAngle() float64 {
	x, up, ok := d.batVelocity(d.sweetSpot())
	if !ok {
		return math.NaN()
	}
	return k.AttackAngleDeg(math.Abs(x), up) + d.once("barrel path", 0, pathSD)
}

// batSpeed is the barrel end's speed just before contact, m/s. The part toward the plate is not seen; at contact it is
// up to about a third of the rest.
func (d *draw) batSpeed() float64 {
	x, up, ok := d.batVelocity(1)
	if !ok || !(d.pxPerM > 0) {
		return math.NaN()
	}
	return math.Sqrt(x*x+up*up) * math.Hypot(1, d.once("speed aside", 0, 0.3)) * d.heightPx / d.pxPerM
}

// barrelDropSD is what the bat's own uncertainty leaves out, body heights: early in the swing it lies before the body, and at times
// something else is followed. On 25 rendered clips the error's median was 0.09.
const barrelDropSD = 0.08

// barrelDrop is how far the barrel end is below the hands once they have gone the first 0.10 m, body heights.
func (d *draw) barrelDrop() float64 {
	t, ok := d.times[HandsStart]
	if !ok {
		return math.NaN()
	}
	knob, barrel, ok := d.batAt(d.handsGone(t))
	if !ok {
		return math.NaN()
	}
	return knob.w - barrel.w + d.once("barrel drop", 0, barrelDropSD)
}

// handsGone is when the hands, which start at t0, have gone their first 0.10 m.
func (d *draw) handsGone(t0 float64) float64 {
	const (
		usualS, usualSD = 0.06, 0.012 // on rendered swings with known truth
		stepS, longest  = 1.0 / 240, 0.25
	)
	c := math.Abs(math.Cos(d.az))
	if c < 0.5 { // along the line of sight
		return t0 + d.once("hands gone", usualS, usualSD)
	}
	reach := 0.10 / usualHeightM
	if d.pxPerM > 0 {
		reach = 0.10 * d.pxPerM / d.heightPx
	}
	longer := math.Max(1, d.once("hands' way", 1.2, 0.15)) // in space than in the picture
	at := func(t float64) spot {
		p := middle(d.exact(t, leadWrist), d.exact(t, rearWrist))
		p.u /= c
		return p
	}
	last, path := at(t0), 0.0
	for t := t0 + stepS; t < t0+longest; t += stepS {
		p := at(t)
		if !p.known() {
			break
		}
		if path += p.minus(last).flat() * longer; path >= reach {
			return t
		}
		last = p
	}
	return t0 + d.once("hands gone", usualS, usualSD)
}

// reach is the distance in space from a shoulder to the barrel end at extension, m. The bat's depth follows from its length;
// which way it points is taken as the arms'.
func (d *draw) reach(shoulder pose.Joint) float64 {
	knob, barrel, ok := d.batAt(d.times[Extension])
	s := d.at(Extension, shoulder)
	if !ok || !s.known() || !(d.pxPerM > 0) {
		return math.NaN()
	}
	l := d.batLong()
	arm, bat := knob.minus(s).flat(), barrel.minus(knob).flat()
	armLong := d.long("upper arm", d.upperArm) + d.long("forearm", d.forearm)
	deep := math.Sqrt(math.Max(0, l*l-bat*bat)) + math.Sqrt(math.Max(0, armLong*armLong-arm*arm))
	deep *= math.Max(0, math.Min(1, d.once("reach depth", 0.5, 0.3)))
	return math.Hypot(barrel.minus(s).flat(), deep) * d.heightPx / d.pxPerM
}

func (d *draw) reachOfCeiling() float64 {
	if !(d.given.HeightM > 0) || !(d.given.BatLengthM > 0) {
		d.why = NoScale
		return math.NaN()
	}
	return math.Max(d.reach(leadShoulder), d.reach(rearShoulder)) / k.ExtensionCeilingM(d.given.HeightM, d.given.BatLengthM)
}

// headBehindBall is how far the ball is in front of the head at contact, along X; body heights.
func (d *draw) headBehindBall() float64 {
	t := d.times[Contact]
	x, y, s, ok := d.ballAt(t)
	if !ok {
		d.why = NoBall
		return math.NaN()
	}
	ball := d.place(x+d.subject.mirror*d.normal(s), y+d.normal(s))
	// The ball passes about 0.3 to 0.5 m in front of the toes, the head is over them.
	return d.shownX("ball", ball.u-d.head(Contact).u, 0.30, 0.08) + d.once("met", 0, metSD)
}

const (
	metSD     = 0.05 // body heights: what was followed near the hands is at times not the ball; on rendered clips the median error was 0.07
	carriedS  = 0.02 // s by which a ball's way is carried on: at 30 m/s it goes 0.6 m meanwhile
	leastExit = 2.5  // body heights/s: no full swing sends a ball off slower, seen from the side
)

// ballAt is where the ball was met, px: its ways before and after, each carried on to contact. Between a frame before and one
// after there is no straight line: the ball came in and went out.
func (s *subject) ballAt(contactS float64) (x, y, sigma float64, ok bool) {
	const spanS = 0.07 // a pitch is in the picture for about a tenth of a second
	n := min(len(s.t.Ball), s.t.Len())
	var sum, sx, sy, miss float64
	for _, dir := range [2]int{-1, 1} {
		i := s.before(contactS)
		if dir > 0 {
			i++
		}
		var near [2]int
		k := 0
		for ; i >= 0 && i < n && k < 2 && math.Abs(s.t.Times[i]-contactS) < spanS; i += dir {
			if b := &s.t.Ball[i]; b.Status == string(Measured) && b.At.Known() {
				near[k] = i
				k++
			}
		}
		if k < 2 || math.Abs(s.t.Times[near[0]]-contactS) > carriedS+s.frameS {
			continue // too little, or too far to be carried on to contact
		}
		a, b := s.t.Ball[near[0]].At, s.t.Ball[near[1]].At
		if v := math.Hypot(b.X-a.X, b.Y-a.Y) / math.Abs(s.t.Times[near[1]]-s.t.Times[near[0]]); dir > 0 && v < leastExit*s.scale.HeightPx {
			return 0, 0, 0, false // what comes off the bat is faster: it was no ball
		}
		f := (contactS - s.t.Times[near[0]]) / (s.t.Times[near[1]] - s.t.Times[near[0]])
		sd := math.Hypot((1-f)*a.Sigma, f*b.Sigma)
		w := 1 / (sd * sd)
		px, py := a.X+f*(b.X-a.X), a.Y+f*(b.Y-a.Y)
		if sum > 0 { // the second way: by how much it misses the first
			miss = math.Hypot(px-sx/sum, py-sy/sum)
		}
		sum, sx, sy = sum+w, sx+w*px, sy+w*py
	}
	if sum == 0 {
		return 0, 0, 0, false
	}
	return sx / sum, sy / sum, math.Hypot(1/math.Sqrt(sum), miss/2), true
}
