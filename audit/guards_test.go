package audit

import (
	"bytes"
	"encoding/base64"
	"strings"
	"testing"
	"time"
)

// Guards that lie behind another one: what only they refuse.

func TestRecordGuards(t *testing.T) {
	r := goodRecord()
	r.Seq, r.Prev = 0, Hash(nil)
	if _, err := r.Bytes(); err == nil {
		t.Error("seq 0 with a prev was written")
	}
	b, err := goodRecord().Bytes()
	if err != nil {
		t.Fatal(err)
	}
	big := strings.Replace(string(b), `"feed_pressure"`, `"`+strings.Repeat("a", maxRecord)+`"`, 1)
	if _, err := ParseRecord([]byte(big)); err == nil || !strings.Contains(err.Error(), "limit") {
		t.Errorf("a record beyond the limit, well formed otherwise: %v", err)
	}
	if _, err := CanonicalJSON([]byte(`"\u00`)); err == nil {
		t.Error("an escape cut off at the end of the text was read")
	}
}

func TestSignatureGuards(t *testing.T) {
	sig, err := testSigner("mk").Sign(NamespaceGit, []byte("x"))
	if err != nil {
		t.Fatal(err)
	}
	text := strings.ReplaceAll(strings.TrimSuffix(strings.TrimPrefix(string(sig), sigBegin), sigEnd), "\n", "")
	raw, err := base64.StdEncoding.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	for n := range raw {
		if _, err := VerifySignature(NamespaceGit, []byte("x"), armor(raw[:n])); err == nil {
			t.Errorf("a signature cut to %d bytes was taken", n)
		}
	}
	if _, err := VerifySignature(NamespaceGit, []byte("x"), armor(append(raw, 0))); err == nil {
		t.Error("a signature with one byte more was taken")
	}
	if _, err := VerifySignature(NamespaceGit, []byte("x"), sig[len(sigBegin):]); err == nil {
		t.Error("a signature without its first line was taken")
	}
	line := PublicKeyLine(testSigner("mk").Public())
	blob := keyBlob(testSigner("mk").Public())
	blob[5] ^= 1
	for name, s := range map[string]string{"empty": "", "one word": "ssh-ed25519", "other kind": strings.Replace(line, "ed25519", "ed25518", 1), "short": "ssh-ed25519 AAAA",
		"not base64": "ssh-ed25519 ????", "other kind inside": "ssh-ed25519 " + base64.StdEncoding.EncodeToString(blob)} {
		if _, err := ParsePublicKeyLine(s); err == nil {
			t.Errorf("%s: was read as a key", name)
		}
	}
	for _, s := range []string{"mk\n", "mk x\n", "mk x y\n", "mk " + allowedSpaces + "\n", " \n"} {
		if _, err := ParseAllowed([]byte(s)); err == nil {
			t.Errorf("%q was read as a list of keys", s)
		}
	}
}

func TestCheckpointTwice(t *testing.T) {
	c := Checkpoint{Bench: "fern", Main: ObjectID("blob", nil), Records: 6, Runs: []CheckpointRun{{runID("aaaa"), 3, Hash(nil)}, {runID("aaaa"), 3, Hash(nil)}}}
	if _, err := ParseCheckpoint(c.Text()); err == nil {
		t.Error("a run that stands twice was read")
	}
}

