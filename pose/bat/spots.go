package bat

import (
	"math"
	"slices"

	"cagebook/pose"
)

// spots are the small things of frame i that differ from the background, off the hitter and off the bat.
func (f *follower) spots(i int, r *Result) []spot {
	h := f.s.Height
	level := byte(ballLevels + int(f.noise))
	mask := make([]byte, f.w*f.h)
	mv := f.move[i]
	for y := range f.h {
		for x := range f.w {
			if d, ok := f.differs(i, x, y); ok && d >= int(level) {
				mask[y*f.w+x] = byte(min(d, 255))
			}
		}
	}
	clear1 := func(x0, y0, x1, y1, rad float64) {
		if !mv.still {
			x0, y0 = mv.from(x0, y0)
			x1, y1 = mv.from(x1, y1)
		}
		erase(mask, f.w, f.h, x0, y0, x1, y1, rad)
	}
	b := &f.s.Body[i]
	for _, l := range limbs {
		if u, v := b[l.a], b[l.b]; u.Known() && v.Known() {
			clear1(u.X, u.Y, v.X, v.Y, (l.r+0.012)*h)
		}
	}
	for _, j := range [2]pose.Joint{pose.LeftWrist, pose.RightWrist} {
		if b[j].Known() {
			clear1(b[j].X, b[j].Y, b[j].X, b[j].Y, 0.07*h)
		}
	}
	if s := &r.Bat[i]; s.Status == measured {
		clear1(s.Knob.X, s.Knob.Y, s.Barrel.X, s.Barrel.Y, 0.028*h)
	}
	return f.components(i, mask)
}

// erase clears a capsule of a mask.
func erase(mask []byte, w, h int, x0, y0, x1, y1, r float64) {
	dx, dy := x1-x0, y1-y0
	l2 := dx*dx + dy*dy
	for y := max(int(math.Min(y0, y1)-r), 0); y <= min(int(math.Max(y0, y1)+r)+1, h-1); y++ {
		for x := max(int(math.Min(x0, x1)-r), 0); x <= min(int(math.Max(x0, x1)+r)+1, w-1); x++ {
			px, py := float64(x)-x0, float64(y)-y0
			t := 0.0
			if l2 > 0 {
				t = math.Max(0, math.Min(1, (px*dx+py*dy)/l2))
			}
			if ex, ey := px-t*dx, py-t*dy; ex*ex+ey*ey <= r*r {
				mask[y*w+x] = 0
			}
		}
	}
}

// mostSpots bounds the spots of one frame: the strongest.
const mostSpots = 24

// components are the connected parts of a mask that a ball could be.
func (f *follower) components(i int, mask []byte) []spot {
	h := f.s.Height
	var out []spot
	var stack []int
	largest := int(ballMaxMajor * ballMaxMinor * h * h * 1.2)
	for start := range mask {
		if mask[start] == 0 {
			continue
		}
		stack = append(stack[:0], start)
		var n, peak int
		var s, sx, sy, sxx, syy, sxy float64
		w0 := mask[start]
		mask[start] = 0
		levels := []byte{w0}
		for len(stack) > 0 {
			k := stack[len(stack)-1]
			lv := levels[len(levels)-1]
			stack, levels = stack[:len(stack)-1], levels[:len(levels)-1]
			x, y := k%f.w, k/f.w
			m := float64(lv)
			n++
			peak = max(peak, int(lv))
			s, sx, sy = s+m, sx+m*float64(x), sy+m*float64(y)
			sxx, syy, sxy = sxx+m*float64(x*x), syy+m*float64(y*y), sxy+m*float64(x*y)
			for _, d := range [4][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
				u, v := x+d[0], y+d[1]
				if u < 0 || v < 0 || u >= f.w || v >= f.h {
					continue
				}
				if q := v*f.w + u; mask[q] != 0 {
					stack, levels = append(stack, q), append(levels, mask[q])
					mask[q] = 0
				}
			}
		}
		if n < 3 || n > largest {
			continue
		}
		mx, my := sx/s, sy/s
		a, b, c := sxx/s-mx*mx, syy/s-my*my, sxy/s-mx*my
		mean, diff := (a+b)/2, math.Hypot((a-b)/2, c)
		// A full disc of diameter d has a variance of d²/16 along each axis.
		major, minor := 4*math.Sqrt(math.Max(0, mean+diff))/h, 4*math.Sqrt(math.Max(0.04, mean-diff))/h
		if minor < ballMin || minor > ballMaxMinor || major > ballMaxMajor {
			continue
		}
		if float64(n) < 0.45*math.Pi/4*major*minor*h*h { // ragged
			continue
		}
		out = append(out, spot{i, f.s.Times[i], mx / h, my / h, major, minor, 0.5 * math.Atan2(2*c, a-b), peak})
	}
	if len(out) > mostSpots {
		slices.SortStableFunc(out, func(a, b spot) int { return b.peak - a.peak })
		out = out[:mostSpots]
	}
	return out
}

