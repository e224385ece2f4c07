//go:build cgo

package opencv

import "gocv.io/x/gocv"

// Version names the library that the program runs with, and its binding.
func Version() string { return gocv.OpenCVVersion() + ", gocv " + gocv.Version() }
