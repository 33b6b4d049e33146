// Package assess turns a run's state and its pinned documents into findings:
// what can be said about each analyte and each bench measurement, with its
// interval, inputs, rule, source, and what would be needed to say more.
package assess

// Finding is one statement about one subject, as a code and arguments from
// which its sentence is made. Nothing in it is prose.
type Finding struct {
	Subject string `json:"subject"` // analyte id, or what a step gives (flow, recovery...)
	Kind    string `json:"kind"`    // reduction, rise, margin, mineral, bench, cost, report
	Code    string `json:"code"`    // closed list of the kind, see codes.go
	Args    []Arg  `json:"args,omitempty"`
	// Value is the point in its unit as decimal text; empty where only bounds are known.
	Value string `json:"value,omitempty"`
	// Low and High bound the value, in the same unit; "" is unbounded.
	Low    string  `json:"low,omitempty"`
	High   string  `json:"high,omitempty"`
	Unit   string  `json:"unit,omitempty"`
	Inputs []Input `json:"inputs,omitempty"`
	Rule   string  `json:"rule"`             // id of the formula, see formulas.go
	Source string  `json:"source,omitempty"` // where the rule comes from, or "common practice, no source"
	Needs  string  `json:"needs,omitempty"`  // code: what would be needed to say more
	// Marks are codes of criteria qualified, departures accepted, assumptions made.
	Marks []string `json:"marks,omitempty"`
}

// Arg is a named argument of a finding's code.
type Arg struct {
	Name string `json:"name"`
	Text string `json:"text"`
}

// Input is a value that a finding rests on, as written, with where it stands:
// a record of the run, or a pinned document.
type Input struct {
	Name   string `json:"name"` // role in the formula: untreated, treated, limit...
	Text   string `json:"text"`
	Run    string `json:"run,omitempty"`
	Seq    int64  `json:"seq,omitempty"`
	Record string `json:"record,omitempty"` // sha256 of the record
	Path   string `json:"path,omitempty"`   // JSON Pointer into the record's body
	Doc    string `json:"doc,omitempty"`    // kind/id/version of a pinned document
}

// Row is one analyte side by side, as the tables print it.
type Row struct {
	Analyte   string `json:"analyte"`
	Untreated Cell   `json:"untreated"`
	Treated   Cell   `json:"treated"`
	Blank     Cell   `json:"blank"`
	LotBlank  Cell   `json:"lot_blank"`
	Drain     Cell   `json:"drain"`
	Duplicate Cell   `json:"duplicate"` // of the treated sample
	SecondDay Cell   `json:"second_day"`
	Flushed   Cell   `json:"flushed"` // treated, after the first draw has run off
}

// Cell is one result with its expanded uncertainty.
type Cell struct {
	Result string `json:"result,omitempty"` // as reported
	U      string `json:"u,omitempty"`      // expanded, k=2, same unit
	Limit  string `json:"limit,omitempty"`  // reporting limit
	Seq    int64  `json:"seq,omitempty"`
	Path   string `json:"path,omitempty"`
	Sample string `json:"sample,omitempty"`
}

// Assessment is everything found about one run.
type Assessment struct {
	Run      string    `json:"run"`
	Unit     string    `json:"unit"`
	Protocol string    `json:"protocol"`
	Rows     []Row     `json:"rows"`
	Findings []Finding `json:"findings"`
	// Looked is how many analytes a rise could have been seen in (Holm's family).
	Looked int `json:"looked"`
}

// Rise states.
const (
	RiseNone        = "not_distinguishable"
	RiseUnconfirmed = "higher_unconfirmed"
	RiseConfirmed   = "higher_confirmed"
	RiseUndecided   = "undecided"
)
