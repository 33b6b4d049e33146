// Package protocol reads, checks, resolves and compares the documents of a
// bench: protocols, units, people, instruments, laboratories, values, scoring,
// campaigns, cautions and layouts.
//
// A document is written as YAML for people and pinned twice: by the hash of
// its YAML and by the hash of its resolved form, which is canonical JSON after
// borrowed sections, defaults and windows have been worked in. Everything that
// decides or computes reads resolved forms only.
package protocol

// Protocol is the resolved form of a protocol: what is done, in which order,
// within which windows, and what must be met.
type Protocol struct {
	Kind      string            `json:"kind"`
	ID        string            `json:"id"`
	Version   string            `json:"version"`
	Title     string            `json:"title"`
	UnitHas   []string          `json:"unit_has,omitempty"`
	Tries     Tries             `json:"tries"`
	Constants map[string]string `json:"constants,omitempty"`
	Cautions  []string          `json:"cautions,omitempty"`
	Points    map[string]Point  `json:"points,omitempty"`
	Bottles   map[string]Bottle `json:"bottles,omitempty"`
	// Analytes lists what the laboratory is asked for, in the protocol's order.
	Analytes []string  `json:"analytes,omitempty"`
	Sections []Section `json:"sections"`
	// Criteria holds the hand-written criteria followed by those made from
	// windows; a window's criterion has the id "<step>.<window>".
	Criteria []Criterion `json:"criteria,omitempty"`
}

// Tries says how often a step may be done again and which try counts:
// "last" or "all".
type Tries struct {
	Most   int    `json:"most"`
	Counts string `json:"counts"`
}

// Point is a sampling point with what standing water in it could change.
type Point struct {
	Where      string `json:"where"`
	Fitting    string `json:"fitting,omitempty"`
	Aerator    string `json:"aerator,omitempty"`
	Material   string `json:"material,omitempty"`
	DeadVolume string `json:"dead_volume,omitempty"` // quantity, a volume
}

// Bottle is a kind of bottle: what it holds, what is in it, how long its
// sample may be held and which analytes are read from it.
type Bottle struct {
	Volume       string   `json:"volume"` // quantity, a volume
	Material     string   `json:"material"`
	Preservative string   `json:"preservative"`
	Hold         string   `json:"hold"` // quantity, a time
	Programme    string   `json:"programme,omitempty"`
	Sterile      string   `json:"sterile,omitempty"` // "yes" or empty
	Analytes     []string `json:"analytes,omitempty"`
	Source       string   `json:"source,omitempty"`
	Status       string   `json:"status,omitempty"`
}

// Section is a named list of steps.
type Section struct {
	ID       string   `json:"id"`
	Title    string   `json:"title,omitempty"`
	Involves []string `json:"involves,omitempty"`
	Steps    []Step   `json:"steps"`
}

// Step kinds.
const (
	StepInspect = "inspect"
	StepReading = "reading"
	StepFlush   = "flush"
	StepFill    = "fill"
	StepStand   = "stand"
	StepDraw    = "draw"
	StepHand    = "hand_over"
	StepReport  = "report"
	StepSeries  = "series"
	StepTaste   = "taste"
	StepDerive  = "derive"
)

