package main

import (
	"math"
	"sort"

	"cagebook/phases"
	"cagebook/pipeline/studio"
	"cagebook/pose"
)

// torso are the joints that say who somebody is.
var torso = []pose.Joint{pose.LeftShoulder, pose.RightShoulder, pose.LeftHip, pose.RightHip}

// sameTorso is how far the middles of two torsos may lie apart to be one person's, body heights: half the breadth of
// the shoulders, which is 0.26 of standing height (Drillis and Contini 1966, as tabled by Winter).
const sameTorso = 0.13

// truthAt finds the true frame that a time belongs to; nil if there is none within a quarter of a frame.
func truthAt(tr *studio.Truth, timeS float64) *studio.TruthFrame {
	i := sort.Search(len(tr.Frames), func(i int) bool { return tr.Frames[i].TimeS >= timeS })
	if i == len(tr.Frames) || i > 0 && timeS-tr.Frames[i-1].TimeS < tr.Frames[i].TimeS-timeS {
		i--
	}
	if i < 0 || math.Abs(tr.Frames[i].TimeS-timeS) > 0.25/tr.FPS {
		return nil
	}
	return &tr.Frames[i]
}

// isHitter says whether the person who was followed from lead foot off to finish is the true hitter: whether in the
// middle of all frames the torsos are within sameTorso. offset is that distance in body heights.
func isHitter(tr *studio.Truth, got *found, want *studio.TruthSwing) (right bool, offset float64, known bool) {
	if got.track == nil {
		return false, 0, false
	}
	scale := tr.PxPerM
	if want != nil {
		scale = want.PxPerM
	}
	from, to := math.Inf(1), math.Inf(-1)
	for _, e := range got.Events {
		from, to = math.Min(from, e.TimeS), math.Max(to, e.TimeS)
	}
	var apart []float64
	for i, t := range got.track.Times {
		f := truthAt(tr, t)
		if f == nil || t < from || t > to {
			continue
		}
		var dx, dy, n float64
		for _, j := range torso {
			if p := got.track.Raw[i][j]; p.Seen() {
				dx, dy, n = dx+p.X-f.Image[j][0], dy+p.Y-f.Image[j][1], n+1
			}
		}
		if n >= 2 {
			apart = append(apart, math.Hypot(dx, dy)/n/(scale*tr.HeightM))
		}
	}
	if len(apart) == 0 {
		return false, 0, false
	}
	offset = quantile(apart, 0.5)
	return offset <= sameTorso, offset, true
}

// person counts whether the hitter was the one who was followed. It is true where that cannot be told from a report
// without keypoints.
func (b *bench) person(c *clip, want *studio.TruthSwing, got *found) bool {
	right, off, known := isHitter(c.truth, got, want)
	if !known {
		return false
	}
	b.hitters++
	b.told++
	if len(c.truth.People) > 0 {
		b.company++
	}
	if !right {
		b.notice("%s: WRONG PERSON, torso %.2f body heights from the hitter's", c.label, off)
		return false
	}
	b.hitterRight++
	b.toldRight++
	if len(c.truth.People) > 0 {
		b.companyRight++
	}
	return true
}

// jointErrors are those of one joint over all frames of all swings.
type jointErrors struct {
	raw, smooth []float64 // distance from the truth, % of body height
	inside, of  int       // coordinates of smoothed points within 1.96 σ
}

// benchJoints are the joints of the table: the 17 of the COCO keypoint task, and the feet.
var benchJoints = []pose.Joint{
	pose.Nose, pose.LeftEye, pose.RightEye, pose.LeftEar, pose.RightEar, pose.LeftShoulder, pose.RightShoulder,
	pose.LeftElbow, pose.RightElbow, pose.LeftWrist, pose.RightWrist, pose.LeftHip, pose.RightHip,
	pose.LeftKnee, pose.RightKnee, pose.LeftAnkle, pose.RightAnkle, pose.LeftHeel, pose.RightHeel, pose.LeftFootIndex, pose.RightFootIndex,
}

