package water

import (
	"math/big"
	"strings"
	"testing"
)

func pairOf(t *testing.T, analyte, untreated, uLimit, treated, tLimit string) RisePair {
	t.Helper()
	return RisePair{Analyte: analyte, Untreated: meas(t, untreated, uLimit), Treated: meas(t, treated, tLimit)}
}

// u(c)^2 = (limit/6)^2 + (0.10 c)^2, by hand: limit 3, value 10 gives 0.25 + 1.
func TestUncertainty(t *testing.T) {
	a := DefaultAssumed()
	m := meas(t, "10 mg/L", "3 mg/L")
	if u := m.Uncertainty(a); u.Var.Cmp(big.NewRat(5, 4)) != 0 || u.Origin != FromBench || u.NoRule {
		t.Errorf("u^2 = %s, %+v; want 5/4", u.Var, u)
	}
	near(t, "U", float(m.Uncertainty(a).Expanded()), 2.2360679774997896, 1e-15)
	low, up := sqrt(big.NewRat(2, 1), false), sqrt(big.NewRat(2, 1), true)
	if square(low).Cmp(two) >= 0 || square(up).Cmp(two) <= 0 || sub(up, low).Cmp(dec("1e-29")) > 0 {
		t.Errorf("the root of two lies not between %s and %s", low.FloatString(32), up.FloatString(32))
	}
	if r := sqrt(big.NewRat(9, 4), true); r.Cmp(big.NewRat(3, 2)) != 0 {
		t.Errorf("the root of 9/4 is %s", r)
	}
	// The quantitation limit comes first; QC limits of 85 to 115 % give ur 7.5 %; J doubles u0; a stated U replaces all.
	ql := q(t, "6 mg/L")
	m.Quantitation = &ql
	m.HalfWidth = big.NewRat(15, 100)
	if u := m.Uncertainty(a); u.Var.Cmp(add(one, dec("0.5625"))) != 0 || u.Origin != FromQC {
		t.Errorf("u^2 = %s %s, want 1.5625", u.Var, u.Origin)
	}
	m.Estimated = true
	if u := m.Uncertainty(a); u.Var.Cmp(dec("4.5625")) != 0 {
		t.Errorf("u^2 of an estimated value = %s, want 4.5625", u.Var)
	}
	stated := q(t, "4 mg/L")
	m.Stated = &stated
	if u := m.Uncertainty(a); u.Var.Cmp(big.NewRat(4, 1)) != 0 || u.Origin != FromLaboratory {
		t.Errorf("u^2 = %s, want 4", u.Var)
	}
	if u := meas(t, "10 mg/L", "").Uncertainty(a); !u.NoRule || u.Var.Cmp(one) != 0 {
		t.Errorf("without a limit: %+v", u)
	}
	if u := meas(t, "<6 mg/L", "").Uncertainty(a); u.NoRule || u.Var.Cmp(dec("1.36")) != 0 {
		t.Errorf("a non-detect stands at its limit: u^2 = %s, want 1.36", u.Var)
	}
}

// Rows RED-6 to RED-8 and the rules of the ladder.
func TestRises(t *testing.T) {
	a := DefaultAssumed()
	rises, looked, err := Rises([]RisePair{
		pairOf(t, "nickel", "<2.0 ug/L", "2.0 ug/L", "3.5 ug/L", "2.0 ug/L"),
		pairOf(t, "lead", "3.0 ug/L", "0.5 ug/L", "4.5 ug/L", "0.5 ug/L"),
		pairOf(t, "arsenic", "<10 ug/L", "10 ug/L", "3 ug/L", "1 ug/L"),
		pairOf(t, "copper", "<1 ug/L", "1 ug/L", "<1 ug/L", "1 ug/L"),
		pairOf(t, "zinc", "40 ug/L", "1 ug/L", "4 ug/L", "1 ug/L"),
		pairOf(t, "antimony", "<0.5 ug/L", "0.5 ug/L", "1.0 ug/L", "0.5 ug/L"),
		pairOf(t, "turbid", ">200 NTU", "", "1 NTU", ""),
		pairOf(t, "silver", "<1 ug/L", "1 ug/L", "0.4 ug/L", "1 ug/L"),
		pairOf(t, "barium", "<10 ug/L", "10 ug/L", "10.5 ug/L", "1 ug/L"),
	}, a)
	if err != nil {
		t.Fatal(err)
	}
	if looked != 8 {
		t.Errorf("looked at %d analytes, want 8: all but the one beyond range", looked)
	}
	want := map[string][2]string{
		"nickel":   {HigherUnconfirmed, Significant},
		"lead":     {HigherUnconfirmed, Significant}, // p 0.0034, the third smallest of 8: times 6
		"arsenic":  {Undecided, LessFinely},
		"copper":   {NotDistinguishable, TreatedNonDetect},
		"zinc":     {NotDistinguishable, NotAbove},
		"antimony": {HigherUnconfirmed, Significant},
		"turbid":   {Undecided, BeyondRange},
		"silver":   {NotDistinguishable, NotAbove}, // measured to the same limit: an estimated value below it
		"barium":   {Undecided, LessFinely},
	}
	for _, r := range rises {
		if w := want[r.Analyte]; r.State != w[0] || r.Why != w[1] {
			t.Errorf("%s: %s (%s), want %s (%s); z %s p %s adjusted %s", r.Analyte, r.State, r.Why, w[0], w[1], r.Z, r.P, r.Adjusted)
		}
	}
	// RED-6: "more than 1.5 ug/L, ratio > 1.75"; RED-7: +50 %, ratio 1.5.
	if n := rises[0]; n.Least.Cmp(dec("0.0015")) != 0 || n.Ratio.Cmp(dec("1.75")) != 0 || !n.Bound {
		t.Errorf("nickel: more than %s mg/L, ratio %s, bound %v", n.Least, n.Ratio, n.Bound)
	}
	if l := rises[1]; l.Least.Cmp(dec("0.0015")) != 0 || l.Ratio.Cmp(dec("1.5")) != 0 || l.Bound {
		t.Errorf("lead: %s mg/L, ratio %s, bound %v", l.Least, l.Ratio, l.Bound)
	}
}

