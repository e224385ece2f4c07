//go:build cgo

package onnx

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"sync"
	"sync/atomic"

	ort "github.com/yalue/onnxruntime_go"

	"cagebook/pose"
)

// ErrClosed is returned by Run after Close.
var ErrClosed = errors.New("the network has been closed")

var (
	mu       sync.Mutex // guards the runtime's environment
	libInUse string
	live     atomic.Int64
)

// Init loads the ONNX Runtime library. A second call with the same path does
// nothing. The library stays loaded until Shutdown.
func Init(libPath string) error {
	mu.Lock()
	defer mu.Unlock()
	if libInUse != "" {
		if libInUse == libPath {
			return nil
		}
		return fmt.Errorf("onnx runtime is loaded from %s already", libInUse)
	}
	if _, err := os.Stat(libPath); err != nil {
		return fmt.Errorf("onnx runtime library: %w (run: cagebook models fetch)", err)
	}
	ort.SetSharedLibraryPath(libPath)
	if err := ort.InitializeEnvironment(ort.WithLogLevelError()); err != nil {
		return fmt.Errorf("onnx runtime library %s cannot be loaded: %w (run: cagebook models fetch)", libPath, err)
	}
	libInUse = libPath
	return nil
}

// Shutdown unloads the library. All networks must have been closed.
func Shutdown() error {
	mu.Lock()
	defer mu.Unlock()
	if libInUse == "" {
		return nil
	}
	if n := live.Load(); n > 0 {
		return fmt.Errorf("%d networks are still open", n)
	}
	libInUse = ""
	return ort.DestroyEnvironment()
}

// Live is the number of networks that are open, for tests that look for leaks.
func Live() int { return int(live.Load()) }

// network is a session, which it may share, with buffers of its own for its last input shapes.
type network struct {
	path      string
	session   *session
	inputs    []ort.InputOutputInfo
	outputs   []ort.InputOutputInfo
	inShapes  [][]int64
	in, out   []ort.Value
	results   []pose.Tensor
	closeOnce sync.Once
	closed    bool
}

// session is a loaded model. Several Runs at once share its weights, not their buffers, and each works in the thread that
// calls it where the session has one thread.
type session struct {
	*ort.DynamicAdvancedSession
	users atomic.Int64 // networks that are open
}

// Open loads a model. threads is the number of threads that one Run may use;
// for several frames at once, several networks with one thread each (OpenSome)
// are faster than one network with several. Run of one network must not be
// called by two goroutines at a time.
func Open(modelPath string, threads int) (pose.Net, error) {
	nets, err := OpenSome(modelPath, threads, 1)
	if err != nil {
		return nil, err
	}
	return nets[0], nil
}

// OpenSome is Open of n networks that share one model in memory. Different ones may run at the same time.
func OpenSome(modelPath string, threads, n int) (nets []pose.Net, err error) {
	if threads < 1 {
		return nil, fmt.Errorf("model %s: %d threads, want at least 1", modelPath, threads)
	}
	mu.Lock()
	defer mu.Unlock()
	if libInUse == "" {
		return nil, errors.New("onnx runtime is not loaded: call Init first")
	}
	if st, err := os.Stat(modelPath); err != nil {
		return nil, fmt.Errorf("model: %w (run: cagebook models fetch)", err)
	} else if st.Size() == 0 {
		return nil, fmt.Errorf("model %s is empty (run: cagebook models fetch)", modelPath)
	}
	first := &network{path: modelPath}
	if err = first.describe(); err == nil {
		err = first.load(threads)
	}
	if err != nil {
		return nil, fmt.Errorf("model %s cannot be loaded: %w (run: cagebook models fetch)", modelPath, err)
	}
	first.session.users.Store(int64(n))
	live.Add(int64(n))
	for range n {
		nets = append(nets, &network{path: modelPath, session: first.session, inputs: first.inputs, outputs: first.outputs})
	}
	return nets, nil
}

