// Package water holds the trade's computations, each a function of its
// arguments alone: reduction, rise, distance to a published value, minerals,
// conductivity, flow, recovery, mass balance, production at temperature, cost.
//
// Where the arithmetic is exact it is done exactly (math/big.Rat), and bounds
// stay bounds: a non-detect is an interval that ends at its limit and is never
// replaced by a number. Every outcome is a code with numbers; the sentences
// are made elsewhere. A share is a number of dimension Ratio, so 0.95 is 95 %.
//
// Sources stand at each function: a published document; "arithmetic"; "common
// practice, no source"; or "from memory, unverified".
package water

import (
	"fmt"
	"math/big"

	"tapledger/rules/quantity"
)

// one, two and hundred are shared and never changed in place.
var (
	one     = big.NewRat(1, 1)
	two     = big.NewRat(2, 1)
	hundred = big.NewRat(100, 1)
)

func add(a, b *big.Rat) *big.Rat { return new(big.Rat).Add(a, b) }
func sub(a, b *big.Rat) *big.Rat { return new(big.Rat).Sub(a, b) }
func mul(a, b *big.Rat) *big.Rat { return new(big.Rat).Mul(a, b) }

// quo divides; callers have made sure that b is not zero.
func quo(a, b *big.Rat) *big.Rat { return new(big.Rat).Quo(a, b) }

func square(a *big.Rat) *big.Rat { return mul(a, a) }

// dec reads a decimal constant of this package.
func dec(s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		panic("water: constant " + s)
	}
	return r
}

// sqrtPlaces is to how many decimals a root is taken. Roots are rounded to the
// side that the caller names, so that a bound stays a bound.
const sqrtPlaces = 30

// sqrt gives the root of a number >= 0 to sqrtPlaces significant places below
// its own size, rounded down, or up.
func sqrt(r *big.Rat, up bool) *big.Rat {
	if r.Sign() <= 0 {
		return new(big.Rat)
	}
	// root(n/d) = root(n*d)/d, scaled by 10^places so that the integer root is fine enough.
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(sqrtPlaces), nil)
	n := new(big.Int).Mul(r.Num(), r.Denom())
	n.Mul(n, scale).Mul(n, scale)
	root := new(big.Int).Sqrt(n)
	if up && new(big.Int).Mul(root, root).Cmp(n) != 0 {
		root.Add(root, big.NewInt(1))
	}
	return new(big.Rat).SetFrac(root, new(big.Int).Mul(r.Denom(), scale))
}

func ratioPoint(r *big.Rat) quantity.Interval {
	return quantity.Interval{Dim: quantity.Ratio, Lo: r, Hi: r}
}

// want refuses a quantity of another dimension, or without a value.
func want(name string, q quantity.Quantity, d quantity.Dim) error {
	if q.Dim != d || q.Base == nil {
		return fmt.Errorf("the %s must be a %s, and %q is a %s", name, d, q, q.Dim)
	}
	return nil
}

// wantPositive also refuses zero and below.
func wantPositive(name string, q quantity.Quantity, d quantity.Dim) error {
	if err := want(name, q, d); err != nil {
		return err
	}
	if q.Base.Sign() <= 0 {
		return fmt.Errorf("the %s must lie above zero, and it is %s", name, q)
	}
	return nil
}
