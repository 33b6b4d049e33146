package audit

import (
	"bytes"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestObjectID: the names of the empty blob, the empty tree and "hello\n" that
// every git repository has (git hash-object -t TYPE --stdin).
func TestObjectID(t *testing.T) {
	for _, c := range []struct{ typ, data, want string }{
		{"blob", "", "e69de29bb2d1d6434b8b29ae775ad8c2e48c5391"},
		{"tree", "", "4b825dc642cb6eb9a060e54bf8d69288fbee4904"},
		{"blob", "hello\n", "ce013625030ba8dba906f756967f9e9ca394464a"},
	} {
		if got := ObjectID(c.typ, []byte(c.data)); got != c.want {
			t.Errorf("%s %q: %s, git says %s", c.typ, c.data, got, c.want)
		}
	}
}

// TestBuildTreeAgainstGit: git write-tree over the same files gives the same
// name. "a.b", "a/", "a0" is the order in which a folder sorts as "a/".
func TestBuildTreeAgainstGit(t *testing.T) {
	needTools(t, "git")
	files := map[string][]byte{"a.b": []byte("1\n"), "a/x": []byte("2\n"), "a/y/z": []byte("1\n"), "a0": {}, "README.md": []byte("3\n")}
	root, objects := BuildTree(files)
	dir := t.TempDir()
	t.Setenv("GIT_DIR", filepath.Join(dir, ".git"))
	t.Setenv("GIT_WORK_TREE", dir)
	mustRun(t, nil, "git", "init", "-q", dir)
	for _, p := range slices.Sorted(maps.Keys(files)) {
		if err := os.MkdirAll(filepath.Join(dir, filepath.Dir(p)), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, p), files[p], 0o644); err != nil {
			t.Fatal(err)
		}
	}
	mustRun(t, nil, "git", "-c", "core.autocrlf=false", "add", "-A")
	if got := strings.TrimSpace(mustRun(t, nil, "git", "write-tree")); got != root {
		t.Errorf("root %s, git says %s", root, got)
	}
	if len(objects) != 7 { // four different blobs, three trees
		t.Errorf("%d objects, want 7: the same bytes are stored once", len(objects))
	}
	m := NewMemory()
	_ = m.Put(objects...)
	back := map[string][]byte{}
	if err := readInto(m, root, "", back, 1); err != nil || len(back) != len(files) {
		t.Fatalf("%d files, %v", len(back), err)
	}
	for p := range files {
		if !bytes.Equal(back[p], files[p]) {
			t.Errorf("%s came back as %q", p, back[p])
		}
	}
}

func TestParseTreeRefuses(t *testing.T) {
	hash := strings.Repeat("\x11", 20)
	for name, data := range map[string]string{
		"cut off": "100644 a\x00" + hash[:19], "no name": "100644 \x00" + hash, "executable": "100755 a\x00" + hash, "link": "120000 a\x00" + hash, "module": "160000 a\x00" + hash,
		"zero mode": "040000 a\x00" + hash, "order": "100644 b\x00" + hash + "100644 a\x00" + hash, "twice": "100644 a\x00" + hash + "100644 a\x00" + hash,
		"file and folder": "100644 a\x00" + hash + "100644 a.b\x00" + hash + "40000 a\x00" + hash, "folder order": "40000 a\x00" + hash + "100644 a.b\x00" + hash,
		"slash": "100644 a/b\x00" + hash, "dots": "40000 ..\x00" + hash, "git": "40000 .GIT\x00" + hash, "device": "100644 con.txt\x00" + hash, "space": "100644 a b\x00" + hash,
		"colon": "100644 a:b\x00" + hash, "not ASCII": "100644 \u00e9\x00" + hash, "trailing dot": "100644 a.\x00" + hash, "long": "100644 " + strings.Repeat("a", 201) + "\x00" + hash, "text": "hello",
	} {
		if list, err := ParseTree([]byte(data)); err == nil {
			t.Errorf("%s: read as %v", name, list)
		}
	}
	list, err := ParseTree([]byte("100644 a.b\x00" + hash + "40000 a\x00" + hash + "100644 a0\x00" + hash))
	if err != nil || len(list) != 3 || !list[1].Dir {
		t.Errorf("git's own order: %v, %v", list, err)
	}
	if got := EncodeTree(list); !bytes.HasPrefix(got, []byte("100644 a.b\x00")) || len(got) != 3*20+len("100644 a.b 40000 a 100644 a0 ") {
		t.Errorf("encoded: %q", got)
	}
}

