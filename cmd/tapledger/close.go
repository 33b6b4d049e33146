package main

import (
	"flag"

	"tapledger/runner"
	"tapledger/runner/bench"
)

var verbClose = verb{
	name: "close", args: "RUN", says: "end a run that was carried out, and say so in the register",
	text: `Refused while steps are open. A laboratory's report, a note or a complaint may follow;
anything else needs reopen.`,
	example: `tapledger close alder-1`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		return func(c *call) error {
			return c.onRun(func(b *bench.Bench, run string) (*runner.State, error) { return b.CloseRun(run) })
		}
	},
}
