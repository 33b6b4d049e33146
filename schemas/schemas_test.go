package schemas

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v5"
)

// TestDraft checks every schema against the draft 2020-12 meta-schema, which
// the validator brings along, and that they fetch nothing.
func TestDraft(t *testing.T) {
	c := jsonschema.NewCompiler()
	c.Draft = jsonschema.Draft2020
	c.LoadURL = func(u string) (io.ReadCloser, error) { return nil, fmt.Errorf("%s is fetched", u) }
	meta := jsonschema.MustCompile("https://json-schema.org/draft/2020-12/schema")
	for _, n := range Names() {
		b, err := Bytes(n)
		if err != nil {
			t.Fatal(err)
		}
		var v map[string]any
		if err := json.Unmarshal(b, &v); err != nil {
			t.Fatalf("%s: %v", n, err)
		}
		if err := meta.Validate(any(v)); err != nil {
			t.Errorf("%s is no schema of the draft: %v", n, err)
		}
		if v["$id"] != Base+FileName(n) || v["$schema"] != "https://json-schema.org/draft/2020-12/schema" {
			t.Errorf("%s names itself %v by %v", n, v["$id"], v["$schema"])
		}
		if err := c.AddResource(Base+FileName(n), strings.NewReader(string(b))); err != nil {
			t.Fatal(err)
		}
	}
	for _, k := range Kinds() {
		if _, err := c.Compile(Base + FileName(k)); err != nil {
			t.Errorf("%s: %v", k, err)
		}
	}
	broken := map[string]any{"type": "wrong"}
	if meta.Validate(any(broken)) == nil {
		t.Error("the meta-schema accepts anything")
	}
}

// TestClosed holds that no map anywhere takes keys that its schema does not name.
func TestClosed(t *testing.T) {
	for _, n := range Names() {
		b, _ := Bytes(n)
		var v any
		if err := json.Unmarshal(b, &v); err != nil {
			t.Fatal(err)
		}
		walk(v, "", func(at string, m map[string]any) {
			_, isIf := m["properties"]
			if m["type"] == "object" && m["additionalProperties"] != false && m["allOf"] == nil {
				t.Errorf("%s%s is an open map", n, at)
			}
			if isIf && strings.HasSuffix(at, "/then") && strings.Contains(at, "allOf") && n == "protocol" && m["additionalProperties"] != false {
				t.Errorf("%s%s leaves a step's keys open", n, at)
			}
		})
	}
}

func walk(v any, at string, f func(string, map[string]any)) {
	switch v := v.(type) {
	case map[string]any:
		f(at, v)
		for k, x := range v {
			walk(x, at+"/"+k, f)
		}
	case []any:
		for i, x := range v {
			walk(x, fmt.Sprintf("%s/%d", at, i), f)
		}
	}
}

// TestHash is what a shell works out with: cat *.schema.json | sha256sum, in
// the order of the names.
func TestHash(t *testing.T) {
	names := Names()
	if !slices.IsSorted(names) || !slices.Contains(names, Common) || slices.Contains(Kinds(), Common) {
		t.Errorf("names %v", names)
	}
	var all []byte
	for _, n := range names {
		b, _ := Bytes(n)
		all = append(all, b...)
	}
	sum := sha256.Sum256(all)
	if got, want := Hash(), "sha256:"+hex.EncodeToString(sum[:]); got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if _, err := Bytes("protocoll"); err == nil || !strings.Contains(err.Error(), "protocol") {
		t.Errorf("an unknown name gives %v", err)
	}
}
