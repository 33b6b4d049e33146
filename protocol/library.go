package protocol

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"path"
	"slices"
	"sort"
	"strconv"
	"strings"
)

// Kinds of documents, in the order in which they are listed.
const (
	KindBench      = "bench"
	KindPerson     = "person"
	KindUnit       = "unit"
	KindInstrument = "instrument"
	KindLaboratory = "laboratory"
	KindProtocol   = "protocol"
	KindValues     = "values"
	KindScoring    = "scoring"
	KindCampaign   = "campaign"
	KindCaution    = "caution"
	KindLayout     = "layout"
)

// Kinds lists every kind of document.
func Kinds() []string {
	return []string{KindBench, KindPerson, KindUnit, KindInstrument, KindLaboratory, KindProtocol,
		KindValues, KindScoring, KindCampaign, KindCaution, KindLayout}
}

// Library holds the documents that are already known, by kind, id and version.
type Library struct {
	docs map[string]map[string]map[string]*Document
}

// NewLibrary returns a library of the given documents.
func NewLibrary(docs ...*Document) *Library {
	l := &Library{docs: map[string]map[string]map[string]*Document{}}
	for _, d := range docs {
		l.Add(d)
	}
	return l
}

// Add puts a document into the library; one of the same kind, id and version
// is replaced.
func (l *Library) Add(d *Document) {
	if d == nil {
		return
	}
	ids := l.docs[d.Kind]
	if ids == nil {
		ids = map[string]map[string]*Document{}
		l.docs[d.Kind] = ids
	}
	if ids[d.ID] == nil {
		ids[d.ID] = map[string]*Document{}
	}
	ids[d.ID][d.Version] = d
}

// Get returns the document of that kind, id and version.
func (l *Library) Get(kind, id, version string) (*Document, bool) {
	if l == nil {
		return nil, false
	}
	d, ok := l.docs[kind][id][version]
	return d, ok
}

// Newest returns the document of that kind and id with the highest version.
func (l *Library) Newest(kind, id string) (*Document, bool) {
	if l == nil {
		return nil, false
	}
	var best *Document
	for _, d := range l.docs[kind][id] {
		if best == nil || CompareVersions(d.Version, best.Version) > 0 {
			best = d
		}
	}
	return best, best != nil
}

// All returns every document of a kind, sorted by id, then version. An empty
// kind means all kinds, in the order of Kinds.
func (l *Library) All(kind string) []*Document {
	if l == nil {
		return nil
	}
	kinds := []string{kind}
	if kind == "" {
		kinds = Kinds()
	}
	var out []*Document
	for _, k := range kinds {
		first := len(out)
		for _, versions := range l.docs[k] {
			for _, d := range versions {
				out = append(out, d)
			}
		}
		sort.Slice(out[first:], func(i, j int) bool {
			a, b := out[first+i], out[first+j]
			if a.ID != b.ID {
				return a.ID < b.ID
			}
			return CompareVersions(a.Version, b.Version) < 0
		})
	}
	return out
}

// clone returns a library with the same documents that can be added to alone.
func (l *Library) clone() *Library {
	return NewLibrary(l.All("")...)
}

// CompareVersions orders versions "1.10.0" by their numbers: below zero when a
// is older than b. A part that is no number counts as 0.
func CompareVersions(a, b string) int {
	as, bs := strings.Split(a, "."), strings.Split(b, ".")
	for i := 0; i < max(len(as), len(bs)); i++ {
		if d := versionPart(as, i) - versionPart(bs, i); d != 0 {
			return d
		}
	}
	return 0
}

func versionPart(parts []string, i int) int {
	if i >= len(parts) {
		return 0
	}
	n, err := strconv.Atoi(parts[i])
	if err != nil {
		return 0
	}
	return n
}

// HashBytes is the sha256 of b as pins and records write it: "sha256:<hex>".
func HashBytes(b []byte) string {
	h := sha256.Sum256(b)
	return "sha256:" + hex.EncodeToString(h[:])
}

// FromTree reads the documents of main's tree: the resolved form of each from
// documents/<kind>/<id>/<version>.json, its YAML beside it. Files elsewhere are
// ignored. An error names the file; nothing is read from the YAML.
func FromTree(files map[string][]byte) (*Library, error) {
	l := NewLibrary()
	names := make([]string, 0, len(files))
	for name := range files {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		parts := strings.Split(name, "/")
		if len(parts) != 4 || parts[0] != "documents" || path.Ext(name) != ".json" {
			continue
		}
		kind, id, version := parts[1], parts[2], strings.TrimSuffix(parts[3], ".json")
		v, err := ParseResolved(kind, files[name])
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		k, i, ver := identity(v)
		if k != kind || i != id || ver != version {
			return nil, fmt.Errorf("%s: holds %s %s %s; a document lies under its own kind, id and version", name, k, i, ver)
		}
		source := files[strings.TrimSuffix(name, ".json")+".yaml"]
		l.Add(&Document{Kind: kind, ID: id, Version: version, File: name, Source: source, Resolved: files[name],
			SourceHash: HashBytes(source), ResolvedHash: HashBytes(files[name]), Value: v})
	}
	return l, nil
}
