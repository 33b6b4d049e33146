package audit

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// TestEscapesRFC8785 is the string of RFC 8785 section 3.2.2.2. It holds
// U+000F, which a record may not: the encoder below the check must still write
// it as the RFC does.
func TestEscapesRFC8785(t *testing.T) {
	var in string
	if err := json.Unmarshal([]byte(`"\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/"`), &in); err != nil {
		t.Fatal(err)
	}
	want := `"€$\u000f\nA'B\"\\\\\"/"`
	if got := string(appendString(nil, in)); got != want {
		t.Errorf("got %s, the RFC has %s", got, want)
	}
	if _, err := Canonical(in); err == nil || !strings.Contains(err.Error(), "U+000F") {
		t.Errorf("U+000F in a record: %v", err)
	}
	if got := string(appendString(nil, "\b\t\f\r\x00\x1f\u007f\u2028<>&")); got != `"\b\t\f\r\u0000\u001f`+"\u007f\u2028<>&\"" {
		t.Errorf("short escapes, and no escape beyond need: %s", got)
	}
}

// TestKeyOrderRFC8785 is the object of RFC 8785 section 3.2.3, whose keys sort
// differently by bytes and by UTF-16 code units.
func TestKeyOrderRFC8785(t *testing.T) {
	keys := []string{"\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"}
	want := []string{"\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"}
	got := slices.Clone(keys)
	slices.SortFunc(got, func(a, b string) int {
		if lessUTF16(a, b) {
			return -1
		}
		return 1
	})
	if !slices.Equal(got, want) {
		t.Errorf("got %q, the RFC has %q", got, want)
	}
	b, err := Canonical(map[string]any{"\u20ac": 1, "\ufb33": 2, "\U0001f600": 3, "b": 4, "bb": 5})
	if err != nil || string(b) != "{\"b\":4,\"bb\":5,\"\u20ac\":1,\"\U0001f600\":3,\"\ufb33\":2}" {
		t.Errorf("%s, %v", b, err)
	}
}

