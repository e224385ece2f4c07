package studio

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"

	"cagebook/pose"
)

// Truth is what is true of a clip. Times are seconds since the first frame.
type Truth struct {
	Scene      string       `json:"scene"` // fingerprint of the scene and of how it is rendered
	Told       string       `json:"told"`  // TruthVersion
	Clip       string       `json:"clip"`
	Width      int          `json:"width"`
	Height     int          `json:"height"`
	FPS        float64      `json:"fps"`
	ShutterS   float64      `json:"shutter_s"`
	Ball       string       `json:"ball"`   // pitch | toss | tee | none
	Sound      string       `json:"sound"`  // crack | quiet | none
	People     []string     `json:"people"` // roles of others in the scene
	Hitter     string       `json:"hitter"`
	Bats       string       `json:"bats"`
	HeightM    float64      `json:"height_m"`
	BatLengthM float64      `json:"bat_length_m"`
	View       TruthView    `json:"view"`
	PxPerM     float64      `json:"px_per_m"` // at mid-hip of the first swing's contact, or of the clip's middle
	Swings     []TruthSwing `json:"swings"`
	Others     []TruthOther `json:"others"`    // what the hitter does that is not a swing
	Elsewhere  []TruthOther `json:"elsewhere"` // what other people do: "hitter" = a swing in the next cage, at its contact; "pitcher", "coach" = the release; else in the picture
	Conditions Conditions   `json:"conditions"`
	Names      []string     `json:"names"`
	Frames     []TruthFrame `json:"frames"`
}

// Conditions are what makes a clip hard: of the phone, the place and the sound.
type Conditions struct {
	Place      string  `json:"place"`
	ReadoutS   float64 `json:"rolling_shutter_s"`
	Noise      float64 `json:"noise"`
	Exposure   float64 `json:"exposure_stops"`
	CRF        int     `json:"crf"`
	Jitter     float64 `json:"rate_jitter"`
	StoredFPS  float64 `json:"stored_fps,omitempty"`
	Rotate     int     `json:"rotate"`
	Front      string  `json:"front,omitempty"`
	ShakeDeg   float64 `json:"shake_deg"`
	PanDegPerS float64 `json:"pan_deg_per_s"`
	ZoomPerS   float64 `json:"zoom_per_s"`
	Fit        string  `json:"fit,omitempty"`
	Stride     string  `json:"stride"`
	OneHanded  bool    `json:"one_handed"`
	SoundLateS float64 `json:"sound_late_s"`
	SoundLong  float64 `json:"sound_stretch"` // 1 = in step
	Voices     bool    `json:"voices"`
	Cracks     int     `json:"other_cracks"`
}

func (s *Scene) conditions(sw *Swing) Conditions {
	c := Conditions{
		Place: s.Place, ReadoutS: s.ReadoutS, Noise: s.Noise, Exposure: s.Exposure, CRF: s.CRF,
		Jitter: s.Jitter, StoredFPS: s.StoredFPS, Rotate: s.Rotate, Front: s.Front, ShakeDeg: s.Camera.ShakeDeg, PanDegPerS: s.Camera.PanDegPerS,
		ZoomPerS: s.Camera.ZoomPerS, Fit: s.Hitter.Look.Fit, Stride: sw.Stride, OneHanded: sw.OneHanded, SoundLateS: s.SoundLate,
		SoundLong: s.SoundLong, Voices: s.Voices, Cracks: s.Cracks,
	}
	if c.SoundLong == 0 {
		c.SoundLong = 1
	}
	return c
}

// TruthView is where the camera stands.
type TruthView struct {
	Side       string  `json:"side"`
	AzimuthDeg float64 `json:"azimuth_deg"`
	HeightM    float64 `json:"camera_height_m"`
	DistanceM  float64 `json:"distance_m"`
}

// TruthSwing is one full swing.
type TruthSwing struct {
	Number   int       `json:"number"`
	Dry      bool      `json:"dry"`
	View     TruthView `json:"view"`
	PxPerM   float64   `json:"px_per_m"`
	Events   []Event   `json:"events"`
	Measures []Measure `json:"measures"`
	Faults   Faults    `json:"faults"`
	Planted  []Planted `json:"planted"`
}

// TruthOther is an act that is not a full swing.
type TruthOther struct {
	Kind  string  `json:"kind"`
	TimeS float64 `json:"time_s"`
}