// describe learns the inputs and outputs of the model.
func (n *network) describe() error {
	// The names and shapes come from a session of their own, for the binding
	// has no other way; without optimization it costs little.
	plain, err := ort.NewSessionOptions()
	if err != nil {
		return err
	}
	defer plain.Destroy()
	if err := errors.Join(
		plain.SetGraphOptimizationLevel(ort.GraphOptimizationLevelDisableAll),
		plain.SetIntraOpNumThreads(1),
		plain.SetCpuMemArena(false),
	); err != nil {
		return err
	}
	if n.inputs, n.outputs, err = ort.GetInputOutputInfoWithOptions(n.path, plain); err != nil {
		return err
	}
	if len(n.inputs) == 0 || len(n.outputs) == 0 {
		return errors.New("the model has no input or no output")
	}
	return nil
}

func (n *network) load(threads int) error {
	opts, err := ort.NewSessionOptions()
	if err != nil {
		return err
	}
	defer opts.Destroy()
	// The arena is faster (a third on large pictures), and with ten picture
	// sizes in turn it stays at 0.2 GB where plain allocation crept past
	// 0.5 GB. Memory patterns are planned per shape: no use when it varies.
	if err := errors.Join(
		opts.SetGraphOptimizationLevel(ort.GraphOptimizationLevelEnableAll),
		opts.SetIntraOpNumThreads(threads),
		opts.SetInterOpNumThreads(1),
		opts.AddSessionConfigEntry("session.intra_op.allow_spinning", "0"),
		opts.SetCpuMemArena(true),
		opts.SetMemPattern(n.fixedShape()),
	); err != nil {
		return err
	}
	names := func(list []ort.InputOutputInfo) []string {
		s := make([]string, len(list))
		for i, x := range list {
			s[i] = x.Name
		}
		return s
	}
	loaded, err := ort.NewDynamicAdvancedSession(n.path, names(n.inputs), names(n.outputs), opts)
	n.session = &session{DynamicAdvancedSession: loaded}
	return err
}

// fixedShape says whether at most the leading dimension of an input may vary.
func (n *network) fixedShape() bool {
	for _, x := range n.inputs {
		for i, d := range x.Dimensions {
			if i > 0 && d < 1 {
				return false
			}
		}
	}
	return true
}

// Run implements pose.Net. The input is copied; the outputs are valid until
// the next Run or Close.
func (n *network) Run(inputs ...pose.Tensor) ([]pose.Tensor, error) {
	if n.closed {
		return nil, fmt.Errorf("model %s: %w", n.path, ErrClosed)
	}
	if len(inputs) != len(n.inputs) {
		return nil, fmt.Errorf("model %s: %d inputs given, wants %d", n.path, len(inputs), len(n.inputs))
	}
	for i := range inputs {
		if err := check(&inputs[i], &n.inputs[i]); err != nil {
			return nil, fmt.Errorf("model %s: input %d (%s): %w", n.path, i, n.inputs[i].Name, err)
		}
	}
	if !n.sameShapes(inputs) {
		if err := n.bind(inputs); err != nil {
			return nil, fmt.Errorf("model %s: %w", n.path, err)
		}
	}
	for i, x := range inputs {
		switch t := n.in[i].(type) {
		case *ort.Tensor[float32]:
			copy(t.GetData(), x.F32)
		case *ort.Tensor[int32]:
			copy(t.GetData(), x.I32)
		}
	}
	if err := n.session.Run(n.in, n.out); err != nil {
		err = fmt.Errorf("model %s: %w", n.path, err)
		return nil, errors.Join(err, n.unbind())
	}
	if n.results == nil {
		if err := n.collect(); err != nil {
			return nil, errors.Join(fmt.Errorf("model %s: %w", n.path, err), n.unbind())
		}
	}
	return n.results, nil
}

