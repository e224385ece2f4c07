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
	ctx     context.Context
	nets    chan pose.Net      // those that are free
	w       int                // px of the clip's picture
	objects func(glance) error // looks for bats and balls in a glance
	size    peopleSize
	samples []pose.Sample
	people  []pose.Box // of the last look
	lookAtS float64    // time of the next look
	objectS float64    // time from which objects are looked for again
	wait    []glance   // in the order of time; looked = already in samples
	before  pose.Thumb // of the last glance
	stirs   []stir

	closely []closeLook // under way beside the next look at the whole picture
	ended   chan error  // tells when they are done; nil = none are under way
}

// stir is a time at which the picture changed about a person.
type stir struct {
	timeS float64
	box   pose.Box
}

// watchPeople runs the people model on what the lookout chooses of the glances.
func watchPeople(ctx context.Context, nets []pose.Net, in <-chan glance, info video.Info, objects func(glance) error) (_ []pose.Sample, err error) {
	l := &lookout{ctx: ctx, nets: make(chan pose.Net, len(nets)), w: info.Width, objects: objects}
	for _, net := range nets {
		l.nets <- net
	}
	defer func() {
		if l.ended != nil { // after another error: the networks must be free
			<-l.ended
		}
	}()
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
	if err := l.finish(); err != nil {
		return nil, err
	}
	slices.SortFunc(l.samples, func(a, b pose.Sample) int { return cmp.Compare(a.Frame, b.Frame) })
	return l.samples, nil
}

// see looks at the whole picture when a network is free.
func (l *lookout) see(g glance, bodyPx float64) (glimpse, error) {
	net := <-l.nets
	defer func() { l.nets <- net }()
	return seePeople(net, g, bodyPx)
}

