package studio

import (
	"math/rand/v2"

	"cagebook/pose"
)

// dressed is a look with every colour chosen.
type dressed struct {
	skin, shirt, trousers, shoes, hat, hair, bat, sock, glove, sleeve rgb
	hatKind                                                           string
	long, loose                                                       bool
	hairKind                                                          string
	build                                                             float64
}

var (
	skins    = []uint32{0xf1c9a5, 0xe0ac7e, 0xc68642, 0x9a6a3f, 0x6b4423, 0xd9a066}
	shirts   = []uint32{0x2f5d8a, 0x8a2f3a, 0x3c6e47, 0xd8d8d4, 0x4a4a55, 0xc9822b, 0x6a4c93, 0x1f7a8c}
	trousers = []uint32{0xe4e2da, 0xbfc3c7, 0x3a3d44, 0x8c8f92, 0x2b3550}
	hats     = []uint32{0x23395b, 0x7a1f2b, 0x1e3d2f, 0x2a2a2e, 0x5b3a1e}
	bats     = []uint32{0xb98a4b, 0x2b2b30, 0xa23b3b, 0xc0c4c8, 0x3f6fa8}
)

// dress fills what a look leaves open, from rng.
func dress(l Look, rng *rand.Rand) dressed {
	choose := func(c uint32, from []uint32) rgb {
		k := from[rng.IntN(len(from))]
		if c != 0 {
			k = c
		}
		return hex(k)
	}
	d := dressed{
		skin: choose(l.Skin, skins), shirt: choose(l.Shirt, shirts), trousers: choose(l.Trousers, trousers),
		hat: choose(l.Hat, hats), bat: choose(l.Bat, bats), hair: choose(0, []uint32{0x2a1c12, 0x4a3320, 0x151313, 0x7a5a34}),
		shoes: choose(l.Shoes, []uint32{0x222226, 0xd9d9d9, 0x35353d}), hatKind: l.HatKind, long: l.Sleeves == "long", loose: l.Fit == "loose", hairKind: l.Hair, build: l.Build,
	}
	d.sock = d.hat.mix(d.trousers, 0.15)
	d.glove = hex(0x2c2c30).mix(d.hat, 0.4)
	if d.hatKind == "" {
		d.hatKind = "helmet"
	}
	if d.build == 0 {
		d.build = 0.92 + 0.2*rng.Float64()
	}
	d.sleeve = d.skin
	if d.long {
		d.sleeve = d.shirt.mix(hex(0x202024), 0.35)
	}
	return d
}

