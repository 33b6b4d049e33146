package audit

import (
	"bytes"
	"maps"
	"slices"
	"testing"
)

// relink replaces the record of one commit of a run by other bytes, as someone
// without a key can: new names for blob, tree and commit, and every later
// commit with its parent's new name, all signatures as they were.
func relink(l *ledger, run string, seq int, data []byte) {
	l.t.Helper()
	_, commits, err := ReadRun(l.m, l.heads[run])
	l.must(err)
	parent := ""
	for i, c := range commits[seq-1:] {
		spec := CommitSpec{Tree: c.Tree, Parents: c.Parents, Author: c.Author, Committer: c.Committer, Message: c.Message}
		if i == 0 {
			blob := NewObject("blob", data)
			tree := NewObject("tree", EncodeTree([]Entry{{Name: RecordFile, Hash: blob.Hash}}))
			l.must(l.m.Put(blob, tree))
			spec.Tree = tree.Hash
		} else {
			spec.Parents = []string{parent}
		}
		o := NewObject("commit", spec.encode(c.Signature))
		l.must(l.m.Put(o))
		parent = o.Hash
	}
	l.m.refs[RefRuns+run] = parent
}

// TestEveryRelinkedBitCounts flips bits of a record where git's own names all
// fit again: it is signatures, trailers and the chain that must notice, not
// the names of objects.
func TestEveryRelinkedBitCounts(t *testing.T) {
	l := newLedger(t)
	base(l)
	a := runID("aaaa")
	head := l.heads[a]
	raw, err := object(l.m, l.blobAt(l.headOfSeq(a, 2), RecordFile), "blob")
	l.must(err)
	for bit := 0; bit < 8*len(raw); bit += 11 {
		changed := bytes.Clone(raw)
		changed[bit/8] ^= 1 << (bit % 8)
		relink(l, a, 2, changed)
		got := map[string]bool{}
		for _, f := range l.verify(Options{}).Faults {
			got[f.Code] = true
		}
		if !got["signature"] || !got["trailer"] {
			t.Errorf("bit %d of byte %d flipped, names fit again: %v", bit%8, bit/8, slices.Sorted(maps.Keys(got)))
		}
		l.m.refs[RefRuns+a] = head
	}
	l.wantGood(Options{})
}

// headOfSeq gives the commit of a run's record.
func (l *ledger) headOfSeq(run string, seq int) string {
	l.t.Helper()
	_, commits, err := ReadRun(l.m, l.heads[run])
	l.must(err)
	return commits[seq-1].Hash
}
