package audit

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"
)

// spoiledCase is a ledger with damage that a bundle cannot carry, or that
// needs no vector.
type spoiledCase struct {
	name  string
	codes []string
	spoil func(l *ledger)
	since func(l *ledger) []byte
}

// treeOf gives the tree of a commit, and the blob at a path in it.
func (l *ledger) blobAt(commit, path string) string {
	l.t.Helper()
	c, err := ReadCommit(l.m, commit)
	l.must(err)
	e, found, err := entry(l.m, c.Tree, path)
	l.must(err)
	if !found {
		l.t.Fatalf("no %s in %s", path, commit)
	}
	return e.Hash
}

func (l *ledger) treeOf(commit string) string {
	c, err := ReadCommit(l.m, commit)
	l.must(err)
	return c.Tree
}

func spoiledCases() []spoiledCase {
	a, b := runID("aaaa"), runID("bbbb")
	drop := func(hash func(l *ledger) string) func(l *ledger) {
		return func(l *ledger) { delete(l.m.objects, hash(l)) }
	}
	alter := func(hash func(l *ledger) string) func(l *ledger) {
		return func(l *ledger) {
			o := l.m.objects[hash(l)]
			o.Data = append(bytes.Clone(o.Data), ' ')
			l.m.objects[o.Hash] = o
		}
	}
	head := func(l *ledger) string { return l.heads[a] }
	record := func(l *ledger) string { return l.blobAt(l.heads[a], RecordFile) }
	return []spoiledCase{
		{name: "record gone", codes: []string{"object_missing"}, spoil: drop(record)},
		{name: "record altered in place", codes: []string{"object_hash"}, spoil: alter(record)},
		{name: "tree gone", codes: []string{"object_missing"}, spoil: drop(func(l *ledger) string { return l.treeOf(l.heads[a]) })},
		{name: "head commit gone", codes: []string{"object_missing", "run_cut"}, spoil: drop(head)},
		{name: "head commit altered", codes: []string{"object_hash", "run_cut"}, spoil: alter(head)},
		{name: "main document gone", codes: []string{"object_missing"}, spoil: drop(func(l *ledger) string { return l.blobAt(l.main, "README.md") })},
		{name: "main list altered", codes: []string{"object_hash"}, spoil: alter(func(l *ledger) string { return l.blobAt(l.main, AllowedFile) })},
		{name: "a main commit gone", codes: []string{"object_missing"}, spoil: drop(func(l *ledger) string { return l.mains[0] })},
		{name: "main leads to a tree", codes: []string{"object_type"}, spoil: func(l *ledger) { l.must(l.m.SetRef(RefMain, l.main, l.treeOf(l.main))) }},
		{name: "record is a tree", codes: []string{"tree_extra"}, spoil: func(l *ledger) {
			l.cut(a, 1)
			l.last[a] = firstOf(l, a)
			l.forge(a, "entry", "ash", func(d *draft) { d.entries = []Entry{{Dir: true, Name: RecordFile, Hash: l.treeOf(l.heads[a])}} })
		}},
		{name: "run ref half", codes: []string{"ref_bad", "run_missing"}, spoil: func(l *ledger) { l.m.refs[RefRuns+a] = l.heads[a][:20] }},
		{name: "run ref name", codes: []string{"ref_bad"}, spoil: func(l *ledger) { l.m.refs[RefRuns+"x"] = l.heads[a] }},
		{name: "edition ref name", codes: []string{"ref_bad"}, spoil: func(l *ledger) { l.m.refs[RefEditions+"A"] = l.heads[a] }},
		{name: "no main", codes: []string{"main_missing"}, spoil: func(l *ledger) { delete(l.m.refs, RefMain) }},
		{name: "head named otherwise", codes: []string{"head_differs"}, spoil: func(l *ledger) {
			l.add(b, "entry", "moss")
			_, data, err := Head{Run: b, Seq: 3, Record: Hash([]byte("other"))}.File()
			l.must(err)
			l.forgeMain("ash", "Name another head", map[string][]byte{"register/" + b + "/head.json": data})
		}},
		{name: "head named back", codes: []string{"register_bad", "head_differs", "backdated"}, spoil: func(l *ledger) {
			_, data, err := Head{Run: a, Seq: 1, Record: Hash([]byte("other"))}.File()
			l.must(err)
			l.forgeMain("ash", "Name an older head", map[string][]byte{"register/" + a + "/head.json": data})
		}},
		{name: "root not in its list", codes: []string{"root_unsigned", "unlisted_key"}, spoil: func(l *ledger) {
			files, err := ReadFiles(l.m, l.mains[0])
			l.must(err)
			list, err := Allowed{}.Add("ash", testSigner("rowan").Public())
			l.must(err)
			files[AllowedFile] = list.Format()
			hash, objects, err := NewMainCommit(l.m, MainSpec{Put: files, Bench: testBench, Author: "ash", Date: l.now, Subject: "Begin"}, testSigner("ash"))
			l.must(err)
			l.m.refs = map[string]string{RefMain: hash}
			l.must(l.m.Put(objects...))
		}},
		{name: "main with two parents", codes: []string{"main_chain"}, spoil: func(l *ledger) {
			files := mainFiles(l)
			root, objects := BuildTree(files)
			message, err := Message("Join", "", TrailerTree, Hash(TreeLines(files)))
			l.must(err)
			l.tick(time.Minute)
			who := NewIdent("ash", testBench, l.now)
			raw, err := BuildCommit(CommitSpec{Tree: root, Parents: []string{l.main, l.mains[1]}, Author: who, Committer: who, Message: message}, testSigner("ash"))
			l.must(err)
			c := NewObject("commit", raw)
			l.must(l.m.Put(append(objects, c)...))
			l.must(l.m.SetRef(RefMain, l.main, c.Hash))
		}},
		{name: "no bench document", codes: []string{"bench_bad"}, spoil: func(l *ledger) {
			hash, objects, err := NewMainCommit(l.m, MainSpec{Put: map[string][]byte{AllowedFile: l.list.Format()}, Bench: testBench, Author: "ash", Date: l.now, Subject: "Begin"}, testSigner("ash"))
			l.must(err)
			l.m.refs = map[string]string{RefMain: hash}
			l.must(l.m.Put(objects...))
		}},
		{name: "simulated taken back", codes: []string{"bench_bad"}, spoil: func(l *ledger) {
			l.commitMain("ash", "No longer simulated", map[string][]byte{"documents/bench/fern/1.0.1.json": []byte("{\"simulated\":\"no\"}\n")})
		}},
		{name: "tree out of order", codes: []string{"tree_bad"}, spoil: func(l *ledger) {
			l.forge(b, "entry", "moss", func(d *draft) {
				raw, err := d.rec.Bytes()
				l.must(err)
				d.entries = []Entry{{Name: "Record.json", Hash: ObjectID("blob", raw)}, {Name: "con"}, {Name: RecordFile}}
			})
		}},
		{name: "checkpoint unreadable", codes: []string{"checkpoint_bad"}, spoil: func(*ledger) {}, since: func(*ledger) []byte { return []byte("hello\n") }},
		{name: "checkpoint signed by a stranger", codes: []string{"checkpoint_bad"}, spoil: func(*ledger) {}, since: func(l *ledger) []byte {
			text, _ := SplitCheckpoint(l.checkpoint())
			sig, err := SignCheckpoint(text, testSigner("rowan"))
			l.must(err)
			return JoinCheckpoint(text, sig)
		}},
		{name: "checkpoint of another bench", codes: []string{"checkpoint_bad"}, spoil: func(*ledger) {}, since: func(l *ledger) []byte {
			text, _ := SplitCheckpoint(l.checkpoint())
			return bytes.Replace(text, []byte("bench fern"), []byte("bench elm"), 1)
		}},
		{name: "checkpoint with another count", codes: []string{"checkpoint_differs"}, spoil: func(*ledger) {}, since: func(l *ledger) []byte {
			text, _ := SplitCheckpoint(l.checkpoint())
			return bytes.Replace(text, []byte("records 5"), []byte("records 6"), 1)
		}},
		{name: "checkpoint without a line for an open run", codes: []string{"checkpoint_differs"}, spoil: func(*ledger) {}, since: func(l *ledger) []byte {
			text, _ := SplitCheckpoint(l.checkpoint())
			return text[:bytes.Index(text, []byte("run "+b))]
		}},
		{name: "kept checkpoint cut", codes: []string{"checkpoint_cut", "backdated"}, spoil: func(l *ledger) {
			text, sig := SplitCheckpoint(l.checkpoint())
			l.forgeMain("ash", "Keep it", CheckpointFiles(text, sig))
			l.cut(b, 1)
			l.last[b] = firstOf(l, b)
		}},
		{name: "kept checkpoint without signature", codes: []string{"checkpoint_bad", "backdated"}, spoil: func(l *ledger) {
			text, sig := SplitCheckpoint(l.checkpoint())
			files := CheckpointFiles(text, sig)
			delete(files, sortedKeys(files)[0])
			l.forgeMain("ash", "Keep it", files)
		}},
		{name: "head not named", codes: []string{"backdated"}, spoil: func(l *ledger) { l.forgeMain("ash", "Say more", map[string][]byte{"README.md": []byte("x\n")}) }},
		{name: "register says never started", codes: []string{"closing_differs", "register_bad"}, spoil: func(l *ledger) {
			p, data, err := Closing{Run: b, By: "moss", Made: Time(l.now), How: HowNeverStarted, Record: ZeroPrev}.File(1)
			l.must(err)
			l.commitMain("moss", "Close", map[string][]byte{p: data})
		}},
		{name: "key used on main after it ended", codes: []string{"key_ended"}, spoil: func(l *ledger) {
			l.endKey("moss", "ash")
			l.commitMain("moss", "Say more", map[string][]byte{"README.md": []byte("x\n")})
		}},
		{name: "edition signed after a key ended", codes: []string{"key_ended"}, spoil: func(l *ledger) { l.endKey("moss", "ash"); l.publish("first", "moss", nil) }},
		{name: "edition backdated before a key ended", codes: []string{"key_ended"}, spoil: func(l *ledger) {
			old, heads := l.main, maps.Clone(l.heads)
			l.endKey("moss", "ash")
			now := l.main
			l.main, l.heads, l.now = old, heads, l.now.Add(-30*time.Second)
			l.publish("first", "moss", nil)
			l.main = now
		}},
		{name: "superseded edition gone", codes: []string{"edition_missing"}, spoil: func(l *ledger) {
			l.publish("second", "ash", func(files map[string][]byte, _ map[string]string) {
				m, err := MakeManifest(Manifest{ID: "second", Made: Time(l.now), Supersedes: "first"}, files)
				l.must(err)
				files[ManifestFile] = m
			})
		}},
		{name: "closing without its sheet", codes: []string{"closing_tree"}, spoil: func(l *ledger) { l.forge(b, KindClosed, "moss", func(*draft) {}) }},
		{name: "sheet without closing", codes: []string{"tree_extra"}, spoil: func(l *ledger) {
			l.forge(b, "entry", "moss", func(d *draft) {
				d.entries = []Entry{{Name: RecordFile}, {Dir: true, Name: RecordsDir, Hash: l.treeOf(l.heads[b])}}
			})
		}},
	}
}

