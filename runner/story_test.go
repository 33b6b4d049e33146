package runner

import (
	"strings"
	"testing"
	"time"
)

// The whole way once: what a run without trouble looks like.
func TestStoryWhole(t *testing.T) {
	b := newRun(t)
	if !b.may("feed_pressure") || b.may("leak_check") || b.may("line_flush") {
		t.Errorf("only feed_pressure is due: %+v", b.st.Next(b.now).May)
	}
	b.toLaboratory()
	for criterion, want := range map[string]string{"pressure_in_range": "met", "leak_free": "met", "tray_there": "met",
		"line_flush.at_least": "met", "conditioned": "met", "stand.at_least": "met", "stand.at_most": "met",
		"first_draw.within": "met", "ph_steady": "met", "enough_product": "met", "seal_whole": "undecided: evidence", "lead_falls": "awaiting"} {
		b.want(criterion, 1, want)
	}
	b.handOver()
	b.wait(5 * 24 * time.Hour)
	r := b.report("24-1", "0", "final", "8 ug/L", "<0.5 ug/L", "<0.5 ug/L")
	r.Step = "results"
	b.do(KindReport, r)
	b.want("lead_falls", 1, "met")
	b.want("blank_clean", 1, "met")
	b.do(KindClosed, Closed{})
	if b.st.Phase != PhaseClosed {
		t.Errorf("phase %s", b.st.Phase)
	}
	if got, _ := b.st.Derived("recovery"); got != "27.9 %" { // 1.2 / 4.3
		t.Errorf("recovery %q", got)
	}
	again, err := Fold(b.p, b.st.Records)
	if err != nil {
		t.Fatal(err)
	}
	if fingerprint(t, again) != fingerprint(t, b.st) {
		t.Error("folding the records leads elsewhere")
	}
}

func TestStoryStop(t *testing.T) {
	b := newRun(t)
	b.enter("feed_pressure", "value=95 psi", "instrument=gauge-1")
	b.want("pressure_in_range", 1, "unmet")
	if b.st.Phase != PhaseStopped || len(b.st.Blocked) != 1 || b.st.Blocked[0].Why != WhyStop {
		t.Errorf("%s %+v", b.st.Phase, b.st.Blocked)
	}
	a := b.st.Next(b.now)
	if len(a.May) != 0 || len(a.Blocked) != 1 || strings.Join(a.Blocked[0].Free, " ") != "departure correct abandon" {
		t.Errorf("agenda %+v", a)
	}
	b.refused("the run waits for a person", KindEntry, Entry{Step: "leak_check", Values: b.values(true, "answer=yes")})
	b.do(KindDeparture, Departure{Affects: []string{"pressure_in_range"}, Reason: "a regulator was fitted, see photo"})
	b.want("pressure_in_range", 1, "unmet") // a departure changes no decision
	if b.st.Phase != PhaseOpen || !b.may("leak_check") {
		t.Errorf("a departure unblocks: %s %+v", b.st.Phase, b.st.Next(b.now))
	}
}

func TestStoryRepeatFlush(t *testing.T) {
	b := newRun(t)
	b.install()
	b.span("line_flush", 30*time.Minute-time.Millisecond)
	b.want("line_flush.at_least", 1, "unmet")
	if n := len(b.st.Tries["line_flush"]); n != 2 {
		t.Fatalf("%d tries of line_flush", n)
	}
	if len(b.st.Tries["discarded_tanks"]) != 1 {
		t.Error("a step that was not begun needs no further try")
	}
	b.refused("comes after: line_flush", KindEntry, Entry{Step: "discarded_tanks", Values: b.values(true, "value=9 uS/cm", "instrument=meter-1")})
	b.span("line_flush", 30*time.Minute)
	b.want("line_flush.at_least", 2, "met")
	b.want("line_flush.at_least", 1, "unmet") // all tries are kept
	if b.st.CountedTry("line_flush").N != 2 {
		t.Error("the last try counts")
	}
}

func TestStoryTriesUsedUp(t *testing.T) {
	b := newRun(t)
	b.install()
	b.span("line_flush", 29*time.Minute)
	b.span("line_flush", 28*time.Minute)
	if len(b.st.Blocked) != 1 || b.st.Blocked[0].Why != WhyUsedUp || b.st.Phase != PhaseStopped {
		t.Fatalf("%s %+v", b.st.Phase, b.st.Blocked)
	}
	b.do(KindDeparture, Departure{Affects: []string{"line_flush.at_least"}, Reason: "the flow was twice as high"})
	if len(b.st.Blocked) != 0 || !b.may("discarded_tanks") {
		t.Errorf("%+v", b.st.Next(b.now))
	}
}

