package main

import (
	"flag"
	"fmt"
	"strings"

	"tapledger/audit/edition"
)

var verbTrace = verb{
	name: "trace", args: "EDITION UNIT.NAME", says: "from a published number down to raw records: weight, finding, formula, values as written",
	text: `NAME is score, a measure, or ANALYTE.reduction, ANALYTE.rise, ANALYTE.margin. Each value is
shown as it was written, with its record, hash, person, times and evidence.`,
	example: `tapledger trace spring-2026 alder-1.score
tapledger trace spring-2026 alder-1.lead.reduction`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		return func(c *call) error {
			if err := c.want(2, 2); err != nil {
				return err
			}
			unit, name, ok := strings.Cut(c.args[1], ".")
			if !ok {
				return &Usage{Says: fmt.Sprintf("trace: %q is not UNIT.NAME", c.args[1]), Hint: "such as alder-1.score"}
			}
			b, err := c.bench()
			if err != nil {
				return err
			}
			way, err := edition.Trace(b.Objects(), c.args[0], unit, name)
			if err != nil {
				return notThere(err)
			}
			if c.json {
				return c.show(way, "")
			}
			return c.show(nil, "%s", way.Text())
		}
	},
}
