package audit

import (
	"errors"
	"strings"
	"testing"
	"time"
)

func goodRecord() Record {
	return Record{Format: RecordFormat, Run: "fern-20260302-k7qd", Seq: 1, Prev: ZeroPrev, Kind: "opened", Made: "2026-03-02T09:14:07.482Z",
		Clock: "wall", By: "mk", Via: "key", Main: strings.Repeat("0a", 20), Body: []byte(`{"format":"body/1","step":"feed_pressure"}`)}
}

// TestRecordBytes fixes the bytes of a record, and the hash that stock
// sha256sum gives for them (printf '%s\n' ... | sha256sum).
func TestRecordBytes(t *testing.T) {
	b, err := goodRecord().Bytes()
	if err != nil {
		t.Fatal(err)
	}
	want := `{"body":{"format":"body/1","step":"feed_pressure"},"by":"mk","clock":"wall","format":"record/1","kind":"opened",` +
		`"made":"2026-03-02T09:14:07.482Z","main":"0a0a0a0a0a0a0a0a0a0a0a0a0a0a0a0a0a0a0a0a","prev":"` + ZeroPrev + `","run":"fern-20260302-k7qd","seq":1,"via":"key"}` + "\n"
	if string(b) != want {
		t.Errorf("got  %s\nwant %s", b, want)
	}
	if got := Hash(b); got != recordHash {
		t.Errorf("hash %s, sha256sum gave %s", got, recordHash)
	}
	r, err := ParseRecord(b)
	if err != nil {
		t.Fatal(err)
	}
	again, err := r.Bytes()
	if err != nil || string(again) != string(b) || r.BodyFormat() != "body/1" || r.Closes() {
		t.Errorf("read back: %s, %v", again, err)
	}
}

func TestRecordFieldsRefused(t *testing.T) {
	for name, spoil := range map[string]func(r *Record){
		"format": func(r *Record) { r.Format = "record/2" }, "run": func(r *Record) { r.Run = "fern-2026-k7qd" }, "run long": func(r *Record) { r.Run = strings.Repeat("f", 41) + "-20260302-k7qd" },
		"run device": func(r *Record) { r.Run = "con-20260302-k7qd" }, "run digits": func(r *Record) { r.Run = "fern-20260302-k1qd" },
		"seq 0": func(r *Record) { r.Seq = 0 }, "seq big": func(r *Record) { r.Seq, r.Prev = MaxWhole+1, Hash(nil) }, "prev short": func(r *Record) { r.Prev = "sha256:00" },
		"prev of first": func(r *Record) { r.Prev = Hash(nil) }, "zeros later": func(r *Record) { r.Seq = 2 }, "prev upper": func(r *Record) { r.Seq, r.Prev = 2, strings.ToUpper(Hash(nil)) },
		"kind": func(r *Record) { r.Kind = "Entry" }, "kind long": func(r *Record) { r.Kind = strings.Repeat("k", 41) },
		"made": func(r *Record) { r.Made = "2026-03-02T09:14:07Z" }, "clock": func(r *Record) { r.Clock = "ntp" }, "by": func(r *Record) { r.By = "M K" },
		"by device": func(r *Record) { r.By = "aux" }, "via": func(r *Record) { r.Via = "" }, "main": func(r *Record) { r.Main = "main" },
		"body list": func(r *Record) { r.Body = []byte(`[]`) }, "body none": func(r *Record) { r.Body = nil }, "body format": func(r *Record) { r.Body = []byte(`{"format":"1"}`) },
		"body other format": func(r *Record) { r.Body = []byte(`{"format":"note/1"}`) }, "body key": func(r *Record) { r.Body = []byte(`{"format":"body/1","Step":1}`) },
		"body deep key": func(r *Record) { r.Body = []byte(`{"format":"body/1","a":[{"b-c":1}]}`) }, "body long key": func(r *Record) { r.Body = []byte(`{"format":"body/1","` + strings.Repeat("a", 65) + `":1}`) },
		"body size": func(r *Record) { r.Body = []byte(`{"format":"body/1","a":"` + strings.Repeat("a", maxRecord) + `"}`) },
	} {
		r := goodRecord()
		spoil(&r)
		if b, err := r.Bytes(); err == nil {
			t.Errorf("%s: was written as %s", name, clip(string(b)))
		}
	}
}

