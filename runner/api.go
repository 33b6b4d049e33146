package runner

import (
	"errors"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/rules"
)

// compiled holds the rules of a protocol, compiled once.
type compiled struct{}

var errNotYet = errors.New("runner: not built yet")

// Pin resolves everything that opened names from the files of main's tree at
// the opening commit, checks the hashes, and compiles the rules.
func Pin(files map[string][]byte, run string, opened Opened) (*Pinned, error) { return nil, errNotYet }

// Fold works a whole run out from its records.
func Fold(p *Pinned, recs []audit.Record) (*State, error) { return nil, errNotYet }

// With returns the state after one more record, checked against this one.
func (s *State) With(r audit.Record) (*State, error) { return nil, errNotYet }

// Proposal is what somebody wants to put on record.
type Proposal struct {
	Kind  string
	Body  any // Entry or *Entry, Draw, ...: a body of this package
	By    string
	Via   string // key or page
	Now   time.Time
	Clock string // wall, behind, simulated
	Main  string
	// People, Instruments and Laboratories are those on main now; nil means
	// those of the opening commit.
	People       []string
	Instruments  map[string]*protocol.Instrument
	Laboratories map[string]*protocol.Laboratory
}

// Extend checks a proposal against the state, judges every criterion after it,
// and returns the record to append with the state that it leads to.
func (s *State) Extend(p Proposal) (audit.Record, *State, error) {
	return audit.Record{}, nil, errNotYet
}

// Start returns the opened record of a run.
func Start(p *Pinned, pr Proposal) (audit.Record, *State, error) {
	return audit.Record{}, nil, errNotYet
}

// Refusal is an input that is refused; nothing was recorded.
type Refusal struct {
	Says string `json:"says"`
	Step string `json:"step,omitempty"`
	Line int    `json:"line,omitempty"` // of a laboratory's file
	Hint string `json:"hint,omitempty"`
}

// Error is the refusal in one line.
func (r *Refusal) Error() string { return r.Says }

// Agenda is what is to be done with a run at a moment.
type Agenda struct {
	Run     string   `json:"run"`
	Unit    string   `json:"unit"`
	Phase   string   `json:"phase"`
	Now     string   `json:"now"`
	May     []Todo   `json:"may"`
	Waits   []Wait   `json:"waits"`
	Expires []Hold   `json:"expires"`
	Blocked []Stuck  `json:"blocked"`
	Owed    []Owed   `json:"owed"`
	Later   []string `json:"later"` // steps that come after what stands here
}

// Todo is a step that may be entered now.
type Todo struct {
	Step       string   `json:"step"`
	Section    string   `json:"section"`
	Try        int      `json:"try"`
	Kind       string   `json:"kind"`
	Ask        string   `json:"ask,omitempty"`
	In         string   `json:"in,omitempty"`
	Instrument string   `json:"instrument,omitempty"` // class
	Point      string   `json:"point,omitempty"`
	Bottles    []string `json:"bottles,omitempty"`
	Fields     []string `json:"fields"`             // what an entry holds
	Optional   []string `json:"optional,omitempty"` // what it may hold
	Cautions   []string `json:"cautions,omitempty"` // due at this step
	Decides    []string `json:"decides,omitempty"`  // criteria
	Begun      string   `json:"begun,omitempty"`    // time, of a flush, fill or stand under way
	Count      int      `json:"count,omitempty"`    // series: readings so far
	Fewest     int      `json:"fewest,omitempty"`
	Most       int      `json:"most,omitempty"`
	NotBefore  string   `json:"not_before,omitempty"` // window, as a clock time
	NotAfter   string   `json:"not_after,omitempty"`
	Missed     string   `json:"missed,omitempty"` // "yes" when not_after has gone by
}

// Wait is a step that cannot be entered yet, or should not before a time.
type Wait struct {
	Step  string   `json:"step"`
	Try   int      `json:"try"`
	Why   string   `json:"why"` // window, needs, order
	On    []string `json:"on,omitempty"`
	From  string   `json:"from,omitempty"`  // clock time at which the window opens
	Until string   `json:"until,omitempty"` // clock time at which it closes
}

