package trackfile

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"cagebook/pose"
)

// Limits of what is read; a file beyond them is refused, not cut.
const (
	maxBytes  = 256 << 20 // of JSON; 33 points raw, smooth and world at 240 frames/s take about 0.6 MB a second
	maxFrames = 200_000   // 14 minutes at 240 frames/s
	maxPx     = 1e6       // no picture is larger; beyond it a coordinate is an error of the writer
	maxTimeS  = 1e6       // eleven days
	minSigma  = 1e-3      // px; written sigmas are rounded, and 0 would mean "no answer"
)

// Options steer reading.
type Options struct {
	FPS float64 // frames a second of real motion: needed for COCO files, which hold no times
}

// Error says where in a file what is wrong.
type Error struct {
	File string
	At   string // e.g. "swings[0].frames[12].raw[3]" or "byte 1034"
	Msg  string
}

func (e *Error) Error() string {
	if e.At == "" {
		return e.File + ": " + e.Msg
	}
	return e.File + ": " + e.At + ": " + e.Msg
}

// Read reads keypoints from plain or gzipped JSON: the form of track.json.gz,
// its short form {"names", "frames"}, or COCO keypoints (a data set with
// images and annotations, or a list of results). It returns one track for each
// entry of "swings" and one in all other cases. Joints that "names" leaves out
// are not in Has. A track has Smooth and World only if every frame of the file
// gives them. name is used in errors, which are of type *Error.
func Read(r io.Reader, name string, o Options) ([]*pose.Track, error) {
	data, err := readAll(r)
	if err != nil {
		return nil, &Error{File: name, Msg: err.Error()}
	}
	d := decoder{file: name}
	trimmed := bytes.TrimLeft(data, " \t\r\n")
	switch {
	case len(trimmed) == 0:
		return nil, d.errorf("", "the file is empty")
	case trimmed[0] == '[':
		return d.coco(cocoFile{}, data, o)
	case trimmed[0] != '{':
		return nil, d.errorf("", "this is not JSON: it begins with %q", firstRune(trimmed))
	}
	var top struct {
		Schema      *int            `json:"schema"`
		Names       json.RawMessage `json:"names"`
		Width       int             `json:"width"`
		Height      int             `json:"height"`
		FocalPx     float64         `json:"focal_px"`
		Frames      json.RawMessage `json:"frames"`
		Swings      json.RawMessage `json:"swings"`
		Images      json.RawMessage `json:"images"`
		Annotations json.RawMessage `json:"annotations"`
		Categories  json.RawMessage `json:"categories"`
	}
	if err := json.Unmarshal(data, &top); err != nil {
		return nil, d.jsonError("", err)
	}
	if top.Annotations != nil {
		return d.coco(cocoFile{images: top.Images, categories: top.Categories}, top.Annotations, o)
	}
	if top.Schema != nil && *top.Schema != Schema {
		return nil, d.errorf("schema", "version %d; this version reads %d", *top.Schema, Schema)
	}
	if top.Width < 0 || top.Height < 0 {
		return nil, d.errorf("width", "width and height must not be negative")
	}
	if top.FocalPx < 0 || top.FocalPx > maxPx {
		return nil, d.errorf("focal_px", "want the focal length in pixels, from 0 (not known) to %.0f", float64(maxPx))
	}
	d.width, d.height, d.focalPx = top.Width, top.Height, top.FocalPx
	if err := d.readNames(top.Names); err != nil {
		return nil, err
	}
	switch {
	case top.Frames != nil && top.Swings != nil:
		return nil, d.errorf("", "both \"frames\" and \"swings\" are given; want one of them")
	case top.Frames != nil:
		t, err := d.frames("frames", top.Frames)
		if err != nil {
			return nil, err
		}
		return []*pose.Track{t}, nil
	case top.Swings != nil:
		return d.swings(top.Swings)
	}
	return nil, d.errorf("", "neither \"frames\" nor \"swings\" nor COCO \"annotations\" is given")
}

func firstRune(b []byte) rune {
	for _, r := range string(b[:min(len(b), 8)]) {
		return r
	}
	return 0
}

func readAll(r io.Reader) ([]byte, error) {
	head := make([]byte, 2)
	n, err := io.ReadFull(r, head)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, io.EOF) {
		return nil, err
	}
	r = io.MultiReader(bytes.NewReader(head[:n]), r)
	if n == 2 && head[0] == 0x1f && head[1] == 0x8b {
		zr, err := gzip.NewReader(r)
		if err != nil {
			return nil, fmt.Errorf("gzip: %w", err)
		}
		r = zr
	}
	data, err := io.ReadAll(io.LimitReader(r, maxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("after %d bytes: %w", len(data), err)
	}
	if len(data) > maxBytes {
		return nil, fmt.Errorf("more than %d MB of JSON: give one clip a file", maxBytes>>20)
	}
	return data, nil
}

type decoder struct {
	file          string
	names         []pose.Joint
	width, height int
	focalPx       float64
	total         int // frames so far
}