// skinFigure adds a person's skin and clothes to the mesh. The radii are of a
// middling adult, as fractions of stature.
func (m *mesh) skinFigure(f *Figure, b Body, d dressed) {
	H := b.HeightM
	J := &f.Joints
	k := d.build
	hipL, hipR, shL, shR := J[pose.LeftHip], J[pose.RightHip], J[pose.LeftShoulder], J[pose.RightShoulder]
	mh, ms := f.MidHip(), f.MidShoulder()
	spine := ms.sub(mh)
	axis := spine.unit()
	hipU, shU := hipL.sub(hipR).unit(), shL.sub(shR).unit()

	for _, left := range []bool{true, false} {
		s := func(j pose.Joint) Vec {
			if !left {
				j = j.Swap()
			}
			return J[j]
		}
		m.leg(s, f, H, k, d)
		m.arm(s, f, H, k, d)
	}

	// Trunk.
	type sec struct {
		at, a, b, back float64
		col            rgb
	}
	tr, sh := d.trousers, d.shirt
	belt := hex(0x1d1d20)
	secs := []sec{
		{-0.22, 0.001, 0.001, 0, tr},
		{-0.20, 0.045, 0.045, 0.05, tr},
		{-0.12, 0.083, 0.063, 0.14, tr},
		{0.0, 0.097, 0.069, 0.20, tr},
		{0.09, 0.096, 0.066, 0.14, tr},
		{0.185, 0.088, 0.060, 0.04, tr},
		{0.195, 0.089, 0.061, 0.03, belt},
		{0.245, 0.088, 0.061, 0, belt},
		{0.25, 0.092, 0.064, 0, sh},
		{0.36, 0.089, 0.063, -0.02, sh},
		{0.52, 0.092, 0.067, -0.05, sh},
		{0.68, 0.099, 0.071, -0.06, sh},
		{0.82, 0.102, 0.069, -0.02, sh},
		{0.93, 0.098, 0.058, 0.06, sh},
		{1.01, 0.080, 0.046, 0.10, sh},
		{1.07, 0.050, 0.036, 0.10, sh},
		{1.10, 0.034, 0.032, 0.10, d.skin.times(0.85)},
		{1.16, 0.031, 0.031, 0.05, d.skin},
	}
	if d.loose { // the jersey hangs over the belt and stands off the body, in folds
		secs = []sec{
			secs[0], secs[1], secs[2],
			{-0.03, 0.097, 0.069, 0.19, tr},
			{-0.02, 0.104, 0.077, 0.18, sh.times(0.72)},
			{0.02, 0.113, 0.085, 0.16, sh.times(0.95)},
			{0.10, 0.109, 0.080, 0.12, sh.times(1.03)},
			{0.19, 0.111, 0.083, 0.06, sh.times(0.93)},
			{0.28, 0.107, 0.079, 0.02, sh.times(1.02)},
			{0.37, 0.110, 0.083, -0.02, sh.times(0.94)},
			{0.52, 0.107, 0.081, -0.05, sh.times(1.03)},
			{0.68, 0.110, 0.082, -0.06, sh.times(0.97)},
			{0.82, 0.111, 0.077, -0.02, sh},
			{0.93, 0.104, 0.063, 0.06, sh},
			{1.01, 0.083, 0.048, 0.10, sh},
			{1.07, 0.052, 0.037, 0.10, sh},
			secs[len(secs)-2], secs[len(secs)-1],
		}
	}
	rs := make([]ring, 0, len(secs))
	for _, s := range secs {
		w := clamp(s.at, 0, 1)
		u := hipU.to(shU, jerk(w, 0.05, 0.85)).unit()
		fw := f.PelvisF.to(f.Chest, jerk(w, 0.05, 0.85))
		up := Vec{0, 0, 1}.to(axis, clamp(w*2+0.3, 0, 1)).unit()
		u = u.orth(up)
		v := up.cross(u)
		if v.dot(fw) < 0 {
			v = v.mul(-1)
		}
		rs = append(rs, ring{c: mh.plus(s.at, spine).plus(-s.back*0.07*H, v), u: u, v: v, a: s.a * H * k, b: s.b * H * k, col: s.col})
	}
	m.tube(rs)
	base := mh.plus(0.97, spine).plus(-0.006*H, f.Chest)
	m.capsule(base, f.HeadC.plus(-0.030*H, f.HeadU).plus(-0.010*H, f.HeadF), 0.0300*H, d.skin.times(0.92))
	m.head(f, H, d)
	if f.HasBat {
		m.bat(f.Knob, f.Barrel, d)
	}
}

