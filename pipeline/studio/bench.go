package studio

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// nonSwings are what people do in a cage without swinging. The bench goes through them in turn, so that none is left out.
var nonSwings = []string{"take", "check", "bunt", "practice", "waggle", "walk", "pitch", "field"}

// BenchScene draws scene i of the accuracy bench: RandomScene with the variety
// of phones, places and people that real clips have. The same i gives the same
// scene. nonSwing draws from what people do without swinging.
func BenchScene(i uint64, nonSwing bool) *Scene {
	r := rand.New(rand.NewPCG(i, 4242))
	v := Variety{FPS: []float64{30, 30, 30, 60, 60, 60, 60, 120, 120, 240}, Faults: true}
	if nonSwing {
		v = Variety{FPS: []float64{30, 60}, Acts: []string{nonSwings[i%uint64(len(nonSwings))]}}
		i += 500_000
	}
	s := RandomScene(900_000+i, v)
	s.Name = fmt.Sprintf("b%04d", i)
	benchPhone(s, r)
	benchPeople(s, r)
	benchTime(s, r)
	benchSound(s, r)
	benchWords(s)
	// Slow motion that was stored at playback rate: the person says at which rate it was captured.
	if s.FPS >= 120 && s.Jitter == 0 && r.Float64() < 0.35 {
		s.StoredFPS = 30
		s.Sidecar["captured_fps"] = s.FPS
	}
	return s
}

// benchWords is what a coach says of the hitter beside the clip.
func benchWords(s *Scene) {
	s.Sidecar = map[string]any{"height_m": s.Hitter.HeightM, "bat_length_m": s.Hitter.BatM}
	if s.Hitter.HeightM < 1.6 {
		s.Sidecar["level"] = "youth"
	}
}

// benchPhone draws camera, picture and light.
func benchPhone(s *Scene, r *rand.Rand) {
	size := pick(r, [2]int{640, 360}, [2]int{640, 360}, [2]int{854, 480}, [2]int{1280, 720})
	if s.FPS >= 120 && size[1] == 720 && r.Float64() < 0.6 { // what slow motion costs at full size is left to a few
		size = [2]int{854, 480}
	}
	fill := 2.4 + 1.6*r.Float64() // m that the picture's height shows at the hitter
	if r.Float64() < 0.2 {        // held upright: the stored picture lies on its side
		size = [2]int{size[1], size[0]}
		s.Rotate = pick(r, 90, 90, 270)
		fill *= 1.45
	} else if r.Float64() < 0.05 {
		s.Rotate = 180
	}
	s.Camera.Width, s.Camera.Height = size[0], size[1]
	s.Camera.FocalPx = float64(size[1]) * s.Camera.DistanceM / fill
	if r.Float64() < 0.35 {
		s.Camera.ShakeDeg = 0.05 + 0.25*r.Float64()
	}
	s.ShutterS = pick(r, 1.0/60, 1.0/100, 1.0/250, 1.0/500, 1.0/1000, 1.0/2000, 1.0/4000)
	if s.ShutterS > 1/s.FPS {
		s.ShutterS = 1 / s.FPS
	}
	if r.Float64() < 0.7 { // most phones read their rows out one after another
		s.ReadoutS = math.Min(0.006+0.014*r.Float64(), 0.95/s.FPS)
	}
	s.Noise = 1 + 4*r.Float64()
	s.CRF = pick(r, 19, 23, 23, 28)
	switch {
	case r.Float64() < 0.10:
		s.Exposure = -1.2 - 1.0*r.Float64()
		s.Noise += 2
	case r.Float64() < 0.10:
		s.Exposure = 0.5 + 0.6*r.Float64()
	}
	if r.Float64() < 0.08 {
		s.Camera.PanDegPerS = (r.Float64() - 0.5) * 4
	}
	if r.Float64() < 0.08 {
		s.Camera.ZoomPerS = (r.Float64() - 0.4) * 0.12
	}
	if r.Float64() < 0.15 {
		s.Jitter = 0.05 + 0.2*r.Float64()
	}
	if r.Float64() < 0.12 {
		s.Front, s.FrontM = pick(r, "net", "net", "chain"), 0.4+1.6*r.Float64()
	}
	if r.Float64() < 0.03 { // the feet are cut off
		s.Camera.TargetZ += 0.55
		s.Camera.HeightM += 0.4
	}
}