// Step is one thing to do or to work out.
type Step struct {
	ID   string `json:"id"`
	Kind string `json:"kind"`
	Ask  string `json:"ask,omitempty"`

	// In is the unit in which a reading or series is asked for, and gives the
	// step's dimension. Instrument names a class of instruments.
	In         string `json:"in,omitempty"`
	Instrument string `json:"instrument,omitempty"`
	Repeats    int    `json:"repeats,omitempty"` // readings taken in one entry, default 1
	// Gives names the bench measurement that this step's value is, from the
	// closed list in gives.go; the assessment reads it.
	Gives string `json:"gives,omitempty"`

	// Sheet lists the values of a reading that asks for several at once; one
	// entry fills all of them in. Empty: the step asks for the one value "value".
	// Step.Asks gives both forms alike.
	Sheet []Asked `json:"sheet,omitempty"`

	After string   `json:"after,omitempty"`
	From  string   `json:"from,omitempty"`
	Ends  string   `json:"ends,omitempty"`
	Needs []string `json:"needs,omitempty"` // ids of criteria
	// RepeatsFrom is the step that a repeat of this one begins with, because
	// it has to be done anew each time: the feed read just before a fill.
	RepeatsFrom string   `json:"repeats_from,omitempty"`
	Involves    []string `json:"involves,omitempty"`

	// Draws.
	Point     string   `json:"point,omitempty"`
	Bottles   []string `json:"bottles,omitempty"`
	Water     string   `json:"water,omitempty"` // untreated, treated, drain, blank
	Draw      string   `json:"draw,omitempty"`  // first or flushed, for treated and untreated
	PairsWith string   `json:"pairs_with,omitempty"`
	Pairing   string   `json:"pairing,omitempty"` // simultaneous, bracketed, composite
	// PairsAfter is, for a bracketed pair, the untreated draw taken afterwards;
	// PairsWith is the one taken before.
	PairsAfter    string `json:"pairs_after,omitempty"`
	CompositeOver string `json:"composite_over,omitempty"`
	Blank         string `json:"blank,omitempty"`        // field, trip, equipment, bottle_lot
	Duplicate     string `json:"duplicate,omitempty"`    // split, consecutive, repeat
	DuplicateOf   string `json:"duplicate_of,omitempty"` // step id

	// Series.
	Over   string `json:"over,omitempty"` // fills, time, volume, standing
	Fewest int    `json:"fewest,omitempty"`
	Most   int    `json:"most,omitempty"`

	// Hand-over and report: the draws that they are about. Empty: all drawn so far.
	Samples []string `json:"samples,omitempty"`

	// Derive: an expression and the decimal digits that its value is rounded to.
	Value  string `json:"value,omitempty"`
	Digits int    `json:"digits,omitempty"`

	// Windows as written; the criteria made from them stand in Protocol.Criteria.
	AtLeast *Window `json:"at_least,omitempty"`
	AtMost  *Window `json:"at_most,omitempty"`
	Within  *Window `json:"within,omitempty"`
}

// Asked is one value of a sheet. Its name is the step's field in expressions
// ("feed.conductivity") and the key in the entry's values; repeats have the
// keys name, name_2, name_3..., and the instrument the key name_instrument.
// For a step without a sheet the name is "value" and the instrument's key
// plain "instrument".
type Asked struct {
	Name       string `json:"name"`
	Ask        string `json:"ask,omitempty"`
	In         string `json:"in"`
	Instrument string `json:"instrument,omitempty"`
	Repeats    int    `json:"repeats,omitempty"`
	Gives      string `json:"gives,omitempty"`
}

// Window is a limit on how long, or how much, and is itself a criterion.
// A window on a time compares the step's elapsed; one on a volume its volume;
// "within" on a draw compares took, the time from opening the faucet to the
// last bottle closed.
type Window struct {
	Is        string `json:"is"`
	Otherwise string `json:"otherwise"`
	Undecided string `json:"undecided"`
	Because   string `json:"because"`
	Source    string `json:"source"`
}

// What follows when a criterion is unmet or undecided.
const (
	ThenStop    = "stop"
	ThenRepeat  = "repeat"
	ThenVoid    = "void"
	ThenQualify = "qualify"
)

// Criterion is a rule of the protocol.
type Criterion struct {
	ID        string `json:"id"`
	Decides   string `json:"decides"` // step id
	Must      string `json:"must"`    // CEL expression of type bool
	Otherwise string `json:"otherwise"`
	Undecided string `json:"undecided"`
	Says      string `json:"says,omitempty"`
	Because   string `json:"because"`
	Source    string `json:"source"`
	// Window is "at_least", "at_most" or "within" for a criterion made from one.
	Window string `json:"window,omitempty"`
	// Demands lists evidence that the decided step must carry: timed, photo,
	// second_person.
	Demands []string `json:"demands,omitempty"`
}

// Unit is one physical treatment unit. Names in a unit are the tester's own
// marks; nothing in expressions can see how it was obtained or who paid.
type Unit struct {
	Kind    string   `json:"kind"`
	ID      string   `json:"id"`
	Version string   `json:"version"`
	Title   string   `json:"title"`
	Mark    string   `json:"mark"` // serial number or the bench's own mark
	Has     []string `json:"has,omitempty"`
	// PressureMost and the like are what the maker states, as quantities.
	PressureMost  string `json:"pressure_most,omitempty"`
	PressureLeast string `json:"pressure_least,omitempty"`
	TankVolume    string `json:"tank_volume,omitempty"`
	FlushVolume   string `json:"flush_volume,omitempty"`
	FlushTime     string `json:"flush_time,omitempty"`
	Production    string `json:"production,omitempty"` // stated flow
	DailyUse      string `json:"daily_use,omitempty"`  // volume a day, for cost
	// MineralFilter is "yes" when the last filter adds minerals.
	MineralFilter string      `json:"mineral_filter,omitempty"`
	Parts         []PartSpec  `json:"parts,omitempty"`
	Price         *Price      `json:"price,omitempty"`
	Acquired      *Acquired   `json:"acquired,omitempty"`
	Claims        []UnitClaim `json:"claims,omitempty"`
	// Repairs says what was done to the unit before it was tested.
	Repairs []Repair `json:"repairs,omitempty"`
	// Kept says where the used unit is kept after the test.
	Kept     *Kept  `json:"kept,omitempty"`
	Invented string `json:"invented,omitempty"` // "yes" in demo data
}

