package main

import (
	"flag"

	"tapledger/audit"
)

var verbClock = verb{
	name: "clock", args: "[+DURATION | TIME]", says: "simulated benches only: show their clock, or move it forward",
	text: `A simulated bench has its time in DIR/clock. Every verb reads it, one that writes moves
it on by a second. Nothing sets the clock of a real bench.`,
	example: `tapledger clock +8h
tapledger clock 2026-03-03T06:30Z`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		return func(c *call) error {
			if err := c.want(0, 1); err != nil {
				return err
			}
			b, err := c.bench()
			if err != nil {
				return err
			}
			now, err := b.Now()
			if err == nil && len(c.args) == 1 {
				now, err = b.SetClock(c.args[0])
			}
			if err != nil {
				return err
			}
			return c.show(map[string]string{"clock": audit.Time(now)}, "%s\n", audit.Time(now))
		}
	},
}
