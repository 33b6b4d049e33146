package report

import (
	"fmt"
	"strings"

	"tapledger/audit/edition"
	"tapledger/rules/quantity"
)

// lineWidth is how many characters the interval's line has on a terminal.
const lineWidth = 41

// Text is the table of scores for a terminal: for each unit its number with
// its interval on a line, the words "of 100" and its band, and what its caps
// do; units with the same possible ranks stand together.
func Text(core map[string][]byte) (string, error) {
	c, err := edition.ReadCore(core)
	if err != nil {
		return "", err
	}
	v := newView(c, noManifest)
	var b strings.Builder
	if v.Simulated {
		b.WriteString("Simulated: invented data.\n\n")
	}
	fmt.Fprintf(&b, "%s\n%s\n\n", v.Campaign, v.Subtitle)
	for _, a := range v.Above {
		fmt.Fprintf(&b, "! %s\n", a)
	}
	if len(v.Above) > 0 {
		for _, x := range c.Basis.Cautions {
			if x.ID == "above-value" {
				b.WriteString("  " + wrap(x.Text, 2) + "\n\n")
			}
		}
	}
	wide := len("unit")
	for _, u := range c.Scores.Units {
		wide = max(wide, len(u.Unit))
	}
	fmt.Fprintf(&b, "%-11s  %-*s  %-28s  %s\n", "possible", wide, "unit", "score", "0         25        50        75       100")
	for _, g := range v.Ranks {
		for i, u := range g.Units {
			rank := ""
			if i == 0 {
				rank = g.Says
			}
			fmt.Fprintf(&b, "%-11s  %-*s  %-28s  %s  %s\n", rank, wide, u.ID, u.Says, line(u.Low, u.Number, u.High), u.Band)
		}
	}
	b.WriteString("\n  " + wrap(rankRule, 2) + "\n")
	for _, g := range v.Ranks {
		for _, u := range g.Units {
			for _, says := range u.Caps {
				b.WriteString("  " + wrap(u.ID+": "+says, 2) + "\n")
			}
		}
	}
	if len(v.LeftOut) > 0 {
		b.WriteString("\nLeft out for all units\n")
		for _, l := range v.LeftOut {
			fmt.Fprintf(&b, "  %s\n", l)
		}
	}
	b.WriteString("\n")
	for _, x := range c.Basis.Cautions {
		if x.ID != "above-value" {
			b.WriteString("  " + wrap(x.Text, 2) + "\n")
		}
	}
	return b.String(), nil
}

// line draws an interval between 0 and 100.
func line(low, number, high string) string {
	at := func(text string) int {
		r, err := quantity.ParseDecimal(text)
		if err != nil {
			return 0
		}
		f, _ := r.Float64()
		return min(max(int(f*float64(lineWidth-1)/100+0.5), 0), lineWidth-1)
	}
	out := []byte(strings.Repeat(".", lineWidth))
	for i := at(low); i <= at(high); i++ {
		out[i] = '='
	}
	if number != "" {
		out[at(number)] = '|'
	}
	return string(out)
}

// wrap breaks a text into lines of at most 96 characters with an indent.
func wrap(text string, indent int) string {
	var b strings.Builder
	col := indent
	for i, w := range strings.Fields(text) {
		if i > 0 && col+1+len(w) > 96 {
			b.WriteString("\n" + strings.Repeat(" ", indent))
			col = indent
		} else if i > 0 {
			b.WriteString(" ")
			col++
		}
		b.WriteString(w)
		col += len(w)
	}
	return b.String()
}