// points holds the joints of a swing, from stance to finish, against the truth; those out of the picture are left out.
func (b *bench) points(tr *studio.Truth, want *studio.TruthSwing, at map[string]float64, got *found) {
	heightPx := want.PxPerM * tr.HeightM
	t := got.track
	for i, when := range t.Times {
		f := truthAt(tr, when)
		if f == nil || when < at[string(phases.Stance)] || when > at[string(phases.Finish)] {
			continue
		}
		for _, j := range benchJoints {
			p := f.Image[j]
			if p[0] < 0 || p[1] < 0 || p[0] >= float64(tr.Width) || p[1] >= float64(tr.Height) {
				continue
			}
			e := b.joints[j.String()]
			if e == nil {
				e = &jointErrors{}
				b.joints[j.String()] = e
			}
			if r := t.Raw[i][j]; r.Seen() {
				e.raw = append(e.raw, 100*math.Hypot(r.X-p[0], r.Y-p[1])/heightPx)
			}
			if i >= len(t.Smooth) || !t.Smooth[i][j].Known() {
				continue
			}
			s := t.Smooth[i][j]
			e.smooth = append(e.smooth, 100*math.Hypot(s.X-p[0], s.Y-p[1])/heightPx)
			for _, d := range [2]float64{s.X - p[0], s.Y - p[1]} {
				e.of++
				if math.Abs(d) <= z95*s.Sigma {
					e.inside++
				}
			}
		}
	}
}

// batFrame is one end of the bat in one frame in which the truth says that it can be seen.
type batFrame struct {
	end      string // barrel | knob
	answered bool
	errPct   float64 // % of body height
	inside   bool    // both coordinates within what holds 95 % of points of a round normal distribution
	fps      float64
	side     string
	shutterS float64
	part     string // of the swing
}

// Parts of the swing in which the bat is looked at.
const (
	beforeSwing = "before the swing"
	inSwing     = "hands start to contact"
	after       = "contact to finish"
)

// batPart is the part of the swing that a time belongs to: from the load, or a tenth of a second before the hands
// start, to the finish.
func batPart(at map[string]float64, t float64) string {
	start, contact := at[string(phases.HandsStart)], at[string(phases.Contact)]
	from := math.Min(start-0.1, at[string(phases.Load)])
	switch {
	case t < from || t > at[string(phases.Finish)]:
		return ""
	case t < start:
		return beforeSwing
	case t <= contact:
		return inSwing
	}
	return after
}

// radius95 is the radius, in standard deviations of a coordinate, that holds 95 % of points of a round normal
// distribution: sqrt(-2 ln 0.05).
var radius95 = math.Sqrt(-2 * math.Log(0.05))

// batEnds holds both ends of the bat against the truth in all frames in which they can be seen.
func (b *bench) batEnds(tr *studio.Truth, want *studio.TruthSwing, at map[string]float64, got *found) {
	t := got.track
	if len(t.Bat) == 0 {
		return
	}
	heightPx := want.PxPerM * tr.HeightM
	for i, when := range t.Times {
		f := truthAt(tr, when)
		part := batPart(at, when)
		if f == nil || part == "" || f.Bat == nil || !f.Bat.Visible {
			continue
		}
		if i < len(t.Repeat) && t.Repeat[i] {
			continue // the picture is the one before
		}
		s := &t.Bat[i]
		for _, e := range []struct {
			end  string
			got  pose.Estimate
			true [2]float64
		}{{"barrel", s.Barrel, f.Barrel}, {"knob", s.Knob, f.Knob}} {
			x := batFrame{end: e.end, fps: tr.FPS, side: want.View.Side, shutterS: tr.ShutterS, part: part}
			if s.Status == string(phases.Measured) && e.got.Known() {
				d := math.Hypot(e.got.X-e.true[0], e.got.Y-e.true[1])
				x.answered, x.errPct, x.inside = true, 100*d/heightPx, d <= radius95*e.got.Sigma
			}
			b.bat = append(b.bat, x)
		}
	}
}
