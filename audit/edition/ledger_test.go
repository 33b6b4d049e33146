package edition

import (
	"crypto/ed25519"
	"os"
	"strings"
	"testing"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/runner"
)

// bench is a ledger in memory with its documents on main.
type bench struct {
	t     testing.TB
	o     *audit.Memory
	main  string
	root  string // main commit with the documents
	heads map[string]string
	tree  map[string][]byte
	sign  audit.Signer
	now   time.Time
	docs  map[string]*protocol.Document // kind/id
}

func newBench(t testing.TB, change func(string) string) *bench {
	t.Helper()
	b := &bench{t: t, o: audit.NewMemory(), heads: map[string]string{}, tree: map[string][]byte{}, docs: map[string]*protocol.Document{},
		now: time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC), sign: audit.NewKeySigner("mk", ed25519.NewKeyFromSeed(make([]byte, 32)))}
	raw, err := os.ReadFile("testdata/documents.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := string(raw)
	if change != nil {
		text = change(text)
	}
	var files []protocol.File
	for _, doc := range strings.Split(text, "\n---\n") {
		files = append(files, protocol.File{Name: "documents.yaml", Bytes: []byte(doc)})
	}
	docs, faults := protocol.ReadAll(files, protocol.NewLibrary())
	for _, f := range faults {
		t.Errorf("%s (%s)", f, f.Hint)
	}
	if len(faults) > 0 {
		t.FailNow()
	}
	put := map[string][]byte{"documents/person/mk/1.0.0.json": []byte(`{"id":"mk","key":"ssh-ed25519 AAAA","kind":"person","version":"1.0.0"}` + "\n")}
	for _, d := range docs {
		put[d.Path()+".yaml"], put[d.Path()+".json"] = d.Source, d.Resolved
		b.docs[d.Kind+"/"+d.ID] = d
	}
	b.commit(put)
	b.root = b.main
	return b
}

// commit puts files on main.
func (b *bench) commit(put map[string][]byte) {
	b.t.Helper()
	b.now = b.now.Add(time.Second)
	for p, data := range put {
		b.tree[p] = data
	}
	hash, objects, err := audit.NewMainCommit(b.o, audit.MainSpec{Parent: b.main, Put: put, Bench: "fern", Author: "mk", Date: b.now, Subject: "change"}, b.sign)
	if err != nil {
		b.t.Fatal(err)
	}
	if err := b.o.Put(objects...); err != nil {
		b.t.Fatal(err)
	}
	if err := b.o.SetRef(audit.RefMain, b.main, hash); err != nil {
		b.t.Fatal(err)
	}
	b.main = hash
}

// story is one run of the small protocol.
type story struct {
	*bench
	id, unit   string
	st         *runner.State
	parent     string
	flow       string
	after      string    // feed conductivity after the fill
	lead       string    // treated
	nickel     [2]string // treated, on both days
	lab        string
	status     string
	stood      time.Duration
	simulated  string
	pinScoring bool
	noValues   bool
}

func (b *bench) story(id, unit string) *story {
	return &story{bench: b, id: id, unit: unit, flow: "1.5 L/min", after: "505 uS/cm", lead: "1.0 ug/L", nickel: [2]string{"2.5 ug/L", "2.5 ug/L"}, lab: "north-lab", status: "final",
		stood: 9 * time.Hour, simulated: "no", pinScoring: true}
}

func (s *story) pinned() *runner.Pinned {
	s.t.Helper()
	o := runner.Opened{Engine: runner.Engine, Simulated: s.simulated, Schemas: "sha256:" + strings.Repeat("0", 64),
		Unit: s.docs["unit/"+s.unit].Pin(), Protocol: s.docs["protocol/small-rank"].Pin(), Values: []protocol.Pin{s.docs["values/small-values"].Pin()}}
	if s.noValues {
		o.Values = []protocol.Pin{}
	}
	if s.pinScoring {
		pin := s.docs["scoring/small-score"].Pin()
		o.Scoring = &pin
	}
	p, err := runner.Pin(s.tree, s.id, o)
	if err != nil {
		s.t.Fatal(err)
	}
	return p
}

