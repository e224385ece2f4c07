package pipeline

import (
	"image"
	"image/color"
	"image/draw"
	"math"

	"cagebook/pose"
)

// headAt is a head in the pictures about one time.
type headAt struct {
	timeS   float64
	x, y, r float64 // px
}

// heads are those of everybody in a clip, in the order of time.
type heads struct {
	times map[int]float64 // of the frames that have pictures
	seen  []headAt
}

const (
	// headOfTorso: a head with helmet and the play of its points, against the way
	// from shoulders to hips. A head is 0.13 of standing height tall, the torso 0.288
	// (Drillis and Contini 1966, as tabled by Winter): half a head is 0.23 torsos,
	// and as much again covers a turned head between two looks.
	headOfTorso = 0.45
	headMinPx   = 6.0
	// headNearS: people are looked at about 14 times a second; both neighbours of a frame count.
	headNearS = 0.11
)

// headOf finds a person's head from face, shoulders and hips; false where neither face nor shoulders are seen.
func headOf(p *pose.Pose, fallbackPx float64) (x, y, r float64, ok bool) {
	n := 0
	for _, j := range []pose.Joint{pose.Nose, pose.LeftEye, pose.RightEye, pose.LeftEar, pose.RightEar} {
		if k := p[j]; k.Seen() {
			x, y = x+k.X, y+k.Y
			n++
		}
	}
	mid := func(a pose.Joint) (float64, float64, bool) {
		l, r := p[a], p[a.Swap()]
		return (l.X + r.X) / 2, (l.Y + r.Y) / 2, l.Seen() && r.Seen()
	}
	sx, sy, shoulders := mid(pose.LeftShoulder)
	hx, hy, hips := mid(pose.LeftHip)
	torso := fallbackPx
	if shoulders && hips {
		torso = math.Max(math.Hypot(sx-hx, sy-hy), fallbackPx/2)
	}
	r = math.Max(headMinPx, headOfTorso*torso)
	switch {
	case n > 0:
		return x / float64(n), y / float64(n), r, true
	case shoulders: // the back of a head, or one that is bent away
		return sx, sy - 0.45*torso, r, true
	}
	return 0, 0, 0, false
}

// newHeads gathers heads from the coarse pass, which sees everybody, and from the hitters' tracks, which see every frame.
func newHeads(samples []pose.Sample, windows []DenseWindow) *heads {
	h := &heads{times: map[int]float64{}}
	for _, s := range samples {
		for i := range s.People {
			p := &s.People[i]
			if x, y, r, ok := headOf(&p.Points, 0.29*(p.Box.Y1-p.Box.Y0)); ok {
				h.seen = append(h.seen, headAt{s.TimeS, x, y, r})
			}
		}
	}
	for i := range windows {
		t := &windows[i].Track
		for k, f := range t.Frames {
			h.times[f] = t.Times[k]
			if k < len(t.Raw) {
				if x, y, r, ok := headOf(&t.Raw[k], 0); ok && r > headMinPx {
					h.seen = append(h.seen, headAt{t.Times[k], x, y, r})
				}
			}
		}
	}
	return h
}

// hide covers all heads in a picture of a frame with plain discs: what is under them is gone.
func (h *heads) hide(img *image.RGBA, frame int) { h.hideIn(img, frame, img.Rect) }

// hideIn is hide in a picture of the frame's part, of any size.
func (h *heads) hideIn(img *image.RGBA, frame int, part image.Rectangle) {
	at, ok := h.times[frame]
	if !ok {
		draw.Draw(img, img.Rect, image.NewUniform(color.Gray{128}), image.Point{}, draw.Src) // nothing is known of it
		return
	}
	k := math.Max(float64(img.Rect.Dx())/float64(part.Dx()), float64(img.Rect.Dy())/float64(part.Dy()))
	for _, q := range h.seen {
		if math.Abs(q.timeS-at) <= headNearS {
			disc(img, float64(img.Rect.Min.X)+(q.x-float64(part.Min.X))*k, float64(img.Rect.Min.Y)+(q.y-float64(part.Min.Y))*k, q.r*k)
		}
	}
}

// disc fills a circle with one colour.
func disc(img *image.RGBA, cx, cy, r float64) {
	c := color.RGBA{0x8a, 0x84, 0x78, 0xff}
	box := image.Rect(int(cx-r), int(cy-r), int(cx+r)+2, int(cy+r)+2).Intersect(img.Rect)
	for y := box.Min.Y; y < box.Max.Y; y++ {
		for x := box.Min.X; x < box.Max.X; x++ {
			if math.Hypot(float64(x)+0.5-cx, float64(y)+0.5-cy) <= r {
				img.SetRGBA(x, y, c)
			}
		}
	}
}

// image is a picture that holds a part of a frame, as it may be shown; an empty part asks for all.
func (p *pictures) image(frame int, part image.Rectangle) (image.Image, error) {
	img, err := p.spool.Image(frame, part)
	if err != nil || p.hide == nil {
		return img, err
	}
	out := image.NewRGBA(img.Bounds())
	draw.Draw(out, out.Rect, img, out.Rect.Min, draw.Src)
	p.hide.hide(out, frame)
	return out, nil
}
