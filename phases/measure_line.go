package phases

import (
	"math"

	k "cagebook/phases/kinematics"
)

// The ball's line is taken as level and toward the pitcher, through the sweet spot's place at contact. A pitch comes down by some 6° (adult
// fastball, from memory), which is 2 cm in the 0.2 m before and after contact where a barrel is on the line; a ball on a tee and a dry swing have no line of
// their own, and with the level one all swings of a hitter can be held against each other.
//
// The line is a point in the plane of plate and height (Y, Z), and the barrel a stretch: the line runs through the barrel while the point is near the
// stretch. From the side the picture has the bat's height, and its length gives how far it reaches toward the plate.
const (
	// meetM is half a ball and half a barrel: a baseball is 9 to 9.25 in round (3.7 cm from its middle), a barrel up to 2.61 in thick (3.3 cm; Official Baseball Rules 3.01,
	// 3.02; a softball and its bat make 7.7 cm, from memory).
	meetM = 0.070
	// barrelM is how much of the bat's end counts as barrel: the sweet spot in its middle. Common practice, no source.
	barrelM = 2 * sweetSpotM

	// lineSmoothS is half of the stretch over which a parabola is laid through the bat: a barrel that points at the camera is known to some 2 cm a
	// frame, and a parabola follows it over so short a time.
	lineSmoothS = 0.027
	lineGapS    = 0.027 // the longest stretch without a bat that is bridged

	lineSpanS = 0.12   // to either side of contact in which the barrel must have come and gone
	lineStepS = 0.0005 // s

	// handsAside is how fast the knob goes toward the plate about contact, m/s, which from the side is not seen. Hands go round the body, and by contact they come
	// in again: −0.7 to −5 m/s in rendered hitters; no source.
	handsAside, handsAsideSD = -2.5, 1.5
)

// batSpot is the bat at a time: its knob's height, and the way from knob to barrel end in space, body heights.
type batSpot struct {
	t, knob, sigma float64
	axis           k.Vec3 // X toward the pitcher, Y to the plate, Z up
}

// cameraAway is how far the camera is from the hands, body heights: by the focal length that the phone states, or a phone's usual one, which is known to a third. A picture of unknown size
// tells nothing: infinitely far.
func (d *draw) cameraAway() float64 {
	f, rel := focal(d.t)
	if !(f > 0) {
		return math.Inf(1)
	}
	return f/d.heightPx*math.Max(0.5, d.once("focal", 1, rel)) - d.handsNearer()
}

// handsNearer is how much nearer to the camera than the hips the hands are about contact, body heights: about 0.3 m, toward the plate.
func (d *draw) handsNearer() float64 { return handsOut * math.Cos(d.az) }

const handsOut = 0.17

// batInSpace is the way from knob to barrel end in space, from the way in the picture (body heights as at the hips): X toward the pitcher, Y to the plate, Z up.
// The bat's length tells what is hidden in depth; what is nearer to the camera looks longer. Near contact the bat points to the plate.
func (d *draw) batInSpace(u, w, long, away, down float64) (axis k.Vec3, deep float64) {
	s, c := math.Sincos(d.az)
	hips := away + d.handsNearer()
	if !math.IsInf(away, 1) {
		u, w = u*away/hips, w*away/hips
	}
	// q (1 − deep/away)² + deep² = long²
	q, a := u*u+w*w, 1/away
	root := math.Sqrt(math.Max(0, q*q*a*a-(q*a*a+1)*(q-long*long)))
	deep = (q*a + math.Copysign(root, c)) / (q*a*a + 1)
	u, w = u*(1-deep*a), w*(1-deep*a)
	return k.Vec3{X: u*c + deep*s, Y: deep*c - u*s, Z: w + deep*down}, deep
}

// batPath is the bat in the frames about contact, each with its own error.
func (d *draw) batPath(contactS float64) []batSpot {
	long, away, down := d.batLong(), d.cameraAway(), math.Tan(d.once("look down", lookDownDeg, lookDownSD)*math.Pi/180)
	var path []batSpot
	for i := d.before(contactS - lineSpanS); i < min(len(d.t.Bat), d.t.Len()) && d.t.Times[i] < contactS+lineSpanS; i++ {
		b := &d.t.Bat[i]
		if b.Status != string(Measured) || !b.Barrel.Known() || !b.Knob.Known() {
			continue
		}
		ex, ey := b.Barrel.X-b.Knob.X, b.Barrel.Y-b.Knob.Y
		l := math.Hypot(ex, ey)
		if l == 0 {
			continue
		}
		along, aside := d.normal(b.Barrel.Sigma)/l, d.normal(math.Min(b.Barrel.Sigma, acrossSD*d.heightPx))/l
		knob := d.place(b.Knob.X, b.Knob.Y)
		v := d.place(b.Barrel.X+along*ex-aside*ey, b.Barrel.Y+along*ey+aside*ex).minus(knob)
		axis, _ := d.batInSpace(v.u, v.w, long, away, down)
		path = append(path, batSpot{d.t.Times[i], knob.w, math.Max(b.Barrel.Sigma/d.heightPx, acrossSD), axis})
	}
	return smoothed(path, long)
}

