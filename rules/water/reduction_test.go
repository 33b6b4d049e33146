package water

import (
	"math/big"
	"testing"

	"tapledger/rules/quantity"
)

// Rows RED-2 to RED-8 of the reference values, and the cases between them.
func TestReduction(t *testing.T) {
	cited(t, "RED-2", "0.15 -> 0.010", "93.333 %")
	cited(t, "RED-3", "100 -> 10; 100 -> 1; 750 -> 187.5", "90/1; 99/2; 75/0.60206")
	cited(t, "RED-4", "10 -> <0.5", ">= 95 %")
	cited(t, "RED-5", "<0.5 -> <0.5", "not calculable")
	cited(t, "RED-6", "<2.0 ug/L -> 3.5 ug/L", "1.75")
	cited(t, "RED-7", "3.0 -> 4.5 ug/L", "ratio 1.5")
	cited(t, "RED-8", "<10 ug/L (untreated), 3 ug/L (treated)", "measured less finely")
	for _, c := range []struct {
		untreated, treated, code string
		point                    string // share, "" for none
		lo, hi                   string // interval, "" for unbounded
	}{
		{"0.15 mg/L", "0.010 mg/L", Reduced, "14/15", "14/15", "14/15"},
		{"100 ug/L", "10 ug/L", Reduced, "0.9", "0.9", "0.9"},
		{"100 ug/L", "1 ug/L", Reduced, "0.99", "0.99", "0.99"},
		{"750 mg/L", "187.5 mg/L", Reduced, "0.75", "0.75", "0.75"},
		{"0.75 g/L", "187.5 mg/L", Reduced, "0.75", "0.75", "0.75"}, // units never change it
		{"10 ug/L", "<0.5 ug/L", AtLeast, "", "0.95", "1"},
		{"<0.5 ug/L", "<0.5 ug/L", NotCalculable, "", "", "1"},
		{"<2.0 ug/L", "3.5 ug/L", UntreatedBelowLimit, "", "", "-0.75"},
		{"<2.0 ug/L", "2.0 ug/L", UntreatedBelowLimit, "", "", "0"},
		{"3.0 ug/L", "4.5 ug/L", Increased, "-0.5", "-0.5", "-0.5"},
		{"<10 ug/L", "3 ug/L", LessFinely, "", "", "0.7"},
		{"10 ug/L", "<20 ug/L", LessFinely, "", "-1", "1"},
		{"10 ug/L", "<10 ug/L", LessFinely, "", "0", "1"},
		{"10 ug/L", "10 ug/L", Reduced, "0", "0", "0"},
		{"10 ug/L", ">5 ug/L", AtMost, "", "", "0.5"},
		{">200 NTU", "1 NTU", AtLeast, "", "0.995", "1"},
		{">200 NTU", "<1 NTU", AtLeast, "", "0.995", "1"},
		{">200 NTU", ">200 NTU", NotCalculable, "", "", "1"},
		{"<2 ug/L", ">5 ug/L", UntreatedBelowLimit, "", "", "-1.5"},
		{"0 ug/L", "3 ug/L", UntreatedZero, "", "", "1"},
		{"10 ug/L", "0 ug/L", Reduced, "1", "1", "1"},
		{"500 uS/cm", "25 uS/cm", Reduced, "0.95", "0.95", "0.95"},
	} {
		r, err := Reduction(res(t, c.untreated), res(t, c.treated))
		if err != nil {
			t.Errorf("%s -> %s: %v", c.untreated, c.treated, err)
			continue
		}
		end := func(x *big.Rat) string {
			if x == nil {
				return ""
			}
			return x.RatString()
		}
		norm := func(s string) string {
			if s == "" {
				return ""
			}
			return dec(s).RatString()
		}
		if r.Code != c.code || end(r.Point) != norm(c.point) || end(r.Interval.Lo) != norm(c.lo) || end(r.Interval.Hi) != norm(c.hi) {
			t.Errorf("%s -> %s: %s, point %s, [%s, %s]; want %s, %s, [%s, %s]", c.untreated, c.treated,
				r.Code, end(r.Point), end(r.Interval.Lo), end(r.Interval.Hi), c.code, c.point, c.lo, c.hi)
		}
		if !r.Interval.Valid() || r.Interval.Dim != quantity.Ratio {
			t.Errorf("%s -> %s: interval %s", c.untreated, c.treated, r.Interval)
		}
	}
	if r, _ := Reduction(res(t, "3.0 ug/L"), res(t, "4.5 ug/L")); r.Ratio.Cmp(big.NewRat(3, 2)) != 0 {
		t.Errorf("ratio %s, want 1.5", r.Ratio)
	}
	// Never 100 %: the lower end of a treated non-detect is open, the value at 95 % itself not reached.
	if r, _ := Reduction(res(t, "10 ug/L"), res(t, "<0.5 ug/L")); !r.Interval.LoOpen || r.Point != nil {
		t.Errorf("10 -> <0.5: %+v", r)
	}
}

