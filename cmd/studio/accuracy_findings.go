package main

import (
	"math"

	"cagebook/configs"
	"cagebook/phases"
	"cagebook/pipeline/studio"
	"cagebook/report"
)

// z95 bounds 95 % of a normal distribution.
const z95 = 1.96

// plantedCount is what became of one kind of planted fault.
type plantedCount struct {
	planted int // swings found that have it
	small   int // the swing's own style takes it back: it lies inside the band
	unseen  int // its measure has no value
	hazy    int // beyond the band by less than the reported interval
	clear   int // beyond it by more: must be named
	named   int // of those
	other   int // small, unseen or hazy, and named all the same
	noRule  bool

	chance float64 // of clear: how many an honest report names (chanceOf)
}

// ruleCount is what became of one rule.
type ruleCount struct {
	outside, clear, named int // truth outside a band; of those by more than the reported interval; of those named
	within, invented      int // truth inside all bands of the rule and a value there; of those named
	workOn, workOnWrong   int // findings to work on whose truth is known; of those inside the band
	keep, keepWrong       int // findings to keep whose truth is known; of those outside the band
	look, lookRight       int // pointed out without being sure, truth known; of those outside the band

	chance float64 // of clear: how many an honest report names (chanceOf)
}

// chanceOf is the chance that a report names a fault that lies beyond the band by so much, where its values have no bias and errors as large as
// it states: what it found must lie beyond the band by the interval as well. Of faults that are just clear it is a half.
func chanceOf(beyond, sigma float64) float64 {
	return 0.5 * math.Erfc((z95-beyond/sigma)/math.Sqrt2)
}

// judgements holds findings against the truth.
type judgements struct {
	planted map[string]*plantedCount
	rules   map[string]*ruleCount
}

func newJudgements() judgements {
	return judgements{map[string]*plantedCount{}, map[string]*ruleCount{}}
}

// judge holds the findings of a swing against its truth: the true value of each measure against the band of the rule.
func (b *bench) judge(c *clip, want *studio.TruthSwing, got *found) {
	truth := map[string]float64{}
	for _, m := range want.Measures {
		truth[m.Name+" @ "+m.Event] = m.Value
	}
	findings := map[string]*report.Finding{}
	for i := range got.findings {
		findings[got.findings[i].Rule] = &got.findings[i]
	}
	b.judgePlanted(c, want, findings)
	for i := range b.rules.Rules {
		r := &b.rules.Rules[i]
		f := findings[r.ID]
		if f == nil || r.Mode == configs.ModeDescribe {
			continue
		}
		n := b.judged.rules[r.ID]
		if n == nil {
			n = &ruleCount{}
			b.judged.rules[r.ID] = n
		}
		named := isNamed(f)
		anyBeyond := false // some check of the rule is truly outside its band
		for k := range r.Checks {
			if band, v, ok := held(&r.Checks[k], truth, c.hitter); ok && beyond(v, band) > 0 {
				anyBeyond = true
			}
		}
		for k := range r.Checks {
			check := &r.Checks[k]
			band, v, ok := held(check, truth, c.hitter)
			m := measureOf(f, check.Measure, check.Event)
			if !ok || r.Mode != configs.ModeJudge {
				continue
			}
			out := beyond(v, band)
			seen := m != nil && m.Status == phases.Measured
			if out > 0 {
				n.outside++
			}
			switch {
			case !seen:
			case out > z95*float64(m.Sigma):
				n.clear++
				n.chance += chanceOf(out, float64(m.Sigma))
				if named {
					n.named++
				} else {
					b.notice("%s: NOT NAMED %s: %s is truly %.3g; %.3g ± %.3g was found (%s)", c.label, r.ID, check.Measure, v, float64(m.Value), float64(m.Sigma), f.Verdict)
				}
			case !anyBeyond:
				n.within++
				if named {
					n.invented++
				}
			}
		}
		b.verdict(c, r, f, truth, n, named)
	}
}

// verdict holds what a finding asks for or praises against the truth of the measure that decided.
func (b *bench) verdict(c *clip, r *configs.Rule, f *report.Finding, truth map[string]float64, n *ruleCount, named bool) {
	if f.Band == nil {
		return
	}
	for k := range r.Checks {
		check := &r.Checks[k]
		band, v, ok := held(check, truth, c.hitter)
		if !ok || check.Measure != f.Band.Measure {
			continue
		}
		wrong := beyond(v, band) <= 0
		switch {
		case named:
			n.workOn++
			if wrong {
				n.workOnWrong++
				if m := measureOf(f, check.Measure, check.Event); m != nil {
					b.notice("%s: NOT THERE %s: %s is truly %.3g; %.3g ± %.3g was found", c.label, r.ID, check.Measure, v, float64(m.Value), float64(m.Sigma))
				}
			}
		case f.Look:
			n.look++
			if !wrong {
				n.lookRight++
			}
		case f.Verdict == report.Keep:
			n.keep++
			if !wrong {
				n.keepWrong++
			}
		}
		return
	}
}

// judgePlanted counts what became of the faults that were planted.
func (b *bench) judgePlanted(c *clip, want *studio.TruthSwing, findings map[string]*report.Finding) {
	for _, p := range want.Planted {
		n := b.judged.planted[p.Fault]
		if n == nil {
			n = &plantedCount{noRule: p.Rule == ""}
			b.judged.planted[p.Fault] = n
		}
		n.planted++
		f := findings[p.Rule]
		if f == nil {
			continue
		}
		m := measureOf(f, p.Measure, p.Event)
		named := isNamed(f)
		switch {
		case !p.Small && m != nil && m.Status == phases.Measured && p.Beyond > z95*float64(m.Sigma):
			n.clear++
			n.chance += chanceOf(p.Beyond, float64(m.Sigma))
			if named {
				n.named++
			}
			continue
		case p.Small:
			n.small++
		case m == nil || m.Status != phases.Measured:
			n.unseen++
		default:
			n.hazy++
		}
		if named {
			n.other++
		}
	}
}

// isNamed says whether a finding tells of a fault, be it among the first two or further down.
func isNamed(f *report.Finding) bool { return f.Verdict == report.WorkOn || f.Later }

// held is the band that a check holds a hitter against, and the true value of its measure.
func held(check *configs.Check, truth map[string]float64, h report.Hitter) (band *configs.Band, v float64, ok bool) {
	band = check.For(h.Level, h.Sport, h.Task)
	v, ok = truth[check.Measure+" @ "+check.Event]
	return band, v, ok && band != nil
}

// beyond is how far a value lies outside a band; ≤ 0 inside.
func beyond(v float64, b *configs.Band) float64 {
	out := math.Inf(-1)
	if b.Low != nil {
		out = math.Max(out, *b.Low-v)
	}
	if b.High != nil {
		out = math.Max(out, v-*b.High)
	}
	return out
}

func measureOf(f *report.Finding, name, event string) *report.FindingMeasure {
	for i := range f.Measures {
		if f.Measures[i].Name == name && f.Measures[i].Event == event {
			return &f.Measures[i]
		}
	}
	return nil
}
