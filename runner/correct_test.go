package runner

import (
	"strings"
	"testing"
	"time"
)

func correction(seq int64, path, text string) Correction {
	return Correction{Corrects: Target{Path: path, Seq: seq}, Value: Value{Text: text, Evidence: "typed"}, Reason: "misread"}
}

func TestCorrectionRedecides(t *testing.T) {
	b := newRun(t)
	r := b.enter("feed_pressure", "value=95 psi", "instrument=gauge-1")
	b.want("pressure_in_range", 1, "unmet")
	bare := correction(r.Seq, "/values/value", "59 psi")
	ref := b.refused("turns pressure_in_range to met and has no evidence", KindCorrection, bare)
	if !strings.Contains(ref.Hint, "photo") {
		t.Errorf("hint %q", ref.Hint)
	}
	bare.Common = photo()
	c := b.do(KindCorrection, bare)
	b.want("pressure_in_range", 1, "met")
	if len(b.st.Blocked) != 0 || !b.may("leak_check") {
		t.Error("what stopped the run is set right")
	}
	if len(b.st.Turned) != 1 || b.st.Turned[0].Seq != c.Seq {
		t.Errorf("turned %+v", b.st.Turned)
	}
	v := b.st.Current("feed_pressure").Values["value"]
	if v.Text != "59 psi" || v.Original != "95 psi" || v.By != c.Seq || v.Seq != r.Seq {
		t.Errorf("both stay readable: %+v", v)
	}
	if d := b.st.DecisionOf("pressure_in_range", 1); d.Inputs[0] != sprint("feed_pressure.value@", c.Seq) || d.Inputs[1] != "unit.pressure_most" {
		t.Errorf("inputs %v", d.Inputs)
	}
	owed := b.st.Next(b.now).Owed
	if len(owed) != 1 || owed[0].Code != "second_person" || owed[0].Seq != c.Seq {
		t.Errorf("owed %+v", owed)
	}
	b.by = "jo"
	b.do(KindSecondPerson, SecondPerson{Confirms: c.Seq, Record: b.st.hashOf(c.Seq)})
	if owed := b.st.Next(b.now).Owed; len(owed) != 0 {
		t.Errorf("owed %+v", owed)
	}
	// A correction of a correction addresses the original.
	b.refused("is itself a correction", KindCorrection, correction(c.Seq, "/value", "60 psi"))
	b.do(KindCorrection, correction(r.Seq, "/values/value", "60 psi"))
	if v := b.st.Current("feed_pressure").Values["value"]; v.Text != "60 psi" || v.Original != "95 psi" {
		t.Errorf("%+v", v)
	}
	b.do(KindCorrection, correction(r.Seq, "/values/value", "99 psi"))
	b.want("pressure_in_range", 1, "unmet")
	if b.st.Phase != PhaseStopped {
		t.Error("a corrected value can stop the run")
	}
	again, err := Fold(b.p, b.st.Records)
	if err != nil {
		t.Fatal(err)
	}
	if fingerprint(t, again) != fingerprint(t, b.st) {
		t.Error("folding the records leads elsewhere")
	}
}

func sprint(s string, n int64) string {
	out := ""
	for ; n > 0; n /= 10 {
		out = string(rune('0'+n%10)) + out
	}
	return s + out
}

