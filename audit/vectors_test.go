package audit

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

var update = flag.Bool("update", false, "write the test vectors anew")

const vectorDir = "../testdata/vectors"

// vector is one ledger with at most one failure.
type vector struct {
	name  string
	code  string   // "": good
	also  []string // codes that follow from the same failure
	note  string   // code of a note that a good one gives
	why   string
	build func(l *ledger) (since []byte)
	root  string // fingerprint to expect, "": not checked
}

// base: run aaaa with three records named by main, run bbbb with two of which
// main names none.
func base(l *ledger) {
	l.open(runID("aaaa"), "ash")
	l.add(runID("aaaa"), "entry", "ash")
	l.add(runID("aaaa"), "entry", "moss")
	l.open(runID("bbbb"), "moss")
	l.add(runID("bbbb"), "entry", "moss")
}

func do(f func(l *ledger)) func(l *ledger) []byte {
	return func(l *ledger) []byte { base(l); f(l); return nil }
}

// tiny is the least ledger: one run with its first record.
func tiny(f func(l *ledger)) func(l *ledger) []byte {
	return func(l *ledger) []byte { l.open(runID("bbbb"), "moss"); f(l); return nil }
}

// spoiled forges the second record of the tiny ledger.
func spoiled(f func(d *draft)) func(l *ledger) []byte {
	return tiny(func(l *ledger) { l.forge(runID("bbbb"), "entry", "moss", f) })
}

// rewritten forges one further record whose bytes are changed as text.
func rewritten(old, new string) func(l *ledger) []byte {
	return spoiled(func(d *draft) {
		b, err := d.rec.Bytes()
		if err != nil || !bytes.Contains(b, []byte(old)) {
			panic(fmt.Sprintf("vector cannot be built: %v, %q", err, old))
		}
		d.bytes = bytes.Replace(b, []byte(old), []byte(new), 1)
	})
}

func allVectors() []vector {
	return slices.Concat(goodVectors(), runVectors(), chainVectors(), recordVectors(), commitVectors(), mainVectors(), editionVectors())
}

func TestVectors(t *testing.T) {
	for _, v := range allVectors() {
		t.Run(v.name, func(t *testing.T) {
			if *update {
				v.write(t)
			}
			v.check(t)
		})
	}
}

func (v vector) write(t *testing.T) {
	if v.build == nil {
		t.Fatal("no way to build it")
	}
	l := newLedger(t)
	since := v.build(l)
	dir := filepath.Join(vectorDir, v.name)
	_ = os.RemoveAll(dir)
	l.must(os.MkdirAll(dir, 0o755))
	l.must(os.WriteFile(filepath.Join(dir, "ledger.bundle"), writeBundle(t, l.m), 0o644))
	expect := v.code
	if expect == "" {
		expect = "good"
	}
	text := "expect: " + expect + "\nwhy: " + v.why + "\n"
	if len(v.also) > 0 {
		text += "also: " + strings.Join(v.also, " ") + "\n"
	}
	if v.note != "" {
		text += "note: " + v.note + "\n"
	}
	if v.root != "" {
		text += "root: " + v.root + "\n"
	}
	l.must(os.WriteFile(filepath.Join(dir, "expect"), []byte(text), 0o644))
	if since != nil {
		l.must(os.WriteFile(filepath.Join(dir, "since"), since, 0o644))
	}
}

// check reads the vector as it lies on disk, so that it also holds for files
// that were written by an earlier version.
func (v vector) check(t *testing.T) {
	dir := filepath.Join(vectorDir, v.name)
	b, err := os.ReadFile(filepath.Join(dir, "ledger.bundle"))
	if err != nil {
		t.Fatalf("%v; write the vectors with go test ./audit -run TestVectors -update", err)
	}
	opt := Options{Root: v.root}
	if since, err := os.ReadFile(filepath.Join(dir, "since")); err == nil {
		opt.Since = [][]byte{since}
	}
	rep, err := Verify(readBundle(t, b), opt)
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	if v.code != "" {
		want = append([]string{v.code}, v.also...)
		slices.Sort(want)
	}
	if got := codes(rep.Faults); !slices.Equal(got, want) {
		t.Errorf("codes %v, want %v", got, want)
		for _, f := range rep.Faults {
			t.Log(f)
		}
	}
	if v.note != "" && !slices.Contains(codes(rep.Notes), v.note) {
		t.Errorf("notes %v, want %s", codes(rep.Notes), v.note)
	}
	for _, f := range rep.Faults {
		if f.Where == "" || f.Says == "" || f.Means == "" || f.Do == "" {
			t.Errorf("fault without where, what, meaning or advice: %+v", f)
		}
	}
	expect, err := os.ReadFile(filepath.Join(dir, "expect"))
	if err != nil || !strings.Contains(string(expect), "why: "+v.why+"\n") {
		t.Errorf("expect file is missing or older than the test: %v", err)
	}
}

