package studio

import (
	"fmt"
	"math"
	"math/rand/v2"

	"cagebook/pose"
)

// actor is a person in the scene, in world axes.
type actor struct {
	m      Mover
	body   Body
	look   dressed
	hitter bool
	still  bool // moves so little that one mesh a frame will do
	mitt   bool
}

// Film renders a scene. Set up once; Frame may be called from several
// goroutines, each with its own Brush.
type Film struct {
	scene    *Scene
	cam      Camera
	times    []float64
	actors   []actor
	bg       *backdrop
	plate    *plateImage
	front    *veil // a net before everything; nil = none
	ball     func(t float64) (Vec, bool)
	ballR    float64
	grain    []float32
	perf     *Performer
	fixedCam bool
	gain     float32
}

// Brush is the working memory of one renderer.
type Brush struct {
	c           *canvas
	m           mesh
	s           screen
	lit         []screen // of actors who are still, for one frame
	early, late screen
	back        []float32
	Pix         []byte // RGB, the upright picture
}

// mirrored is a mover in model axes shown in the world.
type mirrored struct {
	m Mover
	f func(Vec) Vec
}

func (a mirrored) At(t float64) Figure {
	g := a.m.At(t)
	g.move(a.f)
	return g
}

// NewFilm sets a scene up. rows runs the given function for every row number
// below n, in any order, possibly at the same time.
func NewFilm(s *Scene, rows func(n int, row func(y int))) (*Film, error) {
	p, err := s.performer()
	if err != nil {
		return nil, err
	}
	f := &Film{scene: s, cam: s.worldCamera(), times: s.Times(), bg: newBackdrop(s), perf: p, ballR: 0.037}
	if sp, ok := s.Session["sport"].(string); ok && sp == "softball" {
		f.ballR = 0.0485
	}
	if f.actors, err = s.cast(p); err != nil {
		return nil, err
	}
	b := s.ball(p)
	f.ball = func(t float64) (Vec, bool) {
		v, ok := b(t)
		return s.toWorld(v), ok
	}
	f.fixedCam = f.cam.ShakeDeg == 0 && f.cam.PanDegPerS == 0 && f.cam.ZoomPerS == 0
	v := f.cam
	v.ShakeDeg, v.PanDegPerS, v.ZoomPerS = 0, 0, 0
	pi := &plateImage{view: v.at(0)}
	if !f.fixedCam {
		pi.margin = int(math.Tan(rad(4*f.cam.ShakeDeg+math.Abs(f.cam.PanDegPerS)*s.DurationS))*f.cam.focal()) + f.cam.Width/40
		pi.margin += int(float64(max(f.cam.Width, f.cam.Height)) * math.Max(0, math.Exp(-f.cam.ZoomPerS*s.DurationS)-1) / 2)
	}
	pi.w, pi.h = f.cam.Width+2*pi.margin, f.cam.Height+2*pi.margin
	pi.pix = make([]float32, 3*pi.w*pi.h)
	rows(pi.h, func(y int) { pi.paintRow(f.bg, y) })
	f.plate = pi
	if s.Front != "" {
		f.front = newVeil(s, pi, rows)
	}
	f.gain = float32(math.Exp2(s.Exposure / 2.2)) // colours are as displayed, not linear light
	g := s.rand(9)
	f.grain = make([]float32, 1<<18)
	for i := range f.grain {
		f.grain[i] = float32(g.NormFloat64() * s.Noise)
	}
	return f, nil
}

// cast is everybody in the scene, the hitter first.
func (s *Scene) cast(p *Performer) ([]actor, error) {
	out := []actor{{m: mirrored{p, s.toWorld}, body: p.Body, look: dress(s.Hitter.Look, s.rand(5)), hitter: true}}
	for i, q := range s.People {
		a, err := newActor(q, s.rand(100+uint64(i)))
		if err != nil {
			return nil, fmt.Errorf("scene %s: %w", s.Name, err)
		}
		out = append(out, a)
	}
	return out, nil
}

