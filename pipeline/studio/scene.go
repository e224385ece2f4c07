package studio

import (
	"bytes"
	"fmt"
	"math"
	"sort"

	"go.yaml.in/yaml/v3"
)

// Scene describes one clip. It is written as YAML; unknown keys are errors.
type Scene struct {
	Name      string         `yaml:"name"`
	Folder    string         `yaml:"folder"` // below the output folder
	Ext       string         `yaml:"ext"`    // mp4 | mov
	Seed      uint64         `yaml:"seed"`
	FPS       float64        `yaml:"fps"`
	Jitter    float64        `yaml:"rate_jitter"` // how far frame times stray from even, as a share of the interval, below 0.3: variable rate
	StoredFPS float64        `yaml:"stored_fps"`  // rate at which a slow-motion file plays; 0 = fps
	DurationS float64        `yaml:"duration"`
	ShutterS  float64        `yaml:"shutter"`         // exposure time; 0 = 1/1000 s
	ReadoutS  float64        `yaml:"rolling_shutter"` // time from the first row's exposure to the last's; 0 = all at once
	Noise     float64        `yaml:"noise"`           // standard deviation of a channel, of 255
	Exposure  float64        `yaml:"exposure"`        // stops too bright (+) or too dark (−)
	CRF       int            `yaml:"crf"`             // x264's constant rate factor; 0 = 19
	Front     string         `yaml:"front"`           // what hangs between camera and hitter: net | chain | ""
	FrontM    float64        `yaml:"front_distance"`  // m from the camera; 0 = 1
	Rotate    int            `yaml:"rotate"`          // degrees clockwise by which a player must turn the stored picture: 0, 90, 180, 270
	Camera    Camera         `yaml:"camera"`
	Place     string         `yaml:"place"` // cage | field | gym
	Hitter    HitterSpec     `yaml:"hitter"`
	People    []PersonSpec   `yaml:"people"`
	Ball      string         `yaml:"ball"`          // pitch | toss | tee | none
	Audio     string         `yaml:"sound"`         // crack | quiet | none
	Voices    bool           `yaml:"voices"`        // people talk and call
	Cracks    int            `yaml:"other_cracks"`  // contacts heard from other cages
	SoundLate float64        `yaml:"sound_late"`    // s by which the sound track lags the pictures (− = leads)
	SoundLong float64        `yaml:"sound_stretch"` // the sound runs this many times too slow; 0 = 1
	Session   map[string]any `yaml:"session"`       // what session.yaml of the folder says
	Sidecar   map[string]any `yaml:"sidecar"`       // what the clip's own yaml says
}

// HitterSpec is the person with the bat.
type HitterSpec struct {
	Name    string    `yaml:"name"`
	Bats    string    `yaml:"bats"` // R | L
	HeightM float64   `yaml:"height_m"`
	BatM    float64   `yaml:"bat_length_m"`
	Style   Swing     `yaml:"-"`     // the hitter's own way of swinging
	Swing   yaml.Node `yaml:"swing"` // departures from Style
	Acts    []ActSpec `yaml:"acts"`
	Look    Look      `yaml:"look"`
}

// ActSpec is one thing the hitter does; Swing departs from the hitter's own.
type ActSpec struct {
	Do    string    `yaml:"do"`
	At    float64   `yaml:"at"`
	Swing yaml.Node `yaml:"swing"`
}

// PersonSpec is somebody else in the picture.
type PersonSpec struct {
	Role       string  `yaml:"role"` // catcher | umpire | coach | bystander | walker | pitcher | onlooker | hitter
	X          float64 `yaml:"x"`    // m, world axes
	Y          float64 `yaml:"y"`
	HeadingDeg float64 `yaml:"heading"`
	HeightM    float64 `yaml:"height_m"`
	SpeedMS    float64 `yaml:"speed"`
	TimeS      float64 `yaml:"at"` // when a pitcher lets go, or another hitter hits
	WithBat    bool    `yaml:"with_bat"`
	Look       Look    `yaml:"look"`
}

// plateY is the distance from the hitter's stance line to the middle of the plate, m.
const plateY = 0.72

// ParseScene reads a scene.
func ParseScene(data []byte) (*Scene, error) {
	s := &Scene{Ext: "mp4", FPS: 60, DurationS: 4, ShutterS: 0.001, Noise: 2, Place: "cage", Ball: "pitch", Audio: "crack"}
	s.Camera = Camera{Width: 1280, Height: 720, DistanceM: 6.5, HeightM: 1.15, TargetX: 0.1, TargetY: 0.15, TargetZ: 0.98}
	s.Hitter = HitterSpec{Name: "hitter", Bats: "R", HeightM: 1.80, BatM: 0.84, Style: DefaultSwing()}
	dec := yaml.NewDecoder(bytes.NewReader(data))
	dec.KnownFields(true)
	if err := dec.Decode(s); err != nil {
		return nil, fmt.Errorf("scene: %w", err)
	}
	return s, s.check()
}

