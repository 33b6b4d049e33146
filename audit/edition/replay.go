package edition

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"tapledger/audit"
)

// Difference is a place where an edition is not what the ledger gives.
type Difference struct {
	File string `json:"file"`
	Path string `json:"path,omitempty"` // JSON path, or line of a table
	Have string `json:"have,omitempty"` // in the edition
	Want string `json:"want,omitempty"` // from the ledger
	Says string `json:"says"`
}

// opened is an edition read from the ledger.
type opened struct {
	id       string
	commit   audit.Commit
	files    map[string][]byte
	manifest audit.Manifest
	bad      error // the manifest cannot be read
}

// open finds an edition by its id, or by its commit.
func open(o audit.Objects, edition string) (*opened, error) {
	hash := edition
	if len(edition) != 40 || strings.Trim(edition, "0123456789abcdef") != "" {
		refs, err := o.Refs()
		if err != nil {
			return nil, err
		}
		if hash = refs[audit.RefEditions+edition]; hash == "" {
			return nil, fmt.Errorf("there is no edition %q in the ledger", edition)
		}
	}
	c, err := audit.ReadCommit(o, hash)
	if err != nil {
		return nil, err
	}
	e := &opened{id: edition, commit: c}
	if e.files, err = audit.ReadFiles(o, hash); err != nil {
		return nil, fmt.Errorf("edition %s: %w", edition, err)
	}
	if len(c.Parents) == 0 {
		return nil, fmt.Errorf("edition %s: its commit names no main commit", edition)
	}
	e.manifest, e.bad = audit.ParseManifest(e.files[audit.ManifestFile])
	if e.bad == nil {
		e.id = e.manifest.ID
	}
	return e, nil
}

// heads names the runs of an edition's parents.
func (e *opened) heads(o audit.Objects) (map[string]string, error) {
	out := map[string]string{}
	for _, hash := range e.commit.Parents[1:] {
		b, found, err := audit.ReadFile(o, hash, audit.RecordFile)
		if err != nil {
			return nil, err
		}
		if !found {
			return nil, fmt.Errorf("parent %s of edition %s is no commit of a run", hash, e.id)
		}
		r, err := audit.ParseRecord(b)
		if err != nil {
			return nil, err
		}
		out[r.Run] = hash
	}
	return out, nil
}

// Replay computes the core of an edition again from its commit's parents and
// compares bytes; evidence is compared with what the ledger holds, everything
// else with the manifest. edition is an id, or a commit. An empty list: the
// edition replays. Errors: an edition that cannot be read at all.
func Replay(o audit.Objects, edition string) ([]Difference, error) {
	e, err := open(o, edition)
	if err != nil {
		return nil, err
	}
	if e.bad != nil {
		return []Difference{{File: audit.ManifestFile, Says: "cannot be read: " + e.bad.Error()}}, nil
	}
	out := e.againstManifest()
	heads, err := e.heads(o)
	if err != nil {
		return append(out, Difference{File: "core", Says: "cannot be computed again: " + err.Error()}), nil
	}
	id, version, _ := strings.Cut(e.manifest.Campaign, "@")
	core, evidence, err := Build(o, e.commit.Parents[0], heads, id, version)
	var refused *Refused
	switch {
	case errors.As(err, &refused):
		return append(out, Difference{File: "core", Says: "the ledger does not allow this edition: " + refused.Reasons[0].Says}), nil
	case err != nil:
		return append(out, Difference{File: "core", Says: "cannot be computed again: " + err.Error()}), nil
	}
	out = append(out, e.against(core, "core/")...)
	return append(out, e.against(evidence, "evidence/")...), nil
}

// againstManifest holds every file against its hash, and the list against the
// tree.
func (e *opened) againstManifest() []Difference {
	var out []Difference
	listed := map[string]bool{audit.ManifestFile: true}
	for _, f := range e.manifest.Files {
		listed[f.Path] = true
		data, ok := e.files[f.Path]
		switch {
		case !ok:
			out = append(out, Difference{File: f.Path, Want: f.SHA256, Says: "the manifest lists it, and it is missing"})
		case audit.Hash(data) != f.SHA256:
			out = append(out, Difference{File: f.Path, Have: audit.Hash(data), Want: f.SHA256, Says: "its bytes are not those that the manifest lists"})
		}
	}
	for _, path := range slices.Sorted(maps.Keys(e.files)) {
		if !listed[path] {
			out = append(out, Difference{File: path, Says: "the manifest does not list it"})
		}
	}
	return out
}

// against compares the files below a folder with what the ledger gives.
func (e *opened) against(want map[string][]byte, folder string) []Difference {
	var out []Difference
	for _, path := range slices.Sorted(maps.Keys(want)) {
		have, ok := e.files[path]
		switch {
		case !ok:
			out = append(out, Difference{File: path, Says: "the ledger gives it, and the edition lacks it"})
		case !bytes.Equal(have, want[path]):
			out = append(out, compareFiles(path, have, want[path])...)
		}
	}
	for _, path := range slices.Sorted(maps.Keys(e.files)) {
		if _, ok := want[path]; !ok && strings.HasPrefix(path, folder) {
			out = append(out, Difference{File: path, Says: "the edition has it, and the ledger does not give it"})
		}
	}
	return out
}