func TestCheckPaths(t *testing.T) {
	for _, bad := range []map[string][]byte{{"a/": nil}, {"/a": nil}, {"a//b": nil}, {"a/../b": nil}, {"A": nil, "a": nil}, {"a": nil, "a/b": nil}, {"A/x": nil, "a/y": nil}, {"a\\b": nil}, {"": nil}, {"aux": nil}} {
		if CheckPaths(bad) == nil {
			t.Errorf("%v was taken", slices.Sorted(maps.Keys(bad)))
		}
	}
	if err := CheckPaths(map[string][]byte{"a/b": nil, "a/c": nil, "b": nil, "A1": nil}); err != nil {
		t.Error(err)
	}
}

func commitSpec() CommitSpec {
	who := NewIdent("mk", "fern", time.Date(2026, 3, 2, 9, 14, 7, 0, time.UTC))
	return CommitSpec{Tree: strings.Repeat("1", 40), Parents: []string{strings.Repeat("2", 40)}, Author: who, Committer: who, Message: "entry\n\nRecord: " + ZeroPrev + "\n"}
}

func TestCommitRoundTrip(t *testing.T) {
	raw, err := BuildCommit(commitSpec(), testSigner("mk"))
	if err != nil {
		t.Fatal(err)
	}
	c, err := ParseCommit(ObjectID("commit", raw), raw)
	if err != nil {
		t.Fatal(err)
	}
	if c.Author != c.Committer || c.Author.ID != "mk" || c.Author.Bench != "fern" || c.Author.Unix != 1772442847 || len(c.Parents) != 1 {
		t.Errorf("%+v", c)
	}
	if key, err := VerifySignature(NamespaceGit, c.Payload, c.Signature); err != nil || Fingerprint(key) != Fingerprint(testSigner("mk").Public()) {
		t.Errorf("signature: %v", err)
	}
	if v, err := findTrailer(c.Message, TrailerRecord); err != nil || v != ZeroPrev {
		t.Errorf("trailer %q, %v", v, err)
	}
}

func TestParseCommitRefuses(t *testing.T) {
	raw, err := BuildCommit(commitSpec(), testSigner("mk"))
	if err != nil {
		t.Fatal(err)
	}
	author, tree, parent := "author mk <mk@fern.invalid> 1772442847 +0000\n", "tree "+strings.Repeat("1", 40)+"\n", "parent "+strings.Repeat("2", 40)+"\n"
	for _, c := range []struct{ name, old, new string }{
		{"author twice", author, author + author}, {"tree twice", tree, tree + tree}, {"no tree", tree, ""}, {"tree after parent", tree + parent, parent + tree},
		{"encoding", "gpgsig ", "encoding latin1\ngpgsig "}, {"second signature", "gpgsig ", "gpgsig x\ngpgsig "}, {"signature of the other hash", "gpgsig ", "gpgsig-sha256 "},
		{"zone", "+0000\ncommitter", "+0100\ncommitter"}, {"negative zone", "+0000\ncommitter", "-0000\ncommitter"}, {"two names", "author mk <mk@", "author mk <ash@"},
		{"mail elsewhere", ".invalid> 1772442847 +0000\ncommitter", ".example> 1772442847 +0000\ncommitter"}, {"leading zero", " 1772442847 +0000\ncommitter", " 01772442847 +0000\ncommitter"},
		{"parent short", parent, "parent 22\n"}, {"parent upper", parent, "parent " + strings.Repeat("A", 40) + "\n"}, {"no message", "\n\nentry\n\nRecord: " + ZeroPrev + "\n", "\n"},
		{"control in message", "entry", "en\x1b[31mtry"}, {"no final line feed", ZeroPrev + "\n", ZeroPrev}, {"empty subject", "\n\nentry", "\n\n\nentry"}, {"header after signature", "END SSH SIGNATURE-----\n", "END SSH SIGNATURE-----\nmergetag x\n"},
		{"committer gone", "committer mk <mk@fern.invalid> 1772442847 +0000\n", ""}, {"bad UTF-8", "entry", "entr\xff"},
	} {
		changed := strings.Replace(string(raw), c.old, c.new, 1)
		if changed == string(raw) {
			t.Fatalf("%s: nothing to replace", c.name)
		}
		if _, err := ParseCommit("", []byte(changed)); err == nil {
			t.Errorf("%s: was read", c.name)
		}
	}
	unsigned := commitSpec()
	if _, err := ParseCommit("", unsigned.encode(nil)); err == nil {
		t.Error("an unsigned commit was read")
	}
}