// TestVerifyNamesDamage wants exactly the expected codes for each case.
func TestVerifyNamesDamage(t *testing.T) {
	for _, c := range spoiledCases() {
		t.Run(c.name, func(t *testing.T) {
			l := newLedger(t)
			base(l)
			var opt Options
			if c.since != nil {
				opt.Since = [][]byte{c.since(l)}
			}
			c.spoil(l)
			rep := l.verify(opt)
			want := slices.Clone(c.codes)
			slices.Sort(want)
			if got := codes(rep.Faults); !slices.Equal(got, want) {
				t.Errorf("codes %v, want %v", got, want)
				for _, f := range rep.Faults {
					t.Log(f)
				}
			}
		})
	}
}

// TestEveryCodeIsProvoked wants each code of the table in a vector or a case,
// and in FORMAT.md's table.
func TestEveryCodeIsProvoked(t *testing.T) {
	provoked := map[string]bool{"other_ref": true, "root_unchecked": true, "half_reopened": true} // in tests of their own
	for _, v := range allVectors() {
		provoked[v.code], provoked[v.note] = true, true
	}
	for _, c := range spoiledCases() {
		for _, code := range c.codes {
			provoked[code] = true
		}
	}
	seen := map[string]bool{}
	for _, c := range append(Codes(), Notes()...) {
		if seen[c.Code] || c.Means == "" {
			t.Errorf("code %s stands twice or has no meaning", c.Code)
		}
		seen[c.Code] = true
		if !provoked[c.Code] {
			t.Errorf("no vector and no case gives %s", c.Code)
		}
	}
}

