package water

import (
	"fmt"
	"math/big"

	"tapledger/rules/estimate/det"
	"tapledger/rules/quantity"
)

var (
	flowUnit = quantity.BaseUnit(quantity.Flow)
	volUnit  = quantity.BaseUnit(quantity.Volume)
	minute   = big.NewRat(60, 1) // s in the base unit of flow, L/min
)

// FlowRate is a volume over the time it took (check value UNIT-6: 500 mL in
// 16 s are 1.875 L/min).
func FlowRate(volume, took quantity.Quantity) (quantity.Quantity, error) {
	if err := want("volume", volume, quantity.Volume); err != nil {
		return volume, err
	}
	if err := wantPositive("time", took, quantity.Time); err != nil {
		return volume, err
	}
	return quantity.New(quo(mul(volume.Base, minute), took.Base), flowUnit), nil
}

// VolumeOf turns a mass of water into a volume with a density in kg/L (0.9982
// at 20 degC, 0.9970 at 25 degC: handbook figures, from memory).
func VolumeOf(mass quantity.Quantity, density *big.Rat) (quantity.Quantity, error) {
	if err := want("mass", mass, quantity.Mass); err != nil {
		return mass, err
	}
	if density == nil || density.Sign() <= 0 {
		return mass, fmt.Errorf("a density above zero is needed to turn %s into a volume", mass)
	}
	return quantity.New(quo(mass.Base, mul(big.NewRat(1000, 1), density)), volUnit), nil
}

// Shares of the feed that become product. They are two types so that neither
// stands where the other is meant: Recovery with no tank, or the tank bypassed;
// Efficiency in use close to daily life, with tank and automatic shut-off.
type (
	// Recovery is product over product and drain, tank bypassed.
	Recovery struct{ Share *big.Rat }
	// Efficiency is the same share over a whole fill, shut-off included.
	Efficiency struct{ Share *big.Rat }
)

// RecoveryOf works out a recovery from product and drain of the same interval,
// both volumes, both masses or both flows: 1 : 4 is 20 %, not 25 % (check
// values REC-2, REC-3, REC-5).
func RecoveryOf(product, drain quantity.Quantity) (Recovery, error) {
	s, err := productShare(product, drain)
	return Recovery{s}, err
}

// EfficiencyOf works out an efficiency from the product and the drain of one
// or more whole fills, until the drain has stopped.
func EfficiencyOf(product, drain quantity.Quantity) (Efficiency, error) {
	s, err := productShare(product, drain)
	return Efficiency{s}, err
}

func productShare(product, drain quantity.Quantity) (*big.Rat, error) {
	d := product.Dim
	if d != quantity.Volume && d != quantity.Mass && d != quantity.Flow {
		return nil, fmt.Errorf("product and drain are volumes, masses or flows, and %s is a %s", product, d)
	}
	if err := wantPositive("product", product, d); err != nil {
		return nil, err
	}
	if err := want("drain", drain, d); err != nil {
		return nil, err
	}
	if drain.Base.Sign() < 0 {
		return nil, fmt.Errorf("the drain cannot lie below zero, and it is %s", drain)
	}
	return quo(product.Base, add(product.Base, drain.Base)), nil
}

// Concentration is by how much what is held back is concentrated in the drain
// when nothing of it passes: 1 / (1 - recovery) (check values REC-2, REC-5).
func (r Recovery) Concentration() (*big.Rat, error) {
	if r.Share == nil || r.Share.Cmp(one) >= 0 {
		return nil, fmt.Errorf("without a drain nothing is concentrated")
	}
	return quo(one, sub(one, r.Share)), nil
}

// DrainExpected is the drain's concentration by mass balance: (feed - R
// product) / (1 - R) (check values REC-4, REC-6).
func DrainExpected(feed, product quantity.Quantity, r Recovery) (quantity.Quantity, error) {
	if _, err := r.Concentration(); err != nil {
		return feed, err
	}
	if err := want("feed", feed, feed.Dim); err != nil || !feed.Dim.FromZero() {
		return feed, fmt.Errorf("a mass balance needs concentrations, and %s is a %s", feed, feed.Dim)
	}
	if err := want("product", product, feed.Dim); err != nil {
		return feed, err
	}
	return quantity.New(quo(sub(feed.Base, mul(r.Share, product.Base)), sub(one, r.Share)), feed.Unit), nil
}

// Codes of a mass balance over the drain.
const (
	Closes         = "closes"           // feed lies within what product and drain carry
	MoreOut        = "more_out_than_in" // product and drain carry more than the feed: given off inside, or the feed moved
	LessOut        = "less_out_than_in" // held inside the unit, or the feed moved, or a bottle was swapped
	ClosesByLimits = "closes_by_limits" // non-detects leave the balance open to both sides
)

// MassBalance is feed = r product + (1 - r) drain, as found.
type MassBalance struct {
	Code string
	// Closure is (r product + (1 - r) drain) / feed as a share, with expanded
	// uncertainties and non-detects as an interval.
	Closure quantity.Interval
}