func (d *decoder) errorf(at, format string, a ...any) error {
	return &Error{File: d.file, At: at, Msg: fmt.Sprintf(format, a...)}
}

func (d *decoder) jsonError(at string, err error) error {
	var syn *json.SyntaxError
	var typ *json.UnmarshalTypeError
	switch {
	case errors.As(err, &syn):
		where := fmt.Sprintf("byte %d", syn.Offset)
		if at != "" {
			where = at + ", " + where
		}
		return d.errorf(where, "%v", err)
	case errors.As(err, &typ):
		where := typ.Field
		if at != "" {
			where = strings.TrimSuffix(at+"."+typ.Field, ".")
		}
		return d.errorf(where, "want a value that fits %v, got %s", typ.Type, typ.Value)
	}
	return d.errorf(at, "%v", err)
}

func (d *decoder) readNames(raw json.RawMessage) error {
	if raw == nil {
		return d.errorf("names", "missing: say which points the frames hold, e.g. [\"nose\", \"left_shoulder\"]")
	}
	var names []string
	if err := json.Unmarshal(raw, &names); err != nil {
		return d.jsonError("names", err)
	}
	return d.setNames("names", names)
}

func (d *decoder) setNames(at string, names []string) error {
	if len(names) == 0 {
		return d.errorf(at, "empty")
	}
	seen := map[string]bool{}
	d.names = nil
	for i, n := range names {
		j, ok := pose.ParseJoint(n)
		switch {
		case !ok:
			return d.errorf(fmt.Sprintf("%s[%d]", at, i), "%q is not a landmark; leave it out or use one such as nose, left_shoulder, right_wrist, left_heel", clip(n))
		case seen[n]:
			return d.errorf(fmt.Sprintf("%s[%d]", at, i), "%q is there twice", n)
		}
		seen[n] = true
		d.names = append(d.names, j)
	}
	return nil
}

func clip(s string) string {
	if len(s) > 40 {
		return s[:40] + "…"
	}
	return s
}

