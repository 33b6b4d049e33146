package main

import "flag"

var verbStop = verb{
	name: "stop", args: "RUN", says: "the way out: close the feed, pull the plug at a dry place; no form, no reason asked",
	text:    "The run takes no entry until resume. --reason can be given, and need not be.",
	example: `tapledger stop alder-1`,
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
			rec, st, err := b.Stop(run, *reason)
			if err != nil {
				return err
			}
			return c.wrote(b, st, rec)
		}
	},
}
