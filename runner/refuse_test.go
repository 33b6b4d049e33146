package runner

import (
	"strings"
	"testing"
	"time"
)

type bad struct {
	words string
	kind  string
	body  any
}

// entry is an entry of typed values with a time.
func (b *bench) entry(step string, pairs ...string) Entry {
	return Entry{Step: step, Values: b.values(true, pairs...)}
}

func (b *bench) refusedAll(list []bad) int {
	b.t.Helper()
	for _, x := range list {
		b.refused(x.words, x.kind, x.body)
	}
	return len(list)
}

func typedAt(text string) map[string]Value {
	return map[string]Value{"answer": {"yes", "typed"}, "at": {text, "typed"}}
}

// Every bad proposal is refused with what is wrong, and changes nothing.
func TestRefused(t *testing.T) {
	n := refusedFirst(t) + refusedInstalled(t) + refusedDraws(t) + refusedCustody(t) + refusedAround(t)
	if n < 60 {
		t.Errorf("%d bad proposals", n)
	}
	t.Logf("%d bad proposals refused", n)
}

func refusedFirst(t *testing.T) int {
	b := openBench(t, pinSmall(t))
	n := b.refusedAll([]bad{
		{"has not read the caution feed-shut", KindEntry, b.entry("feed_pressure", "value=61 psi", "instrument=gauge-1")},
		{"there is no caution", KindCautionRead, CautionRead{Caution: "lifting", Version: "1.0.0"}},
		{"has version 1.0.0", KindCautionRead, CautionRead{Caution: "feed-shut", Version: "2.0.0"}},
	})
	b.readAll()
	sharp := b.entry("feed_pressure", "value=61 psi", "instrument=gauge-1")
	sharp.Values["value"] = Value{Text: "61 psi", Evidence: "guessed"}
	clock := b.entry("feed_pressure", "value=61 psi", "instrument=gauge-1")
	clock.Values["value"] = Value{Text: "61 psi", Evidence: "timed"}
	early := b.entry("feed_pressure", "value=61 psi", "instrument=gauge-1")
	early.Values["at"] = Value{Text: "2026-03-02T07:59:59.999Z", Evidence: "timed"}
	return n + b.refusedAll([]bad{
		{"has read the caution feed-shut in this run already", KindCautionRead, CautionRead{Caution: "feed-shut", Version: "1.0.0"}},
		{"did you mean feed_pressure?", KindEntry, b.entry("feed_presure", "value=61 psi")},
		{"there is no step", KindEntry, b.entry("", "value=61 psi")},
		{"there is no record of kind", "entri", b.entry("feed_pressure")},
		{"needs a body of type", KindDraw, b.entry("feed_pressure")},
		{"needs a body", KindEntry, (*Entry)(nil)},
		{"needs a body", KindEntry, nil},
		{"unit is missing", KindEntry, b.entry("feed_pressure", "value=61", "instrument=gauge-1")},
		{"psj", KindEntry, b.entry("feed_pressure", "value=61 psj", "instrument=gauge-1")},
		{"a pressure is wanted", KindEntry, b.entry("feed_pressure", "value=61 L", "instrument=gauge-1")},
		{"cannot be", KindEntry, b.entry("feed_pressure", "value=-1 psi", "instrument=gauge-1")},
		{"value is missing", KindEntry, b.entry("feed_pressure", "instrument=gauge-1")},
		{"instrument is missing", KindEntry, b.entry("feed_pressure", "value=61 psi")},
		{"there is no instrument", KindEntry, b.entry("feed_pressure", "value=61 psi", "instrument=gauge-9")},
		{"meter-1 is a conductivity_meter", KindEntry, b.entry("feed_pressure", "value=61 psi", "instrument=meter-1")},
		{"no id of an instrument", KindEntry, b.entry("feed_pressure", "value=61 psi", "instrument=../gauge")},
		{"there is no value \"pressure\"", KindEntry, b.entry("feed_pressure", "value=61 psi", "pressure=61 psi", "instrument=gauge-1")},
		{"evidence \"guessed\"", KindEntry, sharp},
		{"only a time can be timed", KindEntry, clock},
		{"before the run was opened", KindEntry, early},
		{"at is missing", KindEntry, Entry{Step: "feed_pressure", Values: b.values(false, "value=61 psi", "instrument=gauge-1")}},
		{"try 1 of feed_pressure is due, not try 2", KindEntry, Entry{Step: "feed_pressure", Try: 2, Values: b.values(true, "value=61 psi", "instrument=gauge-1")}},
		{"control character", KindEntry, b.entry("feed_pressure", "value=61\x07psi", "instrument=gauge-1")},
		{"UTF-8", KindEntry, b.entry("feed_pressure", "value=61 \xffpsi", "instrument=gauge-1")},
		{"at most 200", KindEntry, b.entry("feed_pressure", "value="+strings.Repeat("6", 300)+" psi", "instrument=gauge-1")},
		{"comes after: feed_pressure", KindEntry, b.entry("leak_check", "answer=yes")},
		{"comes after an earlier section", KindEntry, b.entry("streams", "product=1 L", "drain=1 L")},
		{"is a step of kind reading", KindDraw, Draw{Step: "feed_pressure"}},
		{"is a step of kind derive", KindEntry, b.entry("recovery", "value=20 %")},
		{"is a step of kind draw", KindEntry, b.entry("untreated")},
		{"run fern-20260302-k7qd is open already", KindOpened, b.p.Opened},
		{"is not closed", KindReopened, Reopened{Reason: "why not"}},
		{"steps are still open: feed_pressure", KindClosed, Closed{}},
	})
}

