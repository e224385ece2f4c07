package pipeline

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"cagebook/pipeline/video"
	"cagebook/pose"
)

const (
	lookS      = 1.0  // between two looks at the whole picture: who is there, and where
	lookAloneS = 0.25 // the same while nobody is seen: somebody may be hard to see
	// A swing stirs 0.08 of the square of the hitter's height and more within 1/14 s (pose.Thumb.Motion).
	stirred = 0.05
	// Around a stir everything is looked at: hands that are high before and after, and which region holds the body.
	stirBeforeS, stirAfterS = 0.5, 0.5
	cropShare               = 0.7 // of the whole picture's cost, above which the whole picture is looked at
)

// lookout decides where the people model looks: at the whole picture now and then, and closely, 14 times a second, at
// people about whom the picture is stirred. Glances wait until it is known whether something stirs soon after them.
type lookout struct {
	net     pose.Net
	w       int                // px of the clip's picture
	objects func(glance) error // looks for bats and balls in a glance
	size    peopleSize
	samples []pose.Sample
	people  []pose.Box // of the last look
	lookAtS float64    // time of the next look
	objectS float64    // time from which objects are looked for again
	wait    []glance   // in the order of time; looked = already in samples
	before  pose.Thumb // of the glance before the first that waits
	stirs   []stir
}

// stir is a time at which the picture changed about a person.
type stir struct {
	timeS float64
	box   pose.Box
}

// watchPeople runs the people model on what the lookout chooses of the glances.
func watchPeople(ctx context.Context, net pose.Net, in <-chan glance, info video.Info, objects func(glance) error) ([]pose.Sample, error) {
	l := &lookout{net: net, w: info.Width, objects: objects}
	for g := range in {
		if ctx.Err() != nil {
			continue // drain
		}
		if err := l.add(g); err != nil {
			return nil, err
		}
	}
	if ctx.Err() != nil {
		return nil, nil
	}
	if err := l.settle(math.Inf(1)); err != nil {
		return nil, err
	}
	slices.SortFunc(l.samples, func(a, b pose.Sample) int { return cmp.Compare(a.Frame, b.Frame) })
	return l.samples, nil
}

// add takes the next glance.
func (l *lookout) add(g glance) error {
	l.wait = append(l.wait, g)
	if g.timeS < l.lookAtS || g.small.Pix == nil && len(l.samples) > 0 {
		return nil
	}
	was := l.people
	people, err := l.size.find(l.net, g)
	if err != nil {
		return fmt.Errorf("frame %d (%.3f s): %w", g.frame, g.timeS, err)
	}
	l.keep(g, people)
	if err := l.objects(g); err != nil {
		return err
	}
	l.wait[len(l.wait)-1].looked = true
	l.people = l.people[:0:0]
	for i := range people {
		if b, n := people[i].Points.Bounds(0.2); people[i].Score >= surePerson && n >= 6 {
			l.people = append(l.people, b)
		}
	}
	l.lookAtS = g.timeS + lookS
	if len(l.people) == 0 {
		l.lookAtS = g.timeS + lookAloneS
	}
	return l.settle(g.timeS, was...)
}

// settle looks for stirs among the glances up to now, about those who are seen now and those who were seen before,
// and looks closely at the glances of which it is known by now whether anything stirs near them.
func (l *lookout) settle(nowS float64, was ...pose.Box) error {
	before := l.before
	for i := range l.wait {
		g := &l.wait[i]
		if !g.stirKnown && before.W > 0 {
			for _, boxes := range [2][]pose.Box{was, l.people} {
				for _, b := range boxes {
					if g.thumb.Motion(before, b, l.w) >= stirred {
						l.stirs = append(l.stirs, stir{g.timeS, b})
					}
				}
			}
		}
		g.stirKnown = true
		before = g.thumb
	}
	n := 0
	for ; n < len(l.wait) && l.wait[n].timeS < nowS-stirBeforeS; n++ {
		g := l.wait[n]
		l.before = g.thumb
		if g.looked || g.small.Pix == nil {
			continue
		}
		if err := l.lookClosely(g); err != nil {
			return err
		}
	}
	l.wait = slices.Delete(l.wait, 0, n)
	if n := len(l.wait); n > 0 {
		l.stirs = slices.DeleteFunc(l.stirs, func(s stir) bool { return s.timeS < l.wait[0].timeS-stirAfterS })
	}
	return nil
}

