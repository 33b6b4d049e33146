package rules

import (
	"fmt"
	"math/big"
	"testing"

	"tapledger/rules/quantity"
)

const benchSource = `reading.volume / reading.time > qty("0.5 L/min") && change(series.last, series.previous) <= qty("5 %") && analyte("lead").treated < qty("0.010 mg/L")`
const benchInputs = `reading.volume=10 L; reading.time=5 min; series.last=102 uS/cm; series.previous=100 uS/cm; analyte("lead").treated=<0.5 ug/L`

// bare is the same decision written in Go: the base that the other figures of
// one run are held against.
func bare(l Lookup) bool {
	q := func(p string) *big.Rat { v, _ := l(p); return v.(quantity.Quantity).Base }
	flow := new(big.Rat).Quo(q("reading.volume"), q("reading.time"))
	if flow.Mul(flow, big.NewRat(60, 1)).Cmp(big.NewRat(1, 2)) <= 0 {
		return false
	}
	last, previous := q("series.last"), q("series.previous")
	d := new(big.Rat).Sub(last, previous)
	if d.Quo(d.Abs(d), previous).Cmp(big.NewRat(1, 20)) > 0 {
		return false
	}
	v, _ := l(`analyte("lead").treated`)
	return v.(quantity.Result).Interval().Order(quantity.Interval{Lo: big.NewRat(1, 100), Hi: big.NewRat(1, 100)}) == quantity.Less
}

// BenchmarkCriterion prints what one criterion costs when it is read, judged
// and explained, and each as a multiple of the same decision written in Go.
func BenchmarkCriterion(b *testing.B) {
	e := corpusEnv(b)
	l := lookupFrom(b, e, benchInputs)
	x := mustCompile(b, e, benchSource, Bool)
	if !bare(l) || x.Judge(l).State != Met {
		b.Fatal("the two do not agree")
	}
	base := 0.0 // nanoseconds of the first
	for _, c := range []struct {
		name string
		f    func()
	}{
		{"bare Go", func() { bare(l) }},
		{"read", func() { e.Compile(benchSource, Bool) }},
		{"judged", func() { x.Judge(l) }},
		{"explained", func() { x.Explain(l) }},
		{"environment", func() {
			if _, err := NewEnv(Level, corpusVocabulary(b)); err != nil {
				b.Fatal(err)
			}
		}},
	} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for range b.N {
				c.f()
			}
			each := float64(b.Elapsed().Nanoseconds()) / float64(b.N)
			if c.name == "bare Go" {
				base = each
			}
			if base > 0 {
				b.ReportMetric(each/base, "x/bare")
			}
		})
	}
}

func FuzzCompile(f *testing.F) {
	for _, s := range []string{benchSource, `series.values.all(v, v < qty("13 uS/cm"))`, `!recorded(reading.ph) || 1/3 != -2.5`, `((("`, `analyte("lead").rise == higher_confirmed ? 1 : 2`} {
		f.Add(s)
	}
	e, err := NewEnv(Level, corpusVocabulary(f))
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, src string) {
		x, faults := e.Compile(src, Type{})
		if (x == nil) == (len(faults) == 0) {
			t.Fatalf("%q: expression and faults: %v", src, faults)
		}
		for _, fault := range faults {
			if fault.Line < 1 || fault.Col < 1 || fault.Says == "" {
				t.Fatalf("%q: %+v", src, fault)
			}
		}
		if x == nil {
			return
		}
		for _, p := range []Presence{Open, NotRecorded, NotApplicable, FeedMoved} {
			l := func(string) (any, Presence) { return nil, p }
			d := x.Judge(l)
			if again := x.Judge(l); fmt.Sprint(again) != fmt.Sprint(d) || d.State == "" {
				t.Fatalf("%q: %v and %v", src, d, again)
			}
			if ex := x.Explain(l); ex.Tree == nil || !sameDecision(ex.Decision, d) {
				t.Fatalf("%q: explained as %v, judged as %v", src, ex.Decision, d)
			}
			if d.Code == CodeInternal {
				t.Fatalf("%q: %v", src, x.Explain(l).Says)
			}
		}
	})
}
