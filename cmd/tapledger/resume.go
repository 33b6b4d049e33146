package main

import "flag"

var verbResume = verb{
	name: "resume", args: "RUN", says: "take a stopped run up again",
	text:    "Windows went on while the run was stopped: next shows which were missed.",
	example: `tapledger resume alder-1 --reason "hose clamp replaced"`,
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
			rec, st, err := b.Resume(run, *reason)
			if err != nil {
				return err
			}
			return c.wrote(b, st, rec)
		}
	},
}