func goodVectors() []vector {
	return []vector{
		{name: "good-open", why: "two open runs, one of them with records that main does not name yet", note: "tail_open", build: do(func(*ledger) {})},
		{name: "good-whole", why: "closing, late report, reopening, second closing, kept checkpoint, edition, ended key", root: Fingerprint(testSigner("ash").Public()),
			build: func(l *ledger) []byte { whole(l); return l.checkpoint() }},
		{name: "good-newer-body", why: "a body format of a newer version: the chain is proven, nothing can be decided", note: "newer_body", build: rewritten("body/1", "body/9")},
		{name: "good-page", why: "a record written through the page: the bench's key signed for moss", build: spoiled(func(d *draft) {
			d.rec.Via, d.signer = "page", testSigner(BenchPrincipal)
			d.spec.Committer.ID = BenchPrincipal
		})},
		{name: "good-text", why: "text with line feed, quote, backslash, slash, accents, a character beyond U+FFFF and U+2028", build: spoiled(func(d *draft) {
			d.rec.Body = []byte("{\"format\":\"body/1\",\"text\":\"a\\nb \\\"c\\\" \\\\ / \u00fc \U0001F6B0 \u2028 end\",\"whole\":[0,9007199254740991]}")
		})},
		{name: "good-hand-over", why: "a hand_over record holds a checkpoint of the ledger as it was", build: do(func(l *ledger) { handOver(l, runID("aaaa")); l.add(runID("bbbb"), "entry", "moss") })},
		{name: "good-half-closed", why: "the run's closing record is written, main's entry is not: a crash in between, no damage", note: "half_closed",
			build: tiny(func(l *ledger) { l.add(runID("bbbb"), KindClosed, "moss") })},
		{name: "good-never-started", why: "a run that was registered and ended without a record", build: tiny(func(l *ledger) {
			l.registerRun(runID("cccc"), "ash")
			p, b, err := Closing{Run: runID("cccc"), By: "ash", Made: Time(l.now), How: HowNeverStarted, Record: ZeroPrev}.File(1)
			l.must(err)
			l.commitMain("ash", "Close cccc", map[string][]byte{p: b})
		})},
	}
}

// whole is fullLedger on a ledger that was begun already.
func whole(l *ledger) {
	base(l)
	a := runID("aaaa")
	l.closeRun(a, "ash", KindClosed)
	l.add(a, "report", "ash")
	l.reopen(a, "ash")
	text, sig := SplitCheckpoint(l.checkpoint())
	l.commitMain("ash", "Keep a checkpoint", CheckpointFiles(text, sig))
	l.closeRun(a, "ash", KindClosed)
	l.publish("first", "ash", nil)
	l.closeRun(runID("bbbb"), "moss", KindAbandoned)
	l.endKey("moss", "ash")
}

func runVectors() []vector {
	a, b := runID("aaaa"), runID("bbbb")
	return []vector{
		{name: "run-deleted", code: "run_missing", why: "the branch of a registered run was deleted",
			build: do(func(l *ledger) { l.must(l.m.SetRef(RefRuns+a, l.heads[a], "")) })},
		{name: "run-cut-below-main", code: "run_cut", why: "the last record of a run was cut off, main names it as the head", build: do(func(l *ledger) { l.cut(a, 1) })},
		{name: "run-cut-below-checkpoint", code: "checkpoint_cut", why: "the last record of a run was cut off, main does not name it, a kept checkpoint does",
			build: func(l *ledger) []byte { base(l); c := l.checkpoint(); l.cut(b, 1); return c }},
		{name: "run-rewritten-below-checkpoint", code: "checkpoint_differs", why: "the last record of a run was replaced after a checkpoint named it",
			build: func(l *ledger) []byte {
				base(l)
				c := l.checkpoint()
				l.cut(b, 1)
				recs, _, err := ReadRun(l.m, l.heads[b])
				l.must(err)
				l.last[b] = recs[len(recs)-1]
				l.add(b, "entry", "moss")
				return c
			}},
		{name: "run-cut-below-hand-over", code: "checkpoint_cut", why: "the last record of a run was cut off; the checkpoint in a hand_over record of another run names it",
			build: do(func(l *ledger) { handOver(l, a); l.cut(b, 1) })},
		{name: "hand-over-uncovered", code: "checkpoint_differs", why: "the checkpoint in a hand_over record is older than the record before it, so sample ids do not pin that record",
			build: do(func(l *ledger) {
				text, sig := SplitCheckpoint(l.checkpoint())
				l.add(a, "entry", "ash")
				handOverWith(l, a, text, sig)
			})},
		{name: "run-unregistered", code: "run_unregistered", why: "a run has records but no entry in the register", build: tiny(func(l *ledger) { l.add(runID("cccc"), KindOpened, "ash") })},
		{name: "closed-continued", code: "after_closed", why: "an entry follows the record that closed the run",
			build: tiny(func(l *ledger) { l.closeRun(b, "moss", KindClosed); l.add(b, "entry", "moss") })},
		{name: "reopened-by-force", code: "reopen", why: "a closed run was reopened without an entry in the register",
			build: tiny(func(l *ledger) { l.closeRun(b, "moss", KindClosed); l.add(b, KindReopened, "moss") })},
		{name: "closing-other-how", code: "closing_differs", why: "the register says abandoned, the run's record says closed",
			build: tiny(func(l *ledger) { l.add(b, KindClosed, "moss"); l.registerClosing(b, "moss", KindAbandoned) })},
		{name: "closing-sheet-differs", code: "closing_tree", why: "record 2 in the closing commit's sheet of all records is another one",
			build: do(func(l *ledger) {
				blobs, err := recordBlobs(l.m, l.heads[b])
				l.must(err)
				l.forge(b, KindClosed, "moss", func(d *draft) {
					raw, err := d.rec.Bytes()
					l.must(err)
					tree := CloseTree([]string{blobs[0], blobs[0], ObjectID("blob", raw)})
					l.must(l.m.Put(tree))
					d.entries = []Entry{{Name: RecordFile}, {Dir: true, Name: RecordsDir, Hash: tree.Hash}}
				})
			})},
	}
}