// lookClosely runs the people model on the part of a glance about which something stirs; nothing is done if nothing does.
func (l *lookout) lookClosely(g glance) error {
	var near []pose.Box
	for _, s := range l.stirs {
		if g.timeS >= s.timeS-stirBeforeS-1e-6 && g.timeS <= s.timeS+stirAfterS+1e-6 && !slices.Contains(near, s.box) {
			near = append(near, s.box)
		}
	}
	if len(near) == 0 {
		return nil
	}
	people, err := l.closely(g, near)
	if err != nil {
		return fmt.Errorf("frame %d (%.3f s): %w", g.frame, g.timeS, err)
	}
	l.keep(g, people)
	if g.timeS < l.objectS {
		return nil
	}
	l.objectS = g.timeS + 1/objectsPerS
	return l.objects(g)
}

func (l *lookout) keep(g glance, people []pose.Person) {
	for i := range people {
		people[i].Shirt = pose.ShirtColour(g.small, &people[i].Points, g.zoom)
	}
	l.samples = append(l.samples, pose.Sample{Frame: g.frame, TimeS: g.timeS, People: people})
}

// closely runs the people model on the part of the picture that holds the boxes, and on the whole picture where that costs hardly more.
func (l *lookout) closely(g glance, boxes []pose.Box) ([]pose.Person, error) {
	part, tall := boxes[0].Around(), 0.0
	for _, b := range boxes {
		a := b.Around()
		part = pose.Box{X0: math.Min(part.X0, a.X0), Y0: math.Min(part.Y0, a.Y0), X1: math.Max(part.X1, a.X1), Y1: math.Max(part.Y1, a.Y1)}
		tall = math.Max(tall, b.Y1-b.Y0)
	}
	m := 0.1 * tall // a person at the very edge is seen worse
	x0, y0 := max(0, int((part.X0-m)/g.zoom)), max(0, int((part.Y0-m)/g.zoom))
	x1, y1 := min(g.small.W, int((part.X1+m)/g.zoom)), min(g.small.H, int((part.Y1+m)/g.zoom))
	if x1-x0 < 32 || y1-y0 < 32 {
		return nil, nil
	}
	cut := pose.Image{W: x1 - x0, H: y1 - y0, Stride: g.small.Stride, Pix: g.small.Pix[y0*g.small.Stride+3*x0:]}
	fit := pose.PeopleFit(cut.W, cut.H, tall/g.zoom)
	whole := pose.PeopleFit(g.small.W, g.small.H, l.size.bodyPx)
	if float64(fit.W*fit.H) > cropShare*float64(whole.W*whole.H) {
		return l.size.find(l.net, g)
	}
	people, err := peopleIn(l.net, cut, fit, g.zoom)
	if err != nil {
		return nil, err
	}
	dx, dy := float64(x0)*g.zoom, float64(y0)*g.zoom
	for i := range people {
		people[i].Shift(dx, dy)
	}
	return slices.DeleteFunc(people, func(p pose.Person) bool {
		cx, cy := (p.Box.X0+p.Box.X1)/2, (p.Box.Y0+p.Box.Y1)/2
		// Who stands beside those about whom the picture is stirred may be cut in two by the part's edge.
		return !slices.ContainsFunc(boxes, func(b pose.Box) bool {
			w := math.Max(b.X1-b.X0, 0.3*(b.Y1-b.Y0))
			return cx > b.X0-0.3*w && cx < b.X1+0.3*w && cy > b.Y0 && cy < b.Y1
		})
	}), nil
}
