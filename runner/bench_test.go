package runner

import (
	"encoding/json"
	"os"
	"strings"
	"testing"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
)

// Everything in these documents is invented.
const unitYAML = `
kind: unit
id: alder-1
version: 1.0.0
title: An invented unit
mark: bench mark 1
has: [feed_pressure, tank, membrane, carbon]
pressure_most: 80 psi
tank_volume: 6 L
invented: "yes"
parts:
  - {id: membrane, kind: membrane, lot: M-1, rated_volume: 4000 L}
  - {id: filter, kind: carbon, lot: C-7}
acquired: {how: bought, paid_by: bench, date: "2026-02-01", ties: none}
`

const aroundYAML = `
kind: caution
id: feed-shut
version: 1.0.0
text: Close the feed valve before you loosen any fitting. Local codes and the maker's manual come first; have a licensed person do what your place reserves for one.
due: [{trigger: involves, is: [plumbing]}]
shown: [step]
---
kind: caution
id: flush-water
version: 1.0.0
text: Use this water for nothing but the drain. Local codes and the maker's manual come first; have a licensed person do what your place reserves for one.
due: [{trigger: step, is: [flush]}]
shown: [step]
---
kind: instrument
id: gauge-1
version: 1.0.0
title: An invented gauge
class: pressure_gauge
in: psi
invented: "yes"
---
kind: instrument
id: meter-1
version: 1.0.0
title: An invented meter
class: conductivity_meter
in: uS/cm
invented: "yes"
---
kind: instrument
id: ph-1
version: 1.0.0
title: An invented pH meter
class: ph_meter
in: pH
invented: "yes"
---
kind: laboratory
id: north-lab
version: 1.0.0
title: An invented laboratory
invented: "yes"
`

const mainCommit = "1111111111111111111111111111111111111111"

var opening = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// documents reads the documents of a test bench into main's tree.
func documents(t testing.TB, protocolYAML, unit string) (map[string][]byte, Opened) {
	t.Helper()
	files := []protocol.File{{Name: "protocol.yaml", Bytes: []byte(protocolYAML)}, {Name: "unit.yaml", Bytes: []byte(unit)}}
	for _, doc := range strings.Split(aroundYAML, "---\n") {
		files = append(files, protocol.File{Name: "around.yaml", Bytes: []byte(doc)})
	}
	docs, faults := protocol.ReadAll(files, protocol.NewLibrary())
	for _, f := range faults {
		t.Errorf("%s (%s)", f, f.Hint)
	}
	if len(faults) > 0 {
		t.FailNow()
	}
	tree := map[string][]byte{}
	for _, d := range docs {
		tree[d.Path()+".yaml"], tree[d.Path()+".json"] = d.Source, d.Resolved
	}
	for _, id := range []string{"mk", "jo"} {
		tree["documents/person/"+id+"/1.0.0.json"] = []byte(`{"id":"` + id + `","key":"ssh-ed25519 AAAA","kind":"person","version":"1.0.0"}` + "\n")
	}
	return tree, Opened{Protocol: docs[0].Pin(), Unit: docs[1].Pin(), Values: []protocol.Pin{}, Engine: Engine, Simulated: "no", Schemas: "sha256:" + strings.Repeat("0", 64)}
}

