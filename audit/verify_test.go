package audit

import (
	"slices"
	"testing"
)

// fullLedger goes the whole way: two runs, a closing, a late report, a
// reopening, an ended key, an edition, a kept checkpoint.
func fullLedger(t *testing.T) *ledger {
	t.Helper()
	l := newLedger(t)
	a, b := runID("aaaa"), runID("bbbb")
	l.open(a, "ash")
	l.add(a, "entry", "ash")
	l.add(a, "entry", "moss")
	l.open(b, "moss")
	l.add(b, "entry", "moss")
	l.closeRun(a, "ash", KindClosed)
	l.add(a, "report", "ash")
	l.reopen(a, "ash")
	l.add(a, "entry", "ash")
	cp := l.checkpoint()
	text, sig := SplitCheckpoint(cp)
	l.commitMain("ash", "Keep a checkpoint", CheckpointFiles(text, sig))
	l.closeRun(a, "ash", KindClosed)
	l.publish("first", "ash", nil)
	l.closeRun(b, "moss", KindAbandoned)
	l.endKey("moss", "ash")
	return l
}

func TestVerifyWholeLedger(t *testing.T) {
	l := fullLedger(t)
	root := Fingerprint(testSigner("ash").Public())
	rep := l.wantGood(Options{Root: root, Since: [][]byte{l.checkpoint()}})
	if rep.Bench != testBench || rep.Simulated != "yes" || rep.Runs != 2 || rep.Records != 11 || rep.Editions != 1 ||
		rep.Root != root || rep.RootChecked != "yes" || rep.Main != l.main || rep.Changes != len(l.mains) {
		t.Errorf("report %+v", rep)
	}
	if len(rep.Notes) != 0 {
		t.Errorf("notes %v", rep.Notes)
	}
	rep = l.verify(Options{Root: Fingerprint(testSigner("moss").Public())})
	if !slices.Equal(codes(rep.Faults), []string{"root_other"}) {
		t.Errorf("another root: %v", rep.Faults)
	}
	if got := codes(l.wantGood(Options{}).Notes); !slices.Equal(got, []string{"root_unchecked"}) {
		t.Errorf("no root given: %v", got)
	}
}
