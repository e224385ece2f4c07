// Package bat finds the bat and the ball in pictures of one swing.
//
// The bat is looked for as what differs from the background along a ray from
// the hands: for every frame the evidence is gathered over all directions and
// lengths, and one way through all frames is chosen by dynamic programming. How
// much worse the best way through any other direction is says how sure a
// frame's answer is; below a limit there is none.
//
// Everything is in pixels of the pictures that are given, which may be reduced
// ones. Nothing here starts goroutines; Scene.Each lets the caller do so.
package bat

import (
	"math"

	"cagebook/pose"
)

// Scene is what is known of one swing before the bat is looked for. All slices
// have one entry a frame.
type Scene struct {
	Times  []float64    // s of real motion, rising
	Pics   []pose.Image // BGR, all of one size
	At     []int        // the caller's own numbers of the frames; not used here
	Body   []Joints     // the hitter's joints in px of the pictures
	Height float64      // px that the hitter's standing height spans

	BatHeights float64 // the bat's length in hitter's heights; 0 = not known
	Turn       int     // how the bat turns in the picture from launch to follow-through: −1 counter-clockwise as seen, +1 clockwise, 0 not known
	SwingFromS float64 // stretch in which the bat turns one way, s
	SwingToS   float64
	Lead       pose.Joint // wrist of the lead side, which holds the knob's end and lets go last; 0 = not known
	ContactS   float64    // when the body says that contact was, s; 0 = do not look for the ball

	// Each runs f for every number below n, in any order, possibly at the same
	// time; nil = one after another.
	Each func(n int, f func(i int))
}

// Joints are the joints of one frame; those with Sigma 0 are not known.
type Joints [pose.NumJoints]pose.Estimate

// Statuses of a frame without an answer are words of pose.BatSample.
const (
	measured  = "measured"
	noBat     = "no_bat"
	occluded  = "occluded"
	notInView = "view"
)

// Result is what was found, one entry a frame, px of the pictures.
type Result struct {
	Bat      []pose.BatSample
	AngleRad []float64 // direction of the barrel from the hands, y down; NaN without an answer
	Gap      []float64 // how much better the answer is than any in another direction; NaN where nothing was looked for
	Ball     []pose.BallSample
	Flight   Flight
}

func (s *Scene) each(n int, f func(i int)) {
	if s.Each != nil {
		s.Each(n, f)
		return
	}
	for i := range n {
		f(i)
	}
}

// grip is the point between the hands, from which the bat is looked for.
type grip struct {
	x, y float64
	ok   bool
}

// tooFar is how far apart the index knuckles of two hands on one handle may be,
// heights; beyond it one of them was put elsewhere.
const tooFar = 0.10

// releaseS is the least time after contact at which a top hand lets go, s; before it both hold the bat.
const releaseS = 0.05

// gripsOf are the places from which the bat may come: midway between the index knuckles, 1 to 1.7 % of body height from
// the truth where the wrists are 2.4 to 3.9 % off. Where they are too far apart one of them was put elsewhere, mostly a hand that
// the body hides: both are tried, the surer one first, and after contact that of the lead hand, as the top hand lets go
// first. Without knuckles the wrists stand in.
func (s *Scene) gripsOf(i int) []grip {
	b := &s.Body[i]
	for _, pair := range [2][2]pose.Joint{{pose.LeftIndex, pose.RightIndex}, {pose.LeftWrist, pose.RightWrist}} {
		first, other := pair[0], pair[1]
		l, r := b[first], b[other]
		switch {
		case l.Known() && r.Known():
			if math.Hypot(l.X-r.X, l.Y-r.Y) <= tooFar*s.Height {
				return []grip{{(l.X + r.X) / 2, (l.Y + r.Y) / 2, true}}
			}
			switch after := s.ContactS > 0 && s.Times[i] > s.ContactS+releaseS; {
			case after && s.Lead == pose.LeftWrist:
			case after && s.Lead == pose.RightWrist, r.Sigma < l.Sigma:
				first, other = other, first
			}
			return []grip{b.hand(first), b.hand(other)}
		case l.Known():
			return []grip{{l.X, l.Y, true}}
		case r.Known():
			return []grip{{r.X, r.Y, true}}
		}
	}
	return []grip{{}}
}

// hand is the grip of one hand alone, of which a joint is known: the knuckle of a hand that is not seen well strays farther than its wrist.
func (b *Joints) hand(j pose.Joint) grip {
	wrist := j
	switch j {
	case pose.LeftIndex:
		wrist = pose.LeftWrist
	case pose.RightIndex:
		wrist = pose.RightWrist
	}
	p, w := b[j], b[wrist]
	if !w.Known() {
		w = p
	}
	return grip{(p.X + w.X) / 2, (p.Y + w.Y) / 2, true}
}

// Follow finds bat and ball in a scene. It returns an empty result if there are
// fewer than three pictures or no height.
func Follow(s *Scene) Result {
	n := len(s.Pics)
	if n < 3 || len(s.Times) != n || len(s.Body) != n || !(s.Height >= 20) || s.Pics[0].W < 16 || s.Pics[0].H < 16 {
		return Result{}
	}
	for _, p := range s.Pics {
		if p.W != s.Pics[0].W || p.H != s.Pics[0].H {
			return Result{}
		}
	}
	f := newFollower(s)
	f.background()
	res := f.answer(f.find())
	f.ball(&res)
	return res
}

// In a dark picture a bat may differ from what is behind it by few levels. Where less than half of the frames are answered, smaller
// differences are tried, and kept where they answer half as many frames again: elsewhere they bring up shadows and other people.
const fineLevels = 0.4

// find is the way of the bat.
func (f *follower) find() way {
	w := f.colourOrNot()
	n := f.answered(w)
	if 2*n >= len(f.s.Pics) {
		return w
	}
	seen := f.views
	f.fine = fineLevels
	if v := f.colourOrNot(); 2*f.answered(v) > 3*n {
		return v
	}
	f.fine, f.views = 1, seen
	return w
}

// colourOrNot is the way by all that differs from the background, or by that weighed with the bat's colour where more frames are
// answered so: a colour that was learnt from something else makes the bat vanish.
func (f *follower) colourOrNot() way {
	f.gather(nil)
	plain := f.path()
	c := f.learn(plain)
	if c == nil {
		return plain
	}
	seen, n := f.views, f.answered(plain)
	f.gather(c)
	coloured := f.path()
	if f.answered(coloured) >= n {
		return coloured
	}
	f.views = seen
	return plain
}

// answered is the number of frames that a way answers.
func (f *follower) answered(w way) int {
	n := 0
	for i := range w.gap {
		if f.answers(w, i) {
			n++
		}
	}
	return n
}
