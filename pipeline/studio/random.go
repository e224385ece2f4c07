package studio

import (
	"fmt"
	"math/rand/v2"
)

// Variety says what a random scene may hold.
type Variety struct {
	Azimuths []float64 // one is taken, with up to ± 12° about it; empty = the four sides
	FPS      []float64 // one is taken; empty = 30, 60, 120, 240
	Faults   bool      // plant a fault in two of three swings
	Acts     []string  // one is taken; empty = swing
}

func pick[T any](r *rand.Rand, of ...T) T { return of[r.IntN(len(of))] }

// RandomSwing draws a swing about DefaultSwing: strides, timing, angles, finish.
func RandomSwing(r *rand.Rand, youth bool) Swing {
	s := DefaultSwing()
	n := func(p *float64, sd float64) { *p += sd * clamp(r.NormFloat64(), -2, 2) }
	s.Stride = pick(r, "lift", "lift", "lift", "kick", "tap", "slide", "none")
	s.Tempo = 1 + 0.08*clamp(r.NormFloat64(), -2, 2)
	s.LoadTempo = 1 + 0.25*clamp(r.NormFloat64(), -1.5, 2)
	if youth {
		s.Tempo *= 1.15
		s.LaunchFlex -= 8
		s.TrunkOpen -= 6
	}
	n(&s.FootDown, 0.018)
	s.HeelDown = s.FootDown + 0.045 + 0.012*clamp(r.NormFloat64(), -1.5, 2)
	n(&s.PelvisStart, 0.010)
	n(&s.TrunkStart, 0.010)
	n(&s.HandsStart, 0.012)
	n(&s.StanceWidth, 0.03)
	n(&s.StrideLength, 0.025)
	if s.Stride == "none" {
		s.StanceWidth = s.StrideLength
	}
	n(&s.StrideClosed, 0.015)
	n(&s.Lift, 0.012)
	n(&s.LeadFoot, 9)
	n(&s.StanceFlex, 6)
	s.LoadFlex = s.StanceFlex + 8 + 3*r.Float64()
	n(&s.LandFlex, 5)
	n(&s.LaunchFlex, 5)
	n(&s.ContactFlex, 5)
	n(&s.PelvisCoil, 6)
	n(&s.TrunkCoil, 7)
	n(&s.LeanToPlate, 4)
	n(&s.PelvisShift, 0.012)
	n(&s.LoadBack, 0.012)
	n(&s.HandsBack, 0.015)
	n(&s.ContactDrop, 0.02)
	n(&s.ContactAlong, 0.015)
	n(&s.BatTilt, 7)
	n(&s.BatSquare, 8)
	n(&s.StanceTilt, 9)
	n(&s.Lag, 5)
	s.Waggle = 10 * r.Float64()
	s.OneHanded = r.Float64() < 0.4
	return s
}

// RandomScene draws a scene with one act. The same seed gives the same scene.
func RandomScene(seed uint64, v Variety) *Scene {
	r := rand.New(rand.NewPCG(seed, 77))
	s, err := ParseScene(fmt.Appendf(nil, "name: r%04d\nseed: %d\n", seed, seed))
	if err != nil {
		panic(err) // the text above is constant but for the number
	}
	az := v.Azimuths
	if len(az) == 0 {
		az = []float64{0, 0, 90, -90, 180}
	}
	fps := v.FPS
	if len(fps) == 0 {
		fps = []float64{30, 60, 120, 240}
	}
	s.FPS = pick(r, fps...)
	s.DurationS = 4
	s.Camera.AzimuthDeg = pick(r, az...) + 24*(r.Float64()-0.5)
	s.Camera.DistanceM = 5 + 4*r.Float64()
	s.Camera.HeightM = 0.9 + 0.7*r.Float64()
	s.Camera.RollDeg = 1.5 * r.NormFloat64()
	s.Hitter.Bats = pick(r, "R", "R", "L")
	youth := r.Float64() < 0.35
	s.Hitter.HeightM, s.Hitter.BatM = 1.66+0.28*r.Float64(), 0.81+0.05*r.Float64()
	if youth {
		s.Hitter.HeightM, s.Hitter.BatM = 1.25+0.35*r.Float64(), 0.68+0.08*r.Float64()
	}
	base := RandomSwing(r, youth)
	if v.Faults && r.Float64() < 0.67 {
		pick(r, faultKinds...).plant(&base)
	}
	s.Hitter.Style = base
	act := "swing"
	if len(v.Acts) > 0 {
		act = pick(r, v.Acts...)
	}
	s.Hitter.Acts = []ActSpec{{Do: act, At: 2 + 0.4*r.Float64()}}
	s.Place = pick(r, "cage", "field", "gym")
	return s
}