// A correction can take back the reason for a further try, or give one.
func TestCorrectionAndTries(t *testing.T) {
	b := newRun(t)
	b.install()
	r := b.span("line_flush", 29*time.Minute)
	if len(b.st.Tries["line_flush"]) != 2 {
		t.Fatal("29 min want a further try")
	}
	began := b.st.Current("line_flush").N
	c := correction(r.Seq, "/values/began", b.now.Add(-40*time.Minute).Format("2006-01-02T15:04:05.000Z"))
	c.Common = photo()
	b.do(KindCorrection, c)
	b.want("line_flush.at_least", 1, "met")
	if n := len(b.st.Tries["line_flush"]); n != 1 || began != 2 {
		t.Errorf("a further try that nobody wants and nobody began: %d tries", n)
	}
	b.wait(time.Hour)
	for range 3 {
		b.enter("discarded_tanks", "value=50 uS/cm", "instrument=meter-1")
	}
	// The same correction the other way, after the next steps were done: a
	// further try, of this step and of those that depend on it.
	b.do(KindCorrection, correction(r.Seq, "/values/began", b.now.Add(-70*time.Minute).Format("2006-01-02T15:04:05.000Z")))
	b.want("line_flush.at_least", 1, "unmet")
	if len(b.st.Tries["line_flush"]) != 2 || len(b.st.Tries["discarded_tanks"]) != 2 {
		t.Errorf("%d and %d tries", len(b.st.Tries["line_flush"]), len(b.st.Tries["discarded_tanks"]))
	}
	b.span("line_flush", 31*time.Minute)
	for range 3 {
		b.enter("discarded_tanks", "value=50 uS/cm", "instrument=meter-1")
	}
	// Work was done in the further try: it stays, whatever is corrected.
	c = correction(r.Seq, "/values/began", b.now.Add(-5*time.Hour).Format("2006-01-02T15:04:05.000Z"))
	c.Common = photo()
	b.do(KindCorrection, c)
	if len(b.st.Tries["line_flush"]) != 2 || b.st.CountedTry("line_flush").N != 2 {
		t.Error("a try with records is never withdrawn")
	}
}

// awaiting is stored only when a record takes a stored decision back.
func TestAwaitingIsStoredWhenTakenBack(t *testing.T) {
	y := strings.Replace(smallProtocol(t), `must: "tray.answer == yes"`, `must: "tray.answer == yes && line_flush.elapsed >= qty(\"1 min\")"`, 1)
	y = strings.Replace(y, `must: "leak_check.answer == yes"`, `must: "leak_check.answer == yes || line_flush.elapsed >= qty(\"20 min\")"`, 1)
	tree, opened := documents(t, y, unitYAML)
	p, err := Pin(tree, "fern-20260302-k7qd", opened)
	if err != nil {
		t.Fatal(err)
	}
	b := openBench(t, p)
	b.readAll()
	b.install()
	b.want("tray_there", 1, "awaiting")
	for _, d := range b.st.History {
		if d.State == StateAwaiting {
			t.Errorf("%+v is stored", d)
		}
	}
	b.span("line_flush", 29*time.Minute) // unmet: a further try, whose elapsed is open
	b.want("tray_there", 1, "awaiting")
	b.want("leak_free", 1, "met") // decided as soon as it can be, whatever else is open
	b.span("line_flush", 30*time.Minute)
	b.want("tray_there", 1, "met")
	r := b.st.Current("tray").Seqs[0]
	b.do(KindCorrection, correction(r, "/values/answer", "no"))
	b.want("tray_there", 1, "unmet")
}

func TestTakenBack(t *testing.T) {
	// seal_late reads a flush that a correction sends to a further try.
	y := strings.Replace(smallProtocol(t), "  - {id: ph_steady,", `  - {id: tanks_after, decides: discarded_tanks, must: "discarded_tanks.count >= 1 && line_flush.elapsed >= qty(\"1 min\")", otherwise: qualify, undecided: qualify, because: "Order.", source: "common practice, no source"}
  - {id: tray_before, decides: tray, must: "tray.answer == yes && line_flush.elapsed >= qty(\"1 min\")", otherwise: qualify, undecided: qualify, because: "Order.", source: "common practice, no source"}
  - {id: ph_steady,`, 1)
	tree, opened := documents(t, y, unitYAML)
	p, err := Pin(tree, "fern-20260302-k7qd", opened)
	if err != nil {
		t.Fatal(err)
	}
	b := openBench(t, p)
	b.readAll()
	b.install()
	r := b.span("line_flush", 40*time.Minute)
	b.want("tray_before", 1, "met")
	c := b.do(KindCorrection, correction(r.Seq, "/values/began", b.now.Add(-10*time.Minute).Format("2006-01-02T15:04:05.000Z")))
	b.want("tray_before", 1, "awaiting")
	d := b.st.DecisionOf("tray_before", 1)
	if d.Seq != c.Seq || d.State != StateAwaiting {
		t.Errorf("awaiting is stored by the record that takes a decision back: %+v", d)
	}
	b.span("line_flush", 40*time.Minute)
	b.want("tray_before", 1, "met")
	again, err := Fold(b.p, b.st.Records)
	if err != nil || fingerprint(t, again) != fingerprint(t, b.st) {
		t.Errorf("folding the records leads elsewhere: %v", err)
	}
}

