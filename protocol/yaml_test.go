package protocol

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	yaml "go.yaml.in/yaml/v3"
)

// TestOddFiles reads what is no document at all.
func TestOddFiles(t *testing.T) {
	deep := "kind: protocol\nx: " + strings.Repeat("[", 30) + strings.Repeat("]", 30)
	tower := "kind: protocol\nx: " + strings.Repeat("[", 5000)
	var blocks strings.Builder
	blocks.WriteString("kind: protocol\n")
	for i := range 40 {
		blocks.WriteString(strings.Repeat(" ", i) + "a:\n")
	}
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", "1:1: the file is empty"},
		{"blank", "\n\n  \n", "1:1: the file is empty"},
		{"comment", "# nothing\n", "1:1: the file is empty"},
		{"text", "kind", "1:1: a document is a list of keys and values, such as kind: protocol"},
		{"utf8", "kind: person\nid: m\xffk\n", "2:6: this is not UTF-8"},
		{"utf16", "k\x00i\x00n\x00d\x00", "1:2: a control character (U+0000) stands here"},
		{"huge", strings.Repeat("# long\n", 80000), "1:1: the file has 560000 bytes; a document has at most 524288"},
		{"deep", deep, "2:28: lists and maps lie in one another more than 24 deep"},
		{"tower", tower, "2:68: more than 64 brackets are open here"},
		{"carriage", "kind: person\rid: mk\n", "1:13: a control character (U+000D) stands here"},
		{"many", "kind: person\nid: [" + strings.Repeat("a,", 40000) + "a]\n", "2:80000: the document holds more than 40000 values"},
		{"alias", "a: &a x\nb: *a\n", "2:4: an alias (*name) stands here"},
		{"key anchor", "kind: person\n&k id: mk\n", "2:1: a key with an anchor or a tag"},
		{"key tag", "kind: person\n!!str id: mk\n", "2:1: a key with an anchor or a tag"},
		{"blocks", blocks.String(), ""},
		{"flow key", "kind: person\n{a: b}: c\n", ""},
		{"bomb", "a: &a [x,x]\nb: &b [*a,*a]\nc: [*b,*b]\n", "1:4: an anchor (&name) stands here"},
		{"merge", "kind: person\n<<: {id: mk}\nid: mk\nversion: 1.0.0\n", ""},
	} {
		_, faults := Read(File{Name: "f", Bytes: []byte(c.text)}, NewLibrary())
		if len(faults) == 0 {
			t.Errorf("%s: no fault", c.name)
			continue
		}
		if c.want != "" && !slices.ContainsFunc(faults, func(f Fault) bool { return f.String() == "f:"+c.want }) {
			t.Errorf("%s: %s, want %s", c.name, faults, c.want)
		}
	}
}

// TestSameFromAnyEditor reads one document with and without a byte-order mark
// and with either line ending: the resolved form and the positions are the same.
func TestSameFromAnyEditor(t *testing.T) {
	lib := wholeLibrary(t)
	var plain []byte
	for _, f := range corpus(t, "whole") {
		if f.Name == "protocol.yaml" {
			plain = []byte(strings.ReplaceAll(string(f.Bytes), "\r\n", "\n"))
		}
	}
	want, faults := Read(File{Name: "a", Bytes: plain}, lib)
	wantNoFaults(t, faults)
	for name, b := range map[string]string{"mark": "\ufeff" + string(plain), "lines": strings.ReplaceAll(string(plain), "\n", "\r\n"),
		"both": "\ufeff" + strings.ReplaceAll(string(plain), "\n", "\r\n")} {
		got, faults := Read(File{Name: name, Bytes: []byte(b)}, lib)
		wantNoFaults(t, faults)
		if got.ResolvedHash != want.ResolvedHash || got.SourceHash == want.SourceHash {
			t.Errorf("%s: resolved %s, want %s; the source's hash must differ", name, got.ResolvedHash, want.ResolvedHash)
		}
		bad := strings.Replace(b, "tanks.previous", "tanks.previos", 1)
		_, faults = Read(File{Name: name, Bytes: []byte(bad)}, lib)
		if len(faults) != 1 || faults[0].Line != 66 || faults[0].Col != 32 {
			t.Errorf("%s: %v", name, faults)
		}
	}
}

