package assess

import (
	"math/big"

	"tapledger/rules/quantity"
)

// spanned is the interval from the lower of two lower ends to the higher of two
// upper ones; an empty interval takes the other.
func spanned(a, b quantity.Interval) quantity.Interval {
	if a.Lo == nil && a.Hi == nil {
		return b
	}
	if a.Lo != nil && (b.Lo == nil || b.Lo.Cmp(a.Lo) < 0) {
		a.Lo, a.LoOpen = b.Lo, b.LoOpen
	}
	if a.Hi != nil && (b.Hi == nil || b.Hi.Cmp(a.Hi) > 0) {
		a.Hi, a.HiOpen = b.Hi, b.HiOpen
	}
	return a
}

// apart tells whether two values with their expanded uncertainties differ by
// more than those: |a - b| > sqrt(U_a^2 + U_b^2), held squared, so exactly.
func apart(a, ua, b, ub *big.Rat) bool {
	d := new(big.Rat).Sub(a, b)
	u := new(big.Rat).Add(new(big.Rat).Mul(ua, ua), new(big.Rat).Mul(ub, ub))
	return d.Mul(d, d).Cmp(u) > 0
}