// check compares a tensor with what the model declares.
func check(t *pose.Tensor, want *ort.InputOutputInfo) error {
	if (t.F32 == nil) == (t.I32 == nil) {
		return errors.New("want exactly one of float and integer data")
	}
	count := len(t.F32)
	switch want.DataType {
	case ort.TensorElementDataTypeFloat:
		if t.F32 == nil {
			return errors.New("want float data")
		}
	case ort.TensorElementDataTypeInt32:
		if t.I32 == nil {
			return errors.New("want 32-bit integer data")
		}
		count = len(t.I32)
	default:
		return fmt.Errorf("element type %s is not supported", want.DataType)
	}
	if len(t.Shape) != len(want.Dimensions) || len(t.Shape) == 0 {
		return fmt.Errorf("shape %v, want %v", t.Shape, want.Dimensions)
	}
	elements := int64(1)
	for i, d := range t.Shape {
		if w := want.Dimensions[i]; d < 1 || w > 0 && d != w {
			return fmt.Errorf("shape %v, want %v (-1 = free)", t.Shape, want.Dimensions)
		}
		if d > int64(count) { // also keeps the product from overflowing
			return fmt.Errorf("shape %v needs more than the %d elements given", t.Shape, count)
		}
		elements *= d
		if elements > int64(count) {
			return fmt.Errorf("shape %v needs more than the %d elements given", t.Shape, count)
		}
	}
	if elements != int64(count) {
		return fmt.Errorf("shape %v needs %d elements, %d given", t.Shape, elements, count)
	}
	return nil
}

func (n *network) sameShapes(inputs []pose.Tensor) bool {
	if len(n.inShapes) != len(inputs) {
		return false
	}
	for i, x := range inputs {
		if !slices.Equal(n.inShapes[i], x.Shape) {
			return false
		}
	}
	return true
}

// bind makes the input buffers for new shapes. The outputs are left to the
// runtime for one run, and kept as buffers for the runs that follow.
func (n *network) bind(inputs []pose.Tensor) error {
	if err := n.unbind(); err != nil {
		return err
	}
	for i, x := range inputs {
		var v ort.Value
		var err error
		if n.inputs[i].DataType == ort.TensorElementDataTypeFloat {
			v, err = ort.NewEmptyTensor[float32](ort.NewShape(x.Shape...))
		} else {
			v, err = ort.NewEmptyTensor[int32](ort.NewShape(x.Shape...))
		}
		if err != nil {
			return errors.Join(err, n.unbind())
		}
		n.in = append(n.in, v)
		n.inShapes = append(n.inShapes, slices.Clone(x.Shape))
	}
	n.out = make([]ort.Value, len(n.outputs))
	return nil
}

// collect takes the outputs of the first run with new shapes.
func (n *network) collect() error {
	n.results = make([]pose.Tensor, len(n.out))
	for i, v := range n.out {
		n.results[i].Shape = v.GetShape()
		switch t := v.(type) {
		case *ort.Tensor[float32]:
			n.results[i].F32 = t.GetData()
		case *ort.Tensor[int32]:
			n.results[i].I32 = t.GetData()
		default:
			return fmt.Errorf("output %d (%s): element type %s is not supported", i, n.outputs[i].Name, n.outputs[i].DataType)
		}
	}
	return nil
}

// unbind frees all buffers.
func (n *network) unbind() error {
	var errs []error
	for _, v := range append(n.in, n.out...) {
		if v != nil {
			errs = append(errs, v.Destroy())
		}
	}
	n.in, n.out, n.inShapes, n.results = nil, nil, nil, nil
	return errors.Join(errs...)
}

// Close frees the network, and the model with the last of those that share it. A second call does nothing.
func (n *network) Close() error {
	var err error
	n.closeOnce.Do(func() {
		n.closed = true
		err = n.unbind()
		if n.session.users.Add(-1) == 0 {
			err = errors.Join(err, n.session.Destroy())
		}
		live.Add(-1)
	})
	return err
}