// vanished looks along a flight, about contact, for a ball that lay there before and is gone after.
func (f *follower) vanished(w *ray) (x, y float64, ok bool) {
	h := f.s.Height
	c := f.s.ContactS
	before, after := f.stretch(c-0.32, c-0.10), f.stretch(c+0.06, c+0.32)
	if len(before) < 3 || len(after) < 3 {
		return 0, 0, false
	}
	x0, y0 := w.at(c - 0.06)
	x1, y1 := w.at(c + 0.06)
	const aside = 0.06
	ax, bx := int((math.Min(x0, x1)-aside)*h), int((math.Max(x0, x1)+aside)*h)
	ay, by := int((math.Min(y0, y1)-aside)*h), int((math.Max(y0, y1)+aside)*h)
	mask := make([]byte, f.w*f.h)
	for py := max(ay, 0); py <= min(by, f.h-1); py++ {
		for px := max(ax, 0); px <= min(bx, f.w-1); px++ {
			if d := f.changed(before, after, px, py); d >= ballLevels+int(f.noise) {
				mask[py*f.w+px] = byte(min(d, 255))
			}
		}
	}
	best := aside
	for _, s := range f.components(0, mask) {
		if s.minor < 0.02 || s.major > 0.11 || s.major > 1.8*s.minor {
			continue
		}
		if s.minor > 1.5*w.wide || w.wide > 1.6*s.minor {
			continue // not the ball that flew off
		}
		// distance from the way
		v := math.Hypot(w.vx, w.vy)
		px, py := w.at(c)
		d := math.Abs((s.x-px)*w.vy-(s.y-py)*w.vx) / v
		if d < best {
			best, x, y, ok = d, s.x, s.y, true
		}
	}
	return x, y, ok
}

// stretch are up to seven frames of a stretch of time, evenly spread.
func (f *follower) stretch(from, to float64) []int {
	var all []int
	for i, t := range f.s.Times {
		if t >= from && t <= to {
			all = append(all, i)
		}
	}
	const most = 7
	if len(all) <= most {
		return all
	}
	out := make([]int, most)
	for k := range out {
		out[k] = all[k*(len(all)-1)/(most-1)]
	}
	return out
}

// changed is how much a place differs, in the median, between two sets of frames: the largest channel.
func (f *follower) changed(before, after []int, x, y int) int {
	worst := 0
	for c := range 3 {
		a, okA := f.medianAt(before, x, y, c)
		b, okB := f.medianAt(after, x, y, c)
		if !okA || !okB {
			return 0
		}
		d := int(a) - int(b)
		if d < 0 {
			d = -d
		}
		worst = max(worst, d)
	}
	return worst
}

func (f *follower) medianAt(frames []int, x, y, c int) (byte, bool) {
	var v [8]byte
	n := 0
	for _, i := range frames {
		if b, ok := f.sample(i, x, y, c); ok {
			v[n] = b
			n++
		}
	}
	if n == 0 {
		return 0, false
	}
	slices.Sort(v[:n])
	return v[n/2], true
}
