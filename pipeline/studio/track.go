package studio

import (
	"math"

	"cagebook/pose"
)

// TrackFile is keypoints in the project's track form, as if made elsewhere.
type TrackFile struct {
	Schema int          `json:"schema"`
	Names  []string     `json:"names"`
	Frames []TrackFrame `json:"frames"`
}

// TrackFrame is one frame of a TrackFile; Raw holds x, y, score.
type TrackFrame struct {
	Frame int          `json:"frame"`
	TimeS float64      `json:"time_s"`
	Raw   [][3]float64 `json:"raw"`
}

// noiseCorrelationS is how long keypoint errors hang together: about 60 ms.
const noiseCorrelationS = 0.06

// subset13 are the joints of common hand-marked data; the head as nose.
var subset13 = []pose.Joint{
	pose.Nose, pose.LeftShoulder, pose.RightShoulder, pose.LeftElbow, pose.RightElbow, pose.LeftWrist, pose.RightWrist,
	pose.LeftHip, pose.RightHip, pose.LeftKnee, pose.RightKnee, pose.LeftAnkle, pose.RightAnkle,
}

// Track turns a truth into keypoints with noise of a standard deviation of
// noise × stature in each coordinate, correlated in time. With only13 the
// track holds 13 joints.
func (s *Scene) Track(tr *Truth, noise float64, only13 bool) *TrackFile {
	rng := s.rand(11)
	sd := noise * tr.HeightM * tr.PxPerM
	var joints []pose.Joint
	for j := pose.Joint(0); j < pose.NumJoints; j++ {
		joints = append(joints, j)
	}
	if only13 {
		joints = subset13
	}
	out := &TrackFile{Schema: 1}
	for _, j := range joints {
		out.Names = append(out.Names, j.String())
	}
	state := make([][2]float64, len(joints))
	last := math.Inf(-1)
	for i, f := range tr.Frames {
		rho := math.Exp(-(f.TimeS - last) / noiseCorrelationS)
		last = f.TimeS
		tf := TrackFrame{Frame: i, TimeS: f.TimeS}
		for k, j := range joints {
			for d := range 2 {
				state[k][d] = rho*state[k][d] + math.Sqrt(1-rho*rho)*sd*rng.NormFloat64()
			}
			p := f.Image[j]
			tf.Raw = append(tf.Raw, [3]float64{round2(p[0] + state[k][0]), round2(p[1] + state[k][1]), 0.99})
		}
		out.Frames = append(out.Frames, tf)
	}
	return out
}
