package phases

import (
	"math"
	"math/rand/v2"

	k "cagebook/phases/kinematics"
	"cagebook/pose"
)

// A figure of joints in space that swings: right-handed, X to the pitcher, Y to the plate, Z up, metres. Poses are
// given at the events and joined smoothly; knees and elbows follow from bone lengths. It exists so that
// measures can be held against exact geometry; it claims no more.

const figureHeightM = 1.70

// figurePose is what is set at an event.
type figurePose struct {
	timeS              float64
	hip                k.Vec3  // mid-hip
	pelvis, shoulders  float64 // turn, deg
	lean, leanToX      float64 // trunk lean, deg, and its direction: 0 = to the plate, 90 = to the pitcher
	leadFoot, rearFoot k.Vec3  // ankles
	leadOpen, rearOpen float64 // foot directions, deg
	hands              k.Vec3  // from mid-shoulders
}

var figurePoses = []figurePose{
	{0.00, k.Vec3{X: 0, Y: 0, Z: 0.82}, 0, -5, 25, 0, k.Vec3{X: 0.32, Y: 0.02, Z: 0.066}, k.Vec3{X: -0.32, Y: 0, Z: 0.066}, 10, 0, k.Vec3{X: -0.28, Y: 0.22, Z: 0.02}},
	{0.50, k.Vec3{X: 0, Y: 0, Z: 0.82}, 0, -5, 25, 0, k.Vec3{X: 0.32, Y: 0.02, Z: 0.066}, k.Vec3{X: -0.32, Y: 0, Z: 0.066}, 10, 0, k.Vec3{X: -0.28, Y: 0.22, Z: 0.02}},
	{0.85, k.Vec3{X: -0.08, Y: 0, Z: 0.82}, -18, -30, 24, -10, k.Vec3{X: 0.20, Y: 0.02, Z: 0.20}, k.Vec3{X: -0.32, Y: 0, Z: 0.066}, 5, 0, k.Vec3{X: -0.34, Y: 0.16, Z: 0.05}},
	{1.20, k.Vec3{X: 0.08, Y: 0, Z: 0.80}, -8, -32, 24, -10, k.Vec3{X: 0.50, Y: 0.04, Z: 0.066}, k.Vec3{X: -0.32, Y: 0, Z: 0.066}, 25, 5, k.Vec3{X: -0.40, Y: 0.14, Z: 0.06}},
	{1.26, k.Vec3{X: 0.12, Y: 0, Z: 0.80}, 15, -20, 24, -15, k.Vec3{X: 0.50, Y: 0.04, Z: 0.066}, k.Vec3{X: -0.31, Y: 0, Z: 0.068}, 27, 15, k.Vec3{X: -0.38, Y: 0.20, Z: 0.02}},
	{1.40, k.Vec3{X: 0.16, Y: 0.01, Z: 0.81}, 80, 60, 22, -60, k.Vec3{X: 0.50, Y: 0.04, Z: 0.066}, k.Vec3{X: -0.27, Y: 0.02, Z: 0.10}, 38, 55, k.Vec3{X: 0.20, Y: 0.42, Z: -0.30}},
	{1.48, k.Vec3{X: 0.17, Y: 0.01, Z: 0.82}, 92, 100, 20, -70, k.Vec3{X: 0.50, Y: 0.04, Z: 0.066}, k.Vec3{X: -0.22, Y: 0.03, Z: 0.13}, 45, 75, k.Vec3{X: 0.48, Y: 0.10, Z: -0.10}},
	{1.75, k.Vec3{X: 0.18, Y: 0.01, Z: 0.83}, 100, 125, 16, -80, k.Vec3{X: 0.50, Y: 0.04, Z: 0.066}, k.Vec3{X: -0.18, Y: 0.04, Z: 0.15}, 50, 85, k.Vec3{X: -0.05, Y: -0.30, Z: 0.05}},
	{2.60, k.Vec3{X: 0.20, Y: 0.01, Z: 0.83}, 100, 125, 15, -80, k.Vec3{X: 0.50, Y: 0.04, Z: 0.066}, k.Vec3{X: -0.18, Y: 0.04, Z: 0.15}, 50, 85, k.Vec3{X: -0.05, Y: -0.30, Z: 0.05}},
}

var figureEvents = []Event{
	{Name: Stance, TimeS: 0.50},
	{Name: LeadFootOff, TimeS: 0.56},
	{Name: Load, TimeS: 0.85},
	{Name: FootDown, TimeS: 1.20},
	{Name: HandsStart, TimeS: 1.24},
	{Name: Contact, TimeS: 1.40},
	{Name: Extension, TimeS: 1.48},
	{Name: Finish, TimeS: 1.75},
}

