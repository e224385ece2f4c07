//go:build cgo

package opencv

import (
	"strings"

	"gocv.io/x/gocv"
	"gonum.org/v1/gonum/mat"

	"cagebook/pipeline/video"
)

// lumaWeights are the red and blue weights of luma: ITU-R BT.709, BT.2020, and
// BT.601, which OpenCV 4.6 assumes whatever the file says.
var lumaWeights = map[string][2]float64{
	"bt601":    {0.299, 0.114},
	"bt709":    {0.2126, 0.0722},
	"bt2020nc": {0.2627, 0.0593},
	"bt2020c":  {0.2627, 0.0593},
}

// colorMatrix returns the 3×4 matrix that turns OpenCV's BGR into that of the
// file's own colour matrix and range; empty where OpenCV is right.
func colorMatrix(p *video.Probe) gocv.Mat {
	out := gocv.NewMat()
	w, known := lumaWeights[p.ColorSpace]
	// The yuvj formats carry their range with them; of others OpenCV takes the narrow range.
	wrongRange := p.FullRange && strings.HasPrefix(p.PixelFormat, "yuv") && !strings.HasPrefix(p.PixelFormat, "yuvj")
	if !known && !wrongRange || !strings.HasPrefix(p.PixelFormat, "yuv") && !strings.HasPrefix(p.PixelFormat, "nv12") && !strings.HasPrefix(p.PixelFormat, "p010") {
		return out
	}
	if !known {
		w = lumaWeights["bt601"]
	}
	assumedFull := strings.HasPrefix(p.PixelFormat, "yuvj")
	assumed, assumedOff := toBGR(lumaWeights["bt601"], assumedFull)
	real, realOff := toBGR(w, assumedFull || p.FullRange)
	// bgr' = R·(A⁻¹·bgr + a − r) with yuv offsets a (assumed) and r (real).
	var inv, m mat.Dense
	if err := inv.Inverse(assumed); err != nil {
		return out
	}
	m.Mul(real, &inv)
	var diff, shift mat.VecDense
	diff.SubVec(assumedOff, realOff)
	shift.MulVec(real, &diff)
	out.Close()
	out = gocv.NewMatWithSize(3, 4, gocv.MatTypeCV32F)
	for r := range 3 {
		for c := range 3 {
			out.SetFloatAt(r, c, float32(m.At(r, c)))
		}
		out.SetFloatAt(r, 3, float32(shift.AtVec(r)))
	}
	return out
}

// toBGR returns matrix T and offset o with bgr = T·(yuv − o) for 8 bit values.
func toBGR(w [2]float64, full bool) (*mat.Dense, *mat.VecDense) {
	kr, kb := w[0], w[1]
	kg := 1 - kr - kb
	y, c, y0 := 255.0/219, 255.0/224, 16.0
	if full {
		y, c, y0 = 1, 1, 0
	}
	t := mat.NewDense(3, 3, []float64{
		y, 2 * (1 - kb) * c, 0,
		y, -2 * (1 - kb) * kb / kg * c, -2 * (1 - kr) * kr / kg * c,
		y, 0, 2 * (1 - kr) * c,
	})
	return t, mat.NewVecDense(3, []float64{y0, 128, 128})
}
