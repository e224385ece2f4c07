package trackfile

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"cagebook/pose"
)

// ErrNothing says that a track holds nothing of the kind that is to be written.
var ErrNothing = errors.New("nothing to export")

// stretch are the frames of a swing.
func (s Swing) stretch() (from, to int) { return max(0, s.From), min(s.To, s.Track.Len()) }

func (s Swing) frame(k int) int {
	if k < len(s.Track.Frames) {
		return s.Track.Frames[k]
	}
	return k
}

// WriteTRC writes the 3D landmarks of one swing as a TRC file (track row column:
// tab-separated, five lines of heading), metres about mid-hip, X to the
// picture's right, Y up, Z toward the camera. A point that is not known is empty.
// The format wants one rate: it is that of the stretch; the times are the true ones.
func WriteTRC(w io.Writer, name string, s Swing) error {
	from, to := s.stretch()
	if to-from < 2 || len(s.Track.World) < to {
		return fmt.Errorf("%w: no 3D points", ErrNothing)
	}
	rate := float64(to-from-1) / (s.Track.Times[to-1] - s.Track.Times[from])
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, "PathFileType\t4\t(X/Y/Z)\t%s\n", strings.Map(plain, name))
	b.WriteString("DataRate\tCameraRate\tNumFrames\tNumMarkers\tUnits\tOrigDataRate\tOrigDataStartFrame\tOrigNumFrames\n")
	fmt.Fprintf(b, "%.6f\t%.6f\t%d\t%d\tm\t%.6f\t1\t%d\n", rate, rate, to-from, pose.NumJoints, rate, to-from)
	b.WriteString("Frame#\tTime")
	for j := range pose.Joint(pose.NumJoints) {
		fmt.Fprintf(b, "\t%s\t\t", j)
	}
	b.WriteString("\n\t")
	for j := range pose.NumJoints {
		fmt.Fprintf(b, "\tX%d\tY%d\tZ%d", j+1, j+1, j+1)
	}
	b.WriteString("\n\n")
	for k := from; k < to; k++ {
		fmt.Fprintf(b, "%d\t%.6f", k-from+1, s.Track.Times[k])
		for _, p := range s.Track.World[k] {
			if (p == pose.Point3{}) || bad(p.X) || bad(p.Y) || bad(p.Z) {
				b.WriteString("\t\t\t")
				continue
			}
			fmt.Fprintf(b, "\t%.5f\t%.5f\t%.5f", p.X, 0-p.Y, 0-p.Z)
		}
		b.WriteByte('\n')
	}
	return b.Flush()
}

// plain keeps a name on one line and in one field.
func plain(r rune) rune {
	if r < ' ' || r == 0x7f {
		return '_'
	}
	return r
}

// WriteCSV writes one row a frame: for each joint the smoothed place, px, with its
// standard uncertainty, then bat and ball. What is not known is empty.
func WriteCSV(w io.Writer, s Swing) error {
	from, to := s.stretch()
	if to <= from {
		return fmt.Errorf("%w: no frames", ErrNothing)
	}
	c := csv.NewWriter(w)
	head := []string{"frame", "time_s"}
	for j := range pose.Joint(pose.NumJoints) {
		head = append(head, j.String()+"_x", j.String()+"_y", j.String()+"_sigma")
	}
	for _, n := range []string{"bat_knob", "bat_barrel", "ball"} {
		head = append(head, n+"_x", n+"_y", n+"_sigma")
	}
	if err := c.Write(head); err != nil {
		return err
	}
	t := s.Track
	for k := from; k < to; k++ {
		row := []string{strconv.Itoa(s.frame(k)), decimal(t.Times[k], 6)}
		var joints [pose.NumJoints]pose.Estimate
		if k < len(t.Smooth) {
			joints = t.Smooth[k]
		}
		for _, e := range joints {
			row = append(row, fields(e)...)
		}
		var bat pose.BatSample
		var ball pose.BallSample
		if k < len(t.Bat) {
			bat = t.Bat[k]
		}
		if k < len(t.Ball) {
			ball = t.Ball[k]
		}
		row = append(row, append(append(fields(bat.Knob), fields(bat.Barrel)...), fields(ball.At)...)...)
		if err := c.Write(row); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

func fields(e pose.Estimate) []string {
	if !e.Known() {
		return []string{"", "", ""}
	}
	return []string{decimal(e.X, pxDecimals), decimal(e.Y, pxDecimals), decimal(e.Sigma, 3)}
}

func decimal(v float64, n int) string {
	if bad(v) {
		return ""
	}
	return strconv.FormatFloat(v, 'f', n, 64)
}

// WriteCOCO writes the 17 COCO points of one swing, as the landmark model gave
// them, as a COCO keypoint data set: an image a frame, with its time as time_s, and
// an annotation where the hitter was seen. Visibility is 2 for a point with a
// score of a half and more, 1 for a lower one, 0 where there is none.
func WriteCOCO(w io.Writer, s Swing) error {
	from, to := s.stretch()
	if to <= from || len(s.Track.Raw) < to {
		return fmt.Errorf("%w: no frames", ErrNothing)
	}
	type cocoImage struct {
		ID       int     `json:"id"`
		FileName string  `json:"file_name"`
		Width    int     `json:"width"`
		Height   int     `json:"height"`
		TimeS    float64 `json:"time_s"`
	}
	type cocoAnnotation struct {
		ID        int        `json:"id"`
		ImageID   int        `json:"image_id"`
		Category  int        `json:"category_id"`
		Keypoints []float64  `json:"keypoints"`
		Num       int        `json:"num_keypoints"`
		Box       [4]float64 `json:"bbox"`
		Area      float64    `json:"area"`
		Crowd     int        `json:"iscrowd"`
	}
	var out struct {
		Images      []cocoImage      `json:"images"`
		Annotations []cocoAnnotation `json:"annotations"`
		Categories  []map[string]any `json:"categories"`
	}
	out.Annotations = []cocoAnnotation{}
	out.Categories = []map[string]any{{"id": 1, "name": "person", "keypoints": cocoNames}}
	round := func(v float64) float64 { return math.Round(v*100) / 100 }
	for k := from; k < to; k++ {
		id := s.frame(k)
		out.Images = append(out.Images, cocoImage{id, fmt.Sprintf("frame-%06d", id), s.Track.Width, s.Track.Height, s.Track.Times[k]})
		a := cocoAnnotation{ID: len(out.Annotations) + 1, ImageID: id, Category: 1}
		x0, y0, x1, y1 := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
		for _, n := range cocoNames {
			j, _ := pose.ParseJoint(n) // all are landmarks
			p := s.Track.Raw[k][j]
			if !p.Seen() {
				a.Keypoints = append(a.Keypoints, 0, 0, 0)
				continue
			}
			v := 1.0
			if p.Score >= 0.5 {
				v = 2
			}
			a.Keypoints = append(a.Keypoints, round(p.X), round(p.Y), v)
			a.Num++
			x0, x1, y0, y1 = min(x0, p.X), max(x1, p.X), min(y0, p.Y), max(y1, p.Y)
		}
		if a.Num > 0 {
			a.Box = [4]float64{round(x0), round(y0), round(x1 - x0), round(y1 - y0)}
			a.Area = round((x1 - x0) * (y1 - y0))
			out.Annotations = append(out.Annotations, a)
		}
	}
	return json.NewEncoder(w).Encode(out)
}