// Repair is what was done to a unit on a date: which part was replaced, why,
// and where the new one came from.
type Repair struct {
	Date string `json:"date"`
	Part string `json:"part"` // id of a part of this unit
	Says string `json:"says"`
	From string `json:"from"`
}

// Kept is the keeping of a used unit and its parts: the place, the seal on it,
// and the last day.
type Kept struct {
	Place string `json:"place"`
	Seal  string `json:"seal"`
	Until string `json:"until"` // date
}

// PartSpec is a replaceable part and what its maker states about it.
type PartSpec struct {
	ID            string `json:"id"`
	Kind          string `json:"kind"` // sediment, carbon, membrane, mineral, tank, faucet
	Lot           string `json:"lot,omitempty"`
	DateCode      string `json:"date_code,omitempty"`
	RatedTime     string `json:"rated_time,omitempty"`      // quantity, a time
	RatedTimeMost string `json:"rated_time_most,omitempty"` // upper end of a stated range
	RatedVolume   string `json:"rated_volume,omitempty"`    // quantity, a volume
	// RatedOf says which water the rated volume counts: product (what leaves the
	// unit at its faucet; so when empty) or feed (what enters it).
	RatedOf string `json:"rated_of,omitempty"`
	Price   string `json:"price,omitempty"` // decimal, in the unit's currency
}

// Price is money as of a date: a decimal text, a currency word, a source.
type Price struct {
	Amount     string `json:"amount"`
	Currency   string `json:"currency"`
	AsOf       string `json:"as_of"`
	Source     string `json:"source,omitempty"`
	WaterPrice string `json:"water_price,omitempty"` // decimal per m3, water and drain
	WaterFrom  string `json:"water_from,omitempty"`
}

// Acquired says how the unit was obtained and who paid.
type Acquired struct {
	How    string `json:"how"` // bought, lent, sent by maker
	Seller string `json:"seller,omitempty"`
	PaidBy string `json:"paid_by"`
	Date   string `json:"date"`
	Ties   string `json:"ties"` // commercial ties, "none" when none
}

// UnitClaim is a statement of a data sheet, as quoted.
type UnitClaim struct {
	About  string `json:"about"`
	Says   string `json:"says"`
	Source string `json:"source"`
}

// Person holds an id and a public key only; names live outside what is published.
type Person struct {
	Kind    string `json:"kind"`
	ID      string `json:"id"`
	Version string `json:"version"`
	Key     string `json:"key"` // ssh-ed25519 AAAA...
}

// Bench is the place: who it is, where, simulated or not.
type Bench struct {
	Kind      string `json:"kind"`
	ID        string `json:"id"`
	Version   string `json:"version"`
	Title     string `json:"title"`
	Created   string `json:"created"`
	Currency  string `json:"currency,omitempty"`
	Simulated string `json:"simulated"` // "yes" or "no"
	Seed      string `json:"seed,omitempty"`
}

// Instrument is one measuring instrument.
type Instrument struct {
	Kind         string `json:"kind"`
	ID           string `json:"id"`
	Version      string `json:"version"`
	Title        string `json:"title"`
	Class        string `json:"class"`
	In           string `json:"in"`
	Resolution   string `json:"resolution,omitempty"`   // quantity
	Uncertainty  string `json:"uncertainty,omitempty"`  // U, k=2, quantity of its dimension or %
	Floor        string `json:"floor,omitempty"`        // quantity
	Compensation string `json:"compensation,omitempty"` // conductivity: e.g. "linear, 1.91 %/degC, 25 degC"
	Calibrated   string `json:"calibrated,omitempty"`   // date
	ValidUntil   string `json:"valid_until,omitempty"`  // date
	Source       string `json:"source,omitempty"`
	Invented     string `json:"invented,omitempty"`
}