func (m *mesh) leg(s func(pose.Joint) Vec, f *Figure, H, k float64, d dressed) {
	hip, knee, ankle, heel, toe := s(pose.LeftHip), s(pose.LeftKnee), s(pose.LeftAnkle), s(pose.LeftHeel), s(pose.LeftFootIndex)
	ref := knee.sub(hip.to(ankle, 0.5)) // the front of the leg
	if ref.norm() < 0.02*H {
		ref = toe.sub(heel)
	}
	ref = ref.plus(0.3, toe.sub(heel).unit())
	tr := d.trousers
	m.limb(hip, knee, ankle, ref, H, []station{
		{0, -0.12, 0.030 * k, 0, tr},
		{0, -0.04, 0.051 * k, 0, tr},
		{0, 0.12, 0.055 * k, 0.04, tr},
		{0, 0.35, 0.050 * k, 0.08, tr},
		{0, 0.60, 0.043 * k, 0.06, tr},
		{0, 0.82, 0.037 * k, 0.02, tr},
		{0, 0.95, 0.036 * k, 0.04, tr},
		{1, 0.06, 0.036 * k, 0.02, tr},
		{1, 0.18, 0.037 * k, -0.10, tr},
		{1, 0.33, 0.038 * k, -0.18, tr},
		{1, 0.50, 0.034 * k, -0.12, tr},
		{1, 0.60, 0.032 * k, -0.08, tr},
		{1, 0.605, 0.028 * k, -0.08, d.sock},
		{1, 0.80, 0.023, 0, d.sock},
		{1, 0.95, 0.021, 0, d.sock},
		{1, 1.05, 0.020, 0, d.sock},
	})
	// Shoe: sections across the foot from heel to tip, and a sole.
	fw := toe.sub(heel).unit()
	up := ankle.sub(heel).orth(fw)
	u := fw.cross(up)
	L := toe.sub(heel).norm()
	sole := hex(0xcfcfcf).mix(d.shoes, 0.4)
	secs := []struct{ at, w, h, z float64 }{ // share of heel–toe, half-width, half-height, middle's height
		{-0.16, 0.001, 0.001, 0.012},
		{-0.14, 0.014, 0.014, 0.012},
		{-0.05, 0.021, 0.021, 0.014},
		{0.12, 0.023, 0.026, 0.018},
		{0.32, 0.024, 0.027, 0.018},
		{0.55, 0.026, 0.021, 0.011},
		{0.80, 0.029, 0.016, 0.006},
		{1.00, 0.028, 0.013, 0.004},
		{1.12, 0.021, 0.011, 0.002},
		{1.19, 0.010, 0.007, 0},
		{1.20, 0.0005, 0.0005, 0},
	}
	rs := make([]ring, 0, len(secs))
	so := make([]ring, 0, len(secs))
	for _, q := range secs {
		c := heel.plus(q.at*L, fw).plus(q.z*H, up)
		rs = append(rs, ring{c: c, u: u, v: up, a: q.w * H, b: q.h * H, col: d.shoes})
		so = append(so, ring{c: heel.plus(q.at*L, fw).plus(-0.006*H, up), u: u, v: up, a: q.w * H * 1.04, b: 0.006 * H * clamp(q.w*80, 0, 1), col: sole})
	}
	m.tube(rs)
	m.tube(so)
}

func (m *mesh) arm(s func(pose.Joint) Vec, f *Figure, H, k float64, d dressed) {
	sh, el, wr, ix, pk, th := s(pose.LeftShoulder), s(pose.LeftElbow), s(pose.LeftWrist), s(pose.LeftIndex), s(pose.LeftPinky), s(pose.LeftThumb)
	ref := el.sub(sh.to(wr, 0.5)).mul(-1)
	if ref.norm() < 0.01*H {
		ref = f.Chest
	}
	st, sl := d.shirt, d.sleeve
	wide, hem := 1.0, 0.58
	if d.loose {
		wide, hem = 1.28, 0.76
	}
	m.limb(sh, el, wr, ref, H, []station{
		{0, -0.16, 0.012 * k, 0, st},
		{0, -0.10, 0.030 * k, 0, st},
		{0, 0.04, 0.039 * k * (0.5 + 0.5*wide), 0, st},
		{0, 0.22, 0.037 * k * wide, 0, st},
		{0, hem * 0.7, 0.035 * k * wide, 0, st.times(float32(2 - wide*0.98))},
		{0, hem, 0.036 * k * wide, 0, st},
		{0, hem + 0.005, 0.0275 * k, 0, sl},
		{0, 0.83, 0.025 * k, 0, sl},
		{0, 0.95, 0.0235 * k, -0.08, sl},
		{1, 0.08, 0.0245 * k, 0, sl},
		{1, 0.25, 0.0255 * k, 0, sl},
		{1, 0.50, 0.022 * k, 0, sl},
		{1, 0.78, 0.0175, 0, sl},
		{1, 0.92, 0.0165, 0, d.skin},
		{1, 1.0, 0.0165, 0, d.skin},
		{1, 1.08, 0.014, 0, d.skin},
	})
	// Hand: a fist about the handle, thumb across it.
	c := ix.to(pk, 0.5)
	ax := ix.sub(pk).unit()
	w := c.sub(wr).orth(ax)
	n := ax.cross(w)
	m.ellipsoid(wr.to(c, 0.62), n, w, ax, 0.019*H, 0.031*H, 0.029*H, d.glove, nil)
	m.ellipsoid(c.plus(-0.004*H, w), n, w, ax, 0.023*H, 0.018*H, 0.030*H, d.glove.times(0.92), nil)
	m.capsule(wr.to(th, 0.5), th, 0.0095*H, d.glove)
}

