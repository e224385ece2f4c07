// Package pose owns keypoints: what they are called, who the hitter is, where
// the hitter's joints are in each frame, and how sure that is.
//
// Image coordinates are pixels of the upright displayed picture, origin top
// left, y down. Left and right are those of the person. Times are seconds of
// real motion.
package pose

import "math"

// Joint is one of the 33 points of the landmark model.
type Joint uint8

// The points, in the landmark model's order.
const (
	Nose Joint = iota
	LeftEyeInner
	LeftEye
	LeftEyeOuter
	RightEyeInner
	RightEye
	RightEyeOuter
	LeftEar
	RightEar
	MouthLeft
	MouthRight
	LeftShoulder
	RightShoulder
	LeftElbow
	RightElbow
	LeftWrist
	RightWrist
	LeftPinky
	RightPinky
	LeftIndex
	RightIndex
	LeftThumb
	RightThumb
	LeftHip
	RightHip
	LeftKnee
	RightKnee
	LeftAnkle
	RightAnkle
	LeftHeel
	RightHeel
	LeftFootIndex
	RightFootIndex
	NumJoints = 33
)

var jointNames = [NumJoints]string{
	"nose", "left_eye_inner", "left_eye", "left_eye_outer", "right_eye_inner", "right_eye", "right_eye_outer",
	"left_ear", "right_ear", "mouth_left", "mouth_right", "left_shoulder", "right_shoulder", "left_elbow", "right_elbow",
	"left_wrist", "right_wrist", "left_pinky", "right_pinky", "left_index", "right_index", "left_thumb", "right_thumb",
	"left_hip", "right_hip", "left_knee", "right_knee", "left_ankle", "right_ankle", "left_heel", "right_heel",
	"left_foot_index", "right_foot_index",
}

// String is the joint's name in track files, e.g. "left_wrist".
func (j Joint) String() string { return jointNames[j] }

// ParseJoint finds a joint by its name.
func ParseJoint(name string) (Joint, bool) {
	for i, n := range jointNames {
		if n == name {
			return Joint(i), true
		}
	}
	return 0, false
}

// Swap is the joint's partner on the other side; a joint on the midline is its own.
func (j Joint) Swap() Joint {
	switch {
	case j == Nose:
		return Nose
	case j >= LeftEyeInner && j <= LeftEyeOuter:
		return j + 3
	case j >= RightEyeInner && j <= RightEyeOuter:
		return j - 3
	case j%2 == 1: // from left_ear on, left points have odd numbers
		return j + 1
	default:
		return j - 1
	}
}

// Keypoint is a point as a model or a person gave it. Score 0 = not seen.
type Keypoint struct{ X, Y, Score float64 }

// Seen says whether there is a point at all.
func (k Keypoint) Seen() bool { return k.Score > 0 && !math.IsNaN(k.X) && !math.IsNaN(k.Y) }

// Estimate is a smoothed point with the standard uncertainty of each coordinate, px. Sigma 0 = no answer.
type Estimate struct{ X, Y, Sigma float64 }

// Known says whether there is an answer.
func (e Estimate) Known() bool { return e.Sigma > 0 && !math.IsNaN(e.X) && !math.IsNaN(e.Y) }

// Point3 is a point in metres about mid-hip, axes of the landmark model: x to
// the image's right, y down, z away from the camera.
type Point3 struct{ X, Y, Z float64 }

// Pose is one person in one picture.
type Pose [NumJoints]Keypoint

// Track is one person over a stretch of frames. All slices have the same
// length T; World may be nil.
type Track struct {
	Width, Height int       // px of the picture; 0 = not known
	FocalPx       float64   // focal length that the camera stated, px; 0 = it did not
	Frames        []int     // frame numbers in the clip
	Times         []float64 // s of real motion, strictly increasing
	Repeat        []bool    // the picture repeats the one before; nil = none does
	Raw           []Pose
	Smooth        [][NumJoints]Estimate // nil before smoothing
	World         [][NumJoints]Point3   // nil without a landmark model
	Has           [NumJoints]bool       // the joints that the source can give at all

	Bat  []BatSample  // per frame; nil = not looked for
	Ball []BallSample // per frame; nil = not looked for
}

// Len is the number of frames.
func (t *Track) Len() int { return len(t.Times) }

// BatSample is where the bat is in one frame, or why that is not known.
type BatSample struct {
	Status       string // measured | no_bat | occluded | view | frame_rate
	Knob, Barrel Estimate
}

// BallSample is where the ball is in one frame, or why that is not known.
type BallSample struct {
	Status string // measured | no_ball
	At     Estimate
}

// Net runs one neural network. It is used by one goroutine at a time.
type Net interface {
	// Run takes the inputs in the model's order and returns the outputs in the
	// model's order. The result is valid until the next Run.
	Run(inputs ...Tensor) ([]Tensor, error)
	Close() error
}

// Tensor is a dense array, row-major. Exactly one of F32 and I32 is set.
type Tensor struct {
	Shape []int64
	F32   []float32
	I32   []int32
}
