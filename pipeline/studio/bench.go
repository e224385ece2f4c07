package studio

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// BenchScene draws scene i of the accuracy bench: RandomScene with the variety
// of phones, places and people that real clips have. The same i gives the same
// scene. nonSwing draws from what hitters do without swinging.
func BenchScene(i uint64, nonSwing bool) *Scene {
	r := rand.New(rand.NewPCG(i, 4242))
	v := Variety{FPS: []float64{30, 30, 30, 60, 60, 60, 60, 120, 120, 240}, Faults: true}
	if nonSwing {
		v = Variety{FPS: []float64{30, 60}, Acts: []string{"take", "check", "bunt", "practice", "waggle"}}
		i += 500_000
	}
	s := RandomScene(900_000+i, v)
	s.Name = fmt.Sprintf("b%04d", i)
	size := pick(r, [2]int{640, 360}, [2]int{640, 360}, [2]int{854, 480}, [2]int{1280, 720})
	s.Camera.Width, s.Camera.Height = size[0], size[1]
	fill := 2.4 + 1.6*r.Float64() // m that the picture's height shows at the hitter
	s.Camera.FocalPx = float64(size[1]) * s.Camera.DistanceM / fill
	if r.Float64() < 0.35 {
		s.Camera.ShakeDeg = 0.05 + 0.25*r.Float64()
	}
	s.ShutterS = pick(r, 1.0/100, 1.0/250, 1.0/500, 1.0/1000, 1.0/2000)
	if s.ShutterS > 1/s.FPS {
		s.ShutterS = 1 / s.FPS
	}
	s.Noise = 1 + 4*r.Float64()
	s.Ball = pick(r, "pitch", "toss", "tee", "none")
	s.Hitter.Look = Look{HatKind: pick(r, "helmet", "helmet", "cap"), Sleeves: pick(r, "short", "short", "long"), Build: 0.9 + 0.25*r.Float64()}
	if r.Float64() < 0.35 {
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
	s.Sidecar = map[string]any{"height_m": s.Hitter.HeightM, "bat_length_m": s.Hitter.BatM}
	if s.Hitter.HeightM < 1.6 {
		s.Sidecar["level"] = "youth"
	}
	return s
}
