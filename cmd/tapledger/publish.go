package main

import (
	"flag"
	"fmt"
	"path/filepath"

	"tapledger/runner/bench"
)

var verbPublish = verb{
	name: "publish", args: "EDITION CAMPAIGN", says: "make an edition: scores with all that they rest on; never edited, only superseded",
	text: `The runs are taken from the register by the campaign's rule. Every run of the bench is
accounted for, abandoned ones too. The files are laid into editions/EDITION in the
bench's folder; the ledger's copy counts.`,
	example: `tapledger publish spring-2026 spring
tapledger publish spring-2026-2 spring --supersedes spring-2026`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		var o bench.PublishSpec
		fs.StringVar(&o.Supersedes, "supersedes", "", "`edition` that it takes the place of; default: the newest of the campaign")
		return func(c *call) error {
			if err := c.want(2, 2); err != nil {
				return err
			}
			b, err := c.bench()
			if err != nil {
				return err
			}
			o.ID, o.Campaign, o.Make = c.args[0], c.args[1], makeEdition
			files, commit, err := b.Publish(o)
			if err != nil {
				return err
			}
			c.recovered(b)
			page := filepath.Join(b.Dir, "editions", o.ID, "pages", "index.html")
			if c.json {
				m, err := b.Main()
				if err != nil {
					return err
				}
				return c.show(map[string]any{"simulated": m.Bench.Simulated, "edition": o.ID, "commit": commit, "files": len(files), "page": page}, "")
			}
			if err := c.core(files); err != nil {
				return err
			}
			return c.show(nil, "%s", fmt.Sprintf("edition %s is published: %d files, commit %s\nread it: %s\n", o.ID, len(files), commit, page))
		}
	},
}
