package trackfile

import (
	"bytes"
	"encoding/csv"
	"errors"
	"math"
	"strconv"
	"strings"
	"testing"

	"cagebook/pose"
)

// exported is a stretch of 5 frames at 50 a second; left_knee is never seen, bat and ball once.
func exported() Swing {
	t := &pose.Track{Width: 640, Height: 480}
	for i := range 7 {
		var raw pose.Pose
		var e [pose.NumJoints]pose.Estimate
		var w [pose.NumJoints]pose.Point3
		for j := range raw {
			if pose.Joint(j) == pose.LeftKnee {
				continue
			}
			raw[j] = pose.Keypoint{X: 10*float64(i) + float64(j), Y: 5 + float64(j)/4, Score: 0.9}
			e[j] = pose.Estimate{X: raw[j].X, Y: raw[j].Y, Sigma: 1.5}
			w[j] = pose.Point3{X: 0.1, Y: 0.2, Z: float64(j+1) / 100}
		}
		t.Frames, t.Times = append(t.Frames, 100+i), append(t.Times, 2+float64(i)/50)
		t.Raw, t.Smooth, t.World = append(t.Raw, raw), append(t.Smooth, e), append(t.World, w)
		t.Bat, t.Ball = append(t.Bat, pose.BatSample{Status: "no_bat"}), append(t.Ball, pose.BallSample{Status: "no_ball"})
	}
	t.Bat[1] = pose.BatSample{Status: "measured", Knob: pose.Estimate{X: 1, Y: 2, Sigma: 0.5}, Barrel: pose.Estimate{X: 3, Y: 4, Sigma: 0.5}}
	return Swing{Number: 1, Track: t, From: 1, To: 6}
}

// What is written as COCO is read back by our own reader.
func TestCOCOReadsBack(t *testing.T) {
	var b bytes.Buffer
	s := exported()
	if err := WriteCOCO(&b, s); err != nil {
		t.Fatal(err)
	}
	got, err := Read(&b, "x.json", Options{FPS: 50})
	if err != nil || len(got) != 1 || got[0].Len() != 5 || got[0].Width != 640 {
		t.Fatalf("%v, %d tracks", err, len(got))
	}
	for k := range 5 {
		for _, n := range cocoNames {
			j, _ := pose.ParseJoint(n)
			a, c := s.Track.Raw[k+1][j], got[0].Raw[k][j]
			if a.Seen() != c.Seen() || a.Seen() && (math.Abs(a.X-c.X) > 0.005 || math.Abs(a.Y-c.Y) > 0.005) {
				t.Errorf("frame %d, %s: %+v, was %+v", k, n, c, a)
			}
		}
		if d := got[0].Times[k] - got[0].Times[0] - (s.Track.Times[k+1] - s.Track.Times[1]); math.Abs(d) > 1e-9 {
			t.Errorf("frame %d is %g s off", k, d)
		}
	}
}

// The TRC form as OpenSim's documentation gives it: five lines of heading, an
// empty one, then frame, time and three columns a marker; all rows equally long.
func TestTRC(t *testing.T) {
	var b bytes.Buffer
	if err := WriteTRC(&b, "a\tb\n.trc", exported()); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
	if len(lines) != 11 || lines[5] != "" || !strings.HasPrefix(lines[0], "PathFileType\t4\t(X/Y/Z)\ta_b_.trc") {
		t.Fatalf("%d lines:\n%s", len(lines), b.String())
	}
	head := strings.Split(lines[2], "\t")
	if rate, err := strconv.ParseFloat(head[0], 64); err != nil || math.Abs(rate-50) > 1e-6 || head[2] != "5" || head[3] != "33" || head[4] != "m" {
		t.Errorf("heading %v", head)
	}
	for _, l := range lines[6:] {
		if n := len(strings.Split(l, "\t")); n != 2+3*33 {
			t.Errorf("a row of %d fields", n)
		}
	}
	row := strings.Split(lines[6], "\t")
	if row[0] != "1" || row[1] != "2.020000" || row[2] != "0.10000" || row[3] != "-0.20000" || row[4] != "-0.01000" { // y down becomes Y up, z away becomes Z near
		t.Errorf("first row begins %v", row[:5])
	}
	if k := 2 + 3*int(pose.LeftKnee); row[k]+row[k+1]+row[k+2] != "" {
		t.Errorf("a point that was not seen is %v", row[k:k+3])
	}
	none := exported()
	none.Track.World = nil
	if err := WriteTRC(&b, "x", none); !errors.Is(err, ErrNothing) {
		t.Errorf("without 3D points: %v", err)
	}
}

func TestCSV(t *testing.T) {
	var b bytes.Buffer
	if err := WriteCSV(&b, exported()); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil || len(rows) != 6 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	at := map[string]int{}
	for i, n := range rows[0] {
		at[n] = i
	}
	first := rows[1]
	for name, want := range map[string]string{"frame": "101", "time_s": "2.020000", "nose_x": "10.00", "nose_sigma": "1.500", "left_knee_x": "", "bat_barrel_y": "4.00", "ball_x": ""} {
		if got := first[at[name]]; got != want {
			t.Errorf("%s is %q, want %q", name, got, want)
		}
	}
}
