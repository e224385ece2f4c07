package phases

import (
	"math"

	k "cagebook/phases/kinematics"
	"cagebook/pose"
)

// turnRange is where a horizontal direction can lie at an instant, degrees. Two answers of which only one
// lies within are no ambiguity. Wide on purpose; common practice, no source.
type turnRange struct{ lo, hi float64 }

var (
	pelvisAtLoad       = turnRange{-60, 30}
	shouldersAtLoad    = turnRange{-85, 20}
	pelvisAtFootDown   = turnRange{-50, 70}
	shoulderAtFootDown = turnRange{-80, 50}
	footLanded         = turnRange{-20, 100}
)

func (r turnRange) holds(deg float64) bool { return deg >= r.lo && deg <= r.hi }

// lineTurn is how far the line from the rear to the lead joint is opened: 0° parallel to X, + = open.
//
// Two things are known. In the picture the line has the width W·cos(turn − azimuth), which is sharp where the
// line points at the camera and worthless where it lies in the picture plane; its sign is not to be had. The
// world landmarks give the angle directly, to about 12°. They are combined by their uncertainties.
func (d *draw) lineTurn(name string, e EventName, lead pose.Joint, width lengthGuess, r turnRange) (turnDeg, sigmaDeg float64) {
	l := d.at(e, lead).minus(d.at(e, lead.Swap()))
	if !l.known() {
		return math.NaN(), 0
	}
	c := l.u / d.long(name, width)
	q := math.Acos(math.Max(-1, math.Min(1, c))) * 180 / math.Pi
	az := d.az * 180 / math.Pi
	turns := [2]float64{k.WrapDeg(az + q), k.WrapDeg(az - q)}
	world := math.NaN()
	if u, deep, ok := d.worldLine(e, lead.Swap(), lead); ok {
		world = k.WrapDeg(az + math.Atan2(-deep, u)*180/math.Pi)
	}
	turn, sigma := d.joinTurns(name+string(e), turns, world, d.ratioSigma(e, lead, lead.Swap(), c, width), q, r)
	switch name {
	case "shoulders":
		turn += d.once("shoulders turn"+string(e), 0, shouldersSigmaDeg)
		sigma = math.Hypot(sigma, shouldersSigmaDeg)
	case "hips":
		more := pelvisSigmaDeg + (pelvisSideDeg-pelvisSigmaDeg)*math.Cos(d.az)*math.Cos(d.az)
		turn += d.once("hips turn"+string(e), 0, more)
		sigma = math.Hypot(sigma, more)
	}
	return turn, sigma
}

// usualTurn is what is known of a turn before anything is seen, degrees.
type usualTurn struct{ mean, sd float64 }

// How hitters turn, widely. Welch et al. 1995 (J Orthop Sports Phys Ther 22:193–201) have about 28° of coil of the hips and 24° of
// separation at most, in professionals (values from memory); the rest is common practice, no source.
var (
	usualPelvisAtLoad    = usualTurn{-20, 20}
	usualShouldersAtLoad = usualTurn{-35, 25}
	usualSeparation      = usualTurn{15, 20}
)

// weighed joins a turn that was drawn with a standard uncertainty sigma with the usual: the posterior of two normal distributions.
func (d *draw) weighed(name string, turn, sigma float64, u usualTurn) float64 {
	if math.IsNaN(turn) {
		return turn
	}
	w := u.sd * u.sd / (u.sd*u.sd + sigma*sigma)
	return u.mean + w*k.WrapDeg(turn-u.mean) + d.once("usual "+name, 0, sigma*math.Sqrt(w*(1-w)))
}

// pelvisTurn is the turn of the hip line at the load.
func (d *draw) pelvisTurn() float64 {
	t, s := d.lineTurn("hips", Load, leadHip, d.hipWidth, pelvisAtLoad)
	return d.weighed("pelvis", t, s, usualPelvisAtLoad)
}

func (d *draw) shoulderTurn() float64 {
	t, s := d.lineTurn("shoulders", Load, leadShoulder, d.shoulderWidth, shouldersAtLoad)
	return d.weighed("shoulders", t, s, usualShouldersAtLoad)
}

// footOpen is the direction of the lead foot, heel to toe: 0° at the plate, +90° at the pitcher. In the picture it
// is L·sin(open − azimuth) long.
func (d *draw) footOpen(e EventName) float64 {
	l := d.at(e, leadToe).minus(d.at(e, leadHeel))
	if !l.known() {
		return math.NaN()
	}
	c := l.u / d.long("foot", d.foot)
	q := math.Asin(math.Max(-1, math.Min(1, c))) * 180 / math.Pi
	az := d.az * 180 / math.Pi
	turns := [2]float64{k.WrapDeg(az + q), k.WrapDeg(az + 180 - q)}
	world := math.NaN()
	if u, deep, ok := d.worldLine(e, leadHeel, leadToe); ok {
		world = k.WrapDeg(az + math.Atan2(u, deep)*180/math.Pi)
	}
	turn, _ := d.joinTurns("foot"+string(e), turns, world, d.ratioSigma(e, leadToe, leadHeel, c, d.foot), 90-q, footLanded)
	return turn + d.once("heel hidden"+string(e), 0, heelHiddenDeg*math.Max(0, math.Sin(d.az)))
}

