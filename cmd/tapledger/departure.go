package main

import "flag"

var verbDeparture = verb{
	name: "departure", args: "RUN CRITERION... --reason TEXT", says: "accept a deviation: it unblocks, and changes no decision",
	text: `Named are the criteria that it affects, or a step that is left out. Every edition
lists departures, with who accepted them and why.`,
	example: `tapledger departure alder-1 stand.at_most --reason "carrier came two hours late"`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		reason := fs.String("reason", "", "why, in a few `words`")
		try := fs.Int("try", 0, "the `try` that it is about; default: the newest with such a decision")
		return func(c *call) error {
			if err := c.want(2, -1); err != nil {
				return err
			}
			b, run, err := c.run()
			if err != nil {
				return err
			}
			rec, st, err := b.Depart(run, c.args[1:], *try, *reason)
			if err != nil {
				return err
			}
			return c.wrote(b, st, rec)
		}
	},
}
