// Package estimate holds what cannot be computed exactly: least squares fits,
// families of tests, binomial tails, first-order uncertainty.
//
// Floats are computed with our own elementary functions (estimate/det) and
// with every product rounded before it is added to, so that the same input
// gives the same bits on every processor. Iterations have fixed step counts or
// end when nothing changes any more. Nothing here prints a number: callers
// turn it into text by quantity.FromFloat.
package estimate

import (
	"math/big"
	"sort"
)

// Holm adjusts the p values of a family of tests by Holm's step-down
// procedure: the k-th smallest of n is multiplied by n-k+1, made monotone and
// held to at most 1. A test is significant at the family level when its
// adjusted p does not exceed it. The order of ps is kept; ps is not changed.
// Holm 1979, Scand. J. Statist. 6:65-70 (from memory, unverified).
func Holm(ps []float64) []float64 {
	n := len(ps)
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(i, j int) bool { return ps[order[i]] < ps[order[j]] })
	out := make([]float64, n)
	largest := 0.0
	for k, i := range order {
		largest = max(largest, min(1, float64(float64(n-k)*ps[i])))
		out[i] = largest
	}
	return out
}

// AnyFalse is the chance that at least one of n independent tests at a level
// is significant though nothing is there: 1 - (1 - level)^n, exact (check
// value MULT-1).
func AnyFalse(n int, level *big.Rat) *big.Rat {
	one := big.NewRat(1, 1)
	return new(big.Rat).Sub(one, power(new(big.Rat).Sub(one, level), n))
}

func power(r *big.Rat, n int) *big.Rat {
	e := big.NewInt(int64(n))
	return new(big.Rat).SetFrac(new(big.Int).Exp(r.Num(), e, nil), new(big.Int).Exp(r.Denom(), e, nil))
}

// BinomialTail is the chance of at least k successes in n tries with chance p
// each, exact (check values SENS-1, SENS-2). k <= 0 gives 1, k > n gives 0.
func BinomialTail(n, k int, p *big.Rat) *big.Rat {
	out, q := new(big.Rat), new(big.Rat).Sub(big.NewRat(1, 1), p)
	if k < 0 {
		k = 0
	}
	for i := k; i <= n; i++ {
		term := new(big.Rat).SetInt(new(big.Int).Binomial(int64(n), int64(i)))
		out.Add(out, term.Mul(term, power(p, i)).Mul(term, power(q, n-i)))
	}
	return out
}

// FewestRight is the smallest k for which at least k of n right answers have a
// chance of at most level; n+1 when not even n of n would do: so few tasters
// can show nothing.
func FewestRight(n int, p, level *big.Rat) int {
	for k := 0; k <= n; k++ {
		if BinomialTail(n, k, p).Cmp(level) <= 0 {
			return k
		}
	}
	return n + 1
}
