package water

import (
	"fmt"
	"math/big"

	"tapledger/rules/quantity"
)

// yearDays is the year that costs are counted over.
const yearDays = 365

var secondsADay = big.NewRat(86400, 1)

// CostPart is one part that has to be replaced. A life that is not stated is
// nil; at least one must be.
type CostPart struct {
	ID       string
	Price    *big.Rat
	TimeLow  *quantity.Quantity // shortest stated life, a time
	TimeHigh *quantity.Quantity // longest; nil: the same
	Volume   *quantity.Quantity // rated volume
	OfFeed   bool               // the rated volume counts the feed, not what is drawn
}

// CostUse is how a unit is used and what water costs. Tariff is the price of
// one m3 of water taken and drained, nil when unknown: then water is left out,
// and Cost says so.
type CostUse struct {
	Daily      quantity.Quantity // volume drawn a day
	Efficiency quantity.Interval // share of the feed that is drawn; needed with a tariff or a rated volume of feed
	Tariff     *big.Rat
	Yearly     *big.Rat // further cost a year, such as electricity; nil: none
}

// Cost is what a unit costs in a year and a litre, from and to, in the
// currency of the prices. Its purchase price is not in it.
type Cost struct {
	YearLow, YearHigh   *big.Rat
	LitreLow, LitreHigh *big.Rat
	WaterCounted        bool
	Parts               []CostOfPart
}

// CostOfPart is one part's share of the year's cost.
type CostOfPart struct {
	ID        string
	Low, High *big.Rat
}

// CostOf works out the cost of a year of 365 days: for each part its price over
// its life, the life being the shorter of the stated time and the rated volume
// at the daily use, each end of a stated range giving an end of the cost; and
// water taken, drawn over efficiency, at the tariff. Common practice, no
// source.
func CostOf(parts []CostPart, use CostUse) (Cost, error) {
	var c Cost
	if err := wantPositive("daily use", use.Daily, quantity.Volume); err != nil {
		return c, err
	}
	year := big.NewRat(yearDays, 1)
	c.YearLow, c.YearHigh = new(big.Rat), new(big.Rat)
	for _, p := range parts {
		short, long, err := lifeDays(p, use)
		if err != nil {
			return Cost{}, err
		}
		one := CostOfPart{ID: p.ID, Low: quo(mul(p.Price, year), long), High: quo(mul(p.Price, year), short)}
		c.Parts = append(c.Parts, one)
		c.YearLow.Add(c.YearLow, one.Low)
		c.YearHigh.Add(c.YearHigh, one.High)
	}
	litres := mul(use.Daily.Base, year)
	if use.Tariff != nil {
		e := use.Efficiency
		if !use.efficient() {
			return Cost{}, fmt.Errorf("water at a tariff needs an efficiency above 0 and up to 100 %%")
		}
		water := quo(mul(litres, use.Tariff), big.NewRat(1000, 1))
		c.YearLow.Add(c.YearLow, quo(water, e.Hi))
		c.YearHigh.Add(c.YearHigh, quo(water, e.Lo))
		c.WaterCounted = true
	}
	if use.Yearly != nil {
		c.YearLow.Add(c.YearLow, use.Yearly)
		c.YearHigh.Add(c.YearHigh, use.Yearly)
	}
	c.LitreLow, c.LitreHigh = quo(c.YearLow, litres), quo(c.YearHigh, litres)
	return c, nil
}

// efficient reports whether the efficiency is known.
func (u CostUse) efficient() bool {
	e := u.Efficiency
	return e.Dim == quantity.Ratio && e.Lo != nil && e.Hi != nil && e.Lo.Sign() > 0 && e.Hi.Cmp(one) <= 0
}

// lifeDays gives a part's shortest and longest life in days. A rated volume of
// feed lasts for that volume times the efficiency, drawn.
func lifeDays(p CostPart, use CostUse) (short, long *big.Rat, err error) {
	if p.Price == nil || p.Price.Sign() < 0 {
		return nil, nil, fmt.Errorf("part %s needs a price from zero upwards", p.ID)
	}
	take := func(name string, q *quantity.Quantity, d quantity.Dim, per *big.Rat) (*big.Rat, error) {
		if q == nil {
			return nil, nil
		}
		if err := wantPositive(name+" of part "+p.ID, *q, d); err != nil {
			return nil, err
		}
		return quo(q.Base, per), nil
	}
	if short, err = take("shortest life", p.TimeLow, quantity.Time, secondsADay); err != nil {
		return nil, nil, err
	}
	if long, err = take("longest life", p.TimeHigh, quantity.Time, secondsADay); err != nil {
		return nil, nil, err
	}
	least, err := take("rated volume", p.Volume, quantity.Volume, use.Daily.Base)
	if err != nil {
		return nil, nil, err
	}
	most := least
	if least != nil && p.OfFeed {
		if !use.efficient() {
			return nil, nil, fmt.Errorf("part %s is rated by the feed, and how much of it is drawn is not known", p.ID)
		}
		least, most = mul(least, use.Efficiency.Lo), mul(least, use.Efficiency.Hi)
	}
	switch {
	case short == nil && long == nil && least == nil:
		return nil, nil, fmt.Errorf("part %s has no stated life: give a time or a rated volume", p.ID)
	case short == nil && long == nil:
		return least, most, nil
	case short == nil:
		short = long
	case long == nil:
		long = short
	}
	if long.Cmp(short) < 0 {
		return nil, nil, fmt.Errorf("part %s: its longest life is shorter than its shortest", p.ID)
	}
	if least != nil && least.Cmp(short) < 0 {
		short = least
	}
	if most != nil && most.Cmp(long) < 0 {
		long = most
	}
	return short, long, nil
}

// Texts writes the four figures with a count of decimals: lower ends rounded
// down, upper ends up.
func (c Cost) Texts(yearDecimals, litreDecimals int) (yearLow, yearHigh, litreLow, litreHigh string) {
	return quantity.Decimal(c.YearLow, yearDecimals, quantity.Down), quantity.Decimal(c.YearHigh, yearDecimals, quantity.Up),
		quantity.Decimal(c.LitreLow, litreDecimals, quantity.Down), quantity.Decimal(c.LitreHigh, litreDecimals, quantity.Up)
}
