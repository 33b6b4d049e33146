// Package lab reads laboratory reports: CSV files with the column names of the
// open WQX exchange standard, in its legacy layout (CharacteristicName), the
// same with dots for slashes, its submission layout (Characteristic Name) and
// its 3.0 layout (Result_Characteristic), with a separate table of limits if
// there is one.
//
// It never guesses in silence: what could be meant in two ways is refused with
// file, line, column and a hint, and what was understood is listed line by
// line. A file with one fault gives no results at all.
package lab

import (
	"fmt"
	"sort"

	"tapledger/protocol"
	"tapledger/runner"
)

// Options is what the reader has to know beside the file.
type Options struct {
	// Analytes are those that names are looked up in, by id, name, further
	// names and CAS number.
	Analytes []protocol.AnalyteDef
	// Samples are those that were handed over. Nil: none are known yet, and the
	// file's own sample ids are kept as they are.
	Samples []Sample
	// Limits is a separate table of limits, joined on ResultIdentifier.
	Limits     []byte
	LimitsName string
	// Header holds what the caller knows about the report. What the file also
	// says must agree.
	Header Header
	// LaboratoryTitle is the laboratory's name as it writes it; a row of another
	// laboratory is marked as performed there.
	LaboratoryTitle string
	// DecimalComma says that the caller was asked, and that commas in numbers
	// are decimal points.
	DecimalComma bool
	// Method chooses among several methods for one analyte id: its results by
	// other methods are left out, and listed.
	Method map[string]string
	// Context says which samples belong together, for Plausible.
	Context Context
	// Ignore lists analyte names of the file that are not wanted; their rows are
	// left out, and listed.
	Ignore []string
}

// Sample is one sample that was handed over: its id, the codes on its bottles,
// and the analytes ordered for it.
type Sample struct {
	ID      string
	Codes   []string
	Ordered []string
}

// Header is what a report says about itself. Laboratory is an id of a
// laboratory document; the others are as written, dates as yyyy-mm-dd.
type Header struct {
	Laboratory, Number, Revision, Status, Issued, Replaces, Received string
}

// Sheet is a report as understood.
type Sheet struct {
	Header    Header
	Asks      []string // header fields that neither file nor caller gave: laboratory, number, revision, status, issued
	Layout    string   // which column names were found
	Delimiter string   // comma, semicolon, tab
	Notes     []string // about the file as a whole
	Results   []runner.LabResult
	Lines     []Line // every row of the file, in its order
	QC        []QCRow
	Foreign   []Foreign
	Missing   []Missing
	Ignored   []string // columns that were not read
	Warnings  []runner.Warning
}

// What a row was taken for.
const (
	RowResult      = "result"
	RowQC          = "quality_control"
	RowForeign     = "not_ours"
	RowNotReported = "not_reported" // the laboratory gives no result
	RowRejected    = "rejected"     // the laboratory rejects its result
	RowIgnored     = "ignored"      // the caller does not want this analyte
	RowOtherMethod = "other_method" // the caller chose another method
	RowSaidTwice   = "said_twice"   // the same result, expressed in another way
)

// Line is what was understood of one row.
type Line struct {
	Line    int      `json:"line"`
	Kind    string   `json:"kind"`
	Sample  string   `json:"sample,omitempty"`
	Analyte string   `json:"analyte,omitempty"`
	Written string   `json:"written"`         // name, value, unit and condition as they stand
	Read    string   `json:"read,omitempty"`  // the result as it goes on record
	Notes   []string `json:"notes,omitempty"` // what was taken for what
}

// QCRow is a row of the laboratory's own quality control, as written.
type QCRow struct {
	Line                         int
	Type, Sample, Analyte, Value string
}

// Foreign is a sample of the file that is not ours.
type Foreign struct {
	Sample string
	Rows   int
	Line   int // of the first
}

// Missing is what was ordered and is not there. Analyte "" is the whole sample.
type Missing struct {
	Sample, Analyte string
	Why             string // absent, not_reported, rejected
}

// Fault is what keeps a file from being read.
type Fault struct {
	File   string `json:"file"`
	Line   int    `json:"line"`             // from 1, 0 for the file as a whole
	Column string `json:"column,omitempty"` // its name
	Says   string `json:"says"`
	Hint   string `json:"hint,omitempty"`
}

// String is the fault in one line.
func (f Fault) String() string {
	s := f.File
	if f.Line > 0 {
		s += fmt.Sprintf(":%d", f.Line)
	}
	if f.Column != "" {
		s += ": " + f.Column
	}
	s += ": " + f.Says
	if f.Hint != "" {
		s += " (" + f.Hint + ")"
	}
	return s
}

// Parse reads a report. It returns a sheet, or every fault that it found,
// sorted by line; never both. The sheet's warnings are those of the reading,
// then those of Plausible.
func Parse(name string, data []byte, opt Options) (*Sheet, []Fault) {
	p := &parser{name: name, opt: opt, sheet: &Sheet{Header: opt.Header}}
	t, faults := readTable(name, data)
	if faults != nil {
		return nil, faults
	}
	p.table = t
	p.sheet.Delimiter, p.sheet.Notes = t.delimiter, t.notes
	if !p.findColumns() {
		return nil, sorted(p.faults)
	}
	p.readLimits()
	if len(p.faults) > 0 {
		return nil, sorted(p.faults)
	}
	p.lookups()
	for i := range t.rows {
		p.row(i)
	}
	p.settleTwice()
	p.settleSamples()
	p.settleHeader()
	if len(p.faults) > 0 {
		return nil, sorted(p.faults)
	}
	p.sheet.Warnings = append(p.warnings, Plausible(p.sheet.Results, opt.Context)...)
	return p.sheet, nil
}

func sorted(faults []Fault) []Fault {
	sort.SliceStable(faults, func(i, j int) bool { return faults[i].Line < faults[j].Line })
	return faults
}

// parser is the working state of one file.
type parser struct {
	name     string
	opt      Options
	table    *table
	layout   *layout
	at       map[field]int // column of each field
	limits   map[string][]limitRow
	byName   map[string]*protocol.AnalyteDef
	names    []string // every name known, sorted
	ignore   map[string]bool
	bySample map[string]*Sample
	known    []string // sample ids, sorted
	found    []found
	foreign  map[string]*Foreign
	ours     int
	skipped  map[string]string // sample NUL analyte -> why it has no result
	statuses map[string]int
	labs     map[string]int
	said     map[field]string // header fields as the rows say them
	sheet    *Sheet
	faults   []Fault
	warnings []runner.Warning
}

// found is a result with what is needed to settle it among others.
type found struct {
	result runner.LabResult
	line   int // index into sheet.Lines
	def    *protocol.AnalyteDef
}

func (p *parser) fault(row int, f field, says, hint string) {
	column := ""
	if i, ok := p.at[f]; ok {
		column = p.table.header[i]
	}
	p.faults = append(p.faults, Fault{File: p.name, Line: p.table.rows[row].line, Column: column, Says: says, Hint: hint})
}

// cell is a field of a row, without outer spaces; "" when the file lacks it.
func (p *parser) cell(row int, f field) string {
	if i, ok := p.at[f]; ok {
		return p.table.rows[row].cells[i]
	}
	return ""
}
