package configs

// Sidecar is what a person said of a clip beside it. Zero values are not stated.
type Sidecar struct {
	Hitter          string               `json:"hitter,omitempty"`
	Bats            string               `json:"bats,omitempty"` // R | L
	HeightM         float64              `json:"height_m,omitempty"`
	BatLengthM      float64              `json:"bat_length_m,omitempty"`
	Level           string               `json:"level,omitempty"`
	Sport           string               `json:"sport,omitempty"`
	Task            string               `json:"task,omitempty"`
	CapturedFPS     float64              `json:"captured_fps,omitempty"`
	CameraDistanceM float64              `json:"camera_distance_m,omitempty"`
	Reference       string               `json:"reference,omitempty"`
	Marks           map[string][]float64 `json:"marks,omitempty"` // event name → s of real motion, one or more
}