type figure [pose.NumJoints]k.Vec3

func add3(a, b k.Vec3) k.Vec3            { return k.Vec3{X: a.X + b.X, Y: a.Y + b.Y, Z: a.Z + b.Z} }
func mul3(a k.Vec3, f float64) k.Vec3    { return k.Vec3{X: a.X * f, Y: a.Y * f, Z: a.Z * f} }
func dot3(a, b k.Vec3) float64           { return a.X*b.X + a.Y*b.Y + a.Z*b.Z }
func mix3(a, b k.Vec3, f float64) k.Vec3 { return add3(mul3(a, 1-f), mul3(b, f)) }
func level(deg float64) (fwd, left k.Vec3) { // chest direction and hip line (rear to lead) of a turn
	s, c := math.Sincos(deg * math.Pi / 180)
	return k.Vec3{X: s, Y: c}, k.Vec3{X: c, Y: -s}
}

// hinge is the middle joint of a limb from a to c with bones l1 and l2, standing out to the side of pole.
func hinge(a, c, pole k.Vec3, l1, l2 float64) k.Vec3 {
	v := c.Sub(a)
	d := math.Min(v.Norm(), 0.999*(l1+l2))
	v = mul3(v, 1/v.Norm())
	x := (l1*l1 - l2*l2 + d*d) / (2 * d)
	p := pole.Sub(mul3(v, dot3(pole, v)))
	p = mul3(p, 1/p.Norm())
	return add3(add3(a, mul3(v, x)), mul3(p, math.Sqrt(math.Max(0, l1*l1-x*x))))
}

// figureAt is the figure at a time; the world's joints by name, lead = left.
func figureAt(t float64) figure {
	ps := figurePoses
	t = math.Max(ps[0].timeS, math.Min(t, ps[len(ps)-1].timeS-1e-9))
	i := 0
	for ps[i+1].timeS <= t {
		i++
	}
	// Hermite with finite-difference tangents.
	h := ps[i+1].timeS - ps[i].timeS
	s := (t - ps[i].timeS) / h
	val := func(get func(figurePose) float64) float64 {
		slope := func(j int) float64 {
			if j == 0 || j == len(ps)-1 {
				return 0
			}
			a, b := (get(ps[j])-get(ps[j-1]))/(ps[j].timeS-ps[j-1].timeS), (get(ps[j+1])-get(ps[j]))/(ps[j+1].timeS-ps[j].timeS)
			if a*b <= 0 {
				return 0
			}
			return 2 * a * b / (a + b)
		}
		p0, p1, m0, m1 := get(ps[i]), get(ps[i+1]), h*slope(i), h*slope(i+1)
		return p0*(2*s*s*s-3*s*s+1) + m0*(s*s*s-2*s*s+s) + p1*(3*s*s-2*s*s*s) + m1*(s*s*s-s*s)
	}
	vec := func(get func(figurePose) k.Vec3) k.Vec3 {
		return k.Vec3{
			X: val(func(p figurePose) float64 { return get(p).X }),
			Y: val(func(p figurePose) float64 { return get(p).Y }), Z: val(func(p figurePose) float64 { return get(p).Z }),
		}
	}
	const H = figureHeightM
	var f figure
	hip := vec(func(p figurePose) k.Vec3 { return p.hip })
	pelvis, shoulders := val(func(p figurePose) float64 { return p.pelvis }), val(func(p figurePose) float64 { return p.shoulders })
	lean := val(func(p figurePose) float64 { return p.lean }) * math.Pi / 180
	to := val(func(p figurePose) float64 { return p.leanToX }) * math.Pi / 180
	up := k.Vec3{X: math.Sin(lean) * math.Sin(to), Y: math.Sin(lean) * math.Cos(to), Z: math.Cos(lean)}
	chest := add3(hip, mul3(up, k.TrunkLength*H))
	_, hl := level(pelvis)
	sf, sl := level(shoulders)
	f[pose.LeftHip], f[pose.RightHip] = add3(hip, mul3(hl, .06*H)), add3(hip, mul3(hl, -.06*H))
	f[pose.LeftShoulder], f[pose.RightShoulder] = add3(chest, mul3(sl, .105*H)), add3(chest, mul3(sl, -.105*H))
	head := add3(chest, k.Vec3{X: up.X * .06 * H, Y: up.Y * .06 * H, Z: .10 * H})
	for j := pose.Nose; j <= pose.MouthRight; j++ {
		f[j] = add3(head, k.Vec3{X: .06 * H}) // facing the pitcher
	}
	f[pose.LeftEar], f[pose.RightEar] = add3(head, k.Vec3{Y: -.045 * H}), add3(head, k.Vec3{Y: .045 * H})
	leg := func(hipJ, kneeJ, ankleJ, heelJ, toeJ pose.Joint, ankle k.Vec3, open float64) {
		dir, _ := level(open)
		knee := hinge(f[hipJ], ankle, dir, k.ThighLength*H, k.ShankLength*H)
		// A leg that cannot reach is as long as it is.
		if d := ankle.Sub(knee); d.Norm() > 0 {
			f[ankleJ] = add3(knee, mul3(d, k.ShankLength*H/d.Norm()))
		}
		f[kneeJ] = knee
		f[heelJ] = add3(f[ankleJ], add3(mul3(dir, -.03*H), k.Vec3{Z: -.025 * H}))
		f[toeJ] = add3(f[heelJ], mul3(dir, .135*H))
	}
	leg(pose.LeftHip, pose.LeftKnee, pose.LeftAnkle, pose.LeftHeel, pose.LeftFootIndex, vec(func(p figurePose) k.Vec3 { return p.leadFoot }), val(func(p figurePose) float64 { return p.leadOpen }))
	leg(pose.RightHip, pose.RightKnee, pose.RightAnkle, pose.RightHeel, pose.RightFootIndex, vec(func(p figurePose) k.Vec3 { return p.rearFoot }), val(func(p figurePose) float64 { return p.rearOpen }))
	grip := add3(chest, vec(func(p figurePose) k.Vec3 { return p.hands }))
	arm := func(sh, el, wr pose.Joint, side float64) {
		w := add3(grip, mul3(sl, side*.02*H))
		e := hinge(f[sh], w, add3(k.Vec3{Z: -1}, add3(mul3(sl, side*.8), mul3(sf, .1))), k.UpperArmLength*H, k.ForearmLength*H)
		d := w.Sub(e)
		f[el], f[wr] = e, add3(e, mul3(d, k.ForearmLength*H/d.Norm()))
		for _, j := range []pose.Joint{pose.LeftPinky, pose.LeftIndex, pose.LeftThumb} {
			if wr == pose.RightWrist {
				j = j.Swap()
			}
			f[j] = add3(f[wr], mul3(d, .05*H/d.Norm()))
		}
	}
	arm(pose.LeftShoulder, pose.LeftElbow, pose.LeftWrist, 1)
	arm(pose.RightShoulder, pose.RightElbow, pose.RightWrist, -1)
	return f
}