// TestEveryBitCounts flips one bit in a sample of positions of every object:
// Verify must notice each. The sample is fixed by the position, so every run
// looks at the same ones.
func TestEveryBitCounts(t *testing.T) {
	l := fullLedger(t)
	const every = 29 // one bit in 29, which visits all eight bits of a byte in turn
	tried := 0
	for n, h := range l.m.Hashes() {
		o := l.m.objects[h]
		for bit := n % every; bit < 8*len(o.Data); bit += every {
			if bit/8%7 != n%7 { // and of those one byte in seven
				continue
			}
			changed := o
			changed.Data = bytes.Clone(o.Data)
			changed.Data[bit/8] ^= 1 << (bit % 8)
			l.m.objects[h] = changed
			if l.verify(Options{}).Good() {
				t.Errorf("%s %s: bit %d of byte %d flipped, nothing noticed", o.Type, h, bit%8, bit/8)
			}
			tried++
		}
		l.m.objects[h] = o
	}
	if tried < 300 {
		t.Errorf("only %d bits were flipped", tried)
	}
	l.wantGood(Options{})
}

// TestEveryRefCounts: each ref taken away, or moved to another commit, is
// noticed.
func TestEveryRefCounts(t *testing.T) {
	l := fullLedger(t)
	refs, _ := l.m.Refs()
	for _, name := range sortedKeys(refs) {
		for _, other := range append([]string{""}, l.mains[0], l.heads[runID("aaaa")], l.heads[runID("bbbb")]) {
			if other == refs[name] {
				continue
			}
			delete(l.m.refs, name)
			if other != "" {
				l.m.refs[name] = other
			}
			rep := l.verify(Options{})
			cut := name == RefMain && other == l.mains[0] // the runs still name the commits that were cut off
			if rep.Good() {
				t.Errorf("%s moved to %q: nothing noticed (main cut: %v)", name, other, cut)
			}
			l.m.refs[name] = refs[name]
		}
	}
}

