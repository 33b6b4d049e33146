package main

import (
	"flag"
	"runtime"

	"tapledger/audit"
	"tapledger/audit/edition"
	"tapledger/audit/report"
	"tapledger/runner/bench"
)

var verbScore = verb{
	name: "score", args: "CAMPAIGN", says: "the scores of a campaign as they are now; nothing is published",
	example: `tapledger score spring`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		return func(c *call) error {
			if err := c.want(1, 1); err != nil {
				return err
			}
			b, err := c.bench()
			if err != nil {
				return err
			}
			e, err := b.Input(c.args[0])
			if err != nil {
				return err
			}
			core, _, err := edition.Build(e.Objects, e.Main, e.Heads, e.Campaign, e.Version)
			if err != nil {
				return err
			}
			return c.core(core)
		}
	},
}

// core prints an edition's scores.
func (c *call) core(core map[string][]byte) error {
	if c.json {
		_, err := c.out.Write(core["core/scores.json"])
		return err
	}
	text, err := report.Text(core)
	if err != nil {
		return err
	}
	return c.show(nil, "%s", text)
}

// makeEdition joins what the rooms make of an edition into its tree.
func makeEdition(e bench.Edition) (map[string][]byte, error) {
	core, evidence, err := edition.Build(e.Objects, e.Main, e.Heads, e.Campaign, e.Version)
	if err != nil {
		return nil, err
	}
	tool, _ := toolVersion()
	m := audit.Manifest{ID: e.ID, Made: e.Made, Supersedes: e.Supersedes, Tool: tool, Go: runtime.Version()}
	pages, err := report.Pages(core, m)
	if err != nil {
		return nil, err
	}
	return edition.Files(m, core, evidence, pages, e.Attachments)
}
