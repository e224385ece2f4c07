package pipeline

import "time"

// Kinds of event, in the order in which they come.
const (
	EventFound    = "found"    // the folder was listed: Clips, Bytes, AtOnce
	EventWarning  = "warning"  // Reason
	EventStart    = "start"    // a clip is taken up
	EventProgress = "progress" // Stage, Done, Total
	EventRetry    = "retry"    // Reason
	EventClip     = "clip"     // a clip ended: State, Reason, Seconds, Resumed
	EventFinished = "finished" // the batch ended: Counts
	EventQueue    = "queue"    // how the clips fare on other machines: Reason
	EventWaiting  = "waiting"  // a watch waits, and said something else before: Reason
)

// Event is one thing that happened in a batch, for printers and for --json.
type Event struct {
	Kind    string         `json:"event"`
	Time    time.Time      `json:"time"`
	Clip    string         `json:"clip,omitempty"` // path below the input folder
	Stage   string         `json:"stage,omitempty"`
	Done    int            `json:"done,omitempty"`
	Total   int            `json:"total,omitempty"`
	State   string         `json:"state,omitempty"`
	Reason  string         `json:"reason,omitempty"`
	Seconds float64        `json:"seconds,omitempty"` // spent on the clip
	Resumed bool           `json:"resumed,omitempty"` // the result of an earlier run still holds
	Swings  int            `json:"swings,omitempty"`
	Lost    int            `json:"frames_lost,omitempty"` // frames of the clip that could not be read
	Bytes   int64          `json:"bytes,omitempty"`       // of the clip, or of all clips
	Clips   int            `json:"clips,omitempty"`       // clips in all
	AtOnce  int            `json:"at_once,omitempty"`     // clips in work beside each other
	Ended   int            `json:"ended,omitempty"`       // clips that have ended so far
	Counts  map[string]int `json:"counts,omitempty"`
}
