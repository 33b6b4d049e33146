package main

import (
	"errors"
	"flag"

	"tapledger/protocol"
	"tapledger/protocol/ready"
	"tapledger/runner/bench"
)

var verbCheck = verb{
	name: "check", args: "FILE...", says: "check documents and list every fault with file, line and column",
	text: `Documents are held against the schema of their kind, then against meaning: rules
that read what nothing records, units of another dimension, cautions that are due and
missing. What they refer to is looked for among them, in the bench's ledger, and
outside a bench among the ready documents.`,
	example: `tapledger check my-protocol.yaml`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		return func(c *call) error {
			if err := c.want(1, -1); err != nil {
				return err
			}
			files, err := c.documents()
			if err != nil {
				return err
			}
			docs, err := c.check(files)
			if err != nil {
				return err
			}
			return c.listDocuments(docs, "no fault", "")
		}
	},
}

// check reads documents against the bench, or outside of one against the
// ready documents.
func (c *call) check(files []protocol.File) ([]*protocol.Document, error) {
	b, err := c.bench()
	if err == nil {
		return b.Check(files)
	}
	if !errors.Is(err, bench.ErrNoBench) || c.dir != "" {
		return nil, err
	}
	known, faults := protocol.ReadAll(ready.Files(), protocol.NewLibrary())
	if len(faults) > 0 {
		return nil, &bench.DocumentFaults{Faults: faults}
	}
	docs, faults := protocol.ReadAll(files, protocol.NewLibrary(known...))
	if len(faults) > 0 {
		return nil, &bench.DocumentFaults{Faults: faults}
	}
	return docs, nil
}