// A departure from a decision that wanted a further try withdraws that try as
// long as nothing is on record for it.
func TestStoryDepartureInsteadOfRepeat(t *testing.T) {
	b := newRun(t)
	b.install()
	b.span("line_flush", 29*time.Minute)
	b.do(KindDeparture, Departure{Affects: []string{"line_flush.at_least"}, Reason: "twice the flow"})
	if n := len(b.st.Tries["line_flush"]); n != 1 {
		t.Errorf("%d tries", n)
	}
	if c := b.st.CountedTry("line_flush"); c == nil || c.N != 1 || !b.may("discarded_tanks") {
		t.Errorf("counted %+v", c)
	}
}

func TestStoryStartedFlush(t *testing.T) {
	b := newRun(t)
	b.install()
	b.wait(time.Second)
	began := b.at()
	b.do(KindStarted, Started{Step: "line_flush", Values: map[string]Value{"began": {began, "timed"}}})
	b.refused("begun already", KindStarted, Started{Step: "line_flush", Values: map[string]Value{"began": {b.at(), "timed"}}})
	if a := b.st.Next(b.now); len(a.Waits) != 1 || a.Waits[0].Step != "line_flush" {
		t.Errorf("waits %+v", a.Waits)
	}
	b.wait(31 * time.Minute)
	b.refused("was begun at", KindEntry, Entry{Step: "line_flush", Values: b.values(false, "began="+b.at(), "ended="+b.at())})
	b.do(KindEntry, Entry{Step: "line_flush", Values: b.values(false, "ended="+b.at(), "volume=20 L")})
	b.want("line_flush.at_least", 1, "met")
	e := b.st.bodies[len(b.st.bodies)-1].(*Entry)
	if e.Values["began"] != (Value{began, "timed"}) {
		t.Errorf("the entry repeats began with its evidence: %+v", e.Values["began"])
	}
}

func TestStorySeries(t *testing.T) {
	read := func(b *bench, v string) {
		b.wait(time.Hour)
		b.enter("discarded_tanks", "value="+v, "instrument=meter-1")
	}
	b := newRun(t)
	b.install()
	b.span("line_flush", time.Hour)
	read(b, "50 uS/cm")
	read(b, "50 uS/cm")
	b.want("conditioned", 1, "awaiting") // before its fewest readings a series decides nothing
	read(b, "90 uS/cm")
	b.want("conditioned", 1, "unmet") // asks for one more
	if len(b.st.Tries["discarded_tanks"]) != 1 || b.st.Current("discarded_tanks").Closed || !b.may("discarded_tanks") {
		t.Fatal("repeat asks for one more reading of the same try")
	}
	read(b, "60 uS/cm")
	read(b, "50 uS/cm") // the most: it closes, and repeat opens a further try
	if tries := b.st.Tries["discarded_tanks"]; len(tries) != 2 || !tries[0].Closed || tries[1].Closed {
		t.Fatalf("%d tries", len(tries))
	}
	for range 3 {
		read(b, "50 uS/cm")
	}
	b.want("conditioned", 1, "unmet")
	b.want("conditioned", 2, "met")
	if !b.st.Current("discarded_tanks").Closed || !b.may("last_fill") {
		t.Error("met closes a series")
	}
	b.refused("entered already", KindEntry, Entry{Step: "discarded_tanks", Values: b.values(true, "value=9 uS/cm", "instrument=meter-1")})
}

// The edges of the standing window, to the millisecond.
func TestStoryStandingEdges(t *testing.T) {
	for _, c := range []struct {
		stood       time.Duration
		least, most string
	}{
		{8*time.Hour - time.Millisecond, "unmet", "met"},
		{8 * time.Hour, "met", "met"},
		{8*time.Hour + time.Millisecond, "met", "met"},
		{10*time.Hour - time.Millisecond, "met", "met"},
		{10 * time.Hour, "met", "met"},
		{10*time.Hour + time.Millisecond, "met", "unmet"},
	} {
		b := newRun(t)
		b.install()
		b.condition()
		b.span("last_fill", 2*time.Hour)
		b.draw("untreated")
		b.firstDraw(c.stood, time.Minute)
		b.want("stand.at_least", 1, c.least)
		b.want("stand.at_most", 1, c.most)
		tries := 1
		if c.least == "unmet" || c.most == "unmet" {
			tries = 2
		}
		for _, step := range []string{"last_fill", "untreated", "stand", "first_draw"} {
			if n := len(b.st.Tries[step]); n != tries {
				t.Errorf("stood %s: %s has %d tries, want %d", c.stood, step, n, tries)
			}
		}
		if len(b.st.Tries["blank"]) != 1 {
			t.Error("a blank that was not drawn needs no further try")
		}
		if tries == 2 && (b.may("first_draw") || !b.may("last_fill")) {
			t.Error("a window with from repeats the step named there")
		}
	}
}

// The window of a draw counts from the opening of the faucet.
func TestStoryWithinEdges(t *testing.T) {
	for _, c := range []struct {
		took time.Duration
		want string
	}{{2*time.Minute - time.Millisecond, "met"}, {2 * time.Minute, "met"}, {2*time.Minute + time.Millisecond, "unmet"}} {
		b := newRun(t)
		b.install()
		b.condition()
		b.span("last_fill", 2*time.Hour)
		b.draw("untreated")
		b.firstDraw(9*time.Hour, c.took)
		b.want("first_draw.within", 1, c.want)
		if void := b.st.Current("first_draw").Void; void != (c.want == "unmet") {
			t.Errorf("took %s: void %v", c.took, void)
		}
		if counted := b.st.CountedTry("first_draw"); (counted == nil) != (c.want == "unmet") {
			t.Errorf("took %s: a void try does not count", c.took)
		}
	}
}

