package assess

import (
	"math/big"
	"strings"
	"testing"

	"tapledger/rules/estimate/det"
	"tapledger/runner"
)

// expect is what a finding must be; a field of "*" is not looked at.
type expect struct{ subject, kind, code, value, low, high string }

func check(t *testing.T, a *Assessment, want expect) Finding {
	t.Helper()
	f := find(t, a, want.subject, want.kind)
	got := expect{f.Subject, f.Kind, f.Code, f.Value, f.Low, f.High}
	for _, p := range []struct{ got, want *string }{{&got.value, &want.value}, {&got.low, &want.low}, {&got.high, &want.high}} {
		if *p.want == "*" {
			*p.want = *p.got
		}
	}
	if got != want {
		t.Errorf("%s of %s: %+v, want %+v", want.kind, want.subject, got, want)
	}
	seen[f.Code] = true
	return f
}

// seen collects the codes that the stories have produced.
var seen = map[string]bool{}

func note(a *Assessment) *Assessment {
	for _, f := range a.Findings {
		seen[f.Code] = true
	}
	return a
}

// Lead, with ur = 5 % and u0 = 0.6/6 = 0.1 ug/L, by hand: u(20)^2 = 0.01 + 1 =
// 1.01, u(1)^2 = 0.01 + 0.0025 = 0.0125; r = 0.05, u(r) = 0.05 sqrt(0.0125/1 +
// 1.01/400) = 0.006129; 95 % with 2 u: 93.774 to 96.226 %.
func TestReductionByHand(t *testing.T) {
	a := note(newStory(t).assess())
	f := check(t, a, expect{"lead", KindReduction, "reduction_between", "95.0", "93.7", "96.3"})
	if got := Sentence(f); got != "Lead: reduced by 95.0 % (93.7 to 96.3 %) in the first draw after standing." {
		t.Errorf("sentence %q", got)
	}
	// Chloride's QC limits of 90 to 110 % give ur = 5 % too; u0 stays the bench's.
	c := check(t, a, expect{"chloride", KindReduction, "reduction_between", "90.0", "88.5", "91.5"})
	if strings.Join(c.Marks, " ") != "assumed:small_values laboratory_only" || strings.Join(f.Marks, " ") != "assumed:uncertainty laboratory_only" {
		t.Errorf("marks: chloride %v, lead %v", c.Marks, f.Marks)
	}
	// 22.5 mg/L as NO3 is 5.0827 mg/L as N (NIT-1: 10 as N is 44.268 as NO3).
	check(t, a, expect{"nitrate", KindReduction, "reduction_between", "60.7", "*", "*"})
}

func TestInputsNameTheirRecords(t *testing.T) {
	s := newStory(t)
	a := s.assess()
	f := find(t, a, "lead", KindReduction)
	for _, in := range f.Inputs {
		switch {
		case in.Doc != "":
			if in.Record != "" || in.Seq != 0 {
				t.Errorf("%+v names a document and a record", in)
			}
			continue
		case in.Seq < 1 || in.Seq > int64(len(s.st.Records)) || !strings.HasPrefix(in.Record, "sha256:") || in.Run != s.st.Run:
			t.Errorf("%+v names no record", in)
			continue
		}
		l := look{st: s.st}
		if got := l.textAt(in.Seq, in.Path); got != in.Text {
			t.Errorf("input %s says %q, and record %d holds %q at %s", in.Name, in.Text, in.Seq, got, in.Path)
		}
	}
	if len(f.Inputs) < 5 { // two results, two limits, the assumption
		t.Errorf("inputs %+v", f.Inputs)
	}
	if _, ok := FormulaOf(f.Rule); !ok {
		t.Errorf("no formula %q", f.Rule)
	}
}

