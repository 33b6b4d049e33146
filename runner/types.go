// Package runner is a run as a fold over its records: what was done, what may
// be done now, what waits until when, what was decided and on which evidence.
// It is pure: no clock, no disk, no log.
package runner

import (
	"tapledger/audit"
	"tapledger/protocol"
)

// BodyFormat is the version of record bodies that this package writes.
const BodyFormat = "body/1"

// Record kinds. The table in audit/FORMAT.md gives, for each, its fields, the
// verb that writes it and its effect on the fold.
const (
	KindOpened       = "opened"
	KindStarted      = "started"
	KindEntry        = "entry"
	KindDraw         = "draw"
	KindHandOver     = "hand_over"
	KindReport       = "report"
	KindPart         = "part"
	KindDeparture    = "departure"
	KindCorrection   = "correction"
	KindNote         = "note"
	KindCautionRead  = "caution_read"
	KindStopped      = "stopped"
	KindResumed      = "resumed"
	KindSecondPerson = "second_person"
	KindComplaint    = "complaint"
	KindRemoved      = "removed"
	KindRecovered    = "recovered"
	KindClosed       = "closed"
	KindReopened     = "reopened"
	KindAbandoned    = "abandoned"
)

// Value is one recorded value with how it came to be known: timed, typed,
// imported, photo or legacy.
type Value struct {
	Text     string `json:"text"`
	Evidence string `json:"evidence"`
}

// Attachment names bytes that lie outside the ledger by a salted commitment.
type Attachment struct {
	Bytes      int64  `json:"bytes"`
	Class      string `json:"class"` // private, redacted, public
	Commitment string `json:"commitment"`
	Media      string `json:"media"`
	Of         string `json:"of,omitempty"`   // redacted: commitment of its original
	Name       string `json:"name,omitempty"` // what it shows, no file name of the device
}

// Decision is the stored state of one criterion for one try.
type Decision struct {
	Code      string   `json:"code"`
	Criterion string   `json:"criterion"`
	Inputs    []string `json:"inputs"`
	State     string   `json:"state"`
	Try       int      `json:"try"`
}

// Common is what every body holds.
type Common struct {
	Format      string       `json:"format"`
	Decisions   []Decision   `json:"decisions,omitempty"`
	Attachments []Attachment `json:"attachments,omitempty"`
}

// Opened is the body of a run's first record: everything that is pinned.
type Opened struct {
	Common
	Unit      protocol.Pin   `json:"unit"`
	Protocol  protocol.Pin   `json:"protocol"`
	Values    []protocol.Pin `json:"values"`
	Scoring   *protocol.Pin  `json:"scoring,omitempty"`  // absent: none
	Campaign  *protocol.Pin  `json:"campaign,omitempty"` // absent: none
	Schemas   string         `json:"schemas"`            // sha256 over the schemas' bytes
	Engine    int            `json:"engine"`
	Simulated string         `json:"simulated"` // "yes" or "no"
	Label     string         `json:"label,omitempty"`
}

// Started is a flush, fill or stand begun by a button.
type Started struct {
	Common
	Step   string           `json:"step"`
	Try    int              `json:"try"`
	Values map[string]Value `json:"values"` // began
}

// Entry is one sheet filled in for one step. Repeated readings have the keys
// value, value_2, value_3...
type Entry struct {
	Common
	Step   string           `json:"step"`
	Try    int              `json:"try"`
	Values map[string]Value `json:"values"`
}

// Draw is the bottles of one draw.
type Draw struct {
	Common
	Step    string           `json:"step"`
	Try     int              `json:"try"`
	Values  map[string]Value `json:"values"` // at, opened_at, closed_at, flow, temperature...
	Bottles []DrawnBottle    `json:"bottles"`
}

// DrawnBottle is one bottle of a draw. From and To are volumes since the
// faucet was opened.
type DrawnBottle struct {
	Bottle  string `json:"bottle"` // id in the protocol
	Code    string `json:"code"`   // 6 base32 characters, printed on the label
	Lot     string `json:"lot"`
	Expires string `json:"expires,omitempty"`
	From    string `json:"from,omitempty"`
	To      string `json:"to,omitempty"`
}

// HandOver passes samples on. A sample is all bottles of one draw of one try.
type HandOver struct {
	Common
	Step       string           `json:"step,omitempty"`
	Try        int              `json:"try,omitempty"`
	To         string           `json:"to"` // laboratory or person id, or courier
	Samples    []HandedSample   `json:"samples"`
	Values     map[string]Value `json:"values"` // at, temperature, seal
	Checkpoint string           `json:"checkpoint"`
	Signature  string           `json:"signature"`
}