func TestMessageAndTrailer(t *testing.T) {
	h := Hash(nil)
	m, err := Message("feed_pressure: 61 psi", "value 61 psi, typed\n", TrailerRecord, h)
	if err != nil || m != "feed_pressure: 61 psi\n\nvalue 61 psi, typed\n\nRecord: "+h+"\n" {
		t.Errorf("%q, %v", m, err)
	}
	for _, c := range [][3]string{{"", "", h}, {"a\nb", "", h}, {"a", "Record: x", h}, {"a", "record: " + h, h}, {"a", "\x07", h}, {"Record: " + h, "", h}, {"a", "", "sha256:00"}, {"a\tb", "", h}} {
		if m, err := Message(c[0], c[1], TrailerRecord, c[2]); err == nil {
			t.Errorf("%q was made", m)
		}
	}
	for _, m := range []string{"a\n\nRecord: " + h + "\nmore\n", "a\nRecord: " + h + "\n", "Record: " + h + "\n", "a\n\nRecord: " + strings.ToUpper(h) + "\n", "a\n\nrecord: " + h + "\n", "a\n\nRecord: " + h + "\n\nRecord: " + h + "\n", "a\n"} {
		if v, err := findTrailer(m, TrailerRecord); err == nil {
			t.Errorf("%q gave %s", m, v)
		}
	}
}

func TestVerifySignatureRefuses(t *testing.T) {
	msg := []byte("words")
	sig, err := testSigner("mk").Sign(NamespaceGit, msg)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := VerifySignature(NamespaceCheckpoint, msg, sig); err == nil || !strings.Contains(err.Error(), "namespace") {
		t.Errorf("another namespace: %v", err)
	}
	if _, err := VerifySignature(NamespaceGit, []byte("Words"), sig); err == nil {
		t.Error("other bytes were taken")
	}
	for i := range sig {
		changed := bytes.Clone(sig)
		changed[i] ^= 1
		if _, err := VerifySignature(NamespaceGit, msg, changed); err == nil {
			t.Errorf("a signature with bit 0 of byte %d flipped was taken", i)
		}
	}
	for name, s := range map[string]string{"empty": "", "before": "x" + string(sig), "after": string(sig) + "x", "cut": string(sig[:100]), "nothing inside": sigBegin + sigEnd, "short": sigBegin + "U1NI\n" + sigEnd} {
		if _, err := VerifySignature(NamespaceGit, msg, []byte(s)); err == nil {
			t.Errorf("%s: was taken", name)
		}
	}
	if _, err := testSigner("mk").Sign("", msg); err == nil {
		t.Error("a signature without namespace was made")
	}
}

func TestPrivateKeyFile(t *testing.T) {
	key := testKey("mk")
	file := MarshalPrivateKey(key, "mk@fern")
	if got, err := ParsePrivateKey(bytes.ReplaceAll(file, []byte("\n"), []byte("\r\n"))); err != nil || !got.Equal(key) {
		t.Errorf("read back with other line ends: %v", err)
	}
	for i := len(privBegin); i < len(file)-len(privEnd); i++ {
		changed := bytes.Clone(file)
		changed[i] = 'A' + (changed[i]-'A'+1)%26
		if got, err := ParsePrivateKey(changed); err == nil && !got.Equal(key) {
			t.Errorf("byte %d changed: another key was read", i)
		}
	}
	for name, s := range map[string]string{"empty": "", "cut": string(file[:200]), "public": PublicKeyLine(testSigner("mk").Public()), "nothing": privBegin + privEnd} {
		if _, err := ParsePrivateKey([]byte(s)); err == nil {
			t.Errorf("%s: was read", name)
		}
	}
}