func TestReductionOfLimits(t *testing.T) {
	for _, c := range []struct {
		untreated, treated string
		want               expect
	}{
		// RED-4 with U: 10 - 2 sqrt(0.01 + 0.25) = 8.9802; 1 - 0.5/8.9802 = 94.43 %.
		{"10 ug/L", "<0.5 ug/L", expect{"lead", KindReduction, "reduction_at_least", "", "94.4", "100.0"}},
		{"<0.5 ug/L", "<0.5 ug/L", expect{"lead", KindReduction, "reduction_not_calculable", "", "", ""}}, // RED-5
		{"<2.0 ug/L", "3.5 ug/L", expect{"lead", KindReduction, "reduction_untreated_below", "", "", ""}}, // RED-6
		{"<10 ug/L", "3 ug/L", expect{"lead", KindReduction, "reduction_less_finely", "", "", ""}},        // RED-8
		{"3 ug/L", "<10 ug/L", expect{"lead", KindReduction, "reduction_treated_less_finely", "", "", ""}},
		{">500 ug/L", "5 ug/L", expect{"lead", KindReduction, "reduction_beyond_range", "", "99.0", "100.0"}},
		{"20 ug/L", ">15 ug/L", expect{"lead", KindReduction, "reduction_at_most", "", "", "25.0"}},
		{"0.15 ug/L", "0.1 ug/L", expect{"lead", KindReduction, "reduction_uncertain", "33.3", "", ""}},
		{"0.15 ug/L", "<0.1 ug/L", expect{"lead", KindReduction, "reduction_at_least_open", "", "", ""}},
		{"3.0 ug/L", "4.5 ug/L", expect{"lead", KindReduction, "reduction_none", "-50.0", "*", "*"}}, // RED-7
		{"3.0 ug/L", "2.9 ug/L", expect{"lead", KindReduction, "reduction_not_distinguishable", "3.3", "*", "*"}},
		{"0 ug/L", "2.9 ug/L", expect{"lead", KindReduction, "reduction_untreated_zero", "", "", ""}},
		{"3.0 ug/L", "2.9 uS/cm", expect{"lead", KindReduction, "reduction_not_comparable", "", "", ""}},
	} {
		s := newStory(t).set("untreated", "lead", reported(c.untreated, "0.6 ug/L")).set("first_draw", "lead", reported(c.treated, ""))
		if strings.HasSuffix(c.treated, "uS/cm") {
			continue // refused before it is on record, by the run's own checks
		}
		f := check(t, note(s.assess()), c.want)
		if says := Sentence(f); strings.Contains(says, "-") && c.want.code != "reduction_none" && strings.Contains(says, "by -") {
			t.Errorf("%q prints a negative reduction", says)
		}
	}
}