func (d *decoder) swings(raw json.RawMessage) ([]*pose.Track, error) {
	var out []*pose.Track
	err := d.each("swings", raw, func(i int, dec *json.Decoder) error {
		at := fmt.Sprintf("swings[%d]", i)
		var s struct {
			Frames json.RawMessage `json:"frames"`
		}
		if err := dec.Decode(&s); err != nil {
			return d.jsonError(at, err)
		}
		if s.Frames == nil {
			return d.errorf(at, "\"frames\" is missing")
		}
		t, err := d.frames(at+".frames", s.Frames)
		out = append(out, t)
		return err
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// each calls f for every element of a JSON array, so that no array of unknown length is held at once.
func (d *decoder) each(at string, raw json.RawMessage, f func(i int, dec *json.Decoder) error) error {
	dec := json.NewDecoder(bytes.NewReader(raw))
	tok, err := dec.Token()
	if err != nil {
		return d.jsonError(at, err)
	}
	if tok != json.Delim('[') {
		return d.errorf(at, "want a list")
	}
	for i := 0; dec.More(); i++ {
		if err := f(i, dec); err != nil {
			return err
		}
	}
	return nil
}

type frame struct {
	Frame  *int            `json:"frame"`
	TimeS  *float64        `json:"time_s"`
	Repeat bool            `json:"repeat"`
	Raw    json.RawMessage `json:"raw"`
	Smooth json.RawMessage `json:"smooth"`
	World  json.RawMessage `json:"world"`
	Bat    *struct {
		Status string          `json:"status"`
		Knob   json.RawMessage `json:"knob"`
		Barrel json.RawMessage `json:"barrel"`
	} `json:"bat"`
	Ball *struct {
		Status string          `json:"status"`
		At     json.RawMessage `json:"at"`
	} `json:"ball"`
}

func (d *decoder) frames(at string, raw json.RawMessage) (*pose.Track, error) {
	t := &pose.Track{Width: d.width, Height: d.height, FocalPx: d.focalPx}
	for _, j := range d.names {
		t.Has[j] = true
	}
	smooth, world, bat, ball, repeat := 0, 0, 0, 0, false
	err := d.each(at, raw, func(i int, dec *json.Decoder) error {
		here := fmt.Sprintf("%s[%d]", at, i)
		var f frame
		if err := dec.Decode(&f); err != nil {
			return d.jsonError(here, err)
		}
		if d.total++; d.total > maxFrames {
			return d.errorf(here, "more than %d frames: cut the clip", maxFrames)
		}
		if err := d.addTime(t, here, f); err != nil {
			return err
		}
		var p pose.Pose
		if err := d.points(here+".raw", f.Raw, func(j pose.Joint, x, y, z float64) {
			p[j] = pose.Keypoint{X: x, Y: y, Score: min(max(z, 0), 1)}
		}); err != nil {
			return err
		}
		t.Raw = append(t.Raw, p)
		t.Repeat = append(t.Repeat, f.Repeat)
		repeat = repeat || f.Repeat
		if f.Smooth != nil {
			smooth++
			var e [pose.NumJoints]pose.Estimate
			if err := d.points(here+".smooth", f.Smooth, func(j pose.Joint, x, y, z float64) {
				e[j] = pose.Estimate{X: x, Y: y, Sigma: max(z, minSigma)}
			}); err != nil {
				return err
			}
			t.Smooth = append(t.Smooth, e)
		}
		if f.World != nil {
			world++
			var e [pose.NumJoints]pose.Point3
			if err := d.points(here+".world", f.World, func(j pose.Joint, x, y, z float64) {
				e[j] = pose.Point3{X: x, Y: y, Z: z}
			}); err != nil {
				return err
			}
			t.World = append(t.World, e)
		}
		if f.Bat != nil {
			bat++
			s := pose.BatSample{Status: f.Bat.Status}
			var err1, err2 error
			s.Knob, err1 = d.estimate(here+".bat.knob", f.Bat.Knob)
			s.Barrel, err2 = d.estimate(here+".bat.barrel", f.Bat.Barrel)
			if err := cmpErr(err1, err2); err != nil {
				return err
			}
			t.Bat = append(t.Bat, s)
		}
		if f.Ball != nil {
			ball++
			s := pose.BallSample{Status: f.Ball.Status}
			var err error
			if s.At, err = d.estimate(here+".ball.at", f.Ball.At); err != nil {
				return err
			}
			t.Ball = append(t.Ball, s)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	n := t.Len()
	for _, c := range []struct {
		what  string
		count int
	}{{"smooth", smooth}, {"world", world}, {"bat", bat}, {"ball", ball}} {
		if c.count != 0 && c.count != n {
			return nil, d.errorf(at, "%d of %d frames hold %q; want all or none", c.count, n, c.what)
		}
	}
	if !repeat {
		t.Repeat = nil
	}
	return t, nil
}

func cmpErr(a, b error) error {
	if a != nil {
		return a
	}
	return b
}

func (d *decoder) addTime(t *pose.Track, here string, f frame) error {
	n := len(t.Times)
	switch {
	case f.TimeS == nil:
		return d.errorf(here+".time_s", "missing: every frame needs its time in seconds")
	case math.Abs(*f.TimeS) > maxTimeS:
		return d.errorf(here+".time_s", "%g s is not a time of a clip", *f.TimeS)
	case n > 0 && *f.TimeS <= t.Times[n-1]:
		return d.errorf(here+".time_s", "%g does not come after %g; want times that rise", *f.TimeS, t.Times[n-1])
	}
	number := n
	if n > 0 {
		number = t.Frames[n-1] + 1
	}
	if f.Frame != nil {
		number = *f.Frame
		if number < 0 || n > 0 && number <= t.Frames[n-1] {
			return d.errorf(here+".frame", "%d; want 0 or more, and more than the frame before", number)
		}
	}
	t.Times, t.Frames = append(t.Times, *f.TimeS), append(t.Frames, number)
	return nil
}

// points reads one entry a name; null entries and entries with a null number are not seen.
func (d *decoder) points(at string, raw json.RawMessage, set func(j pose.Joint, x, y, z float64)) error {
	if raw == nil {
		return d.errorf(at, "missing")
	}
	n := 0
	err := d.each(at, raw, func(i int, dec *json.Decoder) error {
		here := fmt.Sprintf("%s[%d]", at, i)
		if i >= len(d.names) {
			return d.errorf(here, "more points than the %d names", len(d.names))
		}
		n++
		var v json.RawMessage
		if err := dec.Decode(&v); err != nil {
			return d.jsonError(here, err)
		}
		xyz, ok, err := d.three(here, v)
		if ok {
			set(d.names[i], xyz[0], xyz[1], xyz[2])
		}
		return err
	})
	if err != nil {
		return err
	}
	if n != len(d.names) && string(raw) != "null" {
		return d.errorf(at, "%d points for %d names", n, len(d.names))
	}
	return nil
}

func (d *decoder) three(at string, raw json.RawMessage) (v [3]float64, ok bool, err error) {
	if string(raw) == "null" {
		return v, false, nil
	}
	var p []*float64
	if err := json.Unmarshal(raw, &p); err != nil {
		return v, false, d.jsonError(at, err)
	}
	if len(p) != 3 {
		return v, false, d.errorf(at, "want three numbers or null, got %d", len(p))
	}
	for i, q := range p {
		if q == nil {
			return v, false, nil
		}
		if math.Abs(*q) > maxPx {
			return v, false, d.errorf(at, "%g is no place in a picture", *q)
		}
		v[i] = *q
	}
	return v, true, nil
}

func (d *decoder) estimate(at string, raw json.RawMessage) (pose.Estimate, error) {
	if raw == nil {
		return pose.Estimate{}, nil
	}
	v, ok, err := d.three(at, raw)
	if err != nil || !ok {
		return pose.Estimate{}, err
	}
	return pose.Estimate{X: v[0], Y: v[1], Sigma: max(v[2], minSigma)}, nil
}