// HandedSample is one sample with the id that the laboratory reports it under.
type HandedSample struct {
	ID    string   `json:"id"`
	Step  string   `json:"step"`
	Try   int      `json:"try"`
	Codes []string `json:"codes"` // bottle codes, sorted
}

// Report is a laboratory's report with its parsed values.
type Report struct {
	Common
	Step       string           `json:"step,omitempty"`
	Try        int              `json:"try,omitempty"`
	Laboratory string           `json:"laboratory"`
	Number     string           `json:"number"`
	Revision   string           `json:"revision"`
	Status     string           `json:"status"`             // preliminary, final, amended
	Issued     string           `json:"issued"`             // date
	Replaces   string           `json:"replaces,omitempty"` // number and revision
	Received   string           `json:"received,omitempty"` // samples received: time
	Values     map[string]Value `json:"values,omitempty"`   // at, receipt_temperature
	Results    []LabResult      `json:"results"`
	Warnings   []Warning        `json:"warnings,omitempty"`
}

// LabResult is one result. Result is as FORMAT.md's result: "0.05 mg/L as N",
// "<0.05 mg/L", never a value and a condition together.
type LabResult struct {
	Sample      string `json:"sample"`
	Analyte     string `json:"analyte"`
	Result      string `json:"result"`
	Qualifier   string `json:"qualifier,omitempty"` // J and the like, as reported
	Fraction    string `json:"fraction,omitempty"`  // total, dissolved
	Method      string `json:"method,omitempty"`
	Detection   string `json:"detection,omitempty"`
	Quantitate  string `json:"quantitation,omitempty"`
	Reporting   string `json:"reporting,omitempty"`
	Dilution    string `json:"dilution,omitempty"`
	Batch       string `json:"batch,omitempty"`
	Uncertainty string `json:"uncertainty,omitempty"` // U, k=2
	Analysed    string `json:"analysed,omitempty"`    // date or time
	Performed   string `json:"performed,omitempty"`   // performing laboratory if another
	Line        int    `json:"line,omitempty"`        // line of the file
}

// Warning is a code and its arguments about a report.
type Warning struct {
	Code string   `json:"code"`
	Args []string `json:"args,omitempty"`
}

// Part is a part fitted or removed.
type Part struct {
	Common
	Action   string           `json:"action"` // fitted, removed
	Part     string           `json:"part"`
	Lot      string           `json:"lot,omitempty"`
	DateCode string           `json:"date_code,omitempty"`
	Values   map[string]Value `json:"values"` // at, volume (treated since the part was new)
}

// Departure is an accepted deviation. It unblocks; it changes no decision.
type Departure struct {
	Common
	Affects []string `json:"affects"` // criterion ids
	Try     int      `json:"try"`
	Reason  string   `json:"reason"`
}

// Correction supersedes one value of an earlier record.
type Correction struct {
	Common
	Corrects Target `json:"corrects"`
	Value    Value  `json:"value"`
	Reason   string `json:"reason"`
}

// Target is a value of a record: its number and a JSON Pointer into its body.
type Target struct {
	Path string `json:"path"`
	Seq  int64  `json:"seq"`
}

// Note is a remark, about a step or the number of a record if it names one. A
// note about a complaint's record answers it.
type Note struct {
	Common
	About string `json:"about,omitempty"`
	Text  string `json:"text"`
}

// CautionRead says that the writer read a caution, in this version.
type CautionRead struct {
	Common
	Caution string `json:"caution"`
	Version string `json:"version"`
}

// Stopped and Resumed: the way out, and back.
type Stopped struct {
	Common
	Reason string `json:"reason,omitempty"`
}

// Resumed takes a stopped run up again.
type Resumed struct {
	Common
	Reason string `json:"reason,omitempty"`
}

// SecondPerson confirms an earlier record, signed with a key of their own.
type SecondPerson struct {
	Common
	Confirms int64  `json:"confirms"` // seq
	Record   string `json:"record"`   // its hash
}

// Complaint is what a maker or reader holds against a number.
type Complaint struct {
	Common
	About string `json:"about,omitempty"`
	From  string `json:"from"` // maker, reader, laboratory, other
	Text  string `json:"text"`
}

// Removed says that private bytes were removed, and why.
type Removed struct {
	Common
	Commitment string `json:"commitment"`
	Reason     string `json:"reason"`
}

// Recovered says what start-up recovery did.
type Recovered struct {
	Common
	Did []string `json:"did"`
}

// Closed ends a run that was carried out.
type Closed struct {
	Common
}

// Reopened takes a closed run up again.
type Reopened struct {
	Common
	Reason string `json:"reason"`
}

// Abandoned ends a run that will not be carried out.
type Abandoned struct {
	Common
	Reason string `json:"reason"`
}