func (s *story) register(name string, v any) {
	s.t.Helper()
	data, err := audit.Marshal(v)
	if err != nil {
		s.t.Fatal(err)
	}
	s.commit(map[string][]byte{"register/" + s.id + "/" + name + ".json": data})
}

func (s *story) open() *story {
	s.t.Helper()
	s.register("opened", audit.RunOpened{Format: audit.RegisterFormat, Run: s.id, By: "mk", Made: audit.Time(s.now), Unit: s.unit, Protocol: "small-rank@1.0.0"})
	r, st, err := runner.Start(s.pinned(), runner.Proposal{By: "mk", Via: "key", Now: s.now, Clock: s.clock(), Main: s.main})
	if err != nil {
		s.t.Fatal(err)
	}
	s.parent = s.main
	s.take(r, st)
	return s
}

// take puts a record on the run's branch.
func (s *story) take(r audit.Record, st *runner.State) {
	s.t.Helper()
	hash, objects, err := audit.NewRunCommit(s.o, audit.RunSpec{Record: r, Parent: s.parent, Bench: "fern", Subject: r.Kind}, s.sign)
	if err != nil {
		s.t.Fatal(err)
	}
	if err := s.o.Put(objects...); err != nil {
		s.t.Fatal(err)
	}
	s.st, s.parent, s.heads[s.id] = st, hash, hash
}

func (s *story) do(kind string, body any) audit.Record {
	s.t.Helper()
	s.now = s.now.Add(time.Second)
	r, st, err := s.st.Extend(runner.Proposal{Kind: kind, Body: body, By: "mk", Via: "key", Now: s.now, Clock: s.clock(), Main: s.main})
	if err != nil {
		s.t.Fatalf("%s %+v: %v", kind, body, err)
	}
	s.take(r, st)
	return r
}

func (s *story) values(pairs ...string) map[string]runner.Value {
	out := map[string]runner.Value{}
	for _, p := range pairs {
		name, text, _ := strings.Cut(p, "=")
		out[name] = runner.Value{Text: text, Evidence: "typed"}
	}
	return out
}

func (s *story) clock() string {
	if s.simulated == "yes" {
		return "simulated"
	}
	return "wall"
}

func (s *story) at() string { return audit.Time(s.now) }

func (s *story) enter(step string, pairs ...string) audit.Record {
	s.t.Helper()
	return s.do(runner.KindEntry, runner.Entry{Step: step, Values: s.values(append(pairs, "at="+s.at())...)})
}

func (s *story) fill(step string) {
	began := s.at()
	s.now = s.now.Add(2 * time.Hour)
	s.do(runner.KindEntry, runner.Entry{Step: step, Values: s.values("began="+began, "ended="+s.at(), "volume=7 L")})
}

func (s *story) draw(step string, pairs ...string) {
	n := len(s.st.Samples)
	b := []runner.DrawnBottle{{Bottle: "all", Code: "aaaa" + s.id[len(s.id)-1:] + string("abcdefghijklmnopqrstuvwxyz"[n]), Lot: "L-1"}}
	s.do(runner.KindDraw, runner.Draw{Step: step, Values: s.values(pairs...), Bottles: b})
}

// fillAndDraw is the sampling up to the first draw, after standing.
func (s *story) fillAndDraw(stood time.Duration) {
	s.fill("last_fill")
	s.draw("untreated")
	s.enter("after", "value="+s.after, "instrument=meter-1")
	s.now = s.now.Add(stood)
	s.draw("first_draw", "at="+s.at(), "opened_at="+s.at(), "closed_at="+s.at())
}

func (s *story) work() *story {
	s.t.Helper()
	s.enter("tray", "answer=yes")
	s.enter("faucet_flow", "value="+s.flow, "instrument=timer-1")
	s.enter("before", "value=500 uS/cm", "instrument=meter-1")
	s.fillAndDraw(s.stood)
	s.draw("lot_blank", "at="+s.at())
	s.now = s.now.Add(9 * time.Hour)
	s.enter("second_before", "value=500 uS/cm", "instrument=meter-1")
	s.fill("second_fill")
	s.draw("second_untreated")
	s.enter("second_after", "value=505 uS/cm", "instrument=meter-1")
	s.now = s.now.Add(9 * time.Hour)
	s.draw("second_draw", "at="+s.at(), "opened_at="+s.at(), "closed_at="+s.at())
	s.do(runner.KindHandOver, runner.HandOver{Step: "courier", To: "courier", Checkpoint: "checkpoint\n", Signature: "signed", Values: s.values("at=" + s.at())})
	return s
}