// head draws skull, face and headgear. Everything that has a front counts:
// without it a pose model may take the front for the back.
func (m *mesh) head(f *Figure, H float64, d dressed) {
	c, fw, up := f.HeadC, f.HeadF, f.HeadU
	side := f.Joints[pose.LeftEar].sub(f.Joints[pose.RightEar]).orth(fw)
	at := func(x, y, z float64) Vec { return c.plus(x*H, fw).plus(y*H, up).plus(z*H, side) }
	m.ellipsoid(at(0.004, 0.004, 0), side, fw, up, 0.043*H, 0.054*H, 0.068*H, d.skin, func(z float64) (float64, float64, float64, rgb) {
		col := d.skin
		if z < -0.1 { // jaw: narrower, forward
			t := (-0.1 - z) / 0.9
			return 1 - 0.30*t, 1 - 0.24*t, 0.22 * t, col.times(float32(1 - 0.08*t))
		}
		return 1, 1, 0, col
	})
	dark := d.hair.times(0.6)
	lip := d.skin.mix(hex(0x8a3a36), 0.55)
	for _, e := range []float64{1, -1} {
		m.ellipsoid(at(0.0495, 0.008, 0.018*e), side, fw, up, 0.0085*H, 0.006*H, 0.0055*H, hex(0xf4f2ee), nil)
		m.ellipsoid(at(0.0545, 0.008, 0.018*e), side, fw, up, 0.0040*H, 0.003*H, 0.0046*H, hex(0x1c1410), nil)
		m.ellipsoid(at(0.0515, 0.0185, 0.018*e), side, fw, up, 0.0115*H, 0.006*H, 0.0030*H, dark, nil)
		m.ellipsoid(at(-0.002, -0.002, 0.043*e), fw, side, up, 0.011*H, 0.006*H, 0.017*H, d.skin.times(0.9), nil)
		m.ellipsoid(at(0.040, -0.012, 0.022*e), side, fw, up, 0.013*H, 0.011*H, 0.014*H, d.skin, nil)
	}
	m.ellipsoid(at(0.058, -0.008, 0), side, fw, up, 0.0085*H, 0.013*H, 0.008*H, d.skin.times(0.97), nil)
	m.ellipsoid(at(0.054, 0.003, 0), side, fw, up, 0.006*H, 0.008*H, 0.014*H, d.skin, nil)
	m.ellipsoid(at(0.0515, -0.034, 0), side, fw, up, 0.0150*H, 0.0065*H, 0.0042*H, lip, nil)
	m.ellipsoid(at(0.040, -0.052, 0), side, fw, up, 0.020*H, 0.015*H, 0.014*H, d.skin.times(0.97), nil)
	hair := func(back, up, wide, deep, tall float64) {
		m.ellipsoid(at(back, up, 0), side, fw, Vec{0, 0, 1}.orth(side), wide*H, deep*H, tall*H, d.hair, nil)
	}
	switch d.hairKind {
	case "long": // falls to the shoulders, from the back of the head
		hair(-0.034, -0.020, 0.042, 0.026, 0.062)
		hair(-0.040, -0.062, 0.046, 0.020, 0.050)
	case "tail":
		base := at(-0.054, 0.012, 0)
		mid := base.plus(-0.020*H, fw).plus(-0.040*H, Vec{0, 0, 1})
		m.capsule(base, mid, 0.013*H, d.hair)
		m.capsule(mid, mid.plus(-0.062*H, Vec{0, 0, 1}), 0.0115*H, d.hair.times(0.92))
	}
	switch d.hatKind {
	case "none":
		if d.hairKind == "bald" {
			break
		}
		m.ellipsoid(at(-0.008, 0.016, 0), side, fw, up, 0.046*H, 0.052*H, 0.060*H, d.hair, nil)
	case "mask": // a catcher's or umpire's
		m.ellipsoid(at(-0.004, 0.014, 0), side, fw, up, 0.048*H, 0.058*H, 0.062*H, d.hat, nil)
		m.ellipsoid(at(0.030, -0.012, 0), side, fw, up, 0.044*H, 0.044*H, 0.062*H, hex(0x2e2e33), nil)
	default:
		col := d.hat
		r := 1.0
		if d.hatKind == "helmet" {
			r = 1.10
			for _, e := range []float64{1, -1} { // ear flaps
				m.ellipsoid(at(0.000, -0.006, 0.042*e), fw, side, up, 0.030*H, 0.009*H, 0.036*H, col, nil)
			}
		} else {
			m.ellipsoid(at(-0.012, 0.004, 0), side, fw, up, 0.045*H, 0.047*H, 0.050*H, d.hair, nil)
		}
		// The shell is the upper part of an ellipsoid; the lower rings are drawn in to the skull.
		m.ellipsoid(at(-0.002, 0.024, 0), side, fw, up, 0.046*r*H, 0.056*r*H, 0.054*r*H, col, func(z float64) (float64, float64, float64, rgb) {
			if z < -0.15 {
				t := (-0.15 - z) / 0.85
				return 1 - 0.25*t, 1 - 0.30*t, -0.45 * t, col.times(0.9)
			}
			return 1, 1, 0, col
		})
		m.ellipsoid(at(0.062, 0.0225, 0), side, fw.plus(-0.18, up).unit(), up.plus(0.18, fw).unit(), 0.036*H, 0.036*H, 0.0045*H, col.times(0.85), nil)
	}
}

