package water

import (
	"fmt"
	"math/big"
	"sort"

	"tapledger/rules/quantity"
)

// Published is one published value, as a values document holds it.
type Published struct {
	Analyte      string // id
	Jurisdiction string
	Type         string // MCL, MAC, GV, parametric, MCLG, PHG...
	Value        string // quantity
	Speciation   string // "as N"
	Basis        string // health, aesthetic...
	Document     string
	Year         string
	Status       string // VERIFIED, VERIFIED-SECONDARY, MEMORY, CONFLICT
}

// Why a published value is not used for a decision.
const (
	OtherAnalyte = "other_analyte"
	OtherBasis   = "not_health_based" // aesthetic, operational, treatment technique
	OtherType    = "kind_not_decided_by"
	IsGoal       = "goal"
	FromMemory   = "from_memory_unverified"
	InConflict   = "sources_disagree"
	NotRead      = "value_not_a_quantity"
	NoYear       = "document_or_year_missing"
	OtherUnits   = "not_comparable"
)

// decides lists the kinds that decisions and scores use; goals stand apart.
var decides = map[string]bool{"MCL": true, "MAC": true, "GV": true, "parametric": true, "parametric value": true}
var goals = map[string]bool{"MCLG": true, "PHG": true}

// Lowest is the lowest health-based value of an analyte.
type Lowest struct {
	Found bool // whether there is one; the fields below are empty otherwise
	Row   Published
	Value quantity.Quantity // in the expression asked for
	Ties  []Published       // further rows with the same value, in their order
	Goals []Published       // goals, lowest first: a column of their own
	Left  []LeftOut         // rows of the analyte that were left out, in their order
}

// LeftOut is a row that was not used, and why.
type LeftOut struct {
	Row Published
	Why string
}

// LowestValue picks the lowest health-based value of an analyte, expressed as
// asked ("as N"; "" takes the analyte's own), by the rules of the reference
// values: only enforceable or guideline kinds with a health basis; goals in a
// column of their own; the expression converted first; nothing from memory, in
// conflict, or without document and year; uranium in pCi/L by UraniumMass. The order of rows decides among
// equals. A dimension is given so that values of another one are left out.
func LowestValue(rows []Published, analyte, speciation string, d quantity.Dim) Lowest {
	var out Lowest
	type goal struct {
		row Published
		v   *big.Rat
	}
	var gs []goal
	for _, row := range rows {
		if row.Analyte != analyte {
			continue
		}
		q, why := readPublished(row, speciation, d)
		switch {
		case why == IsGoal:
			gs = append(gs, goal{row, q.Base})
		case why != "":
			out.Left = append(out.Left, LeftOut{row, why})
		case !out.Found || q.Base.Cmp(out.Value.Base) < 0:
			out.Found, out.Row, out.Value, out.Ties = true, row, q, nil
		case q.Base.Cmp(out.Value.Base) == 0:
			out.Ties = append(out.Ties, row)
		}
	}
	sort.SliceStable(gs, func(i, j int) bool { return gs[i].v.Cmp(gs[j].v) < 0 })
	for _, g := range gs {
		out.Goals = append(out.Goals, g.row)
	}
	return out
}

// readPublished reads a row; why is "" when it may decide, IsGoal for a goal.
func readPublished(row Published, speciation string, d quantity.Dim) (q quantity.Quantity, why string) {
	switch {
	case row.Basis != "health":
		return q, OtherBasis
	case row.Status == "MEMORY":
		return q, FromMemory
	case row.Status != "VERIFIED" && row.Status != "VERIFIED-SECONDARY":
		return q, InConflict
	case !decides[row.Type] && !goals[row.Type]:
		return q, OtherType
	case row.Document == "" || row.Year == "":
		return q, NoYear
	}
	q, err := quantity.Parse(row.Value)
	if err != nil {
		return q, NotRead
	}
	if q.Dim == quantity.ActivityConc && d == quantity.MassConc && row.Analyte == "uranium" {
		q, _ = UraniumMass(q)
	}
	if q.Dim != d {
		return q, OtherUnits
	}
	if row.Speciation != speciation {
		if q, err = Convert(row.Analyte, q, row.Speciation, speciation); err != nil {
			return q, OtherUnits
		}
	}
	if goals[row.Type] {
		return q, IsGoal
	}
	if q.Base.Sign() <= 0 {
		return q, NotRead
	}
	return q, ""
}

// uraniumActivity is 0.67 pCi in a microgram of natural uranium, in Bq per mg.
var uraniumActivity = mul(dec("0.67"), dec("37"))