// The ladder. Nickel 3.0 and 6.0 ug/L: u^2 = 0.01 + 0.0225 and 0.01 + 0.09,
// z = 3 / sqrt(0.1325) = 8.242.
func TestRiseLadder(t *testing.T) {
	rise := func(change func(*story)) *Assessment {
		s := newStory(t).set("untreated", "nickel", reported("3.0 ug/L", "0.6 ug/L")).set("first_draw", "nickel", reported("6.0 ug/L", "0.6 ug/L"))
		s.set("second_untreated", "nickel", reported("3.0 ug/L", "0.6 ug/L")).set("second_draw", "nickel", reported("5.5 ug/L", "0.6 ug/L"))
		s.set("lot_blank", "nickel", reported("<0.6 ug/L", "0.6 ug/L"))
		if change != nil {
			change(s)
		}
		return note(s.assess())
	}
	arg := func(f Finding, name string) string {
		for _, a := range f.Args {
			if a.Name == name {
				return a.Text
			}
		}
		return ""
	}
	f := find(t, rise(nil), "nickel", KindRise)
	if f.Code != "rise_confirmed" || arg(f, "z") != "8.242" || arg(f, "ratio") != "2.00" {
		t.Errorf("%s z %s ratio %s", f.Code, arg(f, "z"), arg(f, "ratio"))
	}
	if got := Sentence(f); !strings.Contains(got, "higher in the treated sample, cause not determined") {
		t.Errorf("the published words are missing: %q", got)
	}
	for _, c := range []struct {
		lacks, needs string
		change       func(*story)
	}{
		{"no_second_day", NeedsSecondDay, func(s *story) { delete(s.results["second_draw"], "nickel") }},
		{"second_day_not_higher", NeedsWhere, func(s *story) { s.set("second_draw", "nickel", reported("3.1 ug/L", "0.6 ug/L")) }},
		{"no_lot_blank", NeedsBlank, func(s *story) { delete(s.results["lot_blank"], "nickel") }},
		{"no_lot_blank", NeedsBlank, func(s *story) { s.blankLot = "L-2" }},
		{"no_lot_blank", NeedsBlank, func(s *story) { s.secondLot = "L-2" }},
		{"second_feed_moved", NeedsSteadyFeed, func(s *story) { s.secondFeedAfter = "560 uS/cm" }},
		{"lot_blank_not_clean", NeedsNewBlank, func(s *story) { s.set("lot_blank", "nickel", reported("1.0 ug/L", "0.6 ug/L")) }},
		{"lot_blank_not_fine_enough", NeedsBlank, func(s *story) { s.set("lot_blank", "nickel", reported("<3.0 ug/L", "3.0 ug/L")) }},
	} {
		f := find(t, rise(c.change), "nickel", KindRise)
		if f.Code != "rise_unconfirmed" || arg(f, "lacks") != c.lacks || f.Needs != c.needs {
			t.Errorf("%s: %s lacks %q needs %q", c.lacks, f.Code, arg(f, "lacks"), f.Needs)
		}
		if !strings.Contains(Sentence(f), lackWords[c.lacks]) {
			t.Errorf("%q does not say what is lacking", Sentence(f))
		}
	}
	for _, c := range []struct{ untreated, treated, code string }{
		{"<10 ug/L", "3 ug/L", "rise_less_finely"}, // RED-8
		{"3 ug/L", ">100 ug/L", "rise_above_range"},
		{"6.0 ug/L", "3 ug/L", "rise_not_distinguishable"},
		{"3.0 ug/L", "3.2 ug/L", "rise_not_distinguishable"},
		{"<0.6 ug/L", "3 ug/L", "rise_confirmed"}, // RED-6: above the untreated sample's own limit
		{"3 ug/L", "<5 ug/L", "rise_not_distinguishable"},
	} {
		got := find(t, rise(func(s *story) {
			s.set("untreated", "nickel", reported(c.untreated, "")).set("first_draw", "nickel", reported(c.treated, "0.6 ug/L"))
		}), "nickel", KindRise)
		if got.Code != c.code {
			t.Errorf("%s then %s: %s, want %s", c.untreated, c.treated, got.Code, c.code)
		}
	}
}

// Without readings before and after nobody knows whether the feed was steady:
// a rise stays unconfirmed, a reduction is marked.
func TestFeedNotReadAfterwards(t *testing.T) {
	s := newStory(t).set("untreated", "nickel", reported("3.0 ug/L", "0.6 ug/L")).set("first_draw", "nickel", reported("6.0 ug/L", "0.6 ug/L"))
	s.set("second_untreated", "nickel", reported("3.0 ug/L", "0.6 ug/L")).set("second_draw", "nickel", reported("6.0 ug/L", "0.6 ug/L")).set("lot_blank", "nickel", reported("<0.6 ug/L", "0.6 ug/L"))
	st := s.run()
	st.Tries["after"] = nil
	a, err := Assess(st)
	if err != nil {
		t.Fatal(err)
	}
	note(a)
	if f := find(t, a, "nickel", KindRise); f.Code != "rise_unconfirmed" || f.Needs != NeedsSteadyFeed {
		t.Errorf("%s, needs %s", f.Code, f.Needs)
	}
	if f := find(t, a, "lead", KindReduction); f.Code != "reduction_between" || !strings.Contains(strings.Join(f.Marks, " "), "feed") {
		t.Errorf("%s, marks %v", f.Code, f.Marks)
	}
	if f := find(t, a, "first_draw", KindFeed); f.Code != "feed_not_looked_at" {
		t.Errorf("%s", f.Code)
	}
}

// On the same day a repeat confirms nothing.
func TestSecondDrawOnTheSameDay(t *testing.T) {
	s := newStory(t).set("untreated", "nickel", reported("3.0 ug/L", "0.6 ug/L")).set("first_draw", "nickel", reported("6.0 ug/L", "0.6 ug/L"))
	s.set("second_untreated", "nickel", reported("3.0 ug/L", "0.6 ug/L")).set("second_draw", "nickel", reported("6.0 ug/L", "0.6 ug/L")).set("lot_blank", "nickel", reported("<0.6 ug/L", "0.6 ug/L"))
	st := s.run()
	st.CountedTry("second_draw").Values["opened_at"] = st.CountedTry("first_draw").Values["opened_at"] // as if on one day
	a, err := Assess(st)
	if err != nil {
		t.Fatal(err)
	}
	if f := find(t, a, "nickel", KindRise); f.Code != "rise_unconfirmed" || f.Needs != NeedsSecondDay {
		t.Errorf("%s, needs %s", f.Code, f.Needs)
	}
}

