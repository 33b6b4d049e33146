package main

import (
	"flag"
	"sort"
	"strings"

	"tapledger/protocol"
	"tapledger/runner"
)

var verbCaution = verb{
	name: "caution", args: "RUN [ID...]", says: "read the cautions of what is due, and put on record that they were read",
	text: `Without an id it prints the cautions that you have not read and that are due at what
may be done now. With ids it prints these and records that you read them, once for
each person and run. No option skips them.`,
	example: `tapledger caution alder-1
tapledger caution alder-1 feed-shut know-main-valve`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		return func(c *call) error {
			if err := c.want(1, -1); err != nil {
				return err
			}
			b, run, err := c.run()
			if err != nil {
				return err
			}
			if len(c.args) > 1 {
				recs, st, err := b.ReadCautions(run, c.args[1:])
				if err != nil {
					return err
				}
				if !c.json {
					c.printCautions(st, c.args[1:])
				}
				return c.wrote(b, st, recs...)
			}
			st, err := b.State(run)
			if err != nil {
				return err
			}
			due, err := b.CautionsDue(st)
			if err != nil {
				return err
			}
			if c.json {
				var list []*protocol.Caution
				for _, id := range due {
					list = append(list, st.Pinned.Cautions[id])
				}
				return c.show(list, "")
			}
			c.printCautions(st, due)
			if len(due) == 0 {
				return c.show(nil, "nothing unread is due at what may be done now\n")
			}
			return c.show(nil, "read them, then: tapledger caution %s %s\n", c.args[0], strings.Join(due, " "))
		}
	},
}

func (c *call) printCautions(st *runner.State, ids []string) {
	for _, id := range ids {
		if x := st.Pinned.Cautions[id]; x != nil {
			c.show(nil, "%s", cautionText(x))
		}
	}
}

// sorted gives the keys of a map in order.
func sorted[V any](m map[string]V) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}