// TruthFrame holds the hitter's points in one frame: pixels of the upright
// picture, and metres in model axes. With a rolling shutter the pixels are
// those where the points are seen, the metres those of the frame's time (that
// of its middle row).
type TruthFrame struct {
	TimeS    float64      `json:"time_s"`
	Image    [][2]float64 `json:"image"`
	World    [][3]float64 `json:"world"`
	Knob     [2]float64   `json:"knob"`
	Barrel   [2]float64   `json:"barrel"`
	Bat      *TruthBat    `json:"bat,omitempty"` // nil = the person holds none
	Ball     *[2]float64  `json:"ball,omitempty"`
	OnScreen bool         `json:"on_screen"` // every joint lies within the picture
}

// Side names the nearest of the four sides of an azimuth.
func Side(azimuthDeg float64) string {
	a := wrapDeg(azimuthDeg)
	switch {
	case math.Abs(a) <= 45:
		return "open"
	case math.Abs(a) >= 135:
		return "closed"
	case a > 0:
		return "pitcher"
	}
	return "catcher"
}

func (s *Scene) rand(stream uint64) *rand.Rand { return rand.New(rand.NewPCG(s.Seed, stream)) }

// viewOf is the true view of the hitter with mid-hip at p (model axes).
func (s *Scene) viewOf(p Vec, t float64) (TruthView, float64) {
	cam := s.worldCamera()
	v := cam.at(t)
	eye := s.toWorld(v.eye) // its own inverse
	d := eye.sub(p)
	az := deg(math.Atan2(d.X, d.Y))
	_, _, depth := v.project(s.toWorld(p))
	return TruthView{Side(az), az, eye.Z, math.Hypot(d.X, d.Y)}, v.focal / depth
}

// Truth works out everything that is true of the scene's clip.
func (s *Scene) Truth() (*Truth, error) {
	p, err := s.performer()
	if err != nil {
		return nil, err
	}
	tr := &Truth{
		Clip: s.Name, Width: s.Camera.Width, Height: s.Camera.Height, FPS: s.FPS, Hitter: s.Hitter.Name, Bats: s.Hitter.Bats,
		HeightM: s.Hitter.HeightM, BatLengthM: s.Hitter.BatM, Swings: []TruthSwing{}, Others: []TruthOther{},
		ShutterS: s.ShutterS, Ball: s.Ball, People: []string{}, Elsewhere: []TruthOther{},
		Scene: s.Fingerprint(), Told: TruthVersion, Sound: s.Audio, Conditions: s.conditions(&p.Acts[0].hit.Swing),
	}
	if s.StoredFPS > 0 { // such a file has no sound track
		tr.Sound = "none"
	}
	for _, q := range s.People {
		tr.People = append(tr.People, q.Role)
		tr.Elsewhere = append(tr.Elsewhere, TruthOther{q.Role, q.TimeS})
	}
	ref := s.DurationS / 2
	for i := range p.Acts {
		a := &p.Acts[i]
		if !a.isSwing() {
			tr.Others = append(tr.Others, TruthOther{a.Kind, a.TimeS})
			continue
		}
		from := -2.5
		if i > 0 {
			from = math.Max(from, p.Acts[i-1].TimeS+afterActS-a.TimeS+0.35)
		}
		if from > -beforeActS {
			from = -beforeActS
		}
		sm := sampleMotion(&a.hit, from, 1.25, s.Hitter.HeightM, p.LeadLeft)
		ev := sm.events()
		me := sm.measures(ev, p.LeadLeft, s.Hitter.BatM, s.met(a))
		for k := range ev {
			ev[k].TimeS += a.TimeS
		}
		f := p.At(a.TimeS)
		view, scale := s.viewOf(f.MidHip(), a.TimeS)
		if len(tr.Swings) == 0 {
			ref = a.TimeS
		}
		tr.Swings = append(tr.Swings, TruthSwing{len(tr.Swings) + 1, a.Kind == "dry", view, scale, ev, me, a.hit.Swing.Faults, a.planted(me, s.Hitter.HeightM)})
	}
	f := p.At(ref)
	tr.View, tr.PxPerM = s.viewOf(f.MidHip(), ref)
	for j := pose.Joint(0); j < pose.NumJoints; j++ {
		tr.Names = append(tr.Names, j.String())
	}
	return tr, s.frames(tr, p)
}

