package video

import (
	"encoding/binary"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
)

// lensKey is the metadata key under which phones state their focal length: mm on a film of 36 × 24 mm that shows as much (Apple Developer Documentation,
// AVMetadataIdentifier, quickTimeMetadataCameraFocalLength35mmEquivalent). It comes as a number or as text ("26", "50.00mm").
const lensKey = "com.apple.quicktime.camera.focal_length.35mm_equivalent"

// Beyond these a focal length is an error of the writer; mm, 35 mm equivalent.
const lensMinMM, lensMaxMM = 8, 1000

// focal35 reads a focal length that is written as text; 0 = it is none.
func focal35(s string) float64 {
	s = strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(s), "mm"))
	if f, err := strconv.ParseFloat(s, 64); err == nil && f >= lensMinMM && f <= lensMaxMM {
		return f
	}
	return 0
}

// trackLens is the focal length that a QuickTime or MP4 file states beside its picture track, where ffprobe does not look;
// 0 where it states none, or is no such file. mm, 35 mm equivalent.
func trackLens(path string) float64 {
	f, err := os.Open(path)
	if err != nil {
		return 0 // whoever decodes the clip says so
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil || !st.Mode().IsRegular() {
		return 0
	}
	w := boxWalk{r: f, left: maxBoxes}
	return w.lens(0, st.Size())
}

const (
	maxBoxes      = 10_000 // a phone's file has some 100 in those that are entered
	maxValueBytes = 256    // a key's name has 55, a value a few
)

// boxWalk goes through the boxes of a QuickTime or MP4 file (ISO/IEC 14496-12, QuickTime File Format Specification).
type boxWalk struct {
	r    io.ReaderAt
	left int // boxes that may still be read
}

// each calls do with the boxes between two places, until it gives false.
func (w *boxWalk) each(from, to int64, do func(kind string, from, to int64) bool) {
	var head [16]byte
	for from <= to-8 && w.left > 0 {
		w.left--
		if _, err := w.r.ReadAt(head[:8], from); err != nil {
			return
		}
		size, body := int64(binary.BigEndian.Uint32(head[:4])), int64(8)
		switch size {
		case 0:
			size = to - from
		case 1:
			if _, err := w.r.ReadAt(head[8:16], from+8); err != nil {
				return
			}
			if u := binary.BigEndian.Uint64(head[8:16]); u <= math.MaxInt64 {
				size = int64(u)
			}
			body = 16
		}
		if size < body || size > to-from {
			return
		}
		if !do(string(head[4:8]), from+body, from+size) {
			return
		}
		from += size
	}
}

// lens finds the first focal length in the file's track and movie boxes.
func (w *boxWalk) lens(from, to int64) (mm float64) {
	w.each(from, to, func(kind string, from, to int64) bool {
		switch kind {
		case "moov", "trak", "udta":
			mm = w.lens(from, to)
		case "meta":
			mm = w.metaLens(from, to)
		}
		return mm == 0
	})
	return mm
}

// metaLens looks for the focal length in a box of keys and values. In QuickTime it is a plain box, in MP4 one with version and flags.
func (w *boxWalk) metaLens(from, to int64) float64 {
	for _, skip := range []int64{0, 4} {
		a, b := w.find("keys", from+skip, to)
		number := w.keyNumber(a+8, b) // behind version, flags and count
		if number == 0 {
			continue
		}
		a, b = w.find("ilst", from+skip, to)
		a, b = w.find(string(binary.BigEndian.AppendUint32(nil, number)), a, b)
		if mm := w.lensValue(w.find("data", a, b)); mm > 0 {
			return mm
		}
	}
	return 0
}

// find is where the first box of a kind lies between two places; it is empty where there is none.
func (w *boxWalk) find(kind string, from, to int64) (a, b int64) {
	w.each(from, to, func(k string, from, to int64) bool {
		if k == kind {
			a, b = from, to
		}
		return k != kind
	})
	return a, b
}

// keyNumber is the place of the focal length among the keys, from 1; 0 = it is not among them. A key is laid out as a box is, with its name space for a kind.
func (w *boxWalk) keyNumber(from, to int64) (number uint32) {
	n := uint32(0)
	w.each(from, to, func(_ string, from, to int64) bool {
		n++
		if string(w.bytes(from, to)) == lensKey {
			number = n
		}
		return number == 0
	})
	return number
}

// lensValue reads a value: its type, its language, and what it says (QuickTime File Format Specification, well-known types).
func (w *boxWalk) lensValue(from, to int64) float64 {
	b := w.bytes(from, to)
	if len(b) < 8 {
		return 0
	}
	kind, b := binary.BigEndian.Uint32(b), b[8:]
	var v float64
	switch {
	case kind == 1:
		return focal35(string(b))
	case kind == 23 && len(b) == 4:
		v = float64(math.Float32frombits(binary.BigEndian.Uint32(b)))
	case kind == 24 && len(b) == 8:
		v = math.Float64frombits(binary.BigEndian.Uint64(b))
	case (kind == 21 || kind == 22 || kind >= 65 && kind <= 67 || kind >= 74 && kind <= 78) && len(b) <= 8: // whole numbers; none is negative
		for _, x := range b {
			v = 256*v + float64(x)
		}
	}
	if v >= lensMinMM && v <= lensMaxMM {
		return v
	}
	return 0
}

// bytes reads what lies between two places, if it is short; nil where it is not, or cannot be read.
func (w *boxWalk) bytes(from, to int64) []byte {
	if to-from > maxValueBytes {
		return nil
	}
	b := make([]byte, to-from)
	if _, err := w.r.ReadAt(b, from); err != nil {
		return nil
	}
	return b
}
