package protocol

import (
	"encoding/json"
	"fmt"
	"strings"

	"tapledger/rules"
	"tapledger/rules/quantity"
)

// File is a document's YAML with the name that faults are reported under.
type File struct {
	Name  string
	Bytes []byte
}

// Read reads one document, checks it against the schema of its kind and then
// against meaning, and resolves it. lib holds the documents it may refer to;
// it is not changed. Faults are sorted by line and column; with any fault the
// document is nil.
func Read(f File, lib *Library) (*Document, []Fault) {
	docs, faults := ReadAll([]File{f}, lib)
	if len(faults) > 0 {
		return nil, faults
	}
	return docs[0], nil
}

// ReadAll reads several documents that may refer to each other and to those
// in lib, whatever their order. The documents are in the order of the files;
// with any fault they are nil, and all faults are sorted by file and place.
func ReadAll(files []File, lib *Library) ([]*Document, []Fault) {
	all := lib.clone()
	drafts := make([]*draft, len(files))
	for i, f := range files {
		drafts[i] = readDraft(f)
	}
	// A protocol that borrows needs its lender resolved first, and sections are
	// lent one level deep, so lenders come in the first round.
	for _, borrowing := range []bool{false, true} {
		for _, d := range drafts {
			if d.value != nil && d.borrows() == borrowing {
				d.resolve(all)
				all.Add(d.document())
			}
		}
	}
	noteTwins(drafts)
	var faults []Fault
	for _, d := range drafts {
		if d.value != nil {
			d.checkMeaning(all)
		}
		faults = append(faults, d.faults...)
	}
	if len(faults) > 0 {
		return nil, sortFaults(faults)
	}
	docs := make([]*Document, len(drafts))
	for i, d := range drafts {
		docs[i] = d.document()
	}
	return docs, nil
}

// draft is a document between reading and resolving.
type draft struct {
	*tree
	source []byte
	kind   string
	value  any // *Protocol, ...; nil when the file cannot be read further
	// borrowed holds, by index of the section, what it borrows.
	borrowed map[int]borrow
	// at says where criteria that came from windows or lenders stand, by id.
	criterionAt map[string]string
	// env is the protocol's own environment for expressions.
	env      *rules.Env
	envError error
	badRules bool // some expression does not compile
}

// readDraft reads a file as far as its shape goes.
func readDraft(f File) *draft {
	d := &draft{tree: readTree(f), source: f.Bytes, borrowed: map[int]borrow{}, criterionAt: map[string]string{}}
	top, ok := d.tree.value.(map[string]any)
	if !ok || len(d.faults) > 0 {
		return d
	}
	kind, isText := top["kind"].(string)
	switch {
	case top["kind"] == nil:
		d.fault("", `"kind" is missing`, "the kinds are "+strings.Join(Kinds(), ", "))
		return d
	case !isText || loadShapes().compiled[kind] == nil:
		hint := "the kinds are " + strings.Join(Kinds(), ", ")
		if near := quantity.Nearest(kind, Kinds()); near != "" {
			hint = fmt.Sprintf("did you mean %q?", near)
		}
		d.fault("/kind", fmt.Sprintf("there are no documents of kind %s", show(top["kind"])), hint)
		return d
	}
	bad, readable := d.checkShape(kind)
	if !readable {
		return d
	}
	d.kind = kind
	d.value = d.typed(kind, bad)
	return d
}

// typed turns the tree into the Go type of its kind, without what must not be
// read further.
func (d *draft) typed(kind string, bad []string) any {
	skip := map[string]bool{}
	for _, b := range bad {
		skip[b] = true
	}
	plain := d.plain(d.tree.value, "", skip)
	if kind == KindProtocol {
		d.takeBorrows(plain)
	}
	b, err := json.Marshal(plain)
	if err != nil {
		d.fault("", err.Error(), "")
		return nil
	}
	v, _ := newValue(kind)
	if err := json.Unmarshal(b, v); err != nil {
		d.fault("", "this cannot be read: "+err.Error(), "")
		return nil
	}
	return v
}

// wholeNumbers are the keys whose values are whole numbers in the resolved
// form; a number anywhere else is a decimal that is kept as written.
var wholeNumbers = map[string]bool{"most": true, "fewest": true, "repeats": true, "digits": true}

func (d *draft) plain(v any, ptr string, skip map[string]bool) any {
	switch v := v.(type) {
	case map[string]any:
		out := map[string]any{}
		for k, x := range v {
			p := pointer(ptr, k)
			if skip[p] {
				continue
			}
			if n, ok := x.(json.Number); ok && !wholeNumbers[k] {
				out[k] = n.String()
				continue
			}
			out[k] = d.plain(x, p, skip)
		}
		return out
	case []any:
		out := make([]any, 0, len(v))
		for i, x := range v {
			p := fmt.Sprintf("%s/%d", ptr, i)
			if skip[p] {
				x = map[string]any{} // keeps the places of those that follow
				if _, isText := v[i].(string); isText {
					x = ""
				}
			}
			out = append(out, d.plain(x, p, skip))
		}
		return out
	}
	return v
}

func (d *draft) document() *Document {
	kind, id, version := identity(d.value)
	doc := &Document{Kind: kind, ID: id, Version: version, File: d.file, Source: d.source, SourceHash: HashBytes(d.source), Value: d.value}
	doc.Resolved = resolvedBytes(d.value)
	doc.ResolvedHash = HashBytes(doc.Resolved)
	return doc
}

// noteTwins reports files that hold the same document.
func noteTwins(drafts []*draft) {
	first := map[string]*draft{}
	for _, d := range drafts {
		if d.value == nil {
			continue
		}
		kind, id, version := identity(d.value)
		key := kind + " " + id + " " + version
		if other, twice := first[key]; twice {
			d.fault("/id", fmt.Sprintf("%s is also in %s", key, other.file), "raise the version, or give it another id")
			continue
		}
		first[key] = d
	}
}
