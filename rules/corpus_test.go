package rules

import (
	"crypto/sha256"
	"encoding/csv"
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/cel-go/common/types/ref"

	"tapledger/rules/quantity"
)

const corpusDir = "../testdata/corpus"

func readCSV(t testing.TB, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join(corpusDir, name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

// parseType reads "list quantity Conductivity".
func parseType(t testing.TB, s string) Type {
	t.Helper()
	words := strings.Fields(s)
	isList := words[0] == "list"
	if isList {
		words = words[1:]
	}
	byName := map[string]Type{"bool": Bool, "number": Number, "text": Text, "moment": Moment, "answer": Answer, "rise": Rise, "result": Result}
	typ, ok := byName[words[0]]
	if len(words) == 2 {
		d, found := quantity.DimByName(words[1])
		typ, ok = QuantityOf(d), found
		if words[0] == "interval" {
			typ = IntervalOf(d)
		}
	}
	if !ok {
		t.Fatalf("no type %q", s)
	}
	if isList {
		return ListOf(typ)
	}
	return typ
}

// corpusVocabulary is the vocabulary that the corpus and the examples of
// functions are written in.
func corpusVocabulary(t testing.TB) Vocabulary {
	v := Vocabulary{Analytes: []string{"nitrate", "lead", "nickel"}}
	for _, row := range readCSV(t, "level-1-fields.csv") {
		record, field, _ := strings.Cut(row[0], ".")
		f := Field{field, parseType(t, row[1])}
		if record == "analyte" {
			v.AnalyteFields = append(v.AnalyteFields, f)
			continue
		}
		if n := len(v.Records); n == 0 || v.Records[n-1].Name != record {
			v.Records = append(v.Records, Record{Name: record})
		}
		r := &v.Records[len(v.Records)-1]
		r.Fields = append(r.Fields, f)
	}
	return v
}

func corpusEnv(t testing.TB) *Env {
	t.Helper()
	e, err := NewEnv(Level, corpusVocabulary(t))
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// fieldType finds the type of a path in an environment.
func (e *Env) fieldType(path string) Type {
	at := strings.LastIndexByte(path, '.')
	if strings.HasPrefix(path, "analyte(") {
		return e.analyte.fields[path[at+1:]]
	}
	return e.records[path[:at]].fields[path[at+1:]]
}

// lookupFrom reads "path=value; path=value"; fields not named are open.
func lookupFrom(t testing.TB, e *Env, inputs string) Lookup {
	t.Helper()
	type entry struct {
		v any
		p Presence
	}
	m := map[string]entry{}
	for _, part := range strings.Split(inputs, "; ") {
		path, text, ok := strings.Cut(strings.TrimSpace(part), "=")
		if !ok {
			continue
		}
		if p, special := map[string]Presence{"@not_recorded": NotRecorded, "@not_applicable": NotApplicable, "@feed_moved": FeedMoved}[text]; special {
			m[path] = entry{nil, p}
			continue
		}
		m[path] = entry{parseValue(t, text, e.fieldType(path)), Recorded}
	}
	return func(path string) (any, Presence) {
		x := m[path]
		return x.v, x.p
	}
}

// parseValue reads a value of a type; numbers may be fractions.
func parseValue(t testing.TB, s string, typ Type) any {
	t.Helper()
	if typ.list {
		items := []any{}
		for _, part := range strings.Split(s, "|") {
			if part = strings.TrimSpace(part); part != "" {
				items = append(items, parseValue(t, part, typ.Item()))
			}
		}
		return items
	}
	switch typ.kind {
	case kindBool:
		return s == "true"
	case kindNumber:
		return fraction(t, s)
	case kindMoment:
		at, err := time.Parse(time.RFC3339Nano, s)
		if err != nil {
			t.Fatal(err)
		}
		return at
	case kindQuantity:
		number, unit, _ := strings.Cut(s, " ")
		u, err := quantity.LookupUnit(unit)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(number, "/") {
			return quantity.Of(fraction(t, number), u)
		}
		q, err := quantity.Parse(s)
		if err != nil {
			t.Fatal(err)
		}
		return q
	case kindResult:
		r, err := quantity.ParseResult(s)
		if err != nil {
			t.Fatal(err)
		}
		return r
	case kindInterval:
		return parseInterval(t, s, typ)
	}
	return s
}

func fraction(t testing.TB, s string) *big.Rat {
	t.Helper()
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		t.Fatalf("no number: %q", s)
	}
	return r
}

// parseInterval reads "[90, 95) %"; a missing end is unbounded; "34 %" is a point.
func parseInterval(t testing.TB, s string, typ Type) any {
	t.Helper()
	if !strings.ContainsAny(s[:1], "[(") {
		return parseValue(t, s, QuantityOf(typ.dim))
	}
	closing := strings.IndexAny(s, ")]")
	u, err := quantity.LookupUnit(strings.TrimSpace(s[closing+1:]))
	if err != nil {
		t.Fatal(err)
	}
	lo, hi, _ := strings.Cut(s[1:closing], ",")
	i := quantity.Interval{Dim: u.Dim, LoOpen: s[0] == '(', HiOpen: s[closing] == ')'}
	if lo = strings.TrimSpace(lo); lo != "" {
		i.Lo = u.ToBase(fraction(t, lo))
	}
	if hi = strings.TrimSpace(hi); hi != "" {
		i.Hi = u.ToBase(fraction(t, hi))
	}
	return i
}

// sameValue compares exactly, numbers as numbers.
func sameValue(a, b any) bool {
	switch x := a.(type) {
	case *big.Rat:
		y, ok := b.(*big.Rat)
		return ok && x.Cmp(y) == 0
	case quantity.Quantity:
		y, ok := b.(quantity.Quantity)
		return ok && x.Dim == y.Dim && x.Base.Cmp(y.Base) == 0
	case quantity.Interval:
		y, ok := b.(quantity.Interval)
		return ok && sameEnds(x, y)
	case time.Time:
		y, ok := b.(time.Time)
		return ok && x.Equal(y)
	case []any:
		y, ok := b.([]any)
		return ok && slices.EqualFunc(x, y, sameValue)
	}
	return a == b
}

func sameEnds(x, y quantity.Interval) bool {
	same := func(a, b *big.Rat) bool { return (a == nil) == (b == nil) && (a == nil || a.Cmp(b) == 0) }
	return x.Dim == y.Dim && same(x.Lo, y.Lo) && same(x.Hi, y.Hi) && x.LoOpen == y.LoOpen && x.HiOpen == y.HiOpen
}

// TestCorpus runs the golden corpus of level 1: expression, inputs, and what
// must come out, for ever.
func TestCorpus(t *testing.T) {
	e := corpusEnv(t)
	ids := map[string]bool{}
	for _, row := range readCSV(t, "level-1.csv") {
		id, src, inputs, state, code, value, awaited := row[0], row[1], row[2], row[3], row[4], row[5], row[6]
		if ids[id] {
			t.Errorf("%s stands twice", id)
		}
		ids[id] = true
		x, faults := e.Compile(src, Type{})
		if len(faults) > 0 {
			t.Errorf("%s: %s: %v", id, src, faults)
			continue
		}
		l := lookupFrom(t, e, inputs)
		d := x.Judge(l)
		if got := strings.Join(d.Awaits, ", "); string(d.State) != state || string(d.Code) != code || got != awaited {
			t.Errorf("%s: %s with %s: %s %s %s, wanted %s %s %s", id, src, inputs, d.State, d.Code, got, state, code, awaited)
			continue
		}
		v, dv := x.Value(l)
		if value != "" && !sameValue(v, parseValue(t, value, x.Type())) {
			t.Errorf("%s: %s with %s: %v, wanted %s", id, src, inputs, v, value)
		}
		if (v != nil) != (state == "met" || state == "unmet") || dv.Code != d.Code {
			t.Errorf("%s: Value gave %v with %v", id, v, dv)
		}
		if ex := x.Explain(l); !sameDecision(ex.Decision, d) || ex.Tree == nil || ex.Text() == "" || len(ex.Inputs) != len(x.Refs()) {
			t.Errorf("%s: explained as %v", id, ex.Decision)
		}
	}
	if len(ids) < 150 {
		t.Errorf("%d rows, at least 150 are wanted", len(ids))
	}
}

func sameDecision(a, b Decision) bool {
	return a.State == b.State && a.Code == b.Code && slices.Equal(a.Awaits, b.Awaits)
}

// TestCorpusHash: the corpus may grow until the first release and is closed
// after it; its hash stands beside it so that a change is a decision.
func TestCorpusHash(t *testing.T) {
	for _, name := range []string{"level-1.csv", "level-1-fields.csv"} {
		b, err := os.ReadFile(filepath.Join(corpusDir, name))
		if err != nil {
			t.Fatal(err)
		}
		want, err := os.ReadFile(filepath.Join(corpusDir, name+".sha256"))
		if err != nil {
			t.Fatal(err)
		}
		if got := fmt.Sprintf("%x  %s\n", sha256.Sum256(b), name); got != string(want) {
			t.Errorf("%s: write this line into %s.sha256 if the change is meant: %s", name, name, got)
		}
	}
}

// TestCorpusCovers: every function and operator of the level is in the corpus.
func TestCorpusCovers(t *testing.T) {
	e := corpusEnv(t)
	used := map[string]bool{}
	for _, row := range readCSV(t, "level-1.csv") {
		x, faults := e.Compile(row[1], Type{})
		if len(faults) > 0 {
			continue
		}
		for _, r := range x.ast.ReferenceMap() {
			for _, id := range r.OverloadIDs {
				used[id] = true
			}
		}
	}
	for _, f := range level1() {
		some := false
		for _, o := range f.overloads {
			some = some || used[o.id]
		}
		if !some {
			t.Errorf("%s is in no row", f.cel)
		}
	}
}

// TestFunctionExamples runs the example of every documented function.
func TestFunctionExamples(t *testing.T) {
	v := Vocabulary{Analytes: []string{"lead"}, AnalyteFields: []Field{{"untreated", Result}, {"treated", Result}},
		Records: []Record{{"a", []Field{{"answer", Answer}, {"reason", Text}}},
			{"b", []Field{{"pressure", QuantityOf(quantity.Pressure)}, {"count", Number}, {"margin", IntervalOf(quantity.Ratio)}}},
			{"s", []Field{{"values", ListOf(QuantityOf(quantity.Conductivity))}, {"last", QuantityOf(quantity.Conductivity)}, {"previous", QuantityOf(quantity.Conductivity)}}}}}
	e, err := NewEnv(Level, v)
	if err != nil {
		t.Fatal(err)
	}
	names := map[string]bool{}
	for _, f := range Functions() {
		if names[f.Name] {
			t.Errorf("%s is documented twice", f.Name)
		}
		names[f.Name] = true
		for what, s := range map[string]string{"signature": strings.Join(f.Signature, ""), "says": f.Says, "units": f.Units, "range": f.Range, "errors": f.Errors, "source": f.Source, "example": f.Example} {
			if s == "" {
				t.Errorf("%s: no %s", f.Name, what)
			}
		}
		given := strings.ReplaceAll(f.Given, ", ", " | ")
		x, faults := e.Compile(f.Example, Type{})
		if len(faults) > 0 {
			t.Errorf("%s: %s: %v", f.Name, f.Example, faults)
			continue
		}
		l := lookupFrom(t, e, given)
		d := x.Judge(l)
		got := string(d.State)
		if d.Code != "" {
			got += " " + string(d.Code)
		}
		if value, dv := x.Value(l); dv.State == Met && x.Type() != Bool {
			got = show(asVal(t, value, x.Type()))
		}
		if got != f.Gives {
			t.Errorf("%s: %s with %s gives %s, documented is %s", f.Name, f.Example, f.Given, got, f.Gives)
		}
	}
}

func asVal(t *testing.T, v any, typ Type) ref.Val {
	t.Helper()
	return fromGo(v, typ, "value")
}
