// Package phases turns the track of one hitter into swings: their events, the
// camera's view, the scale, and measures that say how sure they are.
//
// World axes: +X from the hitter to the pitcher, +Z up, +Y from the hitter to
// the plate. Lead is the side nearer the pitcher. Flexion is 0° for a straight
// joint. Rotation is + when open (toward the pitcher), − when closed.
package phases

import "cagebook/pose"

// EventName is the name of an instant of a swing.
type EventName string

// The instants, in the order in which they come. Key frames 1 to 7 are KeyFrames.
const (
	Stance      EventName = "stance"
	LeadFootOff EventName = "lead_foot_off"
	Load        EventName = "load"
	FootDown    EventName = "foot_down"
	HeelDown    EventName = "heel_down"
	HandsStart  EventName = "hands_start"
	Contact     EventName = "contact"
	Extension   EventName = "extension"
	Finish      EventName = "finish"
)

// KeyFrames are the seven instants that are shown.
var KeyFrames = [7]EventName{Stance, Load, FootDown, HandsStart, Contact, Extension, Finish}

// Event is an instant with its standard uncertainty.
type Event struct {
	Name   EventName `json:"name"`
	TimeS  float64   `json:"time_s"`  // s of real motion since the clip's first frame; between frames where the cue allows
	Frame  int       `json:"frame"`   // frame nearest in time
	SigmaS float64   `json:"sigma_s"` // standard uncertainty, s
	From   string    `json:"from"`    // keypoints | bat | ball | audio | fused | mark

	Cues []ContactCue `json:"cues,omitempty"` // contact alone: what each witness said by itself, the body ("keypoints") first, those that were not used too
}

// Bats is the side a hitter bats from.
type Bats string

// Sides.
const (
	Right     Bats = "R"
	Left      Bats = "L"
	BatsUnset Bats = ""
)

// View is where the camera stands. 0° looks at the chest (open side), +90°
// from the pitcher, ±180° at the back (closed side), −90° from the catcher;
// mirrored for left-handed hitters so that open is always the chest side.
type View struct {
	Side       string  `json:"side"` // open | pitcher | closed | catcher
	AzimuthDeg float64 `json:"azimuth_deg"`
	SigmaDeg   float64 `json:"sigma_deg"`
}

// Scale relates pixels at the hitter to lengths.
type Scale struct {
	PxPerM     float64 `json:"px_per_m"` // 0 where Source is "none"
	Sigma      float64 `json:"sigma"`    // px/m
	Source     string  `json:"source"`   // hitter height | bat length | plate | none
	HeightPx   float64 `json:"-"`        // px that the hitter's full standing height would span in this view
	HeightPxSD float64 `json:"-"`
}

// Status says whether a measure has a value, and if not, why.
type Status string

// Statuses of a measure.
const (
	Measured    Status = "measured"
	NotInView   Status = "view"
	FrameRate   Status = "frame_rate"
	Occluded    Status = "occluded"
	NoScale     Status = "no_scale"
	NoBat       Status = "no_bat"
	NoBall      Status = "no_ball"
	FailedCheck Status = "failed_check"
)

// Measure is one number about a swing. Value and Sigma are meaningful only if Status is Measured.
type Measure struct {
	Name   string
	Event  string // an EventName, or an interval such as "foot_down_to_contact"
	Value  float64
	Unit   string // deg | body_heights | m | ms | m/s | body_heights/s | fraction
	Sigma  float64
	Status Status
	Frame  int
	TimeS  float64
	Basis  string // image | world | bat | audio | mark
}

// Given is what a person stated about the hitter and the clip; zero values are not stated.
type Given struct {
	Bats       Bats
	HeightM    float64
	BatLengthM float64
	Level      string                  // youth | high_school | college | adult
	Sport      string                  // baseball | softball
	Task       string                  // tee | toss | machine | live
	Marks      map[EventName][]float64 // s of real motion; a person's marks win over detection; matched to the nearest swing
}

// Swing is one full swing.
type Swing struct {
	Number   int
	Bats     Bats
	BatsFrom string // detected | stated
	View     View
	Scale    Scale
	Events   []Event // in time order
	Measures []Measure
	Notes    []string // sentences for the report: order flags, slow motion suspicions, dry swing
	From, To int      // indices into the track: the swing's window [From, To)
	Score    float64  // how much like a swing, 0 to 1

	how *origin // what the search for events knew, for Refine
}

// Event finds an event by name.
func (s *Swing) Event(n EventName) (Event, bool) {
	for _, e := range s.Events {
		if e.Name == n {
			return e, true
		}
	}
	return Event{}, false
}

// LeadIsLeft says whether the lead side is the hitter's left.
func (s *Swing) LeadIsLeft() bool { return s.Bats != Left }

// Lead returns the joint on the lead side of the pair that j belongs to.
func (s *Swing) Lead(j pose.Joint) pose.Joint { return onSide(j, s.LeadIsLeft()) }

// Rear returns the joint on the rear side of the pair that j belongs to.
func (s *Swing) Rear(j pose.Joint) pose.Joint { return onSide(j, !s.LeadIsLeft()) }

func onSide(j pose.Joint, left bool) pose.Joint {
	isLeft := j < j.Swap()
	if isLeft == left {
		return j
	}
	return j.Swap()
}

// Rejected is motion that was looked at and found not to be a swing.
type Rejected struct {
	TimeS  float64
	Reason string // a sentence, e.g. "hands apart: a throw"
}
