package main

import (
	"flag"
	"fmt"
	"os"
	"strings"

	"tapledger/audit"
	"tapledger/runner"
	"tapledger/runner/bench"
)

var verbHandOver = verb{
	name: "hand-over", args: "RUN TO [DRAW...]", says: "pass samples on: sample ids for the laboratory's form, and a checkpoint that it holds",
	text: `TO is a laboratory, a person, or courier. Sample ids are made from a checkpoint of this
moment: write them on the form, so that the laboratory's dated form and its report pin
every record up to the draw. --form keeps the checkpoint in a file to go along.
Acid samples can be dangerous goods: ask laboratory and carrier for packing and papers.`,
	example: `tapledger hand-over alder-1 brook-lab temperature="4 Cel" seal=S-118 --form form.txt`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		step := fs.String("step", "", "the hand-over `step`; default: the one that is due")
		form := fs.String("form", "", "write ids and checkpoint into `file`, to go with the samples")
		return func(c *call) error { return handOver(c, *step, *form) }
	},
}

func handOver(c *call, step, form string) error {
	if err := c.want(2, -1); err != nil {
		return err
	}
	b, run, err := c.run()
	if err != nil {
		return err
	}
	spec := bench.HandOverSpec{Step: step, To: c.args[1]}
	in, err := bench.ParseInput(step, c.args[2:])
	if err != nil {
		return err
	}
	spec.Draws, spec.Texts = in.Words, in.Texts
	if err := c.unreadHand(b, run, step); err != nil {
		return err
	}
	undo, err := writable(form)
	if err != nil {
		return err
	}
	rec, st, err := b.HandOver(run, spec)
	if err != nil {
		undo()
		return err
	}
	var s strings.Builder
	fmt.Fprintf(&s, "record %d: handed over to %s\n", rec.Seq, spec.To)
	body, err := runner.DecodeBody(rec)
	if err != nil {
		return err
	}
	h := body.(*runner.HandOver)
	for _, x := range h.Samples {
		fmt.Fprintf(&s, "%s  %s, try %d, bottles %s\n", x.ID, x.Step, x.Try, strings.Join(x.Codes, " "))
	}
	if form != "" {
		text := fmt.Sprintf("Run %s, handed over to %s\n\n%s\n%s", run, spec.To, s.String(), audit.JoinCheckpoint([]byte(h.Checkpoint), []byte(h.Signature)))
		if err := os.WriteFile(form, []byte(text), 0o644); err != nil {
			return err
		}
	}
	c.recovered(b)
	for _, d := range st.History {
		if d.Seq == rec.Seq {
			s.WriteString("  " + decisionText(st, d.Decision) + "\n")
		}
	}
	return c.show(map[string]any{"run": run, "seq": rec.Seq, "to": h.To, "samples": h.Samples, "checkpoint": h.Checkpoint}, "%s", s.String())
}

// unreadHand is unread for the hand-over step that is due.
func (c *call) unreadHand(b *bench.Bench, run, step string) error {
	if step == "" {
		st, err := b.State(run)
		if err != nil {
			return err
		}
		if step = b.DueHandOver(st); step == "" {
			return nil
		}
	}
	return c.unread(b, run, step)
}

// writable finds out, before anything is put on record, that a file can be
// written. undo takes it away again if it was not there.
func writable(name string) (undo func(), err error) {
	if name == "" {
		return func() {}, nil
	}
	_, missing := os.Stat(name)
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE, 0o644)
	if err != nil {
		return nil, err
	}
	return func() {
		if missing != nil {
			_ = os.Remove(name) // a file left empty says nothing wrong
		}
	}, f.Close()
}
