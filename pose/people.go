package pose

import (
	"errors"
	"fmt"
	"math"
)

// ErrShape says that a model gave a tensor of another form than it should.
var ErrShape = errors.New("unexpected tensor")

// Fit is how a picture was put into a model's input: scaled evenly, in the top
// left corner, the rest black.
type Fit struct {
	W, H  int     // px of the input
	Scale float64 // px of the input ÷ px of the picture
}

const (
	peopleStep   = 32        // the people model takes sizes in multiples of this
	peopleMinPx  = 128       // smaller inputs lose heads and hands
	peopleMaxPx  = 448 * 768 // about 0.1 s a picture on one core: more is not worth it
	peopleWantPx = 200       // height of people in the input at which the model works best (150–260)
)

// PeopleFit chooses the input of the people model such that a person of
// personPx in the picture is about 200 px tall in it. personPx 0 = not known:
// the shorter side becomes 256 px.
func PeopleFit(w, h int, personPx float64) Fit {
	scale := 256 / float64(min(w, h))
	if personPx > 0 {
		scale = peopleWantPx / personPx
	}
	scale = math.Min(scale, math.Sqrt(peopleMaxPx/float64(w*h)))
	scale = math.Max(scale, peopleMinPx/float64(min(w, h)))
	round := func(n int) int {
		return max(peopleMinPx, int(math.Round(float64(n)*scale/peopleStep))*peopleStep)
	}
	f := Fit{W: round(w), H: round(h)}
	f.Scale = math.Min(float64(f.W)/float64(w), float64(f.H)/float64(h))
	return f
}

// PeopleInput makes the people model's input, int32 [1, H, W, 3], RGB.
func PeopleInput(im Image, f Fit) Tensor {
	small := fitted(im, f)
	t := Tensor{Shape: []int64{1, int64(f.H), int64(f.W), 3}, I32: make([]int32, f.H*f.W*3)}
	for y := range small.H {
		row := small.Pix[y*small.Stride : y*small.Stride+small.W*3]
		out := t.I32[y*f.W*3:]
		for i := 0; i+2 < len(row); i += 3 {
			out[i], out[i+1], out[i+2] = int32(row[i+2]), int32(row[i+1]), int32(row[i])
		}
	}
	return t
}

func fitted(im Image, f Fit) Image {
	s := NewImage(min(f.W, int(math.Round(float64(im.W)*f.Scale))), min(f.H, int(math.Round(float64(im.H)*f.Scale))))
	Resize(s, im)
	return s
}

// DecodePeople reads the people model's output [1, 6, 56]: six people, each 17
// COCO points (y, x, score), box (ymin, xmin, ymax, xmax) and score, relative
// to the input's size. People below minScore, and second copies of a person,
// are left out. zoom is px of the clip's picture ÷ px of the picture that was
// fitted (1 unless it was reduced before).
func DecodePeople(out Tensor, f Fit, zoom, minScore float64) ([]Person, error) {
	const slots, fields = 6, 56
	if len(out.F32) != slots*fields {
		return nil, fmt.Errorf("people model: %w %v, want [1 %d %d]", ErrShape, out.Shape, slots, fields)
	}
	sx, sy := float64(f.W)/f.Scale*zoom, float64(f.H)/f.Scale*zoom
	var people []Person
	for i := range slots {
		v := out.F32[i*fields : (i+1)*fields]
		p := Person{Score: float64(v[55]), Box: Box{float64(v[52]) * sx, float64(v[51]) * sy, float64(v[54]) * sx, float64(v[53]) * sy}}
		if !(p.Score >= minScore) {
			continue
		}
		for k, j := range COCOJoints {
			p.Points[j] = Keypoint{float64(v[3*k+1]) * sx, float64(v[3*k]) * sy, float64(v[3*k+2])}
		}
		people = append(people, p)
	}
	return dropCopies(people), nil
}

// dropCopies removes people who have nearly all their points where a better one has them.
func dropCopies(people []Person) []Person {
	var kept []Person
next:
	for _, p := range people { // the model sorts by score
		for i := range kept {
			if poseDistance(&p.Points, &kept[i].Points, 0.1) < 0.04*boxSize(kept[i].Box) {
				continue next
			}
		}
		kept = append(kept, p)
	}
	return kept
}

func boxSize(b Box) float64 { return math.Max(b.X1-b.X0, b.Y1-b.Y0) }

// poseDistance is the mean distance of the points that both have; +Inf if fewer than 4.
func poseDistance(a, b *Pose, minScore float64) float64 {
	var sum float64
	n := 0
	for j := range a {
		if a[j].Seen() && b[j].Seen() && a[j].Score >= minScore && b[j].Score >= minScore {
			sum += math.Hypot(a[j].X-b[j].X, a[j].Y-b[j].Y)
			n++
		}
	}
	if n < 4 {
		return math.Inf(1)
	}
	return sum / float64(n)
}

// ShirtColour is the mean colour between shoulders and hips.
func ShirtColour(im Image, p *Pose, zoom float64) [3]float64 {
	corners := [4]Joint{LeftShoulder, RightShoulder, LeftHip, RightHip}
	for _, j := range corners {
		if !p[j].Seen() {
			return [3]float64{}
		}
	}
	var sum [3]float64
	n := 0
	const steps = 7
	for a := 1; a < steps; a++ {
		for b := 1; b < steps; b++ {
			u, v := float64(a)/steps, float64(b)/steps
			x := ((1-u)*(1-v)*p[corners[0]].X + u*(1-v)*p[corners[1]].X + (1-u)*v*p[corners[2]].X + u*v*p[corners[3]].X) / zoom
			y := ((1-u)*(1-v)*p[corners[0]].Y + u*(1-v)*p[corners[1]].Y + (1-u)*v*p[corners[2]].Y + u*v*p[corners[3]].Y) / zoom
			if !(x >= 0 && y >= 0 && x < float64(im.W) && y < float64(im.H)) {
				continue
			}
			q := im.Pix[int(y)*im.Stride+int(x)*3:]
			for c := range sum {
				sum[c] += float64(q[c])
			}
			n++
		}
	}
	if n == 0 {
		return [3]float64{}
	}
	for c := range sum {
		sum[c] /= float64(n)
	}
	return sum
}