func smallProtocol(t testing.TB) string {
	t.Helper()
	b, err := os.ReadFile("testdata/protocol.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

var small *Pinned

// pinSmall gives the small protocol, pinned once for all tests: nothing changes it.
func pinSmall(t testing.TB) *Pinned {
	t.Helper()
	if small != nil {
		return small
	}
	tree, opened := documents(t, smallProtocol(t), unitYAML)
	p, err := Pin(tree, "fern-20260302-k7qd", opened)
	if err != nil {
		t.Fatal(err)
	}
	small = p
	return p
}

// bench is a run under test, with its clock.
type bench struct {
	t   testing.TB
	p   *Pinned
	st  *State
	now time.Time
	by  string
}

func openBench(t testing.TB, p *Pinned) *bench {
	t.Helper()
	_, st, err := Start(p, Proposal{By: "mk", Via: "key", Now: opening, Clock: "wall", Main: mainCommit})
	if err != nil {
		t.Fatal(err)
	}
	return &bench{t: t, p: p, st: st, now: opening, by: "mk"}
}

// newRun is a run whose cautions have been read.
func newRun(t testing.TB) *bench {
	t.Helper()
	b := openBench(t, pinSmall(t))
	b.readAll()
	return b
}

func (b *bench) readAll() {
	b.t.Helper()
	for _, id := range []string{"feed-shut", "flush-water"} {
		b.do(KindCautionRead, CautionRead{Caution: id, Version: "1.0.0"})
	}
}

func (b *bench) wait(d time.Duration) { b.now = b.now.Add(d) }

func (b *bench) at() string { return audit.Time(b.now) }

func (b *bench) proposal(kind string, body any) Proposal {
	return Proposal{Kind: kind, Body: body, By: b.by, Via: "key", Now: b.now, Clock: "wall", Main: mainCommit}
}

func (b *bench) try(kind string, body any) (audit.Record, *State, error) {
	return b.st.Extend(b.proposal(kind, body))
}

// do appends a record, a second later.
func (b *bench) do(kind string, body any) audit.Record {
	b.t.Helper()
	b.wait(time.Second)
	r, st, err := b.try(kind, body)
	if err != nil {
		hint := ""
		if ref, ok := err.(*Refusal); ok {
			hint = ref.Hint
		}
		b.t.Fatalf("%s %+v: %v (%s)", kind, body, err, hint)
	}
	b.st = st
	return r
}

// values reads "name=text"; times are timed, the rest is typed. at is added
// where it is missing and wanted.
func (b *bench) values(withAt bool, pairs ...string) map[string]Value {
	out := map[string]Value{}
	for _, p := range pairs {
		name, text, ok := strings.Cut(p, "=")
		if !ok {
			b.t.Fatalf("%q is not name=text", p)
		}
		out[name] = Value{Text: text, Evidence: "typed"}
		if isMoment(name) {
			out[name] = Value{Text: text, Evidence: "timed"}
		}
	}
	if _, has := out["at"]; withAt && !has {
		out["at"] = Value{Text: b.at(), Evidence: "timed"}
	}
	return out
}

func (b *bench) enter(step string, pairs ...string) audit.Record {
	b.t.Helper()
	b.wait(time.Second)
	withAt := true
	if st := b.st.step(step); st != nil && (st.Kind == "flush" || st.Kind == "fill" || st.Kind == "stand") {
		withAt = false
	}
	return b.do(KindEntry, Entry{Step: step, Values: b.values(withAt, pairs...)})
}

func photo() Common {
	return Common{Attachments: []Attachment{{Bytes: 10, Class: "private", Commitment: "sha256:" + strings.Repeat("ab", 32), Media: "image/jpeg"}}}
}

func (b *bench) install() {
	b.t.Helper()
	b.enter("feed_pressure", "value=61 psi", "instrument=gauge-1")
	b.wait(time.Minute)
	b.do(KindEntry, Entry{Common: photo(), Step: "leak_check", Values: b.values(true, "answer=yes")})
	b.enter("tray", "answer=yes")
}

// span enters a flush or fill of some length that ends now.
func (b *bench) span(step string, d time.Duration, more ...string) audit.Record {
	b.t.Helper()
	began := b.at()
	b.wait(d)
	return b.do(KindEntry, Entry{Step: step, Values: b.values(false, append(more, "began="+began, "ended="+b.at())...)})
}

func (b *bench) condition() {
	b.t.Helper()
	b.span("line_flush", 30*time.Minute)
	for _, v := range []string{"90 uS/cm", "52 uS/cm", "51 uS/cm"} {
		b.wait(time.Hour)
		b.enter("discarded_tanks", "value="+v, "instrument=meter-1")
	}
}

var codeLetters = "abcdefghijklmnopqrstuvwxyz234567"

// code is a bottle code that this run has not seen.
func (b *bench) code() string {
	n := len(b.st.codes)
	c := []byte("aaaaaa")
	for i := 5; n > 0; i-- {
		c[i] = codeLetters[n%32]
		n /= 32
	}
	return string(c)
}

func (b *bench) bottles(step string) []DrawnBottle {
	var out []DrawnBottle
	st := b.st.step(step)
	for i, id := range st.Bottles {
		code := []byte(b.code())
		code[0] = codeLetters[i+1]
		out = append(out, DrawnBottle{Bottle: id, Code: string(code), Lot: "L-1"})
	}
	return out
}

func (b *bench) draw(step string, pairs ...string) audit.Record {
	b.t.Helper()
	b.wait(time.Second)
	return b.do(KindDraw, Draw{Step: step, Values: b.values(b.st.step(step).CompositeOver == "", pairs...), Bottles: b.bottles(step)})
}

// sampling fills, stands and draws; the faucet is opened after `stood` to the
// millisecond, and the last bottle closed after `took`.
func (b *bench) sampling(stood, took time.Duration) {
	b.t.Helper()
	b.span("last_fill", 2*time.Hour, "volume=6 L")
	b.draw("untreated")
	b.firstDraw(stood, took)
	b.draw("blank")
}

func (b *bench) firstDraw(stood, took time.Duration) audit.Record {
	b.t.Helper()
	full, err := audit.ParseTime(b.st.Current("last_fill").Values["ended"].Text)
	if err != nil {
		b.t.Fatal(err)
	}
	opened := full.Add(stood)
	closed := opened.Add(took)
	b.now = closed
	return b.do(KindDraw, Draw{Step: "first_draw", Values: b.values(false, "at="+audit.Time(closed), "opened_at="+audit.Time(opened), "closed_at="+audit.Time(closed)), Bottles: b.bottles("first_draw")})
}

func (b *bench) measure() {
	b.t.Helper()
	b.enter("product_ph", "value=8.9 pH", "value_2=8.8 pH", "value_3=8.85 pH", "instrument=ph-1")
	b.enter("streams", "product=1.2 L", "drain=3.1 L")
	b.enter("seal", "answer=yes")
}

const checkpointText = "checkpoint of the test bench\nmain 1111\n"

func (b *bench) handOver() {
	b.t.Helper()
	b.wait(time.Minute)
	b.do(KindHandOver, HandOver{Step: "courier", To: "courier", Checkpoint: checkpointText, Signature: "signed", Values: b.values(true, "temperature=5 Cel", "seal=S-1")})
}

func (b *bench) sampleID(step string) string {
	b.t.Helper()
	t := b.st.Current(step)
	for n := t.N; n > 0; n-- {
		if x := b.st.sampleOf(step, n); x != nil {
			return x.ID
		}
	}
	b.t.Fatalf("no sample of %s", step)
	return ""
}

// report makes a report of lead in the three samples.
func (b *bench) report(number, revision, status, untreated, treated, blank string) Report {
	r := Report{Laboratory: "north-lab", Number: number, Revision: revision, Status: status, Issued: b.at()[:10], Received: b.at()[:10]}
	for _, x := range []struct{ step, result string }{{"untreated", untreated}, {"first_draw", treated}, {"blank", blank}} {
		if x.result != "" {
			r.Results = append(r.Results, LabResult{Sample: b.sampleID(x.step), Analyte: "lead", Result: x.result, Reporting: "0.5 ug/L", Analysed: b.at()[:10], Line: len(r.Results) + 2})
		}
	}
	return r
}

func (b *bench) toLaboratory() *bench {
	b.t.Helper()
	b.install()
	b.condition()
	b.sampling(9*time.Hour, time.Minute)
	b.measure()
	return b
}

// state of a criterion for its newest try, as "met" or "undecided: code".
func (b *bench) decision(criterion string, try int) string {
	d := b.st.DecisionOf(criterion, try)
	if d.Code != "" {
		return d.State + ": " + d.Code
	}
	return d.State
}

func (b *bench) want(criterion string, try int, state string) {
	b.t.Helper()
	if got := b.decision(criterion, try); got != state {
		b.t.Errorf("%s, try %d: %s, want %s", criterion, try, got, state)
	}
}

func (b *bench) may(step string) bool {
	for _, todo := range b.st.Next(b.now).May {
		if todo.Step == step {
			return true
		}
	}
	return false
}

// refused wants a proposal refused with these words, and the state unchanged.
func (b *bench) refused(words, kind string, body any) *Refusal {
	b.t.Helper()
	before := fingerprint(b.t, b.st)
	_, st, err := b.try(kind, body)
	if err == nil {
		b.t.Errorf("%s %+v was taken, want it refused: %s", kind, body, words)
		return &Refusal{}
	}
	ref, ok := err.(*Refusal)
	if !ok {
		b.t.Fatalf("%T %v is no refusal", err, err)
	}
	if st != nil {
		b.t.Errorf("a refusal with a state")
	}
	if !strings.Contains(ref.Error()+" | "+ref.Hint, words) {
		b.t.Errorf("%s: %q (%q), want %q", kind, ref.Error(), ref.Hint, words)
	}
	if after := fingerprint(b.t, b.st); after != before {
		b.t.Errorf("a refused %s changed the state", kind)
	}
	return ref
}

// fingerprint is everything that a state holds and shows, as text.
func fingerprint(t testing.TB, s *State) string {
	t.Helper()
	b, err := json.Marshal(map[string]any{"records": s.Records, "head": s.Head, "phase": s.Phase, "tries": s.Tries,
		"samples": s.Samples, "reports": s.Reports, "decided": s.Decided, "history": s.History, "events": s.Events,
		"blocked": s.Blocked, "turned": s.Turned, "next": s.Next(opening.Add(time.Hour)), "made": s.Made, "main": s.Main, "seq": s.Seq})
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