func TestReductionRefuses(t *testing.T) {
	for _, c := range []struct{ untreated, treated, holds string }{
		{"8.1 pH", "6.2 pH", "no zero"},
		{"20 Cel", "21 Cel", "no zero"},
		{"10 ug/L", "3 uS/cm", "cannot compare"},
		{"10 mg/L as N", "3 mg/L as NO3", "expressed differently"},
		{"10 mg/L", "3 mg/L as NO3", "expressed differently"},
	} {
		_, err := Reduction(res(t, c.untreated), res(t, c.treated))
		wantError(t, c.untreated+" -> "+c.treated, err, c.holds)
	}
	_, err := Reduction(quantity.Result{}, res(t, "3 mg/L"))
	wantError(t, "an empty result", err, "without a value")
}

// Rows RED-2 and RED-3.
func TestLogReduction(t *testing.T) {
	cited(t, "RED-2", "log10 1.1761")
	for _, c := range []struct{ u, tr, text, code string }{
		{"0.15 mg/L", "0.010 mg/L", "1.1761", Reduced}, {"100 ug/L", "10 ug/L", "1.0000", Reduced},
		{"100 ug/L", "1 ug/L", "2.0000", Reduced}, {"750 mg/L", "187.5 mg/L", "0.60206", Reduced},
		{"10 ug/L", "<0.5 ug/L", "1.3010", AtLeast}, {"<0.5 ug/L", "<0.5 ug/L", "", NotCalculable},
		{"3 ug/L", "4.5 ug/L", "-0.17609", Increased}, {"<2 ug/L", "3 ug/L", "", UntreatedBelowLimit},
	} {
		text, code, err := LogReduction(res(t, c.u), res(t, c.tr), 5)
		if err != nil || text != c.text || code != c.code {
			t.Errorf("%s -> %s: %q, %s, %v; want %q, %s", c.u, c.tr, text, code, err, c.text, c.code)
		}
	}
	_, _, err := LogReduction(res(t, "3 ug/L"), res(t, "0 ug/L"), 5)
	wantError(t, "a treated zero", err, "no logarithm")
}