// TestNumbersRFC8785 uses the rows of appendix B that are whole numbers a
// record may hold; every other row must be refused.
func TestNumbersRFC8785(t *testing.T) {
	f, err := os.Open("../testdata/references/rfc8785.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) != 22 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	whole := 0
	for _, row := range rows[1:] {
		bits, err := strconv.ParseUint(row[0], 16, 64)
		if err != nil {
			t.Fatal(err)
		}
		x := math.Float64frombits(bits)
		got, err := CanonicalJSON([]byte(row[1]))
		if x == math.Trunc(x) && x >= 0 && x <= MaxWhole {
			whole++
			if err != nil || string(got) != row[1]+"\n" {
				t.Errorf("%s: %s, %v", row[1], got, err)
			}
		} else if err == nil {
			t.Errorf("%s was taken as %s; only whole numbers from 0 to 2^53-1 may stand", row[1], got)
		}
	}
	if whole != 2 {
		t.Errorf("%d rows with whole numbers, the table has 2 (0 and -0)", whole)
	}
	for in, want := range map[string]string{"9007199254740991": "9007199254740991", "1": "1", "10": "10"} {
		if got, err := CanonicalJSON([]byte(in)); err != nil || string(got) != want+"\n" {
			t.Errorf("%s: %s, %v", in, got, err)
		}
	}
}

// TestStrictReader: what is refused, and a word of the reason.
func TestStrictReader(t *testing.T) {
	for _, c := range []struct{ in, why string }{
		{``, "ends"}, {` `, "ends"}, {`{"a":1}x`, "more text"}, {`{"a":1} {"b":1}`, "more text"},
		{`{"a":1,"a":1}`, "twice"}, {`{"a":1,"\u0061":1}`, "twice"}, {`{"a":{"b":1,"b":2}}`, "twice"},
		{`{"a":true}`, "booleans"}, {`false`, "booleans"}, {`[null]`, "null"}, {`-1`, "negative"}, {`-0`, "negative"},
		{`1.0`, "fractions"}, {`1e3`, "fractions"}, {`1E3`, "fractions"}, {`9007199254740992`, "larger"}, {`99999999999999999999`, "larger"},
		{`01`, "zero"}, {`00`, "zero"}, {`NaN`, "unexpected"}, {`+1`, "unexpected"}, {`.5`, "unexpected"},
		{`"\ud800"`, "surrogate"}, {`"\ud800\u0041"`, "surrogate"}, {`"\udc00\ud800"`, "surrogate"}, {`"\ud83d\ud83d"`, "surrogate"},
		{`"\x"`, "escape"}, {`"\u12"`, "escape"}, {`"\u12g4"`, "hexadecimal"}, {`"\`, "escape"}, {`"a`, "not closed"},
		{"\"a\nb\"", "control"}, {"\"\t\"", "control"}, {`"\t"`, "control"}, {`"\u0000"`, "control"}, {"\"\u007f\"", "control"},
		{"\"\u0085\"", "control"}, {`"\u009f"`, "control"}, {"\"\u0080\"", "control"}, {"\"\xff\"", "UTF-8"}, {"\"\xc0\x80\"", "UTF-8"},
		{"\"\xed\xa0\x80\"", "UTF-8"}, {"{\"\u0080\":1}", "control"}, {"\ufeff{}", "unexpected"},
		{`{"a" 1}`, "colon"}, {`{"a":1`, "comma"}, {`{"a":1,}`, "key"}, {`{a:1}`, "key"}, {`{1:1}`, "key"}, {`[1,]`, "unexpected"}, {`[1`, "comma"}, {`[1 2]`, "comma"},
		{`{'a':1}`, "key"}, {`// x`, "unexpected"}, {`{"a":}`, "unexpected"},
		{strings.Repeat("[", maxDepth+1) + strings.Repeat("]", maxDepth+1), "nested"}, {strings.Repeat("[", 1<<20), "nested"},
	} {
		if got, err := CanonicalJSON([]byte(c.in)); err == nil || !strings.Contains(err.Error(), c.why) {
			t.Errorf("%q gave %q, %v; want a word about %q", clip(c.in), got, err, c.why)
		}
	}
	if _, err := CanonicalJSON(make([]byte, maxText+1)); err == nil || !strings.Contains(err.Error(), "limit") {
		t.Errorf("size limit: %v", err)
	}
	deep := strings.Repeat("[", maxDepth) + strings.Repeat("]", maxDepth)
	if got, err := CanonicalJSON([]byte(deep)); err != nil || string(got) != deep+"\n" {
		t.Errorf("the deepest nesting that is allowed: %v", err)
	}
}

func TestReaderSaysWhere(t *testing.T) {
	_, err := CanonicalJSON([]byte("{\"a\": 1,\n \"b\": true}"))
	if err == nil || !strings.HasPrefix(err.Error(), "JSON line 2, byte 7: ") {
		t.Errorf("%v", err)
	}
}

func TestCanonicalJSON(t *testing.T) {
	got, err := CanonicalJSON([]byte(" { \"b\" : [ 1 , \"\\u00e9\\/\\n\" ] ,\r\n\t\"a\" : { } , \"\\ud83d\\udeb0\" : [ ] } "))
	if want := "{\"a\":{},\"b\":[1,\"é/\\n\"],\"\U0001F6B0\":[]}\n"; err != nil || string(got) != want {
		t.Errorf("%q, %v, want %q", got, err, want)
	}
	again, err := CanonicalJSON(got)
	if err != nil || string(again) != string(got) {
		t.Errorf("not stable: %q, %v", again, err)
	}
}

func TestCanonicalValues(t *testing.T) {
	got, err := Canonical(map[string]any{"n": json.Number("12"), "i": 3, "j": int64(MaxWhole), "l": []any{}})
	if err != nil || string(got) != `{"i":3,"j":9007199254740991,"l":[],"n":12}` {
		t.Errorf("%s, %v", got, err)
	}
	for _, bad := range []any{true, nil, 1.5, 2.0, -1, int64(MaxWhole + 1), json.Number("1.0"), json.Number("1e2"), json.Number("x"),
		"\xff", "\t", "\u009f", []any{map[string]any{"a": nil}}, map[string]any{"\x01": 1}, []string{"a"}, uint8(1)} {
		if got, err := Canonical(bad); err == nil {
			t.Errorf("%#v was written as %s", bad, got)
		}
	}
	var v any = "x"
	for range maxDepth {
		v = []any{v}
	}
	if _, err := Canonical(v); err == nil {
		t.Error("too deep a value was written, which could not be read again")
	}
}

func TestMarshal(t *testing.T) {
	type inner struct {
		Text string `json:"text"`
	}
	type outer struct {
		inner
		Z    int             `json:"z"`
		A    []string        `json:"a"`
		M    map[string]int  `json:"m,omitempty"`
		Raw  json.RawMessage `json:"raw"`
		None *inner          `json:"none,omitempty"`
	}
	got, err := Marshal(outer{inner: inner{"<a&b>\u2028\n"}, Z: 7, A: []string{}, M: map[string]int{"k": 1}, Raw: json.RawMessage(`{"y":1,"x":2}`)})
	if want := "{\"a\":[],\"m\":{\"k\":1},\"raw\":{\"x\":2,\"y\":1},\"text\":\"<a&b>\u2028\\n\",\"z\":7}\n"; err != nil || string(got) != want {
		t.Errorf("%q, %v, want %q", got, err, want)
	}
	for name, bad := range map[string]any{
		"bad UTF-8":             inner{"\xff"},
		"bad UTF-8 in a key":    map[string]int{"\xff": 1},
		"bad UTF-8 in a list":   []string{"\xff"},
		"bad UTF-8 in a text":   json.RawMessage("\"\xff\""),
		"fraction":              map[string]float64{"x": 0.5},
		"whole floating point":  map[string]float64{"x": 2},
		"boolean":               map[string]bool{"x": true},
		"nil list":              outer{Raw: json.RawMessage("1")},
		"control character":     inner{"\u0007"},
		"duplicate in raw text": json.RawMessage(`{"a":1,"a":2}`),
	} {
		if got, err := Marshal(bad); err == nil {
			t.Errorf("%s was written as %s", name, got)
		}
	}
}