func (f figure) mid(j pose.Joint) k.Vec3 { return mix3(f[j], f[j.Swap()], 0.5) }

// filming says how the figure is filmed.
type filming struct {
	bats       Bats
	azimuth    float64
	viewSigma  float64 // the azimuth that is told errs by this
	fps        float64
	heightPx   float64
	sigmaPx    float64 // smoothed keypoints err by this, the same over 60 ms
	biasPart   float64 // of biasOf
	eventSigma float64 // s
	world      bool
	core       bool // thirteen joints
	shiftS     float64
	at         k.Vec2 // px, where mid-hip stands
	seed       uint64
}

func usualFilming() filming {
	return filming{bats: Right, viewSigma: 8, fps: 120, heightPx: 500, sigmaPx: 3, biasPart: biasMarked, eventSigma: 0.012, at: k.Vec2{X: 640, Y: 400}, seed: 1}
}

// film gives a track with known uncertainties, and the swing.
func film(f filming) (*pose.Track, *Swing) {
	rng := rand.New(rand.NewPCG(f.seed, 77))
	view := View{AzimuthDeg: f.azimuth}
	n := int(2.6 * f.fps)
	t := &pose.Track{}
	var bias, placed [pose.NumJoints][2]float64
	noise := [pose.NumJoints][2]float64{}
	for j := range bias {
		b := biasOf[j] * f.biasPart * f.heightPx
		bias[j] = [2]float64{b * rng.NormFloat64(), b * rng.NormFloat64()}
		placed[j] = [2]float64{placingError(pose.Joint(j)) * f.heightPx * rng.NormFloat64(), placingError(pose.Joint(j)) * f.heightPx * rng.NormFloat64()}
		noise[j] = [2]float64{rng.NormFloat64(), rng.NormFloat64()}
		t.Has[j] = true
	}
	if f.core {
		t.Has = [pose.NumJoints]bool{}
		for _, j := range []pose.Joint{
			pose.Nose, pose.LeftShoulder, pose.RightShoulder, pose.LeftElbow, pose.RightElbow, pose.LeftWrist, pose.RightWrist,
			pose.LeftHip, pose.RightHip, pose.LeftKnee, pose.RightKnee, pose.LeftAnkle, pose.RightAnkle,
		} {
			t.Has[j] = true
		}
	}
	var worldErr [pose.NumJoints]float64
	for j := range worldErr {
		worldErr[j] = depthSigma * f.heightPx * rng.NormFloat64()
	}
	mirror := f.bats.mirror()
	keep := math.Exp(-1 / f.fps / 0.06)
	for i := range n {
		s := float64(i) / f.fps
		fig := figureAt(s)
		var sm [pose.NumJoints]pose.Estimate
		var w [pose.NumJoints]pose.Point3
		for j := range pose.Joint(pose.NumJoints) {
			for c := range 2 {
				noise[j][c] = keep*noise[j][c] + math.Sqrt(1-keep*keep)*rng.NormFloat64()
			}
			if !t.Has[j] {
				continue
			}
			p := fig[j].Sub(fig.mid(pose.LeftHip))
			r, d, deep := view.Project(Right, p.X, p.Y, p.Z)
			moved := fig.mid(pose.LeftHip)
			mr, md, _ := view.Project(Right, moved.X, moved.Y, moved.Z-0.85)
			px := f.heightPx / figureHeightM
			// Everything, noise included, is made for the right-handed hitter and mirrored at the end.
			x := mirror * ((r+mr)*px + bias[j][0] + placed[j][0] + f.sigmaPx*noise[j][0])
			y := (d+md)*px + bias[j][1] + placed[j][1] + f.sigmaPx*noise[j][1]
			o := j
			if f.bats == Left {
				o = j.Swap()
			}
			sm[o] = pose.Estimate{X: f.at.X + x, Y: f.at.Y + y, Sigma: math.Hypot(f.sigmaPx, placingError(j)*f.heightPx)}
			w[o] = pose.Point3{X: mirror * r, Y: d, Z: -(deep + worldErr[j]/px)}
		}
		t.Frames, t.Times = append(t.Frames, i), append(t.Times, f.shiftS+s)
		t.Smooth = append(t.Smooth, sm)
		if f.world {
			t.World = append(t.World, w)
		}
	}
	sw := &Swing{Bats: f.bats, From: 0, To: n, View: View{Side: "open", AzimuthDeg: k.WrapDeg(f.azimuth + f.viewSigma*rng.NormFloat64()), SigmaDeg: f.viewSigma}}
	for _, e := range figureEvents {
		e.TimeS += f.shiftS + f.eventSigma*rng.NormFloat64()
		e.SigmaS = f.eventSigma
		e.Frame = int(math.Round((e.TimeS - f.shiftS) * f.fps))
		sw.Events = append(sw.Events, e)
	}
	sw.Scale = EstimateScale(t, sw.From, sw.To, Given{})
	return t, sw
}

