package water

import (
	"fmt"
	"math/big"

	"tapledger/rules/quantity"
)

// degrees is a temperature as a bare number of degC.
func degrees(q quantity.Quantity) (*big.Rat, error) {
	if q.Dim != quantity.Temperature || q.Base == nil {
		return nil, fmt.Errorf("%q is no temperature", q)
	}
	return q.Base, nil
}

// ConductivityAt compensates a conductivity that was read at a temperature to
// another one, 25 degC or 20 degC (where the EU limit stands), by the linear
// model: EC(to) = EC(t) (1 + alpha (to - 25)) / (1 + alpha (t - 25)), alpha the
// share per degC at 25 degC. Alpha belongs to the water: 0.0191 to 0.0192 for
// KCl, 0.02 common practice (check values EC-4, EC-5). A meter that already
// compensates must not be compensated again.
//
// Errors: other dimensions; a temperature at which the model has no meaning.
func ConductivityAt(read, at, to quantity.Quantity, alpha *big.Rat) (quantity.Quantity, error) {
	if err := want("conductivity", read, quantity.Conductivity); err != nil {
		return read, err
	}
	t, err := degrees(at)
	if err != nil {
		return read, err
	}
	goal, err := degrees(to)
	if err != nil {
		return read, err
	}
	factor := func(t *big.Rat) *big.Rat { return add(one, mul(alpha, sub(t, big.NewRat(25, 1)))) }
	if factor(t).Sign() <= 0 || factor(goal).Sign() <= 0 {
		return read, fmt.Errorf("the linear model of conductivity says nothing at %s with %s per degC", at, quantity.Plain(alpha))
	}
	return quantity.New(quo(mul(read.Base, factor(goal)), factor(t)), read.Unit), nil
}

// Alpha is the linear coefficient, the share per degC at 25 degC, from two
// conductivities of one water, the second at 25 degC (check value EC-5).
func Alpha(read, at, at25 quantity.Quantity) (*big.Rat, error) {
	if err := wantPositive("conductivity at 25 degC", at25, quantity.Conductivity); err != nil {
		return nil, err
	}
	if err := want("conductivity", read, quantity.Conductivity); err != nil {
		return nil, err
	}
	t, err := degrees(at)
	if err != nil {
		return nil, err
	}
	d := sub(big.NewRat(25, 1), t)
	if d.Sign() == 0 {
		return nil, fmt.Errorf("two temperatures are needed for a coefficient, and both are 25 degC")
	}
	return quo(sub(one, quo(read.Base, at25.Base)), d), nil
}

// kcl is the conductivity of 0.01 mol/kg KCl in uS/cm by degC: CRC Handbook
// table (Wu, Koch, Pratt), as in testdata/references/kcl_conductivity.csv. It
// is per kilogram: 0.01 mol/L is 1413 uS/cm at 25 degC, not 1408 (row EC-3).
var kcl = []struct{ t, ec *big.Rat }{
	{dec("0"), dec("772.92")}, {dec("5"), dec("890.96")}, {dec("10"), dec("1013.95")}, {dec("15"), dec("1141.45")},
	{dec("18"), dec("1219.93")}, {dec("20"), dec("1273.03")}, {dec("25"), dec("1408.23")}, {dec("30"), dec("1546.63")},
	{dec("35"), dec("1687.79")}, {dec("40"), dec("1831.27")}, {dec("45"), dec("1976.62")}, {dec("50"), dec("2123.43")},
}

// KCl001 is the conductivity in uS/cm of the primary standard of 0.01 mol KCl
// a kilogram at a temperature, from 0 to 50 degC, by straight lines between the
// rows of the table (at most 0.1 % off between them).
func KCl001(at quantity.Quantity) (quantity.Quantity, error) {
	t, err := degrees(at)
	if err != nil {
		return quantity.Quantity{}, err
	}
	unit := quantity.BaseUnit(quantity.Conductivity)
	for i := 1; i < len(kcl); i++ {
		a, b := kcl[i-1], kcl[i]
		if t.Cmp(a.t) >= 0 && t.Cmp(b.t) <= 0 {
			part := quo(sub(t, a.t), sub(b.t, a.t))
			return quantity.New(add(a.ec, mul(part, sub(b.ec, a.ec))), unit), nil
		}
	}
	return quantity.Quantity{}, fmt.Errorf("the conductivity table of KCl runs from 0 to 50 degC, and this is %s", at)
}

// StandardCheck holds a reading of a conductivity standard against its value
// at that temperature: Within when they differ by no more than most (a share),
// with the deviation as a share, signed.
func StandardCheck(read, value quantity.Quantity, most *big.Rat) (code string, deviation *big.Rat, err error) {
	if err := want("reading", read, quantity.Conductivity); err != nil {
		return "", nil, err
	}
	if err := wantPositive("standard", value, quantity.Conductivity); err != nil {
		return "", nil, err
	}
	deviation = sub(quo(read.Base, value.Base), one)
	if new(big.Rat).Abs(deviation).Cmp(most) > 0 {
		return Outside, deviation, nil
	}
	return Within, deviation, nil
}

// SolidsFactor is dissolved solids over conductivity, mg/L per uS/cm: 0.4997
// for 750 mg/L of NaCl (row EC-1). A meter that shows dissolved solids has one
// of 0.5, 0.64 or 0.7 built in, and it must be recorded with the reading.
func SolidsFactor(solids, conductivity quantity.Quantity) (*big.Rat, error) {
	if err := want("dissolved solids", solids, quantity.MassConc); err != nil {
		return nil, err
	}
	if err := wantPositive("conductivity", conductivity, quantity.Conductivity); err != nil {
		return nil, err
	}
	return quo(solids.Base, conductivity.Base), nil
}

// Rejection is what a membrane holds back, by conductivity or by one
// concentration on both sides: 1 - product/feed, as a share. Taken over the
// whole of a unit that adds minerals it says nothing about its membrane: read
// before the last filter, or use an ion that the filter does not add.
func Rejection(feed, product quantity.Quantity) (*big.Rat, error) {
	if !feed.Dim.FromZero() {
		return nil, fmt.Errorf("a %s has no rejection", feed.Dim)
	}
	if err := wantPositive("feed", feed, feed.Dim); err != nil {
		return nil, err
	}
	if err := want("product", product, feed.Dim); err != nil {
		return nil, err
	}
	return share(product.Base, feed.Base), nil
}