func TestCorrectionRefused(t *testing.T) {
	b := newRun(t).toLaboratory()
	b.handOver()
	b.wait(24 * time.Hour)
	rep := b.report("24-1", "", "final", "8 ug/L", "2 ug/L", "<0.5 ug/L")
	rep.Step = "results"
	report := b.do(KindReport, rep)
	draw := b.st.Current("first_draw").Seqs[0]
	ph := b.st.Current("product_ph").Seqs[0]
	for _, c := range []struct {
		words string
		corr  Correction
	}{
		{"there is no record 999", correction(999, "/values/value", "1 pH")},
		{"there is no record 0", correction(0, "/values/value", "1 pH")},
		{"holds nothing that a correction can set right", correction(1, "/unit/id", "x")},
		{"holds nothing that a correction can set right", correction(2, "/caution", "x")},
		{"set right in a record of kind entry", correction(ph, "/decisions/0/state", "met")},
		{"set right in a record of kind entry", correction(ph, "/step", "leak_check")},
		{"set right in a record of kind entry", correction(ph, "/values/value/text", "8 pH")},
		{"set right in a record of kind entry", correction(ph, "values/value", "8 pH")},
		{"has no /values/value_9", correction(ph, "/values/value_9", "8 pH")},
		{"that is what stands there", correction(ph, "/values/value", "8.9 pH")},
		{"a pH is wanted", correction(ph, "/values/value", "8.9 L")},
		{"lies in the future", correction(ph, "/values/at", "2031-01-01T00:00:00.000Z")},
		{"set right in a record of kind draw", correction(draw, "/bottles/0/code", "aaaaaa")},
		{"has no /bottles/7/lot", correction(draw, "/bottles/7/lot", "L-2")},
		{"the lot of bottle", correction(draw, "/bottles/0/lot", " ")},
		{"set right in a record of kind report", correction(report.Seq, "/results/0/sample", "x")},
		{"set right in a record of kind report", correction(report.Seq, "/status", "preliminary")},
		{"has no /results/9/result", correction(report.Seq, "/results/9/result", "1 ug/L")},
		{"not below which limit", correction(report.Seq, "/results/0/result", "ND")},
		{"in the future", correction(report.Seq, "/issued", "2031-01-01")},
	} {
		b.refused(c.words, KindCorrection, c.corr)
	}
	silent := correction(ph, "/values/value", "8.7 pH")
	silent.Reason = " "
	b.refused("the reason is missing", KindCorrection, silent)
	b.do(KindCorrection, correction(report.Seq, "/results/1/result", "7 ug/L"))
	b.want("lead_falls", 1, "unmet")
	if d := b.st.DecisionOf("lead_falls", 1); d.Inputs[0] != sprint(`analyte("lead").treated@`, b.st.Seq) {
		t.Errorf("inputs %v", d.Inputs)
	}
	b.do(KindCorrection, correction(draw, "/bottles/0/lot", "L-9"))
	if b.st.Current("first_draw").Bottles[0].Lot != "L-9" {
		t.Error("the lot in effect")
	}
}

// A value that a later record of the same try repeats is corrected there.
func TestCorrectionOfStarted(t *testing.T) {
	b := newRun(t)
	b.install()
	at := b.at()
	b.wait(time.Second)
	started := b.do(KindStarted, Started{Step: "line_flush", Values: map[string]Value{"began": {at, "timed"}}})
	b.wait(35 * time.Minute)
	entry := b.do(KindEntry, Entry{Step: "line_flush", Values: b.values(false, "ended="+b.at())})
	earlier := b.now.Add(-90 * time.Minute).Format("2006-01-02T15:04:05.000Z")
	b.refused("correct record "+sprint("", entry.Seq), KindCorrection, correction(started.Seq, "/values/began", earlier))
	b.do(KindCorrection, correction(entry.Seq, "/values/began", earlier))
}
