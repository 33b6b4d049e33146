package edition

import (
	"fmt"
	"maps"
	"slices"
	"sort"
	"strings"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/runner"
	"tapledger/runner/assess"
)

// statements makes what an edition says about itself, in this order: what is
// invented, what a correction turned, what was accounted for, what was fixed
// before, then the evidence and its limits.
func (b *built) statements() Statements {
	out := Statements{Format: CoreFormat, Simulated: b.simulated(), Statements: []Statement{}}
	for _, do := range []func() []Statement{b.simulatedSaid, b.aboveValue, b.turned, b.accounted, b.fixedBefore, b.departures, b.corrections,
		b.qualified, b.furtherTries, b.bottlesUnused, b.reportsReplaced, b.triesAtLaboratory, b.evidenceKinds, b.people, b.acquired, b.complaints, b.notCounted, b.manyTests, b.limitsOfOne, b.terms, b.limitsOfLedger} {
		out.Statements = append(out.Statements, do()...)
	}
	return out
}

func item(pairs ...string) []assess.Arg {
	var out []assess.Arg
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			out = append(out, assess.Arg{Name: pairs[i], Text: pairs[i+1]})
		}
	}
	return out
}

// listed is a statement with its items, or the one that says there are none.
func listed(code, none string, items [][]assess.Arg, args ...string) []Statement {
	if len(items) == 0 {
		if none == "" {
			return nil
		}
		return []Statement{{Code: none, Args: item(args...)}}
	}
	return []Statement{{Code: code, Args: item(append(args, "count", fmt.Sprint(len(items)))...), Items: items}}
}

func (b *built) simulatedSaid() []Statement {
	if b.simulated() == "yes" {
		return []Statement{{Code: "simulated"}}
	}
	return nil
}

// aboveValue lists results above a health-based value: first, on every surface.
func (b *built) aboveValue() []Statement {
	var items [][]assess.Arg
	for _, r := range b.list {
		for _, f := range above(r.a) {
			items = append(items, item("unit", r.unit, "analyte", f.Subject, "low", f.Low, "high", f.High))
		}
	}
	return listed("above_value", "", items)
}

// accounted accounts for every run that the bench ever opened.
func (b *built) accounted() []Statement {
	counts := map[string]int{}
	counted := map[string]bool{}
	for _, r := range b.list {
		counted[r.run.id] = true
	}
	var items [][]assess.Arg
	for _, x := range b.g.sorted() {
		how := x.how()
		counts[how]++
		reason, made := "", ""
		if x.entry.Closed() {
			last := x.entry.Closings[len(x.entry.Closings)-1]
			reason, made = last.Reason, last.Made
		}
		if a := abandoned(x); reason == "" && a != nil {
			reason = a.Reason
		}
		ranked := "no"
		if counted[x.id] {
			ranked = "yes"
		}
		items = append(items, item("run", x.id, "unit", x.unit(), "protocol", x.entry.Opened.Protocol, "opened", x.entry.Opened.Made,
			"how", how, "ended", made, "reason", reason, "reopened", nonZero(len(x.entry.Reopenings)), "counts", ranked))
	}
	return []Statement{{Code: "accounted", Args: item("runs", fmt.Sprint(len(items)), "counting", fmt.Sprint(len(counted)),
		"closed", fmt.Sprint(counts[audit.HowClosed]), "abandoned", fmt.Sprint(counts[audit.HowAbandoned]),
		"never_started", fmt.Sprint(counts[audit.HowNeverStarted]), "open", fmt.Sprint(counts["open"])), Items: items}}
}

func abandoned(x *run) *runner.Abandoned {
	if x.state == nil {
		return nil
	}
	for _, e := range x.state.Events {
		if a, ok := e.Body.(*runner.Abandoned); ok {
			return a
		}
	}
	return nil
}

func nonZero(n int) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprint(n)
}

