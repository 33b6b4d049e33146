package assess

import (
	"strings"
	"testing"
	"time"

	"tapledger/protocol"
)

// risen is a story in which nickel is higher on both days, over a clean blank.
func risen(t *testing.T) *story {
	s := newStory(t)
	for _, step := range []string{"untreated", "second_untreated"} {
		s.set(step, "nickel", reported("3.0 ug/L", "0.6 ug/L"))
	}
	for _, step := range []string{"first_draw", "second_draw"} {
		s.set(step, "nickel", reported("6.0 ug/L", "0.6 ug/L"))
	}
	return s.set("lot_blank", "nickel", reported("<0.6 ug/L", "0.6 ug/L"))
}

// Without readings of the second day's feed a rise stays unconfirmed.
func TestSecondFeedNotRead(t *testing.T) {
	st := risen(t).run()
	st.Tries["second_after"] = nil
	a, err := Assess(st)
	if err != nil {
		t.Fatal(err)
	}
	if f := find(t, note(a), "nickel", KindRise); f.Code != "rise_unconfirmed" || argOf(f, "lacks") != "second_feed_not_looked_at" {
		t.Errorf("%s lacks %q", f.Code, argOf(f, "lacks"))
	}
}

// A reading from long before the fill does not belong to it: an hour, where
// the protocol says nothing.
func TestFeedReadLongBeforeTheFill(t *testing.T) {
	for age, code := range map[time.Duration]string{59 * time.Minute: "feed_steady", 61 * time.Minute: "feed_not_looked_at"} {
		s := risen(t)
		s.feedAge = age
		a := note(s.assess())
		if f := find(t, a, "first_draw", KindFeed); f.Code != code {
			t.Errorf("read %v before: %s, want %s", age, f.Code, code)
		}
	}
}

// Ten minutes around midnight are not two days, and a protocol's own criterion
// is listened to.
func TestAnotherDayIsNotAnotherDate(t *testing.T) {
	for after, code := range map[time.Duration]string{17 * time.Hour: "rise_unconfirmed", 20 * time.Hour: "rise_confirmed"} {
		s := risen(t)
		s.secondAfter = after
		if f := find(t, note(s.assess()), "nickel", KindRise); f.Code != code {
			t.Errorf("%v later: %s, want %s", after, f.Code, code)
		}
	}
	st := risen(t).run()
	for i := range st.Decided {
		if st.Decided[i].Criterion == "another_day" {
			st.Decided[i].State = "unmet"
		}
	}
	a, err := Assess(st)
	if err != nil {
		t.Fatal(err)
	}
	if f := find(t, a, "nickel", KindRise); argOf(f, "lacks") != "no_second_day" {
		t.Errorf("against the protocol's criterion: lacks %q", argOf(f, "lacks"))
	}
}

// Where the feed moved, bench figures that rest on it are undecided too; behind
// a kit whose uncertainty exceeds its floor a non-detect stands at their sum.
func TestBenchFiguresOfAMovedFeed(t *testing.T) {
	s := newStory(t)
	s.feedAfter = "560 uS/cm"
	a := note(s.assess())
	for _, subject := range []string{"conductivity_reduction", "chlorine_reduction"} {
		if f := find(t, a, subject, KindBench); f.Code != "bench_feed_moved" || f.Value+f.Low+f.High != "" {
			t.Errorf("%+v", f)
		}
	}
	st := newStory(t).run()
	kit, pinned := *st.Pinned.Instrument["kit-1"], *st.Pinned
	kit.Floor, kit.Uncertainty = "0.02 mg/L", "0.04 mg/L"
	instruments := map[string]*protocol.Instrument{}
	for id, doc := range pinned.Instrument {
		instruments[id] = doc
	}
	instruments["kit-1"], pinned.Instrument, st.Pinned = &kit, instruments, &pinned
	a, err := Assess(st)
	if err != nil {
		t.Fatal(err)
	}
	check(t, a, expect{"chlorine_reduction", KindBench, "reduction_at_least", "", "85.3", "100.0"}) // 1 - 0.06/(0.45 - 0.04)
}