// add takes the next glance.
func (l *lookout) add(g glance) error {
	if l.before.W > 0 {
		g.changes = g.thumb.ChangesSince(l.before)
	} else {
		g.stirKnown = true // the first one: nothing is known
	}
	l.before = g.thumb
	l.wait = append(l.wait, g)
	if g.timeS < l.lookAtS {
		return nil
	}
	if g.small.Pix == nil && len(l.samples) > 0 { // nothing moves: the look waits, the glances do not
		return l.settle(g.timeS)
	}
	was := l.people
	var people []pose.Person
	first, err := l.see(g, l.size.bodyPx)
	if err == nil {
		err = l.finish()
	}
	if err == nil {
		people, err = l.size.find(l.see, g, first)
	}
	if err != nil {
		return g.failed(err)
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
// and begins to look closely at the glances of which it is known by now whether anything stirs near them.
func (l *lookout) settle(nowS float64, was ...pose.Box) error {
	if err := l.finish(); err != nil {
		return err
	}
	for i := range l.wait {
		g := &l.wait[i]
		if !g.stirKnown {
			for _, boxes := range [2][]pose.Box{was, l.people} {
				for _, b := range boxes {
					if g.changes.Motion(b, l.w) >= stirred {
						l.stirs = append(l.stirs, stir{g.timeS, b})
					}
				}
			}
		}
		g.stirKnown = true
	}
	n := 0
	var todo []closeLook
	for ; n < len(l.wait) && l.wait[n].timeS < nowS-stirBeforeS; n++ {
		g := l.wait[n]
		if g.looked || g.small.Pix == nil {
			continue
		}
		if near := l.near(g.timeS); len(near) > 0 {
			todo = append(todo, l.plan(g, near))
		}
	}
	l.wait = slices.Delete(l.wait, 0, n)
	if len(l.wait) > 0 {
		l.stirs = slices.DeleteFunc(l.stirs, func(s stir) bool { return s.timeS < l.wait[0].timeS-stirAfterS })
	}
	return l.lookClosely(todo)
}

// near are the places that stir about a time.
func (l *lookout) near(timeS float64) (boxes []pose.Box) {
	for _, s := range l.stirs {
		if timeS >= s.timeS-stirBeforeS-1e-6 && timeS <= s.timeS+stirAfterS+1e-6 && !slices.Contains(boxes, s.box) {
			boxes = append(boxes, s.box)
		}
	}
	return boxes
}

// closeLook is a look at a part of a glance.
type closeLook struct {
	glance
	boxes  []pose.Box
	x0, y0 int // of the part in the reduced picture
	part   pose.Image
	fit    pose.Fit
	whole  bool // the whole picture costs hardly more, and tells more
	first  glimpse
	people []pose.Person
}

// lookClosely begins to run the people model on the parts, as many at a time as networks are free. finish waits for the end.
func (l *lookout) lookClosely(todo []closeLook) error {
	if len(todo) == 0 {
		return nil
	}
	for i := range todo {
		c := &todo[i]
		if c.timeS < l.objectS {
			continue
		}
		l.objectS = c.timeS + 1/objectsPerS
		if err := l.objects(c.glance); err != nil {
			return err
		}
	}
	bodyPx := l.size.bodyPx
	l.closely, l.ended = todo, make(chan error, 1)
	go func() {
		l.ended <- shareOut(l.ctx, cap(l.nets), len(todo), func(_, i int) (err error) {
			c := &todo[i]
			switch {
			case c.whole:
				c.first, err = l.see(c.glance, bodyPx)
			case c.part.W > 0:
				net := <-l.nets
				c.people, err = c.look(net)
				l.nets <- net
			}
			return c.failed(err)
		})
	}()
	return nil
}

// finish waits for the close looks that are under way and keeps what they saw, in the order of time: what is seen in whole
// pictures changes the size in which the next are looked at.
func (l *lookout) finish() error {
	if l.ended == nil {
		return nil
	}
	err := <-l.ended
	l.ended = nil
	if err != nil {
		return err
	}
	for i := range l.closely {
		c := &l.closely[i]
		if c.whole {
			if c.people, err = l.size.find(l.see, c.glance, c.first); err != nil {
				return c.failed(err)
			}
		}
		l.keep(c.glance, c.people)
	}
	l.closely = nil
	return nil
}

// failed says at which frame a look failed.
func (g *glance) failed(err error) error {
	if err != nil {
		err = fmt.Errorf("frame %d (%.3f s): %w", g.frame, g.timeS, err)
	}
	return err
}

func (l *lookout) keep(g glance, people []pose.Person) {
	for i := range people {
		people[i].Shirt = pose.ShirtColour(g.small, &people[i].Points, g.zoom)
		if b, n := people[i].Points.Bounds(0.2); n >= 6 && len(l.samples) > 0 {
			people[i].Motion = g.changes.Motion(b, l.w)
		}
	}
	l.samples = append(l.samples, pose.Sample{Frame: g.frame, TimeS: g.timeS, People: people})
}

// plan chooses the part of the picture that holds the boxes.
func (l *lookout) plan(g glance, boxes []pose.Box) closeLook {
	c := closeLook{glance: g, boxes: boxes}
	part, tall := boxes[0].Around(), 0.0
	for _, b := range boxes {
		a := b.Around()
		part = pose.Box{X0: math.Min(part.X0, a.X0), Y0: math.Min(part.Y0, a.Y0), X1: math.Max(part.X1, a.X1), Y1: math.Max(part.Y1, a.Y1)}
		tall = math.Max(tall, b.Y1-b.Y0)
	}
	m := 0.1 * tall // a person at the very edge is seen worse
	c.x0, c.y0 = max(0, int((part.X0-m)/g.zoom)), max(0, int((part.Y0-m)/g.zoom))
	x1, y1 := min(g.small.W, int((part.X1+m)/g.zoom)), min(g.small.H, int((part.Y1+m)/g.zoom))
	if x1-c.x0 < 32 || y1-c.y0 < 32 {
		return c
	}
	c.part = pose.Image{W: x1 - c.x0, H: y1 - c.y0, Stride: g.small.Stride, Pix: g.small.Pix[c.y0*g.small.Stride+3*c.x0:]}
	c.fit = pose.PeopleFit(c.part.W, c.part.H, tall/g.zoom)
	whole := pose.PeopleFit(g.small.W, g.small.H, l.size.bodyPx)
	c.whole = float64(c.fit.W*c.fit.H) > cropShare*float64(whole.W*whole.H)
	return c
}

// look runs the people model on the part.
func (c *closeLook) look(net pose.Net) ([]pose.Person, error) {
	people, err := peopleIn(net, c.part, c.fit, c.zoom)
	if err != nil {
		return nil, err
	}
	dx, dy := float64(c.x0)*c.zoom, float64(c.y0)*c.zoom
	for i := range people {
		people[i].Shift(dx, dy)
	}
	return slices.DeleteFunc(people, func(p pose.Person) bool {
		cx, cy := (p.Box.X0+p.Box.X1)/2, (p.Box.Y0+p.Box.Y1)/2
		// Who stands beside those about whom the picture is stirred may be cut in two by the part's edge.
		return !slices.ContainsFunc(c.boxes, func(b pose.Box) bool {
			w := math.Max(b.X1-b.X0, 0.3*(b.Y1-b.Y0))
			return cx > b.X0-0.3*w && cx < b.X1+0.3*w && cy > b.Y0 && cy < b.Y1
		})
	}), nil
}
