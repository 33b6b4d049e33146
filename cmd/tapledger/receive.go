package main

import (
	"flag"
	"fmt"
	"strings"

	"tapledger/runner/bench"
	"tapledger/runner/lab"
)

var verbReceive = verb{
	name: "receive", args: "RUN FILE", says: "put a laboratory's report on record, also a revised one, also after close",
	text: `FILE is CSV with the column names of the open WQX standard: its legacy layout, its
submission layout or 3.0. What the file does not say about the report comes from flags;
what it says must agree. --look reads the file and records nothing. The printed report is
the report: attach it, it stays private.`,
	example: `tapledger receive alder-1 report.csv --laboratory brook-lab --number 24-1187 --status final --issued 2026-03-12
tapledger receive alder-1 amended.csv --number 24-1187 --revision 1 --status amended --issued 2026-04-02 --replaces 24-1187
tapledger receive alder-1 report.csv --look`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		var o bench.ReceiveSpec
		h := &o.Header
		fs.StringVar(&h.Laboratory, "laboratory", "", "`id` of the laboratory's document")
		fs.StringVar(&h.Number, "number", "", "the report's `number`")
		fs.StringVar(&h.Revision, "revision", "", "its `revision`, empty for the first")
		fs.StringVar(&h.Status, "status", "", "`word`: preliminary, final or amended")
		fs.StringVar(&h.Issued, "issued", "", "`date` of issue, yyyy-mm-dd")
		fs.StringVar(&h.Replaces, "replaces", "", "`number` that it replaces, with its revision: \"24-1187 revision 1\"")
		fs.StringVar(&h.Received, "received", "", "`date` at which the samples were received")
		fs.StringVar(&o.Temperature, "temperature", "", "`quantity` on receipt, such as \"4 Cel\"")
		fs.StringVar(&o.LimitsName, "limits", "", "a separate table of limits, a `file`")
		fs.StringVar(&o.Step, "step", "", "the report `step`; default: the one that is due for these samples")
		ignore := fs.String("ignore", "", "analyte `names` of the file that are not wanted, comma separated")
		fs.BoolVar(&o.DecimalComma, "decimal-comma", false, "commas in numbers are decimal points")
		attach := fs.String("attach", "", "keep the printed report, a `file`, privately")
		look := fs.Bool("look", false, "read the file, print what was understood, record nothing")
		return func(c *call) error {
			if *ignore != "" {
				o.Ignore = strings.Split(*ignore, ",")
			}
			return receive(c, o, *attach, *look)
		}
	},
}

func receive(c *call, o bench.ReceiveSpec, attach string, look bool) error {
	if err := c.want(2, 2); err != nil {
		return err
	}
	b, run, err := c.run()
	if err != nil {
		return err
	}
	o.Name = c.args[1]
	if o.Data, err = c.readFile(o.Name); err != nil {
		return err
	}
	if o.LimitsName != "" {
		if o.Limits, err = c.readFile(o.LimitsName); err != nil {
			return err
		}
	}
	if look {
		sheet, err := b.Read(run, o)
		if sheet == nil {
			return err
		}
		return c.show(sheet, "%s", sheetText(sheet, true))
	}
	sealed, err := c.seal(b, attach, bench.ClassPrivate, "the laboratory's report as printed")
	if err != nil {
		return err
	}
	sheet, rec, st, err := b.Receive(run, o, sealed...)
	if err != nil {
		return err
	}
	if !c.json {
		if st.Pinned.Opened.Simulated == "yes" {
			fmt.Fprintln(c.out, "simulated, invented")
		}
		fmt.Fprint(c.out, sheetText(sheet, false))
		fmt.Fprint(c.out, resultCautions(st, "report"))
	}
	return c.wrote(b, st, rec)
}

// sheetText says what was understood of a laboratory's file.
func sheetText(s *lab.Sheet, lines bool) string {
	var t strings.Builder
	fmt.Fprintf(&t, "%s, %d results, %d rows of quality control\n", s.Layout, len(s.Results), len(s.QC))
	for _, n := range s.Notes {
		t.WriteString("note: " + n + "\n")
	}
	for _, l := range s.Lines {
		if lines || len(l.Notes) > 0 {
			fmt.Fprintf(&t, "line %d: %s -> %s %s %s", l.Line, l.Written, strings.ReplaceAll(l.Kind, "_", " "), l.Analyte, l.Read)
			for _, n := range l.Notes {
				t.WriteString("; " + n)
			}
			t.WriteString("\n")
		}
	}
	for _, m := range s.Missing {
		fmt.Fprintf(&t, "missing: sample %s %s, %s\n", m.Sample, m.Analyte, strings.ReplaceAll(m.Why, "_", " "))
	}
	for _, f := range s.Foreign {
		fmt.Fprintf(&t, "not ours: sample %s, %d rows\n", f.Sample, f.Rows)
	}
	for _, w := range s.Warnings {
		fmt.Fprintf(&t, "look at: %s %s\n", strings.ReplaceAll(w.Code, "_", " "), strings.Join(w.Args, " "))
	}
	return t.String()
}