// bat draws knob, handle with grip, taper, barrel and end.
func (m *mesh) bat(knob, end Vec, d dressed) {
	w := end.sub(knob)
	L := w.norm()
	w = w.unit()
	u := (Vec{0.31, 0.52, 0.79}).orth(w)
	v := w.cross(u)
	tape := hex(0x1b1b1e)
	secs := []struct {
		at, r float64 // m
		col   rgb
	}{
		{0, 0.0005, d.bat},
		{0.001, 0.024, d.bat},
		{0.014, 0.025, d.bat},
		{0.022, 0.0135, tape},
		{0.10, 0.0130, tape},
		{0.25, 0.0130, tape},
		{0.27, 0.0125, d.bat},
		{L * 0.45, 0.0165, d.bat},
		{L * 0.62, 0.026, d.bat},
		{L * 0.76, 0.0325, d.bat},
		{L - 0.03, 0.0332, d.bat},
		{L - 0.008, 0.031, d.bat},
		{L - 0.001, 0.020, d.bat.times(0.7)},
		{L, 0.0005, d.bat.times(0.7)},
	}
	rs := make([]ring, 0, len(secs))
	for _, q := range secs {
		rs = append(rs, ring{c: knob.plus(q.at, w), u: u, v: v, a: q.r, b: q.r, col: q.col})
	}
	m.tube(rs)
}
