package main

import (
	"flag"
	"fmt"
	"slices"
	"strings"

	"tapledger/protocol"
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
			s.WriteString(findingsText(a.Findings))
			s.WriteString(resultCautions(st, "finding", "report"))
			return c.show(nil, "%s", s.String())
		}
	},
}

// findingsText is a sentence for each finding, followed by the numbers of its
// marks, and what the marks mean once below all of them.
func findingsText(list []assess.Finding) string {
	var s, legend strings.Builder
	number := map[string]int{}
	for _, f := range list {
		s.WriteString(assess.Sentence(f))
		for _, m := range f.Marks {
			if number[m] == 0 {
				number[m] = len(number) + 1
				fmt.Fprintf(&legend, "[%d] %s\n", number[m], assess.MarkWords(m))
			}
			fmt.Fprintf(&s, " [%d]", number[m])
		}
		s.WriteString("\n")
	}
	return s.String() + legend.String()
}

// resultCautions are the cautions that go with results, each once: above-value
// only where something was found above a value, and then first.
func resultCautions(st *runner.State, where ...string) string {
	above := false
	if a, err := assess.Assess(st); err == nil {
		for _, f := range a.Findings {
			above = above || f.Code == "margin_above"
		}
	}
	var first, s string
	var due []*protocol.Caution
	for _, w := range where {
		for _, x := range cautionsShown(st.Pinned.Cautions, w) {
			if !slices.Contains(due, x) {
				due = append(due, x)
			}
		}
	}
	for _, x := range due {
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