func refusedInstalled(t *testing.T) int {
	b := newRun(t)
	b.enter("feed_pressure", "value=61 psi", "instrument=gauge-1")
	n := b.refusedAll([]bad{
		{"entered already: record 4 by mk, feed_pressure: 61 psi", KindEntry, b.entry("feed_pressure", "value=62 psi", "instrument=gauge-1")},
		{"is no answer", KindEntry, b.entry("leak_check", "answer=maybe")},
		{"is no answer", KindEntry, b.entry("leak_check", "answer=true")},
		{"needs a reason", KindEntry, b.entry("leak_check", "answer=not_applicable")},
		{"in the future", KindEntry, Entry{Step: "leak_check", Values: typedAt(b.now.Add(time.Millisecond).Format("2006-01-02T15:04:05.000Z"))}},
		{"before the unit was obtained", KindEntry, Entry{Step: "leak_check", Values: typedAt("2026-01-31T23:59:59.999Z")}},
		{"is not a time", KindEntry, Entry{Step: "leak_check", Values: typedAt("yesterday")}},
		{"is not a time", KindEntry, Entry{Step: "leak_check", Values: typedAt("2026-03-02T09:14:05Z")}},
		{"there is nothing to depart from", KindDeparture, Departure{Affects: []string{"leak_free"}, Reason: "dry"}},
		{"there is nothing to depart from", KindDeparture, Departure{Affects: []string{"pressure_in_range"}, Reason: "dry"}},
		{"neither a criterion nor a step", KindDeparture, Departure{Affects: []string{"leak_fre"}, Reason: "dry"}},
		{"it is not said what this departs from", KindDeparture, Departure{Reason: "dry"}},
		{"the reason is missing", KindDeparture, Departure{Affects: []string{"leak_check"}}},
		{"entered already", KindDeparture, Departure{Affects: []string{"feed_pressure"}, Reason: "dry"}},
		{"is worked out, not done", KindDeparture, Departure{Affects: []string{"recovery"}, Reason: "dry"}},
	})
	b.do(KindEntry, Entry{Common: photo(), Step: "leak_check", Values: b.values(true, "answer=yes")})
	b.enter("tray", "answer=yes")
	b.wait(time.Hour)
	later := b.now.Add(-time.Minute).Format("2006-01-02T15:04:05.000Z")
	n += b.refusedAll([]bad{
		{"is before began", KindEntry, Entry{Step: "line_flush", Values: b.values(false, "began="+b.at(), "ended="+later)}},
		{"ended is missing", KindEntry, Entry{Step: "line_flush", Values: b.values(false, "began="+later)}},
		{"began is missing", KindStarted, Started{Step: "line_flush"}},
		{"is a step of kind inspect", KindStarted, Started{Step: "seal", Values: b.values(false, "began="+later)}},
		{"a volume is wanted", KindEntry, Entry{Step: "line_flush", Values: b.values(false, "began="+later, "ended="+b.at(), "volume=3 min")}},
	})
	b.span("line_flush", time.Hour)
	b.wait(time.Hour)
	b.enter("discarded_tanks", "value=50 uS/cm", "instrument=meter-1")
	backward := b.entry("discarded_tanks", "value=50 uS/cm", "instrument=meter-1")
	backward.Values["at"] = Value{Text: b.now.Add(-time.Hour).Format("2006-01-02T15:04:05.000Z"), Evidence: "typed"}
	return n + b.refusedAll([]bad{{"before the last one", KindEntry, backward}})
}