// benchPeople dresses the hitter and draws who else is there.
func benchPeople(s *Scene, r *rand.Rand) {
	s.Ball = pick(r, "pitch", "toss", "tee", "none")
	s.Hitter.Look = Look{
		HatKind: pick(r, "helmet", "helmet", "cap", "none"), Sleeves: pick(r, "short", "short", "long"), Build: 0.9 + 0.25*r.Float64(),
		Fit: pick(r, "close", "close", "loose"), Hair: pick(r, "short", "short", "long", "tail"),
	}
	act := s.Hitter.Acts[0].Do
	boxed := act != "walk" && act != "pitch" && act != "field"
	if boxed && r.Float64() < 0.35 {
		s.People = append(s.People, PersonSpec{Role: "catcher", X: -1.45, Y: plateY, HeadingDeg: 90, HeightM: 1.75})
		if r.Float64() < 0.5 {
			s.People = append(s.People, PersonSpec{Role: "umpire", X: -2.15, Y: 0.5, HeadingDeg: 90, HeightM: 1.8})
		}
	}
	// Others stand or walk beyond the hitter: who crosses in front of the camera hides the swing.
	a := rad(s.Camera.AzimuthDeg)
	beyond := func(m, across float64) (x, y float64) {
		return -m*math.Sin(a) + across*math.Cos(a), -m*math.Cos(a) - across*math.Sin(a)
	}
	if r.Float64() < 0.25 {
		x, y := beyond(2.5+2*r.Float64(), -2+4*r.Float64())
		s.People = append(s.People, PersonSpec{Role: "bystander", X: x, Y: y, HeightM: 1.6 + 0.3*r.Float64(), HeadingDeg: 360 * r.Float64()})
	}
	if r.Float64() < 0.2 {
		x, y := beyond(3+r.Float64(), -2.5)
		s.People = append(s.People, PersonSpec{Role: "walker", X: x, Y: y, SpeedMS: 1.2, HeightM: 1.7, HeadingDeg: s.Camera.AzimuthDeg + 90})
	}
	if boxed && r.Float64() < 0.12 { // the next cage: farther off, and so smaller
		x, y := beyond(3.5+1.5*r.Float64(), pick(r, -1.0, 1)*(1+0.8*r.Float64()))
		s.People = append(s.People, PersonSpec{Role: "hitter", X: x, Y: y, TimeS: 0.8 + 1.6*r.Float64(), HeightM: s.Hitter.HeightM * (0.9 + 0.15*r.Float64())})
	}
}

// benchTime makes the clip as short as the act allows.
func benchTime(s *Scene, r *rand.Rand) {
	act := &s.Hitter.Acts[0]
	spare := 0.3 * r.Float64()
	switch act.Do {
	case "swing":
		if s.Ball == "none" && r.Float64() < 0.5 {
			act.Do = "dry"
		}
		c := s.Hitter.Style.clock()
		act.At = math.Max(1.25, 0.45-c.off) + spare
		s.DurationS = act.At + 1.15 + 0.2*r.Float64()
	case "practice":
		act.At, s.DurationS = 1.3+spare, 3.5
	case "walk": // through the picture's middle half-way
		act.At, s.DurationS = 1.4+spare, 3
	case "field":
		act.At, s.DurationS = 1.1+spare, 3.4
	case "pitch":
		act.At, s.DurationS = 1.8+spare, 3.2
	default:
		act.At, s.DurationS = 1.7+spare, 3.2
	}
}

// benchSound draws what is heard: most clips have a sound track in step, some a wrong one, some none.
func benchSound(s *Scene, r *rand.Rand) {
	s.Voices = r.Float64() < 0.5
	if r.Float64() < 0.35 {
		s.Cracks = 1 + r.IntN(3)
	}
	switch x := r.Float64(); {
	case x < 0.06:
		s.SoundLate = pick(r, -1.0, 1) * (0.08 + 0.2*r.Float64())
	case x < 0.10:
		s.SoundLong = 0.96 + 0.02*float64(r.IntN(2)) + 0.05*float64(r.IntN(2))
	case x < 0.20:
		s.Audio = "none"
	}
}
