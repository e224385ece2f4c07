package tflite

import (
	"bytes"
	"encoding/binary"
	"math"
	"strings"
	"testing"

	flatbuffers "github.com/google/flatbuffers/go"
)

// small builds a file with one graph: y = relu6(x + constant), then a 1×1
// convolution of z that output 1 alone needs.
func small() []byte {
	b := flatbuffers.NewBuilder(1024)
	ints := func(v ...int32) flatbuffers.UOffsetT {
		b.StartVector(4, len(v), 4)
		for i := len(v) - 1; i >= 0; i-- {
			b.PrependInt32(v[i])
		}
		return b.EndVector(len(v))
	}
	tables := func(v ...flatbuffers.UOffsetT) flatbuffers.UOffsetT {
		b.StartVector(4, len(v), 4)
		for i := len(v) - 1; i >= 0; i-- {
			b.PrependUOffsetT(v[i])
		}
		return b.EndVector(len(v))
	}
	tensor := func(name string, buffer uint32, shape ...int32) flatbuffers.UOffsetT {
		n, s := b.CreateString(name), ints(shape...)
		b.StartObject(8)
		b.PrependUOffsetTSlot(0, s, 0)
		b.PrependUint32Slot(2, buffer, 0)
		b.PrependUOffsetTSlot(3, n, 0)
		return b.EndObject()
	}
	buffer := func(v ...float32) flatbuffers.UOffsetT {
		var raw []byte
		for _, x := range v {
			raw = binary.LittleEndian.AppendUint32(raw, math.Float32bits(x))
		}
		data := b.CreateByteVector(raw)
		b.StartObject(1)
		b.PrependUOffsetTSlot(0, data, 0)
		return b.EndObject()
	}
	code := func(c int8) flatbuffers.UOffsetT {
		b.StartObject(4)
		b.PrependInt8Slot(0, c, 0)
		return b.EndObject()
	}
	op := func(code uint32, options, in, out flatbuffers.UOffsetT) flatbuffers.UOffsetT {
		b.StartObject(5)
		b.PrependUint32Slot(0, code, 0)
		b.PrependUOffsetTSlot(1, in, 0)
		b.PrependUOffsetTSlot(2, out, 0)
		b.PrependUOffsetTSlot(4, options, 0)
		return b.EndObject()
	}
	b.StartObject(1)
	b.PrependByteSlot(0, 3, 0) // RELU6
	add := b.EndObject()
	b.StartObject(6)
	b.PrependByteSlot(0, 1, 0) // VALID
	b.PrependInt32Slot(1, 1, 0)
	b.PrependInt32Slot(2, 1, 0)
	conv := b.EndObject()
	ops := tables(op(0, add, ints(0, 1), ints(2)), op(1, conv, ints(2, 3), ints(4)))
	tensors := tables(
		tensor("x", 0, 1, 4, 4, 2), tensor("c", 1, 2), tensor("y", 0, 1, 4, 4, 2),
		tensor("w", 2, 3, 1, 1, 2), tensor("z", 0, 1, 4, 4, 3),
	)
	in, out := ints(0), ints(2, 4)
	b.StartObject(5)
	b.PrependUOffsetTSlot(0, tensors, 0)
	b.PrependUOffsetTSlot(1, in, 0)
	b.PrependUOffsetTSlot(2, out, 0)
	b.PrependUOffsetTSlot(3, ops, 0)
	graphs := tables(b.EndObject())
	codes := tables(code(opAdd), code(opConv2D))
	buffers := tables(buffer(), buffer(1, 2), buffer(1, 2, 3, 4, 5, 6))
	b.StartObject(5)
	b.PrependUint32Slot(0, 3, 0)
	b.PrependUOffsetTSlot(1, codes, 0)
	b.PrependUOffsetTSlot(2, graphs, 0)
	b.PrependUOffsetTSlot(4, buffers, 0)
	b.FinishWithFileIdentifier(b.EndObject(), []byte("TFL3"))
	return b.FinishedBytes()
}

func TestConvert(t *testing.T) {
	file := small()
	all := []Output{{0, "y"}, {1, "z"}}
	one, err := Convert(file, "m", all)
	if err != nil {
		t.Fatal(err)
	}
	two, err := Convert(file, "m", all)
	if err != nil || !bytes.Equal(one, two) {
		t.Errorf("a second conversion differs (%v)", err)
	}
	if !bytes.Contains(one, []byte("Conv")) {
		t.Error("no convolution")
	}
	// What feeds only the output that is not wanted is left out.
	if part, err := Convert(file, "m", all[:1]); err != nil || bytes.Contains(part, []byte("Conv")) {
		t.Errorf("the convolution is still there (%v)", err)
	}
}

func TestRefuses(t *testing.T) {
	file := small()
	for name, c := range map[string]struct {
		file []byte
		out  []Output
		want string
	}{
		"empty":     {nil, nil, "not a TensorFlow Lite file"},
		"other":     {[]byte("GIF89a, not a model"), nil, "not a TensorFlow Lite file"},
		"truncated": {file[:len(file)/2], nil, "damaged"},
		"output":    {file, []Output{{7, "y"}}, "no output 7"},
	} {
		if _, err := Convert(c.file, "m", c.out); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want %q", name, err, c.want)
		}
	}
}

// FuzzConvert: whatever the bytes, an answer or an error.
func FuzzConvert(f *testing.F) {
	file := small()
	f.Add(file)
	f.Add(file[:len(file)-40])
	f.Add([]byte("\x10\x00\x00\x00TFL3"))
	f.Fuzz(func(t *testing.T, data []byte) {
		out, err := Convert(data, "m", []Output{{0, "y"}, {1, "z"}})
		if (err == nil) != (out != nil) {
			t.Errorf("%d bytes with error %v", len(out), err)
		}
	})
}