func chainVectors() []vector {
	a, b := runID("aaaa"), runID("bbbb")
	return []vector{
		{name: "record-changed", code: "chain_prev", why: "record 2 was written anew with one byte changed; record 3 still names the old one",
			build: do(func(l *ledger) {
				next := l.next(b, "entry", "moss")
				l.cut(b, 1)
				l.last[b] = firstOf(l, b)
				l.forge(b, "entry", "moss", func(d *draft) { d.rec.Made = Time(l.now.Add(-2 * time.Second)); atMade(d) })
				l.commitRecord(next, testSigner("moss"))
			})},
		{name: "record-dropped", code: "chain_seq", also: []string{"chain_prev"}, why: "record 3 was taken out between record 2 and record 4",
			build: tiny(func(l *ledger) {
				l.last[b] = l.next(b, "entry", "moss")
				l.add(b, "entry", "moss")
			})},
		{name: "records-swapped", code: "chain_seq", also: []string{"chain_prev", "time_back"}, why: "records 3 and 4 stand in the wrong order",
			build: tiny(func(l *ledger) {
				three := l.next(b, "entry", "moss")
				l.last[b] = three
				l.add(b, "entry", "moss")
				l.commitRecord(three, testSigner("moss"))
			})},
		{name: "ended-key-backdated", code: "key_ended", why: "a record of a key that ended stands above the head named when it ended, and names an older main",
			build: do(func(l *ledger) {
				old := l.main
				l.endKey("moss", "ash")
				l.forge(b, "entry", "moss", func(d *draft) { d.rec.Main = old; d.rec.Made = Time(l.now.Add(-55 * time.Second)); atMade(d) })
			})},
		{name: "ended-key-used", code: "key_ended", why: "a record was signed with a key that had ended on the main it names",
			build: tiny(func(l *ledger) { l.endKey("moss", "ash"); l.add(b, "entry", "moss") })},
		{name: "backdated", code: "backdated", why: "a record names an older main as the newest, though a later main names the run's head below it",
			build: do(func(l *ledger) { l.forge(a, "entry", "ash", func(d *draft) { d.rec.Main = l.mains[1] }) })},
	}
}

// handOver writes a record that holds a checkpoint of the ledger as it is.
func handOver(l *ledger, run string) {
	text, sig := SplitCheckpoint(l.checkpoint())
	handOverWith(l, run, text, sig)
}

func handOverWith(l *ledger, run string, text, sig []byte) {
	r := l.next(run, KindHandOver, "ash")
	var err error
	r.Body, err = Marshal(map[string]string{"format": "body/1", "checkpoint": string(text), "signature": string(sig)})
	l.must(err)
	l.commitRecord(r, testSigner("ash"))
}

// atMade dates the commit as its record.
func atMade(d *draft) {
	made, err := ParseTime(d.rec.Made)
	if err != nil {
		panic(err)
	}
	d.spec.Author.Unix, d.spec.Committer.Unix = made.Unix(), made.Unix()
}

func firstOf(l *ledger, run string) Record {
	recs, _, err := ReadRun(l.m, l.heads[run])
	l.must(err)
	return recs[len(recs)-1]
}
