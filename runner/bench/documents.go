package bench

import (
	"bytes"
	"fmt"
	"sort"
	"strings"

	"tapledger/protocol"
	"tapledger/runner"
)

// DocumentFaults is everything that is wrong in documents that were to be
// added or checked: exit code 2.
type DocumentFaults struct{ Faults []protocol.Fault }

// Error is the number of faults and the first of them.
func (d *DocumentFaults) Error() string {
	if len(d.Faults) == 1 {
		return d.Faults[0].String()
	}
	return fmt.Sprintf("%d faults, the first: %s", len(d.Faults), d.Faults[0])
}

// Check reads documents against those on main without adding anything.
func (b *Bench) Check(files []protocol.File) ([]*protocol.Document, error) {
	m, err := b.Main()
	if err != nil {
		return nil, err
	}
	docs, faults := protocol.ReadAll(files, m.Library)
	if len(faults) > 0 {
		return nil, &DocumentFaults{Faults: faults}
	}
	return docs, nil
}

// AddDocuments puts documents on main, all of them in one commit or none. One
// that lies there already, byte for byte, is passed over; returned are those
// that are new.
func (b *Bench) AddDocuments(files []protocol.File) ([]*protocol.Document, error) {
	var added []*protocol.Document
	err := b.write(func(m *Main) error {
		docs, faults := protocol.ReadAll(files, m.Library)
		if len(faults) > 0 {
			return &DocumentFaults{Faults: faults}
		}
		put := map[string][]byte{}
		var names []string
		for _, d := range docs {
			if d.Kind == protocol.KindBench || d.Kind == protocol.KindPerson {
				return &runner.Refusal{Says: fmt.Sprintf("%s: a %s document is not added like this", d.File, d.Kind),
					Hint: "people come in with: tapledger person add ID; a bench says once and for good what it is"}
			}
			if old, ok := m.Library.Get(d.Kind, d.ID, d.Version); ok {
				if bytes.Equal(old.Source, d.Source) {
					continue
				}
				return &runner.Refusal{Says: fmt.Sprintf("%s: %s %s %s is in the ledger already, with other bytes", d.File, d.Kind, d.ID, d.Version),
					Hint: "a document in the ledger is never changed: raise its version"}
			}
			put[d.Path()+".yaml"], put[d.Path()+".json"] = d.Source, d.Resolved
			names = append(names, fmt.Sprintf("%s %s %s", d.Kind, d.ID, d.Version))
			added = append(added, d)
		}
		if len(added) == 0 {
			return nil
		}
		sort.Strings(names)
		subject, text := "Add "+names[0], ""
		if len(names) > 1 {
			subject, text = fmt.Sprintf("Add %d documents", len(names)), strings.Join(names, "\n")
		}
		_, err := b.commitMain(m, change{put: put, subject: subject, text: text})
		return err
	})
	return added, err
}