// fixedBefore says by which grade protocol and scoring were fixed before the
// results: 0 when the record of the first results names a main commit that
// holds them, or the opened record pins them. What a checkpoint kept by someone
// else adds depends on when its holder received it, which no ledger can say.
func (b *built) fixedBefore() []Statement {
	var out []Statement
	for _, d := range []*protocol.Document{b.c.protocol, b.c.scoring} {
		var late [][]assess.Arg
		for _, r := range b.list {
			if first := b.firstResults(r); !b.holds(first, d) && !pins(r.run.state, d) {
				late = append(late, item("unit", r.unit, "run", r.run.id, "record", fmt.Sprint(first.Seq)))
			}
		}
		args := []string{"kind", d.Kind, "id", d.ID, "version", d.Version, "resolved", d.ResolvedHash}
		if len(late) > 0 {
			out = append(out, Statement{Code: "fixed_after", Args: item(args...), Items: late})
			continue
		}
		out = append(out, Statement{Code: "fixed_before_entered", Args: item(append(args, "grade", "0")...)})
	}
	return append(out, b.heldOutside()...)
}

// firstResults is the first record of a run that brought results.
func (b *built) firstResults(r *ranked) audit.Record {
	for _, rec := range r.run.recs {
		if rec.Kind == runner.KindReport {
			return rec
		}
	}
	return audit.Record{}
}

// holds tells whether the main commit that a record saw holds a document.
func (b *built) holds(rec audit.Record, d *protocol.Document) bool {
	if rec.Main == "" {
		return false
	}
	data, found, err := audit.ReadFile(b.g.o, rec.Main, d.Path()+".json")
	return err == nil && found && audit.Hash(data) == d.ResolvedHash
}

func pins(st *runner.State, d *protocol.Document) bool {
	o := st.Pinned.Opened
	return sameDocument(o.Protocol, d) || o.Scoring != nil && sameDocument(*o.Scoring, d)
}

// heldOutside lists kept checkpoints that pin both documents and none of the
// results: their holders can say when they received them.
func (b *built) heldOutside() []Statement {
	var items [][]assess.Arg
	for _, path := range b.g.register.Checkpoints {
		c, err := audit.ParseCheckpoint(b.g.files[path])
		if err != nil {
			continue
		}
		rec := audit.Record{Main: c.Main}
		if !b.holds(rec, b.c.protocol) || !b.holds(rec, b.c.scoring) || b.resultsWithin(c) {
			continue
		}
		items = append(items, item("checkpoint", "sha256:"+strings.TrimSuffix(path[strings.LastIndex(path, "/")+1:], ".txt"), "main", c.Main, "records", fmt.Sprint(c.Records)))
	}
	issued, received := "", ""
	for _, r := range b.list {
		for _, rep := range r.run.state.Reports {
			if issued == "" || rep.Issued != "" && rep.Issued < issued {
				issued = rep.Issued
			}
			if rep.Received != "" && (received == "" || rep.Received < received) {
				received = rep.Received
			}
		}
	}
	return listed("held_outside", "held_outside_none", items, "issued", issued, "received", received)
}

// resultsWithin tells whether a checkpoint already pins a record with results.
func (b *built) resultsWithin(c audit.Checkpoint) bool {
	for _, r := range b.list {
		first := b.firstResults(r)
		pinned := int64(-1)
		for _, x := range c.Runs {
			if x.Run == r.run.id {
				pinned = x.Seq
			}
		}
		if pinned < 0 { // no line: either not yet opened, or closed
			files, err := audit.ReadFiles(b.g.o, c.Main)
			if err != nil {
				return true
			}
			reg, err := audit.ParseRegister(files)
			if err != nil {
				return true
			}
			if e := reg.Runs[r.run.id]; e != nil {
				if e.Head != nil {
					pinned = e.Head.Seq
				}
				for _, c := range e.Closings {
					pinned = max(pinned, c.Seq)
				}
			}
		}
		if first.Seq > 0 && pinned >= first.Seq {
			return true
		}
	}
	return false
}

