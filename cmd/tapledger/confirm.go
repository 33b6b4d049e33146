package main

import (
	"flag"

	"tapledger/runner/bench"
)

var verbConfirm = verb{
	name: "confirm", args: "RUN SEQ --as PERSON", says: "a second person confirms a record, with a key of their own",
	text: `Nobody confirms their own record. What two keys on one machine are worth, every
edition says.`,
	example: `tapledger confirm alder-1 17 --as rv`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		as := fs.String("as", "", "the second `person`")
		return func(c *call) error {
			if err := c.want(2, 2); err != nil {
				return err
			}
			if *as == "" {
				return &Usage{Says: "confirm: --as is missing", Hint: "a second person signs: --as PERSON"}
			}
			c.by = *as
			b, run, err := c.run()
			if err != nil {
				return err
			}
			seq, err := bench.ParseSeq(c.args[1])
			if err != nil {
				return err
			}
			rec, st, err := b.Confirm(run, seq)
			if err != nil {
				return err
			}
			return c.wrote(b, st, rec)
		}
	},
}
