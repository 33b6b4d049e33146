package protocol

import "fmt"

// Document is one document as read and as resolved.
type Document struct {
	Kind, ID, Version string
	File              string
	Source            []byte // YAML as written
	Resolved          []byte // canonical JSON and one line feed
	SourceHash        string // "sha256:<hex>" of Source
	ResolvedHash      string // "sha256:<hex>" of Resolved
	Value             any    // *Protocol, *Unit, *Person, ...
}

// Pin names a document and both of its hashes, as an opened record does.
type Pin struct {
	ID       string `json:"id"`
	Version  string `json:"version"`
	Source   string `json:"source"`
	Resolved string `json:"resolved"`
}

// Pin returns the document's pin.
func (d *Document) Pin() Pin {
	return Pin{ID: d.ID, Version: d.Version, Source: d.SourceHash, Resolved: d.ResolvedHash}
}

// Path is where the document lies in the tree of main, without its ending:
// documents/<kind>/<id>/<version>.
func (d *Document) Path() string {
	return "documents/" + d.Kind + "/" + d.ID + "/" + d.Version
}

// Fault is what a check finds wrong in a document.
type Fault struct {
	File      string `json:"file"`
	Line      int    `json:"line"` // from 1
	Col       int    `json:"col"`  // from 1, in characters
	Says      string `json:"says"`
	Hint      string `json:"hint,omitempty"`
	Excerpt   string `json:"excerpt,omitempty"`
	CaretAt   int    `json:"caret_at,omitempty"` // column of the caret in Excerpt
	Reference string `json:"reference,omitempty"`
}

// String is the fault's first line: file:line:col: what is wrong.
func (f Fault) String() string {
	return fmt.Sprintf("%s:%d:%d: %s", f.File, f.Line, f.Col, f.Says)
}