// qualified lists criteria that are not met and whose values are used with a
// reservation.
func (b *built) qualified() []Statement {
	var items [][]assess.Arg
	for _, r := range b.list {
		st := r.run.state
		for _, d := range st.Decided {
			c := st.Pinned.Protocol.Criterion(d.Criterion)
			if c == nil {
				continue
			}
			then := c.Otherwise
			if d.State == "undecided" {
				then = c.Undecided
			}
			t := st.CountedTry(c.Decides)
			if (d.State != "unmet" && d.State != "undecided") || then != protocol.ThenQualify || t == nil || t.N != d.Try {
				continue
			}
			items = append(items, item("unit", r.unit, "criterion", d.Criterion, "state", d.State, "code", d.Code, "because", c.Because, "record", fmt.Sprint(d.Seq)))
		}
	}
	return listed("qualified", "qualified_none", items)
}

// reportsReplaced lists reports that a later one replaced.
func (b *built) reportsReplaced() []Statement {
	var items [][]assess.Arg
	for _, r := range b.list {
		for _, rep := range r.run.state.Reports {
			if rep.ReplacedBy != 0 {
				items = append(items, item("unit", r.unit, "number", rep.Number, "revision", rep.Revision, "status", rep.Status, "record", fmt.Sprint(rep.Seq), "replaced_by", fmt.Sprint(rep.ReplacedBy)))
			}
		}
	}
	return listed("reports_replaced", "", items)
}

// lateAfter is how long after the fact an entry counts as typed in afterwards.
const lateAfter = 15 * time.Minute

// evidenceKinds counts by how each value came to be known, and the entries that
// were typed in afterwards.
func (b *built) evidenceKinds() []Statement {
	counts := map[string]int{}
	late, values := 0, 0
	private := map[string]bool{}
	for _, r := range b.list {
		for _, rec := range r.run.recs {
			body, err := runner.DecodeBody(rec)
			if err != nil {
				continue
			}
			for _, v := range valuesOf(body) {
				counts[v.Evidence]++
				values++
			}
			if rep, ok := body.(*runner.Report); ok {
				counts["imported"] += len(rep.Results)
				values += len(rep.Results)
			}
			if isLate(rec, valuesOf(body)) {
				late++
			}
			for _, a := range attachmentsOf(body) {
				if a.Class == "private" {
					private[a.Commitment] = true
				}
			}
		}
	}
	args := []string{"values", fmt.Sprint(values), "late", fmt.Sprint(late), "minutes", "15", "private", fmt.Sprint(len(private))}
	for _, kind := range []string{"timed", "typed", "imported", "photo", "legacy"} {
		args = append(args, kind, fmt.Sprint(counts[kind]))
	}
	return []Statement{{Code: "evidence", Args: item(args...)}}
}

func valuesOf(body any) map[string]runner.Value {
	switch b := body.(type) {
	case *runner.Started:
		return b.Values
	case *runner.Entry:
		return b.Values
	case *runner.Draw:
		return b.Values
	case *runner.HandOver:
		return b.Values
	case *runner.Part:
		return b.Values
	case *runner.Correction:
		return map[string]runner.Value{"corrected": b.Value}
	}
	return nil
}

func attachmentsOf(body any) []runner.Attachment {
	switch b := body.(type) {
	case *runner.Entry:
		return b.Attachments
	case *runner.Draw:
		return b.Attachments
	case *runner.HandOver:
		return b.Attachments
	case *runner.Report:
		return b.Attachments
	case *runner.Part:
		return b.Attachments
	case *runner.Note:
		return b.Attachments
	case *runner.Correction:
		return b.Attachments
	case *runner.Departure:
		return b.Attachments
	case *runner.Complaint:
		return b.Attachments
	}
	return nil
}