// Laboratory is a laboratory with its scope and limits per analyte and date.
type Laboratory struct {
	Kind       string     `json:"kind"`
	ID         string     `json:"id"`
	Version    string     `json:"version"`
	Title      string     `json:"title"`
	Accredited string     `json:"accredited,omitempty"` // scope number as the laboratory states it
	Analytes   []LabScope `json:"analytes,omitempty"`
	Invented   string     `json:"invented,omitempty"`
}

// LabScope is what a laboratory offers for one analyte since a date.
type LabScope struct {
	Analyte        string `json:"analyte"`
	Method         string `json:"method"`
	ReportingLimit string `json:"reporting_limit"` // quantity
	Quantitation   string `json:"quantitation,omitempty"`
	Detection      string `json:"detection,omitempty"`
	QCHalfWidth    string `json:"qc_half_width,omitempty"` // quantity in %, half width of the QC limits
	Scope          string `json:"scope,omitempty"`         // accredited, not accredited, subcontracted
	Since          string `json:"since,omitempty"`
}

// Values is a set of health-based or recommended values, with the assumptions
// about uncertainty that the assessment uses.
type Values struct {
	Kind     string       `json:"kind"`
	ID       string       `json:"id"`
	Version  string       `json:"version"`
	Title    string       `json:"title"`
	Analytes []AnalyteDef `json:"analytes,omitempty"`
	Values   []ValueRow   `json:"values,omitempty"`
	Assumed  *Assumed     `json:"assumed,omitempty"`
}

// AnalyteDef names an analyte: its id, display name, names used by laboratories,
// the unit that findings are printed in, the group it is shown in.
type AnalyteDef struct {
	ID         string   `json:"id"`
	Name       string   `json:"name"`
	CAS        string   `json:"cas,omitempty"`
	Also       []string `json:"also,omitempty"`
	In         string   `json:"in"`
	Speciation string   `json:"speciation,omitempty"` // "as N", "as CaCO3"
	Role       string   `json:"role"`                 // contaminant, mineral, ion, indicator
}

// ValueRow is one published value.
type ValueRow struct {
	Analyte      string `json:"analyte"`
	Jurisdiction string `json:"jurisdiction"`
	Type         string `json:"type"` // MCL, MAC, GV, parametric, MCLG, PHG, recommended
	Value        string `json:"value"`
	// Bound says which end of a range a recommended value is: at_least or at_most.
	Bound      string `json:"bound,omitempty"`
	Speciation string `json:"speciation,omitempty"`
	Basis      string `json:"basis"` // health, treatment_technique, aesthetic, recommendation
	Document   string `json:"document"`
	Year       string `json:"year"`
	Status     string `json:"status"` // VERIFIED, VERIFIED-SECONDARY, MEMORY
	Note       string `json:"note,omitempty"`
}

// Assumed holds the bench's assumptions about uncertainty, each "assumed by
// the bench" wherever it is shown.
type Assumed struct {
	RelativeStandard string `json:"relative_standard"` // ur, a ratio such as "10 %"
	LimitDivisor     string `json:"limit_divisor"`     // u0 = limit / this
	FamilyLevel      string `json:"family_level"`      // Holm, "5 %"
	FeedConductivity string `json:"feed_conductivity"` // largest move of the feed, "5 %"
	FeedChlorine     string `json:"feed_chlorine"`     // "20 %"
	// Shared is the part of the relative standard that comes from calibration
	// and is the same for all results of one batch, so that it cancels in their
	// ratio: "50 %"; none when empty.
	Shared string `json:"shared,omitempty"`
	Status string `json:"status"`
}

// Scoring turns findings into measures, weighs and caps them.
type Scoring struct {
	Kind     string         `json:"kind"`
	ID       string         `json:"id"`
	Version  string         `json:"version"`
	Title    string         `json:"title"`
	Measures []Measure      `json:"measures"`
	Caps     []Cap          `json:"caps,omitempty"`
	Bands    []Band         `json:"bands"`
	Retest   string         `json:"retest"`
	Spread   []SpreadPart   `json:"spread"` // unit to unit, day to day: never zero
	Digits   int            `json:"digits"`
	Groups   []MeasureGroup `json:"groups,omitempty"`
}

