package bat

import "math"

// colours are what a bat's colour says: a weight for every colour of 4 bits a channel.
type colours struct {
	w [4096]float32 // factor of what differs from the background
	p [4096]float32 // 0 to 1: how much more of the bat's than of anything else
}

func colourBin(p []byte) int { return int(p[0]>>4)<<8 | int(p[1]>>4)<<4 | int(p[2]>>4) }

func (c *colours) weight(p []byte) float32 { return c.w[colourBin(p)] }
func (c *colours) like(p []byte) float32   { return c.p[colourBin(p)] }

const (
	sureGap     = 6.0   // frames from which the colour is learnt are surer than this
	slowDegS    = 400.0 // and the bat turns slower than this: no blur
	learnFrames = 3     // at least so many
	learnPixels = 150
)

// learn finds the bat's colour in frames where bat and answer are beyond doubt:
// the colours on the line against those of everything else that differs from
// the background. It is nil where there are too few such frames, or where the colours
// do not tell the two apart.
func (f *follower) learn(w way) *colours {
	var on, off [4096]float64
	frames, pixels := 0, 0.0
	h := f.s.Height
	for i := range w.gap {
		if !(w.gap[i] > sureGap) || f.turning(w, i) > slowDegS {
			continue
		}
		g := f.grips[i]
		p := f.evidence(i, g, nil)
		d := dirs[w.angle[i]]
		l := length(w.length[i], f.maxR)
		im := &f.s.Pics[i]
		frames++
		for y := 0; y < p.n; y++ {
			for x := 0; x < p.n; x++ {
				k := y*p.n + x
				if p.e[k] < 0.3 && !p.in[k] {
					continue
				}
				px, py := p.x0+x, p.y0+y
				if px < 0 || py < 0 || px >= f.w || py >= f.h {
					continue
				}
				dx, dy := float64(px)-g.x, float64(py)-g.y
				along, across := dx*d[0]+dy*d[1], math.Abs(dx*d[1]-dy*d[0])
				b := colourBin(im.Pix[py*im.Stride+3*px:])
				switch {
				case !p.in[k] && along > 0.1*h && along < (l-0.02)*h && across < 0.016*h:
					on[b]++
					pixels++
				case across > 0.05*h || along > (l+0.06)*h || along < 0:
					off[b]++
				}
			}
		}
	}
	if frames < learnFrames || pixels < learnPixels {
		return nil
	}
	spreadColour(&on)
	spreadColour(&off)
	var nOn, nOff float64
	for b := range on {
		nOn += on[b]
		nOff += off[b]
	}
	if nOff == 0 {
		return nil
	}
	c := &colours{}
	var meanOn, meanOff float64
	for b := range c.w {
		a, o := on[b]/nOn, off[b]/nOff
		const rare = 2e-4 // share below which a colour says nothing
		p := (a + rare) / (a + o + 2*rare)
		c.w[b] = float32(0.35 + 1.1*p)
		c.p[b] = float32(math.Max(0, (p-0.6)/0.4))
		meanOn += a * p
		meanOff += o * p
	}
	if meanOn-meanOff < 0.25 { // it does not separate
		return nil
	}
	return c
}

// spreadColour lets neighbouring colours count a little, for light and shade.
func spreadColour(h *[4096]float64) {
	for _, s := range [3]int{1, 16, 256} {
		src := *h
		for b := range h {
			v := src[b]
			if b/s%16 > 0 {
				v += 0.3 * src[b-s]
			}
			if b/s%16 < 15 {
				v += 0.3 * src[b+s]
			}
			h[b] = v
		}
	}
}

// turning is how fast the bat turns about frame i, degrees a second; +Inf where it is not known.
func (f *follower) turning(w way, i int) float64 {
	worst := -1.0
	for _, k := range [2]int{i - 1, i + 1} {
		if k < 0 || k >= len(w.gap) || math.IsNaN(w.gap[k]) {
			continue
		}
		d := math.Abs(math.Remainder(float64(w.angle[k]-w.angle[i])*360/angles, 360)) / math.Abs(f.s.Times[k]-f.s.Times[i])
		worst = math.Max(worst, d)
	}
	if worst < 0 {
		return math.Inf(1)
	}
	return worst
}
