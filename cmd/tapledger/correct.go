package main

import (
	"flag"
	"fmt"
	"strings"

	"tapledger/runner/bench"
)

var verbCorrect = verb{
	name: "correct", args: "RUN SEQ NAME=VALUE --reason TEXT", says: "supersede one value of an earlier record; both stay readable",
	text: `NAME is a value of the record, or a JSON Pointer into its body such as
/results/3/result. A correction that turns a decision to met needs evidence
(NAME:photo=VALUE with --attach), and is listed first in every edition.`,
	example: `tapledger correct alder-1 17 value="61 psi" --reason "read the wrong scale"
tapledger correct alder-1 17 value:photo="61 psi" --attach gauge.jpg --reason "typed 16 for 61"`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		reason := fs.String("reason", "", "why, in a few `words`")
		attach := fs.String("attach", "", "keep a `file` beside the ledger as evidence")
		class := fs.String("class", bench.ClassPrivate, "of the attached file: private, redacted, public")
		shows := fs.String("shows", "", "what the attached file shows, in a few `words`")
		return func(c *call) error {
			if err := c.want(3, 3); err != nil {
				return err
			}
			name, text, ok := strings.Cut(c.args[2], "=")
			if !ok {
				return &Usage{Says: fmt.Sprintf("correct: %q is not NAME=VALUE", c.args[2]), Hint: "such as value=\"61 psi\""}
			}
			b, run, err := c.run()
			if err != nil {
				return err
			}
			seq, err := bench.ParseSeq(c.args[1])
			if err != nil {
				return err
			}
			sealed, err := c.seal(b, *attach, *class, *shows)
			if err != nil {
				return err
			}
			rec, st, err := b.Correct(run, seq, name, text, *reason, sealed...)
			if err != nil {
				return err
			}
			return c.wrote(b, st, rec)
		}
	},
}