// mostDifferences bounds what is listed of one file.
const mostDifferences = 20

// compareFiles names the places where two files differ: JSON by path, tables by
// line.
func compareFiles(path string, have, want []byte) []Difference {
	const says = "differs from what the ledger gives"
	var out []Difference
	if strings.HasSuffix(path, ".json") {
		var a, b any
		if parse(have, &a) == nil && parse(want, &b) == nil {
			walk("", a, b, func(at, x, y string) {
				if len(out) < mostDifferences {
					out = append(out, Difference{File: path, Path: at, Have: x, Want: y, Says: says})
				}
			})
		}
	} else {
		a, b := strings.Split(string(have), "\n"), strings.Split(string(want), "\n")
		for i := range max(len(a), len(b)) {
			x, y := lineOf(a, i), lineOf(b, i)
			if x != y && len(out) < mostDifferences {
				out = append(out, Difference{File: path, Path: fmt.Sprintf("line %d", i+1), Have: x, Want: y, Says: says})
			}
		}
	}
	if len(out) == 0 {
		out = append(out, Difference{File: path, Have: audit.Hash(have), Want: audit.Hash(want), Says: says + " in its bytes alone"})
	}
	return out
}

func lineOf(lines []string, i int) string {
	if i < len(lines) {
		return lines[i]
	}
	return ""
}

func parse(b []byte, to *any) error {
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	return d.Decode(to)
}

// walk calls say for every leaf that differs, by its path.
func walk(at string, a, b any, say func(at, a, b string)) {
	switch x := a.(type) {
	case map[string]any:
		if y, ok := b.(map[string]any); ok {
			keys := map[string]bool{}
			for k := range x {
				keys[k] = true
			}
			for k := range y {
				keys[k] = true
			}
			for _, k := range slices.Sorted(maps.Keys(keys)) {
				walk(at+"/"+k, x[k], y[k], say)
			}
			return
		}
	case []any:
		if y, ok := b.([]any); ok {
			for i := range max(len(x), len(y)) {
				walk(at+"/"+fmt.Sprint(i), atIndex(x, i), atIndex(y, i), say)
			}
			return
		}
	}
	if p, q := leaf(a), leaf(b); p != q {
		say(at, p, q)
	}
}

func atIndex(list []any, i int) any {
	if i < len(list) {
		return list[i]
	}
	return nil
}

// leaf writes a value short; "" for none.
func leaf(v any) string {
	if v == nil {
		return ""
	}
	if s, ok := v.(string); ok {
		return s
	}
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Sprint(v)
	}
	if len(b) > 120 {
		return string(b[:120]) + "..."
	}
	return string(b)
}

// Change is what differs between two editions.
type Change struct {
	File string `json:"file"`
	Path string `json:"path"`
	From string `json:"from,omitempty"`
	To   string `json:"to,omitempty"`
}

// Compare lists what changed in core from one edition to another (ids or
// commits): every leaf of the JSON files, by its path. Lists of units, runs,
// measures and findings are compared by what they are about, so that one more
// entry does not move all others.
func Compare(o audit.Objects, a, b string) ([]Change, error) {
	x, err := open(o, a)
	if err != nil {
		return nil, err
	}
	y, err := open(o, b)
	if err != nil {
		return nil, err
	}
	out := []Change{}
	for _, file := range []string{ScoresFile, FindingsFile, StatementsFile, BasisFile} {
		var p, q any
		if err := parse(x.files[file], &p); err != nil {
			return nil, fmt.Errorf("edition %s, %s: %w", a, file, err)
		}
		if err := parse(y.files[file], &q); err != nil {
			return nil, fmt.Errorf("edition %s, %s: %w", b, file, err)
		}
		walk("", keyed(p), keyed(q), func(at, from, to string) {
			out = append(out, Change{File: file, Path: at, From: from, To: to})
		})
	}
	return out, nil
}

// keyed turns lists whose entries name what they are about into objects.
func keyed(v any) any {
	switch x := v.(type) {
	case map[string]any:
		for k := range x {
			x[k] = keyed(x[k])
		}
		return x
	case []any:
		out := map[string]any{}
		for i, e := range x {
			m, ok := e.(map[string]any)
			name := ""
			if ok {
				name = nameOf(m)
			}
			if _, has := out[name]; name == "" || has {
				name = fmt.Sprint(i)
			}
			out[name] = keyed(e)
		}
		return out
	}
	return v
}

// nameOf is what an entry of a list is about.
func nameOf(m map[string]any) string {
	text := func(k string) string { s, _ := m[k].(string); return s }
	switch {
	case text("subject") != "":
		return text("subject") + "." + text("kind")
	case text("name") != "":
		return text("name")
	}
	for _, k := range []string{"measure", "cap", "analyte", "unit", "id", "code", "run", "path", "part"} {
		if text(k) != "" {
			return text(k)
		}
	}
	return ""
}
