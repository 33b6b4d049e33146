package main

import (
	"flag"
	"fmt"
	"strings"

	"tapledger/runner"
)

var verbNext = verb{
	name: "next", args: "[RUN]", says: "what may be done now, what waits and until when, what is blocked",
	text: `Without a run it lists all runs of the bench. A run is named by its id, its last
four letters, its label, or its unit.`,
	example: `tapledger next
tapledger next alder-1`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		return func(c *call) error {
			if err := c.want(0, 1); err != nil {
				return err
			}
			if len(c.args) == 0 {
				return listRuns(c)
			}
			b, run, err := c.run()
			if err != nil {
				return err
			}
			st, err := b.State(run)
			if err != nil {
				return err
			}
			now, err := b.Now()
			if err != nil {
				return err
			}
			a := st.Next(now)
			return c.show(a, "%s", agendaText(a))
		}
	},
}

func listRuns(c *call) error {
	b, err := c.bench()
	if err != nil {
		return err
	}
	runs, err := b.Runs()
	if err != nil {
		return err
	}
	var s strings.Builder
	for _, r := range runs {
		fmt.Fprintf(&s, "%-24s %-13s unit %s, %s, %d records", r.Run, strings.ReplaceAll(r.Phase, "_", " "), r.Unit, r.Protocol, r.Records)
		if r.Label != "" {
			s.WriteString(", " + r.Label)
		}
		s.WriteString("\n")
	}
	if len(runs) == 0 {
		s.WriteString("no run was opened yet: tapledger open UNIT PROTOCOL\n")
	}
	return c.show(runs, "%s", s.String())
}

// agendaText is an agenda as lines for a terminal.
func agendaText(a runner.Agenda) string {
	var s strings.Builder
	fmt.Fprintf(&s, "run %s, unit %s: %s. It is %s.\n", a.Run, a.Unit, a.Phase, a.Now)
	for _, x := range a.Blocked {
		if x.Criterion == "" {
			fmt.Fprintf(&s, "%s by a person; freed by: %s\n", x.Why, strings.Join(x.Free, ", "))
			continue
		}
		fmt.Fprintf(&s, "waits for a person: %s is %s (%s); freed by: %s\n", x.Criterion, x.State, strings.ReplaceAll(x.Why, "_", " "), strings.Join(x.Free, ", "))
	}
	for _, t := range a.May {
		s.WriteString(todoText(t))
	}
	for _, w := range a.Waits {
		fmt.Fprintf(&s, "waits: %s (%s", w.Step, w.Why)
		if len(w.On) > 0 {
			s.WriteString(": " + strings.Join(w.On, ", "))
		}
		s.WriteString(")")
		if w.From != "" {
			s.WriteString(" from " + w.From)
		}
		if w.Until != "" {
			s.WriteString(" until " + w.Until)
		}
		s.WriteString("\n")
	}
	for _, h := range a.Expires {
		fmt.Fprintf(&s, "hold: %s of %s until %s", h.Bottle, h.Step, h.Until)
		if h.Passed == "yes" {
			s.WriteString(", which has passed")
		}
		s.WriteString("\n")
	}
	for _, o := range a.Owed {
		fmt.Fprintf(&s, "owed: %s, record %d %s\n", strings.ReplaceAll(o.Code, "_", " "), o.Seq, strings.Join(o.Args, " "))
	}
	return s.String()
}

func todoText(t runner.Todo) string {
	var s strings.Builder
	fmt.Fprintf(&s, "now: %s", t.Step)
	if t.Try > 1 {
		fmt.Fprintf(&s, ", try %d", t.Try)
	}
	fmt.Fprintf(&s, " (%s)", strings.ReplaceAll(t.Kind, "_", " "))
	if t.Ask != "" {
		s.WriteString(": " + t.Ask)
	}
	if len(t.Fields) > 0 {
		s.WriteString("\n  takes: " + strings.Join(t.Fields, ", "))
	}
	if len(t.Bottles) > 0 {
		s.WriteString("\n  bottles: " + strings.Join(t.Bottles, ", "))
	}
	if t.Begun != "" {
		s.WriteString("\n  begun: " + t.Begun)
	}
	if t.Most > 0 {
		fmt.Fprintf(&s, "\n  readings: %d so far, %d to %d", t.Count, t.Fewest, t.Most)
	}
	if t.NotBefore != "" {
		s.WriteString("\n  not before: " + t.NotBefore)
	}
	if t.NotAfter != "" {
		s.WriteString("\n  not after: " + t.NotAfter)
	}
	if t.Missed == "yes" {
		s.WriteString(" (missed)")
	}
	if len(t.Cautions) > 0 {
		s.WriteString("\n  cautions: " + strings.Join(t.Cautions, ", "))
	}
	return s.String() + "\n"
}
