package main

import "flag"

var verbReopen = verb{
	name: "reopen", args: "RUN --reason TEXT", says: "take a closed run up again; the register keeps that it was closed",
	example: `tapledger reopen alder-1 --reason "second day is drawn after all"`,
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
			st, err := b.ReopenRun(run, *reason)
			if err != nil {
				return err
			}
			return c.wrote(b, st, st.Records[len(st.Records)-1])
		}
	},
}