// TestPlaceInsideTexts puts a mark into texts of every style, and finds it in
// the file where scalarPlace says that it is.
func TestPlaceInsideTexts(t *testing.T) {
	const mark = "§"
	styles := []struct{ name, text string }{
		{"plain", "a: one two § three\n"},
		{"plain nested", "m:\n  - {k: é one, a: é two § three}\n"},
		{"double", "a: \"one \\\"two\\\" § three\"\n"},
		{"double hex", "a: \"\\x41\\u00e9 \\U0001F600 \\\\ § three\"\n"},
		{"double nested", "m: [{a: \"x\\u0020y §\"}]\n"},
		{"single", "a: 'it''s § here'\n"},
		{"literal", "a: |\n  one\n   two § three\n"},
		{"literal blank first", "a: |\n\n  one\n\n  § three\n"},
		{"literal indicator", "m:\n  a: |2-\n      lab.x <\n        § y\n"},
		{"literal accents", "m:\n  a: |\n    é é § é\n"},
	}
	for _, s := range styles {
		tr := readTree(File{Name: "f", Bytes: []byte(s.text)})
		if len(tr.faults) > 0 {
			t.Errorf("%s: %v", s.name, tr.faults)
			continue
		}
		found := false
		for _, p := range tr.places {
			if p.value.Kind != yaml.ScalarNode || !strings.Contains(p.value.Value, mark) {
				continue
			}
			found = true
			before, _, _ := strings.Cut(p.value.Value, mark)
			line := 1 + strings.Count(before, "\n")
			col := 1 + len([]rune(before[strings.LastIndexByte(before, '\n')+1:]))
			l, c := tr.scalarPlace(p.value, line, col)
			row := []rune(tr.lines[l-1])
			if c-1 >= len(row) || string(row[c-1]) != mark {
				t.Errorf("%s: %d:%d of the text is said to be %d:%d of the file", s.name, line, col, l, c)
			}
		}
		if !found {
			t.Errorf("%s: no text with the mark", s.name)
		}
	}
}

// TestFoldedTextsAreKnown: positions in these cannot be followed, so that
// expressions may not be written like this.
func TestFoldedTextsAreKnown(t *testing.T) {
	for text, want := range map[string]bool{
		"a: >\n  one\n  two\n": true, "a: one\n  two\n": true, "a: \"one\n  two\"\n": true, "a: 'one\n  two'\n": true,
		"a: |\n  one\n  two\n": false, "a: one two\n": false, "a: \"one \\n two\"\n": true, "a: 'it''s'\n": false, "a: \"\\\"\"\n": false,
	} {
		tr := readTree(File{Name: "f", Bytes: []byte(text)})
		if got := tr.folded(tr.places["/a"].value); got != want {
			t.Errorf("%q: folded %v", text, got)
		}
	}
}

func TestLongLinesAreCut(t *testing.T) {
	line := strings.Repeat("a", 1000) + "X" + strings.Repeat("b", 1000)
	cut, at := excerpt(line, 1001)
	if len(cut) != 200 || []rune(cut)[at-1] != 'X' {
		t.Errorf("%d characters, caret at %d", len(cut), at)
	}
	f := Fault{File: "f", Line: 3, Col: 1001, Says: "this", Hint: "that", Excerpt: cut, CaretAt: at}
	want := fmt.Sprintf("f:3:1001: this\n  | %s\n  | %s^\n  that\n", cut, strings.Repeat(" ", at-1))
	if f.Text() != want {
		t.Errorf("%q", f.Text())
	}
}

// FuzzRead holds that no text makes reading panic, that every fault has a place
// in the file, and that a document without a fault comes back from its resolved
// form unchanged.
func FuzzRead(f *testing.F) {
	for _, folder := range []string{"whole", "broken"} {
		for _, file := range corpus(f, folder) {
			f.Add(file.Bytes)
		}
	}
	lib := wholeLibrary(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		d, faults := Read(File{Name: "f", Bytes: b}, lib)
		if (d == nil) != (len(faults) > 0) {
			t.Fatalf("document %v, %d faults", d, len(faults))
		}
		lines := strings.Count(string(b), "\n") + 1
		for _, x := range faults {
			if x.Line < 1 || x.Col < 1 || x.Line > lines || x.Says == "" {
				t.Fatalf("a fault without a place: %+v", x)
			}
			_ = x.Text()
		}
		if d == nil {
			return
		}
		v, err := ParseResolved(d.Kind, d.Resolved)
		if err != nil || string(resolvedBytes(v)) != string(d.Resolved) {
			t.Fatalf("the resolved form does not come back: %v", err)
		}
	})
}
