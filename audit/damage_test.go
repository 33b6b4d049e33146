package audit

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
)

// spoiledCase is a ledger with damage that a bundle cannot carry, or that
// needs no vector.
type spoiledCase struct {
	name  string
	codes []string
	spoil func(l *ledger)
	since func(l *ledger) []byte
}

// spoiledCases lists all of them.
func spoiledCases() []spoiledCase {
	return slices.Concat(objectCases(), mainCases(), keyCases(), registerCases(), runCases(), editionCases(), manifestCases(), checkpointCases())
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

// The two runs of base.
var (
	caseA = runID("aaaa")
	caseB = runID("bbbb")
)

func dropObject(hash func(l *ledger) string) func(l *ledger) {
	return func(l *ledger) { delete(l.m.objects, hash(l)) }
}

func alterObject(hash func(l *ledger) string) func(l *ledger) {
	return func(l *ledger) {
		o := l.m.objects[hash(l)]
		o.Data = append(bytes.Clone(o.Data), ' ')
		l.m.objects[o.Hash] = o
	}
}

func headA(l *ledger) string   { return l.heads[caseA] }
func recordA(l *ledger) string { return l.blobAt(l.heads[caseA], RecordFile) }

func putFile(l *ledger, path string, data string) {
	l.commitMain("ash", "Put a file", map[string][]byte{path: []byte(data)})
}

// forgeEntry spoils one further entry of run bbbb.
func forgeEntry(spoil func(l *ledger, d *draft)) func(l *ledger) {
	return func(l *ledger) { l.forge(caseB, "entry", "moss", func(d *draft) { spoil(l, d) }) }
}

// forgeSheet closes run bbbb with another sheet of records.
func forgeSheet(f func(blobs []string) RawObject) func(l *ledger) {
	return func(l *ledger) {
		blobs, err := recordBlobs(l.m, l.heads[caseB])
		l.must(err)
		l.forge(caseB, KindClosed, "moss", func(d *draft) {
			raw, err := d.rec.Bytes()
			l.must(err)
			tree := f(append(blobs, ObjectID("blob", raw)))
			l.must(l.m.Put(tree))
			d.entries = []Entry{{Name: RecordFile}, {Dir: true, Name: RecordsDir, Hash: tree.Hash}}
		})
	}
}

// forgeEdition publishes an edition whose commit change has spoiled.
func forgeEdition(l *ledger, change func(c *CommitSpec)) {
	hash := l.publish("first", "ash", nil)
	c, err := ReadCommit(l.m, hash)
	l.must(err)
	spec := CommitSpec{Tree: c.Tree, Parents: c.Parents, Author: c.Author, Committer: c.Committer, Message: c.Message}
	change(&spec)
	raw, err := BuildCommit(spec, testSigner("ash"))
	l.must(err)
	forged := NewObject("commit", raw)
	l.must(l.m.Put(forged))
	l.must(l.m.SetRef(RefEditions+"first", hash, forged.Hash))
}

// manifestIs makes an edition's tree hold nothing but a manifest, spoiled.
func manifestIs(l *ledger, m Manifest, spoil func(b []byte) []byte) func(c *CommitSpec) {
	return func(c *CommitSpec) {
		b, err := MakeManifest(m, nil)
		l.must(err)
		if spoil != nil {
			b = spoil(b)
		}
		root, objects := BuildTree(map[string][]byte{ManifestFile: b})
		l.must(l.m.Put(objects...))
		c.Tree, c.Message = root, "Publish\n\nManifest: "+Hash(b)+"\n"
	}
}

// forgeMainCommit commits what main holds, with every head, under a commit
// that change has spoiled.
func forgeMainCommit(l *ledger, change func(c *CommitSpec)) {
	all := mainFiles(l)
	root, objects := BuildTree(all)
	message, err := Message("Change main", "", TrailerTree, Hash(TreeLines(all)))
	l.must(err)
	who := NewIdent("ash", testBench, l.now)
	spec := CommitSpec{Tree: root, Parents: []string{l.main}, Author: who, Committer: who, Message: message}
	change(&spec)
	raw, err := BuildCommit(spec, testSigner("ash"))
	l.must(err)
	c := NewObject("commit", raw)
	l.must(l.m.Put(append(objects, c)...))
	l.must(l.m.SetRef(RefMain, l.main, c.Hash))
	l.main = c.Hash
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
	const every = 37 // one bit in 37, which visits all eight bits of a byte in turn
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
	for _, name := range slices.Sorted(maps.Keys(refs)) {
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
