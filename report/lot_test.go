package report

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"cagebook/configs"
	"cagebook/phases"
)

func lotValues(sigma float64, vs ...float64) (ms []Measure) {
	for _, v := range vs {
		ms = append(ms, Measure{Name: "swing_time", Event: "hands_start_to_contact", Unit: "ms", Value: Num(v), Sigma: Num(sigma), Status: phases.Measured})
	}
	return ms
}

// Worked by hand: 140, 150, 160, 150, 175 have median 150, mean 155, sum of squares 700, variance 175.
func TestLotMeasure(t *testing.T) {
	m := newLotMeasure("swing_time", "x", "ms", lotValues(5, 140, 150, 160, 150, 175))
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-9 {
			t.Errorf("%s is %g, want %g", what, got, want)
		}
	}
	near("median", m.Median, 150)
	near("own spread", m.Own, math.Sqrt(175-25))
	near("sigma of the median", m.Sigma, math.Sqrt(math.Pi/2*175/5+25)) // variance of a median: π/2 of the mean's (normal values)
	if !m.Varies {
		t.Error("700 / 25 = 28 exceeds 9.488, the 95 % point of chi-square with 4 degrees of freedom (any table): it varies")
	}
	if m = newLotMeasure("swing_time", "x", "ms", lotValues(9, 140, 150, 160, 150, 175)); m.Varies { // 700 / 81 = 8.64 < 9.488
		t.Error("8.64 is below 9.488: it does not vary")
	}
	if m = newLotMeasure("swing_time", "x", "ms", lotValues(5, 140, 190)); m.Varies || !math.IsNaN(m.Own) || m.Sigma != 5 {
		t.Errorf("two swings are no pattern: %+v", m)
	}
}

// Where there is only noise, "changes from swing to swing" is said in 5 % of cases.
func TestLotFalseAlarms(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	alarms := 0
	const runs = 4000
	for range runs {
		var vs []float64
		for range 6 {
			vs = append(vs, 100+4*rng.NormFloat64())
		}
		if newLotMeasure("a", "b", "ms", lotValues(4, vs...)).Varies {
			alarms++
		}
	}
	if share := float64(alarms) / runs; math.Abs(share-0.05) > 0.012 { // 3.5 standard errors
		t.Errorf("false alarms in %.3f of cases, want 0.05", share)
	}
}

// exLot is n reports of the example with one measure set by f.
func exLot(t *testing.T, n int, change func(i int, r *Report)) (rows []BatchRow) {
	t.Helper()
	for i := range n {
		in := exInput(t)
		in.Path = fmt.Sprintf("day/%02d.mov", i)
		r := Build(in)
		change(i, r)
		rows = append(rows, BatchRow{"clips/" + in.Path, r})
	}
	return rows
}

func set(r *Report, name string, v, sigma float64) {
	for i := range r.Swings[0].Measures {
		if m := &r.Swings[0].Measures[i]; m.Name == name {
			m.Value, m.Sigma = Num(v), Num(sigma)
		}
	}
}

// A change between days is claimed only beyond uncertainty and the hitter's own spread.
func TestProgressClaims(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	claims := func(shift float64, own, noise float64, perDay, of int) float64 {
		n := 0
		const runs = 1000
		for range runs {
			var days []session
			for d := range 2 {
				common := noise * rng.NormFloat64() // one camera's error is common to a day
				var vs []float64
				for range perDay {
					vs = append(vs, 150+shift*float64(d)+common+own*rng.NormFloat64())
				}
				l := Lot{Measures: []LotMeasure{newLotMeasure("swing_time", "hands_start_to_contact", "ms", lotValues(noise, vs...))}}
				days = append(days, session{fmt.Sprint(d), true, l})
			}
			if p, ok := progress(days, "swing_time", "hands_start_to_contact", Hitter{}, of); !ok {
				t.Fatal("no row")
			} else if p.Changed {
				n++
			}
		}
		return float64(n) / runs
	}
	if c := claims(0, 6, 4, 6, 1); c > 0.05 {
		t.Errorf("no change, claimed in %.3f of cases", c)
	}
	if c := claims(0, 6, 4, 6, 11); c > 0.05/11 { // so that a page of eleven claims something false in 5 % of cases at most
		t.Errorf("no change, one of eleven measures claimed in %.4f of cases", c)
	}
	if c := claims(40, 6, 4, 6, 11); c < 0.95 {
		t.Errorf("a change of 40 ms claimed in only %.3f of cases", c)
	}
	if c := claims(40, 6, 4, 1, 1); c != 0 {
		t.Errorf("one swing a day, a change claimed in %.3f of cases", c)
	}
}

