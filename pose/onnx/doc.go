// Package onnx runs neural networks with ONNX Runtime. It is the only place
// where the project calls that library, and needs cgo; without cgo the
// package is empty.
package onnx