// Chloride by hand, ur = 5 %: first day 10 of 100 mg/L is 90.0 % (88.5 to 91.5),
// second 20 of 100 is 80.0 %; u(r) = 0.2 sqrt((1/400 + 0.0025) + (0.0025 + ...))
// is 0.01416 with u0 = 1/6: 77.1 to 82.9. The published interval spans both, and
// the days differ.
func TestReductionSpansBothDays(t *testing.T) {
	s := newStory(t).set("second_untreated", "chloride", reported("100 mg/L", "1 mg/L")).set("second_draw", "chloride", reported("20 mg/L", "1 mg/L"))
	a := note(s.assess())
	f := check(t, a, expect{"chloride", KindReduction, "reduction_between", "85.0", "77.1", "91.5"})
	if argOf(f, "first_day") != "90.0 % (88.5 to 91.5 %)" || argOf(f, "second_day") != "80.0 % (77.1 to 82.9 %)" {
		t.Errorf("%+v", f.Args)
	}
	if d := find(t, a, "chloride", KindReport); d.Code != "report_days_differ" {
		t.Errorf("%+v", d)
	}
	s = newStory(t).set("second_untreated", "chloride", reported("100 mg/L", "1 mg/L")).set("second_draw", "chloride", reported("20 mg/L", "1 mg/L"))
	s.secondFeedAfter = "560 uS/cm"
	check(t, note(s.assess()), expect{"chloride", KindReduction, "reduction_between", "90.0", "88.5", "91.5"})
	s = newStory(t).set("second_untreated", "chloride", reported("100 mg/L", "1 mg/L")).set("second_draw", "chloride", reported("<1 mg/L", "1 mg/L"))
	check(t, note(s.assess()), expect{"chloride", KindReduction, "reduction_two_days", "", "88.5", "100.0"})
}

// Higher on the first day and not to be told apart on the second: no negative
// reduction is printed.
func TestDaysThatDisagree(t *testing.T) {
	s := risen(t).set("second_draw", "nickel", reported("3.0 ug/L", "0.6 ug/L"))
	f := find(t, note(s.assess()), "nickel", KindReduction)
	if f.Code != "reduction_days_disagree" || strings.Contains(Sentence(f), "-") || !strings.Contains(Sentence(f), "not reduced and ") {
		t.Errorf("%s: %q", f.Code, Sentence(f))
	}
}

// A margin takes the second day in: 4 of 5 ug/L with U 0.4472 is 71 to 89 %,
// <0.6 is 0 to 12 %; 6 ug/L lies above, so that the days differ.
func TestMarginSpansBothDays(t *testing.T) {
	s := newStory(t).set("first_draw", "lead", reported("4.0 ug/L", "0.6 ug/L")).set("second_draw", "lead", reported("<0.6 ug/L", "0.6 ug/L"))
	check(t, note(s.assess()), expect{"lead", KindMargin, "margin_below", "", "0.0", "89.0"})
	s = newStory(t).set("first_draw", "lead", reported("4.0 ug/L", "0.6 ug/L")).set("second_draw", "lead", reported("6.0 ug/L", "0.6 ug/L"))
	check(t, note(s.assess()), expect{"lead", KindMargin, "margin_days_differ", "100.0", "71.0", "132.7"})
}

// Not reduced is said only where the interval lies wholly below zero; else the
// two are not distinguishable.
func TestNotReducedNeedsEvidence(t *testing.T) {
	for treated, code := range map[string]string{"3.1 ug/L": "reduction_not_distinguishable", "6.0 ug/L": "reduction_none"} {
		s := newStory(t).set("untreated", "nickel", reported("3.0 ug/L", "0.6 ug/L")).set("first_draw", "nickel", reported(treated, "0.6 ug/L"))
		check(t, note(s.assess()), expect{"nickel", KindReduction, code, "*", "*", "*"})
	}
}

// The decision of a rise is on record with what it rests on.
func TestRiseShowsItsDecision(t *testing.T) {
	f := find(t, risen(t).assess(), "nickel", KindRise)
	for _, name := range []string{"z", "p", "adjusted", "looked", "level", "second_z", "second_adjusted"} {
		if argOf(f, name) == "" {
			t.Errorf("%s is not shown", name)
		}
	}
	feed := 0
	for _, in := range f.Inputs {
		if in.Text == "500 uS/cm" || in.Text == "510 uS/cm" || in.Text == "505 uS/cm" {
			feed++
		}
	}
	if feed != 4 {
		t.Errorf("%d of 4 readings of the feed among the inputs", feed)
	}
}

// A mass balance over a fill needs the efficiency of a fill, and a steady feed.
func TestBalanceOpenAsAWhole(t *testing.T) {
	st := newStory(t).set("drain_water", "chloride", reported("130 mg/L", "1 mg/L")).run()
	st.Tries["cycles"] = nil
	a, err := Assess(st)
	if err != nil {
		t.Fatal(err)
	}
	check(t, note(a), expect{"balance", KindBench, "balance_no_efficiency", "", "", ""})
	s := newStory(t)
	s.feedAfter = "560 uS/cm"
	check(t, note(s.assess()), expect{"balance", KindBench, "balance_feed_moved", "", "", ""})
}

// argOf is a finding's argument, "" for none.
func argOf(f Finding, name string) string {
	for _, a := range f.Args {
		if a.Name == name {
			return a.Text
		}
	}
	return ""
}
