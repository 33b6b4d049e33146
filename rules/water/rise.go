package water

import (
	"fmt"
	"math"
	"math/big"

	"tapledger/rules/estimate"
	"tapledger/rules/estimate/det"
	"tapledger/rules/quantity"
)

// States of a rise: the ladder, and undecided.
const (
	NotDistinguishable = "not_distinguishable"
	HigherUnconfirmed  = "higher_unconfirmed"
	HigherConfirmed    = "higher_confirmed"
	Undecided          = "undecided"
)

// Why a rise stands where it stands.
const (
	TreatedNonDetect = "treated_below_limit"  // never a rise
	NotAbove         = "not_above"            // treated does not lie above untreated, or above its limit
	NotSignificant   = "not_significant"      // above, but within what measurement alone can do
	Significant      = "significant"          // above, at the family level
	BeyondRange      = "above_range"          // a side lies above what could be measured
	NoUncertainty    = "no_uncertainty_known" // neither limit nor relative uncertainty: nothing to judge by
)

// RisePair is one analyte of one pair that stands for the same water. Pairs
// whose feed moved do not belong here.
type RisePair struct {
	Analyte            string
	Untreated, Treated Measured
}

// Rise is what was found about one analyte.
type Rise struct {
	Analyte string
	State   string // NotDistinguishable, HigherUnconfirmed or Undecided; Confirm lifts it
	Why     string
	// Least is treated minus untreated in the base unit, for an untreated
	// non-detect treated minus its limit, so "more than"; nil without one.
	Least *big.Rat
	// Ratio is treated over untreated, or over its limit; nil without one.
	Ratio *big.Rat
	// Bound tells that Least and Ratio are lower bounds: the untreated sample
	// is a non-detect and stands at its own limit.
	Bound bool
	// Z and P are decimal text, four significant digits: z, its one-sided normal
	// p, and p after Holm; "" where no test was made.
	Z, P, Adjusted string

	z, p float64
	test bool
}

// Rises decides for every analyte looked at whether the treated sample holds
// more than the untreated one. z = (treated - untreated) / sqrt(u_t^2 + u_u^2),
// without calibration shared in one batch; an untreated non-detect stands at
// its own limit; a treated non-detect is never a rise (its p is 1); p is
// one-sided and normal, and Holm's step-down holds the family level over all
// analytes looked at (Holm 1979, Scand. J. Statist. 6:65-70, from memory,
// unverified; check values RED-6 to RED-8, MULT-1).
//
// An untreated non-detect that was measured less finely than the treated
// sample leaves a value that is not distinguishable undecided: "<10" then "3"
// says nothing. looked is the size of the family: all pairs but those beyond
// range. The order of the pairs is kept.
//
// Errors: an analyte whose two sides cannot be compared; it is named.
func Rises(pairs []RisePair, a Assumed) (rises []Rise, looked int, err error) {
	rises = make([]Rise, len(pairs))
	var ps []float64
	var at []int
	for i, p := range pairs {
		if rises[i], err = riseOf(p, a); err != nil {
			return nil, 0, fmt.Errorf("%s: %w", p.Analyte, err)
		}
		if rises[i].test {
			ps, at = append(ps, rises[i].p), append(at, i)
		}
	}
	family, _ := a.Family.Float64()
	for k, adjusted := range estimate.Holm(ps) {
		r := &rises[at[k]]
		if err := r.settle(adjusted, family, pairs[at[k]]); err != nil {
			return nil, 0, fmt.Errorf("%s: %w", r.Analyte, err)
		}
	}
	return rises, len(ps), nil
}

// riseOf fills in everything but what depends on the family.
func riseOf(p RisePair, a Assumed) (Rise, error) {
	r := Rise{Analyte: p.Analyte}
	if err := comparable2(p.Untreated.Result, p.Treated.Result); err != nil {
		return r, err
	}
	for _, m := range []Measured{p.Untreated, p.Treated} {
		if err := m.check(); err != nil {
			return r, err
		}
	}
	u, t := p.Untreated.Result, p.Treated.Result
	if u.Qualifier == quantity.Above || t.Qualifier == quantity.Above {
		r.State, r.Why = Undecided, BeyondRange
		return r, nil
	}
	r.test, r.p = true, 1
	if t.Qualifier == quantity.Below {
		r.State, r.Why = NotDistinguishable, TreatedNonDetect
		return r, nil
	}
	r.Bound = u.Qualifier == quantity.Below
	r.Least = sub(t.Quantity.Base, u.Quantity.Base)
	if u.Quantity.Base.Sign() > 0 {
		r.Ratio = quo(t.Quantity.Base, u.Quantity.Base)
	}
	if r.Least.Sign() <= 0 {
		r.Why = NotAbove
		return r, nil
	}
	vu, vt := p.Untreated.Uncertainty(a), p.Treated.Uncertainty(a)
	if sharedBatch(p.Untreated, p.Treated) {
		vu, vt = vu.without(a.Shared, p.Untreated), vt.without(a.Shared, p.Treated)
	}
	v := add(vu.Var, vt.Var)
	if v.Sign() == 0 {
		r.State, r.Why = Undecided, NoUncertainty
		return r, nil
	}
	z2, _ := quo(square(r.Least), v).Float64()
	r.z = math.Sqrt(z2)
	r.p = det.NormCDF(-r.z)
	return r, nil
}

