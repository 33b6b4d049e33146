package runner

import (
	"strings"
	"testing"
	"time"

	"tapledger/audit"
	"tapledger/rules"
)

// variant is a run of the small protocol with something replaced.
func variant(t *testing.T, pairs ...string) *bench {
	t.Helper()
	y := smallProtocol(t)
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(y, pairs[i]) {
			t.Fatalf("the protocol has no %q", pairs[i])
		}
		y = strings.Replace(y, pairs[i], pairs[i+1], 1)
	}
	tree, opened := documents(t, y, unitYAML)
	p, err := Pin(tree, "fern-20260302-k7qd", opened)
	if err != nil {
		t.Fatal(err)
	}
	b := openBench(t, p)
	b.readAll()
	return b
}

// A decision that says void: what the step gave is not used by anything else,
// though the criterion that voids it still sees it.
func TestVoid(t *testing.T) {
	b := variant(t, "otherwise: repeat, undecided: repeat, because: \"Small volumes", "otherwise: void, undecided: void, because: \"Small volumes")
	b.install()
	b.condition()
	b.sampling(9*time.Hour, time.Minute)
	b.enter("product_ph", "value=8.9 pH", "value_2=8.8 pH", "value_3=8.85 pH", "instrument=ph-1")
	b.enter("streams", "product=0.9 L", "drain=3.1 L")
	b.want("enough_product", 1, "unmet")
	if !b.st.Current("streams").Void || b.st.CountedTry("streams") != nil {
		t.Error("void")
	}
	if _, p := b.st.Lookup()("streams.product"); p != rules.NotRecorded {
		t.Errorf("a void value is %v to others", p)
	}
	if text, p := b.st.Derived("recovery"); text != "" || p != rules.NotRecorded {
		t.Errorf("derived %q %v", text, p)
	}
	seq := b.st.Current("streams").Seqs[0]
	c := correction(seq, "/values/product", "1.9 L")
	c.Common = photo()
	b.do(KindCorrection, c)
	if b.st.Current("streams").Void {
		t.Error("met lifts void")
	}
	if text, _ := b.st.Derived("recovery"); text != "38.0 %" {
		t.Errorf("derived %q", text)
	}
}

// A rule that cannot be worked out always stops, whatever the protocol says.
func TestFaulty(t *testing.T) {
	b := newRun(t)
	b.install()
	b.span("line_flush", time.Hour)
	for _, v := range []string{"50 uS/cm", "0 uS/cm", "50 uS/cm"} {
		b.enter("discarded_tanks", "value="+v, "instrument=meter-1")
	}
	b.want("conditioned", 1, "faulty: division_by_zero")
	if len(b.st.Blocked) != 1 || b.st.Blocked[0].Why != WhyFaulty || b.st.Phase != PhaseStopped {
		t.Errorf("%+v", b.st.Blocked)
	}
	b.do(KindDeparture, Departure{Affects: []string{"conditioned"}, Reason: "the meter showed 0 once"})
	if b.st.Phase != PhaseOpen || !b.may("last_fill") {
		t.Errorf("%s %+v", b.st.Phase, b.st.Next(b.now))
	}
}

func TestFaultyDerive(t *testing.T) {
	b := newRun(t)
	b.install()
	b.condition()
	b.sampling(9*time.Hour, time.Minute)
	b.enter("product_ph", "value=8.9 pH", "value_2=8.8 pH", "value_3=8.85 pH", "instrument=ph-1")
	b.enter("streams", "product=0 L", "drain=0 L")
	if len(b.st.Blocked) != 0 {
		t.Errorf("a further try is open, so there is nothing to divide yet: %+v", b.st.Blocked)
	}
	b.enter("streams", "product=0 L", "drain=0 L")
	var found bool
	for _, x := range b.st.Blocked {
		found = found || x.Criterion == "recovery" && x.Why == WhyFaulty && x.Code == "division_by_zero"
	}
	if !found {
		t.Fatalf("%+v", b.st.Blocked)
	}
	b.do(KindDeparture, Departure{Affects: []string{"recovery"}, Reason: "no water came"})
	b.do(KindDeparture, Departure{Affects: []string{"enough_product"}, Reason: "no water came"})
	if len(b.st.Blocked) != 0 || !b.may("seal") {
		t.Errorf("%+v", b.st.Blocked)
	}
}