func TestFeedMoved(t *testing.T) {
	for _, c := range []struct {
		name, before, after, cl, clAfter, state string
	}{
		{"at the limit", "500 uS/cm", "525 uS/cm", "0.5 mg/L", "0.4 mg/L", "feed_steady"},
		{"conductivity above it", "500 uS/cm", "526 uS/cm", "0.5 mg/L", "0.5 mg/L", "feed_moved"},
		{"conductivity below it", "500 uS/cm", "474 uS/cm", "0.5 mg/L", "0.5 mg/L", "feed_moved"},
		{"chlorine", "500 uS/cm", "500 uS/cm", "0.5 mg/L", "0.39 mg/L", "feed_moved"},
		{"chlorine below the kit's floor", "500 uS/cm", "500 uS/cm", "0.01 mg/L", "0.04 mg/L", "feed_steady"},
	} {
		s := newStory(t)
		s.feedBefore, s.feedAfter, s.chlorineBefore, s.chlorineAfter = c.before, c.after, c.cl, c.clAfter
		a := note(s.assess())
		if f := find(t, a, "first_draw", KindFeed); f.Code != c.state {
			t.Errorf("%s: %s (%s)", c.name, f.Code, Sentence(f))
		}
		moved := c.state == "feed_moved"
		if got := find(t, a, "lead", KindReduction).Code == "reduction_feed_moved"; got != moved {
			t.Errorf("%s: reduction undecided %v", c.name, got)
		}
		if got := find(t, a, "lead", KindRise).Code == "rise_feed_moved"; got != moved {
			t.Errorf("%s: rise undecided %v", c.name, got)
		}
		if moved && a.Looked != 0 {
			t.Errorf("%s: %d analytes looked at in a pair that says nothing", c.name, a.Looked)
		}
	}
	s := newStory(t)
	s.opened = true
	a := note(s.assess())
	if f := find(t, a, "lead", KindReduction); f.Code != "reduction_pair_opened" {
		t.Errorf("the faucet was opened: %s", f.Code)
	}
}

// Lead against 5 ug/L with U = 2 sqrt(0.01 + (0.05 c)^2).
func TestMarginByHand(t *testing.T) {
	for _, c := range []struct {
		treated, limit string
		want           expect
	}{
		{"4.0 ug/L", "0.6 ug/L", expect{"lead", KindMargin, "margin_below", "80.0", "71.0", "89.0"}}, // U 0.4472
		{"5.0 ug/L", "0.6 ug/L", expect{"lead", KindMargin, "margin_straddles", "100.0", "89.2", "110.8"}},
		{"6.0 ug/L", "0.6 ug/L", expect{"lead", KindMargin, "margin_above", "120.0", "107.3", "132.7"}}, // U 0.6325
		{"<6 ug/L", "6 ug/L", expect{"lead", KindMargin, "margin_limit", "", "0.0", "*"}},
		{"<0.6 ug/L", "0.6 ug/L", expect{"lead", KindMargin, "margin_below", "", "0.0", "*"}},
		{">4 ug/L", "0.6 ug/L", expect{"lead", KindMargin, "margin_range", "", "*", ""}},
	} {
		s := newStory(t).set("first_draw", "lead", reported(c.treated, c.limit))
		f := check(t, note(s.assess()), c.want)
		if f.Code == "margin_above" && f.Needs != NeedsAdvice {
			t.Errorf("above a value needs advice, not %q", f.Needs)
		}
	}
	s := newStory(t).set("first_draw", "copper", reported("100 ug/L", "1 ug/L")).set("first_draw", "cadmium", reported("<0.3 ug/L", "0.3 ug/L"))
	a := note(s.assess())
	if f := find(t, a, "nickel", KindMargin); !strings.Contains(strings.Join(f.Marks, " "), "status:verified-secondary") {
		t.Errorf("a value that was read in a copy is not marked: %v", f.Marks)
	}
	check(t, a, expect{"copper", KindMargin, "margin_none", "", "", ""}) // its value is from memory
	// 50 mg/L as NO3 is 11.295 mg/L as N.
	check(t, a, expect{"nitrate", KindMargin, "margin_below", "17.7", "*", "*"})
}

