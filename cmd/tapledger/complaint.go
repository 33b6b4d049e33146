package main

import (
	"flag"
	"strings"

	"tapledger/runner"
)

var verbComplaint = verb{
	name: "complaint", args: "TEXT --from WHO [--run RUN]", says: "keep what a maker or reader holds against a number; open ones show in every edition",
	example: `tapledger complaint "the flow cannot be right" --from maker --run alder-1 --about flow
tapledger complaint "no reply to two letters" --from reader`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		from := fs.String("from", "", "`who`: maker, reader, laboratory or other; no names")
		about := fs.String("about", "", "the `number` that it is about")
		name := fs.String("run", "", "the `run` that it is about; without one it stands in the register")
		return func(c *call) error {
			if err := c.want(1, -1); err != nil {
				return err
			}
			b, err := c.bench()
			if err != nil {
				return err
			}
			text := strings.Join(c.args, " ")
			if *name == "" {
				if err := b.Complain(runner.Complaint{About: *about, From: *from, Text: text}); err != nil {
					return err
				}
				return c.show(map[string]string{"from": *from, "text": text}, "complaint is in the register\n")
			}
			run, err := b.Run(*name)
			if err != nil {
				return err
			}
			rec, st, err := b.ComplainRun(run, *about, *from, text)
			if err != nil {
				return err
			}
			return c.wrote(b, st, rec)
		}
	},
}
