package studio

import "math"

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
	cam := s.worldCamera()
	eye := cam.at(0).eye
	for _, a := range p.Acts {
		if a.Kind != "swing" || s.Ball == "none" {
			continue
		}
		f := a.hit.At(0)
		d := s.toWorld(f.SweetSpot()).sub(eye).norm()
		at := (a.TimeS + d/soundSpeedMS) * SoundRateHz
		// A struck bat: a click of noise and a few dying partials.
		modes := [][2]float64{{1180, 90}, {2270, 130}, {3650, 190}, {5400, 260}} // Hz, decay 1/s
		ph := [4]float64{rng.Float64() * 6, rng.Float64() * 6, rng.Float64() * 6, rng.Float64() * 6}
		for i := max(int(math.Ceil(at)), 0); i < min(n, int(at)+SoundRateHz/6); i++ {
			u := (float64(i) - at) / SoundRateHz
			v := 0.8 * math.Exp(-u*900) * rng.NormFloat64()
			for k, m := range modes {
				v += 0.28 * math.Exp(-u*m[1]) * math.Sin(2*math.Pi*m[0]*u+ph[k])
			}
			out[i] += float32(0.42 * v)
		}
	}
	for i, v := range out {
		out[i] = float32(math.Tanh(float64(v)))
	}
	return out, nil
}
