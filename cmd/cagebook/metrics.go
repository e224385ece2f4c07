//go:build cgo

package main

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"runtime"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"cagebook/pipeline"
	"cagebook/pipeline/queue"
)

// metrics are counts for a Prometheus server, served where asked for.
type metrics struct {
	registry *prometheus.Registry
	clips    *prometheus.CounterVec
	seconds  prometheus.Histogram
	bytes    prometheus.Counter
	retries  prometheus.Counter
	inWork   prometheus.Gauge

	open map[string]bool // clips in work
}

func newMetrics() *metrics {
	m := &metrics{
		open:     map[string]bool{},
		registry: prometheus.NewRegistry(),
		clips:    prometheus.NewCounterVec(prometheus.CounterOpts{Name: "cagebook_clips_total", Help: "Clips that ended, by outcome."}, []string{"state"}),
		seconds: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "cagebook_clip_seconds", Help: "Wall time of clips that were looked at.",
			Buckets: []float64{1, 2, 5, 10, 20, 40, 80, 160, 320, 640, 1280}, // an ordinary clip takes 10 to 40 s
		}),
		bytes:   prometheus.NewCounter(prometheus.CounterOpts{Name: "cagebook_clip_bytes_total", Help: "Size of the clips that were looked at."}),
		retries: prometheus.NewCounter(prometheus.CounterOpts{Name: "cagebook_retries_total", Help: "Clips that were begun once more after a failure."}),
		inWork:  prometheus.NewGauge(prometheus.GaugeOpts{Name: "cagebook_clips_in_work", Help: "Clips in work now."}),
	}
	build := prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "cagebook_build_info", Help: "Always 1.", ConstLabels: prometheus.Labels{"version": version(), "go": runtime.Version()},
	})
	build.Set(1)
	m.registry.MustRegister(build, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// work shows what event counts; a hub looks at no clips.
func (m *metrics) work() { m.registry.MustRegister(m.clips, m.seconds, m.bytes, m.retries, m.inWork) }

// event counts what happens in a batch or on a worker.
func (m *metrics) event(e pipeline.Event) {
	switch e.Kind {
	case pipeline.EventStart:
		m.open[e.Clip] = true
	case pipeline.EventRetry:
		m.retries.Inc()
	case pipeline.EventClip:
		delete(m.open, e.Clip)
		m.clips.WithLabelValues(e.State).Inc()
		if e.Seconds > 0 && !e.Resumed {
			m.seconds.Observe(e.Seconds)
			m.bytes.Add(float64(e.Bytes))
		}
	}
	m.inWork.Set(float64(len(m.open)))
}

// hub counts what a hub holds, whenever somebody asks.
func (m *metrics) hub(h *queue.Hub) {
	for _, g := range []struct {
		name, help string
		value      func(queue.Load) float64
	}{
		{"cagebook_queue_waiting", "Clips that no worker has.", func(l queue.Load) float64 { return float64(l.Jobs - l.InWork) }},
		{"cagebook_queue_in_work", "Clips that a worker has.", func(l queue.Load) float64 { return float64(l.InWork) }},
		{"cagebook_queue_done", "Clips that ended in the last seven days.", func(l queue.Load) float64 { return float64(l.Done) }},
		{"cagebook_queue_failed", "Clips that failed or were set aside.", func(l queue.Load) float64 { return float64(l.Dead) }},
		{"cagebook_queue_clients", "Connections.", func(l queue.Load) float64 { return float64(l.Clients) }},
		{"cagebook_queue_disk_bytes", "Size of the streams on the disk.", func(l queue.Load) float64 { return float64(l.Bytes) }},
	} {
		m.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: g.name, Help: g.help}, func() float64 {
			l, err := h.Load()
			if err != nil {
				return -1
			}
			return g.value(l)
		}))
	}
}

// serve answers at a loopback address, "" = not at all.
func (m *metrics) serve(address string, log *slog.Logger) (stop func(), err error) {
	if address == "" {
		return func() {}, nil
	}
	host, _, err := net.SplitHostPort(address)
	if ip := net.ParseIP(host); err != nil || host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, usageError("for example: --metrics 127.0.0.1:9464", "--metrics %s is no address of this machine alone", address)
	}
	ln, err := net.Listen("tcp", address)
	if err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{}))
	server := &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(ln) }()
	return func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		if err := errors.Join(server.Shutdown(ctx), <-ended); err != nil && !errors.Is(err, http.ErrServerClosed) {
			log.Warn("metrics", "error", err)
		}
	}, nil
}
