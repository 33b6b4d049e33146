package main

import (
	"flag"
	"fmt"
	"strings"

	"tapledger/audit"
	"tapledger/audit/edition"
	"tapledger/runner"
)

var verbReplay = verb{
	name: "replay", args: "[EDITION]", says: "compute an edition again from the ledger alone and compare every byte",
	text:    "Without an edition: all of them. The ledger should be verified first; replay reads what it finds.",
	example: `tapledger replay spring-2026`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		return func(c *call) error { return replay(c) }
	},
}

// replayed is what replay found about one edition.
type replayed struct {
	Edition     string               `json:"edition"`
	Files       int                  `json:"files"`
	Differences []edition.Difference `json:"differences"`
}

func replay(c *call) error {
	if err := c.want(0, 1); err != nil {
		return err
	}
	b, err := c.bench()
	if err != nil {
		return err
	}
	ids, err := b.Editions()
	if err != nil {
		return err
	}
	if len(c.args) == 1 {
		if !contains(ids, c.args[0]) {
			return &runner.Refusal{Says: fmt.Sprintf("there is no edition %q", c.args[0]), Hint: "there are: " + strings.Join(ids, ", ")}
		}
		ids = c.args
	}
	if len(ids) == 0 {
		return c.show([]replayed{}, "there is no edition yet\n")
	}
	var list []replayed
	var s strings.Builder
	bad := 0
	for _, id := range ids {
		differ, err := edition.Replay(b.Objects(), id)
		if err != nil {
			return &Exit{Code: codeNoReplay, Says: fmt.Sprintf("edition %s does not replay: %v", id, err)}
		}
		list = append(list, replayed{Edition: id, Differences: append([]edition.Difference{}, differ...), Files: countFiles(b.Objects(), id)})
		for _, d := range differ {
			bad++
			fmt.Fprintf(&s, "edition %s, %s: %s\n", id, d.File, d.Says)
		}
		if len(differ) == 0 {
			fmt.Fprintf(&s, "edition %s replays: the same bytes in all %d files\n", id, list[len(list)-1].Files)
		}
	}
	if err := c.show(list, "%s", s.String()); err != nil {
		return err
	}
	if bad > 0 {
		return &Exit{Code: codeNoReplay, Says: fmt.Sprintf("%d places do not replay", bad)}
	}
	return nil
}

func countFiles(o audit.Objects, id string) int {
	refs, err := o.Refs()
	if err != nil {
		return 0
	}
	files, err := audit.ReadFiles(o, refs[audit.RefEditions+id])
	if err != nil {
		return 0
	}
	return len(files)
}

func contains(list []string, x string) bool {
	for _, y := range list {
		if x == y {
			return true
		}
	}
	return false
}