// By hand for lead above: u_u^2 = (0.5/6)^2 + 0.3^2, u_t^2 = (0.5/6)^2 + 0.45^2,
// z = 1.5 / sqrt(0.3063889) = 2.7099, p = Phi(-2.7099) = 0.003365 (normal tables).
func TestRiseFigures(t *testing.T) {
	a := DefaultAssumed()
	rises, _, err := Rises([]RisePair{pairOf(t, "lead", "3.0 ug/L", "0.5 ug/L", "4.5 ug/L", "0.5 ug/L")}, a)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "z", num(t, rises[0].Z), 2.7099, 1e-3)
	near(t, "p", num(t, rises[0].P), 0.003365, 1e-5)
	if rises[0].P != rises[0].Adjusted {
		t.Errorf("a family of one adjusts %s to %s", rises[0].P, rises[0].Adjusted)
	}
	// The same rise among sixty analytes that were looked at is none (MULT-1's lesson).
	pairs := []RisePair{pairOf(t, "lead", "3.0 ug/L", "0.5 ug/L", "4.5 ug/L", "0.5 ug/L")}
	for range 59 {
		pairs = append(pairs, pairOf(t, "other", "5 ug/L", "1 ug/L", "<1 ug/L", "1 ug/L"))
	}
	rises, looked, err := Rises(pairs, a)
	if err != nil || looked != 60 || rises[0].State != NotDistinguishable || rises[0].Why != NotSignificant {
		t.Errorf("among %d: %+v, %v", looked, rises[0], err)
	}
	near(t, "adjusted p", num(t, rises[0].Adjusted), 60*0.003365, 1e-3)
	// Calibration common to a batch does not blur a difference within it.
	p := pairOf(t, "lead", "3.0 ug/L", "0.5 ug/L", "4.5 ug/L", "0.5 ug/L")
	p.Untreated.Batch, p.Treated.Batch = "b1", "b1"
	a.Shared = big.NewRat(80, 100)
	one, _, _ := Rises([]RisePair{p}, a)
	p.Treated.Batch = "b2"
	two, _, _ := Rises([]RisePair{p}, a)
	if !(num(t, one[0].Z) > num(t, two[0].Z)) {
		t.Errorf("z %s in one batch, %s in two", one[0].Z, two[0].Z)
	}
}

func TestRisesRefuse(t *testing.T) {
	bad := pairOf(t, "lead", "3 ug/L", "", "4 uS/cm", "")
	_, _, err := Rises([]RisePair{bad}, DefaultAssumed())
	wantError(t, "two dimensions", err, "lead: cannot compare")
	bad = pairOf(t, "lead", "3 ug/L", "", "4 ug/L", "1 min")
	_, _, err = Rises([]RisePair{bad}, DefaultAssumed())
	wantError(t, "a limit that is a time", err, "reporting limit")
	a := DefaultAssumed()
	a.Relative = new(big.Rat)
	r, _, err := Rises([]RisePair{pairOf(t, "lead", "3 ug/L", "", "4 ug/L", "")}, a)
	if err != nil || r[0].State != Undecided || r[0].Why != NoUncertainty {
		t.Errorf("without any uncertainty: %+v, %v", r, err)
	}
}

