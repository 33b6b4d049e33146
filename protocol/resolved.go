package protocol

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
)

// newValue returns an empty value of the type that a kind resolves to.
func newValue(kind string) (any, bool) {
	switch kind {
	case KindBench:
		return &Bench{}, true
	case KindPerson:
		return &Person{}, true
	case KindUnit:
		return &Unit{}, true
	case KindInstrument:
		return &Instrument{}, true
	case KindLaboratory:
		return &Laboratory{}, true
	case KindProtocol:
		return &Protocol{}, true
	case KindValues:
		return &Values{}, true
	case KindScoring:
		return &Scoring{}, true
	case KindCampaign:
		return &Campaign{}, true
	case KindCaution:
		return &Caution{}, true
	case KindLayout:
		return &Layout{}, true
	}
	return nil, false
}

// identity returns kind, id and version of a document's value.
func identity(v any) (kind, id, version string) {
	switch v := v.(type) {
	case *Bench:
		return v.Kind, v.ID, v.Version
	case *Person:
		return v.Kind, v.ID, v.Version
	case *Unit:
		return v.Kind, v.ID, v.Version
	case *Instrument:
		return v.Kind, v.ID, v.Version
	case *Laboratory:
		return v.Kind, v.ID, v.Version
	case *Protocol:
		return v.Kind, v.ID, v.Version
	case *Values:
		return v.Kind, v.ID, v.Version
	case *Scoring:
		return v.Kind, v.ID, v.Version
	case *Campaign:
		return v.Kind, v.ID, v.Version
	case *Caution:
		return v.Kind, v.ID, v.Version
	case *Layout:
		return v.Kind, v.ID, v.Version
	}
	return "", "", ""
}

// ParseResolved reads the resolved form of a document of that kind: a pointer
// to its type (*Protocol, *Unit, ...). Unknown keys, another kind and anything
// after the document are errors.
func ParseResolved(kind string, b []byte) (any, error) {
	v, ok := newValue(kind)
	if !ok {
		return nil, fmt.Errorf("no kind of document %q; the kinds are %v", kind, Kinds())
	}
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		return nil, fmt.Errorf("this is no resolved %s document: %w", kind, err)
	}
	if dec.More() {
		return nil, fmt.Errorf("something follows the resolved %s document", kind)
	}
	if k, _, _ := identity(v); k != kind {
		return nil, fmt.Errorf("a document of kind %q where one of kind %q is wanted", k, kind)
	}
	return v, nil
}

// resolvedBytes writes a document as canonical JSON and one line feed: keys in
// order, no blanks, no escapes but those of RFC 8785. Documents hold objects,
// arrays, texts and whole numbers only, and their keys are plain ASCII, so that
// sorting by bytes is sorting by UTF-16 units. A test compares with the ledger's
// own encoder, which stands below this package.
func resolvedBytes(v any) []byte {
	plain, err := json.Marshal(v)
	if err != nil {
		panic(err) // the types hold texts, whole numbers, lists and maps only
	}
	dec := json.NewDecoder(bytes.NewReader(plain))
	dec.UseNumber()
	var tree any
	if err := dec.Decode(&tree); err != nil {
		panic(err)
	}
	var out bytes.Buffer
	writeCanonical(&out, tree)
	out.WriteByte('\n')
	return out.Bytes()
}

func writeCanonical(out *bytes.Buffer, v any) {
	switch v := v.(type) {
	case map[string]any:
		out.WriteByte('{')
		for i, k := range slices.Sorted(maps.Keys(v)) {
			if i > 0 {
				out.WriteByte(',')
			}
			writeText(out, k)
			out.WriteByte(':')
			writeCanonical(out, v[k])
		}
		out.WriteByte('}')
	case []any:
		out.WriteByte('[')
		for i, x := range v {
			if i > 0 {
				out.WriteByte(',')
			}
			writeCanonical(out, x)
		}
		out.WriteByte(']')
	case string:
		writeText(out, v)
	case json.Number:
		out.WriteString(v.String())
	}
}

// writeText quotes a text. Reading has refused every control character but the
// line feed.
func writeText(out *bytes.Buffer, s string) {
	out.WriteByte('"')
	for _, r := range s {
		switch r {
		case '"', '\\':
			out.WriteByte('\\')
			out.WriteRune(r)
		case '\n':
			out.WriteString(`\n`)
		default:
			out.WriteRune(r)
		}
	}
	out.WriteByte('"')
}