// Pinned is everything that a run's opened record pins, read from main's tree.
type Pinned struct {
	Run        string
	Opened     Opened
	Protocol   *protocol.Protocol
	Unit       *protocol.Unit
	Values     []*protocol.Values
	Scoring    *protocol.Scoring
	Campaign   *protocol.Campaign
	Cautions   map[string]*protocol.Caution
	Instrument map[string]*protocol.Instrument // by id, newest at the opening main
	Laboratory map[string]*protocol.Laboratory
	People     []string // ids of the people known at the opening main, sorted
	rules      *compiled
}

// Held is a value in effect: as recorded, or as last corrected.
type Held struct {
	Value
	Seq      int64  // record that it was first written in
	Path     string // JSON Pointer into that record's body
	By       int64  // record of the correction in effect, 0 if none
	Original string // text before correction, "" if none
}

// Try is one attempt at a step.
type Try struct {
	Step    string
	N       int
	Seqs    []int64 // records of this try, in order
	Values  map[string]Held
	Series  []map[string]Held // series: one map a reading
	Bottles []DrawnBottle
	// Openings are the times at which the faucet was opened while a stand ran.
	Openings []Held
	Closed   bool
	Void     bool   // what it gave is not used
	LeftOut  bool   // closed by a departure, without having been done
	Made     string // of the record that closed it
	// OpenedBy is the record whose decision opened this further try, 0 for the
	// first. Target is the step that was to be done again: it and the steps that
	// depend on it were opened together.
	OpenedBy int64
	Target   string
}

// Begun tells whether anything is on record for the try.
func (t *Try) Begun() bool { return len(t.Seqs) > 0 || t.Closed }

// Sample is what was drawn in one try of one draw.
type Sample struct {
	ID          string // "" before hand-over
	Step        string
	Try         int
	Seq         int64
	Codes       []string
	DrawnAt     string
	HandedAt    string
	HandedSeq   int64
	ReceivedAt  string
	Temperature string // on receipt
	Hands       []Hand // every hand-over, in order
}

// Hand is one hand-over of a sample.
type Hand struct {
	To          string
	At          string
	Temperature string
	Seal        string
	Seq         int64
}

// Received is a laboratory report on record, with the number of its record
// and whether a later one replaces it.
type Received struct {
	Report
	Seq        int64
	Made       string
	Main       string
	ReplacedBy int64
	Fixed      map[string]int64 // JSON Pointer -> record of the correction in effect
}

// Decided is a stored decision with the record that stored it.
type Decided struct {
	Decision
	Seq int64
}

// Event is any other record, kept for accounts: departures, corrections,
// notes, parts, complaints, second persons, cautions.
type Event struct {
	Seq  int64
	Kind string
	By   string
	Made string
	Body any // *Departure, *Correction...
}

// Phases of a run.
const (
	PhaseOpen      = "open"
	PhaseStopped   = "stopped" // by a person, or by a criterion until a departure
	PhaseClosed    = "closed"
	PhaseAbandoned = "abandoned"
)

// State is a run as its records leave it. It is never changed in place:
// folding one more record gives a new State.
type State struct {
	Pinned  *Pinned
	Run     string
	Seq     int64
	Head    string // hash of the last record
	Made    string // of the last record
	Main    string // main commit that the last record saw
	Phase   string
	Records []audit.Record
	Tries   map[string][]*Try // by step id
	Samples []*Sample
	Reports []*Received
	Decided []Decided // newest for each criterion and try, in order of criterion, then try
	History []Decided // every stored decision, in order
	Events  []Event
	Blocked []Block
	// Turned lists the decisions that a correction turned to met, with the
	// record of the correction: an edition lists these first.
	Turned []Decided

	stopped   bool // by a person
	closed    bool
	abandoned bool
	metas     []meta
	originals []any // bodies as recorded
	bodies    []any // bodies in effect, after corrections
	fixed     map[int64]map[string]fix
	decided   map[key]Decided
	departed  map[key]int64 // record of the departure
	read      map[string]bool
	codes     map[string]int64 // bottle code -> record
}

// meta is what the fold needs of an envelope.
type meta struct {
	seq                  int64
	kind, by, made, main string
}

// key names a decision: a criterion, and the try of the step that it decides.
type key struct {
	criterion string
	try       int
}

// fix is a value in effect by a correction.
type fix struct {
	by       int64
	original string
}

// Block is something that the run waits for a person to settle.
type Block struct {
	Criterion string
	Try       int
	Step      string
	State     string // unmet, undecided, faulty
	Code      string // of the decision
	Why       string // code: stop, tries_used_up, faulty
}