// settle takes the adjusted p and gives the state.
func (r *Rise) settle(adjusted, family float64, p RisePair) (err error) {
	if r.z > 0 {
		if r.Z, err = quantity.FromFloat(r.z, 4); err != nil {
			return err
		}
	}
	if r.P, err = quantity.FromFloat(r.p, 4); err != nil {
		return err
	}
	if r.Adjusted, err = quantity.FromFloat(adjusted, 4); err != nil {
		return err
	}
	switch {
	case r.Why == TreatedNonDetect || r.Why == NoUncertainty:
	case r.z > 0 && adjusted <= family:
		r.State, r.Why = HigherUnconfirmed, Significant
	case untreatedLessFine(p):
		r.State, r.Why = Undecided, LessFinely
	default:
		r.State = NotDistinguishable
		if r.Why == "" {
			r.Why = NotSignificant
		}
	}
	return nil
}

// untreatedLessFine: the untreated sample is a non-detect, and the treated one
// was measured to a lower limit, or shows a value below that of the untreated.
func untreatedLessFine(p RisePair) bool {
	if p.Untreated.Result.Qualifier != quantity.Below {
		return false
	}
	own := p.Untreated.Result.Quantity.Base
	if limit := p.Treated.Limit(); limit != nil {
		return limit.Cmp(own) < 0
	}
	return p.Treated.Result.Quantity.Base.Cmp(own) < 0
}

// What a rise still lacks before it is confirmed.
const (
	NoSecondDay     = "no_second_day"
	SecondDayNot    = "second_day_not_higher"
	NoBlank         = "no_lot_blank"
	BlankNotClean   = "lot_blank_not_clean"
	BlankNotFine    = "lot_blank_not_fine_enough" // its limit does not lie below the rise
	FeedMoved       = "feed_moved"
	FeedNotLookedAt = "feed_not_looked_at"
	SecondFeedMoved = "second_feed_moved"
	SecondFeedNot   = "second_feed_not_looked_at"
	FirstNotHigher  = "first_day_not_higher"
	FeedSteady      = "feed_steady"
)

// Confirm lifts a rise to HigherConfirmed when a second draw on another day
// shows it too, a blank of the same bottle lot is clean, and the feed was
// steady on both days (FeedSteady, FeedMoved or FeedNotLookedAt; "" is not looked
// at). second is the rise of that day, decided by Rises over the analytes looked
// at again; nil when there was none. A blank is clean when it is a non-detect whose limit
// lies below the rise itself; it stands for the bottle lots of both days. lacks
// lists what is missing, in a fixed order.
// Practice, point 4; common practice, no source.
func Confirm(first Rise, second *Rise, blank *Measured, feed, secondFeed string) (state string, lacks []string) {
	if first.State != HigherUnconfirmed {
		return first.State, []string{FirstNotHigher}
	}
	switch {
	case second == nil:
		lacks = append(lacks, NoSecondDay)
	case second.State != HigherUnconfirmed:
		lacks = append(lacks, SecondDayNot)
	}
	switch {
	case blank == nil || blank.Result.Quantity.Base == nil:
		lacks = append(lacks, NoBlank)
	case blank.Result.Qualifier != quantity.Below:
		lacks = append(lacks, BlankNotClean)
	case blank.Result.Quantity.Base.Cmp(first.Least) >= 0:
		lacks = append(lacks, BlankNotFine)
	}
	if feed == "" {
		feed = FeedNotLookedAt
	}
	if feed != FeedSteady {
		lacks = append(lacks, feed)
	}
	switch {
	case second == nil || secondFeed == FeedSteady: // without a second day its feed lacks nothing more
	case secondFeed == FeedMoved:
		lacks = append(lacks, SecondFeedMoved)
	default:
		lacks = append(lacks, SecondFeedNot)
	}
	if len(lacks) > 0 {
		return HigherUnconfirmed, lacks
	}
	return HigherConfirmed, nil
}