func newActor(q PersonSpec, rng *rand.Rand) (actor, error) {
	a := actor{body: Body{q.HeightM}, still: true}
	if a.body.HeightM == 0 {
		a.body.HeightM = 1.72 + 0.14*rng.Float64()
	}
	at := Vec{q.X, q.Y, 0}
	l := q.Look
	role := q.Role
	switch q.Role {
	case "catcher":
		l.HatKind, a.mitt = "mask", true
	case "umpire":
		l.HatKind = "mask"
		l.Shirt, l.Trousers = 0x23252b, 0x5b5f66
	case "coach", "onlooker", "armsfolded":
		if l.HatKind == "" {
			l.HatKind = "cap"
		}
	case "bystander":
		if l.HatKind == "" {
			l.HatKind = "none"
		}
	case "walker":
		if l.HatKind == "" {
			l.HatKind = "cap"
		}
		v := q.SpeedMS
		if v == 0 {
			v = 1.25
		}
		a.m, a.still = &Walker{Body: a.body, From: at, HeadingDeg: q.HeadingDeg, SpeedMS: v, WithBat: q.WithBat, Phase: 6 * rng.Float64()}, false
	case "pitcher":
		l.HatKind = "cap"
		a.m, a.still = shifted{&Thrower{Body: a.body, At0: at, Toward: q.HeadingDeg}, q.TimeS}, false
	case "hitter": // in the next cage: swings once, at its own time
		youth := a.body.HeightM < 1.6
		bat := 0.83
		if youth {
			bat = 0.72
		}
		h := &Hitter{Body: a.body, Bat: Bat{bat}, LeadLeft: true, Swing: RandomSwing(rng, youth)}
		turn := rad(q.HeadingDeg)
		a.m, a.still = shifted{mirrored{h, func(v Vec) Vec { return v.rotZ(turn).add(at) }}, q.TimeS}, false
	default:
		return a, fmt.Errorf("role %q is not known (catcher, umpire, coach, onlooker, armsfolded, bystander, walker, pitcher, hitter)", q.Role)
	}
	if a.m == nil {
		a.m = &Stander{Role: role, Body: a.body, At0: at, HeadingDeg: q.HeadingDeg, Phase: 6 * rng.Float64(), TimeS: q.TimeS}
	}
	if role == "coach" {
		a.still = false
	}
	a.look = dress(l, rng)
	return a, nil
}

// shifted is a mover whose time 0 is at another time of the clip.
type shifted struct {
	m  Mover
	t0 float64
}

func (a shifted) At(t float64) Figure { return a.m.At(t - a.t0) }

// Len is the number of frames, Time the time of one, s.
func (f *Film) Len() int           { return len(f.times) }
func (f *Film) Time(i int) float64 { return f.times[i] }
func (f *Film) Size() (w, h int)   { return f.cam.Width, f.cam.Height }
func (f *Film) Scene() *Scene      { return f.scene }

// NewBrush makes working memory for Frame.
func (f *Film) NewBrush() *Brush {
	n := f.cam.Width * f.cam.Height
	return &Brush{c: newCanvas(f.cam.Width, f.cam.Height), back: make([]float32, 3*n), lit: make([]screen, len(f.actors)), Pix: make([]byte, 3*n)}
}

// Frame renders frame i into the brush's Pix.
func (f *Film) Frame(i int, b *Brush) {
	t := f.times[i]
	sh := f.scene.ShutterS
	view := f.cam.at(t)
	f.background(t, b.back)
	b.c.begin()

	// As many subframes as the fastest thing crosses 5 px, at least 4 for smooth edges.
	n := 4
	f0, f1 := f.actors[0].m.At(t), f.actors[0].m.At(t+sh)
	_, _, px := f.cam.Project(f0.MidHip(), t)
	if f0.HasBat {
		n = int(clamp(math.Ceil(f1.Barrel.sub(f0.Barrel).norm()*px/5), 4, 20))
	}
	f.shadows(t, &view, b)
	roll := f.rolls(t)
	for k := range n {
		u := (float64(k) + 0.5) / float64(n)
		ts := t + (u-0.5)*sh
		tv := t
		if n > 4 {
			tv = ts
		}
		dx, dy := halton(k+1, 2)-0.5, halton(k+1, 3)-0.5
		for j := range f.actors {
			a := &f.actors[j]
			if !a.still {
				f.place(&b.s, b, ts, tv, roll, func(m *mesh, t float64) { f.skin(m, a, t) })
				b.c.fill(&b.s, dx, dy)
				continue
			}
			if k == 0 {
				f.place(&b.lit[j], b, t, t, roll && !f.fixedCam, func(m *mesh, _ float64) { f.skin(m, a, t) })
			}
			b.c.fill(&b.lit[j], dx, dy)
		}
		if p, ok := f.ball(ts); ok {
			f.place(&b.s, b, ts, tv, roll, func(m *mesh, t float64) {
				p0, ok0 := f.ball(t)
				if !ok0 {
					p0 = p
				}
				q, ok := f.ball(t + sh/float64(n))
				if !ok {
					q = p0
				}
				m.capsule(p0, q, f.ballR, hex(0xf2f0e9))
			})
			b.c.fill(&b.s, dx, dy)
		}
		b.c.endSub(1 / float32(n))
	}
	f.compose(i, t, b)
}

