package phases

import (
	"math"
	"strings"
)

// Definition says what a measure is, from where it can be seen, and how it is taken.
type Definition struct {
	Name  string
	Event string // an EventName, or an interval "a_to_b"
	Unit  string
	Text  string         // the definition, for a report's reader
	Views []AzimuthRange // where it can be seen with a picture; outside of it the status is "view"
	Why   string         // why not from elsewhere

	needs     []EventName // instants that must be known; the last one dates the measure
	object    object      // what must have been tracked
	scaled    bool        // in metres: needs a scale
	frameS    float64     // longest frame interval that leaves it useful, s; 0 = any
	maxSigma  float64     // beyond it the number is of no use
	low, high float64     // outside of it something went wrong
	basis     string      // where it is not image or world
	eval      func(*draw) float64
}

type object byte

const (
	noObject object = iota
	bat
	ball
)

// Definitions are the measures, in the order of a report. Names stay; the list may grow.
var Definitions = definitions()

const (
	fdToContact = "foot_down_to_contact"

	whySide  = "lengths along the line to the pitcher shrink to nothing when the camera looks along it"
	whyEnd   = "lengths toward the plate shrink to nothing when the camera looks along them"
	whyAny   = ""
	whyAngle = "the bend is partly hidden in depth; given where what is hidden can be told well enough"
	whyTurn  = "the turn of a line can be read from its width only where it points at the camera; otherwise from 3D landmarks, if they are sure enough"
	whyFoot  = "a foot's direction can be read from its width only where it points toward or away from the camera; otherwise from 3D landmarks"

	// A knee angle with more than 15° of standard uncertainty cannot be told from most others in hitters.
	maxFlexion = 15.0
	maxTurn    = 15.0
	// What is asked of a foot is whether it points more at the plate or more at the pitcher, 90° apart.
	maxFoot = 20.0
	// Over a foot and half-way between both are 0.5 apart. Far from the middle σ grows with the value, for the feet's distance is what it is divided by.
	maxOver = 0.25
	// The time that a barrel is on the ball's line lies between 35 and 70 ms in rendered hitters: beyond a quarter of the middle it could be either.
	maxOnLine = 13.0
)

// fastFrameS is the longest frame interval for quantities that change within a tenth of a second: an interval
// read at 30 frames a second has a standard uncertainty of 13.6 ms, a third of what parts early from late
// (15 to 35 ms in professional hitters, force plates). 1/45 s lets 50 frames a second pass.
const fastFrameS = 1.0 / 45

// batFrameS is the longest frame interval for the barrel's velocity just before contact: a barrel end goes half a
// metre, and turns by 30°, in a sixtieth of a second, so that a chord says little of its direction or its speed. 1/100 s
// lets 120 frames a second pass.
const batFrameS = 1.0 / 100

// What is believable of a full swing. Published mean speeds of the barrel are 25 m/s at 12 to 17 years (Escamilla et al. 2009, J Appl Biomech 25:210) to
// 36.8 m/s (the maximum of ten of the better of adult hitters; Inkster et al. 2011, Med Sci Sports Exerc 43), with standard deviations of up to
// 5 m/s between hitters: above the largest of them and two of those a number is an error. There is no published value below 12 years; 8 m/s, and the
// limits of the attack angle, are common practice, no source.
const (
	leastBatSpeedMS, mostBatSpeedMS = 8.0, 47.0
	leastAttackDeg, mostAttackDeg   = -40.0, 50.0
)

