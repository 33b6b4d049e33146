package protocol

import (
	"encoding/json"
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"

	"tapledger/audit"
	"tapledger/schemas"
)

func TestLibrary(t *testing.T) {
	one := &Document{Kind: KindUnit, ID: "a", Version: "1.9.0"}
	two := &Document{Kind: KindUnit, ID: "a", Version: "1.10.0"}
	other := &Document{Kind: KindUnit, ID: "b", Version: "1.0.0"}
	l := NewLibrary(two, other, one)
	if d, ok := l.Newest(KindUnit, "a"); !ok || d != two {
		t.Errorf("the newest is %+v: 1.10.0 is newer than 1.9.0", d)
	}
	if got := l.All(KindUnit); !slices.Equal(got, []*Document{one, two, other}) {
		t.Errorf("in the order %v", got)
	}
	if _, ok := l.Get(KindUnit, "a", "2.0.0"); ok {
		t.Error("a version that is not there")
	}
	var none *Library
	if _, ok := none.Newest(KindUnit, "a"); ok || none.All("") != nil {
		t.Error("no library holds nothing")
	}
	kinds := slices.Clone(Kinds())
	slices.Sort(kinds)
	if !slices.Equal(kinds, schemas.Kinds()) {
		t.Errorf("kinds %v, schemas %v", kinds, schemas.Kinds())
	}
}

// TestFromTree lays whole documents out as on main and reads them back.
func TestFromTree(t *testing.T) {
	lib := wholeLibrary(t)
	files := map[string][]byte{"README.md": []byte("x"), "register/r/opened.json": []byte("{}"), "documents/odd.json": []byte("{}")}
	for _, d := range lib.All("") {
		files[d.Path()+".json"], files[d.Path()+".yaml"] = d.Resolved, d.Source
	}
	back, err := FromTree(files)
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range lib.All("") {
		got, ok := back.Get(d.Kind, d.ID, d.Version)
		if !ok || got.Pin() != d.Pin() || !reflect.DeepEqual(got.Value, d.Value) {
			t.Errorf("%s came back as %+v", d.Path(), got)
		}
	}
	for name, b := range map[string]string{
		"documents/unit/brook-one/2.0.0.json":   string(files["documents/unit/brook-one/1.0.0.json"]),
		"documents/person/brook-one/1.0.0.json": string(files["documents/unit/brook-one/1.0.0.json"]),
		"documents/thing/x/1.0.0.json":          "{}",
		"documents/unit/y/1.0.0.json":           `{"kind":"unit","id":"y","version":"1.0.0","colour":"red"}`,
		"documents/unit/z/1.0.0.json":           `{"kind":"unit","id":"z","version":"1.0.0"} {}`,
	} {
		if _, err := FromTree(map[string][]byte{name: []byte(b)}); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestResolvedIsCanonical compares with the ledger's encoder, which is proven
// against RFC 8785, over texts that encoders disagree about.
func TestResolvedIsCanonical(t *testing.T) {
	odd := &Caution{Kind: KindCaution, ID: "odd", Version: "1.0.0", Text: "<a & b> \"q\" \\ \u2028\u2029 \\u2028 é \U0001F600 \nline", Shown: []string{}}
	b := resolvedBytes(odd)
	canonical, err := audit.CanonicalJSON(b)
	if err != nil || string(canonical) != string(b) {
		t.Errorf("%s\nis not\n%s (%v)", b, canonical, err)
	}
	for _, d := range wholeLibrary(t).All("") {
		canonical, err := audit.CanonicalJSON(d.Resolved)
		if err != nil || string(canonical) != string(d.Resolved) {
			t.Errorf("%s is not canonical: %v", d.Path(), err)
		}
	}
}

// TestSchemaAndTypesAgree holds that each key of a schema is a field of the type
// that documents resolve to, and the other way round.
func TestSchemaAndTypesAgree(t *testing.T) {
	writtenOnly := map[string]bool{"borrows": true}                                // worked in
	resolvedOnly := map[string]bool{"window": true}                                // of criteria made from windows
	atBorrow := map[string]bool{"protocol": true, "section": true, "sha256": true} // the keys of borrows
	for _, kind := range schemas.Kinds() {
		v, ok := newValue(kind)
		if !ok {
			t.Fatalf("no type for %s", kind)
		}
		fields := map[string]bool{}
		collectFields(reflect.TypeOf(v).Elem(), fields)
		b, _ := schemas.Bytes(kind)
		var s any
		if err := json.Unmarshal(b, &s); err != nil {
			t.Fatal(err)
		}
		keys := map[string]bool{}
		collectKeys(s, keys)
		if hasRef(string(b), "window") {
			for _, k := range []string{"is", "otherwise", "undecided", "because", "source"} {
				keys[k] = true
			}
		}
		for k := range keys {
			if !fields[k] && !writtenOnly[k] && !atBorrow[k] && kind != KindLayout {
				t.Errorf("%s: the schema's key %q is no field of the type", kind, k)
			}
		}
		for k := range fields {
			if !keys[k] && !resolvedOnly[k] {
				t.Errorf("%s: the type's field %q is no key of the schema", kind, k)
			}
		}
	}
}

func hasRef(schema, name string) bool {
	return strings.Contains(schema, "common.schema.json#/$defs/"+name+`"`)
}

func collectFields(t reflect.Type, out map[string]bool) {
	switch t.Kind() {
	case reflect.Pointer, reflect.Slice, reflect.Map:
		collectFields(t.Elem(), out)
	case reflect.Struct:
		for i := range t.NumField() {
			name, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
			out[name] = true
			collectFields(t.Field(i).Type, out)
		}
	}
}

func collectKeys(v any, out map[string]bool) {
	switch v := v.(type) {
	case map[string]any:
		props, _ := v["properties"].(map[string]any)
		for k := range props {
			out[k] = true
		}
		for _, k := range slices.Sorted(maps.Keys(v)) {
			collectKeys(v[k], out)
		}
	case []any:
		for _, x := range v {
			collectKeys(x, out)
		}
	}
}

// TestWholeNumbersAreTheIntegers keeps the list of keys whose values stay
// numbers the same as the integer fields of the types.
func TestWholeNumbersAreTheIntegers(t *testing.T) {
	got := map[string]bool{}
	var walk func(t reflect.Type)
	walk = func(t reflect.Type) {
		switch t.Kind() {
		case reflect.Pointer, reflect.Slice, reflect.Map:
			walk(t.Elem())
		case reflect.Struct:
			for i := range t.NumField() {
				if t.Field(i).Type.Kind() == reflect.Int {
					name, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
					got[name] = true
				}
				walk(t.Field(i).Type)
			}
		}
	}
	for _, k := range Kinds() {
		v, _ := newValue(k)
		walk(reflect.TypeOf(v))
	}
	if !reflect.DeepEqual(got, wholeNumbers) {
		t.Errorf("integer fields %v, listed %v", got, wholeNumbers)
	}
}