func TestHitterPages(t *testing.T) {
	rows := exLot(t, 6, func(i int, r *Report) {
		r.Clip.Date = []string{"2026-05-01", "2026-06-01"}[i/3]
		set(r, "swing_time", []float64{150, 152, 148, 110, 112, 108}[i], 4)
	})
	other := exLot(t, 1, func(_ int, r *Report) { r.Hitter.ID = "Zoë K." })
	unsafe := exLot(t, 1, func(_ int, r *Report) { r.Hitter.ID = "../../evil" })
	out := files{}
	if err := WriteBatch(out.put, append(append(rows, other...), unsafe...)); err != nil {
		t.Fatal(err)
	}
	for name := range out {
		if strings.Contains(name, "evil") {
			t.Errorf("%s was written", name)
		}
	}
	page := string(out["hitters/ada/index.html"])
	for _, want := range []string{"3 swings of 2026-06-01 together", "Smaller by 0.04 ± 0.01 seconds than on 2026-05-01", "No change that this video can tell from chance", `href="../../clips/day/00.mov/report.html#swing-1"`} {
		if !strings.Contains(strings.ReplaceAll(page, "./../", "../"), want) {
			t.Errorf("the hitter's page does not say %q", want)
		}
	}
	if one := string(out["hitters/Zoë K./index.html"]); !strings.Contains(one, "One swing is not a pattern") {
		t.Error("one swing is taken for a pattern")
	}
	if scout := string(out["scout.html"]); strings.Contains(scout, "knee") || !strings.Contains(scout, "Zoë K.") {
		t.Error("scout.html: want times and lengths of all hitters, no angles")
	}
	if index := string(out["index.html"]); !strings.Contains(index, `href="./hitters/Zo%C3%AB%20K./index.html"`) {
		t.Error("the morning page has no link to a hitter")
	}
}

// A pattern is judged by the medians and is more careful than a single swing.
func TestLotFindings(t *testing.T) {
	rules, err := configs.DefaultRules()
	if err != nil {
		t.Fatal(err)
	}
	rows := exLot(t, 5, func(i int, r *Report) { set(r, "head_travel", []float64{0.30, 0.28, 0.31, 0.29, 0.05}[i], 0.018) })
	l := NewLot(lotSwings(rows), rules)
	verdict := func() Verdict {
		for _, f := range l.Findings {
			if f.Rule == "head_steady" {
				return f.Verdict
			}
		}
		return ""
	}
	if verdict() != WorkOn { // median 0.29, band up to 0.13
		t.Errorf("verdict %q, want work_on", verdict())
	}
	rows = exLot(t, 5, func(i int, r *Report) { set(r, "head_travel", []float64{0.02, 0.30, 0.14, 0.02, 0.28}[i], 0.018) })
	if l = NewLot(lotSwings(rows), rules); verdict() == WorkOn {
		t.Error("a median of 0.14 among 0.02 to 0.30 is not outside of 0.13 for certain")
	}
	if l = NewLot(lotSwings(rows[:2]), rules); l.Findings != nil || l.Pattern() {
		t.Error("two swings are judged as a pattern")
	}
}
