package studio

import (
	"math"

	"cagebook/pose"
)

// Event is an instant of the true motion.
type Event struct {
	Name  string  `json:"name"`
	TimeS float64 `json:"time_s"`
	Note  string  `json:"note,omitempty"`
}

// stepS is the sampling of the true motion when events are looked for; times
// between samples are interpolated.
const stepS = 0.0005

// footLift is the height that a foot leaves or nears the ground by, and
// quietMS the speed below which a foot stands still, by the definitions.
const (
	footLiftM = 0.01
	quietMS   = 0.2
)

// sampled is a motion on a fine grid with time 0 at contact.
type sampled struct {
	t      []float64
	f      []Figure
	height float64
	lead   func(left pose.Joint) pose.Joint // the joint of the pair on the lead side
}

func sampleMotion(m Mover, from, to, heightM float64, leadLeft bool) *sampled {
	s := &sampled{height: heightM}
	s.lead = func(j pose.Joint) pose.Joint {
		if leadLeft {
			return j
		}
		return j.Swap()
	}
	n := int(math.Ceil((to - from) / stepS))
	for i := 0; i <= n; i++ {
		t := from + float64(i)*stepS
		s.t = append(s.t, t)
		s.f = append(s.f, m.At(t))
	}
	return s
}

// curve evaluates g on every sample.
func (s *sampled) curve(g func(*Figure) float64) []float64 {
	out := make([]float64, len(s.f))
	for i := range s.f {
		out[i] = g(&s.f[i])
	}
	return out
}

// rate is the central difference of a curve, per second.
func rate(x []float64) []float64 {
	v := make([]float64, len(x))
	for i := range x {
		a, b := max(i-1, 0), min(i+1, len(x)-1)
		v[i] = (x[b] - x[a]) / (float64(b-a) * stepS)
	}
	return v
}

// speed is the speed of a point, m/s.
func (s *sampled) speed(p func(*Figure) Vec) []float64 {
	v := make([]float64, len(s.f))
	for i := range s.f {
		a, b := max(i-1, 0), min(i+1, len(s.f)-1)
		v[i] = p(&s.f[b]).sub(p(&s.f[a])).norm() / (float64(b-a) * stepS)
	}
	return v
}

// index of the sample nearest to t.
func (s *sampled) index(t float64) int {
	return int(clamp(math.Round((t-s.t[0])/stepS), 0, float64(len(s.t)-1)))
}

// crossing is the time between samples i-1 and i at which x passes level.
func (s *sampled) crossing(x []float64, i int, level float64) float64 {
	if i <= 0 || x[i] == x[i-1] {
		return s.t[max(i, 0)]
	}
	return s.t[i-1] + stepS*clamp((level-x[i-1])/(x[i]-x[i-1]), 0, 1)
}

func argmax(x []float64, from, to int) int {
	best := from
	for i := from; i < to; i++ {
		if x[i] > x[best] {
			best = i
		}
	}
	return best
}

// Events finds the instants of the swing whose contact is at time 0, by the
// project's definitions, in time order. An instant that the motion does not
// have (no lift of the foot, say) is left out.
func (s *sampled) events() []Event {
	var out []Event
	add := func(name string, t float64, note string) { out = append(out, Event{name, t, note}) }
	lead := func(j pose.Joint) func(*Figure) Vec {
		k := s.lead(j)
		return func(f *Figure) Vec { return f.Joints[k] }
	}
	heel, toe, ankle := lead(pose.LeftHeel), lead(pose.LeftFootIndex), lead(pose.LeftAnkle)
	z := func(p func(*Figure) Vec) []float64 { return s.curve(func(f *Figure) float64 { return p(f).Z }) }
	heelZ, toeZ, ankleZ := z(heel), z(toe), z(ankle)
	low := make([]float64, len(s.f))
	for i := range low {
		low[i] = math.Min(heelZ[i], toeZ[i])
	}
	c := s.index(0)
	planted := s.height * soleFrac // both points of a foot flat on the ground

	// foot_down: after the last time that the whole foot was off.
	down := -1
	for i := c; i > 0; i-- {
		if low[i] > planted+footLiftM {
			down = i + 1
			break
		}
	}
	// lead_foot_off: the lowest point rises 1 cm above its stance height.
	rest := low[s.index(s.t[0]+0.05)]
	off := -1
	for i := 1; i <= c; i++ {
		if low[i] > rest+footLiftM && low[i-1] <= rest+footLiftM {
			off = i
			break
		}
	}
	// heel_down: after the last time before contact that the heel was off.
	heelDown := -1
	for i := c; i > 0; i-- {
		if heelZ[i] > planted+footLiftM {
			heelDown = i + 1
			break
		}
	}
	loadAt, loadT := -1, 0.0
	if off >= 0 && down > off {
		loadAt = argmax(ankleZ, off, down)
		loadT = s.t[loadAt]
	} else {
		hands := s.curve(func(f *Figure) float64 { return f.MidHip().X - f.MidWrist().X })
		until := c // the load comes before the heel that was raised comes down
		if heelDown > 0 {
			until = heelDown
		}
		loadAt = argmax(hands, 0, until)
		loadT = s.t[loadAt]
	}
	// stance: the last time before the load at which heel and toe both are slow.
	hv, tv := s.speed(heel), s.speed(toe)
	fast := make([]float64, len(s.f))
	for i := range fast {
		fast[i] = math.Max(hv[i], tv[i])
	}
	// Within the load itself a lifted foot may stop for a moment: stance ends where the foot is still down.
	limit := loadAt
	if off >= 0 {
		limit = min(limit, off)
	}
	for i := limit; i >= 0; i-- {
		if fast[i] < quietMS {
			t := s.t[i]
			if i < limit {
				t = s.crossing(fast, i+1, quietMS)
			}
			add("stance", t, "")
			break
		}
	}
	if off >= 0 {
		add("lead_foot_off", s.crossing(low, off, rest+footLiftM), "")
		add("load", loadT, "")
	} else {
		add("load", loadT, "foot not lifted: hands deepest")
	}
	switch {
	case down > 0 && off >= 0:
		add("foot_down", s.crossing(low, down, planted+footLiftM), "")
	case heelDown > 0:
		add("foot_down", s.crossing(heelZ, heelDown, planted+footLiftM), "foot not lifted: the raised heel comes down")
	}
	if heelDown > 0 {
		add("heel_down", s.crossing(heelZ, heelDown, planted+footLiftM), "")
	}
	// hands_start: forward speed of mid-wrists relative to mid-hip last rises
	// through 10 % of its maximum before that maximum.
	rel := rate(s.curve(func(f *Figure) float64 { return f.MidWrist().X - f.MidHip().X }))
	top := argmax(rel, s.index(-0.5), min(s.index(0.15)+1, len(rel)))
	for i := top; i > 0; i-- {
		if rel[i] >= 0.1*rel[top] && rel[i-1] < 0.1*rel[top] {
			add("hands_start", s.crossing(rel, i, 0.1*rel[top]), "")
			break
		}
	}
	add("contact", 0, "")
	far := s.curve(func(f *Figure) float64 { return f.MidWrist().sub(f.MidShoulder()).norm() })
	e := argmax(far, c, min(s.index(0.120)+1, len(far)))
	add("extension", s.t[e], "")
	v := s.speed(func(f *Figure) Vec { return f.MidWrist() })
	p := argmax(v, c, len(v))
	for i := p + 1; i < len(v); i++ {
		if v[i] < 0.1*v[p] {
			add("finish", s.crossing(v, i, 0.1*v[p]), "")
			break
		}
	}
	return out
}
