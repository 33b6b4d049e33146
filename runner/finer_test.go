package runner

import (
	"math/big"
	"testing"
	"time"

	"tapledger/protocol"
	"tapledger/rules/quantity"
)

// undecided: says on its own what follows when the evidence cannot tell.
func TestUndecidedHasItsOwnConsequence(t *testing.T) {
	b := variant(t, `otherwise: stop, undecided: stop, because: "Nobody is there`, `otherwise: stop, undecided: qualify, because: "Nobody is there`)
	b.enter("feed_pressure", "value=61 psi", "instrument=gauge-1")
	b.do(KindEntry, Entry{Common: photo(), Step: "leak_check", Values: b.values(true, "answer=yes")})
	b.enter("tray", "answer=not_applicable", "reason=it stands in a wet room")
	b.want("tray_there", 1, "undecided: not_applicable")
	if b.st.Phase != PhaseOpen {
		t.Errorf("%s %+v", b.st.Phase, b.st.Blocked)
	}
}

// A departure unblocks; what is void stays void.
func TestDepartureLeavesVoid(t *testing.T) {
	b := newRun(t)
	b.install()
	b.condition()
	b.sampling(9*time.Hour, 3*time.Minute)
	b.do(KindDeparture, Departure{Affects: []string{"first_draw.within"}, Reason: "a slow bottle"})
	if !b.st.Current("first_draw").Void {
		t.Error("a departure made void values count")
	}
	b.measure()
	b.handOver()
	b.wait(24 * time.Hour)
	r := b.report("24-1", "", "final", "8 ug/L", "2 ug/L", "<0.5 ug/L")
	r.Step = "results"
	b.do(KindReport, r)
	b.want("lead_falls", 1, "undecided: not_recorded") // the sample is void, whatever was found in it
}

// A correction that leaves the evidence short of met needs no proof of its own.
func TestCorrectionToUndecided(t *testing.T) {
	b := newRun(t).toLaboratory()
	b.handOver()
	b.wait(24 * time.Hour)
	r := b.report("24-1", "", "final", "8 ug/L", "6 ug/L", "<0.5 ug/L")
	r.Step = "results"
	rec := b.do(KindReport, r)
	b.want("lead_falls", 1, "unmet")
	b.do(KindCorrection, correction(rec.Seq, "/results/1/result", "<6 ug/L"))
	if len(b.st.Turned) != 0 {
		t.Errorf("%+v", b.st.Turned)
	}
	if d := b.st.DecisionOf("lead_falls", 1); d.State != StateUndecided {
		t.Errorf("%+v", d)
	}
}

// A decision is stored anew when only its code differs.
func TestCodeIsPartOfADecision(t *testing.T) {
	b := newRun(t).toLaboratory()
	b.handOver()
	b.wait(24 * time.Hour)
	one := b.report("24-1", "", "final", "8 ug/L", "", "")
	one.Step = "results"
	b.do(KindReport, one)
	b.want("lead_falls", 1, "undecided: not_recorded")
	two := b.do(KindReport, b.report("24-2", "", "final", "", "<6 ug/L", ""))
	d := b.st.DecisionOf("lead_falls", 1)
	if d.State != StateUndecided || d.Code == "not_recorded" || d.Seq != two.Seq {
		t.Errorf("%+v", d)
	}
	// An amended report that no longer holds a result takes it away: a replaced
	// report is out as a whole.
	three := b.report("24-2", "1", "amended", "", "", "<0.5 ug/L")
	three.Replaces = "24-2"
	b.do(KindReport, three)
	b.want("lead_falls", 1, "undecided: not_recorded")
	if r, _, _ := b.st.Result(b.sampleID("first_draw"), "lead"); r != nil {
		t.Errorf("%+v", r)
	}
}

