//go:build cgo

package main

import "gocv.io/x/gocv"

// openCV tells the version that the program runs with.
func openCV() finding {
	return finding{what: "opencv", state: gocv.OpenCVVersion() + ", gocv " + gocv.Version()}
}