// Drained is what a mass balance is closed from: the results of feed, product
// and drain, and the efficiency over the fill that made them, with its interval.
type Drained struct {
	Feed, Product, Drain Measured
	Efficiency           Efficiency
	Within               quantity.Interval // of the efficiency; empty: taken as exact
}

// CloseBalance closes the mass balance of one analyte over a whole fill: what
// product and drain carry, as a share of the feed, C = (r product + (1 - r)
// drain) / feed. Its interval is 2 u wide on both sides, to first order, from
// the uncertainties of the three results and of r together (root of the sum of
// squares, GUM 5.1.2); calibration that all three share in one batch cancels.
// Non-detects count from zero to their limit. It tells something given off
// inside from feed drift and from a swapped bottle only together with the
// conductivity of the same three (practice, point 24).
//
// Errors: other dimensions, a feed below its limit or not above zero, no
// efficiency.
func CloseBalance(d Drained, a Assumed) (MassBalance, error) {
	r := d.Efficiency.Share
	if _, err := (Recovery{r}).Concentration(); err != nil {
		return MassBalance{}, err
	}
	feed, product, drain := d.Feed.Result, d.Product.Result, d.Drain.Result
	for _, x := range []quantity.Result{product, drain} {
		if err := comparable2(feed, x); err != nil {
			return MassBalance{}, err
		}
		if x.Qualifier == quantity.Above {
			return MassBalance{}, fmt.Errorf("a mass balance needs results within their range, not %s", x)
		}
	}
	if !feed.Quantity.Dim.FromZero() || feed.Qualifier != quantity.Exact || feed.Quantity.Base.Sign() <= 0 {
		return MassBalance{}, fmt.Errorf("a mass balance needs a feed above zero, not %s", feed)
	}
	low, high := d.closure(a, true), d.closure(a, false)
	c := quantity.Interval{Dim: quantity.Ratio, Lo: low.Lo, Hi: high.Hi}
	m := MassBalance{Code: Closes, Closure: c}
	switch {
	case c.Lo.Cmp(one) > 0:
		m.Code = MoreOut
	case c.Hi.Cmp(one) < 0:
		m.Code = LessOut
	case product.Qualifier == quantity.Below && drain.Qualifier == quantity.Below, c.Lo.Sign() == 0:
		m.Code = ClosesByLimits
	}
	return m, nil
}

// closure is C with 2 u, non-detects at zero or at their limits.
func (d Drained) closure(a Assumed, zero bool) quantity.Interval {
	r, f := d.Efficiency.Share, d.Feed.Result.Quantity.Base
	value := func(m Measured) *big.Rat {
		if m.Result.Qualifier == quantity.Below && zero {
			return new(big.Rat)
		}
		return m.Result.Quantity.Base
	}
	variance := func(m Measured) *big.Rat {
		if m.Result.Qualifier == quantity.Below {
			return new(big.Rat) // a bound at its limit
		}
		u := m.Uncertainty(a)
		if sharedBatch(d.Feed, d.Product) && sharedBatch(d.Feed, d.Drain) {
			u = u.without(a.Shared, m)
		}
		return u.Var
	}
	p, w, rest := value(d.Product), value(d.Drain), sub(one, r)
	c := quo(add(mul(r, p), mul(rest, w)), f)
	v := add(mul(square(r), variance(d.Product)), mul(square(rest), variance(d.Drain)))
	v = add(v, mul(square(c), variance(d.Feed)))
	if d.Within.Lo != nil && d.Within.Hi != nil {
		ur := quo(sub(d.Within.Hi, d.Within.Lo), big.NewRat(4, 1)) // half the width is 2 u
		v = add(v, mul(square(sub(p, w)), square(ur)))
	}
	half := mul(two, sqrt(quo(v, square(f)), true))
	out := quantity.Interval{Dim: quantity.Ratio, Lo: sub(c, half), Hi: add(c, half)}
	if out.Lo.Sign() < 0 {
		out.Lo = new(big.Rat)
	}
	return out
}

// ClosestOf is the closure of three values as a single share, without their
// uncertainty.
func ClosestOf(feed, product, drain quantity.Quantity, r Recovery) (*big.Rat, error) {
	if _, err := r.Concentration(); err != nil {
		return nil, err
	}
	if err := wantPositive("feed", feed, feed.Dim); err != nil || product.Dim != feed.Dim || drain.Dim != feed.Dim {
		return nil, fmt.Errorf("a mass balance needs three concentrations of one kind, not %s, %s and %s", feed, product, drain)
	}
	return quo(add(mul(r.Share, product.Base), mul(sub(one, r.Share), drain.Base)), feed.Base), nil
}

// Conventions in which a temperature correction of production is printed.
const (
	// Multiply: production at T = production at 25 degC x factor (0.735 at 15
	// degC with 2640).
	Multiply = "multiply_25_degC_production"
	// Divide: production at T = production at 25 degC / factor (1.36 at 15 degC
	// with 2640; one printed table has 1.47).
	Divide = "divide_25_degC_production"
)

