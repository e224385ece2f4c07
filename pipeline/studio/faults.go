package studio

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

// faultKind is a fault that is planted, and where it must show.
type faultKind struct {
	name           string
	plant          func(*Swing) // as large as in a random scene
	strong         func(*Swing) // so large that a coach sees it at once
	views          [3]float64   // azimuths from which its measure can be seen, degrees
	measure, event string
	// The rule that judges the measure, and the limit of its band: held equal to configs/rules.yaml by a test.
	rule  string
	low   bool // the band ends below
	limit float64
}

// The views of FaultScene.
var (
	acrossViews = [3]float64{0, 180, 0}
	alongViews  = [3]float64{90, -90, 90}
	footViews   = [3]float64{90, 0, -90}
)

// faultKinds are the faults that scenes plant. In random scenes they come in sizes that clips of hitters have, many of them within the
// rule's band, told as small, or nearer to it than a camera can tell; FaultScene plants them strongly.
var faultKinds = []faultKind{
	{
		name: "load_forward", plant: func(s *Swing) { s.Faults.LoadForward = 0.16 }, strong: func(s *Swing) { s.Faults.LoadForward = 0.28 }, views: acrossViews,
		measure: "body_over_feet", event: "load", rule: "load_over_back_foot", limit: 0.5,
	},
	{
		name: "knee_out", plant: func(s *Swing) { s.Faults.KneeOut = 75 }, strong: func(s *Swing) { s.Faults.KneeOut = 110 }, views: acrossViews,
		measure: "rear_knee_inside", event: "load", rule: "knee_inside_foot", low: true, limit: 0,
	},
	{
		name: "lunge", plant: func(s *Swing) { s.Faults.Lunge = 0.17 }, strong: func(s *Swing) { s.Faults.Lunge = 0.25 }, views: acrossViews,
		measure: "body_over_feet", event: "foot_down", rule: "no_drift", limit: 0.6,
	},
	{
		name: "hands_leak", plant: func(s *Swing) { s.Faults.HandsLeak = 0.36 }, strong: func(s *Swing) { s.Faults.HandsLeak = 0.52 }, views: acrossViews,
		measure: "hands_separation", event: "foot_down", rule: "hands_back", low: true, limit: 0.25,
	},
	{
		name: "foot_open", plant: func(s *Swing) { s.Faults.FootOpen = math.Max(38, 75-s.LeadFoot) }, strong: func(s *Swing) { s.Faults.FootOpen = 95 - s.LeadFoot }, views: footViews,
		measure: "lead_foot_open", event: "foot_down", rule: "front_foot_closed", limit: 45,
	},
	{
		name: "foot_slide", plant: func(s *Swing) { s.Faults.FootSlide = 0.18 }, strong: func(s *Swing) { s.Faults.FootSlide = 0.22 }, views: acrossViews,
		measure: "foot_slide", event: "foot_down_to_contact", rule: "front_side_still", limit: 0.075,
	},
	{
		name: "hands_early", plant: func(s *Swing) { s.Faults.HandsEarly = 0.09 }, strong: func(s *Swing) { s.Faults.HandsEarly = 0.32 }, views: acrossViews,
		measure: "swing_time", event: "hands_start_to_contact", rule: "hands_not_early", limit: 290,
	},
	{
		name: "head_pull", plant: func(s *Swing) { s.Faults.HeadPull = 0.14 }, strong: func(s *Swing) { s.Faults.HeadPull = 0.20 }, views: acrossViews,
		measure: "head_travel", event: "foot_down_to_contact", rule: "head_steady", limit: 0.13,
	},
	{
		name: "soft_front", plant: func(s *Swing) { s.Faults.SoftFront = 32 }, strong: func(s *Swing) { s.Faults.SoftFront = 55 }, views: acrossViews,
		measure: "lead_knee_flexion", event: "contact", rule: "firm_front_leg", limit: 40,
	},
	{
		name: "knee_leak", plant: func(s *Swing) { s.Faults.KneeLeak, s.Faults.SoftFront = 0.05, 22 }, strong: func(s *Swing) { s.Faults.KneeLeak, s.Faults.SoftFront = 0.12, 40 }, views: acrossViews,
		measure: "lead_knee_drift", event: "foot_down_to_contact", rule: "front_knee_holds", limit: 0.075,
	},
	{
		name: "foot_spin", plant: func(s *Swing) { s.Faults.FootSpin = 35 }, strong: func(s *Swing) { s.Faults.FootSpin = 75 }, views: footViews,
		measure: "foot_spin", event: "foot_down_to_contact", rule: "front_foot_holds_turn", limit: 30,
	},
	{
		name: "pelvis_drift", plant: func(s *Swing) { s.Faults.PelvisDrift = 0.06 }, strong: func(s *Swing) { s.Faults.PelvisDrift = 0.15 }, views: acrossViews,
		measure: "pelvis_drift", event: "foot_down_to_contact", rule: "hips_turn_in_place", limit: 0.095,
	},
	{
		name: "hands_late", plant: func(s *Swing) { s.Faults.HandsEarly = -0.035 }, strong: handsLate, views: acrossViews,
		measure: "foot_down_to_hands_start", event: "foot_down_to_hands_start", rule: "hands_not_late", limit: 200,
	},
	{
		name: "barrel_drop", plant: func(s *Swing) { s.Faults.BarrelDrop = 45 }, strong: func(s *Swing) { s.Faults.BarrelDrop = 130 }, views: acrossViews,
		measure: "barrel_drop", event: "hands_start", rule: "barrel_up", limit: 0.10,
	},
	{
		name: "cast", plant: func(s *Swing) { s.Faults.Cast = 1 }, strong: func(s *Swing) { s.Faults.Cast = 1.33 }, views: alongViews,
		measure: "hands_away", event: "hands_start_to_contact", rule: "hands_inside", limit: 0.186,
	},
	{
		name: "off_balance", plant: func(s *Swing) { s.Faults.OffBalance = 0.14 }, strong: func(s *Swing) { s.Faults.OffBalance = 0.45 }, views: acrossViews,
		measure: "body_over_feet", event: "finish", rule: "balanced_finish", limit: 1,
	},
}

