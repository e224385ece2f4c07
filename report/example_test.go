package report

import (
	"image"
	"image/color"
	"math"
	"testing"

	"cagebook/configs"
	"cagebook/phases"
	"cagebook/pipeline/video"
	"cagebook/pose"
)

// The example is an invented hitter: a figure of capsules that turns through
// seven poses. It looks like a swing; none of its numbers comes from one.

const (
	exW, exH = 960, 540
	exFPS    = 120.0
)

// exEvents are invented instants in time order.
var exEvents = []phases.Event{
	{Name: phases.Stance, TimeS: 0.250, Frame: 30, SigmaS: 0.030, From: "keypoints"},
	{Name: phases.LeadFootOff, TimeS: 0.400, Frame: 48, SigmaS: 0.015, From: "keypoints"},
	{Name: phases.Load, TimeS: 0.600, Frame: 72, SigmaS: 0.016, From: "keypoints"},
	{Name: phases.FootDown, TimeS: 0.800, Frame: 96, SigmaS: 0.012, From: "keypoints"},
	{Name: phases.HandsStart, TimeS: 0.858, Frame: 103, SigmaS: 0.019, From: "keypoints"},
	{Name: phases.Contact, TimeS: 0.992, Frame: 119, SigmaS: 0.008, From: "keypoints"},
	{Name: phases.Extension, TimeS: 1.058, Frame: 127, SigmaS: 0.036, From: "keypoints"},
	{Name: phases.Finish, TimeS: 1.300, Frame: 156, SigmaS: 0.040, From: "keypoints"},
}

// exPose is the figure's pose in a frame: a stride to the right, hands from back to front.
func exPose(frame int) [pose.NumJoints]pose.Estimate {
	u := min(max(float64(frame-48)/float64(119-48), 0), 1)   // stride and turn, 0 to 1 at contact
	w := min(max(float64(frame-103)/float64(156-103), 0), 1) // hands
	cx, foot := 430+30*u, 470.0
	var p [pose.NumJoints]pose.Estimate
	set := func(j pose.Joint, x, y float64) { p[j] = pose.Estimate{X: x, Y: y, Sigma: 2.5} }
	set(pose.Nose, cx+6, 170)
	set(pose.LeftShoulder, cx+22, 222)
	set(pose.RightShoulder, cx-24, 226)
	set(pose.LeftHip, cx+16, 330)
	set(pose.RightHip, cx-16, 332)
	lead, rear := cx+60+30*u, 430-62.0
	set(pose.LeftKnee, (cx+16+lead)/2+14*(1-u), 400)
	set(pose.RightKnee, (cx-16+rear)/2+10+18*w, 402)
	set(pose.LeftAnkle, lead, foot-12)
	set(pose.RightAnkle, rear, foot-12)
	set(pose.LeftHeel, lead-8, foot)
	set(pose.RightHeel, rear-8, foot)
	set(pose.LeftFootIndex, lead+22, foot)
	set(pose.RightFootIndex, rear+22, foot)
	a := 2.6 - 4.2*w // direction of the hands from the chest
	hx, hy := cx+math.Cos(a)*(50+46*math.Sin(math.Pi*w)), 236-math.Sin(a)*40
	set(pose.LeftWrist, hx+5, hy)
	set(pose.RightWrist, hx-5, hy+6)
	set(pose.LeftElbow, (cx+22+hx)/2+6, (222+hy)/2+22)
	set(pose.RightElbow, (cx-24+hx)/2-10, (226+hy)/2+24)
	return p
}

// exPicture paints the figure, so that stills show something.
func exPicture(_, frame int) (image.Image, error) {
	img := image.NewRGBA(image.Rect(0, 0, exW, exH))
	for y := range exH {
		c := color.RGBA{96, 110, 104, 255}
		if y > 440 {
			c = color.RGBA{128, 108, 84, 255}
		}
		for x := range exW {
			img.SetRGBA(x, y, c)
		}
	}
	p := exPose(frame)
	limb := func(a, b pose.Joint, r float64, c color.RGBA) {
		n := int(math.Hypot(p[a].X-p[b].X, p[a].Y-p[b].Y))
		for i := 0; i <= n; i++ {
			t := float64(i) / float64(max(n, 1))
			x, y := p[a].X+(p[b].X-p[a].X)*t, p[a].Y+(p[b].Y-p[a].Y)*t
			for dy := -r; dy <= r; dy++ {
				for dx := -r; dx <= r; dx++ {
					if dx*dx+dy*dy <= r*r {
						img.SetRGBA(int(x+dx), int(y+dy), c)
					}
				}
			}
		}
	}
	shirt, trousers, skin := color.RGBA{60, 78, 120, 255}, color.RGBA{70, 70, 74, 255}, color.RGBA{176, 138, 112, 255}
	for _, s := range []bool{false, true} {
		j := func(l pose.Joint) pose.Joint {
			if s {
				return l
			}
			return l.Swap()
		}
		limb(j(pose.LeftHip), j(pose.LeftKnee), 15, trousers)
		limb(j(pose.LeftKnee), j(pose.LeftAnkle), 11, trousers)
		limb(j(pose.LeftHeel), j(pose.LeftFootIndex), 6, color.RGBA{30, 30, 30, 255})
		limb(j(pose.LeftShoulder), j(pose.LeftHip), 18, shirt)
		limb(j(pose.LeftShoulder), j(pose.LeftElbow), 9, shirt)
		limb(j(pose.LeftElbow), j(pose.LeftWrist), 7, skin)
	}
	limb(pose.Nose, pose.Nose, 22, skin)
	return img, nil
}

