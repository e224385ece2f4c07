// Package pipeline takes clips from a folder to reports: it finds them, hands
// each to a worker process, stores what comes out so that a night can be
// stopped and started again, and keeps the morning page. All goroutines of the
// program live here.
package pipeline

import (
	"context"

	"cagebook/configs"
	"cagebook/pipeline/video"
	"cagebook/report"
)

// Clip is one file that is to be looked at, with what a person said of it.
type Clip struct {
	Path    string          // file on this machine
	Rel     string          // path below the input folder, slashes: what reports show and where results lie
	SHA256  string          // of the content, hex
	Sidecar configs.Sidecar // merged from session.yaml and <clip>.yaml, validated
	Tool    Tool            // goes into report.json as it is

	// Put stores a file in the clip's own folder; name is relative, slashes,
	// e.g. "swing-1/proof.jpg". It is safe against being cut short.
	Put func(name string, data []byte) error

	// Kept returns what an earlier look at the same content kept, and Keep keeps
	// it for later. Both may be nil.
	Kept func() ([]byte, error)
	Keep func(data []byte) error

	probed *video.Probed // of the look that is under way; nil = nothing is known yet
}

// Tool says what made a report. The same Key means the same result: clip
// content, settings beside it, models, options and version are all hashed in.
type Tool = report.Tool

// Outcome says how a clip ended.
type Outcome = report.Outcome

// Result is what an analysis hands back: report.json, not yet written, holding
// Clip.Tool and the outcome.
type Result struct {
	Report *report.Report
}

// Progress is told how far a stage of a clip has come; total 0 = not known.
type Progress func(stage string, done, total int)

// AnalyzeFunc looks at one clip and stores its files through clip.Put, all but
// report.json, which it returns: the caller writes that last, so that a clip
// with a report.json is a finished clip. Expected ends
// (no swing, no hitter, not a video, damaged) are outcomes, not errors; an
// error is something that stopped the work.
type AnalyzeFunc func(ctx context.Context, clip Clip, progress Progress) (Result, error)