// Row UNC-3: 20.0 +/- 1.0 and 3.0 +/- 0.3 (k = 1) give 85.0 %, u 1.6771 %.
func TestReductionWithin(t *testing.T) {
	cited(t, "UNC-3", "in 20.0 +/- 1.0 (k=1), out 3.0 +/- 0.3 (k=1)", "u = 1.6771")
	stated := func(result, expanded string) Measured {
		m := meas(t, result, "")
		u := q(t, expanded)
		m.Stated = &u
		return m
	}
	a := DefaultAssumed()
	r, err := ReductionWithin(stated("20.0 ug/L", "2.0 ug/L"), stated("3.0 ug/L", "0.6 ug/L"), a)
	if err != nil || r.Code != Reduced {
		t.Fatal(r.Code, err)
	}
	near(t, "reduction", float(r.Point), 0.85, 1e-12)
	near(t, "lower end", float(r.Interval.Lo), 0.85-2*0.016771, 2e-6)
	near(t, "upper end", float(r.Interval.Hi), 0.85+2*0.016771, 2e-6)

	// The upper end never passes 100 %, and a treated non-detect takes the smallest untreated value.
	r, _ = ReductionWithin(stated("20.0 ug/L", "2.0 ug/L"), stated("0.2 ug/L", "0.6 ug/L"), a)
	if r.Interval.Hi.Cmp(one) != 0 {
		t.Errorf("upper end %s", r.Interval.Hi)
	}
	r, _ = ReductionWithin(stated("20.0 ug/L", "2.0 ug/L"), meas(t, "<0.9 ug/L", ""), a)
	if r.Code != AtLeast || r.Interval.Lo.Cmp(big.NewRat(95, 100)) != 0 {
		t.Errorf("20 +/- 2 -> <0.9: %s from %s, want at_least from 0.95", r.Code, r.Interval.Lo)
	}
	// An untreated value that cannot be told from zero bounds nothing.
	r, _ = ReductionWithin(stated("2.0 ug/L", "2.0 ug/L"), stated("1.0 ug/L", "0.6 ug/L"), a)
	if r.Interval.Lo != nil {
		t.Errorf("lower end %s where the untreated value may be zero", r.Interval.Lo)
	}
	r, _ = ReductionWithin(stated("2.0 ug/L", "2.0 ug/L"), meas(t, "<0.5 ug/L", ""), a)
	if r.Interval.Lo != nil {
		t.Errorf("lower end %s where the untreated value may be zero", r.Interval.Lo)
	}
	// Calibration shared in a batch cancels: the interval narrows, never widens.
	u, tr := meas(t, "20 ug/L", "0.5 ug/L"), meas(t, "3 ug/L", "0.5 ug/L")
	u.Batch, tr.Batch = "b7", "b7"
	wide, _ := ReductionWithin(u, tr, a)
	a.Shared = big.NewRat(80, 100)
	narrow, _ := ReductionWithin(u, tr, a)
	if narrow.Interval.Lo.Cmp(wide.Interval.Lo) <= 0 || narrow.Interval.Hi.Cmp(wide.Interval.Hi) >= 0 {
		t.Errorf("a shared batch does not narrow %s to %s", wide.Interval, narrow.Interval)
	}
	tr.Batch = "b8"
	if other, _ := ReductionWithin(u, tr, a); other.Interval.Lo.Cmp(wide.Interval.Lo) != 0 {
		t.Error("two batches share a calibration")
	}
}

// Rows QC-1 and QC-3.
func TestDuplicates(t *testing.T) {
	cited(t, "QC-1", "10, 12", "18.1818 %")
	cited(t, "QC-3")
	near(t, "RPD of 10 and 12", 100*float(RPD(big.NewRat(10, 1), big.NewRat(12, 1))), 18.1818, 1e-4)
	if RPD(new(big.Rat), new(big.Rat)) != nil {
		t.Error("two zeros have a relative difference")
	}
	fifth := big.NewRat(1, 5)
	for _, c := range []struct{ a, b, limit, code, rule string }{
		{"10 ug/L", "12 ug/L", "1 ug/L", Within, ByRPD},
		{"10 ug/L", "12.5 ug/L", "1 ug/L", Outside, ByRPD},
		{"10 ug/L", "12 ug/L", "2 ug/L", Within, ByLimit}, // 10 is five times the limit, not above it
		{"3 ug/L", "5 ug/L", "2 ug/L", Within, ByLimit},
		{"3 ug/L", "5.1 ug/L", "2 ug/L", Outside, ByLimit},
		{"<2 ug/L", "<2 ug/L", "2 ug/L", NotCalculable, ByLimit},
		{"<2 ug/L", "2 ug/L", "2 ug/L", Within, ByLimit},
		{"<2 ug/L", "3 ug/L", "2 ug/L", Undecided, ByLimit},
		{"4.1 ug/L", "<2 ug/L", "2 ug/L", Outside, ByLimit},
	} {
		d, err := Duplicates(res(t, c.a), res(t, c.b), q(t, c.limit), fifth)
		if err != nil || d.Code != c.code || d.Rule != c.rule {
			t.Errorf("%s, %s, limit %s: %s by %s, %v; want %s by %s", c.a, c.b, c.limit, d.Code, d.Rule, err, c.code, c.rule)
		}
	}
	_, err := Duplicates(res(t, "3 ug/L"), res(t, "4 ug/L"), q(t, "2 min"), fifth)
	wantError(t, "a limit that is a time", err, "must be a concentration")
	_, err = Duplicates(res(t, "3 ug/L"), res(t, "4 ug/L"), q(t, "0 ug/L"), fifth)
	wantError(t, "a limit of zero", err, "above zero")
}
