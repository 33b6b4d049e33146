package main

import (
	"flag"

	"tapledger/runner"
	"tapledger/runner/bench"
)

var verbAbandon = verb{
	name: "abandon", args: "RUN --reason TEXT", says: "end a run that will not be carried out; every edition accounts for it",
	example: `tapledger abandon alder-1 --reason "faucet thread stripped, unit goes back"`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		reason := fs.String("reason", "", "why, in a few `words`")
		return func(c *call) error {
			return c.onRun(func(b *bench.Bench, run string) (*runner.State, error) { return b.AbandonRun(run, *reason) })
		}
	},
}
