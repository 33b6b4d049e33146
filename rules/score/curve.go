package score

import (
	"fmt"
	"math/big"

	"tapledger/rules/quantity"
)

// Curve is a value function: piecewise linear between its corners, flat before
// the first and after the last. Corners stand in the base unit of Dim and rise.
type Curve struct {
	Dim     quantity.Dim
	Corners []Corner
}

// Corner is a point of a value function.
type Corner struct {
	At     *big.Rat // base unit
	Points *big.Rat // 0 to 100
}

var (
	two     = big.NewRat(2, 1)
	hundred = big.NewRat(100, 1)
)

func (c Curve) check() error {
	if len(c.Corners) < 2 {
		return fmt.Errorf("a value function needs at least two corners")
	}
	for i, k := range c.Corners {
		if k.At == nil || k.Points == nil || k.Points.Sign() < 0 || k.Points.Cmp(hundred) > 0 {
			return fmt.Errorf("corner %d of the value function has no points from 0 to 100", i+1)
		}
		if i > 0 && k.At.Cmp(c.Corners[i-1].At) <= 0 {
			return fmt.Errorf("corner %d of the value function does not lie above the one before", i+1)
		}
	}
	return nil
}

// At is the points at one value, in the base unit: exact.
func (c Curve) At(x *big.Rat) *big.Rat {
	first, last := c.Corners[0], c.Corners[len(c.Corners)-1]
	if x.Cmp(first.At) <= 0 {
		return first.Points
	}
	for i := 1; i < len(c.Corners); i++ {
		a, b := c.Corners[i-1], c.Corners[i]
		if x.Cmp(b.At) > 0 {
			continue
		}
		// a.Points + (x - a.At) (b.Points - a.Points) / (b.At - a.At)
		out := new(big.Rat).Sub(x, a.At)
		out.Mul(out, new(big.Rat).Sub(b.Points, a.Points))
		out.Quo(out, new(big.Rat).Sub(b.At, a.At))
		return out.Add(out, a.Points)
	}
	return last.Points
}

// over is the lowest and the highest points over an interval: at its ends and
// at every corner inside. An unbounded end takes the outermost corner; whether
// an end belongs to the interval makes no difference, the function is
// continuous.
func (c Curve) over(i quantity.Interval) (low, high *big.Rat) {
	take := func(p *big.Rat) {
		if low == nil || p.Cmp(low) < 0 {
			low = p
		}
		if high == nil || p.Cmp(high) > 0 {
			high = p
		}
	}
	if i.Lo != nil {
		take(c.At(i.Lo))
	} else {
		take(c.Corners[0].Points)
	}
	if i.Hi != nil {
		take(c.At(i.Hi))
	} else {
		take(c.Corners[len(c.Corners)-1].Points)
	}
	for _, k := range c.Corners {
		if (i.Lo == nil || k.At.Cmp(i.Lo) > 0) && (i.Hi == nil || k.At.Cmp(i.Hi) < 0) {
			take(k.Points)
		}
	}
	return low, high
}

// ends is the lowest and the highest points of the function.
func (c Curve) ends() (low, high *big.Rat) {
	return c.over(quantity.Interval{Dim: c.Dim})
}

func lesser(a, b *big.Rat) *big.Rat {
	if a.Cmp(b) <= 0 {
		return a
	}
	return b
}

func greater(a, b *big.Rat) *big.Rat {
	if a.Cmp(b) >= 0 {
		return a
	}
	return b
}

// rootPlaces is to how many decimals the root of the spread is taken.
const rootPlaces = 12

// half is 2 sqrt(sum of squares) of the spread, rounded up at its twelfth
// decimal so that the interval never comes out too narrow.
func (s Scheme) half() *big.Rat {
	sum := new(big.Rat)
	for _, p := range s.Spread {
		sum.Add(sum, new(big.Rat).Mul(p.Standard, p.Standard))
	}
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(rootPlaces), nil)
	n := new(big.Int).Mul(sum.Num(), sum.Denom()) // sqrt(a/b) = sqrt(a b)/b
	n.Mul(n, scale).Mul(n, scale)
	root := new(big.Int).Sqrt(n)
	if new(big.Int).Mul(root, root).Cmp(n) != 0 {
		root.Add(root, big.NewInt(1))
	}
	out := new(big.Rat).SetFrac(root, new(big.Int).Mul(sum.Denom(), scale))
	return out.Mul(out, two)
}
