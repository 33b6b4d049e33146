package audit

import (
	"fmt"
	"time"
)

var zeroTime time.Time

// MainSpec says what a commit on main changes.
type MainSpec struct {
	Parent  string            // "" for the root
	Put     map[string][]byte // files added or replaced, by path
	Bench   string            // bench id
	Author  string            // person id, or bench
	Date    time.Time         // must not lie before the parent's
	Subject string
	Text    string // optional, below the subject
}

// RunSpec says what a run's commit holds beside its record.
type RunSpec struct {
	Record  Record
	Parent  string // the commit of the record before; for seq 1 the main commit of the record
	Bench   string
	Subject string
	Text    string
}

// EditionSpec says what an edition's commit holds. Files must hold
// manifest.json, made by MakeManifest.
type EditionSpec struct {
	ID      string
	Main    string
	Heads   map[string]string // run -> commit, every registered run that has a record
	Files   map[string][]byte
	Bench   string
	Author  string
	Date    time.Time
	Subject string
	Text    string
}

// NewMainCommit makes a commit on main and gives its name and the objects that
// its parent's tree does not have. It reads the parent's tree through o. The
// caller stores the objects, then moves the ref.
func NewMainCommit(o Objects, spec MainSpec, s Signer) (hash string, objects []RawObject, err error) {
	return "", nil, fmt.Errorf("not built yet")
}

// NewRunCommit makes the commit of one record. For a record that closes the
// run it reads the run through o and lays all its records under records/.
func NewRunCommit(o Objects, spec RunSpec, s Signer) (hash string, objects []RawObject, err error) {
	return "", nil, fmt.Errorf("not built yet")
}

// NewEditionCommit makes the commit of an edition: parents main and the heads
// sorted by run id.
func NewEditionCommit(spec EditionSpec, s Signer) (hash string, objects []RawObject, err error) {
	return "", nil, fmt.Errorf("not built yet")
}

// RegisterFiles gives the files that a commit on main after main must put so
// that it names every head which moved since, and every edition that main does
// not name yet: register/<run>/head.json and register/editions/<id>.json.
func RegisterFiles(o Objects, main string) (map[string][]byte, error) {
	return nil, fmt.Errorf("not built yet")
}