// rolls says whether rows that are exposed one after another make a difference in the frame at t: not while the
// fastest thing moves by less than a pixel and the camera is still.
func (f *Film) rolls(t float64) bool {
	r := f.scene.ReadoutS
	if r == 0 {
		return false
	}
	if !f.fixedCam {
		return true
	}
	if _, ok := f.ball(t); ok && f.scene.Ball != "tee" {
		return true
	}
	for j := range f.actors {
		a := &f.actors[j]
		if a.still {
			continue
		}
		f0, f1 := a.m.At(t-r/2), a.m.At(t+r/2)
		way := f1.MidWrist().sub(f0.MidWrist()).norm()
		if f0.HasBat {
			way = math.Max(way, f1.Barrel.sub(f0.Barrel).norm())
		}
		if _, _, px := f.cam.Project(f0.MidHip(), t); way*px > 1 {
			return true
		}
	}
	return false
}

// place skins something at time ts and puts it on the screen as the camera stands at tv; where the shutter rolls, each
// corner at the time of the row that shows it, by the parabola through three times.
func (f *Film) place(s *screen, b *Brush, ts, tv float64, roll bool, skin func(m *mesh, t float64)) {
	at := func(s *screen, dt float64) {
		b.m.reset()
		skin(&b.m, ts+dt)
		v := f.cam.at(tv + dt)
		s.project(&b.m, &v, &f.bg.light)
	}
	at(s, 0)
	if !roll {
		return
	}
	h := f.scene.ReadoutS / 2
	at(&b.early, -h)
	at(&b.late, h)
	s.roll(&b.early, &b.late, float64(f.cam.Height))
}

// skin adds one person with what he carries.
func (f *Film) skin(m *mesh, a *actor, t float64) {
	fig := a.m.At(t)
	m.skinFigure(&fig, a.body, a.look)
	H := a.body.HeightM
	if a.mitt {
		c := fig.Joints[pose.LeftIndex]
		w := fig.Chest
		u := fig.Joints[pose.LeftShoulder].sub(fig.Joints[pose.RightShoulder]).orth(w)
		m.ellipsoid(c, u, w, Vec{0, 0, 1}.orth(w), 0.075*H, 0.028*H, 0.085*H, hex(0x7a4a22), nil)
		m.ellipsoid(fig.MidHip().to(fig.MidShoulder(), 0.62).plus(0.045*H, fig.Chest), u, w, Vec{0, 0, 1}.orth(u), 0.095*H, 0.045*H, 0.15*H, a.look.hat, nil)
	}
	if a.hitter && f.scene.Ball == "tee" {
		p := f.perf.Acts[0].hit.At(0)
		foot := f.scene.toWorld(p.SweetSpot().plus(0.045, facing(90).orth(p.Barrel.sub(p.Knob).unit())))
		top := foot.Z - f.ballR
		foot.Z = 0.03
		m.capsule(foot, Vec{foot.X, foot.Y, top - 0.02}, 0.018, hex(0x1f1f22))
		m.ellipsoid(foot, Vec{1, 0, 0}, Vec{0, 1, 0}, Vec{0, 0, 1}, 0.2, 0.2, 0.025, hex(0x1f1f22), nil)
	}
}