// handsLate puts the foot down three tenths of a second sooner, and the hands wait.
func handsLate(s *Swing) {
	const soonerS = 0.30
	s.Faults.HandsEarly = -0.03
	s.FootOff, s.LoadTop, s.FootDown, s.HeelDown = s.FootOff-soonerS, s.LoadTop-soonerS, s.FootDown-soonerS, s.HeelDown-soonerS
}

// FaultScene draws scene i of the clips in which a fault shows clearly: each kind in turn, from where a camera sees it, at 60 or 120
// frames a second, with the variety of phones and places of BenchScene and nobody else with a bat. The same i gives the same scene.
func FaultScene(i uint64) *Scene {
	r := rand.New(rand.NewPCG(i, 4243))
	k := &faultKinds[i%uint64(len(faultKinds))]
	round := i / uint64(len(faultKinds))
	s := RandomScene(950_000+i, Variety{Azimuths: []float64{k.views[round%3]}, FPS: []float64{60, 120}})
	s.Name = fmt.Sprintf("f%04d-%s", i, k.name)
	k.strong(&s.Hitter.Style)
	benchPhone(s, r)
	benchPeople(s, r)
	s.People = slices.DeleteFunc(s.People, func(p PersonSpec) bool { return p.Role == "hitter" })
	benchTime(s, r)
	benchSound(s, r)
	benchWords(s)
	return s
}

func plant(s *Swing, name string) {
	for _, k := range faultKinds {
		if k.name == name {
			k.plant(s)
		}
	}
}

// in says whether a fault of this kind is among those of a swing.
func (k faultKind) in(f Faults) bool {
	switch k.name {
	case "load_forward":
		return f.LoadForward > 0
	case "knee_out":
		return f.KneeOut > 0
	case "lunge":
		return f.Lunge > 0
	case "hands_leak":
		return f.HandsLeak > 0
	case "foot_open":
		return f.FootOpen > 0
	case "foot_slide":
		return f.FootSlide > 0
	case "hands_early":
		return f.HandsEarly > 0
	case "hands_late":
		return f.HandsEarly < 0
	case "head_pull":
		return f.HeadPull > 0
	case "knee_leak":
		return f.KneeLeak > 0
	case "soft_front":
		return f.SoftFront > 0 && f.KneeLeak == 0 // a knee that leaks is soft, too
	case "foot_spin":
		return f.FootSpin > 0
	case "pelvis_drift":
		return f.PelvisDrift > 0
	case "barrel_drop":
		return f.BarrelDrop > 0
	case "cast":
		return f.Cast > 0
	case "off_balance":
		return f.OffBalance > 0
	}
	return false
}

// Planted is a fault of a swing: which measure it moves, and by how much.
type Planted struct {
	Fault   string   `json:"fault"`
	Measure string   `json:"measure"`
	Event   string   `json:"event"`
	Unit    string   `json:"unit"`
	Value   float64  `json:"value"`
	Change  float64  `json:"change"`           // against the same swing without the fault
	Rule    string   `json:"rule,omitempty"`   // that judges the measure; none = nothing can be named
	Limit   *float64 `json:"limit,omitempty"`  // of the rule's band
	Beyond  float64  `json:"beyond,omitempty"` // how far the value lies outside the band; ≤ 0 inside
	Small   bool     `json:"small"`            // not outside a band: not to be named
}

// planted tells the faults of a swing with what they do to the measures me.
func (a *Act) planted(me []Measure, heightM float64) []Planted {
	var out []Planted
	if a.hit.Swing.Faults == (Faults{}) {
		return out
	}
	clean := a.hit
	clean.Swing.Faults = Faults{}
	sm := sampleMotion(&clean, -2.5, 1.25, heightM, clean.LeadLeft)
	was := sm.measures(sm.events(), clean.LeadLeft, clean.Bat.LengthM, nil)
	for _, k := range faultKinds {
		if !k.in(a.hit.Swing.Faults) {
			continue
		}
		x, ok1 := find(me, k)
		y, ok2 := find(was, k)
		if !ok1 || !ok2 {
			continue
		}
		p := Planted{Fault: k.name, Measure: k.measure, Event: k.event, Unit: x.Unit, Value: x.Value, Change: x.Value - y.Value, Rule: k.rule, Small: true}
		if k.rule != "" {
			limit := k.limit
			p.Limit, p.Beyond = &limit, x.Value-limit
			if k.low {
				p.Beyond = -p.Beyond
			}
			p.Small = p.Beyond <= 0
		}
		out = append(out, p)
	}
	return out
}

func find(me []Measure, k faultKind) (Measure, bool) {
	for _, m := range me {
		if m.Name == k.measure && m.Event == k.event {
			return m, true
		}
	}
	return Measure{}, false
}
