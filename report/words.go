package report

import (
	"fmt"
	"math"
	"strings"
	"unicode"
	"unicode/utf8"

	"cagebook/phases"
)

// Shown is a name as it is shown: marks that would turn the direction of what is read
// (UAX #9), break the line or not show at all stand as their numbers, so that what one sees is what the name is.
func Shown(name string) string {
	var b strings.Builder
	for i, r := range name {
		switch {
		case r == utf8.RuneError && !strings.HasPrefix(name[i:], "\uFFFD"):
			fmt.Fprintf(&b, `\x%02x`, name[i]) // no UTF-8
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\t':
			b.WriteString(`\t`)
		case unicode.IsControl(r):
			fmt.Fprintf(&b, `\x%02x`, r)
		case unseen(r):
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// unseen marks steer or hide: signs of direction, line and paragraph separators, blanks without width. Joiners stay, because
// Persian, Indian scripts and emoji are written with them.
func unseen(r rune) bool {
	return unicode.Is(unicode.Bidi_Control, r) || r == '\u2028' || r == '\u2029' || r == '\u200b' || r == '\u2060' || r == '\ufeff' || r == '\u00ad' ||
		r >= '\ufff9' && r <= '\ufffb'
}

// StatusWords says why a measure has no value, in words that follow "Cannot tell:".
func StatusWords(s phases.Status) string {
	switch s {
	case phases.Measured:
		return "measured"
	case phases.NotInView:
		return "this camera stands where it does not show"
	case phases.FrameRate:
		return "the video has too few frames a second"
	case phases.Occluded:
		return "something hides it"
	case phases.NoScale:
		return "the hitter's height was not given, so there are no true lengths"
	case phases.NoBat:
		return "the bat could not be followed"
	case phases.NoBall:
		return "the ball could not be seen"
	default:
		return "the number is not sure enough, or did not pass its own checks, so it is not shown"
	}
}

// StatusShort is StatusWords in few words, for stills and tables.
func StatusShort(s phases.Status) string {
	switch s {
	case phases.Measured:
		return "measured"
	case phases.NotInView:
		return "cannot tell from this camera"
	case phases.FrameRate:
		return "cannot tell at this frame rate"
	case phases.Occluded:
		return "hidden"
	case phases.NoScale:
		return "needs the hitter's height"
	case phases.NoBat:
		return "bat not followed"
	case phases.NoBall:
		return "ball not seen"
	default:
		return "not sure enough"
	}
}

// EventWords names a moment or an interval such as foot_down_to_contact.
func EventWords(name string) string {
	if w, ok := phases.EventWords[phases.EventName(name)]; ok {
		return w
	}
	if from, to, ok := strings.Cut(name, "_to_"); ok {
		return EventWords(from) + " to " + strings.ToLower(EventWords(to))
	}
	return sentenceCase(name)
}

// measureWords names measures in plain words; others are spelled from their name.
var measureWords = map[string]string{
	"lead_knee_flexion":        "Front knee bend",
	"rear_knee_flexion":        "Back knee bend",
	"lead_elbow_flexion":       "Front elbow bend",
	"rear_elbow_flexion":       "Back elbow bend",
	"trunk_lean":               "Upper body lean",
	"trunk_lean_to_plate":      "Upper body lean over the plate",
	"stance_width":             "Space between the feet",
	"body_over_feet":           "Body between the feet (0 % back foot, 100 % front foot)",
	"rear_knee_inside":         "Back knee inside the foot",
	"hands_back":               "Hands behind the back shoulder",
	"pelvis_turn":              "Hip turn",
	"shoulder_turn":            "Shoulder turn",
	"stride_length":            "Stride length",
	"lead_foot_open":           "Front foot open",
	"hands_separation":         "Hands behind the front foot",
	"turn_separation":          "Hips more open than shoulders",
	"foot_slide":               "Front foot slide",
	"foot_spin":                "Front foot turn after landing",
	"lead_knee_drift":          "Front knee drift",
	"pelvis_drift":             "Hip drift",
	"head_travel":              "Head travel",
	"lead_knee_straightening":  "Front knee straightens",
	"hand_path_straightness":   "Hand path straightness",
	"hand_drop":                "Hand drop",
	"barrel_drop":              "Barrel drop",
	"hands_hips_gap":           "Hands start after hips",
	"hands_away":               "Hands away from the chest",
	"head_behind_ball":         "Head behind the ball",
	"bat_tilt":                 "Bat tilt",
	"attack_angle":             "Attack angle",
	"bat_speed":                "Bat speed",
	"barrel_on_line":           "Barrel on the ball's line",
	"stride_length_m":          "Stride length",
	"hand_drop_m":              "Hand drop",
	"reach":                    "Reach from the back shoulder",
	"reach_of_ceiling":         "Share of your own longest reach",
	"reach_lead":               "Reach from the front shoulder",
	"steadiness":               "Body speed at the end",
	"stride_time":              "Stride time",
	"foot_down_to_hands_start": "Foot down to hands start",
	"foot_down_to_contact":     "Foot down to contact",
	"swing_time":               "Hands start to contact",
}

// MeasureWords names a measure in plain words.
func MeasureWords(name string) string {
	if w, ok := measureWords[name]; ok {
		return w
	}
	return sentenceCase(name)
}

func sentenceCase(name string) string {
	s := strings.ReplaceAll(name, "_", " ")
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

var viewWords = map[string]string{
	"open":    "from the hitter's front (chest) side",
	"pitcher": "from the pitcher's end",
	"closed":  "from behind the hitter's back",
	"catcher": "from the catcher's end",
}

// ViewWords says where the camera stands.
func ViewWords(side string) string {
	if w, ok := viewWords[side]; ok {
		return w
	}
	return "camera side not known"
}

// BatsWords says the side in words.
func BatsWords(b phases.Bats) string {
	switch b {
	case phases.Right:
		return "bats right"
	case phases.Left:
		return "bats left"
	default:
		return "side not known"
	}
}

var fromWords = map[string]string{
	"keypoints": "body", "bat": "bat", "ball": "ball", "audio": "sound", "fused": "body, bat and sound together", "mark": "set by a person",
	"image": "picture", "world": "3D estimate",
}

// FromWords says what an event or a measure was read from.
func FromWords(from string) string {
	if w, ok := fromWords[from]; ok {
		return w
	}
	return from
}

// Units in which a hitter's pages and stills are shown: metric unless stated.
const (
	unitsUS  = "us"
	inchM    = 0.0254  // exact, International Yard and Pound Agreement 1959
	mphMS    = 0.44704 // exact: 1,760 yards an hour
	feetInch = 12
)

// PlainValue puts a value into words that a young hitter understands. Shares
// of body height become centimetres or inches where the height is known.
func PlainValue(v float64, unit string, h Hitter) string {
	if !finite(v) {
		return "not known"
	}
	switch unit {
	case "deg":
		return noMinusZero("%.0f°", v, 0)
	case "body_heights":
		if h.HeightM > 0 && h.HeightM.Known() {
			return plainLength(v*float64(h.HeightM), h)
		}
		return noMinusZero("%.0f %% of your height", v*100, 0)
	case "m":
		return plainLength(v, h)
	case "fraction":
		return noMinusZero("%.0f %%", v*100, 0)
	case "ms":
		return noMinusZero("%.2f seconds", v/1000, 2)
	case "m/s":
		if h.Units == unitsUS {
			return noMinusZero("%.0f mph", v/mphMS, 0)
		}
		return noMinusZero("%.0f metres a second", v, 0)
	case "body_heights/s":
		return noMinusZero("%.1f body heights a second", v, 1)
	default:
		return noMinusZero("%.2f "+unit, v, 2)
	}
}

func plainLength(m float64, h Hitter) string {
	if h.Units != unitsUS {
		return noMinusZero("%.0f cm", m*100, 0)
	}
	in := m / inchM
	if math.Abs(in) < 3 { // a whole inch is coarse for what a foot slides
		return noMinusZero("%.1f inches", in, 1)
	}
	return noMinusZero("%.0f inches", in, 0)
}

// Tall is the hitter's height as it is said.
func (h Hitter) Tall() string {
	if h.Units != unitsUS {
		return fmt.Sprintf("%.2f m", float64(h.HeightM))
	}
	in := int(math.Round(float64(h.HeightM) / inchM))
	return fmt.Sprintf("%d ft %d in", in/feetInch, in%feetInch)
}

// inUnits converts a value and its uncertainty for a table; pages alone do so.
func inUnits(v, sigma Num, unit string, h Hitter) (Num, Num, string) {
	if h.Units == unitsUS {
		switch unit {
		case "m":
			return v / inchM, sigma / inchM, "in"
		case "m/s":
			return v / mphMS, sigma / mphMS, "mph"
		}
	}
	return v, sigma, unit
}

// noMinusZero formats v rounded to so many decimals, never as -0.
func noMinusZero(format string, v float64, decimals int) string {
	p := math.Pow10(decimals)
	v = math.Round(v*p) / p
	return sign(v) + fmt.Sprintf(format, math.Abs(v))
}

func sign(v float64) string {
	if v < 0 {
		return "−"
	}
	return ""
}

// PlainPM is PlainValue with its standard uncertainty.
func PlainPM(v, sigma Num, unit string, h Hitter) string {
	if !v.Known() || !sigma.Known() {
		return "not known"
	}
	val, pm := PlainValue(float64(v), unit, h), PlainValue(float64(sigma), unit, h)
	switch unit {
	case "body_heights", "m", "ms", "m/s", "body_heights/s", "fraction":
		if inch := math.Abs(float64(sigma)) / inchM; h.Units == unitsUS && strings.HasSuffix(val, " inches") { // both with as many decimals
			v := float64(v) / inchM
			if unit == "body_heights" {
				v, inch = v*float64(h.HeightM), inch*float64(h.HeightM)
			}
			decimals := 0
			if inch < 1 {
				decimals = 1
			}
			f := fmt.Sprintf("%%.%df", decimals)
			return noMinusZero(f, v, decimals) + " ± " + noMinusZero(f, inch, decimals) + " inches"
		}
		// The unit once: "31 ± 2 cm".
		num, rest, _ := strings.Cut(val, " ")
		pmNum, _, _ := strings.Cut(pm, " ")
		return num + " ± " + pmNum + " " + rest
	}
	return val + " ± " + pm
}

var unitWords = map[string]string{
	"deg": "°", "body_heights": "body heights", "m": "m", "ms": "ms", "m/s": "m/s", "body_heights/s": "body heights/s", "fraction": "%", "in": "in", "mph": "mph",
}

// UnitWords is the unit as it stands behind a number in a table.
func UnitWords(unit string) string {
	if w, ok := unitWords[unit]; ok {
		return w
	}
	return unit
}

// ValuePM is value ± standard uncertainty with as many decimals as the uncertainty deserves (two digits of it at most).
func ValuePM(value, sigma Num, unit string) string {
	if !value.Known() || !sigma.Known() {
		return "—"
	}
	if unit == "fraction" {
		value, sigma = 100*value, 100*sigma
	}
	decimals := 0
	if sigma > 0 {
		decimals = int(max(0, math.Ceil(-math.Log10(float64(sigma)))))
	}
	decimals = min(decimals, 4)
	f := fmt.Sprintf("%%.%df", decimals)
	v, s := noMinusZero(f, float64(value), decimals), noMinusZero(f, float64(sigma), decimals)
	u := UnitWords(unit)
	switch u {
	case "":
		return v + " ± " + s
	case "°":
		return v + "° ± " + s + "°"
	}
	return v + " ± " + s + " " + u
}
