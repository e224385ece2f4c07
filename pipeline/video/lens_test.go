package video

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
)

// box is a box of a QuickTime file as its specification lays it out: size, kind, content.
func box(kind string, content ...[]byte) []byte {
	body := slices.Concat(content...)
	return slices.Concat(binary.BigEndian.AppendUint32(nil, uint32(8+len(body))), []byte(kind), body)
}

func u32(v uint32) []byte { return binary.BigEndian.AppendUint32(nil, v) }

// metaBox holds one value behind another, as phones write it beside the picture track. kind is one of the well-known types.
func metaBox(key string, kind uint32, value []byte, flags ...byte) []byte {
	data := func(kind uint32, v []byte) []byte { return box("data", u32(kind), u32(0), v) }
	return box("meta", flags, box("hdlr", make([]byte, 25)),
		box("keys", u32(0), u32(2), box("mdta", []byte("com.apple.quicktime.camera.lens_model")), box("mdta", []byte(key))),
		box("ilst", box("\x00\x00\x00\x01", data(1, []byte("back camera 5.1mm f/1.6"))), box("\x00\x00\x00\x02", data(kind, value))))
}

// The layout of keys and values, and the well-known types: QuickTime File Format Specification, "Metadata".
func TestTrackLens(t *testing.T) {
	track := func(meta []byte) []byte {
		return slices.Concat(box("ftyp", []byte("qt  \x00\x00\x00\x00")), box("mdat", make([]byte, 100)),
			box("moov", box("mvhd", make([]byte, 100)), box("trak", box("tkhd", make([]byte, 84)), meta)))
	}
	whole := track(metaBox(lensKey, 21, u32(26)))
	long := slices.Clone(whole) // the picture data with a size of 64 bits
	at := bytes.Index(long, []byte("mdat"))
	long = slices.Concat(long[:at-4], u32(1), []byte("mdat"), binary.BigEndian.AppendUint64(nil, 116), long[at+4:])
	for name, c := range map[string]struct {
		file []byte
		want float64
	}{
		"whole number":              {whole, 26},
		"one byte":                  {track(metaBox(lensKey, 22, []byte{77})), 77},
		"eight bytes":               {track(metaBox(lensKey, 74, binary.BigEndian.AppendUint64(nil, 24))), 24},
		"float":                     {track(metaBox(lensKey, 23, u32(math.Float32bits(13.5)))), 13.5},
		"double":                    {track(metaBox(lensKey, 24, binary.BigEndian.AppendUint64(nil, math.Float64bits(48)))), 48},
		"text":                      {track(metaBox(lensKey, 1, []byte("50.00mm"))), 50},
		"with version and flags":    {track(metaBox(lensKey, 21, u32(26), 0, 0, 0, 0)), 26},
		"beside the movie":          {slices.Concat(box("ftyp"), box("moov", metaBox(lensKey, 21, u32(27)))), 27},
		"a size of 64 bits":         {long, 26},
		"to the end of the file":    {slices.Concat(box("ftyp"), u32(0), []byte("moov"), metaBox(lensKey, 21, u32(26))), 26},
		"another key":               {track(metaBox("com.apple.quicktime.camera.focal_length", 21, u32(26))), 0},
		"negative":                  {track(metaBox(lensKey, 21, u32(0xffffffe6))), 0},
		"no focal length":           {track(metaBox(lensKey, 21, u32(0))), 0},
		"not a number":              {track(metaBox(lensKey, 24, binary.BigEndian.AppendUint64(nil, math.Float64bits(math.NaN())))), 0},
		"a picture for a value":     {track(metaBox(lensKey, 14, u32(26))), 0},
		"a value of no key":         {track(box("meta", box("keys", u32(0), u32(0)), box("ilst", box("\x00\x00\x00\x00", box("data", u32(21), u32(0), u32(26)))))), 0},
		"cut off":                   {whole[:len(whole)-3], 0},
		"a box larger than its own": {slices.Replace(slices.Clone(whole), 8+8, 8+12, u32(1<<31)...), 0},
		"no box":                    {[]byte("abc"), 0},
		"empty":                     {nil, 0},
	} {
		path := filepath.Join(t.TempDir(), "c.mov")
		if err := os.WriteFile(path, c.file, 0o600); err != nil {
			t.Fatal(err)
		}
		if got := trackLens(path); got != c.want {
			t.Errorf("%s: %v mm, want %v", name, got, c.want)
		}
	}
	if got := trackLens(filepath.Join(t.TempDir(), "none.mov")); got != 0 {
		t.Errorf("a file that is not there: %v mm", got)
	}
}

// FFmpeg writes the same keys and values beside the movie, and reads them there.
func TestLensAsFFmpegWritesIt(t *testing.T) {
	if _, err := exec.LookPath("ffmpeg"); err != nil {
		t.Skip("no ffmpeg")
	}
	path := filepath.Join(t.TempDir(), "c.mov")
	if out, err := exec.Command("ffmpeg", "-v", "error", "-f", "lavfi", "-i", "testsrc=s=64x48:d=0.2", "-movflags", "use_metadata_tags",
		"-metadata", lensKey+"=26", path).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if got := trackLens(path); got != 26 {
		t.Errorf("read by us: %v mm, want 26", got)
	}
	p, err := ReadProbe(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	in := Info{Lens35MM: p.Lens35MM, Width: 720, Height: 1280}
	if p.Lens35MM != 26 || math.Abs(in.FocalPx()-1.05*26/36*1280) > 1e-9 {
		t.Errorf("%v mm, %.1f px; want 26 and 970.7", p.Lens35MM, in.FocalPx())
	}
}

func FuzzTrackLens(f *testing.F) {
	f.Add(slices.Concat(box("moov", box("trak", metaBox(lensKey, 21, u32(26))))))
	f.Add(slices.Concat(box("moov", metaBox(lensKey, 1, []byte("26"), 0, 0, 0, 0))))
	f.Fuzz(func(t *testing.T, data []byte) {
		w := boxWalk{r: bytes.NewReader(data), left: maxBoxes}
		if mm := w.lens(0, int64(len(data))); mm != 0 && !(mm >= lensMinMM && mm <= lensMaxMM) {
			t.Errorf("%v mm", mm)
		}
	})
}