func (s *Scene) check() error {
	switch {
	case s.Name == "":
		return fmt.Errorf("scene: name is missing")
	case s.FPS < 10 || s.FPS > 480:
		return fmt.Errorf("scene %s: fps %g is not between 10 and 480", s.Name, s.FPS)
	case s.Jitter < 0 || s.Jitter > 0.3:
		return fmt.Errorf("scene %s: rate_jitter %g is not between 0 and 0.3", s.Name, s.Jitter)
	case s.ReadoutS < 0 || s.ReadoutS > 1/s.FPS:
		return fmt.Errorf("scene %s: rolling_shutter %g s is not between 0 and a frame's time", s.Name, s.ReadoutS)
	case s.Front != "" && s.Front != "net" && s.Front != "chain":
		return fmt.Errorf("scene %s: front %q is neither net nor chain", s.Name, s.Front)
	case s.SoundLong != 0 && (s.SoundLong < 0.5 || s.SoundLong > 2):
		return fmt.Errorf("scene %s: sound_stretch %g is not between 0.5 and 2", s.Name, s.SoundLong)
	case s.Ext != "mp4" && s.Ext != "mov":
		return fmt.Errorf("scene %s: ext %q is neither mp4 nor mov", s.Name, s.Ext)
	case s.DurationS <= 0 || s.DurationS > 600:
		return fmt.Errorf("scene %s: duration %g s is not between 0 and 600", s.Name, s.DurationS)
	case s.Hitter.Bats != "R" && s.Hitter.Bats != "L":
		return fmt.Errorf("scene %s: bats %q is neither R nor L", s.Name, s.Hitter.Bats)
	case s.Rotate%90 != 0 || s.Rotate < 0 || s.Rotate > 270:
		return fmt.Errorf("scene %s: rotate %d is not 0, 90, 180 or 270", s.Name, s.Rotate)
	case s.Camera.Width%2 != 0 || s.Camera.Height%2 != 0 || s.Camera.Width < 64 || s.Camera.Height < 64:
		return fmt.Errorf("scene %s: picture %d×%d must have even sides of at least 64", s.Name, s.Camera.Width, s.Camera.Height)
	}
	_, err := s.performer()
	return err
}

// swingOf reads departures from a swing. A node that is absent changes nothing.
func swingOf(base Swing, n *yaml.Node) (Swing, error) {
	if n.Kind == 0 {
		return base, nil
	}
	b, err := yaml.Marshal(n)
	if err != nil {
		return base, err
	}
	dec := yaml.NewDecoder(bytes.NewReader(b))
	dec.KnownFields(true)
	err = dec.Decode(&base)
	return base, err
}

// performer sets up the hitter, in model axes.
func (s *Scene) performer() (*Performer, error) {
	own, err := swingOf(s.Hitter.Style, &s.Hitter.Swing)
	if err != nil {
		return nil, fmt.Errorf("scene %s: hitter.swing: %w", s.Name, err)
	}
	p := &Performer{Body: Body{s.Hitter.HeightM}, LeadLeft: s.Hitter.Bats == "R"}
	for _, a := range s.Hitter.Acts {
		sw, err := swingOf(own, &a.Swing)
		if err != nil {
			return nil, fmt.Errorf("scene %s: act at %g s: %w", s.Name, a.At, err)
		}
		act, ok := newAct(a.Do, a.At, Hitter{Body: p.Body, Bat: Bat{s.Hitter.BatM}, LeadLeft: p.LeadLeft, Swing: sw})
		if !ok {
			return nil, fmt.Errorf("scene %s: act %q is not known (swing, dry, take, check, bunt, practice, waggle, walk, field, pitch)", s.Name, a.Do)
		}
		p.Acts = append(p.Acts, act)
	}
	if len(p.Acts) == 0 { // stands there
		act, _ := newAct("waggle", s.DurationS/2, Hitter{Body: p.Body, Bat: Bat{s.Hitter.BatM}, LeadLeft: p.LeadLeft, Swing: own})
		p.Acts = append(p.Acts, act)
	}
	for i := range p.Acts {
		if p.Acts[i].moves != nil && len(p.Acts) > 1 {
			return nil, fmt.Errorf("scene %s: act %q fills a clip of its own", s.Name, p.Acts[i].Kind)
		}
	}
	sort.SliceStable(p.Acts, func(i, j int) bool { return p.Acts[i].TimeS < p.Acts[j].TimeS })
	return p, nil
}

// toWorld maps model axes of the hitter to the world: a left-handed hitter
// stands on the other side of the plate.
func (s *Scene) toWorld(v Vec) Vec {
	if s.Hitter.Bats == "L" {
		v.Y = 2*plateY - v.Y
	}
	return v
}

// worldCamera is the camera in world axes.
func (s *Scene) worldCamera() Camera {
	c := s.Camera
	if s.Hitter.Bats == "L" {
		c.AzimuthDeg = 180 - c.AzimuthDeg
		c.TargetY = 2*plateY - c.TargetY
	}
	c.ShakeSeed = float64(s.Seed % 97)
	return c
}

// wander is the departure of a frame's time from even, in frame intervals. It
// is a closed formula so that a video tool can be given the same one.
func (s *Scene) wander(i float64) float64 {
	return s.Jitter * (0.6*math.Sin(1.7*i) + 0.4*math.Sin(0.31*i))
}

// WanderExpr is wander times the frame interval plus the even time, s, as an
// expression of N, the frame's number.
func (s *Scene) WanderExpr() string {
	return fmt.Sprintf("(N+%g*(0.6*sin(1.7*N)+0.4*sin(0.31*N)))/%g", s.Jitter, s.FPS)
}

// TickHz is the clock in which clips with a variable rate keep their times.
const TickHz = 90000

// Times of the frames, s of real motion; the first is 0.
func (s *Scene) Times() []float64 {
	n := int(math.Round(s.DurationS * s.FPS))
	t := make([]float64, n)
	for i := range t {
		t[i] = (float64(i) + s.wander(float64(i))) / s.FPS
		if s.Jitter > 0 {
			t[i] = math.Round(t[i]*TickHz) / TickHz
		}
	}
	return t
}