// MeasureGroup is a group of measures, named by what was measured.
type MeasureGroup struct {
	ID    string `json:"id"`
	Title string `json:"title"`
}

// Measure is one figure of 0 to 100 and its weight.
type Measure struct {
	ID        string     `json:"id"`
	Group     string     `json:"group"`
	Title     string     `json:"title"`
	Value     string     `json:"value"`     // expression over findings
	Points    []ValueFun `json:"points"`    // piecewise linear, ascending
	Weight    string     `json:"weight"`    // decimal
	Missing   string     `json:"missing"`   // leave_out, worst, range
	Undecided string     `json:"undecided"` // leave_out, worst, range
	Basis     string     `json:"basis"`     // measured, judged
	Digits    int        `json:"digits"`
	Because   string     `json:"because"`
	Source    string     `json:"source"`
}

// ValueFun is a corner of a piecewise linear value function: at this quantity,
// this many points of 100.
type ValueFun struct {
	At     string `json:"at"`     // quantity
	Points string `json:"points"` // decimal 0 to 100
}

// Cap limits a score when its expression is true on something confirmed.
type Cap struct {
	ID      string `json:"id"`
	When    string `json:"when"` // CEL, bool
	AtMost  string `json:"at_most"`
	Because string `json:"because"`
	Source  string `json:"source"`
}

// Band is a named range of scores, from its lower end.
type Band struct {
	ID    string `json:"id"`
	Title string `json:"title"`
	From  string `json:"from"`
}

// SpreadPart is a named part of the score's uncertainty, in points of 100.
type SpreadPart struct {
	ID       string `json:"id"` // unit_to_unit, day_to_day
	Standard string `json:"standard"`
	Status   string `json:"status"` // assumed, from repeats
}

// Campaign is the units that may be ranked together.
type Campaign struct {
	Kind       string         `json:"kind"`
	ID         string         `json:"id"`
	Version    string         `json:"version"`
	Title      string         `json:"title"`
	Protocol   DocRef         `json:"protocol"`
	Scoring    DocRef         `json:"scoring"`
	Values     []DocRef       `json:"values"`
	Laboratory string         `json:"laboratory"`
	Units      []string       `json:"units"`  // unit ids
	Counts     string         `json:"counts"` // which run of a unit counts: last_closed, first_closed
	Envelope   []EnvelopePart `json:"envelope,omitempty"`
	LifePoint  string         `json:"life_point,omitempty"` // largest share of rated life, "5 %"
	FeedFactor string         `json:"feed_factor"`          // an analyte counts if feed >= this x reporting limit
	Analytes   []string       `json:"analytes,omitempty"`
	// Expires is the last day on which the scores are said to hold.
	Expires string `json:"expires,omitempty"`
	// Reference is the unit with fresh parts that is run each time: its id, or
	// "none", said as such.
	Reference string `json:"reference,omitempty"`
}

// EnvelopePart is a range that the feed must lie in for runs to be ranked.
type EnvelopePart struct {
	Gives string `json:"gives"`
	From  string `json:"from"`
	To    string `json:"to"`
}

// DocRef names a document by id and version.
type DocRef struct {
	ID      string `json:"id"`
	Version string `json:"version"`
}

// Caution is one text of the catalogue and what makes it due.
type Caution struct {
	Kind    string    `json:"kind"`
	ID      string    `json:"id"`
	Version string    `json:"version"`
	Text    string    `json:"text"`
	Due     []DueRule `json:"due,omitempty"`
	// Shown says where: opening, step, finding, report, label.
	Shown []string `json:"shown,omitempty"`
}

// DueRule makes a caution due when the named trigger has one of the words. At
// narrows the steps before which it is shown to those of some kinds; it is due
// in the protocol all the same.
type DueRule struct {
	Trigger string   `json:"trigger"` // involves, unit_has, step, dimension, preservative, bottle
	Is      []string `json:"is"`
	At      []string `json:"at,omitempty"` // step kinds
}

// Layout maps the columns of a laboratory's file to fields: Columns is keyed by
// our field (sample, analyte, result, unit, ...: the closed list of the layout
// schema) and gives the column's heading as the file writes it. NonDetect lists
// the texts that stand for "not detected" in the result or condition column.
type Layout struct {
	Kind      string            `json:"kind"`
	ID        string            `json:"id"`
	Version   string            `json:"version"`
	Title     string            `json:"title"`
	Columns   map[string]string `json:"columns"`
	NonDetect []string          `json:"non_detect,omitempty"`
}
