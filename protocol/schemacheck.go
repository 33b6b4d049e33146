package protocol

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"

	"github.com/santhosh-tekuri/jsonschema/v5"

	"tapledger/rules/quantity"
	"tapledger/schemas"
)

// shapes are the compiled schemas of all kinds and their JSON, from which the
// words of a fault are made.
type shapes struct {
	compiled map[string]*jsonschema.Schema
	raw      map[string]any // by file name
}

var loadShapes = sync.OnceValue(func() *shapes {
	s, err := compileShapes()
	if err != nil {
		panic(err) // the schemas are part of the program; a test compiles them
	}
	return s
})

func compileShapes() (*shapes, error) {
	c := jsonschema.NewCompiler()
	c.Draft = jsonschema.Draft2020
	c.AssertFormat = true
	c.LoadURL = func(u string) (io.ReadCloser, error) { return nil, fmt.Errorf("no schema %s is built in", u) }
	for _, w := range extensions {
		c.RegisterExtension(w.name, nil, w)
	}
	s := &shapes{compiled: map[string]*jsonschema.Schema{}, raw: map[string]any{}}
	for _, name := range schemas.Names() {
		b, err := schemas.Bytes(name)
		if err != nil {
			return nil, err
		}
		var v any
		if err := json.Unmarshal(b, &v); err != nil {
			return nil, fmt.Errorf("schema %s: %w", name, err)
		}
		s.raw[schemas.FileName(name)] = v
		if err := c.AddResource(schemas.Base+schemas.FileName(name), strings.NewReader(string(b))); err != nil {
			return nil, fmt.Errorf("schema %s: %w", name, err)
		}
	}
	for _, kind := range schemas.Kinds() {
		sch, err := c.Compile(schemas.Base + schemas.FileName(kind))
		if err != nil {
			return nil, fmt.Errorf("schema %s: %w", kind, err)
		}
		s.compiled[kind] = sch
	}
	return s, nil
}

// extension is one of our keywords: check gives what is wrong with a text, ""
// if nothing is.
type extension struct {
	name  string
	check func(argument any, v any) string
}

var extensions = []extension{
	{"x-quantity", func(_, v any) string {
		if s, ok := v.(string); ok {
			if _, err := quantity.Parse(s); err != nil {
				return err.Error()
			}
		}
		return ""
	}},
	{"x-dimension", func(want, v any) string {
		s, ok := v.(string)
		if !ok {
			return ""
		}
		q, err := quantity.Parse(s)
		if err != nil || q.Dim.String() == want {
			return "" // a text that is no quantity is x-quantity's matter
		}
		return fmt.Sprintf("%q is a %s; a %s is wanted here", s, q.Dim, want)
	}},
	{"x-unit", func(_, v any) string {
		if s, ok := v.(string); ok {
			if _, err := quantity.LookupUnit(s); err != nil {
				return err.Error()
			}
		}
		return ""
	}},
	{"x-decimal", func(_, v any) string {
		s, ok := v.(string)
		if n, is := v.(json.Number); is {
			s, ok = n.String(), true
		}
		if ok && !plainNumber.MatchString(s) {
			return fmt.Sprintf("%q is no plain decimal number", s)
		}
		return ""
	}},
}

// Compile makes an extension of a schema that has its keyword.
func (e extension) Compile(_ jsonschema.CompilerContext, m map[string]any) (jsonschema.ExtSchema, error) {
	arg, ok := m[e.name]
	if !ok {
		return nil, nil
	}
	return extensionSchema{e, arg}, nil
}

type extensionSchema struct {
	extension
	arg any
}

// Validate reports what the extension finds wrong.
func (e extensionSchema) Validate(ctx jsonschema.ValidationContext, v any) error {
	if says := e.check(e.arg, v); says != "" {
		return ctx.Error(e.name, "%s", says)
	}
	return nil
}

// checkShape validates the tree against its kind's schema. It returns the
// pointers of values that must not be read further, and whether everything
// else may be.
func (t *tree) checkShape(kind string) (bad []string, readable bool) {
	err := loadShapes().compiled[kind].Validate(t.value)
	if err == nil {
		return nil, true
	}
	readable = true
	var ve *jsonschema.ValidationError
	if !errors.As(err, &ve) {
		t.fault("", err.Error(), "")
		return nil, false
	}
	var walk func(e *jsonschema.ValidationError)
	walk = func(e *jsonschema.ValidationError) {
		if len(e.Causes) > 0 {
			for _, c := range e.Causes {
				walk(c)
			}
			return
		}
		ptrs, ok := t.shapeFault(e)
		bad = append(bad, ptrs...)
		readable = readable && ok
	}
	walk(ve)
	return bad, readable
}