// Which try counts when the protocol counts all.
func TestCountsAll(t *testing.T) {
	b := variant(t, "counts: last", "counts: all")
	b.install()
	b.span("line_flush", 29*time.Minute)
	if n := len(b.st.CountedTries("line_flush")); n != 1 || b.st.CountedTry("line_flush").N != 1 {
		t.Errorf("%d tries count", n)
	}
	b.span("line_flush", 30*time.Minute)
	if n := len(b.st.CountedTries("line_flush")); n != 2 || b.st.CountedTry("line_flush").N != 2 {
		t.Errorf("%d tries count", n)
	}
}

func TestNeeds(t *testing.T) {
	b := variant(t, "{id: seal, kind: inspect,", "{id: seal, kind: inspect, needs: [ph_steady],")
	b.install()
	b.condition()
	b.sampling(9*time.Hour, time.Minute)
	b.enter("product_ph", "value=8.9 pH", "value_2=8.8 pH", "value_3=7.85 pH", "instrument=ph-1")
	b.enter("streams", "product=1.2 L", "drain=3.1 L")
	b.want("ph_steady", 1, "unmet")
	b.refused("waits until met: ph_steady unmet", KindEntry, b.entry("seal", "answer=yes"))
	a := b.st.Next(b.now)
	if len(a.Waits) != 1 || a.Waits[0].Why != "needs" || a.Waits[0].Step != "seal" || len(a.May) != 0 {
		t.Errorf("%+v", a)
	}
	b.do(KindDeparture, Departure{Affects: []string{"ph_steady"}, Reason: "a second electrode agrees"})
	if !b.may("seal") {
		t.Error("a departure stands in for a need")
	}
}

// Nobody accepts away what must be met before water is put in a mouth.
func TestTastingIsNotDepartedFrom(t *testing.T) {
	b := variant(t, `      - {id: seal, kind: inspect, ask: "Seal on the box whole?"}`,
		`      - {id: seal, kind: inspect, ask: "Seal on the box whole?"}
      - {id: mouth, kind: taste, involves: [tasting], needs: [ph_steady, enough_product], ask: "Words for the taste"}`)
	b.install()
	b.condition()
	b.sampling(9*time.Hour, time.Minute)
	b.enter("product_ph", "value=8.9 pH", "value_2=8.8 pH", "value_3=7.85 pH", "instrument=ph-1")
	b.enter("streams", "product=1.2 L", "drain=3.1 L")
	b.enter("seal", "answer=yes")
	b.do(KindDeparture, Departure{Affects: []string{"ph_steady"}, Reason: "accepted"})
	b.refused("waits until met", KindEntry, b.entry("mouth", "answer=flat", "taster=T1"))
	if b.may("mouth") {
		t.Error("the agenda offers a tasting that is not granted")
	}
	b.do(KindDeparture, Departure{Affects: []string{"mouth"}, Reason: "not done"}) // left out
	if b.st.Current("mouth").LeftOut != true || !b.may("courier") {
		t.Error("a step can be left out")
	}

	b = variant(t, `      - {id: seal, kind: inspect, ask: "Seal on the box whole?"}`,
		`      - {id: seal, kind: inspect, ask: "Seal on the box whole?"}
      - {id: mouth, kind: taste, involves: [tasting], needs: [ph_steady, enough_product], ask: "Words for the taste"}`)
	b.toLaboratory()
	b.refused("is no code", KindEntry, b.entry("mouth", "answer=flat", "taster=Mary Smith"))
	b.refused("do not come together", KindEntry, b.entry("mouth", "answer=flat", "taster=T1", "answer_2=flat"))
	b.refused("answers twice", KindEntry, b.entry("mouth", "answer=flat", "taster=T1", "answer_2=flat", "taster_2=T1"))
	b.enter("mouth", "answer=flat", "taster=T1", "answer_2=soft", "taster_2=T2")
	if v, p := b.st.Lookup()("mouth.count"); p != rules.Recorded || v.(interface{ RatString() string }).RatString() != "2" {
		t.Errorf("count %v %v", v, p)
	}
}

// Leaving out a draw leaves out the stand that it would have ended, and what
// rests on it is not recorded.
func TestLeftOut(t *testing.T) {
	b := newRun(t)
	b.install()
	b.condition()
	b.span("last_fill", 2*time.Hour)
	b.draw("untreated")
	b.do(KindDeparture, Departure{Affects: []string{"first_draw"}, Reason: "the bottles broke"})
	if !b.st.Current("stand").LeftOut || !b.may("blank") {
		t.Errorf("%+v", b.st.Next(b.now))
	}
	b.want("first_draw.within", 1, "undecided: not_recorded")
	if len(b.st.Blocked) != 0 || len(b.st.Tries["last_fill"]) != 1 {
		t.Error("what decides a step that was left out is accepted with it")
	}
	if b.st.Role("treated") != nil {
		t.Error("there is no treated sample")
	}
	b.draw("blank")
	b.measure()
	b.handOver()
	r := b.report("24-1", "", "final", "8 ug/L", "", "<0.5 ug/L")
	r.Step = "results"
	b.wait(24 * time.Hour)
	b.do(KindReport, r)
	b.want("lead_falls", 1, "undecided: not_recorded")
	b.do(KindClosed, Closed{})
}

