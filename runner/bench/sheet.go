package bench

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"tapledger/runner"
)

// mostSheet bounds the entries of one sheet.
const mostSheet = 2000

// SheetFault is what is wrong in a sheet of entries: file and line.
type SheetFault struct {
	File string `json:"file"`
	Line int    `json:"line"`
	Says string `json:"says"`
	Hint string `json:"hint,omitempty"`
}

// Error is file:line: what is wrong.
func (f *SheetFault) Error() string { return fmt.Sprintf("%s:%d: %s", f.File, f.Line, f.Says) }

// ParseSheet reads a sheet of entries. A YAML sheet is a list of maps, each
// with step and its values; a CSV sheet has a heading line with the column
// step, and one entry a line; empty cells are left out. A cell or key "word"
// holds a bare word such as yes.
func ParseSheet(name string, data []byte) ([]Input, error) {
	list, err := ParseEntries(name, data)
	if err != nil {
		return nil, err
	}
	for _, in := range list {
		if in.Step == "" {
			return nil, &SheetFault{File: name, Line: in.Line, Says: "step is missing", Hint: "each entry names its step"}
		}
	}
	return list, nil
}

// ParseEntries reads a sheet like ParseSheet, but lets entries name no step.
func ParseEntries(name string, data []byte) ([]Input, error) {
	if len(bytes.TrimSpace(data)) == 0 {
		return nil, &SheetFault{File: name, Line: 1, Says: "the sheet is empty"}
	}
	if !utf8.Valid(data) {
		return nil, &SheetFault{File: name, Line: 1, Says: "the sheet is not UTF-8", Hint: "save it as UTF-8"}
	}
	var list []Input
	var err error
	if strings.HasSuffix(strings.ToLower(name), ".csv") {
		list, err = csvSheet(name, data)
	} else {
		list, err = yamlSheet(name, data)
	}
	if err != nil {
		return nil, err
	}
	if len(list) > mostSheet {
		return nil, &SheetFault{File: name, Line: list[mostSheet].Line, Says: fmt.Sprintf("a sheet holds at most %d entries", mostSheet)}
	}
	return list, nil
}

func csvSheet(name string, data []byte) ([]Input, error) {
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\ufeff"))))
	r.FieldsPerRecord = -1
	heads, err := r.Read()
	if err != nil {
		return nil, csvFault(name, err)
	}
	seen := map[string]bool{}
	for i, h := range heads {
		heads[i] = strings.TrimSpace(h)
		if heads[i] == "" || seen[heads[i]] {
			return nil, &SheetFault{File: name, Line: 1, Says: fmt.Sprintf("column %d has no heading of its own", i+1)}
		}
		seen[heads[i]] = true
	}
	if !seen["step"] {
		return nil, &SheetFault{File: name, Line: 1, Says: "there is no column step", Hint: "the first line holds the names of the values, step among them"}
	}
	var out []Input
	for {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, csvFault(name, err)
		}
		line, _ := r.FieldPos(0)
		if len(row) != len(heads) {
			return nil, &SheetFault{File: name, Line: line, Says: fmt.Sprintf("%d cells, the heading has %d", len(row), len(heads))}
		}
		in := Input{File: name, Line: line, Texts: map[string]string{}}
		for i, cell := range row {
			if cell = strings.TrimSpace(cell); cell != "" {
				if err := in.cell(heads[i], cell); err != nil {
					return nil, err
				}
			}
		}
		out = append(out, in)
	}
	if len(out) == 0 {
		return nil, &SheetFault{File: name, Line: 2, Says: "the sheet holds no entry"}
	}
	return out, nil
}

func csvFault(name string, err error) error {
	var pe *csv.ParseError
	if errors.As(err, &pe) {
		return &SheetFault{File: name, Line: pe.Line, Says: pe.Err.Error(), Hint: "this is no table of commas and quotes"}
	}
	return &SheetFault{File: name, Line: 1, Says: err.Error()}
}

func (in *Input) cell(key, text string) error {
	switch key {
	case "step":
		in.Step = text
		return nil
	case "word":
		in.Words = append(in.Words, text)
		return nil
	}
	if err := in.set(key, text); err != nil {
		return &SheetFault{File: in.File, Line: in.Line, Says: key + " is given twice"}
	}
	return nil
}

func yamlSheet(name string, data []byte) ([]Input, error) {
	f, err := parser.ParseBytes(data, 0)
	if err != nil {
		first, _, _ := strings.Cut(err.Error(), "\n")
		return nil, &SheetFault{File: name, Line: 1, Says: "this is no YAML: " + first}
	}
	if len(f.Docs) != 1 {
		return nil, &SheetFault{File: name, Line: 1, Says: "a sheet is one YAML document"}
	}
	list, ok := f.Docs[0].Body.(*ast.SequenceNode)
	if !ok {
		return nil, &SheetFault{File: name, Line: 1, Says: "a sheet is a list of entries", Hint: "such as: - {step: leak_check, word: yes}"}
	}
	var out []Input
	for _, node := range list.Values {
		in := Input{File: name, Line: node.GetToken().Position.Line, Texts: map[string]string{}}
		pairs, ok := mapping(node)
		if !ok {
			return nil, &SheetFault{File: name, Line: in.Line, Says: "an entry is a map of names and texts"}
		}
		for _, p := range pairs {
			text, ok := scalar(p.Value)
			if !ok {
				return nil, &SheetFault{File: name, Line: p.Value.GetToken().Position.Line, Says: p.Key.GetToken().Value + " is no plain text"}
			}
			if err := in.cell(p.Key.GetToken().Value, text); err != nil {
				return nil, err
			}
		}
		out = append(out, in)
	}
	if len(out) == 0 {
		return nil, &SheetFault{File: name, Line: 1, Says: "the sheet holds no entry"}
	}
	return out, nil
}

func mapping(n ast.Node) ([]*ast.MappingValueNode, bool) {
	switch m := n.(type) {
	case *ast.MappingNode:
		return m.Values, true
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{m}, true
	}
	return nil, false
}

// scalar gives a plain value as it is written: 7.20 stays 7.20.
func scalar(n ast.Node) (string, bool) {
	switch n := n.(type) {
	case *ast.StringNode, *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode:
		return n.GetToken().Value, true
	case *ast.LiteralNode:
		return strings.TrimRight(n.Value.Value, "\n"), true
	}
	return "", false
}

// Take removes a value from the input and gives its text, "" when there is none.
func (in *Input) Take(name string) string {
	text, ok := in.Texts[name]
	if ok {
		delete(in.Texts, name)
		in.Names = slices.DeleteFunc(slices.Clone(in.Names), func(n string) bool { return n == name })
	}
	return text
}

// EnterSheet puts all entries of a sheet on record, or none.
func (b *Bench) EnterSheet(run string, list []Input) (int, *runner.State, error) {
	fs := make([]Propose, len(list))
	for i, in := range list {
		fs[i] = b.Propose(run, in)
	}
	recs, st, err := b.AppendAll(run, fs)
	if err == nil {
		return len(recs), st, nil
	}
	var item *Item
	n := 0
	if errors.As(err, &item) {
		n = item.N - 1
	}
	var ref *runner.Refusal
	if errors.As(err, &ref) {
		return 0, nil, &SheetFault{File: list[n].File, Line: list[n].Line, Says: list[n].Step + ": " + ref.Says, Hint: ref.Hint}
	}
	return 0, nil, err
}