func refusedDraws(t *testing.T) int {
	b := newRun(t)
	b.install()
	b.condition()
	b.span("last_fill", 2*time.Hour)
	two := b.bottles("untreated")
	change := func(f func(list []DrawnBottle) []DrawnBottle) Draw {
		list := append([]DrawnBottle(nil), two...)
		return Draw{Step: "untreated", Bottles: f(list)}
	}
	n := b.refusedAll([]bad{
		{"bottle anions, metals is missing", KindDraw, Draw{Step: "untreated"}},
		{"bottle metals is missing", KindDraw, change(func(l []DrawnBottle) []DrawnBottle { return l[:1] })},
		{"is not asked for, or too often", KindDraw, change(func(l []DrawnBottle) []DrawnBottle { return append(l, l[0]) })},
		{"is not asked for", KindDraw, change(func(l []DrawnBottle) []DrawnBottle { l[0].Bottle = "voc"; return l })},
		{"code \"ABC\"", KindDraw, change(func(l []DrawnBottle) []DrawnBottle { l[0].Code = "ABC"; return l })},
		{"code \"aaaa01\"", KindDraw, change(func(l []DrawnBottle) []DrawnBottle { l[0].Code = "aaaa01"; return l })},
		{"stands on two bottles", KindDraw, change(func(l []DrawnBottle) []DrawnBottle { l[0].Code = l[1].Code; return l })},
		{"the lot of bottle anions is missing", KindDraw, change(func(l []DrawnBottle) []DrawnBottle { l[0].Lot = ""; return l })},
		{"expires", KindDraw, change(func(l []DrawnBottle) []DrawnBottle { l[0].Expires = "May"; return l })},
		{"from and to come together", KindDraw, change(func(l []DrawnBottle) []DrawnBottle { l[0].From = "0 mL"; return l })},
		{"was filled from 9 mL to 3 mL", KindDraw, change(func(l []DrawnBottle) []DrawnBottle { l[0].From, l[0].To = "9 mL", "3 mL"; return l })},
		{"a volume is wanted", KindDraw, change(func(l []DrawnBottle) []DrawnBottle { l[0].From, l[0].To = "0 min", "3 mL"; return l })},
		{"comes after", KindDraw, Draw{Step: "first_draw", Values: b.values(true), Bottles: b.bottles("first_draw")}},
	})
	b.draw("untreated")
	used := b.bottles("first_draw")
	used[0].Code = b.st.Current("untreated").Bottles[0].Code
	before := b.st.Current("last_fill").Values["began"].Text
	return n + b.refusedAll([]bad{
		{"was used in record", KindDraw, Draw{Step: "first_draw", Values: b.values(true), Bottles: used}},
		{"before stand began", KindDraw, Draw{Step: "first_draw", Values: b.values(false, "at="+before), Bottles: b.bottles("first_draw")}},
		{"closed_at", KindDraw, Draw{Step: "first_draw", Values: b.values(false, "at="+b.at(), "opened_at="+b.at(), "closed_at="+before), Bottles: b.bottles("first_draw")}},
		{"is ended by the draw first_draw", KindEntry, Entry{Step: "stand", Values: b.values(false, "ended="+b.at())}},
		{"says one thing", KindEntry, Entry{Step: "stand", Values: b.values(false)}},
		{"is before it began", KindEntry, Entry{Step: "stand", Values: b.values(false, "opened_at="+before)}},
		{"comes after: first_draw", KindDraw, Draw{Step: "blank", Values: b.values(true), Bottles: b.bottles("blank")}},
	})
}