// TestDeepCallbacks: whole runs and editions are handed over, spoiled ones not.
func TestDeepCallbacks(t *testing.T) {
	l := fullLedger(t)
	b := runID("bbbb")
	got := map[string]int{}
	opt := Options{
		Decide: func(_ Objects, run string, recs []Record) []Fault {
			got[run] = len(recs)
			return []Fault{{Code: "decision", Where: run}}
		},
		Edition: func(_ Objects, id, commit string) []Fault {
			got[id]++
			if commit != l.m.refs[RefEditions+id] {
				t.Errorf("edition %s at %s", id, commit)
			}
			return nil
		},
		Progress: func(done, all int) { got[fmt.Sprintf("%d/%d", done, all)]++ },
	}
	rep := l.verify(opt)
	if want := map[string]int{runID("aaaa"): 8, b: 3, "first": 1, "1/2": 1, "2/2": 1}; !maps.Equal(got, want) || len(rep.Faults) != 2 || rep.Deep != "yes" {
		t.Errorf("handed over %v, want %v; faults %v", got, want, rep.Faults)
	}
	clear(got)
	delete(l.m.objects, l.blobAt(l.heads[b], RecordFile))
	l.verify(opt)
	if _, ok := got[b]; ok {
		t.Error("a run with a fault was decided")
	}
}

func TestNotes(t *testing.T) {
	l := newLedger(t)
	base(l)
	l.m.refs["refs/tags/x"] = l.main
	l.closeRun(runID("aaaa"), "ash", KindClosed)
	p, data, err := Reopening{Run: runID("aaaa"), By: "ash", Made: Time(l.now), Reason: "x"}.File(1)
	l.must(err)
	l.commitMain("ash", "Reopen", map[string][]byte{p: data})
	rep := l.wantGood(Options{})
	if got := codes(rep.Notes); !slices.Equal(got, []string{"half_reopened", "other_ref", "root_unchecked"}) {
		t.Errorf("notes %v", got)
	}
	if s := rep.Notes[0].String(); !strings.Contains(s, "other_ref: ") {
		t.Errorf("%s", s)
	}
}
