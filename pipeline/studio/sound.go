package studio

import (
	"math"
	"math/rand/v2"
)

// SoundRateHz is the rate of the sound track.
const SoundRateHz = 48000

// soundSpeedMS is the speed of sound in air at 20 °C.
const soundSpeedMS = 343.0

// Sound makes the clip's mono sound: a noisy room or field, and the crack of
// each contact after its way to the camera. It is nil where the scene has none.
func (s *Scene) Sound() ([]float32, error) {
	if s.Audio == "none" {
		return nil, nil
	}
	p, err := s.performer()
	if err != nil {
		return nil, err
	}
	n := int(math.Ceil(s.DurationS * SoundRateHz))
	out := make([]float32, n)
	rng := s.rand(21)
	var low float64
	for i := range out {
		w := rng.NormFloat64()
		low += 0.02 * (w - low)
		out[i] = float32(0.02*low + 0.0012*w)
	}
	if s.Audio == "quiet" {
		return out, nil
	}
	if s.Voices {
		talk(out, s.rand(22))
	}
	cam := s.worldCamera()
	eye := cam.at(0).eye
	for _, a := range p.Acts {
		if a.Kind != "swing" || s.Ball == "none" {
			continue
		}
		f := a.hit.At(0)
		d := s.toWorld(f.SweetSpot()).sub(eye).norm()
		s.crack(out, a.TimeS+d/soundSpeedMS, 0.42, rng)
	}
	for range s.Cracks { // 8 to 25 m away, behind nets
		s.crack(out, s.DurationS*rng.Float64(), 0.42*math.Pow(5/(8+17*rng.Float64()), 1.2), rng)
	}
	for i, v := range out {
		out[i] = float32(math.Tanh(float64(v)))
	}
	return s.outOfStep(out), nil
}

// crack adds a struck bat: a click of noise and a few dying partials; in a room what the walls send back, too.
func (s *Scene) crack(out []float32, timeS, loud float64, rng *rand.Rand) {
	at := timeS * SoundRateHz
	n := len(out)
	modes := [][2]float64{{1180, 90}, {2270, 130}, {3650, 190}, {5400, 260}} // Hz, decay 1/s
	ph := [4]float64{rng.Float64() * 6, rng.Float64() * 6, rng.Float64() * 6, rng.Float64() * 6}
	hit := make([]float64, SoundRateHz/6)
	first := math.Ceil(at)
	for i := range hit {
		u := (first + float64(i) - at) / SoundRateHz
		v := 0.8 * math.Exp(-u*900) * rng.NormFloat64()
		for k, m := range modes {
			v += 0.28 * math.Exp(-u*m[1]) * math.Sin(2*math.Pi*m[0]*u+ph[k])
		}
		hit[i] = loud * v
	}
	add := func(delayS, share float64) {
		for i, v := range hit {
			if k := int(first+delayS*SoundRateHz) + i; k >= 0 && k < n {
				out[k] += float32(share * v)
			}
		}
	}
	add(0, 1)
	if s.Place != "field" {
		for range 5 { // walls and ceiling 3 to 13 m away
			add(0.018+0.06*rng.Float64(), 0.05+0.13*rng.Float64())
		}
	}
}

// talk adds people who talk and call: syllables of a voice with its formants, some with a burst before them.
func talk(out []float32, rng *rand.Rand) {
	const nyquistHz = 3800 // above it a voice has little
	for t := 0.3 * rng.Float64(); t < float64(len(out))/SoundRateHz; {
		length := 0.10 + 0.16*rng.Float64()
		f0 := 100 + 150*rng.Float64()
		glide := 0.8 + 0.4*rng.Float64()
		loud := 0.015 + 0.06*rng.Float64()*rng.Float64()
		form := [3]float64{300 + 500*rng.Float64(), 900 + 1300*rng.Float64(), 2500 + 600*rng.Float64()}
		weights := make([]float64, int(nyquistHz/f0))
		for k := range weights {
			hz := f0 * float64(k+1)
			for i, f := range form {
				weights[k] += math.Exp(-sq((hz-f)/(90+50*float64(i)))) / float64(i+1)
			}
			weights[k] += 0.05
		}
		burst := rng.Float64() < 0.4
		start := int(t * SoundRateHz)
		for i := range int(length * SoundRateHz) {
			if start+i >= len(out) {
				break
			}
			u := float64(i) / SoundRateHz
			env := jerk(u, 0, 0.03) * (1 - jerk(u, length-0.06, length))
			phase := 2 * math.Pi * f0 * (u + (glide-1)*u*u/(2*length))
			v := 0.0
			for k, w := range weights {
				v += w * math.Sin(float64(k+1)*phase)
			}
			v *= env * loud
			if burst && u < 0.012 {
				v += 1.5 * loud * rng.NormFloat64() * (1 - u/0.012)
			}
			out[start+i] += float32(v)
		}
		t += length + 0.03
		if rng.Float64() < 0.2 { // takes breath
			t += 0.2 + 0.6*rng.Float64()
		}
	}
}

// outOfStep shifts and stretches the sound against the pictures, where the scene asks for it.
func (s *Scene) outOfStep(x []float32) []float32 {
	long := s.SoundLong
	if long == 0 {
		long = 1
	}
	if s.SoundLate == 0 && long == 1 {
		return x
	}
	y := make([]float32, len(x))
	for i := range y {
		q := (float64(i)/SoundRateHz - s.SoundLate) / long * SoundRateHz
		if q >= 0 && q < float64(len(x)-1) {
			k := int(q)
			y[i] = x[k] + (x[k+1]-x[k])*float32(q-float64(k))
		}
	}
	return y
}