func refusedCustody(t *testing.T) int {
	b := newRun(t).toLaboratory()
	hand := func(f func(h *HandOver)) HandOver {
		h := HandOver{Step: "courier", To: "courier", Checkpoint: checkpointText, Signature: "signed", Values: b.values(true)}
		f(&h)
		return h
	}
	one := func(f func(x *HandedSample)) func(h *HandOver) {
		return func(h *HandOver) {
			x := HandedSample{Step: "blank", Try: 1}
			f(&x)
			h.Step, h.Samples = "", []HandedSample{x}
		}
	}
	n := b.refusedAll([]bad{
		{"the checkpoint or its signature is missing", KindHandOver, hand(func(h *HandOver) { h.Checkpoint = "" })},
		{"the checkpoint or its signature is missing", KindHandOver, hand(func(h *HandOver) { h.Signature = "" })},
		{"it is not said to whom", KindHandOver, hand(func(h *HandOver) { h.To = "" })},
		{"no sample was drawn", KindHandOver, hand(one(func(x *HandedSample) { x.Step = "drain" }))},
		{"no sample was drawn in try 2", KindHandOver, hand(one(func(x *HandedSample) { x.Try = 2 }))},
		{"does not follow from this checkpoint", KindHandOver, hand(one(func(x *HandedSample) { x.ID = "aaaaaaaaaaaaaaaa" }))},
		{"has the bottles", KindHandOver, hand(one(func(x *HandedSample) { x.Codes = []string{"zzzzzz"} }))},
		{"is still here", KindHandOver, hand(func(h *HandOver) { h.Samples = []HandedSample{{Step: "blank", Try: 1}} })},
		{"at is missing", KindHandOver, hand(func(h *HandOver) { h.Values = nil })},
		{"after this hand-over", KindHandOver, hand(func(h *HandOver) { h.Values = b.values(false, "at=2026-03-02T08:00:01.000Z") })},
		{"temperature", KindHandOver, hand(func(h *HandOver) { h.Values = b.values(true, "temperature=5 psi") })},
		{"comes after: courier", KindReport, Report{Step: "results", Laboratory: "north-lab"}},
	})
	b.handOver()
	b.wait(48 * time.Hour)
	rep := func(f func(r *Report)) Report {
		r := b.report("24-1", "", "final", "8 ug/L", "2 ug/L", "")
		f(&r)
		return r
	}
	n += b.refusedAll([]bad{
		{"there is no laboratory", KindReport, rep(func(r *Report) { r.Laboratory = "south-lab" })},
		{"status \"draft\"", KindReport, rep(func(r *Report) { r.Status = "draft" })},
		{"number is missing", KindReport, rep(func(r *Report) { r.Number = "" })},
		{"date of issue is missing", KindReport, rep(func(r *Report) { r.Issued = "" })},
		{"date of issue \"soon\"", KindReport, rep(func(r *Report) { r.Issued = "soon" })},
		{"issued in the future", KindReport, rep(func(r *Report) { r.Issued = "2031-01-01" })},
		{"received in the future", KindReport, rep(func(r *Report) { r.Received = "2031-01-01" })},
		{"holds no result", KindReport, rep(func(r *Report) { r.Results = nil })},
		{"was never handed over", KindReport, rep(func(r *Report) { r.Results[0].Sample = "bbbbbbbbbbbbbbbb" })},
		{"is not asked for by protocol", KindReport, rep(func(r *Report) { r.Results[0].Analyte = "radon" })},
		{"is no result", KindReport, rep(func(r *Report) { r.Results[0].Result = "<=3 ug/L" })},
		{"unit is missing", KindReport, rep(func(r *Report) { r.Results[0].Result = "3" })},
		{"reporting limit is a volume", KindReport, rep(func(r *Report) { r.Results[0].Reporting = "1 L" })},
		{"fraction \"half\"", KindReport, rep(func(r *Report) { r.Results[0].Fraction = "half" })},
		{"before the sample was drawn", KindReport, rep(func(r *Report) { r.Results[0].Analysed = "2026-03-01" })},
		{"stands twice", KindReport, rep(func(r *Report) { r.Results[1] = r.Results[0] })},
		{"which is not on record", KindReport, rep(func(r *Report) { r.Replaces = "24-0" })},
		{"belongs to no step has no try", KindReport, rep(func(r *Report) { r.Try = 1 })},
	})
	if ref := b.refused("radon", KindReport, rep(func(r *Report) { r.Results[1].Analyte = "radon" })); ref.Line != 3 {
		t.Errorf("line %d of the file", ref.Line)
	}
	return n
}

