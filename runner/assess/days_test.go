package assess

import (
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

// argOf is a finding's argument, "" for none.
func argOf(f Finding, name string) string {
	for _, a := range f.Args {
		if a.Name == name {
			return a.Text
		}
	}
	return ""
}
