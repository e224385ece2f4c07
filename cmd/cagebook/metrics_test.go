//go:build cgo

package main

import (
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus/promhttp"

	"cagebook/pipeline"
	"cagebook/report"
)

// Counts follow the events of a batch, in Prometheus' text form.
func TestMetrics(t *testing.T) {
	m := newMetrics()
	m.work()
	for _, e := range []pipeline.Event{
		{Kind: pipeline.EventStart, Clip: "a.mp4"},
		{Kind: pipeline.EventStart, Clip: "b.mp4"},
		{Kind: pipeline.EventRetry, Clip: "b.mp4"},
		{Kind: pipeline.EventClip, Clip: "a.mp4", State: report.Done, Seconds: 12, Bytes: 1000},
		{Kind: pipeline.EventClip, Clip: "empty.mp4", State: report.NotVideo}, // known without looking
		{Kind: pipeline.EventClip, Clip: "old.mp4", State: report.Done, Seconds: 0.01, Bytes: 500, Resumed: true},
	} {
		m.event(e)
	}
	w := httptest.NewRecorder()
	promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{}).ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	for _, line := range []string{
		`cagebook_clips_total{state="done"} 2`, `cagebook_clips_total{state="not_video"} 1`, "cagebook_clips_in_work 1", "cagebook_retries_total 1",
		"cagebook_clip_bytes_total 1000", "cagebook_clip_seconds_count 1", `cagebook_clip_seconds_bucket{le="20"} 1`, `cagebook_clip_seconds_bucket{le="10"} 0`,
	} {
		if !strings.Contains(w.Body.String(), line+"\n") {
			t.Errorf("no line %q in\n%s", line, w.Body)
		}
	}
	for _, address := range []string{"0.0.0.0:0", ":9464", "192.0.2.1:9464", "here"} {
		if stop, err := m.serve(address, nil); err == nil {
			stop()
			t.Errorf("served at %s", address)
		}
	}
}
