package rules

import (
	"fmt"
	"math/big"
	"time"

	"github.com/google/cel-go/common/operators"
	"github.com/google/cel-go/common/types/ref"
	"github.com/google/cel-go/common/types/traits"

	"tapledger/rules/quantity"
)

// additive are the dimensions whose quantities can be added, scaled by numbers
// and divided by one another. Temperatures have no natural zero and pH is a
// logarithm: neither is added, scaled or set in proportion; bare quantities
// without a dimension do not occur.
var additive = func() []quantity.Dim {
	var out []quantity.Dim
	for _, d := range quantity.Dims() {
		if d != quantity.None && d != quantity.Temperature && d != quantity.PH {
			out = append(out, d)
		}
	}
	return out
}()

// product is one row of the table of products and quotients between
// dimensions: result in its base unit = (left op right) * scale, both in theirs.
type product struct {
	op                  string
	left, right, result quantity.Dim
	scale               *big.Rat
}

const (
	times = operators.Multiply
	over  = operators.Divide
)

// triples lists c = a * b; products and quotients follow. scale brings base
// units together: L/min and s, mg/L and L, W and s.
var triples = []struct {
	a, b, c quantity.Dim
	scale   *big.Rat
}{
	{quantity.Flow, quantity.Time, quantity.Volume, big.NewRat(1, 60)},         // L/min * s / 60 = L
	{quantity.MassFlow, quantity.Time, quantity.Mass, big.NewRat(1, 60)},       // g/min * s / 60 = g
	{quantity.MassConc, quantity.Volume, quantity.Mass, big.NewRat(1, 1000)},   // mg/L * L / 1000 = g
	{quantity.MassConc, quantity.Flow, quantity.MassFlow, big.NewRat(1, 1000)}, // mg/L * L/min / 1000 = g/min
	{quantity.Power, quantity.Time, quantity.Energy, big.NewRat(1, 3600000)},   // W * s / 3.6e6 = kWh
	{quantity.CountConc, quantity.Volume, quantity.Count, big.NewRat(10, 1)},   // /100mL * L * 10
}

var products = func() []product {
	var out []product
	for _, t := range triples {
		inv := new(big.Rat).Inv(t.scale)
		out = append(out, product{times, t.a, t.b, t.c, t.scale}, product{times, t.b, t.a, t.c, t.scale},
			product{over, t.c, t.a, t.b, inv}, product{over, t.c, t.b, t.a, inv})
	}
	return out
}()

func findProduct(op string, l, r quantity.Dim) (product, bool) {
	for _, p := range products {
		if p.op == op && p.left == l && p.right == r {
			return p, true
		}
	}
	return product{}, false
}

// calculate applies + - * / to two values that the checker has admitted.
func calculate(op string, a, b ref.Val) ref.Val {
	switch x := a.(type) {
	case traits.Adder: // lists, which map and filter put together item by item
		return x.Add(b)
	case momentVal:
		return calculateMoment(op, x, b)
	case numberVal:
		switch y := b.(type) {
		case numberVal:
			if r := apply(op, x.r, y.r); r != nil {
				return numberVal{r}
			}
			return byZero(a, b)
		case quantityVal:
			return made(new(big.Rat).Mul(x.r, y.q.Base), y.q.Dim, y.q.Unit)
		}
	case quantityVal:
		switch y := b.(type) {
		case momentVal:
			return calculateMoment(op, y, a)
		case numberVal:
			if r := apply(op, x.q.Base, y.r); r != nil {
				return made(r, x.q.Dim, x.q.Unit)
			}
			return byZero(a, b)
		case quantityVal:
			return calculateQuantities(op, x.q, y.q)
		}
	}
	return faulty(CodeInternal, fmt.Sprintf("%s %s %s", a.Type().TypeName(), op, b.Type().TypeName()))
}

func calculateQuantities(op string, x, y quantity.Quantity) ref.Val {
	if op == operators.Divide && y.Base.Sign() == 0 {
		return byZero(quantityVal{x}, quantityVal{y})
	}
	r := apply(op, x.Base, y.Base)
	switch {
	case op == operators.Subtract && x.Dim == quantity.Temperature && y.Dim == quantity.Temperature:
		return made(r, quantity.TemperatureDifference, quantity.Unit{})
	case op == operators.Add && y.Dim == quantity.Temperature:
		return made(r, quantity.Temperature, y.Unit)
	case op == operators.Add || op == operators.Subtract:
		return made(r, x.Dim, x.Unit)
	case op == operators.Divide && x.Dim == y.Dim:
		return made(r, quantity.Ratio, quantity.Unit{})
	case op == operators.Multiply && x.Dim == quantity.Ratio:
		return made(r, y.Dim, y.Unit)
	case y.Dim == quantity.Ratio:
		return made(r, x.Dim, x.Unit)
	}
	if p, ok := findProduct(op, x.Dim, y.Dim); ok {
		return made(r.Mul(r, p.scale), p.result, quantity.Unit{})
	}
	return faulty(CodeInternal, fmt.Sprintf("%s %s %s", x.Dim, op, y.Dim))
}

// apply is exact; nil stands for a division by zero.
func apply(op string, a, b *big.Rat) *big.Rat {
	r := new(big.Rat)
	switch op {
	case operators.Add:
		return r.Add(a, b)
	case operators.Subtract:
		return r.Sub(a, b)
	case operators.Multiply:
		return r.Mul(a, b)
	}
	if b.Sign() == 0 {
		return nil
	}
	return r.Quo(a, b)
}

func byZero(a, b ref.Val) ref.Val {
	return faulty(CodeDivisionByZero, fmt.Sprintf("%s divided by %s", show(a), show(b)))
}

// made is a computed quantity, shown in the unit where it has the dimension,
// else in the base unit.
func made(base *big.Rat, d quantity.Dim, u quantity.Unit) ref.Val {
	return quantityVal{quantity.Quantity{Dim: d, Base: base, Unit: u}}
}

var nanos = big.NewRat(1_000_000_000, 1)

// calculateMoment: moment - moment = time, moment + time, moment - time.
// Moments have whole nanoseconds; a time is rounded half to even to them.
func calculateMoment(op string, m momentVal, b ref.Val) ref.Val {
	switch y := b.(type) {
	case momentVal:
		d := new(big.Rat).SetInt(new(big.Int).Sub(nanosOf(m.t), nanosOf(y.t)))
		return made(d.Quo(d, nanos), quantity.Time, quantity.Unit{})
	case quantityVal:
		n, ok := new(big.Int).SetString(quantity.Decimal(new(big.Rat).Mul(y.q.Base, nanos), 0, quantity.HalfEven), 10)
		if !ok || !n.IsInt64() {
			return faulty(CodeInternal, "a time too long for the calendar")
		}
		d := time.Duration(n.Int64())
		if op == operators.Subtract {
			d = -d
		}
		return momentVal{m.t.Add(d)}
	}
	return faulty(CodeInternal, "a moment and something else")
}

func nanosOf(t time.Time) *big.Int {
	n := new(big.Int).Mul(big.NewInt(t.Unix()), nanos.Num())
	return n.Add(n, big.NewInt(int64(t.Nanosecond())))
}