// ProductionFactor is the temperature factor of a membrane, exp(U (1/298 -
// 1/(273 + T))) for Multiply and its inverse for Divide, with the constant U
// in K: 2640 and 3020 are both in print, 2700 fits a printed table (check
// values TCF-1, TCF-2, TCF-3, TCF-6). Zero points of 273 and 298, as printed.
func ProductionFactor(at quantity.Quantity, u float64, convention string) (float64, error) {
	c, err := degrees(at)
	if err != nil {
		return 0, err
	}
	t, _ := c.Float64()
	if !(t > 0 && t < 60) || !(u > 0 && u < 10000) {
		return 0, fmt.Errorf("a temperature factor needs water above 0 and below 60 degC and a constant such as 2640 K, not %s and %g", at, u)
	}
	f := det.Exp(float64(u * (1.0/298 - 1/(273+t))))
	switch convention {
	case Multiply:
		return f, nil
	case Divide:
		return 1 / f, nil
	}
	return 0, fmt.Errorf("say whether the factor multiplies or divides the production at 25 degC: %s or %s", Multiply, Divide)
}

// ProductionAt25 corrects a production that was measured at a temperature to
// 25 degC, with digits significant digits. The outcome is the same in both
// conventions; the constant is not, and both are said with it.
func ProductionAt25(measured, at quantity.Quantity, u float64, digits int) (string, error) {
	if err := want("production", measured, quantity.Flow); err != nil {
		return "", err
	}
	f, err := ProductionFactor(at, u, Divide)
	if err != nil {
		return "", err
	}
	x, _ := measured.In(measured.Unit).Float64()
	number, err := quantity.FromFloat(float64(x*f), digits)
	if err != nil {
		return "", err
	}
	return number + " " + measured.Unit.Code, nil
}

// atmosphere is 101.325 kPa, the standard one; at a height it is less.
var atmosphere = dec("101.325")

// TankWater is the volume of water in a closed tank by Boyle's law, when its
// air was set to precharge with the tank empty and is now at pressure: tank (1 -
// (precharge + air) / (pressure + air)), gauge pressures. It judges a measured
// usable volume as plausible, and replaces none: 7 psi filled to 40 psi gives
// 60 % of the tank (references, rules of thumb: computed).
func TankWater(tank, precharge, pressure quantity.Quantity) (quantity.Quantity, error) {
	if err := wantPositive("tank volume", tank, quantity.Volume); err != nil {
		return tank, err
	}
	if err := want("pre-charge", precharge, quantity.Pressure); err != nil {
		return tank, err
	}
	if err := want("tank pressure", pressure, quantity.Pressure); err != nil {
		return tank, err
	}
	low, high := add(precharge.Base, atmosphere), add(pressure.Base, atmosphere)
	if low.Sign() <= 0 || high.Cmp(low) < 0 {
		return tank, fmt.Errorf("a tank at %s cannot hold water over a pre-charge of %s", pressure, precharge)
	}
	return quantity.New(mul(tank.Base, sub(one, quo(low, high))), tank.Unit), nil
}

// Codes of a usable volume held against what the tank can hold.
const (
	VolumePlausible = "plausible"
	VolumeTooLarge  = "more_than_the_tank_can_hold"
	VolumeSmall     = "less_than_half_of_what_the_tank_holds" // a look at pre-charge and shut-off is due
)

// UsablePlausible holds a usable volume against TankWater's, with a slack as a
// share (0.1 allows a tenth more).
func UsablePlausible(usable, holds quantity.Quantity, slack *big.Rat) (string, error) {
	if err := want("usable volume", usable, quantity.Volume); err != nil {
		return "", err
	}
	if err := want("tank's water", holds, quantity.Volume); err != nil {
		return "", err
	}
	switch {
	case usable.Base.Cmp(mul(holds.Base, add(one, slack))) > 0:
		return VolumeTooLarge, nil
	case mul(two, usable.Base).Cmp(holds.Base) < 0:
		return VolumeSmall, nil
	}
	return VolumePlausible, nil
}

// LifePoint is the share of its rated life that a part has behind it: the
// larger of volume treated over rated volume and time fitted over rated time.
// Pairs whose rating is nil are left out; nothing rated is an error.
func LifePoint(treated, ratedVolume, fitted, ratedTime *quantity.Quantity) (*big.Rat, error) {
	var out *big.Rat
	for _, p := range []struct {
		name       string
		had, rated *quantity.Quantity
		d          quantity.Dim
	}{{"volume", treated, ratedVolume, quantity.Volume}, {"time", fitted, ratedTime, quantity.Time}} {
		if p.had == nil || p.rated == nil {
			continue
		}
		if err := want(p.name+" behind it", *p.had, p.d); err != nil {
			return nil, err
		}
		if err := wantPositive("rated "+p.name, *p.rated, p.d); err != nil {
			return nil, err
		}
		if s := quo(p.had.Base, p.rated.Base); out == nil || s.Cmp(out) > 0 {
			out = s
		}
	}
	if out == nil {
		return nil, fmt.Errorf("a life point needs a rated volume or a rated time, and what the part has behind it")
	}
	return out, nil
}
