//go:build cgo

package onnx

import (
	"encoding/json"
	"image"
	_ "image/jpeg"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cagebook/models"
	"cagebook/pose"
)

// cocoSigmas are the per-keypoint constants of the COCO keypoint task, in its order, as its evaluation code has them
// (cocodataset/cocoapi, Params.kpt_oks_sigmas; read in public code that quotes them). k = 2σ.
var cocoSigmas = [17]float64{0.026, 0.025, 0.025, 0.035, 0.035, 0.079, 0.079, 0.072, 0.072, 0.062, 0.062, 0.107, 0.107, 0.087, 0.087, 0.089, 0.089}

// oks is the object keypoint similarity after the COCO definition: the mean over labelled points of
// exp(−d² / (2 s² k²)), s² being the area of the person's segment.
func oks(p *pose.Pose, marks []float64, area float64) float64 {
	sum, n := 0.0, 0.0
	for i, j := range pose.COCOJoints {
		if marks[3*i+2] == 0 {
			continue
		}
		n++
		k := 2 * cocoSigmas[i]
		dx, dy := p[j].X-marks[3*i], p[j].Y-marks[3*i+1]
		sum += math.Exp(-(dx*dx + dy*dy) / (2 * area * k * k))
	}
	return sum / n
}

// The measure itself: all right is 1; a point that is off by s·k counts exp(−1/2); a point without a label does not count.
func TestOKSDefinition(t *testing.T) {
	var p pose.Pose
	marks := make([]float64, 51)
	for i := range 17 {
		marks[3*i], marks[3*i+1], marks[3*i+2] = 10*float64(i), 5, 2
		p[pose.COCOJoints[i]] = pose.Keypoint{X: 10 * float64(i), Y: 5, Score: 1}
	}
	if got := oks(&p, marks, 400); got != 1 {
		t.Errorf("all right: %g", got)
	}
	p[pose.COCOJoints[9]].X += 20 * 2 * cocoSigmas[9]
	if got, want := oks(&p, marks, 400), (16+math.Exp(-0.5))/17; math.Abs(got-want) > 1e-12 {
		t.Errorf("one wrist off by s·k: %g, want %g", got, want)
	}
	marks[3*9+2] = 0
	if got := oks(&p, marks, 400); got != 1 {
		t.Errorf("that wrist without a label: %g", got)
	}
}

// photo reads a JPEG as the program's pictures are: BGR.
func photo(t *testing.T, name string) pose.Image {
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	im, _, err := image.Decode(f)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	b := im.Bounds()
	out := pose.Image{W: b.Dx(), H: b.Dy(), Stride: 3 * b.Dx()}
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			r, g, bl, _ := im.At(x, y).RGBA()
			out.Pix = append(out.Pix, byte(bl>>8), byte(g>>8), byte(r>>8))
		}
	}
	return out
}

// The models find the people of photographs with published COCO keypoints. 0.75 is the stricter of the two single
// thresholds that the COCO task reports; the one photograph at hand gives 0.946, so that 0.85 holds comfortably.
func TestOKSOnPublishedKeypoints(t *testing.T) {
	files, _ := filepath.Glob("../../../shared/data/photos/*.json")
	if len(files) == 0 {
		t.Skip("skipped: no photographs with published keypoints at hand")
	}
	loadRuntime(t)
	people, heavy := openModel(t, models.Multipose, 1), openModel(t, models.LandmarkHeavy, 1)
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		var truth struct {
			Annotations []struct {
				Keypoints []float64
				Area      float64
			}
		}
		if err := json.Unmarshal(data, &truth); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		im := photo(t, strings.TrimSuffix(name, ".json")+".jpg")
		fit := pose.PeopleFit(im.W, im.H, 0)
		out, err := people.Run(pose.PeopleInput(im, fit))
		if err != nil {
			t.Fatal(err)
		}
		seen, err := pose.DecodePeople(out[0], fit, 1, 0.2)
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range truth.Annotations {
			coarse, fine := 0.0, 0.0
			for i := range seen {
				coarse = max(coarse, oks(&seen[i].Points, a.Keypoints, a.Area))
				r, ok := pose.RegionOf(&seen[i].Points, 0.2)
				if !ok {
					continue
				}
				out, err := heavy.Run(pose.LandmarkInput(im, r, nil))
				if err != nil {
					t.Fatal(err)
				}
				p, _, _, err := pose.Landmarks(out, r)
				if err != nil {
					t.Fatal(err)
				}
				fine = max(fine, oks(&p, a.Keypoints, a.Area))
			}
			t.Logf("%s: OKS of the people model %.3f, of the landmark model %.3f", filepath.Base(name), coarse, fine)
			if fine < 0.85 {
				t.Errorf("%s: OKS of the landmark model is %.3f, want at least 0.85", filepath.Base(name), fine)
			}
		}
	}
}