// notStructure are keys on which no other part of a document depends: a fault
// in one of them does not stop the checks of meaning.
var notStructure = map[string]bool{"title": true, "ask": true, "because": true, "source": true, "says": true, "where": true,
	"fitting": true, "aerator": true, "material": true, "programme": true, "note": true, "document": true, "year": true,
	"status": true, "seller": true, "ties": true, "paid_by": true, "date": true, "retest": true, "otherwise": true,
	"undecided": true, "preservative": true, "created": true, "mark": true, "text": true}

// shapeFault reports one leaf of the validation. It returns the pointers that
// are not to be read further and whether the rest may be.
func (t *tree) shapeFault(e *jsonschema.ValidationError) ([]string, bool) {
	ptr := unescape(e.InstanceLocation)
	keyword, sch := lookSchema(e.AbsoluteKeywordLocation)
	last := ptr[strings.LastIndexByte(ptr, '/')+1:]
	switch keyword {
	case "additionalProperties":
		var bad []string
		for _, key := range t.unknownKeys(ptr, sch) {
			bad = append(bad, pointer(ptr, key))
			t.unknownKey(pointer(ptr, key), key, sch)
		}
		return bad, true
	case "required":
		ok := true
		m, _ := t.look(ptr).(map[string]any)
		for _, k := range texts(sch["required"]) {
			if _, has := m[k]; has {
				continue
			}
			if !misspelt(m, sch, k) {
				t.fault(ptr, fmt.Sprintf("%q is missing%s", k, t.inWhat(ptr)), missingHint(k))
			}
			ok = ok && notStructure[k]
		}
		return nil, ok
	}
	says, hint := shapeWords(keyword, sch, e.Message, t.look(ptr))
	t.fault(ptr, says, hint)
	return []string{ptr}, notStructure[last]
}

// misspelt finds a key that the schema does not know and that was meant for
// the missing one: it is reported as unknown, with "did you mean".
func misspelt(m, sch map[string]any, missing string) bool {
	props, _ := sch["properties"].(map[string]any)
	for _, k := range slices.Sorted(maps.Keys(m)) {
		if _, known := props[k]; !known && quantity.Nearest(k, []string{missing}) != "" {
			return true
		}
	}
	return false
}

// unescape takes the percent signs out of a location of the validator.
func unescape(location string) string {
	if s, err := url.PathUnescape(location); err == nil {
		return s
	}
	return location
}

// lookSchema finds the keyword and the schema around it that a validation
// error speaks of.
func lookSchema(location string) (keyword string, around map[string]any) {
	file, ptr, _ := strings.Cut(strings.TrimPrefix(unescape(location), schemas.Base), "#")
	var v any = loadShapes().raw[file]
	parts := strings.Split(strings.TrimPrefix(ptr, "/"), "/")
	for i, p := range parts {
		if i == len(parts)-1 {
			keyword = p
			break
		}
		p = strings.NewReplacer("~1", "/", "~0", "~").Replace(p)
		switch x := v.(type) {
		case map[string]any:
			v = x[p]
		case []any:
			n, err := strconv.Atoi(p)
			if err != nil || n >= len(x) {
				return keyword, nil
			}
			v = x[n]
		}
	}
	around, _ = v.(map[string]any)
	return keyword, around
}

// look returns the value at a pointer.
func (t *tree) look(ptr string) any {
	v := t.value
	if ptr == "" {
		return v
	}
	for _, p := range strings.Split(ptr[1:], "/") {
		p = strings.NewReplacer("~1", "/", "~0", "~").Replace(p)
		switch x := v.(type) {
		case map[string]any:
			v = x[p]
		case []any:
			n, err := strconv.Atoi(p)
			if err != nil || n >= len(x) {
				return nil
			}
			v = x[n]
		default:
			return nil
		}
	}
	return v
}

func texts(v any) []string {
	list, _ := v.([]any)
	var out []string
	for _, x := range list {
		if s, ok := x.(string); ok {
			out = append(out, s)
		}
	}
	return out
}