// report receives the laboratory's report.
func (s *story) report(number, revision, status string) {
	s.t.Helper()
	s.now = s.now.Add(24 * time.Hour)
	r := runner.Report{Step: "results", Laboratory: s.lab, Number: number, Revision: revision, Status: status, Issued: s.at()[:10]}
	if status == "amended" {
		r.Step, r.Replaces = "", number+" revision 0"
	}
	for _, x := range s.st.Samples {
		for _, v := range s.results(x.Step) {
			r.Results = append(r.Results, runner.LabResult{Sample: x.ID, Analyte: v[0], Result: v[1], Reporting: v[2], Analysed: s.at()})
		}
	}
	s.do(runner.KindReport, r)
}

func (s *story) results(step string) [][3]string {
	switch step {
	case "untreated", "second_untreated":
		return [][3]string{{"lead", "20 ug/L", "0.6 ug/L"}, {"nickel", "3.0 ug/L", "0.6 ug/L"}, {"nitrate", "5 mg/L as N", "0.1 mg/L"}}
	case "first_draw":
		return [][3]string{{"lead", s.lead, "0.6 ug/L"}, {"nickel", s.nickel[0], "0.6 ug/L"}, {"nitrate", "1 mg/L as N", "0.1 mg/L"}}
	case "second_draw":
		return [][3]string{{"nickel", s.nickel[1], "0.6 ug/L"}}
	}
	return [][3]string{{"nickel", "<0.6 ug/L", "0.6 ug/L"}}
}

func (s *story) close() *story {
	s.t.Helper()
	return s.end(runner.KindClosed, runner.Closed{}, audit.HowClosed, 1)
}

func (s *story) end(kind string, body any, how string, n int) *story {
	s.t.Helper()
	r := s.do(kind, body)
	data, err := r.Bytes()
	if err != nil {
		s.t.Fatal(err)
	}
	reason := ""
	if a, ok := body.(runner.Abandoned); ok {
		reason = a.Reason
	}
	s.register("closed-"+string(rune('0'+n)), audit.Closing{Format: audit.RegisterFormat, Run: s.id, By: "mk", Made: s.at(), How: how, Seq: r.Seq, Record: audit.Hash(data), Reason: reason})
	return s
}

// whole carries a run out and closes it.
func (s *story) whole() *story {
	s.t.Helper()
	s.open().work().report("24-"+s.unit, "0", s.status)
	return s.close()
}

// two is a bench with two closed runs that may be ranked together.
func two(t testing.TB) *bench {
	t.Helper()
	b := newBench(t, nil)
	b.story("fern-20260302-aaaa", "alder-1").whole()
	s := b.story("fern-20260302-bbbb", "birch-1")
	s.lead, s.flow = "12 ug/L", "0.5 L/min"
	s.whole()
	return b
}

// publish builds an edition and puts it on its branch.
func (b *bench) publish(id, supersedes string, change func(files map[string][]byte)) string {
	b.t.Helper()
	core, evidence, err := Build(b.o, b.main, b.heads, "small-campaign", "")
	if err != nil {
		b.t.Fatal(err)
	}
	files, err := Files(audit.Manifest{ID: id, Made: audit.Time(b.now), Supersedes: supersedes}, core, evidence, map[string][]byte{"pages/index.html": []byte("<p>\n")}, nil)
	if err != nil {
		b.t.Fatal(err)
	}
	if change != nil {
		change(files)
	}
	hash, objects, err := audit.NewEditionCommit(audit.EditionSpec{ID: id, Main: b.main, Heads: b.heads, Files: files, Bench: "fern", Author: "mk", Date: b.now, Subject: "edition"}, b.sign)
	if err != nil {
		b.t.Fatal(err)
	}
	if err := b.o.Put(objects...); err != nil {
		b.t.Fatal(err)
	}
	if err := b.o.SetRef(audit.RefEditions+id, "", hash); err != nil {
		b.t.Fatal(err)
	}
	return hash
}
