package edition

import (
	"fmt"
	"strings"

	"tapledger/runner/assess"
)

// Text is the way for a terminal: the number first, then what it was made
// from, level by level, down to records.
func (w *Way) Text() string {
	var b strings.Builder
	if w.Simulated == "yes" {
		b.WriteString("Simulated: invented data.\n\n")
	}
	fmt.Fprintf(&b, "%s of %s (%s), run %s, edition %s\n", w.Name, w.Unit, w.Title, w.Run, w.Edition)
	if w.Score != nil {
		w.scoreText(&b)
	}
	for _, m := range w.Measures {
		m.text(&b, w.Score == nil)
	}
	if len(w.Findings) > 0 {
		b.WriteString("\nFindings\n")
	}
	for _, f := range w.Findings {
		w.findingText(&b, f)
	}
	if len(w.Records) > 0 {
		b.WriteString("\nRecords\n")
	}
	for _, r := range w.Records {
		fmt.Fprintf(&b, "  record %d of run %s, %s\n", r.Seq, r.Run, r.Record)
		fmt.Fprintf(&b, "    %s%s by %s, made %s (clock: %s), signed via %s\n", r.Kind, stepText(r), r.By, r.Made, r.Clock, r.Via)
		if r.At != "" {
			fmt.Fprintf(&b, "    happened %s\n", r.At)
		}
		fmt.Fprintf(&b, "    %s\n", r.File)
	}
	return b.String()
}

func stepText(r WayRecord) string {
	if r.Step == "" {
		return ""
	}
	return fmt.Sprintf(" of step %s, try %d", r.Step, r.Try)
}

// numbered is a score with its range, or the range alone where there is no
// single number.
func numbered(number, low, high, of string) string {
	if number == "" {
		return "between " + low + " and " + high + of
	}
	return number + of + ", from " + low + " to " + high
}

func (w *Way) scoreText(b *strings.Builder) {
	s := w.Score
	fmt.Fprintf(b, "  %s\n", numbered(s.Number, s.Low, s.High, " of 100"))
	fmt.Fprintf(b, "  possible rank %d", s.Rank)
	if s.Worst > s.Rank {
		fmt.Fprintf(b, " to %d", s.Worst)
	}
	fmt.Fprintf(b, "\n  before caps and spread: %s; the spread adds %s points on either side, then caps\n", numbered(s.Before[1], s.Before[0], s.Before[2], ""), s.Half)
	for _, c := range s.Caps {
		switch c.State {
		case "applies":
			fmt.Fprintf(b, "  cap %s applies\n", c.Cap)
		case "open":
			fmt.Fprintf(b, "  cap %s is undecided: it may apply, and reaches the low end\n", c.Cap)
		}
	}
	b.WriteString("\nMeasures\n")
}

func (m WayMeasure) text(b *strings.Builder, alone bool) {
	if alone {
		b.WriteString("\nMeasure\n")
	}
	fmt.Fprintf(b, "  %s (%s)\n", m.Title, m.Measure)
	switch {
	case m.LeftOut != nil:
		fmt.Fprintf(b, "    left out for all units: %s %s\n", strings.ReplaceAll(m.LeftOut.Why, "_", " "), m.LeftOut.Code)
	case m.State != "known":
		fmt.Fprintf(b, "    %s (%s): %s to %s points\n", m.State, m.Code, m.Low, m.High)
	default:
		fmt.Fprintf(b, "    %s points, from %s to %s\n", m.Number, m.Low, m.High)
	}
	if m.State == "known" {
		fmt.Fprintf(b, "    value %s%s = %s\n", assess.Span(m.ValueLow, m.ValueHigh), unitText(m.Unit), m.Value)
	} else {
		fmt.Fprintf(b, "    value = %s\n", m.Value)
	}
	var corners []string
	for _, p := range m.Points {
		corners = append(corners, p.At+" -> "+p.Points)
	}
	fmt.Fprintf(b, "    value function: %s\n", strings.Join(corners, ", "))
	share := ""
	if m.Share != "" {
		share = ", " + m.Share + " % of all weights that count"
	}
	fmt.Fprintf(b, "    weight %s%s\n", m.Weight, share)
}

// decided are the arguments that a decision rests on, as a way names them.
var decided = map[string]string{
	"z": "z", "p": "one-sided p", "adjusted": "p after Holm", "looked": "analytes looked at", "level": "family level in percent",
	"second_z": "z of the second day", "second_adjusted": "p after Holm of the second day", "lacks": "lacks for a confirmation",
	"first_day": "first day", "second_day": "second day",
}

func unitText(u string) string {
	if u == "" {
		return ""
	}
	return " " + u
}

func (w *Way) findingText(b *strings.Builder, f WayFinding) {
	fmt.Fprintf(b, "  %s\n", f.Sentence)
	fmt.Fprintf(b, "    formula %s: %s\n", f.Formula.ID, f.Formula.Text)
	fmt.Fprintf(b, "    computed by %s; source: %s\n", f.Formula.Function, f.Source)
	for _, a := range f.Args {
		if words := decided[a.Name]; words != "" {
			fmt.Fprintf(b, "    %s: %s\n", words, a.Text)
		}
	}
	for _, in := range f.Inputs {
		fmt.Fprintf(b, "    %s = %s    %s\n", in.Name, in.Text, w.where(in))
	}
	for _, m := range f.Marks {
		fmt.Fprintf(b, "    %s\n", assess.MarkWords(m))
	}
	if f.Needs != "" {
		fmt.Fprintf(b, "    to say more: %s\n", assess.NeedWords(f.Needs))
	}
}

// where says where an input stands, and how it came to be known.
func (w *Way) where(in assess.Input) string {
	if in.Seq == 0 {
		return in.Doc + " " + in.Path
	}
	how := ""
	for _, r := range w.Records {
		if r.Run != in.Run || r.Seq != in.Seq {
			continue
		}
		for _, e := range r.Evidence {
			if in.Path == e.Name || strings.HasPrefix(in.Path, e.Name+"/") {
				how = ", " + e.Text
			}
		}
	}
	return fmt.Sprintf("record %d %s%s", in.Seq, in.Path, how)
}
