package phases

import (
	"math"
	"math/rand/v2"

	"cagebook/pose"
)

// MeasureAll takes every measure of Definitions from one swing, in their order: each one is always there, with
// a status that says why where it has no value.
//
//	t      the hitter's smoothed track; bat and ball are used where t has them
//	sw     the swing, with bats, view, scale (0 = estimated here) and events
//	given  what a person stated
//	seed   of the draws; the same seed gives the same result on every machine
//
// Sigma comes from drawing keypoints, event times, azimuth, horizon, scale, segment lengths and a landmark
// model's bias within their own uncertainties, and evaluating each measure anew: a robust standard deviation, to
// which the shift between the draws' mean and the value is added in quadrature
// (angles near 0° and distances are pushed up by noise).
//
// The result does not depend on left or right, on where in the picture or how large the hitter is, or on when
// the clip begins.
func MeasureAll(t *pose.Track, sw *Swing, given Given, seed uint64) []Measure {
	s := newSubject(t, sw, given)
	nominal := newDraw(s, nil, true)
	ms := make([]Measure, len(Definitions))
	values := make([][]float64, len(Definitions))
	for i := range Definitions {
		ms[i] = s.begin(&Definitions[i], nominal)
		if ms[i].Status == Measured {
			values[i] = make([]float64, 0, draws)
		}
	}
	rng := rand.New(rand.NewPCG(seed, 0x6d656173757265))
	lost := make([]Status, len(Definitions))
	for range draws {
		d := newDraw(s, rng, false)
		for i := range Definitions {
			if ms[i].Status != Measured {
				continue
			}
			d.why = ""
			if v := Definitions[i].eval(d); !math.IsNaN(v) {
				values[i] = append(values[i], v)
			} else if d.why != "" {
				lost[i] = d.why
			}
		}
	}
	for i := range Definitions {
		if ms[i].Status == Measured {
			finishMeasure(&ms[i], &Definitions[i], values[i], lost[i])
		}
	}
	return ms
}

// begin decides whether a measure can be taken at all and takes its value.
func (s *subject) begin(def *Definition, nominal *draw) Measure {
	m := Measure{Name: def.Name, Event: def.Event, Unit: def.Unit, Status: Measured, Basis: def.basis}
	fail := func(st Status) Measure {
		m.Status = st
		return m
	}
	for _, e := range def.needs {
		ev, ok := s.sw.Event(e)
		if !ok {
			return fail(Occluded)
		}
		m.TimeS, m.Frame = ev.TimeS, ev.Frame
	}
	switch {
	case def.object == bat && len(s.t.Bat) == 0:
		return fail(NoBat)
	case def.object == ball && len(s.t.Ball) == 0:
		return fail(NoBall)
	case !def.visible(s.sw.View):
		return fail(NotInView)
	case def.frameS > 0 && !(s.frameS <= def.frameS):
		return fail(FrameRate)
	case def.scaled && !(s.scale.PxPerM > 0):
		return fail(NoScale)
	}
	// Times come from the events alone; everything else from a smoothed track with a size.
	if def.Unit != "ms" && (len(s.t.Smooth) == 0 || !(s.scale.HeightPx > 0)) {
		return fail(Occluded)
	}
	nominal.why, nominal.usedWorld = "", false
	m.Value = def.eval(nominal)
	if math.IsNaN(m.Value) || math.IsInf(m.Value, 0) {
		m.Value = 0
		if nominal.why == "" {
			return fail(Occluded)
		}
		return fail(nominal.why)
	}
	if m.Basis == "" {
		m.Basis = "image"
		if nominal.usedWorld {
			m.Basis = "world"
		}
	}
	return m
}

func (def *Definition) visible(v View) bool {
	for _, r := range def.Views {
		if r.Contains(v.AzimuthDeg) {
			return true
		}
	}
	return false
}

// finishMeasure turns the draws into a standard uncertainty and judges whether the number is of use.
func finishMeasure(m *Measure, def *Definition, values []float64, lost Status) {
	fail := func(st Status) { m.Status, m.Value, m.Sigma = st, 0, 0 }
	if len(values) < draws*8/10 {
		if lost == "" {
			lost = Occluded
		}
		fail(lost)
		return
	}
	var mean float64
	for _, v := range values {
		mean += v / float64(len(values))
	}
	m.Sigma = math.Hypot(robustSD(values), mean-m.Value)
	switch {
	case m.Value < def.low || m.Value > def.high:
		fail(FailedCheck)
	case m.Sigma <= def.maxSigma:
	case m.Unit == "ms", def.object != noObject: // instants, bat or ball are too unsure; where frames are too far apart, and from where it is seen, was asked before
		fail(FailedCheck)
	default:
		fail(NotInView)
	}
}

// robustSD is the standard deviation of the middle of the values: half of the range between the quantiles that lie one
// standard deviation from the middle of a normal distribution, or a quarter of the
// range of 95 % where that is wider (heavy tails count, single outliers do not). x is sorted in place.
func robustSD(x []float64) float64 {
	inner := (quantile(x, 0.8413) - quantile(x, 0.1587)) / 2
	outer := (quantile(x, 0.975) - quantile(x, 0.025)) / (2 * 1.96)
	return math.Max(inner, outer)
}
