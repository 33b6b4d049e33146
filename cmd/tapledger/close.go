package main

import "flag"

var verbClose = verb{
	name: "close", args: "RUN", says: "end a run that was carried out, and say so in the register",
	text: `Refused while steps are open. A laboratory's report, a note or a complaint may follow;
anything else needs reopen.`,
	example: `tapledger close alder-1`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		return func(c *call) error {
			if err := c.want(1, 1); err != nil {
				return err
			}
			b, run, err := c.run()
			if err != nil {
				return err
			}
			st, err := b.CloseRun(run)
			if err != nil {
				return err
			}
			return c.wrote(b, st, st.Records[len(st.Records)-1])
		}
	},
}
