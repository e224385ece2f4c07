// Package cagebook is a map of the source; it holds no code.
//
//	cmd/cagebook     the command: one file a verb, wiring, exit codes
//	cmd/studio       renders clips with known truth
//	configs          settings, sidecar files, rules of the findings (leaf: imports nothing of ours)
//	models           manifest, fetch, conversion to ONNX, verification (leaf)
//	pipeline         a clip's whole way on one screen; workers, resume, job store; all goroutines
//	pipeline/video   frames, timestamps, rotation, audio (pure); opencv below it decodes (cgo)
//	pose             keypoints, who the hitter is, landmarks, smoothing (pure); onnx below it infers (cgo)
//	phases           swings, events, view, scale, measures with uncertainty (pure)
//	report           findings, stills, proof sheet, pages, tables (pure)
//	pipeline/studio  the renderer behind cmd/studio; no part of a clip's own way imports it
//	testdata         scenes, published tables with sources, fixtures
//
// Imports point one way: pipeline/video ← pose ← phases ← report ← pipeline ← cmd.
package cagebook