// heelHiddenDeg comes on top for a foot that is seen from the pitcher, who sees the forefoot and has to guess the heel: there, on rendered clips
// with known truth, its turn was off by 17° and the change of it by 36° (root mean square).
const heelHiddenDeg = 20

// ratioSigma is the standard uncertainty of apparent ÷ true length.
func (d *draw) ratioSigma(e EventName, a, b pose.Joint, ratio float64, g lengthGuess) float64 {
	t := d.times[e]
	_, _, sa, _, _ := d.sample(t, d.side(a))
	_, _, sb, _, _ := d.sample(t, d.side(b))
	noise := math.Hypot(sa, sb) / d.subject.scale.HeightPx
	bias := math.Hypot(biasOf[a], biasOf[b]) * d.biasPart
	return math.Sqrt(noise*noise+bias*bias)/g.length + math.Abs(ratio)*g.rel
}

// joinTurns chooses between the picture's two answers and combines with the world's.
//
//	turns       the two answers of the picture, deg
//	worldDeg    the world landmarks' answer or NaN, deg
//	ratioSigma  of apparent ÷ true length
//	qDeg        angle between line and picture plane's normal as seen; its sine is the sharpness
func (d *draw) joinTurns(name string, turns [2]float64, worldDeg, ratioSigma, qDeg float64, r turnRange) (turnDeg, sigmaDeg float64) {
	s := math.Abs(math.Sin(qDeg * math.Pi / 180))
	// Near the picture plane the slope is nil, and the second order rules: cos 25° is 0.9.
	picture := math.Max(ratioSigma, 1e-6) / math.Max(s, math.Sqrt(ratioSigma/2)) * 180 / math.Pi
	if math.IsNaN(worldDeg) {
		in0, in1 := r.holds(turns[0]), r.holds(turns[1])
		apart := math.Abs(k.WrapDeg(turns[0] - turns[1]))
		switch {
		case apart < 2*picture: // both are the same answer within its error
			return turns[0] + k.WrapDeg(turns[1]-turns[0])/2 + d.once("turn "+name, 0, picture), picture
		case in0 && !in1:
			return turns[0], picture
		case in1 && !in0:
			return turns[1], picture
		case in0 && in1:
			d.why = NotInView
			return math.NaN(), 0
		}
		// Neither is possible: the nearer one, if an error explains it.
		mid := (r.lo + r.hi) / 2
		if math.Abs(turns[1]-mid) < math.Abs(turns[0]-mid) {
			return turns[1], picture
		}
		return turns[0], picture
	}
	told := worldDeg
	worldDeg += d.once("world "+name, 0, turnSigmaDeg)
	near := turns[0]
	if math.Abs(k.WrapDeg(turns[1]-worldDeg)) < math.Abs(k.WrapDeg(turns[0]-worldDeg)) {
		near = turns[1]
	}
	wp, ww := 1/(picture*picture), 1/(turnSigmaDeg*turnSigmaDeg)
	if ww > wp {
		d.usedWorld = true
	}
	// Witnesses that contradict each other are less sure than they say, as in Birge 1932 (Phys Rev 40:207–227).
	sigma, more := 1/math.Sqrt(wp+ww), 0.0
	if r := k.WrapDeg(near-told) / math.Hypot(picture, turnSigmaDeg); r*r > 1 {
		more = sigma * math.Sqrt(r*r-1)
	}
	turn := worldDeg + k.WrapDeg(near-worldDeg)*wp/(wp+ww) + d.once("apart "+name, 0, more)
	return k.WrapDeg(turn), math.Hypot(sigma, more)
}

// worldLine is a horizontal line between two world landmarks at an event, m, without noise of its own: along
// the picture and toward the camera.
func (d *draw) worldLine(e EventName, from, to pose.Joint) (u, toward float64, ok bool) {
	t, known := d.times[e]
	if d.worldM == 0 || !known {
		return 0, 0, false
	}
	i := d.before(t)
	p, q := d.t.World[i][d.side(from)], d.t.World[i][d.side(to)]
	u, toward = d.subject.mirror*(q.X-p.X), -(q.Z - p.Z)
	return u, toward, u != 0 || toward != 0
}