// A further try of the whole standing: the earlier one keeps its decisions and
// the values that belonged to it.
func TestStoryRepeatedStanding(t *testing.T) {
	b := newRun(t)
	b.install()
	b.condition()
	b.span("last_fill", 2*time.Hour)
	b.draw("untreated")
	b.firstDraw(7*time.Hour, time.Minute)
	first := b.st.DecisionOf("stand.at_least", 1)
	b.sampling(9*time.Hour, time.Minute)
	b.want("stand.at_least", 1, "unmet")
	b.want("stand.at_least", 2, "met")
	b.want("first_draw.within", 1, "met")
	b.want("first_draw.within", 2, "met")
	if again := b.st.DecisionOf("stand.at_least", 1); again.Seq != first.Seq {
		t.Error("the first try was decided anew")
	}
	if f := b.st.find("stand.elapsed", At{"stand", 1}, "stand"); f.value.(interface{ String() string }).String() != "25200 s" {
		t.Errorf("try 1 stood %v", f.value)
	}
	if b.st.Role("treated").Try != 2 || b.st.Role("untreated").Try != 2 {
		t.Error("the last try counts")
	}
}

// Opening the faucet while it stands: standing counts from there, and the
// composite pair no longer stands for the same water.
func TestStoryOpenedInBetween(t *testing.T) {
	b := newRun(t)
	b.install()
	b.condition()
	b.span("last_fill", 2*time.Hour)
	b.draw("untreated")
	b.wait(3 * time.Hour)
	opened := b.now
	b.do(KindEntry, Entry{Step: "stand", Values: b.values(false, "opened_at="+b.at())})
	if b.st.Current("stand").Closed {
		t.Fatal("an opening ends no standing")
	}
	b.now = opened.Add(8*time.Hour - time.Millisecond)
	if a := b.st.Next(b.now); len(a.Waits) == 0 || a.Waits[0].From != audit8h(opened) {
		t.Errorf("waits %+v, want from %s", a.Waits, audit8h(opened))
	}
	b.wait(time.Millisecond)
	at := b.at()
	b.wait(time.Minute)
	b.do(KindDraw, Draw{Step: "first_draw", Values: b.values(false, "at="+at, "opened_at="+at, "closed_at="+b.at()), Bottles: b.bottles("first_draw")})
	b.want("stand.at_least", 1, "met")
	if !b.st.Moved("first_draw", 1) {
		t.Error("the pair has moved")
	}
	b.draw("blank")
	b.measure()
	b.handOver()
	b.wait(24 * time.Hour)
	r := b.report("24-1", "0", "final", "8 ug/L", "<0.5 ug/L", "<0.5 ug/L")
	r.Step = "results"
	b.do(KindReport, r)
	b.want("lead_falls", 1, "undecided: feed_moved")
	b.want("blank_clean", 1, "met")
}

func audit8h(t time.Time) string { return t.Add(8 * time.Hour).Format("2006-01-02T15:04:05.000Z") }

func TestStoryComposite(t *testing.T) {
	b := newRun(t)
	b.install()
	b.condition()
	began := b.at()
	b.do(KindStarted, Started{Step: "last_fill", Values: map[string]Value{"began": {began, "timed"}}})
	if !b.may("untreated") {
		t.Fatal("a composite may be collected while the fill runs")
	}
	b.draw("untreated")
	b.wait(2 * time.Hour)
	ended := b.at()
	b.do(KindEntry, Entry{Step: "last_fill", Values: b.values(false, "ended="+ended)})
	opened, closed, when := b.st.drawn(b.st.step("untreated"), b.st.Current("untreated"), At{})
	if opened.Text != began || closed.Text != ended || when.Text != ended {
		t.Errorf("a composite opens and closes with its fill: %s %s %s", opened.Text, closed.Text, when.Text)
	}
	if got := b.st.Samples[0].DrawnAt; got != ended {
		t.Errorf("the sample was drawn at %q", got)
	}
}

func TestStoryNotApplicable(t *testing.T) {
	b := newRun(t)
	b.enter("feed_pressure", "value=4.1 bar", "instrument=gauge-1") // another unit of the same dimension
	b.want("pressure_in_range", 1, "met")
	b.refused("needs a reason", KindEntry, Entry{Step: "leak_check", Values: b.values(true, "answer=not_applicable")})
	b.enter("leak_check", "answer=not_applicable", "reason=there is no fitting")
	b.want("leak_free", 1, "undecided: not_applicable")
	if b.st.Phase != PhaseStopped {
		t.Error("undecided: stop")
	}
}
