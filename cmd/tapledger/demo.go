package main

import (
	"errors"
	"flag"
)

var verbDemo = verb{
	name: "demo", args: "[DIR]", says: "the whole job on an invented bench with a simulated clock",
	example: `tapledger demo`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		return func(c *call) error { return errors.New("demo is not built yet") }
	},
}
