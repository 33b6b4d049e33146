package main

import (
	"flag"

	"tapledger/runner"
	"tapledger/runner/bench"
)

var verbResume = verb{
	name: "resume", args: "RUN", says: "take a stopped run up again",
	text:    "Windows went on while the run was stopped: next shows which were missed.",
	example: `tapledger resume alder-1 --reason "hose clamp replaced"`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		reason := fs.String("reason", "", "why, in a few `words`")
		return func(c *call) error {
			return c.onRun(func(b *bench.Bench, run string) (*runner.State, error) {
				_, st, err := b.Resume(run, *reason)
				return st, err
			})
		}
	},
}
