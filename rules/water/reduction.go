package water

import (
	"fmt"
	"math/big"

	"tapledger/rules/estimate/det"
	"tapledger/rules/quantity"
)

// Codes of a reduction.
const (
	Reduced             = "reduced"               // both sides quantified, treated below or equal to untreated
	Increased           = "increased"             // both sides quantified, treated above untreated: never a negative reduction
	AtLeast             = "at_least"              // treated below its limit, or untreated above what could be measured
	AtMost              = "at_most"               // treated above what could be measured
	NotCalculable       = "not_calculable"        // both sides below their limits
	UntreatedBelowLimit = "untreated_below_limit" // untreated below its limit, treated at or above that limit
	LessFinely          = "measured_less_finely"  // one side was measured less finely than the other needs
	UntreatedZero       = "untreated_zero"        // an untreated value of exactly zero: nothing to divide by
)

// ReductionBounds is what a pair of results says about a reduction.
type ReductionBounds struct {
	Code string
	// Point is the reduction as a share (0.95 is 95 %), nil where only bounds
	// are known or nothing is.
	Point *big.Rat
	// Interval holds every reduction that the two results allow, laboratory
	// uncertainty left aside; dimension Ratio. Without a lower end: unbounded.
	Interval quantity.Interval
	// Ratio is treated over untreated, nil unless both are quantified.
	Ratio *big.Rat
}

// Reduction compares an untreated with a treated result of one analyte, both
// in one dimension and one speciation. A treated non-detect gives "at least
// (untreated - limit) / untreated", never 100 %; two non-detects are not
// calculable; an untreated non-detect gives no percentage at all; no limit is
// replaced by zero, half of it or itself (references: "Definitions that are
// often mixed up"). A rise is Increased, with its ratio.
//
// Errors: other dimensions or speciations, or a dimension without a floor at
// zero (a pH difference has no percent).
func Reduction(untreated, treated quantity.Result) (ReductionBounds, error) {
	if err := comparable2(untreated, treated); err != nil {
		return ReductionBounds{}, err
	}
	if !untreated.Quantity.Dim.FromZero() {
		return ReductionBounds{}, fmt.Errorf("a %s has no zero to count from, so it has no reduction in percent: compare the two values", untreated.Quantity.Dim)
	}
	u, t := untreated.Quantity.Base, treated.Quantity.Base
	if untreated.Qualifier == quantity.Exact && u.Sign() <= 0 {
		return ReductionBounds{Code: UntreatedZero, Interval: anyShare()}, nil
	}
	switch untreated.Qualifier {
	case quantity.Below:
		return reductionOfNonDetect(u, treated), nil
	case quantity.Above:
		if treated.Qualifier == quantity.Above {
			return ReductionBounds{Code: NotCalculable, Interval: anyShare()}, nil
		}
		i := anyShare()
		i.Lo, i.LoOpen = share(t, u), true
		return ReductionBounds{Code: AtLeast, Interval: i}, nil
	}
	r := share(t, u)
	switch treated.Qualifier {
	case quantity.Below:
		i := anyShare()
		i.Lo, i.LoOpen = r, true
		if r.Sign() <= 0 {
			return ReductionBounds{Code: LessFinely, Interval: i}, nil
		}
		return ReductionBounds{Code: AtLeast, Interval: i}, nil
	case quantity.Above:
		return ReductionBounds{Code: AtMost, Interval: quantity.Interval{Dim: quantity.Ratio, LoOpen: true, Hi: r, HiOpen: true}}, nil
	}
	code := Reduced
	if r.Sign() < 0 {
		code = Increased
	}
	return ReductionBounds{Code: code, Point: r, Interval: ratioPoint(r), Ratio: quo(t, u)}, nil
}