func TestBenchByHand(t *testing.T) {
	s := newStory(t).set("drain_water", "chloride", reported("130 mg/L", "1 mg/L"))
	a := note(s.assess())
	for _, want := range []expect{
		{"flow", KindBench, "bench_measured", "1.90", "1.80", "2.00"},          // median of 1.8, 2.0, 1.9, and all of them
		{"usable_volume", KindBench, "bench_measured", "6.20", "5.90", "6.50"}, // 6.0 and 6.4, U 0.1 L
		{"refill_time", KindBench, "bench_measured", "93.0", "90.0", "96.0"},
		{"product_free_chlorine", KindBench, "bench_below_floor", "", "", "0.0500"},       //
		{"production", KindBench, "bench_worked_out", "0.200", "*", "*"},                  // 1.996 kg / 0.998 kg/L / 10 min
		{"production_at_25", KindBench, "production_corrected", "0.272", "", ""},          // / 0.7352 (TCF-1)
		{"recovery", KindBench, "recovery_is", "25.0", "24.6", "25.4"},                    // REC-3: 1 : 3
		{"conductivity_reduction", KindBench, "bench_worked_out", "92.1", "91.6", "92.5"}, // mean of 1 - 40/500 and 1 - 40/510; 40.8/490 to 39.2/520.2
		{"chlorine_reduction", KindBench, "reduction_at_least", "", "87.6", "100.0"},      // 1 - 0.05/(0.45 - 0.045), the lower reading of the feed
		{"tank", KindBench, "tank_plausible", "", "", ""},                                 // 12 L (1 - 151.325/401.325) = 7.48 L
		{"balance_chloride", KindBench, "balance_closes", "", "*", "*"},                   // 0.25 x 10 + 0.75 x 130 = 100
		{"contact_rise", KindContact, "contact_rise", "75.0", "", ""},                     // 40 to 70 uS/cm
		{"membrane", KindLife, "life_at_least", "0.4", "", ""},                            // 7, 6.0 and 6.4 L of 4000 L; the flow and the weighing took more
		{"efficiency", KindBench, "efficiency_is", "25.0", "23.7", "26.3"},                // 6.2 of 6.2 + 18.6 L; 5.9 of 5.9 + 18.9 to 6.5 of 6.5 + 18.3
		{"cost_year", KindCost, "cost_year", "", "164.38", "171.47"},                      // 94.75 + 3650 L x 5/m3 over 5.9/24.8 to 6.5/24.8
		{"cost_litre", KindCost, "cost_litre", "", "0.0450", "0.0470"},                    // / 3650 L
		{"alkalinity", KindMineral, "alkalinity_is", "12.0", "10.0", "14.0"},              // U at least 2 mg/L below 20 mg/L
		{"hardness", KindMineral, "hardness_is", "34.1", "*", "*"},                        // 2.4973 x 12 + 4.1180 x 1 = 34.086
	} {
		check(t, a, want)
	}
	for _, c := range []struct{ drain, code string }{{"60 mg/L", "balance_less_out"}, {"190 mg/L", "balance_more_out"}, {"<200 mg/L", "balance_open"}} {
		s := newStory(t).set("drain_water", "chloride", reported(c.drain, "1 mg/L")).set("first_draw", "chloride", reported("<1 mg/L", "1 mg/L"))
		check(t, note(s.assess()), expect{"balance_chloride", KindBench, c.code, "*", "*", "*"})
	}
}