// A clock that is behind the last record: the record says so, its time follows
// the last one, and what was timed counts as typed.
func TestClockBehind(t *testing.T) {
	b := newRun(t)
	last := b.st.Made
	b.now = b.now.Add(-time.Hour)
	r, st, err := b.try(KindEntry, Entry{Step: "feed_pressure", Values: b.values(true, "value=61 psi", "instrument=gauge-1")})
	if err != nil {
		t.Fatal(err)
	}
	if r.Clock != "behind" || st.Current("feed_pressure").Values["at"].Evidence != "typed" {
		t.Errorf("%s %+v", r.Clock, st.Current("feed_pressure").Values["at"])
	}
	before, err := audit.ParseTime(last)
	if err != nil {
		t.Fatal(err)
	}
	if want := audit.Time(before.Add(time.Millisecond)); r.Made != want {
		t.Errorf("made %s, want %s", r.Made, want)
	}
	if _, err := b.st.With(r); err != nil {
		t.Error(err)
	}
	b.now = opening.Add(time.Hour)
	r1 := b.do(KindNote, Note{Text: "one"})
	p := b.proposal(KindNote, Note{Text: "two"})
	r2, _, err := b.st.Extend(p)
	if err != nil || r2.Made <= r1.Made || r2.Clock != "wall" {
		t.Errorf("%s then %s, %s, %v", r1.Made, r2.Made, r2.Clock, err)
	}
}

// Typed from paper afterwards: times before the run was opened are taken, as
// long as the unit was there.
func TestTypedAfterwards(t *testing.T) {
	b := newRun(t)
	v := b.values(false, "value=61 psi", "instrument=gauge-1")
	v["at"] = Value{Text: "2026-03-01T09:00:00.000Z", Evidence: "typed"}
	b.do(KindEntry, Entry{Step: "feed_pressure", Values: v})
	b.want("pressure_in_range", 1, "met")
}

func TestExplain(t *testing.T) {
	b := newRun(t)
	b.enter("feed_pressure", "value=95 psi", "instrument=gauge-1")
	x, err := b.st.Explain("pressure_in_range", 0)
	if err != nil {
		t.Fatal(err)
	}
	if text := x.Text(); !strings.Contains(text, "95 psi") || !strings.Contains(text, "80 psi") {
		t.Errorf("%s", text)
	}
	if _, err := b.st.Explain("pressure", 1); err == nil {
		t.Error("an unknown criterion was explained")
	}
	if _, err := b.st.Explain("pressure_in_range", 3); err == nil {
		t.Error("a try that is not there was explained")
	}
}

func TestClosing(t *testing.T) {
	b := newRun(t).toLaboratory()
	b.refused("steps are still open: courier", KindClosed, Closed{})
	b.handOver()
	b.want("lead_falls", 1, "awaiting")
	b.do(KindClosed, Closed{}) // the report may still be out
	b.want("lead_falls", 1, "undecided: not_recorded")
	b.refused("is closed", KindEntry, b.entry("seal", "answer=yes"))
	b.refused("is closed", KindCorrection, correction(4, "/values/value", "60 psi"))
	if a := b.st.Next(b.now); len(a.May) != 0 || len(a.Expires) == 0 {
		t.Errorf("%+v", a)
	}
	b.wait(24 * time.Hour)
	r := b.report("24-1", "", "final", "8 ug/L", "<0.5 ug/L", "<0.5 ug/L")
	b.do(KindReport, r)
	b.want("lead_falls", 1, "met")
	for kind, body := range map[string]any{KindNote: Note{Text: "x"}, KindComplaint: Complaint{From: "maker", Text: "wrong"}, KindRecovered: Recovered{Did: []string{"nothing"}}} {
		if _, _, err := b.try(kind, body); err != nil {
			t.Errorf("%s after closing: %v", kind, err)
		}
	}
	b.do(KindReopened, Reopened{Reason: "a reading was wrong"})
	b.do(KindCorrection, correction(4, "/values/value", "60 psi"))
	b.do(KindClosed, Closed{})
	if b.st.Phase != PhaseClosed {
		t.Error(b.st.Phase)
	}
}