func TestParseRecordRefuses(t *testing.T) {
	b, err := goodRecord().Bytes()
	if err != nil {
		t.Fatal(err)
	}
	good := string(b)
	for _, c := range []struct{ old, new, why string }{
		{`"record/1"`, `"record/2"`, "not known"}, {`"record/1"`, `1`, "not known"}, {`"seq":1`, `"seq":"1"`, "type"}, {`"by":"mk"`, `"by":1`, "string"},
		{`"by":"mk",`, ``, "missing"}, {`,"seq":1`, ``, "seq"}, {`"body":{"format":"body/1","step":"feed_pressure"},`, ``, "missing"}, {`"by":"mk"`, `"by":"mk","bz":1`, "unknown field"},
		{`{"format":"body/1","step":"feed_pressure"}`, `"x"`, "type"}, {"\n", "", "canonical"}, {"\n", "\r\n", "canonical"}, {`"by":"mk"`, `"by": "mk"`, "canonical"},
		{`"by":"mk"`, `"by":"m\u006b"`, "canonical"}, {`"by":"mk","clock":"wall"`, `"clock":"wall","by":"mk"`, "canonical"},
	} {
		if !strings.Contains(good, c.old) {
			t.Fatalf("nothing to replace: %s", c.old)
		}
		if _, err := ParseRecord([]byte(strings.Replace(good, c.old, c.new, 1))); err == nil || !strings.Contains(err.Error(), c.why) {
			t.Errorf("%s -> %s: %v, want a word about %q", c.old, c.new, err, c.why)
		}
	}
	if _, err := ParseRecord([]byte(strings.Replace(good, "record/1", "record/7", 1))); !errors.Is(err, ErrNewerFormat) {
		t.Errorf("an unknown format: %v", err)
	}
	if _, err := ParseRecord([]byte(`["a"]`)); err == nil {
		t.Error("a list was read as a record")
	}
	if _, err := ParseRecord(make([]byte, maxRecord+1)); err == nil {
		t.Error("too large a record was read")
	}
}

func TestTime(t *testing.T) {
	zone := time.FixedZone("east", 9*3600)
	if got := Time(time.Date(2026, 3, 2, 18, 14, 7, 482_999_999, zone)); got != "2026-03-02T09:14:07.482Z" {
		t.Errorf("got %s", got)
	}
	if got, err := ParseTime("2026-03-02T09:14:07.482Z"); err != nil || !got.Equal(time.Date(2026, 3, 2, 9, 14, 7, 482_000_000, time.UTC)) {
		t.Errorf("got %s, %v", got, err)
	}
	for _, s := range []string{"", "2026-03-02T09:14:07Z", "2026-03-02T09:14:07.48Z", "2026-03-02T09:14:07.4820Z", "2026-03-02T09:14:07,482Z", "2026-03-02T09:14:60.000Z",
		"2026-03-02T24:00:00.000Z", "2026-02-30T09:14:07.482Z", "2026-03-02 09:14:07.482Z", "2026-03-02t09:14:07.482z", "2026-03-02T09:14:07.482+00:00", "2026-3-2T09:14:07.482Z", " 2026-03-02T09:14:07.482Z"} {
		if got, err := ParseTime(s); err == nil {
			t.Errorf("%q was read as %s", s, got)
		}
	}
}

func TestIDs(t *testing.T) {
	for _, id := range []string{"a", "mk", "fern-2", "a-", strings.Repeat("a", 40), "console", "com"} {
		if err := CheckID(id); err != nil {
			t.Errorf("%s: %v", id, err)
		}
	}
	for _, id := range []string{"", "1a", "-a", "A", "a_b", "a b", "a.b", "é", strings.Repeat("a", 41), "con", "nul", "com1", "lpt9"} {
		if CheckID(id) == nil {
			t.Errorf("%q was taken", id)
		}
	}
}

const recordHash = "sha256:e7b9b8425a8223181befb20725128633b66bd9e38bd42451606eda558967c7f0"
