package phases

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"encoding/json"
	"math"
	"sync"
)

// templateData holds a few swings of a kinematic model in 3D, written by
// "studio template". They say what the joints of a swing look like from any
// side, so that side, view and tempo can be read off a track by the best fit.
//
//go:embed template.json.gz
var templateData []byte

// template is one swing of a right-handed hitter, or a motion that is easily
// taken for one (a check swing, a turn to bunt). Positions are relative to
// mid-hip in body lengths along the joints, axes of the package comment; time
// is relative to contact.
type template struct {
	Name   string                `json:"name"`
	Kind   string                `json:"kind"` // "swing", or what else it is
	FromS  float64               `json:"from_s"`
	StepS  float64               `json:"step_s"`
	Joints [][][3]float64        `json:"joints"` // [sample][len(coreJoints)]
	Events map[EventName]float64 `json:"events"` // s relative to contact
}

var templates = sync.OnceValue(func() []template {
	zr, err := gzip.NewReader(bytes.NewReader(templateData))
	if err != nil {
		panic("phases: embedded template: " + err.Error())
	}
	var ts []template
	if err := json.NewDecoder(zr).Decode(&ts); err != nil {
		panic("phases: embedded template: " + err.Error())
	}
	return ts
})

// at is the joints' positions at t seconds from contact, linear between samples; false outside.
func (m *template) at(t float64, out *[13][3]float64) bool {
	p := (t - m.FromS) / m.StepS
	i := int(math.Floor(p))
	if i < 0 || i+1 >= len(m.Joints) {
		return false
	}
	w := p - float64(i)
	for k := range out {
		for c := range 3 {
			out[k][c] = m.Joints[i][k][c]*(1-w) + m.Joints[i+1][k][c]*w
		}
	}
	return true
}

// fit is one hypothesis about a swing: who bats how, seen from where, how fast, when.
type fit struct {
	variant    int
	bats       Bats
	azimuthRad float64
	tempo      float64 // seconds of the swing per second of the template; 1.2 = slower
	contactS   float64 // time of contact on the track's clock
	scale      float64 // px per body length
	residual   float64 // root mean square distance of the joints, body lengths, outliers clipped
}

const (
	fitFromS, fitToS = -0.55, 0.35 // part of the template that is compared, s from contact
	fitStepS         = 0.03
	clipLengths      = 0.22 // a joint farther than this from its place counts as this far: a hidden wrist must not decide
)

// fitter compares a body with the templates around one burst.
type fitter struct {
	b     *body
	stepS float64 // between the compared samples
	peakS float64 // time of the burst
}

// score fills residual and scale of h; false where too little overlaps, or where the compared stretch ends before
// the burst: stances are alike, and a motion explains a burst only if it is there.
func (f *fitter) score(h *fit) bool {
	if h.contactS+fitToS*h.tempo < f.peakS {
		return false
	}
	m := &templates()[h.variant]
	b := f.b
	c, s := math.Cos(h.azimuthRad), math.Sin(h.azimuthRad)
	mirror := h.bats.mirror()
	type pair struct {
		obs, ref vec
		w        float64
	}
	var buf [40 * 13]pair
	n := 0
	var sxy, syy float64
	var p [13][3]float64
	samples, inside := 0, 0
	for tau := fitFromS; tau <= fitToS; tau += f.stepS {
		samples++
		t := h.contactS + tau*h.tempo
		if t < b.t0 || t > b.time(b.n-1) || !m.at(tau, &p) {
			continue
		}
		inside++
		i := b.index(t)
		near := 0.35 // the swing itself says when it was; stance and finish say little
		if tau > -0.18 && tau < 0.14 {
			near = 1
		}
		hip := b.hipAt[i]
		for k, j := range coreJoints {
			jj := j
			if h.bats == Left {
				jj = j.Swap()
			}
			sg := b.sigma[jj][i] / b.length
			if sg > 0.3 {
				continue
			}
			w := near / (1 + sg*sg/(0.04*0.04))
			o := b.at[jj][i].sub(hip)
			r := vec{mirror * (p[k][0]*c - p[k][1]*s), -p[k][2]}
			sxy += w * o.dot(r)
			syy += w * r.dot(r)
			buf[n] = pair{o, r, w}
			n++
		}
	}
	if inside*2 < samples || n < 30 || sxy <= 0 {
		return false
	}
	h.scale = clamp(sxy/syy, 0.8*b.length, 1.2*b.length)
	var sum, sw float64
	for _, q := range buf[:n] {
		d := q.obs.sub(q.ref.mul(h.scale)).norm() / h.scale
		sum += q.w * math.Min(d*d, clipLengths*clipLengths)
		sw += q.w
	}
	h.residual = math.Sqrt(sum / sw)
	// What lies outside the clip was not compared: the less, the less certain.
	h.residual *= 1 + 0.15*(1-float64(inside)/float64(samples))
	// A swing far from the usual tempo needs a better fit.
	l := math.Log(h.tempo) / 0.35
	h.residual *= 1 + 0.04*l*l
	return true
}

// fitAll returns the fits for every hypothesis on the grid around a burst.
func (b *body) fitAll(peak int, sides []Bats) []fit {
	peakS := b.time(peak)
	f := fitter{b: b, stepS: 2 * fitStepS, peakS: peakS}
	var all []fit
	keep := func(h fit) {
		if f.score(&h) {
			all = append(all, h)
		}
	}
	for v := range templates() {
		for _, bats := range sides {
			for az := -180.0; az < 180; az += 15 {
				for _, tempo := range []float64{0.8, 1.05, 1.4} {
					for d := -0.40; d <= 0.151; d += 0.05 {
						keep(fit{variant: v, bats: bats, azimuthRad: az * math.Pi / 180, tempo: tempo, contactS: peakS + d})
					}
				}
			}
		}
	}
	return all
}

// refine descends from h over azimuth, tempo and time.
func (b *body) refine(h fit, peakS float64) fit {
	f := fitter{b: b, stepS: fitStepS, peakS: peakS}
	if !f.score(&h) {
		return h
	}
	stepAz, stepTempo, stepT := 8*math.Pi/180, 0.10, 0.020
	for stepT > 0.002 {
		moved := false
		for _, d := range [6][3]float64{{1}, {-1}, {0, 1}, {0, -1}, {0, 0, 1}, {0, 0, -1}} {
			g := h
			g.azimuthRad = math.Remainder(g.azimuthRad+d[0]*stepAz, 2*math.Pi)
			g.tempo = clamp(g.tempo*(1+d[1]*stepTempo), 0.6, 2.2)
			g.contactS += d[2] * stepT
			if d := g.contactS - peakS; d > 0.2 || d < -0.42 {
				continue // contact lies near the fastest hands, or they were fastest in the follow-through
			}
			if f.score(&g) && g.residual < h.residual-1e-9 {
				h, moved = g, true
			}
		}
		if !moved {
			stepAz, stepTempo, stepT = stepAz/2, stepTempo/2, stepT/2
		}
	}
	return h
}
