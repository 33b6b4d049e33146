package main

import (
	"flag"

	"tapledger/runner"
	"tapledger/runner/bench"
)

var verbStop = verb{
	name: "stop", args: "RUN", says: "the way out: close the feed, pull the plug at a dry place; no form, no reason asked",
	text:    "The run takes no entry until resume. --reason can be given, and need not be.",
	example: `tapledger stop alder-1`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		reason := fs.String("reason", "", "why, in a few `words`")
		return func(c *call) error {
			return c.onRun(func(b *bench.Bench, run string) (*runner.State, error) {
				_, st, err := b.Stop(run, *reason)
				return st, err
			})
		}
	},
}
