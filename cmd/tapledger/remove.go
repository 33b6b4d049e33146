package main

import "flag"

var verbRemove = verb{
	name: "remove", args: "RUN RECORD --reason TEXT", says: "delete an attached file and put on record that it is gone, and why",
	text: `Only the bytes beside the ledger and their salt go; the record that named them stays, and
verify and replay hold. RECORD is the number of the record that the file came with; the first
6 digits or more of its commitment do as well. Copies elsewhere (a back-up, an edition that
was published with it) are yours to delete.`,
	example: `tapledger remove alder-1 17 --reason "the photo shows a neighbour"`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		reason := fs.String("reason", "", "`why`; no names")
		return func(c *call) error {
			if err := c.want(2, 2); err != nil {
				return err
			}
			b, run, err := c.run()
			if err != nil {
				return err
			}
			rec, st, err := b.Remove(run, c.args[1], *reason)
			if err != nil {
				return err
			}
			return c.wrote(b, st, rec)
		}
	},
}
