// Package edition makes an edition's core from a ledger alone, computes it
// again, follows a published number down to raw records, and compares two
// editions.
//
// The tree of an edition, with forward slashes:
//
//	core/scores.json findings.json statements.json basis.json tables/*.csv
//	pages/...                          made from core, by audit/report
//	evidence/<run>/records/NNNNNN.json every record of every run of the ranked units
//	evidence/documents/...             the documents that core rests on
//	attachments/...                    public ones, handed in by the bench
//	manifest.json                      path and sha256 of every other file
//
// core/ holds codes, arguments and decimal texts in canonical bytes: no
// sentence, no tool version, no time of its own.
package edition

import (
	"fmt"
	"maps"
	"slices"

	"tapledger/audit"
)

// Files joins core, evidence, pages and public attachments (path in the tree
// -> bytes) and adds manifest.json. Of m the caller fills in ID, Made,
// Supersedes, Tool and Go; Campaign and Engine are taken from core.
func Files(m audit.Manifest, core, evidence, pages, attachments map[string][]byte) (map[string][]byte, error) {
	c, err := ReadCore(core)
	if err != nil {
		return nil, err
	}
	m.Campaign = c.Basis.Campaign.ID + "@" + c.Basis.Campaign.Version
	m.Engine = c.Basis.Engine
	out := map[string][]byte{}
	for _, part := range []map[string][]byte{core, evidence, pages, attachments} {
		for _, path := range slices.Sorted(maps.Keys(part)) {
			if _, has := out[path]; has || path == audit.ManifestFile {
				return nil, fmt.Errorf("%s stands twice in edition %s", path, m.ID)
			}
			out[path] = part[path]
		}
	}
	manifest, err := audit.MakeManifest(m, out)
	if err != nil {
		return nil, err
	}
	out[audit.ManifestFile] = manifest
	return out, nil
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
