package trackfile

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"

	"cagebook/pose"
)

// cocoNames are the 17 points of the COCO keypoint task in its order; all are landmarks of ours.
// Source: the "person" category of the published COCO annotation files.
var cocoNames = []string{
	"nose", "left_eye", "right_eye", "left_ear", "right_ear", "left_shoulder", "right_shoulder", "left_elbow", "right_elbow",
	"left_wrist", "right_wrist", "left_hip", "right_hip", "left_knee", "right_knee", "left_ankle", "right_ankle",
}

type cocoFile struct{ images, categories json.RawMessage }

type cocoPerson struct {
	ImageID   int64     `json:"image_id"`
	Keypoints []float64 `json:"keypoints"`
}

// coco reads annotations, or a list of results, into one track. Images are
// frames in the order of their ids; an image without a person is a frame
// without points. Without a list of images the ids themselves count frames.
// Visibility 0, 1, 2 of annotations becomes score 0, 0.5, 1.
func (d *decoder) coco(f cocoFile, people json.RawMessage, o Options) ([]*pose.Track, error) {
	if !(o.FPS > 0) || math.IsInf(o.FPS, 0) {
		return nil, d.errorf("", "COCO keypoints hold no times: give the frame rate of the real motion")
	}
	if err := d.cocoCategories(f.categories); err != nil {
		return nil, err
	}
	byImage := map[int64]cocoPerson{}
	marks := true // visibility flags rather than scores
	two := false
	err := d.each("annotations", people, func(i int, dec *json.Decoder) error {
		here := fmt.Sprintf("annotations[%d]", i)
		var p cocoPerson
		if err := dec.Decode(&p); err != nil {
			return d.jsonError(here, err)
		}
		if len(p.Keypoints) != 3*len(d.names) {
			return d.errorf(here+".keypoints", "%d numbers; want %d: x, y, v for each of %d points", len(p.Keypoints), 3*len(d.names), len(d.names))
		}
		for k, v := range p.Keypoints {
			if math.Abs(v) > maxPx {
				return d.errorf(fmt.Sprintf("%s.keypoints[%d]", here, k), "%g is no place in a picture", v)
			}
			if k%3 == 2 {
				marks = marks && (v == 0 || v == 1 || v == 2)
				two = two || v == 2
			}
		}
		if _, twice := byImage[p.ImageID]; twice {
			return d.errorf(here, "a second person in image %d: keep the hitter only", p.ImageID)
		}
		if len(byImage) >= maxFrames {
			return d.errorf(here, "more than %d frames: cut the clip", maxFrames)
		}
		byImage[p.ImageID] = p
		return nil
	})
	if err != nil {
		return nil, err
	}
	ids, err := d.cocoImages(f.images)
	if err != nil {
		return nil, err
	}
	listed := ids != nil
	if !listed {
		for id := range byImage {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	ids = slices.Compact(ids)
	scale := 1.0
	if marks && two {
		scale = 0.5
	}
	t := &pose.Track{Width: d.width, Height: d.height}
	for _, j := range d.names {
		t.Has[j] = true
	}
	for i, id := range ids {
		n := int64(i)
		if !listed {
			n = id - ids[0]
		}
		if n < 0 || n > maxFrames {
			return nil, d.errorf("annotations", "image ids from %d to %d do not count frames: add the list of images", ids[0], id)
		}
		var p pose.Pose
		if person, ok := byImage[id]; ok {
			for k, j := range d.names {
				v := person.Keypoints[3*k : 3*k+3]
				p[j] = pose.Keypoint{X: v[0], Y: v[1], Score: min(max(v[2]*scale, 0), 1)}
			}
		}
		t.Frames, t.Times, t.Raw = append(t.Frames, int(n)), append(t.Times, float64(n)/o.FPS), append(t.Raw, p)
	}
	if t.Len() > 1 && !(t.Times[t.Len()-1] < maxTimeS && t.Times[1] > t.Times[0]) {
		return nil, d.errorf("", "a frame rate of %g does not give times of a clip", o.FPS)
	}
	return []*pose.Track{t}, nil
}

func (d *decoder) cocoCategories(raw json.RawMessage) error {
	var cats []struct {
		Keypoints []string `json:"keypoints"`
	}
	if raw != nil {
		if err := json.Unmarshal(raw, &cats); err != nil {
			return d.jsonError("categories", err)
		}
	}
	for i, c := range cats {
		if len(c.Keypoints) > 0 {
			return d.setNames(fmt.Sprintf("categories[%d].keypoints", i), c.Keypoints)
		}
	}
	return d.setNames("names", cocoNames)
}

func (d *decoder) cocoImages(raw json.RawMessage) ([]int64, error) {
	if raw == nil || string(raw) == "null" {
		return nil, nil
	}
	ids := []int64{}
	err := d.each("images", raw, func(i int, dec *json.Decoder) error {
		var im struct {
			ID     int64 `json:"id"`
			Width  int   `json:"width"`
			Height int   `json:"height"`
		}
		if err := dec.Decode(&im); err != nil {
			return d.jsonError(fmt.Sprintf("images[%d]", i), err)
		}
		if len(ids) >= maxFrames {
			return d.errorf(fmt.Sprintf("images[%d]", i), "more than %d frames: cut the clip", maxFrames)
		}
		ids = append(ids, im.ID)
		d.width, d.height = max(0, im.Width), max(0, im.Height)
		return nil
	})
	return ids, err
}
