package audit

import (
	"maps"
	"slices"
	"strings"
	"testing"
	"time"
)

func TestReadRunAndFiles(t *testing.T) {
	l := fullLedger(t)
	a := runID("aaaa")
	recs, commits, err := ReadRun(l.m, l.heads[a])
	if err != nil || len(recs) != 8 || len(commits) != 8 || recs[0].Kind != KindOpened || recs[7].Kind != KindClosed || commits[7].Hash != l.heads[a] {
		t.Fatalf("%d records, %d commits, %v", len(recs), len(commits), err)
	}
	files, err := ReadFiles(l.m, l.heads[a])
	l.must(err)
	names := slices.Sorted(maps.Keys(files))
	want := []string{"record.json"}
	for i := range recs {
		want = append(want, "records/"+RecordName(int64(i+1)))
	}
	if !slices.Equal(names, want) || string(files["records/000008.json"]) != string(files["record.json"]) {
		t.Errorf("files of the closing commit: %v", names)
	}
	for _, c := range []struct {
		old, new string
		want     bool
	}{{l.mains[0], l.main, true}, {l.main, l.main, true}, {l.main, l.mains[0], false}, {commits[0].Hash, l.heads[a], true}, {l.heads[runID("bbbb")], l.heads[a], false}} {
		if got, err := Ancestor(l.m, c.old, c.new); err != nil || got != c.want {
			t.Errorf("ancestor %s of %s: %v, %v", c.old, c.new, got, err)
		}
	}
	if _, _, err := ReadRun(l.m, l.main); err == nil {
		t.Error("main was read as a run")
	}
	if b, found, err := ReadFile(l.m, l.main, "README.md"); err != nil || !found || len(b) == 0 {
		t.Errorf("README: %v, %v", found, err)
	}
	for _, p := range []string{"none", "README.md/x", "documents", "documents/none/x"} {
		if b, found, err := ReadFile(l.m, l.main, p); err != nil || found || b != nil {
			t.Errorf("%s: %v, %v", p, found, err)
		}
	}
}

// TestReadRunNamesDamage: a reader other than Verify also stops at damage, and
// says which.
func TestReadRunNamesDamage(t *testing.T) {
	l := newLedger(t)
	base(l)
	b := runID("bbbb")
	l.forge(b, "entry", "moss", func(d *draft) { d.rec.Prev = Hash([]byte("x")) })
	if _, _, err := ReadRun(l.m, l.heads[b]); err == nil || !strings.Contains(err.Error(), "does not follow") {
		t.Errorf("wrong prev: %v", err)
	}
	delete(l.m.objects, l.blobAt(l.heads[b], RecordFile))
	if _, _, err := ReadRun(l.m, l.heads[b]); CodeOf(err) != "object_missing" {
		t.Errorf("record gone: %v", err)
	}
}

func TestNewMainCommit(t *testing.T) {
	l := newLedger(t)
	spec := MainSpec{Parent: l.main, Put: map[string][]byte{"README.md": []byte("x\n")}, Bench: testBench, Author: "ash", Date: l.now, Subject: "Say more"}
	hash, objects, err := NewMainCommit(l.m, spec, testSigner("ash"))
	if err != nil || len(objects) != 3 || objects[2].Hash != hash {
		t.Errorf("%d objects, want blob, tree and commit, the commit last: %v", len(objects), err)
	}
	for name, spoil := range map[string]func(s *MainSpec){
		"earlier date": func(s *MainSpec) { s.Date = s.Date.Add(-time.Second) }, "two lines": func(s *MainSpec) { s.Subject = "a\nb" }, "trailer in text": func(s *MainSpec) { s.Text = "Tree: x" },
		"bad path": func(s *MainSpec) { s.Put = map[string][]byte{"a\\b": nil} }, "path over a folder": func(s *MainSpec) { s.Put = map[string][]byte{"documents": nil} },
		"bad author": func(s *MainSpec) { s.Author = "A" }, "no bench": func(s *MainSpec) { s.Bench = "" }, "unknown parent": func(s *MainSpec) { s.Parent = strings.Repeat("0", 40) },
	} {
		s := spec
		spoil(&s)
		if _, _, err := NewMainCommit(l.m, s, testSigner("ash")); err == nil {
			t.Errorf("%s: was made", name)
		}
	}
}

func TestNewRunCommitRefuses(t *testing.T) {
	l := newLedger(t)
	base(l)
	r := l.next(runID("bbbb"), KindClosed, "moss")
	first := r
	first.Seq, first.Prev = 1, ZeroPrev
	bad := r
	bad.Kind = "No"
	for name, s := range map[string]RunSpec{
		"first on another main": {Record: first, Parent: l.mains[0]}, "bad record": {Record: bad, Parent: l.heads[r.Run]}, "closing without its run": {Record: r, Parent: l.main},
	} {
		s.Bench, s.Subject = testBench, "x"
		if _, _, err := NewRunCommit(l.m, s, testSigner("moss")); err == nil {
			t.Errorf("%s: was made", name)
		}
	}
}

