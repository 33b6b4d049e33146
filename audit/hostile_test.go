package audit

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
)

func TestNamesThatFold(t *testing.T) {
	blob := ObjectID("blob", nil)
	for _, names := range [][]string{{"A", "a"}, {".gitattributes"}, {".GitModules"}, {"git~1"}, {"GIT~1"}} {
		var list []Entry
		for _, n := range names {
			list = append(list, Entry{Name: n, Hash: blob})
		}
		if _, err := ParseTree(EncodeTree(list)); err == nil {
			t.Errorf("a tree with %q was read", names)
		}
	}
}

func TestArmorHasOneForm(t *testing.T) {
	sig, err := testSigner("mk").Sign(NamespaceGit, []byte("x"))
	if err != nil {
		t.Fatal(err)
	}
	again := bytes.Replace(sig, []byte("\n"), nil, 2)
	again = bytes.Replace(again, []byte(strings.TrimSuffix(sigBegin, "\n")), []byte(sigBegin), 1)
	if _, err := VerifySignature(NamespaceGit, []byte("x"), again); err == nil {
		t.Error("a signature wrapped in another way was taken")
	}
}

func TestFaultShowsControlCharacters(t *testing.T) {
	if s := NewFault("ref_bad", "refs/heads/\x1b[2J", "x\u009b").String(); strings.ContainsAny(s, "\x1b\u009b") {
		t.Errorf("%q reaches the terminal", s)
	}
}

// TestTreeThatNamesItself wants an end to a tree of few objects that stands for
// more files than any memory holds.
func TestTreeThatNamesItself(t *testing.T) {
	l := newLedger(t)
	blob := NewObject("blob", []byte("x\n"))
	l.must(l.m.Put(blob))
	at, dir := blob.Hash, false
	for range maxDepth - 4 {
		var list []Entry
		for i := range 32 {
			list = append(list, Entry{Dir: dir, Name: fmt.Sprintf("d%02d", i), Hash: at})
		}
		tree := NewObject("tree", EncodeTree(list))
		l.must(l.m.Put(tree))
		at, dir = tree.Hash, true
	}
	if _, err := diffTrees(l.m, "", at, "", 1); CodeOf(err) != "tree_bad" {
		t.Errorf("diffTrees: %v", err)
	}
	v := &verifier{o: l.m, sums: map[string]string{}, lines: map[string][]line{}}
	if err := v.hashFiles(at, "", map[string]string{}, 1); CodeOf(err) != "tree_bad" {
		t.Errorf("hashFiles: %v", err)
	}
	if _, err := v.treeLines(at, 1); CodeOf(err) != "tree_bad" {
		t.Errorf("treeLines: %v", err)
	}
	if err := readInto(l.m, at, "", map[string][]byte{}, 1); CodeOf(err) != "tree_bad" {
		t.Errorf("readInto: %v", err)
	}
}
