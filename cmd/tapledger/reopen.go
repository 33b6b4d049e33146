package main

import (
	"flag"

	"tapledger/runner"
	"tapledger/runner/bench"
)

var verbReopen = verb{
	name: "reopen", args: "RUN --reason TEXT", says: "take a closed run up again; the register keeps that it was closed",
	example: `tapledger reopen alder-1 --reason "second day is drawn after all"`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		reason := fs.String("reason", "", "why, in a few `words`")
		return func(c *call) error {
			return c.onRun(func(b *bench.Bench, run string) (*runner.State, error) { return b.ReopenRun(run, *reason) })
		}
	},
}