func TestRegisterGuards(t *testing.T) {
	run := runID("aaaa")
	made := Time(time.Unix(0, 0))
	_, opened, err := RunOpened{Run: run, By: "mk", Made: made, Unit: "u", Protocol: "p"}.File()
	if err != nil {
		t.Fatal(err)
	}
	_, closed, err := Closing{Run: run, By: "mk", Made: made, How: HowClosed, Seq: 3, Record: Hash(nil)}.File(1)
	if err != nil {
		t.Fatal(err)
	}
	_, never, err := Closing{Run: run, By: "mk", Made: made, How: HowNeverStarted, Record: ZeroPrev}.File(1)
	if err != nil {
		t.Fatal(err)
	}
	_, reopened, err := Reopening{Run: run, By: "mk", Made: made, Reason: "x"}.File(1)
	if err != nil {
		t.Fatal(err)
	}
	_, head, err := Head{Run: run, Seq: 3, Record: Hash(nil)}.File()
	if err != nil {
		t.Fatal(err)
	}
	named, err := Marshal(EditionNamed{Format: RegisterFormat, Edition: "first", Commit: ObjectID("blob", nil)})
	if err != nil {
		t.Fatal(err)
	}
	more := func(b []byte) []byte { return bytes.Replace(b, []byte(`"format"`), []byte(`"extra":1,"format"`), 1) }
	swap := func(b []byte, old, new string) []byte { return bytes.Replace(b, []byte(old), []byte(new), 1) }
	at := "register/" + run + "/"
	good := map[string][]byte{at + "opened.json": opened, at + "closed-1.json": closed, at + "reopened-1.json": reopened, at + "head.json": head, "register/editions/first.json": named}
	if _, err := ParseRegister(good); err != nil {
		t.Fatal(err)
	}
	if _, err := ParseRegister(map[string][]byte{at + "opened.json": opened, at + "closed-1.json": never}); err != nil {
		t.Fatal(err)
	}
	for name, files := range map[string]map[string][]byte{
		"unknown field in a head":      {at + "head.json": more(head)},
		"unknown field in a closing":   {at + "closed-1.json": more(closed)},
		"unknown field in a reopening": {at + "closed-1.json": closed, at + "reopened-1.json": more(reopened)},
		"unknown field in an edition":  {"register/editions/first.json": more(named)},
		"edition without commit":       {"register/editions/first.json": swap(named, ObjectID("blob", nil), "x")},
		"closed at record 0":           {at + "closed-1.json": swap(closed, `"seq":3`, `"seq":0`)},
		"closed at zeros":              {at + "closed-1.json": swap(closed, Hash(nil), ZeroPrev)},
		"never started at record 3":    {at + "closed-1.json": swap(never, `"seq":0`, `"seq":3`)},
		"never started with a record":  {at + "closed-1.json": swap(never, ZeroPrev, Hash(nil))},
		"never started with a head":    {at + "closed-1.json": never, at + "head.json": head},
		"by nobody":                    {at + "closed-1.json": swap(closed, `"mk"`, `"M K"`)},
		"a name beside checkpoints":    {"register/checkpoints/x.sig": nil},
		"a run with another id":        {"register/x/opened.json": swap(opened, run, "x")},
		"second closing alone":         {at + "closed-2.json": closed, at + "reopened-1.json": reopened},
		"second reopening alone":       {at + "closed-1.json": closed, at + "closed-2.json": closed, at + "closed-3.json": closed, at + "reopened-2.json": reopened},
		"reopened, never closed":       {at + "reopened-1.json": reopened},
	} {
		if files[at+"opened.json"] == nil {
			files[at+"opened.json"] = opened
		}
		if _, err := ParseRegister(files); err == nil {
			t.Errorf("%s: was read", name)
		}
	}
	for name, c := range map[string]Closing{"no record": {How: HowClosed}, "no how": {Seq: 3, Record: Hash(nil)}} {
		if _, _, err := c.File(1); err == nil {
			t.Errorf("%s: a closing was made", name)
		}
	}
}

func TestManifestGuards(t *testing.T) {
	b, err := MakeManifest(Manifest{ID: "first", Made: Time(time.Unix(0, 0))}, map[string][]byte{"a": {1}, "b": {2}, ManifestFile: {3}})
	if err != nil {
		t.Fatal(err)
	}
	m, err := ParseManifest(b)
	if err != nil || len(m.Files) != 2 || m.Files[1] != (FileHash{"b", Hash([]byte{2})}) {
		t.Fatalf("%+v, %v", m, err)
	}
	for name, spoil := range map[string]func(m *Manifest){
		"no time": func(m *Manifest) { m.Made = "" }, "bad id": func(m *Manifest) { m.ID = "A" }, "format": func(m *Manifest) { m.Format = "manifest/2" },
		"order": func(m *Manifest) { m.Files[0], m.Files[1] = m.Files[1], m.Files[0] }, "twice": func(m *Manifest) { m.Files[1] = m.Files[0] }, "hash": func(m *Manifest) { m.Files[0].SHA256 = "x" },
	} {
		x := m
		x.Files = append([]FileHash(nil), m.Files...)
		spoil(&x)
		bad, err := Marshal(x)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := ParseManifest(bad); err == nil {
			t.Errorf("%s: was read", name)
		}
	}
}

func TestReadGuards(t *testing.T) {
	l := newLedger(t)
	base(l)
	b := runID("bbbb")
	l.forge(b, "entry", "moss", func(d *draft) { d.spec.Parents = nil })
	if _, _, err := ReadRun(l.m, l.heads[b]); err == nil || !strings.Contains(err.Error(), "0 parents") {
		t.Errorf("a record without a parent: %v", err)
	}
	l.forge(b, "entry", "moss", func(d *draft) { d.entries = []Entry{} })
	if _, _, err := ReadRun(l.m, l.heads[b]); CodeOf(err) != "tree_extra" {
		t.Errorf("a commit without a record: %v", err)
	}
	root, objects := BuildTree(map[string][]byte{strings.Repeat("a/", maxDepth+1) + "x": nil})
	l.must(l.m.Put(objects...))
	if err := readInto(l.m, root, "", map[string][]byte{}, 1); err == nil || !strings.Contains(err.Error(), "deeper") {
		t.Errorf("too many folders: %v", err)
	}
}