func refusedAround(t *testing.T) int {
	b := newRun(t)
	attach := func(f func(a *Attachment)) Note {
		n := Note{Common: photo(), Text: "see photo"}
		f(&n.Attachments[0])
		return n
	}
	n := b.refusedAll([]bad{
		{"has no part", KindPart, Part{Action: "fitted", Part: "tap", Values: b.values(true)}},
		{"action \"found\"", KindPart, Part{Action: "found", Part: "membrane", Values: b.values(true)}},
		{"a volume is wanted", KindPart, Part{Action: "fitted", Part: "membrane", Values: b.values(true, "volume=2 d")}},
		{"the note is missing", KindNote, Note{}},
		{"at most 4000", KindNote, Note{Text: strings.Repeat("x", 4001)}},
		{"control character U+0009", KindNote, Note{Text: "a\tb"}},
		{"there is no step", KindNote, Note{About: "leak", Text: "x"}},
		{"looks like a path", KindNote, attach(func(a *Attachment) { a.Name = "../etc/passwd" })},
		{"looks like a path", KindNote, attach(func(a *Attachment) { a.Name = `C:\photo.jpg` })},
		{"commitment", KindNote, attach(func(a *Attachment) { a.Commitment = "sha256:12" })},
		{"class \"secret\"", KindNote, attach(func(a *Attachment) { a.Class = "secret" })},
		{"has no bytes", KindNote, attach(func(a *Attachment) { a.Bytes = 0 })},
		{"media type", KindNote, attach(func(a *Attachment) { a.Media = "photo" })},
		{"names the commitment of its original", KindNote, attach(func(a *Attachment) { a.Class = "redacted" })},
		{"from \"nobody\"", KindComplaint, Complaint{From: "nobody", Text: "x"}},
		{"the complaint is missing", KindComplaint, Complaint{From: "maker"}},
		{"no attachment of this run", KindRemoved, Removed{Commitment: "sha256:" + strings.Repeat("0", 64), Reason: "asked for"}},
		{"there is no record 99", KindSecondPerson, SecondPerson{Confirms: 99}},
		{"is not stopped by a person", KindResumed, Resumed{}},
		{"the reason is missing", KindAbandoned, Abandoned{}},
		{"it is not said what recovery did", KindRecovered, Recovered{}},
		{"body format", KindNote, Note{Common: Common{Format: "body/2"}, Text: "x"}},
	})
	b.do(KindStopped, Stopped{})
	n += b.refusedAll([]bad{{"the run is stopped", KindEntry, b.entry("feed_pressure", "value=61 psi", "instrument=gauge-1")}})
	b.do(KindAbandoned, Abandoned{Reason: "the unit leaks"})
	return n + b.refusedAll([]bad{
		{"was abandoned", KindEntry, b.entry("feed_pressure", "value=61 psi", "instrument=gauge-1")},
		{"was abandoned", KindReopened, Reopened{Reason: "x"}},
		{"was abandoned", KindResumed, Resumed{}},
		{"was abandoned", KindClosed, Closed{}},
	})
}

