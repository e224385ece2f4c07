package main

import (
	"math"
	"sort"
)

func (b *bench) findingRows() []row {
	const sec = "findings"
	var rows []row
	var sum plantedCount
	for _, k := range sortedKeys(b.judged.planted) {
		p := b.judged.planted[k]
		r := share(sec, "planted fault named", k, p.named, p.clear, least(0.9, p.named, p.clear))
		r.Counts = p.counts()
		if p.noRule {
			r.Goals = nil
			r.Counts = map[string]int{"planted": p.planted, "no rule judges its measure": p.planted}
		}
		rows = append(rows, r)
		sum.planted, sum.small, sum.unseen, sum.hazy = sum.planted+p.planted, sum.small+p.small, sum.unseen+p.unseen, sum.hazy+p.hazy
		sum.clear, sum.named, sum.other, sum.chance = sum.clear+p.clear, sum.named+p.named, sum.other+p.other, sum.chance+p.chance
	}
	all := share(sec, "planted fault named", "", sum.named, sum.clear, least(0.9, sum.named, sum.clear))
	all.Counts = sum.counts()
	rows = append([]row{all}, rows...)
	var n ruleCount
	var byRule []row
	for _, k := range sortedKeys(b.judged.rules) {
		r := b.judged.rules[k]
		n.outside, n.clear, n.named = n.outside+r.outside, n.clear+r.clear, n.named+r.named
		n.within, n.invented = n.within+r.within, n.invented+r.invented
		n.workOn, n.workOnWrong = n.workOn+r.workOn, n.workOnWrong+r.workOnWrong
		n.keep, n.keepWrong, n.chance = n.keep+r.keep, n.keepWrong+r.keepWrong, n.chance+r.chance
		n.look, n.lookRight = n.look+r.look, n.lookRight+r.lookRight
		byRule = append(byRule, r.rows(k)...)
	}
	return append(append(rows, n.rows("")...), byRule...)
}

func (p *plantedCount) counts() map[string]int {
	return map[string]int{
		"planted": p.planted, "inside the band all the same": p.small, "not seen": p.unseen, "beyond by less than the interval": p.hazy,
		"beyond by more": p.clear, "named": p.named, "named though not clear": p.other, honest: int(math.Round(p.chance)),
	}
}

// honest counts the faults that would be named if errors were as large as stated, and no value had a bias.
const honest = "named, were errors just as stated"

// rows are those of one rule, or of all.
func (n *ruleCount) rows(rule string) []row {
	const sec = "findings"
	a := share(sec, "true fault named", rule, n.named, n.clear)
	a.Counts = map[string]int{"truth outside the band": n.outside, honest: int(math.Round(n.chance))}
	c := share(sec, "fault named that is not there, of findings to work on", rule, n.workOnWrong, n.workOn)
	d := share(sec, "fault named that is not there, of chances", rule, n.invented, n.within)
	e := share(sec, "praised though outside the band", rule, n.keepWrong, n.keep)
	l := share(sec, "pointed out without being sure: truly outside the band", rule, n.lookRight, n.look)
	if rule == "" {
		a.Goals = []goal{least(0.9, n.named, n.clear)}
		c.Goals = []goal{most("≤ 5 %", 0.05, ratio(n.workOnWrong, n.workOn), n.workOn)}
		d.Goals = []goal{most("≤ 5 %", 0.05, ratio(n.invented, n.within), n.within)}
	}
	return []row{a, c, d, e, l}
}

func ratio(k, n int) float64 {
	if n == 0 {
		return 0
	}
	return float64(k) / float64(n)
}

func sortedKeys[T any](m map[string]T) []string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}

// nearBat is how near the bat's end must be, % of body height.
const nearBat = 5.0

// batRow describes the frames in which the bat's end can be seen; the share is of frames answered within nearBat.
func batRow(name, group string, fs []batFrame) row {
	r := row{Section: "bat", Name: name, Group: group, Unit: "% of body height", N: len(fs)}
	var errs []float64
	near, inside := 0, 0
	for i := range fs {
		f := &fs[i]
		if !f.answered {
			continue
		}
		errs = append(errs, f.errPct)
		if f.errPct <= nearBat {
			near++
		}
		if f.inside {
			inside++
		}
	}
	r.Counts = map[string]int{"visible": len(fs), "answered": len(errs), "within 5 %": near}
	if len(fs) > 0 {
		s := ratio(near, len(fs))
		r.Share = &s
	}
	if len(errs) > 0 {
		med, p95, in := quantile(errs, 0.5), quantile(errs, 0.95), ratio(inside, len(errs))
		r.Median, r.P95, r.Inside = &med, &p95, &in
	}
	return r
}

// shutterClass is the class of exposure times that one belongs to.
func shutterClass(s float64) string {
	switch {
	case s <= 0:
		return "shutter not known"
	case s <= 1.0/800:
		return "shutter 1/1000 s and faster"
	case s <= 1.0/300:
		return "shutter 1/400 to 1/500 s"
	case s <= 1.0/180:
		return "shutter 1/200 to 1/250 s"
	}
	return "shutter 1/180 s and slower"
}

func (b *bench) batRows() []row {
	if len(b.bat) == 0 {
		return nil
	}
	var rows []row
	for _, end := range []string{"barrel", "knob"} {
		name := end + " end within 5 % of body height"
		of := func(ok func(*batFrame) bool) (fs []batFrame) {
			for i := range b.bat {
				if f := &b.bat[i]; f.end == end && ok(f) {
					fs = append(fs, *f)
				}
			}
			return fs
		}
		rows = append(rows, batRow(name, "", of(func(*batFrame) bool { return true })))
		for _, class := range rateClasses {
			r := batRow(name, class, of(func(f *batFrame) bool { return rateClass(f.fps) == class }))
			if r.N == 0 {
				continue
			}
			if end == "barrel" && class != "24-30 fps" {
				want := 0.90
				if class == "50-60 fps" {
					want = 0.75
				}
				r.Goals = []goal{least(want, r.Counts["within 5 %"], r.N)}
			}
			rows = append(rows, r)
		}
		groups := map[string]bool{}
		for i := range b.bat {
			groups[shutterClass(b.bat[i].shutterS)], groups["view "+b.bat[i].side], groups[b.bat[i].part] = true, true, true
		}
		for _, g := range sortedKeys(groups) {
			rows = append(rows, batRow(name, g, of(func(f *batFrame) bool {
				return shutterClass(f.shutterS) == g || "view "+f.side == g || f.part == g
			})))
		}
	}
	return rows
}

func (b *bench) jointRows() []row {
	var rows []row
	for _, j := range benchJoints {
		e := b.joints[j.String()]
		if e == nil {
			continue
		}
		for _, k := range []struct {
			group string
			errs  []float64
		}{{"raw", e.raw}, {"smoothed", e.smooth}} {
			r := row{Section: "keypoints", Name: j.String(), Group: k.group, Unit: "% of body height", N: len(k.errs)}
			if len(k.errs) > 0 {
				med, p95 := quantile(k.errs, 0.5), quantile(k.errs, 0.95)
				r.Median, r.P95 = &med, &p95
			}
			if k.group == "smoothed" && e.of > 0 {
				in := ratio(e.inside, e.of)
				r.Inside = &in
			}
			rows = append(rows, r)
		}
	}
	return rows
}