func TestConfirm(t *testing.T) {
	rise := func(untreated, treated string) Rise {
		r, _, err := Rises([]RisePair{pairOf(t, "nickel", untreated, "2 ug/L", treated, "2 ug/L")}, DefaultAssumed())
		if err != nil {
			t.Fatal(err)
		}
		return r[0]
	}
	first, again, none := rise("<2 ug/L", "12 ug/L"), rise("<2 ug/L", "11 ug/L"), rise("<2 ug/L", "<2 ug/L")
	clean, dirty, coarse := meas(t, "<2 ug/L", ""), meas(t, "2.5 ug/L", ""), meas(t, "<10 ug/L", "")
	for name, c := range map[string]struct {
		first  Rise
		second *Rise
		blank  *Measured
		feed   string
		state  string
		lacks  string
	}{
		"all three":       {first, &again, &clean, FeedSteady, HigherConfirmed, ""},
		"no second day":   {first, nil, &clean, FeedSteady, HigherUnconfirmed, NoSecondDay},
		"not seen again":  {first, &none, &clean, FeedSteady, HigherUnconfirmed, SecondDayNot},
		"no blank":        {first, &again, nil, FeedSteady, HigherUnconfirmed, NoBlank},
		"blank not clean": {first, &again, &dirty, FeedSteady, HigherUnconfirmed, BlankNotClean},
		"blank coarse":    {first, &again, &coarse, FeedSteady, HigherUnconfirmed, BlankNotFine},
		"feed moved":      {first, &again, &clean, FeedMoved, HigherUnconfirmed, FeedMoved},
		"feed not read":   {first, &again, &clean, "", HigherUnconfirmed, FeedNotLookedAt},
		"nothing":         {first, nil, nil, FeedMoved, HigherUnconfirmed, NoSecondDay + " " + NoBlank + " " + FeedMoved},
		"no first rise":   {none, &again, &clean, FeedSteady, NotDistinguishable, FirstNotHigher},
	} {
		state, lacks := Confirm(c.first, c.second, c.blank, c.feed, FeedSteady)
		if state != c.state || strings.Join(lacks, " ") != c.lacks {
			t.Errorf("%s: %s, lacks %v; want %s, %q", name, state, lacks, c.state, c.lacks)
		}
	}
}

// A second day whose feed moved or was not read confirms nothing.
func TestConfirmNeedsASteadySecondDay(t *testing.T) {
	r, _, err := Rises([]RisePair{pairOf(t, "nickel", "<2 ug/L", "2 ug/L", "12 ug/L", "2 ug/L")}, DefaultAssumed())
	if err != nil {
		t.Fatal(err)
	}
	clean := meas(t, "<2 ug/L", "")
	for feed, want := range map[string]string{FeedSteady: "", FeedMoved: SecondFeedMoved, FeedNotLookedAt: SecondFeedNot, "": SecondFeedNot} {
		state, lacks := Confirm(r[0], &r[0], &clean, FeedSteady, feed)
		if strings.Join(lacks, " ") != want || (state == HigherConfirmed) != (want == "") {
			t.Errorf("second day's feed %q: %s, lacks %v; want %q", feed, state, lacks, want)
		}
	}
}

// Nine homes before and after (testdata/datasets/trueman_paired_lead.csv):
// 1 pair censored on both sides, 2 only before, 1 only after; 5 of 9 rise.
func TestPairedLead(t *testing.T) {
	before, after := map[string]string{}, map[string]string{}
	var sites []string
	for _, row := range table(t, "datasets/trueman_paired_lead.csv") {
		text := row["pb_ppb"] + " ug/L" // the file's "ppb" are ug/L
		if row["bdl"] == "TRUE" {
			text = "<" + text
		}
		if row["period"] == "before" {
			before[row["site"]] = text
			sites = append(sites, row["site"])
		} else {
			after[row["site"]] = text
		}
	}
	codes := map[string]int{}
	higher := 0
	for _, site := range sites {
		r, err := Reduction(res(t, before[site]), res(t, after[site]))
		if err != nil {
			t.Fatal(err)
		}
		codes[r.Code]++
		if r.Code == Increased || r.Code == UntreatedBelowLimit {
			higher++
		}
	}
	if len(sites) != 9 || codes[NotCalculable] != 1 || codes[UntreatedBelowLimit] != 2 || codes[AtLeast] != 1 || higher != 5 {
		t.Errorf("%d homes, %d higher, %v", len(sites), higher, codes)
	}
}
