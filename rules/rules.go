// Package rules decides the criteria of a protocol and computes the values of
// its derived steps and measures.
//
// A rule is one expression in CEL (Common Expression Language, an open
// standard) over the typed fields of steps, constants, the unit and analytes.
// It is checked when a document is read: a volume compared with a time, an
// unknown field or a misspelt unit is a fault with its position. Arithmetic is
// exact. A comparison that the evidence cannot decide is undecided with a code,
// a field whose step is still open is awaited, and both follow Kleene's logic:
// what is decided anyway is decided.
//
// What an expression may use is a closed table of functions per engine level.
// The package is pure: the same expression and values give the same decision.
package rules

import (
	"fmt"

	"tapledger/rules/quantity"
)

// Level is the newest engine level. A run pins the level that it was opened
// with; a released level's functions never change.
const Level = 1

type kind uint8

const (
	kindAny kind = iota
	kindBool
	kindNumber
	kindText
	kindMoment
	kindAnswer
	kindRise
	kindResult
	kindQuantity
	kindInterval
)

// Type is the type of a field or of an expression. Types are comparable; the
// zero Type means any.
type Type struct {
	kind kind
	dim  quantity.Dim
	list bool
}

// The types without a dimension.
var (
	Bool   = Type{kind: kindBool}
	Number = Type{kind: kindNumber} // a bare number, exact
	Text   = Type{kind: kindText}
	Moment = Type{kind: kindMoment} // a point in time
	Answer = Type{kind: kindAnswer} // yes, no, not_applicable
	Rise   = Type{kind: kindRise}   // not_distinguishable, higher_unconfirmed, higher_confirmed
	Result = Type{kind: kindResult} // what a laboratory reports: a value or a limit
)

// QuantityOf is the type of quantities of a dimension.
func QuantityOf(d quantity.Dim) Type { return Type{kind: kindQuantity, dim: d} }

// IntervalOf is the type of intervals of a dimension.
func IntervalOf(d quantity.Dim) Type { return Type{kind: kindInterval, dim: d} }

// ListOf is the type of lists of t. Lists of lists do not exist: t being a
// list gives t itself.
func ListOf(t Type) Type { t.list = true; return t }

// Item is the type of a list's items; of any other type it is the type itself.
func (t Type) Item() Type { t.list = false; return t }

// IsList tells whether t is a list.
func (t Type) IsList() bool { return t.list }

// IsInterval tells whether t is an interval of some dimension.
func (t Type) IsInterval() bool { return t.kind == kindInterval && !t.list }

// Dim is the dimension of a quantity or interval type, None for others.
func (t Type) Dim() quantity.Dim { return t.dim }

// String is the type in trade words, without an article: "volume", "interval of
// a ratio", "list (each a result)".
func (t Type) String() string {
	word := map[kind]string{kindAny: "value", kindBool: "statement that is true or false", kindNumber: "number", kindText: "text", kindMoment: "moment",
		kindAnswer: "answer", kindRise: "rise", kindResult: "result", kindQuantity: t.dim.String(), kindInterval: "interval of a " + t.dim.String()}[t.kind]
	if t.list {
		return "list (each " + withArticle(word) + ")"
	}
	return word
}

// Field is a named, typed part of a record.
type Field struct {
	Name string
	Type Type
}

// Record is a variable with typed fields: a step, `constants`, `unit`, `bench`.
// Its values are reached as name.field only.
type Record struct {
	Name   string
	Fields []Field
}

// Vocabulary is what the expressions of one document can name. With Analytes,
// analyte("id").field is known for each id and each of AnalyteFields; an id
// that is not in the list is a fault.
type Vocabulary struct {
	Records       []Record
	Analytes      []string
	AnalyteFields []Field
}

// Presence says whether a field has a value.
type Presence uint8

const (
	Open          Presence = iota // its step is still open: awaited
	Recorded                      // there is a value
	NotRecorded                   // its step is closed without it: undecided
	NotApplicable                 // answered "not applicable": undecided
	FeedMoved                     // its pair does not stand for one water: undecided
)

// Lookup gives the value of a field by its path: "feed_pressure.value",
// "constants.flush_time", `analyte("lead").treated`.
//
// Values by type: bool; *big.Rat for Number; string for Text, Answer and Rise;
// time.Time for Moment; quantity.Quantity; quantity.Result; quantity.Interval;
// []any of these for lists. A value of another type or dimension than the
// field's makes a decision faulty with code internal.
type Lookup func(path string) (value any, p Presence)

// State is the state of a criterion.
type State string

// The states.
const (
	Met       State = "met"
	Unmet     State = "unmet"
	Undecided State = "undecided" // the evidence cannot tell
	Awaiting  State = "awaiting"  // steps are still open
	Faulty    State = "faulty"    // the rule could not be evaluated
)

// Code says why a state is undecided or faulty.
type Code string

// Codes of undecided, the most basic first: where several apply, the first of
// this list is the decision's.
const (
	CodeNotRecorded    Code = "not_recorded"
	CodeNotApplicable  Code = "not_applicable"
	CodeFeedMoved      Code = "feed_moved"
	CodeEvidence       Code = "evidence" // the values do not fit the question
	CodeUnequalLimits  Code = "unequal_limits"
	CodeReportingLimit Code = "reporting_limit"
	CodeStraddles      Code = "straddles"
)

// Codes of faulty.
const (
	CodeDivisionByZero Code = "division_by_zero"
	CodeStepLimit      Code = "step_limit"
	CodeInternal       Code = "internal"
)

// Decision is how a rule came out. Code is empty unless undecided or faulty.
// Awaits lists the fields that are still open, sorted, when awaiting.
type Decision struct {
	State  State    `json:"state"`
	Code   Code     `json:"code,omitempty"`
	Awaits []string `json:"awaits,omitempty"`
}

// Fault is what is wrong with an expression, at a position inside it (line and
// column from 1, columns in characters).
type Fault struct {
	Line int    `json:"line"`
	Col  int    `json:"col"`
	Says string `json:"says"`
	Hint string `json:"hint,omitempty"`
}

// String is line:col: what is wrong.
func (f Fault) String() string {
	s := fmt.Sprintf("%d:%d: %s", f.Line, f.Col, f.Says)
	if f.Hint != "" {
		s += " (" + f.Hint + ")"
	}
	return s
}