// 60 x 365/400 + 20 x 365/182.5 = 94.75: the membrane's rated volume of 4000 L
// lasts 400 d at 10 L a day, shorter than its stated 730 to 1095 d. Without a
// price of water it is not counted; without the daily use nothing is.
func TestCostWithoutWater(t *testing.T) {
	s := newStory(t)
	st := s.run()
	unit, pinned := *st.Pinned.Unit, *st.Pinned
	price := *unit.Price
	price.WaterPrice = ""
	unit.Price, pinned.Unit, st.Pinned = &price, &unit, &pinned
	a, err := Assess(st)
	if err != nil {
		t.Fatal(err)
	}
	check(t, a, expect{"cost_year", KindCost, "cost_year_without_water", "", "94.75", "94.75"})
	check(t, a, expect{"cost_litre", KindCost, "cost_litre_without_water", "", "0.0260", "0.0260"})
	unit.DailyUse = ""
	if a, err = Assess(st); err != nil {
		t.Fatal(err)
	}
	check(t, a, expect{"cost_year", KindCost, "cost_unknown", "", "", ""})
}

// A pH of 9.1 with an alkalinity of 12 mg/L: the words of the trade are that
// this shows few minerals. In thin water the electrode carries U = 0.3.
func TestPHWords(t *testing.T) {
	for _, c := range []struct{ ph, product, alkalinity, code, low string }{
		{"9.1 pH", "40 uS/cm", "12 mg/L as CaCO3", "ph_high_few_minerals", "8.8"},
		{"9.1 pH", "150 uS/cm", "120 mg/L as CaCO3", "ph_high_buffered", "9.0"},
		{"5.6 pH", "20 uS/cm", "4 mg/L as CaCO3", "ph_low_few_minerals", "5.3"},
		{"7.4 pH", "300 uS/cm", "120 mg/L as CaCO3", "ph_usual", "7.3"},
		{"8.6 pH", "40 uS/cm", "12 mg/L as CaCO3", "ph_open", "8.3"},
		{"9.1 pH", "40 uS/cm", "", "ph_alone", "8.8"},
	} {
		s := newStory(t)
		s.ph, s.product = c.ph, c.product
		if c.alkalinity == "" {
			delete(s.results["first_draw"], "alkalinity")
		} else {
			s.set("first_draw", "alkalinity", reported(c.alkalinity, "1 mg/L"))
		}
		check(t, note(s.assess()), expect{"product_ph", KindMineral, c.code, "*", c.low, "*"})
	}
}

func TestMineralsAgainstARange(t *testing.T) {
	for _, c := range []struct{ calcium, code string }{
		{"12 mg/L", "mineral_less"}, {"50 mg/L", "mineral_within"}, {"120 mg/L", "mineral_more"}, {"31 mg/L", "mineral_open"}, {"<0.1 mg/L", "mineral_below_limit"},
	} {
		s := newStory(t).set("first_draw", "calcium", reported(c.calcium, "0.1 mg/L"))
		check(t, note(s.assess()), expect{"calcium", KindMineral, c.code, "*", "*", "*"})
	}
}

// Half of the way in ln 2 / k: the curve 70 - 30 exp(-k t) with k = ln 2 / 30
// min, to the nearest 0.01 uS/cm.
func TestContactCurve(t *testing.T) {
	s := newStory(t)
	s.contact = nil
	for _, m := range []float64{0, 15, 30, 60, 120, 240} {
		y := 70 - 30*det.Exp(-det.Log(2)*m/30)
		s.contact = append(s.contact, new(big.Rat).SetFloat64(m).FloatString(0)+" min "+new(big.Rat).SetFloat64(y).FloatString(2)+" uS/cm")
	}
	f := check(t, note(s.assess()), expect{"contact_curve", KindContact, "contact_fit", "70.0", "*", "*"})
	for _, a := range f.Args {
		if a.Name == "half" && a.Text != "30 min" {
			t.Errorf("half time %s", a.Text)
		}
	}
	for code, list := range map[string][]string{
		"contact_no_rise":    {"0 min 40 uS/cm", "15 min 40 uS/cm", "30 min 40 uS/cm", "60 min 40 uS/cm", "120 min 40 uS/cm", "240 min 40 uS/cm"},
		"contact_no_plateau": {"0 min 40 uS/cm", "15 min 41 uS/cm", "30 min 42 uS/cm", "60 min 44 uS/cm", "120 min 48 uS/cm", "240 min 56 uS/cm"},
	} {
		s := newStory(t)
		s.contact = list
		check(t, note(s.assess()), expect{"contact_curve", KindContact, code, "*", "*", "*"})
	}
}

