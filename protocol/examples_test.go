package protocol

import (
	"strings"
	"testing"
)

// TestDesignExample reads the design's shortened protocol: nothing in it may be
// a fault, and what it leaves out is worked in.
func TestDesignExample(t *testing.T) {
	d, faults := Read(readFile(t, "examples/protocol.yaml"), readyLibrary(t, "cautions/*.yaml"))
	wantNoFaults(t, faults)
	p := d.Value.(*Protocol)
	for id, want := range map[string]string{
		"stand.at_least":      "stand.elapsed >= (constants.standing_least)",
		"stand.at_most":       "stand.elapsed <= (constants.standing_most)",
		"line_flush.at_least": "line_flush.elapsed >= (constants.flush_time)",
	} {
		c := p.Criterion(id)
		if c == nil || c.Must != want || c.Window == "" || c.Otherwise != ThenRepeat {
			t.Errorf("criterion %s is %+v, its rule should be %s", id, c, want)
		}
	}
	_, first := p.Step("first_draw")
	_, untreated := p.Step("untreated")
	_, pressure := p.Step("feed_pressure")
	if first.Water != "treated" || first.Draw != "first" || untreated.Water != "untreated" || pressure.Gives != "feed_pressure" || pressure.Repeats != 1 {
		t.Errorf("defaults: %+v %+v %+v", first, untreated, pressure)
	}
	if got := strings.Join(p.Dependents("last_fill"), " "); got != "untreated stand first_draw" {
		t.Errorf("with last_fill go %s", got)
	}
	if got := p.RepeatFrom(p.Criterion("stand.at_least")); got != "last_fill" {
		t.Errorf("a standing that was too short is repeated from %s", got)
	}
}

// TestBorrowedSection completes the design's line about borrowing.
func TestBorrowedSection(t *testing.T) {
	lib := readyLibrary(t, "cautions/*.yaml")
	lender, faults := Read(readFile(t, "examples/lender.yaml"), lib)
	wantNoFaults(t, faults)
	lib.Add(lender)
	source := strings.Replace(borrower, "HASH", lender.ResolvedHash, 1)
	d, faults := Read(File{Name: "borrower.yaml", Bytes: []byte(source)}, lib)
	wantNoFaults(t, faults)
	p := d.Value.(*Protocol)
	if _, s := p.Step("line_flush"); s == nil || p.Criterion("line_flush.at_least") == nil || p.Criterion("runs_clear") == nil {
		t.Errorf("the section, its window or its criterion did not come along: %+v", p)
	}
	if strings.Contains(string(d.Resolved), "borrows") {
		t.Error("the resolved form still borrows")
	}
	lib.Add(d)
	for _, c := range []struct{ from, to, want string }{
		{lender.ResolvedHash, "sha256:" + strings.Repeat("0", 64), "borrower.yaml:8:93: standard-sections 1.0.0 has another hash"},
		{"standard_flush", "standard_flash", `borrower.yaml:8:53: standard-sections 1.0.0 has no section "standard_flash"`},
		{"version: 1.0.0, sha", "version: 2.0.0, sha", "borrower.yaml:8:25: the protocol standard-sections 2.0.0 is not known here"},
		{"constants: {flush_time: 10 min}\n", "", `borrower.yaml:7:5: the criterion "line_flush.at_least" comes with this section: constants has no field "flush_time"`},
		{"protocol: standard-sections, ", "protocol: borrower, ", "borrower.yaml:8:84: borrower 1.0.0 has another hash"},
	} {
		if !strings.Contains(source, c.from) {
			t.Fatalf("%q is not in the text", c.from)
		}
		_, faults := Read(File{Name: "borrower.yaml", Bytes: []byte(strings.Replace(source, c.from, c.to, 1))}, lib)
		if len(faults) == 0 || faults[0].String() != c.want {
			t.Errorf("%q for %q:\ngot  %v\nwant %s", c.to, c.from, faults, c.want)
		}
	}
}

const borrower = `kind: protocol
id: borrower
version: 1.0.0
title: Borrows its flush
constants: {flush_time: 10 min}
cautions: [flush-water, wet-floor]
sections:
  - borrows: {protocol: standard-sections, section: standard_flush, version: 1.0.0, sha256: HASH}
  - {id: more, steps: [{id: again, kind: inspect, ask: "Still clear?"}]}
`

// TestReadAllInAnyOrder reads a borrower before its lender, a document twice,
// and one that borrows what is borrowed itself.
func TestReadAllInAnyOrder(t *testing.T) {
	lib := readyLibrary(t, "cautions/*.yaml")
	lends := readFile(t, "examples/lender.yaml")
	lender, faults := Read(lends, lib)
	wantNoFaults(t, faults)
	takes := File{Name: "borrower.yaml", Bytes: []byte(strings.Replace(borrower, "HASH", lender.ResolvedHash, 1))}
	docs, faults := ReadAll([]File{takes, lends}, lib)
	wantNoFaults(t, faults)
	if docs[0].ID != "borrower" || docs[1].ID != "standard-sections" || len(lib.All(KindProtocol)) != 0 {
		t.Errorf("documents %v; the library given must stay as it was", docs)
	}
	twin := lends
	twin.Name = "twin.yaml"
	_, faults = ReadAll([]File{lends, twin}, lib)
	if len(faults) != 1 || faults[0].String() != "twin.yaml:2:5: protocol standard-sections 1.0.0 is also in lender.yaml" {
		t.Errorf("%v", faults)
	}
	lib.Add(lender)
	lib.Add(docs[0])
	second := strings.NewReplacer("id: borrower", "id: second", "standard-sections", "borrower", "HASH", docs[0].ResolvedHash).Replace(borrower)
	_, faults = Read(File{Name: "second.yaml", Bytes: []byte(second)}, lib)
	if len(faults) != 1 || faults[0].String() != `second.yaml:8:44: borrower borrows "standard_flush" itself` {
		t.Errorf("%v", faults)
	}
}
