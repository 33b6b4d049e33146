package main

import (
	"flag"
	"strings"

	"tapledger/runner/bench"
)

var verbNote = verb{
	name: "note", args: "RUN TEXT", says: "put a remark on record, with a file if there is one",
	text: `A note that seems to hold an address, a telephone number or e-mail is refused: what is
signed cannot be taken back. A file stays outside the ledger and is private unless its
class says otherwise: photos carry places.`,
	example: `tapledger note alder-1 "street works outside, brown water at 06:10" --about untreated
tapledger note alder-1 "label of the membrane" --attach label.jpg --shows "lot and date code"`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		about := fs.String("about", "", "the `step` that it is about")
		attach := fs.String("attach", "", "keep a `file` beside the ledger, by its salted hash")
		class := fs.String("class", bench.ClassPrivate, "of the attached file: private, redacted, public")
		shows := fs.String("shows", "", "what the attached file shows, in a few `words`")
		return func(c *call) error {
			if err := c.want(2, -1); err != nil {
				return err
			}
			b, run, err := c.run()
			if err != nil {
				return err
			}
			sealed, err := c.seal(b, *attach, *class, *shows)
			if err != nil {
				return err
			}
			rec, st, err := b.Note(run, *about, strings.Join(c.args[1:], " "), sealed...)
			if err != nil {
				return err
			}
			return c.wrote(b, st, rec)
		}
	},
}
