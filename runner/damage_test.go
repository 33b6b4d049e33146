package runner

import (
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"tapledger/audit"
)

// wholeRun is a run with a bit of everything, to be damaged.
func wholeRun(t testing.TB) *bench {
	b := newRun(t)
	b.install()
	b.span("line_flush", 29*time.Minute)
	b.span("line_flush", 30*time.Minute)
	for _, v := range []string{"90 uS/cm", "52 uS/cm", "51 uS/cm"} {
		b.enter("discarded_tanks", "value="+v, "instrument=meter-1")
	}
	b.sampling(9*time.Hour, time.Minute)
	b.measure()
	b.do(KindCorrection, correction(4, "/values/value", "62 psi"))
	b.handOver()
	return b
}

// edit changes a record's body and keeps the envelope's chain whole, so that
// only what the fold knows can tell.
func edit(t testing.TB, recs []audit.Record, seq int, f func(body map[string]any)) []audit.Record {
	t.Helper()
	out := append([]audit.Record(nil), recs...)
	var body map[string]any
	d := json.NewDecoder(strings.NewReader(string(out[seq-1].Body)))
	d.UseNumber()
	if err := d.Decode(&body); err != nil {
		t.Fatal(err)
	}
	f(body)
	raw, err := audit.Canonical(body)
	if err != nil {
		t.Fatal(err)
	}
	out[seq-1].Body = raw
	return rechain(t, out)
}

func rechain(t testing.TB, out []audit.Record) []audit.Record {
	t.Helper()
	prev := audit.ZeroPrev
	for i := range out {
		out[i].Prev, out[i].Seq = prev, int64(i+1)
		b, err := out[i].Bytes()
		if err != nil {
			t.Fatal(err)
		}
		prev = audit.Hash(b)
	}
	return out
}

func decisions(body map[string]any) []any { return body["decisions"].([]any) }

// A ledger whose chain is whole can still hold what this package would never
// have written.
func TestDamage(t *testing.T) {
	b := wholeRun(t)
	recs := b.st.Records
	flush := int(b.st.Tries["line_flush"][0].Seqs[0])
	pressure := 4
	cases := []struct {
		name, code, words string
		seq               int64
		recs              []audit.Record
	}{
		{"a decision changed", "decisions", "is right", int64(flush), edit(t, recs, flush, func(m map[string]any) { decisions(m)[0].(map[string]any)["state"] = "met" })},
		{"a decision taken out", "decisions", "is missing", int64(pressure), edit(t, recs, pressure, func(m map[string]any) { delete(m, "decisions") })},
		{"a decision added", "decisions", "is stored and should not be", 2, edit(t, recs, 2, func(m map[string]any) {
			m["decisions"] = []any{map[string]any{"code": "", "criterion": "leak_free", "inputs": []any{}, "state": "met", "try": json.Number("1")}}
		})},
		{"an input renamed", "decisions", "is right", int64(pressure), edit(t, recs, pressure, func(m map[string]any) { decisions(m)[0].(map[string]any)["inputs"] = []any{"feed_pressure.value@3"} })},
		{"a value changed", "decisions", "is right", int64(pressure), edit(t, recs, pressure, func(m map[string]any) {
			m["values"].(map[string]any)["value"] = map[string]any{"text": "99 psi", "evidence": "typed"}
		})},
		{"a field nobody knows", "body", "unknown field", 2, edit(t, recs, 2, func(m map[string]any) { m["colour"] = "red" })},
		{"a value of another type", "body", "cannot unmarshal", 2, edit(t, recs, 2, func(m map[string]any) { m["caution"] = []any{} })},
		{"an impossible value", "refused", "cannot be", int64(pressure), edit(t, recs, pressure, func(m map[string]any) {
			m["values"].(map[string]any)["value"] = map[string]any{"text": "-1 psi", "evidence": "typed"}
		})},
		{"a try that was not due", "refused", "try 1 of", int64(flush), edit(t, recs, flush, func(m map[string]any) { m["try"] = json.Number("2") })},
		{"a record left out", "refused", "comes after", 5, rechain(t, append(append([]audit.Record(nil), recs[:4]...), recs[5:]...))},
	}
	for _, c := range cases {
		_, err := Fold(b.p, c.recs)
		var d *Damage
		if !errors.As(err, &d) || d.Code != c.code || !strings.Contains(d.Says, c.words) || c.seq != 5 && d.Seq != c.seq {
			t.Errorf("%s: %v, want %s in record %d", c.name, err, c.words, c.seq)
		}
	}
}

