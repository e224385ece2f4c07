//go:build cgo

package main

import (
	"fmt"
	"runtime/debug"

	"cagebook/configs"
	"cagebook/models"
	"cagebook/pipeline"
	"cagebook/pipeline/video/opencv"
	"cagebook/pose"
	"cagebook/pose/onnx"
)

// openNets loads what one worker needs. The landmark network is opened once
// for each thread, because several with one thread are faster than one with
// several.
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
	load := func(name string, threads int) pose.Net {
		if err != nil {
			return nil
		}
		var path string
		if path, _, err = models.Open(dir, name); err != nil {
			return nil
		}
		var n pose.Net
		if n, err = onnx.Open(path, threads); err == nil {
			open = append(open, n)
			_, _, err = models.Open(dir, name) // once more: it may have been altered between the check and the load
		}
		return n
	}
	nets.People = load(models.Multipose, 1)
	nets.Objects = load(models.NanoDet, 1)
	for range threads - 1 {
		nets.PeopleToo = append(nets.PeopleToo, load(models.Multipose, 1))
	}
	for range threads {
		nets.Landmarks = append(nets.Landmarks, load(models.LandmarkHeavy, 1))
		nets.Sketch = append(nets.Sketch, load(models.LandmarkFull, 1))
	}
	if err != nil {
		closeAll()
		return nets, func() {}, fatal(err)
	}
	return nets, closeAll, nil
}

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
