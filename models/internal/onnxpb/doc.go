// Package onnxpb is the ONNX file format: Go code generated from the official
// schema, onnx.proto of ONNX 1.12 (Copyright (c) ONNX Project Contributors,
// Apache License 2.0), as Debian ships it in libonnx-dev. The schema stands
// beside this file, unchanged.
//
// To generate it again:
//
//	go generate ./models/internal/onnxpb
//
// which needs protoc (protobuf-compiler) and protoc-gen-go v1.36.12 in PATH.
package onnxpb

//go:generate protoc --go_out=. --go_opt=Monnx.proto=cagebook/models/internal/onnxpb --go_opt=paths=source_relative onnx.proto
