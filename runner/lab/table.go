package lab

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// mostBytes is how large a file may be: far more than any report of a bench.
const mostBytes = 32 << 20

// table is a delimited file: its header and its rows with their lines.
type table struct {
	header    []string
	rows      []tableRow
	delimiter string
	notes     []string
}

type tableRow struct {
	line  int
	cells []string
}

// readTable turns bytes into rows. It takes UTF-8 with or without a byte order
// mark, all three line ends, and comma, semicolon or tab; it refuses
// everything else in words that say what the file is.
func readTable(name string, data []byte) (*table, []Fault) {
	one := func(line int, says, hint string) []Fault {
		return []Fault{{File: name, Line: line, Says: says, Hint: hint}}
	}
	if len(data) > mostBytes {
		return nil, one(0, fmt.Sprintf("the file is too large: %d bytes, at most %d", len(data), mostBytes), "")
	}
	if says, hint := foreignFormat(data); says != "" {
		return nil, one(0, says, hint)
	}
	t := &table{}
	if rest, ok := bytes.CutPrefix(data, []byte("\xef\xbb\xbf")); ok {
		data = rest
		t.notes = append(t.notes, "begins with a byte order mark")
	}
	if len(bytes.TrimSpace(data)) == 0 {
		return nil, one(0, "the file is empty", "ask the laboratory for its data file again")
	}
	if line := badUTF8(data); line > 0 {
		return nil, one(line, "the file is not UTF-8 text", "it looks like Latin-1 or a code page, where one byte is the sign for micro: open it in a spreadsheet or editor and save it as UTF-8")
	}
	if i := bytes.IndexByte(data, 0); i >= 0 {
		return nil, one(1+bytes.Count(data[:i], []byte("\n")), "the file holds a zero byte: it is no text file", "export it as CSV in UTF-8")
	}
	text := string(data)
	if bare := strings.Count(text, "\r") - strings.Count(text, "\r\n"); bare > 0 {
		t.notes = append(t.notes, "lines end in a carriage return alone")
	}
	text = strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\r", "\n")
	offset := 0
	if first, rest, ok := strings.Cut(text, "\n"); ok && len(first) == 5 && strings.HasPrefix(strings.ToLower(first), "sep=") {
		text, offset = rest, 1
	}
	comma, word := delimiterOf(text)
	if comma == 0 {
		return nil, one(1+offset, "the header has one column only", "columns are parted by comma, semicolon or tab")
	}
	t.delimiter = word
	return t, t.read(name, text, comma, offset)
}

// foreignFormat recognises files that are no text at all.
func foreignFormat(data []byte) (says, hint string) {
	switch {
	case bytes.HasPrefix(data, []byte("PK\x03\x04")):
		return "this is a spreadsheet file, not CSV", "open it and save the sheet with the results as CSV in UTF-8"
	case bytes.HasPrefix(data, []byte("%PDF")):
		return "this is a PDF", "the PDF is the report; ask the laboratory for its data file, and keep the PDF as an attachment"
	case bytes.HasPrefix(data, []byte("\xff\xfe")), bytes.HasPrefix(data, []byte("\xfe\xff")):
		return "the file is UTF-16, not UTF-8", "save it as CSV in UTF-8"
	case bytes.HasPrefix(data, []byte("\xd0\xcf\x11\xe0")):
		return "this is an old spreadsheet file, not CSV", "open it and save the sheet with the results as CSV in UTF-8"
	}
	return "", ""
}

// badUTF8 is the line of the first byte that is no UTF-8, 0 for none.
func badUTF8(data []byte) int {
	line := 1
	for len(data) > 0 {
		r, n := utf8.DecodeRune(data)
		if r == utf8.RuneError && n == 1 {
			return line
		}
		if r == '\n' || r == '\r' && !bytes.HasPrefix(data, []byte("\r\n")) {
			line++
		}
		data = data[n:]
	}
	return 0
}

// delimiterOf picks the sign that parts most columns of the header, outside
// quotes.
func delimiterOf(text string) (rune, string) {
	counts := map[rune]int{}
	quoted := false
	for _, r := range text {
		if r == '"' {
			quoted = !quoted
		}
		if r == '\n' && !quoted {
			break
		}
		if !quoted {
			counts[r]++
		}
	}
	best, word := rune(0), ""
	for _, c := range []struct {
		r    rune
		word string
	}{{',', "comma"}, {';', "semicolon"}, {'\t', "tab"}} {
		if counts[c.r] > counts[best] || best == 0 && counts[c.r] > 0 {
			best, word = c.r, c.word
		}
	}
	return best, word
}

// read parses the rows. offset is how many lines were cut off above.
func (t *table) read(name, text string, comma rune, offset int) (faults []Fault) {
	r := csv.NewReader(strings.NewReader(text))
	r.Comma, r.FieldsPerRecord = comma, -1
	for {
		cells, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		var pe *csv.ParseError
		if errors.As(err, &pe) {
			return append(faults, Fault{File: name, Line: pe.StartLine + offset, Says: "the quotes of this row do not match", Hint: "a quote inside a text is written twice"})
		}
		line, _ := r.FieldPos(0)
		line += offset
		empty := true
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
			empty = empty && cells[i] == ""
		}
		switch {
		case t.header == nil:
			t.header = cells
		case empty:
		case len(cells) != len(t.header):
			faults = append(faults, Fault{File: name, Line: line, Says: fmt.Sprintf("the row has %d fields and the header %d", len(cells), len(t.header)),
				Hint: "a delimiter inside a text, or a decimal comma, needs quotes around the field"})
		default:
			t.rows = append(t.rows, tableRow{line, cells})
		}
	}
	seen := map[string]bool{}
	for i, h := range t.header {
		if h != "" && seen[normal(h)] {
			faults = append(faults, Fault{File: name, Line: 1 + offset, Column: h, Says: "the column stands twice in the header", Hint: "take one of them away"})
		}
		seen[normal(h)] = true
		t.header[i] = h
	}
	if len(t.rows) == 0 && faults == nil {
		faults = append(faults, Fault{File: name, Line: 1 + offset, Says: "the file has a header and no rows", Hint: "ask the laboratory for its data file again"})
	}
	return faults
}

// normal is a column name as it is compared: lower case, dots for slashes as
// some programs write them.
func normal(name string) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimSpace(name)), ".", "/")
}