// separation is pelvis minus shoulders.
func (d *draw) separation(e EventName) float64 {
	p, ps := d.lineTurn("hips", e, leadHip, d.hipWidth, pelvisAtFootDown)
	t, ts := d.lineTurn("shoulders", e, leadShoulder, d.shoulderWidth, shoulderAtFootDown)
	return d.weighed("separation", k.WrapDeg(p-t), math.Hypot(ps, ts), usualSeparation)
}

// The slow start of the pelvis's turn drowns in what landmarks err by; when half of the turn up to contact is done can be told to some
// 30 ms. Between the two lie usualHalfS, as on 128 rendered swings with known truth (97 to 141 ms in the median by view, two
// thirds within 27 to 39 ms of it); a smooth turn of 90° with a peak of 714 °/s (Welch et al. 1995, from memory) has 98 ms. hipsStartSD holds
// both, and that hitters differ.
const (
	usualHalfS  = 0.125
	hipsStartSD = 0.040
)

// hipsStart is when the pelvis begins to open: usualHalfS before half of its turn is done that it makes from where it is most closed, within
// the last half second before contact, to contact. From world landmarks, or from the width of the hip line where the
// camera looks along the line to the pitcher.
func (d *draw) hipsStart() float64 {
	const longestS, leastS, leastDeg = 0.55, 0.08, 15.0
	to, ok := d.times[Contact]
	if !ok {
		return math.NaN()
	}
	from := to - longestS
	if load, ok := d.times[Load]; ok {
		from = math.Max(from, load-0.05)
	}
	if to-from < 2*leastS {
		return math.NaN()
	}
	sinAz := math.Abs(math.Sin(d.sw.View.AzimuthDeg * math.Pi / 180))
	if d.worldM == 0 && sinAz < 0.77 { // 50° from the side: the hip line lies in the picture plane when it starts to turn
		d.why = NotInView
		return math.NaN()
	}
	var ts, turn []float64
	noise := 0.0
	lastT := math.NaN()
	for i := max(0, d.before(from)); i < d.t.Len() && d.t.Times[i] <= to+0.05; i++ {
		t := d.t.Times[i]
		v := d.turnAt(i)
		if math.IsNaN(v) {
			continue
		}
		// Errors of the turn hang together over some 60 ms.
		const memoryS, noiseDeg = 0.06, 5.0
		a := 0.0
		if !math.IsNaN(lastT) {
			a = math.Exp(-(t - lastT) / memoryS)
		}
		noise = a*noise + d.normal(noiseDeg*math.Sqrt(1-a*a))
		lastT = t
		ts, turn = append(ts, t), append(turn, v+noise)
	}
	if len(ts) < 6 {
		return math.NaN()
	}
	turn = k.UnwrapDeg(turn)
	half := math.Max(0.04, 2.5*d.frameS)
	const gridS = 0.004
	n := int((to - from) / gridS)
	way := make([]float64, 0, n+1)
	least := -1 // where the pelvis is most closed
	for i := 0; i <= n; i++ {
		v, _, err := k.LocalPolynomial(ts, turn, nil, from+float64(i)*gridS, half, 1, 0)
		if err != nil {
			v = math.NaN()
		}
		way = append(way, v)
		if !math.IsNaN(v) && float64(n-i)*gridS >= leastS && (least < 0 || v < way[least]) {
			least = i
		}
	}
	if least < 0 || !(way[n]-way[least] > leastDeg) { // a swing turns the pelvis by more than a right angle; this is noise
		d.why = FailedCheck
		return math.NaN()
	}
	level := (way[least] + way[n]) / 2
	for i := n; i > least; i-- {
		if way[i-1] < level && way[i] >= level {
			return k.Crossing(from+float64(i-1)*gridS, way[i-1], from+float64(i)*gridS, way[i], level) - usualHalfS + d.once("hips start", 0, hipsStartSD)
		}
	}
	d.why = FailedCheck
	return math.NaN()
}

// turnAt is the pelvis turn in one frame, deg, without noise of its own.
func (d *draw) turnAt(i int) float64 {
	l, r := d.side(leadHip), d.side(rearHip)
	if d.worldM > 0 {
		p, q := d.t.World[i][l], d.t.World[i][r]
		u, deep := d.subject.mirror*(p.X-q.X), -(p.Z - q.Z)
		if u == 0 && deep == 0 {
			return math.NaN()
		}
		d.usedWorld = true
		return math.Atan2(-deep, u) * 180 / math.Pi
	}
	p, q := d.t.Smooth[i][l], d.t.Smooth[i][r]
	if !p.Known() || !q.Known() {
		return math.NaN()
	}
	u := d.subject.mirror * (p.X - q.X) / d.heightPx / d.long("hips", d.hipWidth)
	a := math.Asin(math.Max(-1, math.Min(1, u))) * 180 / math.Pi
	if math.Sin(d.az) < 0 { // from the catcher the lead side goes the other way
		a = -a
	}
	return a
}
