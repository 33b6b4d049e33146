package main

import (
	"flag"
	"fmt"
	"strings"

	"tapledger/protocol"
)

var verbAdd = verb{
	name: "add", args: "FILE...", says: "bring documents into the ledger: all of them or none",
	text: `Documents are YAML: units, instruments, laboratories, protocols, values, scoring,
campaigns, cautions, layouts. They are checked first, as by check; one that refers to
another may come in the same call. A document in the ledger is never changed: raise
its version.`,
	example: `tapledger add documents/unit.yaml documents/gauge-1.yaml`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		return func(c *call) error {
			if err := c.want(1, -1); err != nil {
				return err
			}
			b, err := c.bench()
			if err != nil {
				return err
			}
			files, err := c.documents()
			if err != nil {
				return err
			}
			added, err := b.AddDocuments(files)
			if err != nil {
				return err
			}
			c.recovered(b)
			return c.listDocuments(added, "added", "nothing new: every document is in the ledger already\n")
		}
	},
}

// documents reads the files that the call names.
func (c *call) documents() ([]protocol.File, error) {
	var files []protocol.File
	for _, name := range c.args {
		b, err := c.readFile(name)
		if err != nil {
			return nil, err
		}
		files = append(files, protocol.File{Name: name, Bytes: b})
	}
	return files, nil
}

func (c *call) listDocuments(docs []*protocol.Document, word, none string) error {
	type line struct {
		Kind     string `json:"kind"`
		ID       string `json:"id"`
		Version  string `json:"version"`
		Source   string `json:"source"`
		Resolved string `json:"resolved"`
	}
	list := []line{}
	var s strings.Builder
	for _, d := range docs {
		list = append(list, line{d.Kind, d.ID, d.Version, d.SourceHash, d.ResolvedHash})
		fmt.Fprintf(&s, "%s: %s %s %s\n", word, d.Kind, d.ID, d.Version)
	}
	if len(docs) == 0 {
		s.WriteString(none)
	}
	return c.show(list, "%s", s.String())
}