func TestDamagedEnvelopes(t *testing.T) {
	b := wholeRun(t)
	for _, c := range []struct {
		words string
		f     func(r *audit.Record)
	}{
		{"belongs to run", func(r *audit.Record) { r.Run = "oak-20260302-aaaa" }},
		{"where record 7 is due", func(r *audit.Record) { r.Seq = 9 }},
		{"the record before has", func(r *audit.Record) { r.Prev = audit.ZeroPrev }},
		{"is not later", func(r *audit.Record) { r.Made = "2026-03-02T07:00:00.000Z" }},
		{"is not later", func(r *audit.Record) { r.Made = b.st.Records[5].Made }},
		{"format", func(r *audit.Record) { r.Format = "record/2" }},
		{"no record of kind", func(r *audit.Record) { r.Kind = "guess" }},
		{"the body of this draw record", func(r *audit.Record) { r.Kind = KindDraw; r.Body = json.RawMessage(`{"format":"body/1","samples":""}`) }},
		{"not wall", func(r *audit.Record) { r.Clock = "moon" }},
		{"does not go with", func(r *audit.Record) { r.Clock = "simulated" }},
		{"already", func(r *audit.Record) {
			*r = b.st.Records[0]
			r.Seq, r.Prev, r.Made = 7, b.st.Records[6].Prev, b.st.Records[6].Made
		}},
	} {
		st, err := Fold(b.p, b.st.Records[:6])
		if err != nil {
			t.Fatal(err)
		}
		r := b.st.Records[6]
		c.f(&r)
		if _, err := st.With(r); err == nil || !strings.Contains(err.Error(), c.words) {
			t.Errorf("%v, want %q", err, c.words)
		}
		if _, err := st.With(b.st.Records[6]); err != nil {
			t.Errorf("the state was changed by a record that it refused: %v", err)
		}
	}
	if _, err := Fold(b.p, nil); err == nil {
		t.Error("a run without records")
	}
}

// A body of a later format is no damage: the chain can be proven, the run not
// decided.
func TestNewerBody(t *testing.T) {
	b := wholeRun(t)
	recs := edit(t, b.st.Records, 6, func(m map[string]any) { m["format"], m["mood"] = "body/2", "good" })
	_, err := Fold(b.p, recs)
	var n *Newer
	if !errors.As(err, &n) || n.Seq != 6 || !strings.Contains(err.Error(), "written by a newer version, cannot decide") {
		t.Errorf("%v", err)
	}
	if f := foldFault("r", err); f.Code != "deep_newer" {
		t.Errorf("%+v", f)
	}
}

// Deep reads the documents of main at the commit that the opened record names.
func TestDeep(t *testing.T) {
	tree, opened := documents(t, smallProtocol(t), unitYAML)
	p, err := Pin(tree, "fern-20260302-k7qd", opened)
	if err != nil {
		t.Fatal(err)
	}
	root, objects := audit.BuildTree(tree)
	m := audit.NewMemory()
	who := audit.NewIdent("mk", "fern", opening)
	key := audit.NewKeySigner("mk", ed25519.NewKeyFromSeed(make([]byte, ed25519.SeedSize)))
	commit, err := audit.BuildCommit(audit.CommitSpec{Tree: root, Author: who, Committer: who, Message: "documents\n"}, key)
	if err != nil {
		t.Fatal(err)
	}
	hash := audit.ObjectID("commit", commit)
	objects = append(objects, audit.RawObject{Hash: hash, Type: "commit", Data: commit})
	if err := m.Put(objects...); err != nil {
		t.Fatal(err)
	}
	_, st, err := Start(p, Proposal{By: "mk", Via: "key", Now: opening, Clock: "wall", Main: hash})
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, p: p, st: st, now: opening, by: "mk"}
	b.readAll()
	b.install()
	deep := Deep(m)
	if faults := deep(m, b.st.Run, b.st.Records); len(faults) != 0 {
		t.Errorf("%+v", faults)
	}
	bad := edit(t, b.st.Records, 4, func(m map[string]any) { delete(m, "decisions") })
	faults := deep(m, b.st.Run, bad)
	if len(faults) != 1 || faults[0].Code != "deep_decisions" || !strings.Contains(faults[0].Where, "record 4") {
		t.Errorf("%+v", faults)
	}
	if faults := deep(audit.NewMemory(), b.st.Run, b.st.Records); len(faults) != 1 || faults[0].Code != "deep_documents" {
		t.Errorf("%+v", faults)
	}
}