// reductionOfNonDetect: the untreated result is below its limit.
func reductionOfNonDetect(limit *big.Rat, treated quantity.Result) ReductionBounds {
	switch {
	case treated.Qualifier == quantity.Below:
		return ReductionBounds{Code: NotCalculable, Interval: anyShare()}
	case treated.Quantity.Base.Cmp(limit) < 0 && treated.Qualifier == quantity.Exact:
		return ReductionBounds{Code: LessFinely, Interval: quantity.Interval{Dim: quantity.Ratio, LoOpen: true, Hi: share(treated.Quantity.Base, limit), HiOpen: true}}
	}
	return ReductionBounds{Code: UntreatedBelowLimit, Interval: quantity.Interval{Dim: quantity.Ratio, LoOpen: true, Hi: share(treated.Quantity.Base, limit), HiOpen: true}}
}

// share is 1 - treated/untreated.
func share(treated, untreated *big.Rat) *big.Rat { return sub(one, quo(treated, untreated)) }

// anyShare is every reduction that there can be: up to 100 %.
func anyShare() quantity.Interval {
	return quantity.Interval{Dim: quantity.Ratio, LoOpen: true, Hi: new(big.Rat).Set(one)}
}

// comparable2 refuses two results of other dimensions or speciations.
func comparable2(a, b quantity.Result) error {
	if a.Quantity.Base == nil || b.Quantity.Base == nil {
		return fmt.Errorf("a result without a value or limit cannot be compared")
	}
	if a.Quantity.Dim != b.Quantity.Dim {
		return fmt.Errorf("cannot compare a %s with a %s (%s with %s)", a.Quantity.Dim, b.Quantity.Dim, a, b)
	}
	if a.Speciation != b.Speciation {
		return fmt.Errorf("%q and %q are expressed differently: convert one of them first", a, b)
	}
	return nil
}

// ReductionWithin widens a reduction by laboratory uncertainty: an interval of
// about 95 % (k = 2). Both quantified: the first order of the GUM for a
// quotient, r +/- 2 (t/u) sqrt(rel_t^2 + rel_u^2), never above 100 % (GUM
// 5.1.2; check value UNC-3). Calibration that the two share in one analytical
// batch cancels in the quotient. A treated non-detect is a bound
// at its limit, without a further uncertainty (RED-4), and the lower end uses
// the smallest untreated value. Where twice the untreated uncertainty reaches the
// untreated value, first order means nothing: no lower end.
func ReductionWithin(untreated, treated Measured, a Assumed) (ReductionBounds, error) {
	r, err := Reduction(untreated.Result, treated.Result)
	if err != nil {
		return r, err
	}
	vu, vt := untreated.Uncertainty(a), treated.Uncertainty(a)
	if sharedBatch(untreated, treated) {
		vu, vt = vu.without(a.Shared, untreated), vt.without(a.Shared, treated)
	}
	u, t := untreated.Result.Quantity.Base, treated.Result.Quantity.Base
	switch r.Code {
	case Reduced, Increased:
		if mul(big.NewRat(4, 1), vu.Var).Cmp(square(u)) >= 0 {
			r.Interval = anyShare()
			return r, nil
		}
		half := mul(two, sqrt(quotientVar(t, u, vt.Var, vu.Var), true))
		r.Interval = quantity.Interval{Dim: quantity.Ratio, Lo: sub(r.Point, half), Hi: add(r.Point, half)}
		if r.Interval.Hi.Cmp(one) > 0 {
			r.Interval.Hi = new(big.Rat).Set(one)
		}
	case AtLeast:
		if untreated.Result.Qualifier != quantity.Exact {
			return r, nil
		}
		low := sub(u, vu.Expanded())
		if low.Sign() <= 0 {
			r.Interval.Lo, r.Interval.LoOpen = nil, true
			return r, nil
		}
		r.Interval.Lo = share(t, low)
	}
	return r, nil
}

// quotientVar is the variance of t/u to first order: var_t/u^2 + t^2 var_u/u^4.
func quotientVar(t, u, varT, varU *big.Rat) *big.Rat {
	u2 := square(u)
	return add(quo(varT, u2), quo(mul(square(t), varU), square(u2)))
}

