// Package trackfile reads and writes keypoints per frame: track.json.gz, the
// same form as plain JSON, and COCO keypoint JSON.
//
// Coordinates are px of the upright displayed picture, times are seconds of
// real motion, and null means not seen.
package trackfile

import (
	"bufio"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"

	"cagebook/pose"
)

// Schema is the version of the form.
const Schema = 1

// pxDecimals: a hundredth of a pixel is far below any uncertainty.
const pxDecimals = 2

// Swing is the stretch of a track that belongs to one swing.
type Swing struct {
	Number   int
	Track    *pose.Track
	From, To int // frames [From, To) of Track
}

// Tool says what made the keypoints; it is written as it is.
type Tool struct {
	Version string            `json:"version"`
	Models  map[string]string `json:"models"`
	Options string            `json:"options"`
}

// Write writes gzipped JSON. The gzip header holds no time, so that the same track gives the same bytes.
func Write(w io.Writer, tool Tool, swings []Swing) error {
	zw := gzip.NewWriter(w)
	if err := WriteJSON(zw, tool, swings); err != nil {
		return err
	}
	return zw.Close()
}

// WriteJSON writes plain JSON.
func WriteJSON(w io.Writer, tool Tool, swings []Swing) error {
	b := bufio.NewWriter(w)
	head, err := json.Marshal(tool)
	if err != nil {
		return fmt.Errorf("track file: %w", err)
	}
	fmt.Fprintf(b, "{\"schema\":%d,\"tool\":%s", Schema, head)
	names := commonNames(swings)
	if n := len(swings); n > 0 { // all are of one clip
		t := swings[n-1].Track
		if t.Width > 0 && t.Height > 0 {
			fmt.Fprintf(b, ",\"width\":%d,\"height\":%d", t.Width, t.Height)
		}
		if t.FocalPx > 0 {
			b.WriteString(",\"focal_px\":")
			number(b, t.FocalPx, pxDecimals)
		}
	}
	b.WriteString(",\"names\":[")
	for i, j := range names {
		comma(b, i)
		fmt.Fprintf(b, "%q", j.String())
	}
	b.WriteString("],\"swings\":[")
	for i, s := range swings {
		comma(b, i)
		fmt.Fprintf(b, "\n{\"number\":%d,\"frames\":[", s.Number)
		n := 0
		for k := max(0, s.From); k < min(s.To, s.Track.Len()); k++ {
			comma(b, n)
			n++
			writeFrame(b, s.Track, k, names)
		}
		b.WriteString("]}")
	}
	b.WriteString("]}\n")
	return b.Flush()
}

// commonNames are the joints that any of the tracks can give.
func commonNames(swings []Swing) (names []pose.Joint) {
	var has [pose.NumJoints]bool
	for _, s := range swings {
		for j, h := range s.Track.Has {
			has[j] = has[j] || h
		}
	}
	for j, h := range has {
		if h {
			names = append(names, pose.Joint(j))
		}
	}
	if len(names) == 0 { // the tracks do not say: all
		for j := range pose.Joint(pose.NumJoints) {
			names = append(names, j)
		}
	}
	return names
}

func writeFrame(b *bufio.Writer, t *pose.Track, k int, names []pose.Joint) {
	b.WriteString("\n{\"frame\":")
	frame := k
	if k < len(t.Frames) {
		frame = t.Frames[k]
	}
	fmt.Fprintf(b, "%d,\"time_s\":", frame)
	number(b, t.Times[k], 6)
	if k < len(t.Repeat) && t.Repeat[k] {
		b.WriteString(",\"repeat\":true")
	}
	if k < len(t.Raw) {
		b.WriteString(",\"raw\":[")
		for i, j := range names {
			comma(b, i)
			p := t.Raw[k][j]
			triple(b, p.Seen(), p.X, p.Y, p.Score, pxDecimals, 4)
		}
		b.WriteByte(']')
	}
	if k < len(t.Smooth) {
		b.WriteString(",\"smooth\":[")
		for i, j := range names {
			comma(b, i)
			p := t.Smooth[k][j]
			triple(b, p.Known(), p.X, p.Y, p.Sigma, pxDecimals, 3)
		}
		b.WriteByte(']')
	}
	if k < len(t.World) {
		b.WriteString(",\"world\":[")
		for i, j := range names {
			comma(b, i)
			p := t.World[k][j]
			triple(b, p != pose.Point3{}, p.X, p.Y, p.Z, 4, 4)
		}
		b.WriteByte(']')
	}
	if k < len(t.Bat) {
		s := t.Bat[k]
		fmt.Fprintf(b, ",\"bat\":{\"status\":%s", quote(s.Status, "no_bat"))
		if s.Knob.Known() {
			b.WriteString(",\"knob\":")
			triple(b, true, s.Knob.X, s.Knob.Y, s.Knob.Sigma, pxDecimals, 3)
		}
		if s.Barrel.Known() {
			b.WriteString(",\"barrel\":")
			triple(b, true, s.Barrel.X, s.Barrel.Y, s.Barrel.Sigma, pxDecimals, 3)
		}
		b.WriteByte('}')
	}
	if k < len(t.Ball) {
		s := t.Ball[k]
		fmt.Fprintf(b, ",\"ball\":{\"status\":%s", quote(s.Status, "no_ball"))
		if s.At.Known() {
			b.WriteString(",\"at\":")
			triple(b, true, s.At.X, s.At.Y, s.At.Sigma, pxDecimals, 3)
		}
		b.WriteByte('}')
	}
	b.WriteByte('}')
}

func quote(s, ifEmpty string) string {
	if s == "" {
		s = ifEmpty
	}
	q, err := json.Marshal(s)
	if err != nil {
		return "\"\""
	}
	return string(q)
}

func comma(b *bufio.Writer, i int) {
	if i > 0 {
		b.WriteByte(',')
	}
}

// triple writes three numbers, or null where there is no point.
func triple(b *bufio.Writer, seen bool, x, y, z float64, xyDecimals, zDecimals int) {
	if !seen || bad(x) || bad(y) || bad(z) {
		b.WriteString("null")
		return
	}
	b.WriteByte('[')
	number(b, x, xyDecimals)
	b.WriteByte(',')
	number(b, y, xyDecimals)
	b.WriteByte(',')
	number(b, z, zDecimals)
	b.WriteByte(']')
}

func bad(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) }

func number(b *bufio.Writer, v float64, decimals int) {
	if bad(v) {
		b.WriteString("null")
		return
	}
	p := math.Pow10(decimals)
	if r := math.Round(v*p) / p; !bad(r) {
		v = r
	}
	if v == 0 {
		v = 0 // not -0
	}
	b.Write(strconv.AppendFloat(nil, v, 'f', -1, 64))
}