// smoothed lays parabolas through a path.
func smoothed(path []batSpot, long float64) []batSpot {
	n := len(path)
	ts, sds, xs := make([]float64, n), make([]float64, n), [4][]float64{}
	for i := range path {
		b := &path[i]
		ts[i], sds[i] = b.t, b.sigma
		for c, x := range [4]float64{b.knob, b.axis.X, b.axis.Y, b.axis.Z} {
			xs[c] = append(xs[c], x)
		}
	}
	var out []batSpot
	for i := range path {
		b := path[i]
		for c, x := range [4]*float64{&b.knob, &b.axis.X, &b.axis.Y, &b.axis.Z} {
			if v, _, err := k.LocalPolynomial(ts, xs[c], sds, b.t, lineSmoothS, 2, 0); err == nil {
				*x = v
			}
		}
		if l := b.axis.Norm(); l > 0 {
			b.axis = k.Vec3{X: b.axis.X * long / l, Y: b.axis.Y * long / l, Z: b.axis.Z * long / l}
		}
		out = append(out, b)
	}
	return out
}

// batBetween is the bat at a time between two frames of a path that are no farther apart than gapS.
func batBetween(path []batSpot, timeS, gapS float64) (batSpot, bool) {
	for i := 1; i < len(path); i++ {
		a, b := &path[i-1], &path[i]
		if timeS < a.t || timeS > b.t {
			continue
		}
		if b.t-a.t > gapS {
			return batSpot{}, false
		}
		f := (timeS - a.t) / (b.t - a.t)
		mix := func(x, y float64) float64 { return x + f*(y-x) }
		v := k.Vec3{X: mix(a.axis.X, b.axis.X), Y: mix(a.axis.Y, b.axis.Y), Z: mix(a.axis.Z, b.axis.Z)}
		// A bat keeps its length while it turns.
		r := mix(a.axis.Norm(), b.axis.Norm()) / v.Norm()
		return batSpot{timeS, mix(a.knob, b.knob), 0, k.Vec3{X: v.X * r, Y: v.Y * r, Z: v.Z * r}}, true
	}
	return batSpot{}, false
}

// barrelOnLine is how long the ball's line runs through the barrel about contact, ms.
func (d *draw) barrelOnLine() float64 {
	if !(d.pxPerM > 0) {
		return math.NaN()
	}
	metre := d.pxPerM / d.heightPx // body heights
	c, from, share := d.times[Contact], 1-barrelM/d.batM(), d.sweetSpot()
	aside := d.once("hands aside", handsAside, handsAsideSD) * metre
	path := d.batPath(c)
	at := func(t float64) (batSpot, bool) { return batBetween(path, t, math.Max(lineGapS, 1.01*d.frameS)) }
	met, ok := at(c)
	if !ok {
		d.why = d.batStatus(c)
		return math.NaN()
	}
	y, z := share*met.axis.Y, met.knob+share*met.axis.Z
	// leaves is when the barrel is no longer on the line, going on from contact one way.
	leaves := func(dir float64) float64 {
		for s := lineStepS; s < lineSpanS; s += lineStepS {
			b, ok := at(c + dir*s)
			if !ok {
				d.why = d.batStatus(c + dir*s)
				return math.NaN()
			}
			knobY := aside * dir * s
			if offStretch(y-knobY-from*b.axis.Y, z-b.knob-from*b.axis.Z, (1-from)*b.axis.Y, (1-from)*b.axis.Z) > meetM*metre {
				return s - lineStepS/2
			}
		}
		return lineSpanS
	}
	return 1000 * (leaves(-1) + leaves(1))
}

// offStretch is how far a point is from the stretch that begins at the origin and ends at (bx, by).
func offStretch(x, y, bx, by float64) float64 {
	f := 0.0
	if l := bx*bx + by*by; l > 0 {
		f = math.Max(0, math.Min(1, (x*bx+y*by)/l))
	}
	return math.Hypot(x-f*bx, y-f*by)
}