// Hold is a bottle's hold time, and how it ended once an analysis is on record.
type Hold struct {
	Step     string `json:"step"`
	Try      int    `json:"try"`
	Sample   string `json:"sample,omitempty"`
	Bottle   string `json:"bottle"`
	Code     string `json:"code"`
	Analyte  string `json:"analyte,omitempty"`
	Hold     string `json:"hold"`  // quantity, the stricter of a pair
	Drawn    string `json:"drawn"` // time
	Until    string `json:"until"` // last moment that is in
	Analysed string `json:"analysed,omitempty"`
	State    string `json:"state,omitempty"` // met, unmet, undecided
	Passed   string `json:"passed,omitempty"`
}

// Stuck is something that the run waits for a person to settle.
type Stuck struct {
	Criterion string   `json:"criterion"`
	Try       int      `json:"try"`
	Step      string   `json:"step"`
	State     string   `json:"state"`
	Code      string   `json:"code,omitempty"`
	Why       string   `json:"why"`  // stop, tries_used_up, faulty, stopped
	Free      []string `json:"free"` // verbs that free it
}

// Owed is a duty that stays until it is settled.
type Owed struct {
	Code string   `json:"code"` // report_replaced, complaint_open, second_person, preliminary_report
	Seq  int64    `json:"seq"`
	Args []string `json:"args,omitempty"`
}

// Next lists what may be done now, what waits and until when, which hold times
// run out when, what is blocked and how it is freed, and what is still owed.
func (s *State) Next(now time.Time) Agenda { return Agenda{} }

// CautionsDue lists the cautions due at a step, sorted as the catalogue.
func (s *State) CautionsDue(step string) []string { return nil }

// CautionsUnread lists those due at a step that a person has not read in this run.
func (s *State) CautionsUnread(by, step string) []string { return nil }

// Current is the newest try of a step, nil for an unknown step.
func (s *State) Current(step string) *Try { return nil }

// CountedTry is the try of a step that counts: the newest if it is closed and
// not void, else nil.
func (s *State) CountedTry(step string) *Try { return nil }

// At names one try of one step.
type At struct {
	Step string
	Try  int
}

// Lookup gives values in effect to the rules: those of the current tries, or
// those that belong together with the named try.
func (s *State) Lookup(at ...At) rules.Lookup { return nil }

// Explain says how a criterion comes to its decision for one try.
func (s *State) Explain(criterion string, try int) (*rules.Explanation, error) {
	return nil, errNotYet
}

// Deep folds and decides a run again, for verify --deep.
func Deep(o audit.Objects) func(o audit.Objects, run string, recs []audit.Record) []audit.Fault {
	return nil
}

// Subject is one line about a record for a commit's subject. It is no evidence.
func Subject(rec audit.Record) string { return "" }

// Role is the sample that plays a part in the assessment: treated, untreated,
// field_blank, lot_blank, drain, duplicate; nil when there is none that counts.
func (s *State) Role(role string) *Sample { return nil }

// Result is the newest result that counts for a sample and analyte: from a
// report that is neither preliminary nor replaced. Seq is its record, path the
// JSON Pointer of the result in that record's body.
func (s *State) Result(sample, analyte string) (r *LabResult, seq int64, path string) {
	return nil, 0, ""
}

// Holds decides the hold time of every bottle and, once reported, of every
// analyte read from it.
func (s *State) Holds(now time.Time) []Hold { return nil }

// LifePoint is the volume that a part had treated when a sample was drawn.
type LifePoint struct {
	Part   string   `json:"part"`
	Lot    string   `json:"lot,omitempty"`
	Step   string   `json:"step"`
	Try    int      `json:"try"`
	Seq    int64    `json:"seq"`
	Volume string   `json:"volume"`          // quantity, L
	Rated  string   `json:"rated,omitempty"` // quantity, as stated
	Share  string   `json:"share,omitempty"` // quantity, %
	Bound  string   `json:"bound"`           // "exact" or "at least": some volume was not recorded
	Inputs []string `json:"inputs"`          // path@seq
}

// LifePoints gives the life point of every part at every draw.
func LifePoints(s *State) []LifePoint { return nil }
