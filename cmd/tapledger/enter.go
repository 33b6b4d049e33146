package main

import (
	"errors"
	"flag"
	"fmt"

	"tapledger/runner"
	"tapledger/runner/bench"
)

var verbEnter = verb{
	name: "enter", args: "RUN STEP [WORD] [NAME=VALUE...]", says: "put an entry on record: a reading, an answer, a flush, a draw",
	text: `Values are texts with their unit, in quotes where there is a blank. All times are UTC:
one that is left out is now, and counts as timed; one that is given counts as typed.
NAME:photo=VALUE says that the value was read from a photo. Words: yes, no,
not_applicable for inspect; begin, end for flush and fill; begin for stand, and open
where a faucet was opened before its time, from which the standing counts anew. A draw
takes opened_at and closed_at of the faucet, and BOTTLE.lot, .expires, .from, .to and
.code; lot= goes to all bottles; codes left out are those that label prints.
--from FILE enters a whole sheet, YAML or CSV, all of it or nothing.
The entry is refused until you have read the step's cautions; they are shown.`,
	example: `tapledger enter alder-1 feed_pressure value="61 psi" instrument=gauge-1
tapledger enter alder-1 leak_check yes
tapledger enter alder-1 first_draw opened_at=06:58 closed_at=06:59 lot=B-1187
tapledger enter alder-1 --from morning.csv`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		from := fs.String("from", "", "enter the sheet in `file`")
		attach := fs.String("attach", "", "keep a `file` beside the ledger, by its salted hash")
		class := fs.String("class", bench.ClassPrivate, "of the attached file: private, redacted, public")
		shows := fs.String("shows", "", "what the attached file shows, in a few `words`")
		return func(c *call) error {
			if *from != "" {
				return enterSheet(c, *from)
			}
			return enter(c, *attach, *class, *shows)
		}
	},
}

func enter(c *call, attach, class, shows string) error {
	if err := c.want(2, -1); err != nil {
		return err
	}
	b, run, err := c.run()
	if err != nil {
		return err
	}
	in, err := bench.ParseInput(c.args[1], c.args[2:])
	if err != nil {
		return err
	}
	if err := c.unread(b, run, in.Step); err != nil {
		return err
	}
	sealed, err := c.seal(b, attach, class, shows)
	if err != nil {
		return err
	}
	rec, st, err := b.Append(run, b.Propose(run, in, sealed...), sealed...)
	if err != nil {
		return err
	}
	return c.wrote(b, st, rec)
}

func enterSheet(c *call, file string) error {
	if err := c.want(1, 1); err != nil {
		return err
	}
	b, run, err := c.run()
	if err != nil {
		return err
	}
	data, err := c.readFile(file)
	if err != nil {
		return err
	}
	list, err := bench.ParseSheet(file, data)
	if err != nil {
		return err
	}
	for _, in := range list {
		if err := c.unread(b, run, in.Step); err != nil {
			return &bench.SheetFault{File: file, Line: in.Line, Says: err.Error(), Hint: hintOf(err)}
		}
	}
	n, st, err := b.EnterSheet(run, list)
	if err != nil {
		return err
	}
	return c.wrote(b, st, st.Records[len(st.Records)-n:]...)
}

// unread shows the step's cautions that the person has not read, and refuses.
func (c *call) unread(b *bench.Bench, run, step string) error {
	st, err := b.State(run)
	if err != nil {
		return err
	}
	by, err := b.Actor()
	if err != nil {
		return err
	}
	ids := st.CautionsUnread(by, step)
	if len(ids) == 0 {
		return nil
	}
	list := ""
	for _, id := range ids {
		if !c.json {
			fmt.Fprint(c.err, cautionText(st.Pinned.Cautions[id]))
		}
		list += " " + id
	}
	return &runner.Refusal{Step: step, Says: by + " has not read the cautions of this step in this run:" + list,
		Hint: "read them above, then: tapledger caution " + c.args[0] + list}
}

func hintOf(err error) string {
	var r *runner.Refusal
	if errors.As(err, &r) {
		return r.Hint
	}
	return ""
}