// figureTruth gives the measures of the figure from its geometry in space: by name and event.
func figureTruth() map[[2]string]float64 {
	const H = figureHeightM
	at := map[EventName]figure{}
	when := map[EventName]float64{}
	for _, e := range figureEvents {
		at[e.Name], when[e.Name] = figureAt(e.TimeS), e.TimeS
	}
	out := map[[2]string]float64{}
	set := func(name string, e EventName, v float64) { out[[2]string{name, string(e)}] = v }
	for e, f := range at {
		flex := func(a, b, c pose.Joint) float64 { return k.Flexion3Deg(f[a], f[b], f[c]) }
		set("lead_knee_flexion", e, flex(leadHip, leadKnee, leadAnkle))
		set("rear_knee_flexion", e, flex(rearHip, rearKnee, rearAnkle))
		set("lead_elbow_flexion", e, flex(leadShoulder, leadElbow, leadWrist))
		set("rear_elbow_flexion", e, flex(rearShoulder, rearElbow, rearWrist))
		tr := f.mid(leadShoulder).Sub(f.mid(leadHip))
		set("trunk_lean", e, math.Atan2(tr.X, tr.Z)*180/math.Pi)
		set("trunk_lean_to_plate", e, math.Atan2(tr.Y, tr.Z)*180/math.Pi)
		feet := f[leadAnkle].Sub(f[rearAnkle])
		set("stance_width", e, math.Hypot(feet.X, feet.Y)/H)
		set("stride_length", e, math.Hypot(feet.X, feet.Y)/H)
		com := figureCOM(f)
		set("body_over_feet", e, (com.X-f[rearAnkle].X)/feet.X)
		hands := f.mid(leadWrist)
		set("hands_back", e, (f[rearShoulder].X-hands.X)/H)
		set("rear_knee_inside", e, (f[rearKnee].X-f[rearAnkle].X)/H)
		set("hands_separation", e, (f[leadAnkle].X-hands.X)/H)
		turnOf := func(l pose.Joint) float64 {
			v := f[l].Sub(f[l.Swap()])
			return math.Atan2(-v.Y, v.X) * 180 / math.Pi
		}
		set("pelvis_turn", e, turnOf(leadHip))
		set("shoulder_turn", e, turnOf(leadShoulder))
		set("turn_separation", e, turnOf(leadHip)-turnOf(leadShoulder))
		foot := f[leadToe].Sub(f[leadHeel])
		set("lead_foot_open", e, k.OpenAngleDeg(foot.X, foot.Y))
	}
	a, b := at[FootDown], at[Contact]
	move := func(j pose.Joint) k.Vec3 { return b[j].Sub(a[j]) }
	set("foot_slide", fdToContact, math.Hypot(move(leadAnkle).X, move(leadAnkle).Y)/H)
	set("lead_knee_drift", fdToContact, move(leadKnee).X/H)
	set("pelvis_drift", fdToContact, b.mid(leadHip).Sub(a.mid(leadHip)).X/H)
	set("head_travel", fdToContact, b.mid(pose.LeftEar).Sub(a.mid(pose.LeftEar)).Norm()/H)
	set("foot_spin", fdToContact, out[[2]string{"lead_foot_open", string(Contact)}]-out[[2]string{"lead_foot_open", string(FootDown)}])
	set("lead_knee_straightening", fdToContact, out[[2]string{"lead_knee_flexion", string(FootDown)}]-out[[2]string{"lead_knee_flexion", string(Contact)}])
	away := figureAt(when[Contact] - 0.08)
	set("hands_away", "hands_start_to_contact", (away.mid(leadWrist).Y-away.mid(leadShoulder).Y)/H)
	var path float64
	for i := range 5 {
		c := func(s float64) k.Vec3 {
			f := figureAt(s)
			return mix3(f.mid(leadShoulder), f.mid(leadHip), 0.5)
		}
		s := when[Finish] + 0.1*float64(i)
		path += c(s + 0.1).Sub(c(s)).Norm()
	}
	set("steadiness", Finish, path/0.5/H)
	// The hands' first 0.10 m.
	p0 := figureAt(when[HandsStart]).mid(leadWrist)
	last, gone := p0, 0.0
	for s := when[HandsStart]; gone < 0.10; s += 1e-4 {
		p := figureAt(s).mid(leadWrist)
		gone += p.Sub(last).Norm()
		last = p
	}
	set("hand_path_straightness", HandsStart, last.Sub(p0).Norm()/gone)
	set("hand_drop", HandsStart, (p0.Z-last.Z)/H)
	for _, iv := range []struct {
		name     string
		from, to EventName
	}{{"stride_time", LeadFootOff, FootDown}, {"foot_down_to_hands_start", FootDown, HandsStart}, {"foot_down_to_contact", FootDown, Contact}, {"swing_time", HandsStart, Contact}} {
		set(iv.name, iv.from+"_to_"+iv.to, 1000*(when[iv.to]-when[iv.from]))
	}
	return out
}

// figureCOM is the centre of mass of Winter's rows in space.
func figureCOM(f figure) k.Vec3 {
	m := k.Winter
	var sum k.Vec3
	on := func(r k.SegmentRow, p, q k.Vec3) { sum = add3(sum, mul3(mix3(p, q, r.COM), r.Mass)) }
	sum = add3(sum, mul3(f.mid(pose.LeftEar), m.Head.Mass))
	on(m.Trunk, f.mid(leadHip), f.mid(leadShoulder))
	for _, lead := range []bool{true, false} {
		j := func(l pose.Joint) k.Vec3 {
			if lead {
				return f[l]
			}
			return f[l.Swap()]
		}
		on(m.UpperArm, j(leadShoulder), j(leadElbow))
		on(m.Forearm, j(leadElbow), j(leadWrist))
		on(m.Hand, j(leadWrist), j(pose.LeftIndex))
		on(m.Thigh, j(leadHip), j(leadKnee))
		on(m.Shank, j(leadKnee), j(leadAnkle))
		on(m.Foot, j(leadHeel), j(leadToe))
	}
	return sum
}
