package main

import (
	"flag"
	"fmt"
	"strings"

	"tapledger/runner"
	"tapledger/runner/assess"
)

var verbAssess = verb{
	name: "assess", args: "RUN", says: "what can be found about a run: each analyte and bench measurement, in sentences",
	example: `tapledger assess alder-1`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		return func(c *call) error {
			if err := c.want(1, 1); err != nil {
				return err
			}
			b, run, err := c.run()
			if err != nil {
				return err
			}
			st, err := b.State(run)
			if err != nil {
				return err
			}
			a, err := assess.Assess(st)
			if err != nil {
				return err
			}
			if c.json {
				return c.show(a, "")
			}
			var s strings.Builder
			fmt.Fprintf(&s, "run %s, unit %s, protocol %s\n", a.Run, a.Unit, a.Protocol)
			if st.Pinned.Opened.Simulated == "yes" {
				s.WriteString("simulated, invented\n")
			}
			s.WriteString(rowsText(a.Rows))
			for _, f := range a.Findings {
				s.WriteString(assess.Sentence(f) + "\n")
			}
			s.WriteString(resultCautions(st, "finding"))
			return c.show(nil, "%s", s.String())
		}
	},
}

// resultCautions are the cautions that go with results: above-value only where
// something was found above a value, and then first.
func resultCautions(st *runner.State, where string) string {
	above := false
	if a, err := assess.Assess(st); err == nil {
		for _, f := range a.Findings {
			above = above || f.Code == "margin_above"
		}
	}
	var first, s string
	for _, x := range cautionsShown(st.Pinned.Cautions, where) {
		switch {
		case x.ID != "above-value":
			s += cautionText(x)
		case above:
			first = cautionText(x)
		}
	}
	return first + s
}

// rowsText is the analytes side by side.
func rowsText(rows []assess.Row) string {
	var s strings.Builder
	fmt.Fprintf(&s, "%-12s %-22s %-22s %-16s %s\n", "", "untreated", "treated", "field blank", "second day")
	for _, r := range rows {
		fmt.Fprintf(&s, "%-12s %-22s %-22s %-16s %s\n", r.Analyte, cellText(r.Untreated), cellText(r.Treated), cellText(r.Blank), cellText(r.SecondDay))
	}
	return s.String()
}

func cellText(c assess.Cell) string {
	if c.Result == "" {
		return "-"
	}
	if c.U == "" {
		return c.Result
	}
	return c.Result + " ± " + c.U
}
