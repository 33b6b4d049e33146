package main

import (
	"flag"
	"fmt"
	"time"

	"tapledger/protocol/ready"
	"tapledger/runner/bench"
)

var verbNew = verb{
	name: "new", args: "DIR --id ID --person ID", says: "make a bench: its ledger, first person and ready documents",
	text: `A bench is a folder with a bare git repository in it. The keys lie outside, in the
folder that TAPLEDGER_HOME names, or else in your configuration folder. Write down
the root fingerprint that is printed: verify --root checks it.`,
	example: `tapledger new ~/bench --id fern --person mk --title "Fern Street bench" --currency EUR
tapledger new /tmp/try --id try --person me --simulated`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		var o bench.CreateOptions
		fs.StringVar(&o.ID, "id", "", "the bench's `id`; every run's id begins with it")
		fs.StringVar(&o.Person, "person", "", "`id` of the first person; names stay outside the ledger")
		fs.StringVar(&o.Title, "title", "", "a `title`")
		fs.StringVar(&o.Currency, "currency", "", "a `word` for money, such as EUR")
		fs.BoolVar(&o.Simulated, "simulated", false, "a simulated clock and invented runs, for good")
		fs.StringVar(&o.Seed, "seed", "", "simulated only: `text` that ids, codes, salts and keys are made from")
		fs.BoolVar(&o.Synced, "synced", false, "the folder lies on a drive that is shared or kept in step, and nothing else writes there")
		start := fs.String("start", "", "simulated only: the clock's first `time`")
		return func(c *call) error { return newBench(c, o, *start) }
	},
}

func newBench(c *call, o bench.CreateOptions, start string) error {
	if err := c.want(1, 1); err != nil {
		return err
	}
	if o.Simulated && o.Seed == "" {
		o.Seed = "1"
	}
	var err error
	if start != "" {
		if !o.Simulated {
			return &Usage{Says: "--start goes with --simulated", Hint: "nothing sets the clock of a real bench"}
		}
		if o.Start, err = bench.ParseMoment(start); err != nil {
			return err
		}
	}
	o.Ready = ready.Files()
	b, err := bench.Create(c.args[0], o)
	if err != nil {
		return err
	}
	m, err := b.Main()
	if err != nil {
		return err
	}
	text := fmt.Sprintf("bench %s is in %s\nroot fingerprint %s\nperson %s\n", o.ID, c.args[0], m.Root(), o.Person)
	if o.Simulated {
		text += "simulated, invented: for good\n"
	}
	return c.show(map[string]any{"bench": o.ID, "dir": c.args[0], "root": m.Root(), "person": o.Person,
		"simulated": m.Bench.Simulated, "documents": len(m.Library.All("")), "made": m.Date.Format(time.RFC3339)},
		"%snext: tapledger -C %s add FILE... brings in your unit, instruments and laboratory\n", text, c.args[0])
}