func TestNewEditionCommitRefuses(t *testing.T) {
	l := newLedger(t)
	m, err := MakeManifest(Manifest{ID: "first", Made: Time(l.now)}, map[string][]byte{"a": nil})
	l.must(err)
	good := EditionSpec{ID: "first", Main: l.main, Files: map[string][]byte{"a": nil, ManifestFile: m}, Bench: testBench, Author: "ash", Date: l.now, Subject: "Publish"}
	if _, _, err := NewEditionCommit(good, testSigner("ash")); err != nil {
		t.Fatal(err)
	}
	for name, spoil := range map[string]func(s *EditionSpec){
		"no manifest": func(s *EditionSpec) { s.Files = map[string][]byte{"a": nil} }, "manifest of another": func(s *EditionSpec) { s.ID = "second" },
		"bad manifest": func(s *EditionSpec) { s.Files = map[string][]byte{ManifestFile: []byte("{}\n")} }, "bad path": func(s *EditionSpec) { s.Files = map[string][]byte{"a b": nil, ManifestFile: m} },
	} {
		s := good
		spoil(&s)
		if _, _, err := NewEditionCommit(s, testSigner("ash")); err == nil {
			t.Errorf("%s: was made", name)
		}
	}
}

// TestRegisterFiles: heads that moved, editions that are new, and nothing else.
func TestRegisterFiles(t *testing.T) {
	l := newLedger(t)
	base(l)
	files, err := RegisterFiles(l.m, l.main)
	l.must(err)
	if got := slices.Sorted(maps.Keys(files)); !slices.Equal(got, []string{"register/" + runID("bbbb") + "/head.json"}) {
		t.Errorf("%v", got)
	}
	l.publish("first", "ash", nil)
	l.commitMain("ash", "Say more", nil)
	if files, err = RegisterFiles(l.m, l.main); err != nil || len(files) != 0 {
		t.Errorf("%v, %v", slices.Sorted(maps.Keys(files)), err)
	}
	// A head that main named is never lowered.
	l.cut(runID("bbbb"), 1)
	if files, err = RegisterFiles(l.m, l.main); err == nil || !strings.Contains(err.Error(), "main names record 2 of it") {
		t.Errorf("a cut run: %v, %v", files, err)
	}
	reg, err := ReadRegister(l.m, l.main)
	if err != nil || reg.Editions["first"] != l.m.refs[RefEditions+"first"] || reg.Runs[runID("bbbb")].Head.Seq != 2 || !slices.Equal(reg.Sorted(), []string{runID("aaaa"), runID("bbbb")}) {
		t.Errorf("%+v, %v", reg, err)
	}
	l.m.refs[RefRuns+runID("cccc")] = l.heads[runID("aaaa")]
	if _, err := RegisterFiles(l.m, l.main); err == nil {
		t.Error("a run without an entry was passed over")
	}
	delete(l.m.refs, RefRuns+runID("cccc"))
	l.m.refs[RefRuns+runID("bbbb")] = l.heads[runID("aaaa")]
	if _, err := RegisterFiles(l.m, l.main); err == nil {
		t.Error("a ref that leads to another run was passed over")
	}
}

func TestMakeCheckpoint(t *testing.T) {
	l := newLedger(t)
	base(l)
	l.closeRun(runID("aaaa"), "ash", KindClosed)
	l.registerRun(runID("cccc"), "ash")
	c, err := MakeCheckpoint(l.m, l.main)
	if err != nil || c.Bench != testBench || c.Main != l.main || c.Records != 6 || len(c.Runs) != 2 || c.Runs[0].Run != runID("bbbb") || c.Runs[0].Seq != 2 ||
		c.Runs[1] != (CheckpointRun{runID("cccc"), 0, ZeroPrev}) {
		t.Errorf("%+v, %v", c, err)
	}
	l.add(runID("aaaa"), "note", "ash")
	if c, err = MakeCheckpoint(l.m, l.main); err != nil || len(c.Runs) != 3 || c.Runs[0].Seq != 5 {
		t.Errorf("a note after closing needs a line: %+v, %v", c, err)
	}
}

func TestMemory(t *testing.T) {
	m := NewMemory()
	if err := m.SetRef("refs/heads/main", "", "a"); err != nil {
		t.Fatal(err)
	}
	if m.SetRef("refs/heads/main", "", "b") == nil || m.SetRef("refs/heads/main", "c", "b") == nil {
		t.Error("a ref moved from where it was not")
	}
	refs, _ := m.Refs()
	refs["refs/heads/main"] = "x"
	if again, _ := m.Refs(); again["refs/heads/main"] != "a" {
		t.Error("the refs were changed from outside")
	}
	if err := m.SetRef("refs/heads/main", "a", ""); err != nil {
		t.Fatal(err)
	}
	if refs, _ := m.Refs(); len(refs) != 0 {
		t.Error("the ref was not taken away")
	}
	if _, _, err := m.Object("a"); err == nil {
		t.Error("an object that is not there was given")
	}
}