func definitions() []Definition {
	var ds []Definition
	add := func(d Definition) { ds = append(ds, d) }
	flexion := func(name string, e EventName, text string, f func(*draw) float64) {
		add(Definition{
			Name: name, Event: string(e), Unit: "deg", Text: text + ": 180° minus the angle between its two bones, in space; 0° = straight",
			Views: anyView, Why: whyAngle, needs: []EventName{e}, maxSigma: maxFlexion, low: 0, high: 165, eval: f,
		})
	}
	knees := func(e EventName) {
		flexion("lead_knee_flexion", e, "bend of the lead knee", func(d *draw) float64 { return d.knee(e, true) })
	}
	lean := func(e EventName) {
		add(Definition{
			Name: "trunk_lean", Event: string(e), Unit: "deg", Text: "lean of the line from mid-hip to mid-shoulder along the line to the pitcher, against the vertical; + = toward the pitcher",
			Views: sideViews, Why: whySide, needs: []EventName{e}, maxSigma: 12, low: -75, high: 75,
			eval: func(d *draw) float64 { return d.trunkLean(e) },
		})
		add(Definition{
			Name: "trunk_lean_to_plate", Event: string(e), Unit: "deg", Text: "lean of the line from mid-hip to mid-shoulder toward the plate, against the vertical; + = over the plate",
			Views: endViews, Why: whyEnd, needs: []EventName{e}, maxSigma: 12, low: -75, high: 75,
			eval: func(d *draw) float64 { return d.trunkLeanToPlate(e) },
		})
	}
	elbows := func(e EventName) {
		flexion("lead_elbow_flexion", e, "bend of the lead elbow", func(d *draw) float64 { return d.elbow(e, true) })
		flexion("rear_elbow_flexion", e, "bend of the rear elbow", func(d *draw) float64 { return d.elbow(e, false) })
	}
	side := func(name, event, text string, max, low, high float64, needs []EventName, f func(*draw) float64) {
		add(Definition{
			Name: name, Event: event, Unit: "body_heights", Text: text, Views: sideViews, Why: whySide,
			needs: needs, maxSigma: max, low: low, high: high, eval: f,
		})
	}
	over := func(e EventName) {
		add(Definition{
			Name: "body_over_feet", Event: string(e), Unit: "fraction",
			Text:  "where the body's centre of mass (adult model) lies between the ankles along the line to the pitcher: 0 = over the rear ankle, 1 = over the lead ankle. A place, not a weight",
			Views: sideViews, Why: whySide, needs: []EventName{e}, maxSigma: maxOver, low: -1, high: 2,
			eval: func(d *draw) float64 { return d.bodyOverFeet(e) },
		})
	}
	turn := func(name string, e EventName, text string, low, high float64, f func(*draw) float64) {
		add(Definition{
			Name: name, Event: string(e), Unit: "deg", Text: text, Views: anyView, Why: whyTurn,
			needs: []EventName{e}, maxSigma: maxTurn, low: low, high: high, eval: f,
		})
	}

	knees(Stance)
	flexion("rear_knee_flexion", Stance, "bend of the rear knee", func(d *draw) float64 { return d.knee(Stance, false) })
	elbows(Stance)
	lean(Stance)
	side("stance_width", string(Stance), "horizontal distance between the ankles", 0.08, 0.02, 0.9, []EventName{Stance}, func(d *draw) float64 { return d.feetApart(Stance) })
	over(Stance)

	over(Load)
	side("rear_knee_inside", string(Load), "how far the rear knee is on the pitcher's side of the rear ankle; + = inside the foot", 0.06, -0.3, 0.3, []EventName{Load}, (*draw).loadRearKnee)
	side("hands_back", string(Load), "how far the hands (mid-wrists) are behind the rear shoulder along the line to the pitcher; + = farther from the pitcher", 0.08, -0.5, 0.5, []EventName{Load}, func(d *draw) float64 { return d.handsBack(Load) })
	turn("pelvis_turn", Load, "turn of the hip line: 0° = along the line to the pitcher, + = open, − = closed", -90, 60, (*draw).pelvisTurn)
	turn("shoulder_turn", Load, "turn of the shoulder line: 0° = along the line to the pitcher, + = open, − = closed", -110, 60, (*draw).shoulderTurn)

	side("stride_length", string(FootDown), "horizontal distance between the ankles at foot down", 0.08, 0.05, 1.1, []EventName{FootDown}, func(d *draw) float64 { return d.feetApart(FootDown) })
	add(Definition{
		Name: "stride_length_m", Event: string(FootDown), Unit: "m", Text: "stride length in metres", Views: sideViews, Why: whySide,
		needs: []EventName{FootDown}, scaled: true, maxSigma: 0.15, low: 0.05, high: 2.2,
		eval: func(d *draw) float64 { return d.feetApart(FootDown) * d.heightPx / d.pxPerM },
	})
	add(Definition{
		Name: "lead_foot_open", Event: string(FootDown), Unit: "deg", Text: "direction of the lead foot, heel to toe, over the ground: 0° = straight at the plate, +90° = straight at the pitcher",
		Views: anyView, Why: whyFoot, needs: []EventName{FootDown}, maxSigma: maxFoot, low: -60, high: 150, eval: func(d *draw) float64 { return d.footOpen(FootDown) },
	})
	side("hands_separation", string(FootDown), "how far the hands (mid-wrists) are behind the lead ankle along the line to the pitcher", 0.10, -0.3, 1, []EventName{FootDown}, func(d *draw) float64 { return d.handsSeparation(FootDown) })
	turn("turn_separation", FootDown, "turn of the hip line minus turn of the shoulder line; + = hips more open", -60, 100, func(d *draw) float64 { return d.separation(FootDown) })
	knees(FootDown)
	over(FootDown)

	// What moves fast while it is not known when the foot came down has a large σ, and is what a coach wants to know: up to 0.06 a
	// movement of twice the limits of the rules (0.075 and 0.095) can still be told.
	both := []EventName{FootDown, Contact}
	side("foot_slide", fdToContact, "horizontal distance that the lead ankle moves from foot down to contact", 0.06, 0, 0.5, both, (*draw).footSlide)
	add(Definition{
		Name: "foot_spin", Event: fdToContact, Unit: "deg", Text: "how far the lead foot turns from foot down to contact; + = opens", Views: anyView, Why: whyFoot,
		needs: both, maxSigma: maxFoot, low: -60, high: 120, eval: (*draw).footSpin,
	})
	side("lead_knee_drift", fdToContact, "how far the lead knee goes toward the pitcher from foot down to contact", 0.06, -0.3, 0.4, both, (*draw).leadKneeDrift)
	side("pelvis_drift", fdToContact, "how far mid-hip goes toward the pitcher from foot down to contact", 0.06, -0.3, 0.4, both, (*draw).pelvisDrift)
	side("head_travel", fdToContact, "distance that the head moves from foot down to contact; its turning does not count", 0.05, 0, 0.5, both, (*draw).headTravel)
	add(Definition{
		Name: "lead_knee_straightening", Event: fdToContact, Unit: "deg", Text: "lead-knee flexion at foot down minus that at contact; + = straighter at contact", Views: anyView, Why: whyAngle,
		needs: both, maxSigma: 20, low: -80, high: 110, eval: (*draw).straightening,
	})

	add(Definition{
		Name: "hand_path_straightness", Event: string(HandsStart), Unit: "fraction", Text: "straight distance ÷ path of the hands (mid-wrists) over their first 0.10 m, as seen in the plane to the pitcher; 1 = straight",
		Views: sideViews, Why: whySide, needs: []EventName{HandsStart}, frameS: fastFrameS, maxSigma: 0.15, low: 0, high: 1.0001, eval: (*draw).handStraightness,
	})
	add(Definition{
		Name: "hand_drop", Event: string(HandsStart), Unit: "body_heights", Text: "how far the hands (mid-wrists) go down over their first 0.10 m; + = down",
		Views: sideViews, Why: whySide, needs: []EventName{HandsStart}, frameS: fastFrameS, maxSigma: 0.04, low: -0.1, high: 0.1, eval: (*draw).handDrop,
	})
	add(Definition{
		Name: "barrel_drop", Event: string(HandsStart), Unit: "body_heights", Text: "how far the barrel end is below the hands once they have gone their first 0.10 m; + = below",
		Views: anyView, Why: whyAny, needs: []EventName{HandsStart}, object: bat, frameS: fastFrameS, maxSigma: 0.15, low: -0.7, high: 0.7, basis: "bat", eval: (*draw).barrelDrop,
	})
	add(Definition{
		Name: "hands_hips_gap", Event: "hips_start_to_hands_start", Unit: "ms", Text: "start of the hands minus start of the pelvis's turn (its opening speed passes 10 % of the maximum to come); + = hips first",
		Views: anyView, Why: whyTurn, needs: []EventName{Load, Contact, HandsStart}, frameS: fastFrameS, maxSigma: 60, low: -300, high: 400, eval: (*draw).handsHipsGap,
	})

	add(Definition{
		Name: "hands_away", Event: "hands_start_to_contact", Unit: "body_heights", Text: "how far the hands (mid-wrists) are from mid-shoulder toward the plate 0.08 s before contact",
		Views: endViews, Why: whyEnd, needs: []EventName{HandsStart, Contact}, frameS: fastFrameS, maxSigma: 0.06, low: -0.2, high: 0.5, eval: (*draw).handsAway,
	})

	knees(Contact)
	lean(Contact)
	add(Definition{
		Name: "head_behind_ball", Event: string(Contact), Unit: "body_heights", Text: "how far the ball is in front of the head along the line to the pitcher; + = head behind",
		Views: sideViews, Why: whySide, needs: []EventName{Contact}, object: ball, maxSigma: 0.10, low: -0.6, high: 0.9, basis: "ball", eval: (*draw).headBehindBall,
	})
	elbows(Contact)
	add(Definition{
		Name: "bat_tilt", Event: string(Contact), Unit: "deg", Text: "angle of the bat's long axis to the horizontal; + = barrel above the knob",
		Views: anyView, Why: whyAny, needs: []EventName{Contact}, object: bat, frameS: fastFrameS, maxSigma: 12, low: -90, high: 90, basis: "bat", eval: (*draw).batTilt,
	})
	add(Definition{
		Name: "attack_angle", Event: string(Contact), Unit: "deg", Text: "climb of the path of the bat's sweet spot (0.15 m from the barrel's end) just before contact; + = upward",
		Views: sideViews, Why: whySide, needs: []EventName{Contact}, object: bat, frameS: batFrameS, maxSigma: 10, low: leastAttackDeg, high: mostAttackDeg, basis: "bat", eval: (*draw).attackAngle,
	})
	add(Definition{
		Name: "bat_speed", Event: string(Contact), Unit: "m/s", Text: "speed of the barrel end just before contact",
		Views: sideViews, Why: whySide, needs: []EventName{Contact}, object: bat, scaled: true, frameS: batFrameS, maxSigma: 5, low: leastBatSpeedMS, high: mostBatSpeedMS, basis: "bat", eval: (*draw).batSpeed,
	})
	add(Definition{
		Name: "barrel_on_line", Event: string(Contact), Unit: "ms",
		Text:  "how long the barrel could meet the ball: the time about contact for which the ball's line, level toward the pitcher through the place of contact, runs through the bat's last 0.30 m (within 0.07 m, half a ball and half a barrel)",
		Views: openViews, Why: "from behind the hitter's back hands and bat are hidden about contact; from the ends the line points at the camera", needs: []EventName{Contact}, object: bat, scaled: true, frameS: batFrameS,
		maxSigma: maxOnLine, low: 5, high: 2000 * lineSpanS, basis: "bat", eval: (*draw).barrelOnLine,
	})

	reach := func(name, text string, f func(*draw) float64) {
		add(Definition{
			Name: name, Event: string(Extension), Unit: "m", Text: text, Views: sideViews, Why: whySide, needs: []EventName{Extension},
			object: bat, scaled: true, frameS: fastFrameS, maxSigma: 0.2, low: 0.2, high: 1.9, basis: "bat", eval: f,
		})
	}
	reach("reach", "distance from the rear shoulder to the barrel end", func(d *draw) float64 { return d.reach(rearShoulder) })
	reach("reach_lead", "distance from the lead shoulder to the barrel end", func(d *draw) float64 { return d.reach(leadShoulder) })
	add(Definition{
		Name: "reach_of_ceiling", Event: string(Extension), Unit: "fraction", Text: "the larger reach ÷ the hitter's own straight-line reach (arm by proportion, and bat)",
		Views: sideViews, Why: whySide, needs: []EventName{Extension}, object: bat, scaled: true, frameS: fastFrameS, maxSigma: 0.15, low: 0.2, high: 1.1, basis: "bat", eval: (*draw).reachOfCeiling,
	})

	over(Finish)
	add(Definition{
		Name: "steadiness", Event: string(Finish), Unit: "body_heights/s", Text: "mean speed of the trunk's centre over half a second after the finish; small = steady",
		Views: anyView, Why: whyAny, needs: []EventName{Finish}, maxSigma: 0.15, low: 0, high: 2, eval: (*draw).steadiness,
	})
	lean(Finish)

	interval := func(name string, from, to EventName, frameS, high float64) {
		add(Definition{
			Name: name, Event: string(from) + "_to_" + string(to), Unit: "ms", Text: "time from " + words(from) + " to " + words(to),
			Views: anyView, Why: whyAny, needs: []EventName{from, to}, frameS: frameS, maxSigma: math.Inf(1), low: -high / 3, high: high,
			eval: func(d *draw) float64 { return 1000 * (d.times[to] - d.times[from]) },
		})
	}
	interval("stride_time", LeadFootOff, FootDown, 1.0/20, 3000)
	interval("foot_down_to_hands_start", FootDown, HandsStart, fastFrameS, 900)
	interval("foot_down_to_contact", FootDown, Contact, fastFrameS, 1500)
	interval("swing_time", HandsStart, Contact, fastFrameS, 900)
	return ds
}

func words(e EventName) string { return strings.ReplaceAll(string(e), "_", " ") }

func (d *draw) loadRearKnee() float64 { return d.rearKneeInside(Load) }
func (d *draw) footSpin() float64     { return d.footOpen(Contact) - d.footOpen(FootDown) }

func (d *draw) handStraightness() float64 {
	s, _, ok := d.handPath()
	if !ok {
		return math.NaN()
	}
	return s
}

func (d *draw) handDrop() float64 {
	_, drop, ok := d.handPath()
	if !ok {
		return math.NaN()
	}
	return drop
}

func (d *draw) handsHipsGap() float64 {
	return 1000 * (d.times[HandsStart] - d.hipsStart())
}
