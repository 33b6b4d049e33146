package water

import (
	"fmt"
	"math/big"

	"tapledger/rules/quantity"
)

// Measured is one result with what its report says about how well it was
// measured. Limits that were not stated are nil.
type Measured struct {
	Result       quantity.Result
	Detection    *quantity.Quantity
	Quantitation *quantity.Quantity
	Reporting    *quantity.Quantity
	// Stated is the expanded uncertainty (k = 2) that the laboratory states.
	Stated *quantity.Quantity
	// HalfWidth is half the width of the laboratory's QC limits as a share:
	// 85 to 115 % is 0.15.
	HalfWidth *big.Rat
	// Batch names the analytical batch; "" is not known, and shared with nothing.
	Batch string
	// Estimated is a value that the laboratory calls estimated (J).
	Estimated bool
}

// Limit is the reporting limit, else the quantitation limit, else a
// non-detect's own limit, in the base unit; nil when none is known.
func (m Measured) Limit() *big.Rat {
	switch {
	case m.Reporting != nil:
		return m.Reporting.Base
	case m.Quantitation != nil:
		return m.Quantitation.Base
	case m.Result.Qualifier == quantity.Below:
		return m.Result.Quantity.Base
	}
	return nil
}

// Assumed holds what the bench assumes where a laboratory says nothing. The
// values document sets it; wherever it is used, "assumed by the bench" is said.
type Assumed struct {
	Relative *big.Rat // ur, a share
	Divisor  *big.Rat // u0 = limit / this
	Family   *big.Rat // family level of the rises, a share
	// Shared is the part of ur that is calibration and so common to one
	// analytical batch, as a share of ur; zero takes nothing out, which finds
	// fewer rises. It takes nothing out of an uncertainty that a laboratory states.
	Shared *big.Rat
}

// DefaultAssumed is DESIGN's default: 10 %, a sixth of the limit, 5 %.
// Common practice, no source.
func DefaultAssumed() Assumed {
	return Assumed{Relative: big.NewRat(1, 10), Divisor: big.NewRat(6, 1), Family: big.NewRat(1, 20), Shared: new(big.Rat)}
}

// Origins of an uncertainty, from which the words "assumed by the bench" are made.
const (
	FromLaboratory = "stated_by_laboratory"
	FromQC         = "from_qc_limits"
	FromBench      = "assumed_by_bench"
)

// Uncertainty is the standard uncertainty of one result, as a variance so that
// it stays exact.
type Uncertainty struct {
	Var    *big.Rat // u^2, base unit squared
	Origin string   // where ur, or the whole of it, comes from
	NoRule bool     // no limit is known, so that u0 was taken as zero

	ur *big.Rat // relative part, nil where the laboratory states the whole
}

// Uncertainty is u(c)^2 = u0^2 + (ur c)^2 at the result's value; a non-detect
// stands at its limit. u0 is the quantitation limit over a.Divisor, else the
// reporting limit, else a non-detect's own limit; ur is half the half width of
// the laboratory's QC limits, else a.Relative; a stated U counts as 2 u and
// replaces both. For an estimated value u0 is doubled. Common practice, no
// source (practice, point 10).
func (m Measured) Uncertainty(a Assumed) Uncertainty {
	if m.Stated != nil {
		half := quo(m.Stated.Base, two)
		return Uncertainty{Var: square(half), Origin: FromLaboratory}
	}
	out := Uncertainty{Origin: FromBench}
	ur := a.Relative
	if m.HalfWidth != nil {
		ur, out.Origin = quo(m.HalfWidth, two), FromQC
	}
	limit := m.Limit()
	if m.Quantitation != nil {
		limit = m.Quantitation.Base
	}
	u0 := new(big.Rat)
	if limit == nil {
		out.NoRule = true
	} else {
		u0 = quo(limit, a.Divisor)
	}
	if m.Estimated {
		u0 = mul(two, u0)
	}
	out.ur = ur
	out.Var = add(square(u0), square(mul(ur, m.Result.Quantity.Base)))
	return out
}

// Expanded is U = 2 u in the base unit, rounded up in its thirtieth place.
func (u Uncertainty) Expanded() *big.Rat { return mul(two, sqrt(u.Var, true)) }

// without takes the shared calibration out of a variance, at a result's value.
// It never takes out more than there is.
func (u Uncertainty) without(shared *big.Rat, m Measured) Uncertainty {
	if shared == nil || shared.Sign() == 0 || u.ur == nil {
		return u
	}
	v := sub(u.Var, square(mul(mul(shared, u.ur), m.Result.Quantity.Base)))
	if v.Sign() < 0 {
		v = new(big.Rat)
	}
	return Uncertainty{Var: v, Origin: u.Origin, NoRule: u.NoRule}
}

func sharedBatch(a, b Measured) bool { return a.Batch != "" && a.Batch == b.Batch }

// check refuses a result whose limits or uncertainty stand in another dimension.
func (m Measured) check() error {
	d := m.Result.Quantity.Dim
	if m.Result.Quantity.Base == nil {
		return fmt.Errorf("a result without a value or limit cannot be used")
	}
	for _, q := range []struct {
		name string
		of   *quantity.Quantity
	}{{"detection limit", m.Detection}, {"quantitation limit", m.Quantitation}, {"reporting limit", m.Reporting}, {"uncertainty", m.Stated}} {
		if q.of == nil {
			continue
		}
		if err := want(q.name+" of "+m.Result.String(), *q.of, d); err != nil {
			return err
		}
		if q.of.Base.Sign() < 0 {
			return fmt.Errorf("the %s of %s lies below zero", q.name, m.Result)
		}
	}
	return nil
}