// isLate tells whether a record was made well after what it tells of.
func isLate(rec audit.Record, values map[string]runner.Value) bool {
	last := ""
	for _, name := range []string{"at", "ended", "closed_at"} {
		if v := values[name].Text; v > last {
			last = v
		}
	}
	at, err := audit.ParseTime(last)
	if err != nil {
		return false
	}
	made, err := audit.ParseTime(rec.Made)
	return err == nil && made.Sub(at) > lateAfter
}

// people says who wrote the runs that count, and who confirmed what.
func (b *built) people() []Statement {
	wrote := map[string]bool{}
	confirmed := 0
	for _, r := range b.list {
		for _, rec := range r.run.recs {
			if rec.By != audit.BenchPrincipal {
				wrote[rec.By] = true
			}
			if rec.Kind == runner.KindSecondPerson {
				confirmed++
			}
		}
	}
	code := "people"
	if confirmed == 0 {
		code = "people_alone"
	}
	return []Statement{{Code: code, Args: item("people", strings.Join(slices.Sorted(maps.Keys(wrote)), " "), "count", fmt.Sprint(len(wrote)), "confirmed", fmt.Sprint(confirmed))}}
}

// acquired says how each unit was obtained and who paid.
func (b *built) acquired() []Statement {
	var items [][]assess.Arg
	for _, r := range b.list {
		a := r.run.state.Pinned.Unit.Acquired
		if a == nil {
			items = append(items, item("unit", r.unit, "how", "not stated"))
			continue
		}
		items = append(items, item("unit", r.unit, "how", a.How, "seller", a.Seller, "paid_by", a.PaidBy, "date", a.Date, "ties", a.Ties))
	}
	return listed("acquired", "", items)
}

// complaints lists every complaint on record, about a run or about none.
func (b *built) complaints() []Statement {
	var items [][]assess.Arg
	for _, x := range b.g.sorted() {
		if x.state == nil {
			continue
		}
		for _, e := range x.state.Events {
			if c, ok := e.Body.(*runner.Complaint); ok {
				items = append(items, item("run", x.id, "unit", x.unit(), "record", fmt.Sprint(e.Seq), "made", e.Made, "from", c.From, "about", c.About))
			}
		}
	}
	paths := append([]string{}, b.g.register.Complaints...)
	sort.Strings(paths)
	for _, p := range paths {
		items = append(items, item("file", p))
	}
	return listed("complaints", "complaints_none", items)
}

// notCounted lists analytes that do not count, and why.
func (b *built) notCounted() []Statement {
	var items [][]assess.Arg
	for _, a := range b.analytes {
		if a.Counts != "yes" {
			for _, why := range a.reasons() {
				items = append(items, item("analyte", a.ID, "name", a.Name, "why", why, "units", a.unitsOf(why)))
			}
		}
	}
	return listed("not_counted", "not_counted_none", items, "factor", b.c.c.FeedFactor)
}

// manyTests says over how many analytes a rise was looked for.
func (b *built) manyTests() []Statement {
	var items [][]assess.Arg
	for _, r := range b.list {
		items = append(items, item("unit", r.unit, "looked", fmt.Sprint(r.a.Looked)))
	}
	level := "5 %"
	for _, v := range b.c.valueDocs() {
		if v.Assumed != nil {
			level = v.Assumed.FamilyLevel
			break
		}
	}
	return listed("many_tests", "", items, "level", level)
}

// limitsOfOne says what one item on one day cannot show.
func (b *built) limitsOfOne() []Statement {
	var items [][]assess.Arg
	for _, p := range b.s.doc.Spread {
		items = append(items, item("part", p.ID, "standard", p.Standard, "status", p.Status))
	}
	out := listed("one_item", "", items, "half", b.table.Half, "retest", b.s.doc.Retest)
	if !b.testedForGerms() {
		out = append(out, Statement{Code: "not_tested_germs"})
	}
	return out
}

// limitsOfLedger says in plain words what this ledger cannot keep anybody from.
func (b *built) limitsOfLedger() []Statement {
	return []Statement{{Code: "one_person"}, {Code: "never_entered"}, {Code: "tail"}, {Code: "witness"}}
}
