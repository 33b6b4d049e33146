package audit

import (
	"bytes"
	"strings"
	"testing"
	"time"
)

func TestAllowed(t *testing.T) {
	var a Allowed
	for _, p := range []string{"bench", "mk", "jo"} {
		var err error
		if a, err = a.Add(p, testSigner(p).Public()); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := a.Add("other", testSigner("mk").Public()); err == nil {
		t.Error("one key under two names was taken")
	}
	if _, err := a.Add("M K", testSigner("x").Public()); err == nil {
		t.Error("a bad id was taken")
	}
	at := time.Date(2026, 3, 2, 18, 14, 7, 5e8, time.FixedZone("east", 9*3600))
	b, err := a.End(Fingerprint(testSigner("jo").Public()), at)
	if err != nil || !a.Has("jo") || b.Has("jo") || !b.Has("mk") {
		t.Fatalf("ended: %v", err)
	}
	if want := `jo namespaces="git,checkpoint@tapledger",valid-before="20260302091407Z" ssh-ed25519 `; !strings.Contains(string(b.Format()), want) {
		t.Errorf("%s", b.Format())
	}
	back, err := ParseAllowed(b.Format())
	if err != nil || string(back.Format()) != string(b.Format()) {
		t.Fatalf("read back: %v", err)
	}
	if _, err := b.End(Fingerprint(testSigner("jo").Public()), at); err == nil {
		t.Error("a key ended twice")
	}
	if _, err := b.End("SHA256:x", at); err == nil {
		t.Error("an unknown key ended")
	}
	if err := b.grewFrom(a); err != nil {
		t.Error(err)
	}
	later := Allowed{Lines: append([]AllowedKey(nil), b.Lines...)}
	later.Lines[2].Ended = later.Lines[2].Ended.Add(time.Hour)
	swapped := Allowed{Lines: []AllowedKey{a.Lines[1], a.Lines[0], a.Lines[2]}}
	for name, c := range map[string][2]Allowed{"taken back": {a, b}, "moved": {later, b}, "shorter": {{Lines: a.Lines[:2]}, a}, "swapped": {swapped, a}} {
		if c[0].grewFrom(c[1]) == nil {
			t.Errorf("%s: was taken", name)
		}
	}
}

func TestParseAllowedRefuses(t *testing.T) {
	a, err := Allowed{}.Add("mk", testSigner("mk").Public())
	if err != nil {
		t.Fatal(err)
	}
	good := string(a.Format())
	for name, s := range map[string]string{
		"empty": "", "no line feed": strings.TrimSuffix(good, "\n"), "comment": "# keys\n" + good, "empty line": good + "\n", "twice": good + good, "carriage return": strings.ReplaceAll(good, "\n", "\r\n"),
		"no Z": strings.Replace(good, `" ssh`, `",valid-before="20260302091407" ssh`, 1), "date only": strings.Replace(good, `" ssh`, `",valid-before="20260302Z" ssh`, 1),
		"valid-after": strings.Replace(good, `" ssh`, `",valid-after="20260302091407Z" ssh`, 1), "bad date": strings.Replace(good, `" ssh`, `",valid-before="20260230091407Z" ssh`, 1),
		"all namespaces": strings.Replace(good, ` namespaces="git,checkpoint@tapledger"`, "", 1), "one namespace": strings.Replace(good, ",checkpoint@tapledger", "", 1), "authority": strings.Replace(good, "namespaces", "cert-authority,namespaces", 1),
		"two people": "mk,jo" + good[2:], "pattern": "*" + good[2:], "comment after the key": strings.Replace(good, "\n", " mk\n", 1), "two spaces": strings.Replace(good, " ssh", "  ssh", 1),
		"other kind": strings.Replace(good, "ssh-ed25519", "ssh-rsa", 1), "key cut": good[:len(good)-5] + "\n", "key of other kind inside": strings.Replace(good, "C3NzaC1lZDI1NTE5", "C3NzaC1lZDI1NTE4", 1),
	} {
		if s == good {
			t.Fatalf("%s: nothing was changed", name)
		}
		if _, err := ParseAllowed([]byte(s)); err == nil {
			t.Errorf("%s: was read", name)
		}
	}
}

func TestCheckpointText(t *testing.T) {
	c := Checkpoint{Bench: "fern", Main: strings.Repeat("a", 40), Records: 12, Runs: []CheckpointRun{
		{"fern-20260302-bbbb", 3, Hash([]byte("b"))}, {"fern-20260302-aaaa", 9, Hash([]byte("a"))}, {"fern-20260302-cccc", 0, ZeroPrev}}}
	want := "tapledger checkpoint/1\nbench fern\nmain " + c.Main + "\nrecords 12\nrun fern-20260302-aaaa 9 " + Hash([]byte("a")) + "\nrun fern-20260302-bbbb 3 " + Hash([]byte("b")) +
		"\nrun fern-20260302-cccc 0 " + ZeroPrev + "\n"
	if string(c.Text()) != want {
		t.Fatalf("%s", c.Text())
	}
	back, err := ParseCheckpoint([]byte(want))
	if err != nil || string(back.Text()) != want || len(back.Runs) != 3 {
		t.Fatalf("%v", err)
	}
	for _, x := range [][2]string{{"checkpoint/1", "checkpoint/2"}, {"bench fern", "bench Fern"}, {"main a", "main A"}, {"records 12", "records 012"}, {"records 12", "records -1"}, {"records 12\n", ""},
		{"aaaa 9", "aaaa 09"}, {"aaaa 9", "aaaa 0"}, {"cccc 0", "cccc 1"}, {"cccc", "aaaa"}, {"run fern-20260302-aaaa", "run  fern-20260302-aaaa"}, {"\n", "\r\n"}, {"sha256:", "sha1:"}, {"run fern-20260302-bbbb", "run elm"}} {
		if _, err := ParseCheckpoint([]byte(strings.Replace(want, x[0], x[1], 1))); err == nil {
			t.Errorf("%q -> %q was read", x[0], x[1])
		}
	}
	for _, s := range []string{"", want[:len(want)-1], want + "\n", want + "more\n", " " + want} {
		if _, err := ParseCheckpoint([]byte(s)); err == nil {
			t.Errorf("%q was read", clip(s))
		}
	}
	a, err := Allowed{}.Add("bench", testSigner("bench").Public())
	if err != nil {
		t.Fatal(err)
	}
	sig, err := SignCheckpoint(c.Text(), testSigner("bench"))
	if err != nil {
		t.Fatal(err)
	}
	text, sig2 := SplitCheckpoint(bytes.ReplaceAll(JoinCheckpoint(c.Text(), sig), []byte("\n"), []byte("\r\n")))
	if who, err := VerifyCheckpoint(text, sig2, a); err != nil || who != "bench" {
		t.Errorf("%s, %v", who, err)
	}
	if _, err := VerifyCheckpoint(append(text, 'x'), sig2, a); err == nil {
		t.Error("another text was taken")
	}
	if _, err := VerifyCheckpoint(text, sig2, Allowed{}); err == nil {
		t.Error("an unlisted key was taken")
	}
	if text, sig := SplitCheckpoint(c.Text()); sig != nil || !bytes.Equal(text, c.Text()) {
		t.Error("a checkpoint without signature was taken apart wrongly")
	}
	if _, err := SignCheckpoint([]byte("anything"), testSigner("bench")); err == nil {
		t.Error("something else was signed as a checkpoint")
	}
}

// TestSampleID: the id that stock tools give:
// { printf 'tapledger sample/1\n'; printf 'text\n' | sha256sum | cut -c1-64; printf 'aaaaaa,bbbbbb\n'; } | sha256sum | cut -c1-20 | xxd -r -p | base32 | tr A-Z a-z
func TestSampleID(t *testing.T) {
	if got := SampleID([]byte("text\n"), []string{"bbbbbb", "aaaaaa"}); got != sampleID {
		t.Errorf("%s, stock tools give %s", got, sampleID)
	}
	codes := []string{"bbbbbb", "aaaaaa"}
	if SampleID([]byte("other\n"), codes) == sampleID || SampleID([]byte("text\n"), codes[:1]) == sampleID {
		t.Error("another checkpoint or another bottle gives the same id")
	}
	if codes[0] != "bbbbbb" {
		t.Error("the caller's list was sorted in place")
	}
}

// TestCommitment: printf 'saltbytes' | sha256sum.
func TestCommitment(t *testing.T) {
	if got := Commitment([]byte("salt"), []byte("bytes")); got != commitment {
		t.Errorf("%s, sha256sum gives %s", got, commitment)
	}
}

func TestRegisterRefuses(t *testing.T) {
	run := runID("aaaa")
	p, opened, err := RunOpened{Run: run, By: "mk", Made: Time(time.Unix(0, 0)), Unit: "u", Protocol: "p"}.File()
	if err != nil {
		t.Fatal(err)
	}
	cp, closed, err := Closing{Run: run, By: "mk", Made: Time(time.Unix(0, 0)), How: HowClosed, Seq: 3, Record: Hash(nil)}.File(1)
	if err != nil {
		t.Fatal(err)
	}
	hp, head, err := Head{Run: run, Seq: 3, Record: Hash(nil)}.File()
	if err != nil {
		t.Fatal(err)
	}
	good := map[string][]byte{p: opened, cp: closed, hp: head, "documents/x": []byte("not looked at")}
	reg, err := ParseRegister(good)
	if err != nil || !reg.Runs[run].Closed() || reg.Runs[run].Head.Seq != 3 || reg.Runs[run].NeverStarted() {
		t.Fatalf("%v", err)
	}
	base := "register/" + run + "/"
	for name, spoil := range map[string]func(m map[string][]byte){
		"no opened":     func(m map[string][]byte) { delete(m, p) },
		"gap":           func(m map[string][]byte) { m[base+"closed-2.json"] = closed; delete(m, cp) },
		"two closings":  func(m map[string][]byte) { m[base+"closed-2.json"] = closed },
		"other run":     func(m map[string][]byte) { m["register/"+runID("bbbb")+"/opened.json"] = opened },
		"unknown file":  func(m map[string][]byte) { m[base+"note.json"] = opened },
		"number 0":      func(m map[string][]byte) { m[base+"closed-0.json"] = closed },
		"file above":    func(m map[string][]byte) { m["register/x.json"] = opened },
		"bad run id":    func(m map[string][]byte) { m["register/x/opened.json"] = opened },
		"not canonical": func(m map[string][]byte) { m[p] = append([]byte(" "), opened...) },
		"unknown field": func(m map[string][]byte) { m[p] = bytes.Replace(opened, []byte(`"by"`), []byte(`"ax":1,"by"`), 1) },
		"other format":  func(m map[string][]byte) { m[p] = bytes.Replace(opened, []byte("register/1"), []byte("register/2"), 1) },
		"bad time":      func(m map[string][]byte) { m[p] = bytes.Replace(opened, []byte("1970"), []byte("197x"), 1) },
		"how":           func(m map[string][]byte) { m[cp] = bytes.Replace(closed, []byte(`"closed"`), []byte(`"ended"`), 1) },
		"never with seq": func(m map[string][]byte) {
			m[cp] = bytes.Replace(closed, []byte(`"closed"`), []byte(`"never_started"`), 1)
		},
		"head 0":         func(m map[string][]byte) { m[hp] = bytes.Replace(head, []byte(`"seq":3`), []byte(`"seq":0`), 1) },
		"complaint name": func(m map[string][]byte) { m["register/complaints/1.json"] = []byte("{}\n") },
		"complaint text": func(m map[string][]byte) { m["register/complaints/000001.json"] = []byte("{ }\n") },
		"checkpoint":     func(m map[string][]byte) { m["register/checkpoints/"+strings.Repeat("0", 64)+".txt"] = []byte("x") },
		"edition":        func(m map[string][]byte) { m["register/editions/first.json"] = []byte("{}\n") },
	} {
		m := map[string][]byte{}
		for k, b := range good {
			m[k] = b
		}
		spoil(m)
		if _, err := ParseRegister(m); err == nil || !strings.Contains(err.Error(), "register/") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

const (
	sampleID   = "dc3viz24sqwv7rpc"
	commitment = "sha256:e097a5876c19bd8c8af2bc0d4951bb337127b33ce5e06c1f0d6675ef69888c2e"
)