// UraniumMass turns an activity concentration of natural uranium into a
// concentration by mass, with 0.67 pCi/ug: 20.1 pCi/L are 30 ug/L. Uranium that
// is not natural has another factor.
func UraniumMass(activity quantity.Quantity) (quantity.Quantity, error) {
	if err := want("activity", activity, quantity.ActivityConc); err != nil {
		return activity, err
	}
	return quantity.New(quo(activity.Base, uraniumActivity), perLitre), nil
}

// Codes of a comparison with a published value.
const (
	BelowValue = "below"
	AboveValue = "above"
)

// Why a comparison is undecided.
const (
	Straddles       = "straddles"       // the value lies within the uncertainty
	LimitAboveValue = "reporting_limit" // a non-detect whose limit lies above the value
	RangeBelowValue = "above_range"     // beyond what could be measured, and that lies below the value
	NoMethodBelow   = "no_method"       // a goal below every limit: no method here can decide this
	GoalOfZero      = "goal_of_zero"    // no divisor, and nothing lies below it
	GoalCompared    = "goal"            // a goal: said in its own column, no finding about a unit
	GuardSource     = "ILAC-G8:09/2019, 4.2.2"
)

// Against is a result held against a published value.
type Against struct {
	State string // BelowValue, AboveValue, Undecided
	Why   string // for Undecided
	// Margin is the result as a share of the value: from (y - U) to (y + U), for
	// a non-detect from zero to its limit, for a result beyond range
	// without an upper end. Never below zero.
	Margin quantity.Interval
	// Point is y as a share of the value; nil for a non-detect or beyond range.
	Point *big.Rat
	U     *big.Rat // expanded uncertainty, base unit
	From  Uncertainty
}

// HealthValue decides whether a result lies below a published upper limit,
// with a guard band of the expanded uncertainty U = 2 u: below needs y + U <=
// limit, above needs y - U > limit, else undecided (ILAC-G8:09/2019, 4.2.2;
// check values DEC-2, DEC-4). A non-detect is a bound at the laboratory's limit
// itself, without a further uncertainty, here as in a reduction (RED-4): it is
// below when that limit does not lie above the value, else undecided for
// reporting_limit, and never above. Exact: no root is rounded in the decision.
//
// Errors: another dimension or speciation, a value not above zero.
func HealthValue(m Measured, value quantity.Quantity, speciation string, a Assumed) (Against, error) {
	if err := m.check(); err != nil {
		return Against{}, err
	}
	if err := wantPositive("published value", value, m.Result.Quantity.Dim); err != nil {
		return Against{}, err
	}
	if m.Result.Speciation != speciation {
		return Against{}, fmt.Errorf("the result is expressed %q and the published value %q: convert one of them first", m.Result.Speciation, speciation)
	}
	u := m.Uncertainty(a)
	out := Against{State: Undecided, Why: Straddles, U: u.Expanded(), From: u}
	y, limit := m.Result.Quantity.Base, value.Base
	room := sub(limit, y)
	fourVar := mul(big.NewRat(4, 1), u.Var)
	fits := room.Sign() >= 0 && fourVar.Cmp(square(room)) <= 0
	exceeds := room.Sign() < 0 && fourVar.Cmp(square(room)) < 0
	high := quo(add(y, out.U), limit)
	low := quo(sub(y, out.U), limit)
	if low.Sign() < 0 {
		low = new(big.Rat)
	}
	switch m.Result.Qualifier {
	case quantity.Below:
		out.Margin = quantity.Interval{Dim: quantity.Ratio, Lo: new(big.Rat), Hi: quo(y, limit)}
		out.Why = LimitAboveValue
		if room.Sign() >= 0 {
			out.State, out.Why = BelowValue, ""
		}
		return out, nil
	case quantity.Above:
		out.Margin = quantity.Interval{Dim: quantity.Ratio, Lo: low, HiOpen: true}
		out.Why = RangeBelowValue
	default:
		out.Point = quo(y, limit)
		out.Margin = quantity.Interval{Dim: quantity.Ratio, Lo: low, Hi: high}
		if fits {
			out.State, out.Why = BelowValue, ""
		}
	}
	if exceeds {
		out.State, out.Why = AboveValue, ""
	}
	return out, nil
}

// Goal says what there is to say about a goal (MCLG, PHG), in its own column:
// GoalOfZero, NoMethodBelow when the reporting limit does not lie below it, or
// GoalCompared. It is no finding about a unit. Without a known limit the
// result's own value stands for it.
func Goal(m Measured, goal quantity.Quantity) string {
	limit := m.Limit()
	if limit == nil {
		limit = m.Result.Quantity.Base
	}
	switch {
	case goal.Base == nil || goal.Dim != m.Result.Quantity.Dim || goal.Base.Sign() == 0:
		return GoalOfZero
	case limit.Cmp(goal.Base) >= 0:
		return NoMethodBelow
	}
	return GoalCompared
}
