package protocol

import (
	"sort"
	"strings"
	"unicode/utf8"

	yaml "go.yaml.in/yaml/v3"
)

// nearest returns the place of a pointer, or of the next value around it that
// stands in the file: a borrowed section stands where it is borrowed.
func (t *tree) nearest(ptr string) place {
	for {
		if p, ok := t.places[ptr]; ok {
			return p
		}
		i := strings.LastIndexByte(ptr, '/')
		if i < 0 {
			return place{value: &yaml.Node{Line: 1, Column: 1}}
		}
		ptr = ptr[:i]
	}
}

// fault reports something about the value at a pointer.
func (t *tree) fault(ptr, says, hint string) { t.at(t.nearest(ptr).value, says, hint) }

// faultKey reports something about the key at a pointer, as unknown keys are.
func (t *tree) faultKey(ptr, says, hint string) {
	p := t.nearest(ptr)
	if p.key != nil {
		t.at(p.key, says, hint)
		return
	}
	t.at(p.value, says, hint)
}

// inside reports something about the line and column within the text at a
// pointer, both from 1.
func (t *tree) inside(ptr string, line, col int, says, hint string) {
	p, ok := t.places[ptr]
	if !ok {
		t.fault(ptr, says, hint)
		return
	}
	l, c := t.scalarPlace(p.value, max(line, 1), max(col, 1))
	t.add(l, c, says, hint)
}

// folded tells whether positions inside a text cannot be followed: it is
// written after > or goes on over several lines without |.
func (t *tree) folded(n *yaml.Node) bool {
	switch {
	case n.Style&yaml.FoldedStyle != 0:
		return true
	case n.Style&yaml.LiteralStyle != 0:
		return false
	}
	return strings.Contains(n.Value, "\n") || t.spansLines(n)
}

// spansLines finds a plain or quoted text that the file breaks over lines.
func (t *tree) spansLines(n *yaml.Node) bool {
	if n.Line < 1 || n.Line > len(t.lines) {
		return true
	}
	raw := []rune(t.lines[n.Line-1])
	if n.Column-1 > len(raw) {
		return true
	}
	rest := raw[n.Column-1:]
	switch {
	case n.Style&yaml.DoubleQuotedStyle != 0:
		return quotedEnd(rest, '"') < 0
	case n.Style&yaml.SingleQuotedStyle != 0:
		return quotedEnd(rest, '\'') < 0
	}
	return !strings.HasPrefix(string(rest), n.Value)
}

// quotedEnd finds the closing quote of a text that begins with one, -1 if it
// is not on this line.
func quotedEnd(rest []rune, quote rune) int {
	for i := 1; i < len(rest); i++ {
		switch {
		case rest[i] == '\\' && quote == '"':
			i++
		case rest[i] == quote && quote == '\'' && i+1 < len(rest) && rest[i+1] == quote:
			i++
		case rest[i] == quote:
			return i
		}
	}
	return -1
}

// scalarPlace turns a line and column within a text into those of the file.
func (t *tree) scalarPlace(n *yaml.Node, line, col int) (int, int) {
	switch {
	case n.Style&yaml.LiteralStyle != 0:
		return t.literalPlace(n, line, col)
	case t.folded(n):
		return n.Line, n.Column
	case n.Style&yaml.DoubleQuotedStyle != 0:
		raw := []rune(t.lines[n.Line-1])
		i := n.Column
		for k := 1; k < col && i < len(raw); k++ {
			i += escapeLength(raw[i:])
		}
		return n.Line, i + 1
	case n.Style&yaml.SingleQuotedStyle != 0:
		raw := []rune(t.lines[n.Line-1])
		i := n.Column
		for k := 1; k < col && i < len(raw); k++ {
			if raw[i] == '\'' {
				i++
			}
			i++
		}
		return n.Line, i + 1
	}
	return n.Line, n.Column + col - 1
}

// escapeLength is how many characters of a double-quoted text make the next
// one of its value.
func escapeLength(raw []rune) int {
	if len(raw) < 2 || raw[0] != '\\' {
		return 1
	}
	switch raw[1] {
	case 'x':
		return 4
	case 'u':
		return 6
	case 'U':
		return 10
	}
	return 2
}

// literalPlace is scalarPlace for a text after |: its indent is found by
// looking for the decoded line in the file's line.
func (t *tree) literalPlace(n *yaml.Node, line, col int) (int, int) {
	value := strings.Split(n.Value, "\n")
	for i, v := range value {
		at := n.Line + i // index in lines of the line after the header
		if at >= len(t.lines) {
			break
		}
		if strings.TrimSpace(v) == "" {
			continue
		}
		if indent := strings.Index(t.lines[at], v); indent >= 0 {
			return min(n.Line+line, len(t.lines)), utf8.RuneCountInString(t.lines[at][:indent]) + col
		}
	}
	return n.Line, n.Column
}

// sortFaults puts faults in the order of the file and takes out doubles.
func sortFaults(in []Fault) []Fault {
	sort.SliceStable(in, func(i, j int) bool {
		a, b := in[i], in[j]
		switch {
		case a.File != b.File:
			return a.File < b.File
		case a.Line != b.Line:
			return a.Line < b.Line
		case a.Col != b.Col:
			return a.Col < b.Col
		}
		return a.Says < b.Says
	})
	var out []Fault
	for i, f := range in {
		if i == 0 || f != in[i-1] {
			out = append(out, f)
		}
	}
	return out
}

// Text is a fault as people read it: what is wrong, the line with a caret under
// the place, and a hint.
func (f Fault) Text() string {
	var b strings.Builder
	b.WriteString(f.String())
	b.WriteByte('\n')
	if f.Excerpt != "" {
		before := []rune(f.Excerpt)
		if f.CaretAt-1 < len(before) {
			before = before[:max(f.CaretAt-1, 0)]
		}
		b.WriteString("  | " + f.Excerpt + "\n  | " + strings.Repeat(" ", len(before)) + "^\n")
	}
	if f.Hint != "" {
		b.WriteString("  " + f.Hint + "\n")
	}
	return b.String()
}