// Who writes, through what and with which clock.
func TestRefusedWriters(t *testing.T) {
	b := newRun(t)
	for _, c := range []struct {
		words string
		f     func(p *Proposal)
	}{
		{"there is no person \"zz\"", func(p *Proposal) { p.By = "zz" }},
		{"no id of a person", func(p *Proposal) { p.By = "M. K." }},
		{"via \"fax\"", func(p *Proposal) { p.Via = "fax" }},
		{"clock \"sundial\"", func(p *Proposal) { p.Clock = "sundial" }},
		{"simulated bench", func(p *Proposal) { p.Clock = "simulated" }},
		{"main", func(p *Proposal) { p.Main = "x" }},
		{"there is no person \"mk\"", func(p *Proposal) { p.People = []string{"jo"} }},
	} {
		p := b.proposal(KindNote, Note{Text: "x"})
		c.f(&p)
		before := fingerprint(t, b.st)
		_, _, err := b.st.Extend(p)
		ref, ok := err.(*Refusal)
		if !ok || !strings.Contains(ref.Says+ref.Hint, c.words) {
			t.Errorf("%v, want %q", err, c.words)
		}
		if fingerprint(t, b.st) != before {
			t.Error("a refused proposal changed the state")
		}
	}
	p := b.proposal(KindNote, Note{Text: "x"})
	p.By, p.People = "al", []string{"al", "mk"}
	if _, _, err := b.st.Extend(p); err != nil {
		t.Errorf("a person added later: %v", err)
	}
}

func TestOpenRefused(t *testing.T) {
	unit := strings.Replace(unitYAML, "carbon]", "carbon, pump]", 1)
	tree, opened := documents(t, smallProtocol(t), unit)
	p, err := Pin(tree, "fern-20260302-k7qd", opened)
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = Start(p, Proposal{By: "mk", Via: "key", Now: opening, Clock: "wall", Main: mainCommit})
	if err == nil || !strings.Contains(err.Error(), "has pump") {
		t.Errorf("a unit that has more than the protocol: %v", err)
	}
	if _, _, err := newState(pinSmall(t)).Extend(Proposal{Kind: KindNote, Body: Note{Text: "x"}, By: "mk", Via: "key", Now: opening, Clock: "wall", Main: mainCommit}); err == nil {
		t.Error("a run began with a note")
	}
}

func TestPinRefused(t *testing.T) {
	for _, c := range []struct {
		words string
		f     func(tree map[string][]byte, o *Opened)
	}{
		{"is not in the tree of main", func(tree map[string][]byte, o *Opened) { delete(tree, "documents/unit/alder-1/1.0.0.json") }},
		{"the opened record pins sha256:00", func(tree map[string][]byte, o *Opened) { o.Protocol.Resolved = "sha256:00" }},
		{".yaml has", func(tree map[string][]byte, o *Opened) { o.Unit.Source = "sha256:00" }},
		{"engine level 7", func(tree map[string][]byte, o *Opened) { o.Engine = 7 }},
		{"1.0.1.json is not in the tree", func(tree map[string][]byte, o *Opened) { o.Protocol.Version = "1.0.1" }},
	} {
		tree, opened := documents(t, smallProtocol(t), unitYAML)
		c.f(tree, &opened)
		if _, err := Pin(tree, "fern-20260302-k7qd", opened); err == nil || !strings.Contains(err.Error(), c.words) {
			t.Errorf("%v, want %q", err, c.words)
		}
	}
}
