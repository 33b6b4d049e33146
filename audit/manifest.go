package audit

import (
	"fmt"
	"maps"
	"slices"
)

// ManifestFormat is the format of an edition's manifest.json; ManifestFile its
// path.
const (
	ManifestFormat = "manifest/1"
	ManifestFile   = "manifest.json"
)

// FileHash is one file of an edition.
type FileHash struct {
	Path   string `json:"path"`
	SHA256 string `json:"sha256"` // Hash of its bytes
}

// Manifest is an edition's manifest.json. This package reads format, id,
// supersedes and files; the rest is text to it.
type Manifest struct {
	Format     string     `json:"format"`
	ID         string     `json:"id"`
	Made       string     `json:"made"`
	Supersedes string     `json:"supersedes,omitempty"` // edition id
	Campaign   string     `json:"campaign,omitempty"`
	Engine     int        `json:"engine,omitempty"`
	Tool       string     `json:"tool,omitempty"` // module version, for information
	Go         string     `json:"go,omitempty"`   // Go version, for information
	Files      []FileHash `json:"files"`
}

// MakeManifest fills in format and files (every file but manifest.json, sorted
// by path) and gives the bytes of manifest.json.
func MakeManifest(m Manifest, files map[string][]byte) ([]byte, error) {
	m.Format, m.Files = ManifestFormat, []FileHash{}
	for _, p := range slices.Sorted(maps.Keys(files)) {
		if p != ManifestFile {
			m.Files = append(m.Files, FileHash{Path: p, SHA256: Hash(files[p])})
		}
	}
	return Marshal(m)
}

// ParseManifest reads manifest.json strictly.
func ParseManifest(b []byte) (Manifest, error) {
	var m Manifest
	if err := readCanonical(b, &m); err != nil {
		return m, err
	}
	if m.Format != ManifestFormat {
		return m, fmt.Errorf("manifest format %q: %w; this version reads %s", clip(m.Format), ErrNewerFormat, ManifestFormat)
	}
	if _, err := ParseTime(m.Made); err != nil {
		return m, fmt.Errorf("made: %w", err)
	}
	for i, f := range m.Files {
		if !reHash.MatchString(f.SHA256) || i > 0 && m.Files[i-1].Path >= f.Path {
			return m, fmt.Errorf("file %q: its hash or its place in the list is wrong", clip(f.Path))
		}
	}
	return m, CheckID(m.ID)
}
