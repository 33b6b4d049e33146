package rules

import (
	"fmt"
	"slices"
	"strings"

	"github.com/google/cel-go/common/types"
	"github.com/google/cel-go/common/types/ref"
)

// Says is a code as a clause that can follow "undecided, because" or "faulty,
// because".
func (c Code) Says() string {
	switch c {
	case CodeNotRecorded:
		return "a value was not recorded"
	case CodeNotApplicable:
		return "it was answered as not applicable"
	case CodeFeedMoved:
		return "the feed moved, so that the pair does not stand for one water"
	case CodeEvidence:
		return "the values do not fit the question"
	case CodeUnequalLimits:
		return "one of the two was measured less finely than the other"
	case CodeReportingLimit:
		return "the limit of a non-detect does not tell"
	case CodeStraddles:
		return "what the value can be lies on both sides of the limit"
	case CodeDivisionByZero:
		return "something is divided by zero"
	case CodeStepLimit:
		return "its loops take too many steps"
	case CodeInternal:
		return "it could not be evaluated"
	}
	return string(c)
}

// sentence says in one sentence how it came out.
func sentence(d Decision, v ref.Val, value string) string {
	switch d.State {
	case Met:
		if value != "" {
			return "The value is " + value + "."
		}
		return "Met."
	case Unmet:
		return "Unmet."
	case Awaiting:
		return "Awaiting " + strings.Join(d.Awaits, ", ") + "."
	}
	s := strings.ToUpper(string(d.State[:1])) + string(d.State[1:]) + ", because " + d.Code.Says()
	if u, ok := v.(*types.Unknown); ok {
		if why := reasons(lacks(u), d.Code); why != "" {
			s += " (" + why + ")"
		}
	}
	return s + "."
}

func reasons(ls []lack, code Code) string {
	var out []string
	for _, l := range ls {
		if l.code == string(code) && l.why != "" {
			out = append(out, l.why)
		}
	}
	return strings.Join(sortedSet(out), "; ")
}

// because says why a part has no value.
func because(ls []lack) string {
	d := decideLacks(ls)
	switch d.State {
	case Awaiting:
		return strings.Join(d.Awaits, ", ") + " still open"
	case Undecided, Faulty:
		if why := reasons(ls, d.Code); why != "" {
			return d.Code.Says() + ": " + why
		}
		return d.Code.Says()
	}
	return ""
}

// fieldLack says why a field has no value.
func fieldLack(ls []lack) string {
	d := decideLacks(ls)
	switch {
	case d.State == Awaiting:
		return "still open"
	case d.Code == CodeNotRecorded:
		return "not recorded"
	case d.Code == CodeNotApplicable:
		return "not applicable"
	case d.Code == CodeFeedMoved:
		return "not usable, because the feed moved"
	}
	return because(ls)
}

// Text is the explanation in the trade's words, one line a part: the sentence,
// then what it rests on. Parts that nothing depended on are left out.
func (e *Explanation) Text() string { return e.print(false) }

// FullText is Text with every part.
func (e *Explanation) FullText() string { return e.print(true) }

func (e *Explanation) print(all bool) string {
	var b strings.Builder
	b.WriteString(e.Says + "\n")
	if e.Tree != nil {
		printNode(&b, e.Tree, 1, all)
	}
	return b.String()
}

func printNode(b *strings.Builder, n *Node, depth int, all bool) {
	if n.Kind == "literal" || n.Kind == "word" || !all && !n.Decisive {
		return
	}
	indent := strings.Repeat("  ", depth)
	parts := n.Parts
	switch {
	case n.Kind == "item":
		fmt.Fprintf(b, "%s%s: %s\n", indent, n.Text, n.Value)
		parts = n.Parts[0].Parts
	case n.Kind == "field":
		fmt.Fprintf(b, "%s%s is %s\n", indent, n.Text, n.Value)
	case n.State != "":
		fmt.Fprintf(b, "%s%s: %s\n", indent, n.State, n.Text)
	default:
		fmt.Fprintf(b, "%s%s = %s\n", indent, n.Text, n.Value)
	}
	if n.Because != "" && n.State != Awaiting && !slices.ContainsFunc(parts, func(p *Node) bool { return open(p.State) && p.Value != notLookedAt }) {
		fmt.Fprintf(b, "%s  because %s\n", indent, n.Because)
	}
	for _, p := range parts {
		printNode(b, p, depth+1, all)
	}
}
