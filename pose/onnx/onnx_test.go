//go:build cgo

package onnx

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"cagebook/models"
	"cagebook/pose"
)

// TestOpenErrors: whatever is wrong, the message names the file and what to run.
func TestOpenErrors(t *testing.T) {
	dir := t.TempDir()
	text := filepath.Join(dir, "text")
	empty := filepath.Join(dir, "empty")
	if err := errors.Join(os.WriteFile(text, []byte("this is no library and no model"), 0o644), os.WriteFile(empty, nil, 0o644)); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(text, 1); err == nil || !strings.Contains(err.Error(), "Init") {
		t.Errorf("before Init: %v", err)
	}
	for _, lib := range []string{filepath.Join(dir, "gone.so"), text, empty} {
		if err := Init(lib); err == nil || !strings.Contains(err.Error(), lib) || !strings.Contains(err.Error(), "cagebook models fetch") {
			t.Errorf("library %s: %v", lib, err)
		}
	}
	loadRuntime(t)
	path, _, err := models.Open(cacheDir(t), models.LandmarkFull)
	if err != nil {
		unavailable(t, err)
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	half := filepath.Join(dir, "half.onnx")
	if err := os.WriteFile(half, whole[:len(whole)/2], 0o644); err != nil {
		t.Fatal(err)
	}
	for _, model := range []string{filepath.Join(dir, "gone.onnx"), text, empty, half} {
		if _, err := Open(model, 1); err == nil || !strings.Contains(err.Error(), model) || !strings.Contains(err.Error(), "cagebook models fetch") {
			t.Errorf("model %s: %v", model, err)
		}
	}
	if _, err := Open(path, 0); err == nil {
		t.Error("0 threads: no error")
	}
	if Live() != 0 {
		t.Errorf("%d networks live after failures", Live())
	}
}

func TestRunChecksInputs(t *testing.T) {
	loadRuntime(t)
	net := openModel(t, models.LandmarkFull, 1)
	f := make([]float32, 256*256*3)
	for name, in := range map[string][]pose.Tensor{
		"none":      nil,
		"two":       {{Shape: []int64{1, 256, 256, 3}, F32: f}, {Shape: []int64{1, 256, 256, 3}, F32: f}},
		"no data":   {{Shape: []int64{1, 256, 256, 3}}},
		"both":      {{Shape: []int64{1, 256, 256, 3}, F32: f, I32: make([]int32, len(f))}},
		"integers":  {{Shape: []int64{1, 256, 256, 3}, I32: make([]int32, len(f))}},
		"rank":      {{Shape: []int64{256, 256, 3}, F32: f}},
		"size":      {{Shape: []int64{1, 255, 256, 3}, F32: f}},
		"too few":   {{Shape: []int64{2, 256, 256, 3}, F32: f}},
		"too many":  {{Shape: []int64{1, 256, 256, 3}, F32: append(f, 0)}},
		"zero":      {{Shape: []int64{0, 256, 256, 3}, F32: []float32{}}},
		"overflows": {{Shape: []int64{1 << 62, 256, 256, 3}, F32: f}},
	} {
		if _, err := net.Run(in...); err == nil || !strings.Contains(err.Error(), "landmark_full") {
			t.Errorf("%s: error %v", name, err)
		}
	}
	if _, err := net.Run(pose.Tensor{Shape: []int64{1, 256, 256, 3}, F32: f}); err != nil {
		t.Errorf("after the errors: %v", err)
	}
}

func TestCloseAndCount(t *testing.T) {
	loadRuntime(t)
	path, _, err := models.Open(cacheDir(t), models.LandmarkFull)
	if err != nil {
		unavailable(t, err)
	}
	net, err := Open(path, 1)
	if err != nil {
		t.Fatal(err)
	}
	if Live() != 1 {
		t.Errorf("%d live, want 1", Live())
	}
	if err := Shutdown(); err == nil {
		t.Error("Shutdown with an open network: no error")
	}
	for range 2 {
		if err := net.Close(); err != nil {
			t.Error(err)
		}
	}
	if Live() != 0 {
		t.Errorf("%d live, want 0", Live())
	}
	if _, err := net.Run(pose.Tensor{}); !errors.Is(err, ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
}

// TestBatchAndShapes: a batch gives what its pictures give alone, buffers are
// reused for equal shapes, and a change of shape there and back changes nothing.
func TestBatchAndShapes(t *testing.T) {
	loadRuntime(t)
	net := openModel(t, models.LandmarkFull, 1)
	one := inputFor(models.LandmarkFull, []int64{1, 256, 256, 3}, figurePicture)
	other := inputFor(models.LandmarkFull, []int64{1, 256, 256, 3}, noisePicture)
	both := pose.Tensor{Shape: []int64{2, 256, 256, 3}, F32: append(append([]float32(nil), other.F32...), one.F32...)}
	first, err := net.Run(one)
	if err != nil {
		t.Fatal(err)
	}
	alone := append([]float32(nil), first[0].F32...)
	again, err := net.Run(one)
	if err != nil {
		t.Fatal(err)
	}
	if &again[0].F32[0] != &first[0].F32[0] {
		t.Error("the output buffer is not reused")
	}
	batch, err := net.Run(both)
	if err != nil {
		t.Fatal(err)
	}
	if s := batch[0].Shape; s[0] != 2 {
		t.Fatalf("shape %v", s)
	}
	for i, v := range alone {
		if d := v - batch[0].F32[195+i]; d > 1e-3 || d < -1e-3 {
			t.Fatalf("value %d: %g alone, %g in a batch", i, v, batch[0].F32[195+i])
		}
	}
	back, err := net.Run(one)
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range alone {
		if back[0].F32[i] != v {
			t.Fatalf("value %d: %g, then %g", i, v, back[0].F32[i])
		}
	}
}

// TestShared: networks that share a model give, at the same time, the very bits that one gives alone, and one outlives the other.
func TestShared(t *testing.T) {
	loadRuntime(t)
	path, _, err := models.Open(cacheDir(t), models.LandmarkFull)
	if err != nil {
		unavailable(t, err)
	}
	nets, err := OpenSome(path, 1, 2)
	if err != nil {
		t.Fatal(err)
	}
	if Live() != 2 {
		t.Errorf("%d live, want 2", Live())
	}
	pictures := []func(w, h int) []byte{figurePicture, noisePicture}
	var in []pose.Tensor
	var alone [][]float32
	for _, p := range pictures {
		x := inputFor(models.LandmarkFull, []int64{1, 256, 256, 3}, p)
		out, err := nets[0].Run(x)
		if err != nil {
			t.Fatal(err)
		}
		in, alone = append(in, x), append(alone, slices.Clone(out[0].F32))
	}
	var wg sync.WaitGroup
	for k, net := range nets {
		wg.Go(func() {
			for i := range 8 {
				out, err := net.Run(in[(i+k)%2])
				if err != nil || !slices.Equal(out[0].F32, alone[(i+k)%2]) {
					t.Errorf("network %d, run %d: other numbers than alone (%v)", k, i, err)
					return
				}
			}
		})
	}
	wg.Wait()
	if err := nets[0].Close(); err != nil {
		t.Error(err)
	}
	if out, err := nets[1].Run(in[0]); err != nil || !slices.Equal(out[0].F32, alone[0]) {
		t.Errorf("after the other was closed: %v", err)
	}
	if err := nets[1].Close(); err != nil || Live() != 0 {
		t.Errorf("%v; %d live, want 0", err, Live())
	}
}
