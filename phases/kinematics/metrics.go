package kinematics

import "math"

// COCOSigmas are the spreads of human annotators for the 17 COCO keypoints, in COCO's
// order, as parts of √area. Source: the COCO keypoint evaluation.
var COCOSigmas = [17]float64{
	.026, .025, .025, .035, .035, // nose, eyes, ears
	.079, .079, .072, .072, .062, .062, // shoulders, elbows, wrists
	.107, .107, .087, .087, .089, .089, // hips, knees, ankles
}

// OKS is the object keypoint similarity of COCO, 0 to 1:
// the mean over labelled points of exp(−d²/(2·area·κ²)) with κ = 2σ.
//
//	distPx    distance of each predicted point from its label, px
//	labelled  whether the point is labelled (COCO's v > 0)
//	sigma     annotators' spread of each point, e.g. COCOSigmas
//	areaPx2   area of the person's segment, px²; COCO uses the mask's, not the box's
//
// NaN if no point is labelled or the lengths differ.
//
// Source: the COCO keypoint evaluation.
func OKS(distPx []float64, labelled []bool, sigma []float64, areaPx2 float64) float64 {
	if len(distPx) != len(labelled) || len(distPx) != len(sigma) {
		return math.NaN()
	}
	var sum float64
	var n int
	for i, d := range distPx {
		if !labelled[i] {
			continue
		}
		n++
		k := 2 * sigma[i]
		sum += math.Exp(-d * d / (2 * areaPx2 * k * k))
	}
	return sum / float64(n) // 0/0 is NaN
}

// PCK is the share of points whose error is within a threshold. What the threshold is a part of
// (torso, box, head) varies from paper to paper: say which. NaN without points; a NaN error counts as wrong.
func PCK(errPx []float64, thresholdPx float64) float64 {
	var hit int
	for _, e := range errPx {
		if e <= thresholdPx {
			hit++
		}
	}
	return float64(hit) / float64(len(errPx))
}

// MPJPE is the mean distance between matching points; NaN for none or for unequal lengths.
// With root ≥ 0 both sets are first shifted so that this point coincides.
func MPJPE(got, want []Vec3, root int) float64 {
	if len(got) != len(want) || root >= len(got) {
		return math.NaN()
	}
	var shift Vec3
	if root >= 0 {
		shift = got[root].Sub(want[root])
	}
	var sum float64
	for i := range got {
		sum += got[i].Sub(want[i]).Sub(shift).Norm()
	}
	return sum / float64(len(got))
}
