package main

import (
	"flag"
	"fmt"
	"strings"

	"tapledger/runner/bench"
)

var verbPart = verb{
	name: "part", args: "RUN fitted|removed PART [NAME=VALUE...]", says: "record a part that was fitted or removed, with lot and date code",
	text: `volume= is what the part had treated by then; at= is when, left out it is now.
Close the feed and let the pressure out before any fitting is loosened.`,
	example: `tapledger part alder-1 fitted membrane lot=M-2291 date_code=2025-11 volume="0 L"`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		attach := fs.String("attach", "", "keep a `file` beside the ledger, such as a photo of the label")
		class := fs.String("class", bench.ClassPrivate, "of the attached file: private, redacted, public")
		shows := fs.String("shows", "", "what the attached file shows, in a few `words`")
		return func(c *call) error {
			if err := c.want(3, -1); err != nil {
				return err
			}
			texts := map[string]string{}
			for _, a := range c.args[3:] {
				name, text, ok := strings.Cut(a, "=")
				if !ok {
					return &Usage{Says: fmt.Sprintf("part: %q is not NAME=VALUE", a), Hint: "lot, date_code, at, volume"}
				}
				texts[name] = text
			}
			b, run, err := c.run()
			if err != nil {
				return err
			}
			sealed, err := c.seal(b, *attach, *class, *shows)
			if err != nil {
				return err
			}
			rec, st, err := b.Part(run, c.args[1], c.args[2], texts, sealed...)
			if err != nil {
				return err
			}
			return c.wrote(b, st, rec)
		}
	},
}