func exTrack() *pose.Track {
	t := &pose.Track{Width: exW, Height: exH}
	for f := 24; f < 170; f++ {
		p := exPose(f)
		var raw pose.Pose
		for j, e := range p {
			if e.Known() {
				raw[j] = pose.Keypoint{X: e.X, Y: e.Y, Score: 0.9}
				t.Has[j] = true
			}
		}
		t.Frames = append(t.Frames, f)
		t.Times = append(t.Times, float64(f)/exFPS)
		t.Raw = append(t.Raw, raw)
		t.Smooth = append(t.Smooth, p)
	}
	return t
}

// m is a measured value.
func m(name, event string, value, sigma float64, unit string) phases.Measure {
	return phases.Measure{Name: name, Event: event, Value: value, Sigma: sigma, Unit: unit, Status: phases.Measured, Frame: 119, TimeS: 0.992, Basis: "image"}
}

// none is a measure without a value.
func none(name, event, unit string, s phases.Status) phases.Measure {
	return phases.Measure{Name: name, Event: event, Unit: unit, Status: s}
}

func exSwing() *phases.Swing {
	return &phases.Swing{
		Number: 1, Bats: phases.Right, BatsFrom: "detected", Score: 0.97, From: 0, To: 146,
		View:   phases.View{Side: "open", AzimuthDeg: 6, SigmaDeg: 7},
		Scale:  phases.Scale{PxPerM: 212.4, Sigma: 4.1, Source: "hitter height"},
		Events: exEvents,
		Measures: []phases.Measure{
			m("lead_knee_flexion", "stance", 31, 3.6, "deg"),
			m("rear_knee_flexion", "stance", 38, 3.9, "deg"),
			m("trunk_lean", "stance", 18, 3, "deg"),
			m("stance_width", "stance", 0.41, 0.02, "body_heights"),
			m("body_over_feet", "stance", 0.47, 0.03, "fraction"),
			m("body_over_feet", "load", 0.31, 0.04, "fraction"),
			m("rear_knee_inside", "load", 0.052, 0.012, "body_heights"),
			m("stride_length", "foot_down", 0.47, 0.02, "body_heights"),
			m("hands_separation", "foot_down", 0.14, 0.03, "body_heights"),
			m("lead_foot_open", "foot_down", 38, 14, "deg"),
			none("turn_separation", "foot_down", "deg", phases.NotInView),
			m("body_over_feet", "foot_down", 0.44, 0.04, "fraction"),
			m("foot_slide", "foot_down_to_contact", 0.021, 0.012, "body_heights"),
			m("lead_knee_straightening", "foot_down_to_contact", 17, 5, "deg"),
			m("head_travel", "foot_down_to_contact", 0.071, 0.018, "body_heights"),
			none("hands_hips_gap", "hips_start_to_hands_start", "ms", phases.FrameRate),
			m("lead_knee_flexion", "contact", 14.2, 3.9, "deg"),
			m("trunk_lean", "contact", 24, 3.1, "deg"),
			none("head_behind_ball", "contact", "body_heights", phases.NoBall),
			m("lead_elbow_flexion", "contact", 34, 8, "deg"),
			none("bat_speed", "contact", "m/s", phases.NoBat),
			none("reach_of_ceiling", "extension", "fraction", phases.NoBat),
			m("body_over_feet", "finish", 0.72, 0.05, "fraction"),
			m("foot_down_to_contact", "foot_down_to_contact", 192, 14, "ms"),
			m("swing_time", "hands_start_to_contact", 134, 21, "ms"),
		},
	}
}

func exInput(t testing.TB) Input {
	t.Helper()
	rules, err := configs.DefaultRules()
	if err != nil {
		t.Fatal(err)
	}
	return Input{
		Tool: Tool{Version: "test", Models: map[string]string{"landmarks": "00ff"}, Options: "aa11"},
		Path: "cage/ada-03.mov", SHA256: "0123456789abcdef",
		Info: video.Info{
			Codec: "h264", Width: exW, Height: exH, Frames: 240, FramesExpected: 242, DurationS: 2, CapturedFPS: exFPS, CapturedFPSFrom: "file",
			Rotation: 90, Warnings: []string{"2 of 242 frames could not be decoded."},
		},
		HitterID: "ada", Given: phases.Given{HeightM: 1.52, Level: "youth", Sport: "softball", Task: "tee"},
		Swings:  []SwingInput{{Swing: exSwing(), Track: exTrack()}},
		Outcome: Outcome{State: Done}, Rules: rules,
	}
}

// files collects what is put.
type files map[string][]byte

func (f files) put(name string, data []byte) error {
	f[name] = data
	return nil
}