// frames adds what is true of each frame.
func (s *Scene) frames(tr *Truth, p *Performer) error {
	cam := s.worldCamera()
	ball := s.ball(p)
	for _, t := range s.Times() {
		f := p.At(t)
		tf := TruthFrame{TimeS: t, OnScreen: true}
		in := func(q [2]float64) bool {
			return q[0] >= 0 && q[1] >= 0 && q[0] < float64(s.Camera.Width) && q[1] < float64(s.Camera.Height)
		}
		moving := s.moving(p, t)
		for j, w := range f.Joints {
			q := s.seen(&cam, t, func(u float64) Vec { return moving(u).Joints[j] })
			tf.Image = append(tf.Image, q)
			tf.World = append(tf.World, [3]float64{round4(w.X), round4(w.Y), round4(w.Z)})
			tf.OnScreen = tf.OnScreen && in(q)
		}
		if f.HasBat {
			knob := func(u float64) Vec { return moving(u).Knob }
			barrel := func(u float64) Vec { return moving(u).Barrel }
			tf.Knob, tf.Barrel = s.seen(&cam, t, knob), s.seen(&cam, t, barrel)
			tf.Bat = &TruthBat{KnobInFrame: in(tf.Knob), BarrelInFrame: in(tf.Barrel)}
			tf.Bat.KnobBlurPx, tf.Bat.BarrelBlurPx = s.blurPx(&cam, t, func(u float64) Vec { return p.At(u).Knob }), s.blurPx(&cam, t, func(u float64) Vec { return p.At(u).Barrel })
			tf.Bat.Foreshortening = s.foreshortening(&cam, t, &f)
		}
		if _, ok := ball(t); ok {
			q := s.seen(&cam, t, func(u float64) Vec {
				if b, ok := ball(u); ok {
					return b
				}
				b, _ := ball(t)
				return b
			})
			tf.Ball = &q
		}
		tr.Frames = append(tr.Frames, tf)
	}
	return nil
}

// renderVersion changes with how a scene is drawn or its frames' truth is told.
const renderVersion = "2"

// TruthVersion changes with what is told of a swing beside its frames: instants, measures, planted faults. Clips stay as they are.
const TruthVersion = "3"

// Fingerprint tells scenes apart that look or sound different, or whose truth differs.
func (s *Scene) Fingerprint() string {
	data, err := json.Marshal(s)
	if err != nil {
		panic(err) // a scene holds plain values only
	}
	sum := sha256.Sum256(append(data, renderVersion...))
	return fmt.Sprintf("%x", sum[:8])
}

func round2(x float64) float64 { return math.Round(x*100) / 100 }
func round4(x float64) float64 { return math.Round(x*1e4) / 1e4 }

// met is where an act meets the ball, model axes: its centre lies in front of the barrel. Nil without a ball.
func (s *Scene) met(a *Act) *Vec {
	if s.Ball == "none" || a.Kind == "dry" {
		return nil
	}
	f := a.hit.At(0)
	v := f.SweetSpot().plus(0.045, facing(90).orth(f.Barrel.sub(f.Knob).unit()))
	return &v
}

// ball gives the ball's place in model axes at a time, if there is one.
func (s *Scene) ball(p *Performer) func(t float64) (Vec, bool) {
	type flight struct {
		t0, at, t1 float64
		in, hit    Vec
		out        Vec
		swung      bool
	}
	var fl []flight
	rng := s.rand(3)
	for _, a := range p.Acts {
		if a.Kind == "dry" || a.Kind == "practice" || a.Kind == "waggle" || s.Ball == "none" {
			continue
		}
		x := flight{at: a.TimeS, hit: *s.met(&a), // where the swing would meet it
			swung: a.Kind == "swing", t1: a.TimeS + 1.5}
		speed := 24 + 6*rng.Float64()
		if s.Hitter.HeightM < 1.6 {
			speed = 15 + 4*rng.Float64()
		}
		x.in = Vec{-speed, (rng.Float64() - 0.5) * 0.8, -1.2}
		switch s.Ball {
		case "toss":
			x.in = Vec{-5.5, -0.6, 0.6}
			x.t0 = a.TimeS - 0.55
		case "tee":
			x.in = Vec{}
			x.t0 = a.TimeS - 1e9
		default:
			x.t0 = a.TimeS - 17.0/speed
		}
		out := 30 + 8*rng.Float64()
		x.out = facing(90 + 24*(rng.Float64()-0.5)).mul(out).add(Vec{0, 0, 5 + 6*rng.Float64()})
		fl = append(fl, x)
	}
	return func(t float64) (Vec, bool) {
		for _, x := range fl {
			if t < x.t0 || t > x.t1 {
				continue
			}
			u := t - x.at
			const g = 9.81
			if u <= 0 || !x.swung {
				if s.Ball == "tee" {
					return x.hit, true
				}
				if u > 0.09 { // caught, or in the net
					return Vec{}, false
				}
				return x.hit.plus(u, x.in).plus(-g/2*u*u, Vec{0, 0, 1}), true
			}
			b := x.hit.plus(u, x.out).plus(-g/2*u*u, Vec{0, 0, 1})
			if s.Place != "field" && u > 0.16 { // into the net
				return Vec{}, false
			}
			return b, b.Z > 0
		}
		return Vec{}, false
	}
}
