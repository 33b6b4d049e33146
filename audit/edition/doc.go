// Package edition makes an edition's core from a ledger alone, computes it
// again, follows a published number down to raw records, and compares two
// editions.
//
// The tree of an edition, with forward slashes:
//
//	core/scores.json findings.json statements.json basis.json tables/*.csv
//	pages/...                          made from core, by audit/report
//	evidence/<run>/records/NNNNNN.json every record of every run that counts
//	evidence/documents/...             the documents that core rests on
//	attachments/...                    public ones, handed in by the bench
//	manifest.json                      path and sha256 of every other file
//
// core/ holds codes, arguments and decimal texts in canonical bytes: no
// sentence, no tool version, no time of its own.
package edition

import (
	"errors"

	"tapledger/audit"
)

var errNotYet = errors.New("edition: not built yet")

// Build works out the core and the evidence of an edition of a campaign, from
// a ledger alone: main is the commit on main whose documents and register
// count, heads the newest commit of every registered run that has a record.
// version "" takes the campaign's newest version on main. Paths are those in
// the edition's tree ("core/scores.json"). A campaign that may not be
// published gives *Refused.
func Build(o audit.Objects, main string, heads map[string]string, campaign, version string) (core, evidence map[string][]byte, err error) {
	return nil, nil, errNotYet
}

// Files joins core, evidence, pages and public attachments (path in the tree
// -> bytes) and adds manifest.json. Of m the caller fills in ID, Made,
// Supersedes, Tool and Go; Campaign and Engine are taken from core.
func Files(m audit.Manifest, core, evidence, pages, attachments map[string][]byte) (map[string][]byte, error) {
	return nil, errNotYet
}

// Reason is one thing that stands against publishing.
type Reason struct {
	Code string   `json:"code"`
	Unit string   `json:"unit,omitempty"`
	Run  string   `json:"run,omitempty"`
	Args []string `json:"args,omitempty"`
	Says string   `json:"says"`
	Hint string   `json:"hint,omitempty"`
}

// Refused says why a campaign may not be published now: exit code 3.
type Refused struct {
	Campaign string   `json:"campaign"`
	Reasons  []Reason `json:"reasons"`
}

// Error is every reason on a line of its own.
func (r *Refused) Error() string {
	s := "campaign " + r.Campaign + " may not be published"
	for _, x := range r.Reasons {
		s += "\n  " + x.Says
	}
	return s
}

// Difference is a place where an edition is not what the ledger gives.
type Difference struct {
	File string `json:"file"`
	Path string `json:"path,omitempty"` // JSON path, or line of a table
	Have string `json:"have,omitempty"` // in the edition
	Want string `json:"want,omitempty"` // from the ledger
	Says string `json:"says"`
}

// Replay computes the core of an edition again from its commit's parents and
// compares bytes; everything else is held against the manifest. edition is an
// id, or a commit. An empty list: the edition replays.
func Replay(o audit.Objects, edition string) ([]Difference, error) { return nil, errNotYet }

// Change is what differs between two editions.
type Change struct {
	File string `json:"file"`
	Path string `json:"path"`
	From string `json:"from,omitempty"`
	To   string `json:"to,omitempty"`
}

// Compare lists what changed in core from one edition to another (ids or
// commits).
func Compare(o audit.Objects, a, b string) ([]Change, error) { return nil, errNotYet }

// Trace follows a published number of a unit down to raw records. name is
// "score", a measure's id, or ANALYTE.reduction, ANALYTE.rise, ANALYTE.margin.
func Trace(o audit.Objects, edition, unit, name string) (*Way, error) { return nil, errNotYet }

// Way is the way from a published number to raw records.
type Way struct {
	Edition string `json:"edition"`
	Unit    string `json:"unit"`
	Name    string `json:"name"`
}

// Text is the way for a terminal.
func (w *Way) Text() string { return "" }
