//go:build cgo

package main

import (
	"fmt"
	"runtime/debug"
	"sync"

	"cagebook/configs"
	"cagebook/models"
	"cagebook/pipeline"
	"cagebook/pipeline/video/opencv"
	"cagebook/pose"
	"cagebook/pose/onnx"
)

// openNets loads what one worker needs. Each network is opened once for each
// thread, because several with one thread are faster than one with several.
func openNets(dir string, threads int) (nets pipeline.Nets, closeAll func(), err error) {
	var open []pose.Net
	closeAll = func() {
		for _, n := range open {
			_ = n.Close() // the process ends next
		}
	}
	lib, err := models.Library(dir)
	if err != nil {
		return nets, closeAll, fatal(err)
	}
	if err := onnx.Init(lib); err != nil {
		return nets, closeAll, fatal(err)
	}
	load := func(name string, n int) ([]pose.Net, error) {
		path, _, err := models.Open(dir, name)
		if err != nil {
			return nil, err
		}
		nets, err := onnx.OpenSome(path, 1, n)
		if err == nil {
			open = append(open, nets...)
			_, _, err = models.Open(dir, name) // once more: it may have been altered between the check and the load
		}
		return nets, err
	}
	now := func(name string, n int) []pose.Net {
		loaded := make([]pose.Net, n)
		if err == nil {
			var some []pose.Net
			some, err = load(name, n)
			copy(loaded, some)
		}
		return loaded
	}
	nets.People = now(models.Multipose, threads)
	nets.Objects = now(models.NanoDet, threads)
	nets.Landmarks = now(models.LandmarkHeavy, threads)
	if err == nil { // few clips need a sketch: its network must be there, and is loaded with the first
		_, _, err = models.Open(dir, models.LandmarkFull)
	}
	if err != nil {
		closeAll()
		return nets, func() {}, fatal(err)
	}
	sketch := sync.OnceValues(func() ([]pose.Net, error) { return load(models.LandmarkFull, threads) })
	for i := range threads {
		nets.Sketch = append(nets.Sketch, &later{open: func() (pose.Net, error) {
			some, err := sketch()
			if err != nil {
				return nil, fatal(err)
			}
			return some[i], nil
		}})
	}
	return nets, closeAll, nil
}

// later is a network that is loaded when it is run for the first time; who loads it closes it.
type later struct {
	open func() (pose.Net, error)
	net  pose.Net
}

func (l *later) Run(in ...pose.Tensor) (_ []pose.Tensor, err error) {
	if l.net == nil {
		if l.net, err = l.open(); err != nil {
			return nil, err
		}
	}
	return l.net.Run(in...)
}

// Close has nothing to do.
func (l *later) Close() error { return nil }

// fatal marks an error that every clip would meet.
func fatal(err error) error { return fmt.Errorf("%w: %w", pipeline.ErrFatal, err) }

// newAnalyze returns the analysis of one clip; the first one that needs them loads the networks.
func newAnalyze(dir string, threads int) (pipeline.AnalyzeFunc, func(), error) {
	// Half of a worker's memory is the networks'. Pictures come and go: collecting
	// them sooner costs no time that could be measured and keeps a 720p clip of
	// 240 frames/s below 1 GB (1.2 GB without).
	debug.SetGCPercent(40)
	debug.SetMemoryLimit(400 << 20)
	rules, err := configs.DefaultRules()
	if err != nil {
		return nil, nil, fatal(err)
	}
	closeNets := func() {}
	a := &pipeline.Analyzer{Open: opencv.Open, Rules: rules}
	// A clip of which only an instant was moved needs no network.
	a.Load = func() (nets pipeline.Nets, err error) {
		nets, closeNets, err = openNets(dir, threads)
		return nets, err
	}
	return a.Analyze, func() { closeNets() }, nil
}

// resultOptions are the options that change results, in a form that changes when they do.
func resultOptions() string { return "1" }