// A total counts before a dissolved result of the same report.
func TestTotalBeforeDissolved(t *testing.T) {
	b := newRun(t).toLaboratory()
	b.handOver()
	b.wait(24 * time.Hour)
	r := b.report("24-1", "", "final", "8 ug/L", "2 ug/L", "")
	r.Results[0].Fraction = "dissolved"
	total := r.Results[0]
	total.Fraction, total.Result = "total", "9 ug/L"
	r.Results = append(r.Results, total)
	r.Step = "results"
	b.do(KindReport, r)
	if got, _, path := b.st.Result(b.sampleID("untreated"), "lead"); got == nil || got.Result != "9 ug/L" || path != "/results/2" {
		t.Errorf("%+v %s", got, path)
	}
}

// A further try that nobody has begun decides nothing, even where its rule
// could be decided from other steps.
func TestUnbegunTryDecidesNothing(t *testing.T) {
	b := variant(t, "  - {id: ph_steady,", `  - {id: flushed_or_tray, decides: line_flush, must: "line_flush.elapsed >= qty(\"1 min\") || tray.answer == yes", otherwise: qualify, undecided: qualify, because: "Order.", source: "common practice, no source"}
  - {id: ph_steady,`)
	b.enter("feed_pressure", "value=61 psi", "instrument=gauge-1")
	b.do(KindEntry, Entry{Common: photo(), Step: "leak_check", Values: b.values(true, "answer=yes")})
	b.enter("tray", "answer=yes")
	b.want("flushed_or_tray", 1, "met") // as soon as it can be
	b.span("line_flush", 29*time.Minute)
	b.want("flushed_or_tray", 2, "awaiting")
	b.span("line_flush", 30*time.Minute)
	b.want("flushed_or_tray", 2, "met")
}

func TestLeftOutDoesNotCount(t *testing.T) {
	b := newRun(t)
	b.do(KindDeparture, Departure{Affects: []string{"feed_pressure"}, Reason: "no gauge"})
	if b.st.CountedTry("feed_pressure") != nil || !b.may("leak_check") {
		t.Error("a step that was left out gave nothing")
	}
	b.refused("entered already: record 4", KindEntry, b.entry("feed_pressure", "value=61 psi", "instrument=gauge-1"))
}

// Rounding of what is derived: half to even on the decimal text, the lower end
// of an interval down and the upper end up.
func TestRounded(t *testing.T) {
	percent, err := quantity.LookupUnit("%")
	if err != nil {
		t.Fatal(err)
	}
	st := &protocol.Step{In: "%", Digits: 1}
	for in, want := range map[string]string{"12.25": "12.2 %", "12.35": "12.4 %", "12.251": "12.3 %", "99.96": "100.0 %"} {
		n, err := quantity.ParseDecimal(in)
		if err != nil {
			t.Fatal(err)
		}
		if got := rounded(quantity.Of(n, percent), st).(quantity.Quantity).String(); got != want {
			t.Errorf("%s: %s, want %s", in, got, want)
		}
	}
	i := rounded(quantity.Interval{Dim: quantity.Ratio, Lo: big.NewRat(1, 3), Hi: big.NewRat(2, 3)}, st).(quantity.Interval)
	if i.Lo.RatString() != "333/1000" || i.Hi.RatString() != "667/1000" {
		t.Errorf("%s to %s", i.Lo, i.Hi)
	}
	n := rounded(big.NewRat(5, 2), &protocol.Step{}).(*big.Rat)
	if n.RatString() != "2" {
		t.Errorf("2.5 without digits is %s", n)
	}
}

func TestMedian(t *testing.T) {
	for _, c := range []struct {
		in   []string
		want string
	}{{[]string{"3 L"}, "3"}, {[]string{"9 L", "1 L", "2 L"}, "2"}, {[]string{"4 L", "1 L", "2 L", "9 L"}, "3"}, {[]string{"4000 mL", "1 L"}, "5/2"}} {
		var list []quantity.Quantity
		for _, s := range c.in {
			q, err := quantity.Parse(s)
			if err != nil {
				t.Fatal(err)
			}
			list = append(list, q)
		}
		if got := quantity.Median(list).Base.RatString(); got != c.want {
			t.Errorf("median of %v: %s, want %s", c.in, got, c.want)
		}
	}
}