func TestReportsThatCannotBeRight(t *testing.T) {
	count := func(a *Assessment, code string) int {
		n := 0
		for _, f := range note(a).Findings {
			if f.Code == code {
				n++
			}
		}
		return n
	}
	ions := func(step string, values ...string) func(*story) {
		return func(s *story) {
			for i, analyte := range []string{"chloride", "sodium", "calcium", "magnesium"} {
				s.set(step, analyte, reported(values[i]+" mg/L", "0.1 mg/L"))
			}
		}
	}
	for _, c := range []struct {
		code string
		want int
		do   []func(*story)
	}{
		{"report_swapped", 1, []func(*story){ions("untreated", "10", "8", "5", "1"), ions("first_draw", "100", "80", "50", "10")}},
		{"report_unchanged", 1, []func(*story){ions("untreated", "100", "80", "50", "10"), ions("first_draw", "101", "80", "49", "10"),
			func(s *story) { s.set("first_draw", "nitrate", reported("22.4 mg/L as NO3", "0.1 mg/L")) }}},
		{"report_swapped", 0, []func(*story){ions("untreated", "100", "80", "50", "10"), ions("first_draw", "10", "8", "60", "1")}},
		{"report_blank", 1, []func(*story){func(s *story) { s.set("lot_blank", "lead", reported("1 ug/L", "0.6 ug/L")) }}},
		{"report_below_limit", 1, []func(*story){func(s *story) { s.set("first_draw", "lead", reported("0.5 ug/L", "0.6 ug/L")) }}},
		{"report_below_limit", 0, []func(*story){func(s *story) {
			r := reported("0.5 ug/L", "0.6 ug/L")
			r.Qualifier = "J"
			s.set("first_draw", "lead", r)
		}}},
		{"report_hold_over", 1, []func(*story){func(s *story) {
			r := reported("1.0 ug/L", "0.6 ug/L")
			r.Analysed = "2026-03-20T12:00:00.000Z"
			s.set("first_draw", "lead", r)
		}}},
		{"report_hardness", 1, []func(*story){func(s *story) { s.set("first_draw", "hardness", reported("60 mg/L as CaCO3", "1 mg/L")) }}},
		{"report_hardness", 0, []func(*story){func(s *story) { s.set("first_draw", "hardness", reported("34 mg/L as CaCO3", "1 mg/L")) }}},
		{"report_warning", 1, []func(*story){func(s *story) {
			s.warnings = []runner.Warning{{Code: "same_value", Args: []string{"lead", "1 ug/L", "3"}}}
		}}},
	} {
		s := newStory(t)
		for _, do := range c.do {
			do(s)
		}
		if got := count(s.assess(), c.code); got != c.want {
			t.Errorf("%s: %d findings, want %d", c.code, got, c.want)
		}
	}
}

// A warning on record is said once, in words, and not found a second time.
func TestWarningsInWords(t *testing.T) {
	s := newStory(t).set("first_draw", "lead", reported("0.5 ug/L", "0.6 ug/L"))
	s.warnings = []runner.Warning{{Code: "below_own_limit", Args: []string{"s-1", "lead", "0.5 ug/L", "0.6 ug/L"}}, {Code: "something_new"}}
	var says []string
	for _, f := range s.assess().Findings {
		if f.Kind == KindReport {
			says = append(says, Sentence(f))
		}
	}
	want := []string{"Report 24-1, revision 0: lead of the sample s-1, 0.5 ug/L, lies below its own limit of 0.6 ug/L.", "Report 24-1, revision 0: something new."}
	if strings.Join(says[:2], "\n") != strings.Join(want, "\n") || strings.Contains(strings.Join(says, " "), "Lead: the treated result") {
		t.Errorf("%q", says)
	}
}

func TestQualifiedIsMarked(t *testing.T) {
	s := newStory(t)
	s.feedAfter = "526 uS/cm"
	f := find(t, s.assess(), "lead", KindReduction)
	if !strings.Contains(strings.Join(f.Marks, " "), "qualified:fed_steadily") {
		t.Errorf("marks %v", f.Marks)
	}
	if got := MarkWords("qualified:fed_steadily"); got != "used with a reservation: fed_steadily" {
		t.Errorf("words %q", got)
	}
}