// LogReduction is log10(untreated/treated) as decimal text with a count of
// significant digits (check values RED-2, RED-3), with a code as Reduction
// gives it: AtLeast for a treated non-detect, where the text is the lower end.
// The text is "" where there is none: not calculable, or nothing to divide by.
func LogReduction(untreated, treated quantity.Result, digits int) (text, code string, err error) {
	r, err := Reduction(untreated, treated)
	if err != nil {
		return "", "", err
	}
	t := treated.Quantity.Base
	if t.Sign() <= 0 && (r.Code == Reduced || r.Code == AtLeast) {
		return "", UntreatedZero, fmt.Errorf("a treated value of zero has no logarithm: a non-detect carries its limit, such as <0.05 mg/L")
	}
	switch r.Code {
	case Reduced, Increased, AtLeast, AtMost:
		x, _ := quo(untreated.Quantity.Base, t).Float64()
		text, err = quantity.FromFloat(det.Log10(x), digits)
		return text, r.Code, err
	}
	return "", r.Code, nil
}

// Codes of a duplicate pair.
const (
	Within  = "within"  // the rule holds
	Outside = "outside" // the rule does not hold
	ByRPD   = "rpd"     // both above five times the limit: relative percent difference
	ByLimit = "limit"   // else: the difference against the reporting limit
)

// Duplicate is how far two results of one water lie apart, and by which rule.
type Duplicate struct {
	Code string // Within, Outside, Undecided, or NotCalculable when both are non-detects
	Rule string // ByRPD or ByLimit
	// Value is |a-b| over the mean of both as a share by ByRPD; by ByLimit the
	// difference in the base unit, the largest that the results allow.
	Value *big.Rat
}

// RPD is the relative percent difference of two values: |a-b| / ((a+b)/2), as
// a share (QC-1). Both zero: nil.
func RPD(a, b *big.Rat) *big.Rat {
	sum := add(a, b)
	if sum.Sign() == 0 {
		return nil
	}
	d := new(big.Rat).Abs(sub(a, b))
	return quo(mul(two, d), new(big.Rat).Abs(sum))
}

// Duplicates judges two results of one water by the rule of QC-3: the relative
// percent difference when both exceed five times the reporting limit, against
// the largest that the protocol allows; else the difference, against the
// reporting limit. A non-detect counts from zero to its limit, and the
// difference is then an interval too: Undecided when the limit lies within it.
// Value is its largest. Two non-detects: NotCalculable.
//
// Errors: other dimensions or speciations, a limit of another dimension.
func Duplicates(a, b quantity.Result, reporting quantity.Quantity, mostRPD *big.Rat) (Duplicate, error) {
	if err := comparable2(a, b); err != nil {
		return Duplicate{}, err
	}
	if err := wantPositive("reporting limit", reporting, a.Quantity.Dim); err != nil {
		return Duplicate{}, err
	}
	if a.Qualifier == quantity.Below && b.Qualifier == quantity.Below {
		return Duplicate{Code: NotCalculable, Rule: ByLimit}, nil
	}
	x, y, five := a.Quantity.Base, b.Quantity.Base, mul(big.NewRat(5, 1), reporting.Base)
	if a.Qualifier == quantity.Exact && b.Qualifier == quantity.Exact && x.Cmp(five) > 0 && y.Cmp(five) > 0 {
		d := Duplicate{Code: Within, Rule: ByRPD, Value: RPD(x, y)}
		if d.Value.Cmp(mostRPD) > 0 {
			d.Code = Outside
		}
		return d, nil
	}
	least := new(big.Rat).Abs(sub(x, y))
	d := Duplicate{Code: Within, Rule: ByLimit, Value: least}
	switch { // a non-detect may be anything down to zero
	case a.Qualifier == quantity.Below:
		d.Value, least = new(big.Rat).Set(y), above(y, x)
	case b.Qualifier == quantity.Below:
		d.Value, least = new(big.Rat).Set(x), above(x, y)
	}
	switch {
	case least.Cmp(reporting.Base) > 0:
		d.Code = Outside
	case d.Value.Cmp(reporting.Base) > 0:
		d.Code = Undecided
	}
	return d, nil
}

// above is how far a value lies above a limit, zero when it does not.
func above(value, limit *big.Rat) *big.Rat {
	if value.Cmp(limit) <= 0 {
		return new(big.Rat)
	}
	return sub(value, limit)
}
