package main

import "flag"

var verbAbandon = verb{
	name: "abandon", args: "RUN --reason TEXT", says: "end a run that will not be carried out; every edition accounts for it",
	example: `tapledger abandon alder-1 --reason "faucet thread stripped, unit goes back"`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		reason := fs.String("reason", "", "why, in a few `words`")
		return func(c *call) error {
			if err := c.want(1, 1); err != nil {
				return err
			}
			b, run, err := c.run()
			if err != nil {
				return err
			}
			st, err := b.AbandonRun(run, *reason)
			if err != nil {
				return err
			}
			return c.wrote(b, st, st.Records[len(st.Records)-1])
		}
	},
}
