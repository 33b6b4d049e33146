package estimate

import (
	"fmt"
	"math"

	"tapledger/rules/estimate/det"
)

// fractionSteps is how many terms the continued fraction for the incomplete
// beta function takes; with the symmetry below it has converged long before
// for any count of degrees of freedom that a bench meets.
const fractionSteps = 300

// StudentTail is the chance that Student's t with a count of degrees of
// freedom, at least 1 and at most 1000, exceeds t >= 0: half the regularised
// incomplete beta function I_x(df/2, 1/2) at x = df / (df + t^2), by its
// continued fraction. Checked against printed quantiles.
func StudentTail(t float64, df int) float64 {
	n := float64(df)
	t2 := float64(t * t)
	x := n / (n + t2)
	a, b := n/2, 0.5
	if x < (a+1)/(a+b+2) {
		return float64(0.5 * betaPart(a, b, x, t2/(n+t2), df))
	}
	return float64(0.5 * (1 - betaPart(b, a, t2/(n+t2), x, df)))
}

// betaPart is I_x(a,b) by the continued fraction; y is 1-x without cancellation.
func betaPart(a, b, x, y float64, df int) float64 {
	if x <= 0 {
		return 0
	}
	front := det.Exp(float64(a*det.Log(x)) + float64(b*det.Log(y)))
	front = float64(front / float64(a*betaHalf(df)))
	return float64(front * fraction(a, b, x))
}

// betaHalf is B(df/2, 1/2), by B(a+1, 1/2) = B(a, 1/2) a/(a+1/2), from
// B(1/2, 1/2) = pi and B(1, 1/2) = 2.
func betaHalf(df int) float64 {
	value, a := math.Pi, 0.5
	if df%2 == 0 {
		value, a = 2, 1
	}
	for 2*a < float64(df) {
		value = float64(value * a / (a + 0.5))
		a++
	}
	return value
}

// fraction is Lentz's evaluation of the continued fraction of the incomplete
// beta function, which ends when a step changes nothing any more.
func fraction(a, b, x float64) float64 {
	const tiny = 1e-300
	away := func(v float64) float64 {
		if math.Abs(v) < tiny {
			return tiny
		}
		return v
	}
	c, d := 1.0, 1/away(1-float64((a+b)*x)/(a+1))
	h := d
	for m := 1.0; m <= fractionSteps; m++ {
		even := float64(float64(m*(b-m))*x) / float64((a+m+m-1)*(a+m+m))
		d, c = 1/away(1+float64(even*d)), away(1+float64(even/c))
		h = float64(h * float64(d*c))
		odd := -float64(float64((a+m)*(a+b+m))*x) / float64((a+m+m)*(a+m+m+1))
		d, c = 1/away(1+float64(odd*d)), away(1+float64(odd/c))
		step := float64(d * c)
		if next := float64(h * step); next == h {
			break
		} else {
			h = next
		}
	}
	return h
}

// StudentQuantile is the t that is exceeded with chance tail, 0 < tail < 0.5,
// by bisection until the interval no longer narrows.
func StudentQuantile(tail float64, df int) (float64, error) {
	if !(tail > 0 && tail < 0.5) || df < 1 || df > 1000 {
		return 0, fmt.Errorf("no quantile of Student's t for a tail of %g and %d degrees of freedom", tail, df)
	}
	lo, hi := 0.0, 1.0
	for StudentTail(hi, df) > tail && hi < 1e15 {
		hi *= 2
	}
	for range 200 {
		mid := lo + (hi-lo)/2
		if mid <= lo || mid >= hi {
			break
		}
		if StudentTail(mid, df) > tail {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi, nil
}