// shadows darkens the ground under everybody: the mesh laid flat along the light.
func (f *Film) shadows(t float64, v *view, b *Brush) {
	l := f.bg.light.dir
	soft := float32(0.42)
	if f.scene.Place != "field" {
		soft = 0.30
	}
	for j := range f.actors {
		b.m.reset()
		f.skin(&b.m, &f.actors[j], t)
		for i := range b.m.v {
			p := &b.m.v[i].p
			z := math.Max(p.Z, 0)
			p.X -= l.X / l.Z * z
			p.Y -= l.Y / l.Z * z
			p.Z = 0.001
			b.m.v[i].n = Vec{0, 0, 1}
		}
		b.s.project(&b.m, v, &f.bg.light)
		b.c.fill(&b.s, 0, 0)
	}
	c := b.c
	x0, y0, x1, y1 := c.x0, c.y0, c.x1, c.y1
	if x0 >= x1 || y0 >= y1 {
		return
	}
	const pad = 6
	X0, Y0, X1, Y1 := max(x0-pad, 0), max(y0-pad, 0), min(x1+pad, c.w), min(y1+pad, c.h)
	for y := Y0; y < Y1; y++ {
		for x := X0; x < X1; x++ {
			i := y*c.w + x
			if c.z[i] > 0 {
				c.shadow[i] = 1
			}
			c.z[i] = 0
		}
	}
	blur(c.shadow, c.w, X0, Y0, X1, Y1, 3)
	blur(c.shadow, c.w, X0, Y0, X1, Y1, 4)
	for y := Y0; y < Y1; y++ {
		for x := X0; x < X1; x++ {
			i := y*c.w + x
			if s := c.shadow[i]; s > 0 {
				k := 1 - soft*s
				b.back[3*i] *= k
				b.back[3*i+1] *= k
				b.back[3*i+2] *= k
				c.shadow[i] = 0
			}
		}
	}
	c.x0, c.y0, c.x1, c.y1 = c.w, c.h, 0, 0
}

// blur is a box blur of half-width r within a region, rows then columns.
func blur(p []float32, w, x0, y0, x1, y1, r int) {
	line := make([]float32, max(x1-x0, y1-y0))
	pass := func(start, step, n int) {
		var sum float32
		for i := range min(r, n) {
			sum += p[start+i*step]
		}
		for i := range n {
			if i+r < n {
				sum += p[start+(i+r)*step]
			}
			if i-r-1 >= 0 {
				sum -= p[start+(i-r-1)*step]
			}
			line[i] = sum / float32(2*r+1)
		}
		for i := range n {
			p[start+i*step] = max(line[i], 0)
		}
	}
	for y := y0; y < y1; y++ {
		pass(y*w+x0, 1, x1-x0)
	}
	for x := x0; x < x1; x++ {
		pass(y0*w+x, w, y1-y0)
	}
}

// background fetches the backdrop for the frame at time t.
func (f *Film) background(t float64, out []float32) {
	if f.fixedCam {
		copy(out, f.plate.pix)
		return
	}
	for y := range f.cam.Height {
		v := f.cam.at(f.scene.rowTime(t, float64(y)))
		f.plate.row(&v, y, f.cam.Width, func(x, i, j int, u, w float32) {
			o := 3 * (y*f.cam.Width + x)
			p := f.plate.pix
			for c := range 3 {
				a := p[3*i+c] + (p[3*i+3+c]-p[3*i+c])*u
				e := p[3*j+c] + (p[3*j+3+c]-p[3*j+c])*u
				out[o+c] = a + (e-a)*w
			}
		})
	}
}

// compose lays the people over the backdrop and the net over both, adds grain and makes bytes.
func (f *Film) compose(frame int, t float64, b *Brush) {
	c := b.c
	for y := c.Y0; y < c.Y1; y++ {
		for x := c.X0; x < c.X1; x++ {
			i := y*c.w + x
			if cv := c.cover[i]; cv > 0 {
				k := 1 - cv
				b.back[3*i] = b.back[3*i]*k + c.acc[i].r
				b.back[3*i+1] = b.back[3*i+1]*k + c.acc[i].g
				b.back[3*i+2] = b.back[3*i+2]*k + c.acc[i].b
			}
		}
	}
	if f.front != nil {
		f.hang(t, b.back)
	}
	mask := len(f.grain) - 1
	gain := 255 * f.gain
	g := (frame*40503 + 977*int(f.scene.Seed%1000)) & mask
	for i := range c.w * c.h {
		if i&4095 == 0 { // start elsewhere in the table, so that no pattern repeats
			g = (g*1103515245 + 12345 + i) & mask
		}
		n := f.grain[g&mask]
		g++
		for k := range 3 {
			v := b.back[3*i+k]*gain + n
			switch {
			case v <= 0:
				b.Pix[3*i+k] = 0
			case v >= 255:
				b.Pix[3*i+k] = 255
			default:
				b.Pix[3*i+k] = byte(v + 0.5)
			}
		}
	}
}

// halton is the i-th number of the low-discrepancy sequence of a base.
func halton(i, base int) float64 {
	f, r := 1.0, 0.0
	for i > 0 {
		f /= float64(base)
		r += f * float64(i%base)
		i /= base
	}
	return r
}
