// Package det holds elementary functions that give the same bits on every
// machine. The standard library's differ in the last bit between architectures
// (assembler kernels, fused products), and a last bit is enough to change a
// published digit one day.
//
// Every product that goes into a sum is rounded first, float64(x*y), so no
// compiler can fuse the two. Only sums, products, quotients, comparisons and
// the exact functions of math are used. Error bounds are given in ulp, units
// in the last place of the true value, and are tested against computations of
// 300 bits; a hash over many results is a constant of the tests.
package det

import "math"

const (
	// ln2Hi has 21 zero bits at its end, so that k*ln2Hi is exact for every
	// exponent k; ln2Hi + ln2Lo is ln 2 to 85 bits.
	ln2Hi  = 6.93147180369123816490e-01
	ln2Lo  = 1.90821492927058770002e-10
	invLn2 = 1.44269504088896338700e+00

	expMost  = 7.09782712893383973096e+02  // above it Exp is beyond the largest float
	expLeast = -7.45133219101941108420e+02 // below it Exp is 0
)

// inverse factorials 1/2! to 1/14!, the Taylor coefficients of exp
var expTerms = [...]float64{
	1.0 / 2, 1.0 / 6, 1.0 / 24, 1.0 / 120, 1.0 / 720, 1.0 / 5040, 1.0 / 40320, 1.0 / 362880, 1.0 / 3628800,
	1.0 / 39916800, 1.0 / 479001600, 1.0 / 6227020800, 1.0 / 87178291200,
}

// reduced gives k and exp(x - k ln 2) - 1, for finite x within Exp's range.
func reduced(x float64) (k int, p float64) {
	n := math.RoundToEven(x * invLn2)
	hi := x - float64(n*ln2Hi)
	lo := float64(n * ln2Lo)
	r := hi - lo
	c := (hi - r) - lo // what r lost
	sum := 0.0
	for i := len(expTerms) - 1; i >= 0; i-- {
		sum = float64(sum*r) + expTerms[i]
	}
	tail := float64(float64(r*r)*sum) + (c + float64(c*r))
	return int(n), r + tail
}

// Exp is e to the power of x, within 1 ulp (for results below 2.3e-308, within
// 1 ulp of what such small floats can hold). Exp(-Inf) is 0, Exp(+Inf) is +Inf.
func Exp(x float64) float64 {
	switch {
	case math.IsNaN(x):
		return x
	case x > expMost:
		return math.Inf(1)
	case x < expLeast:
		return 0
	}
	k, p := reduced(x)
	return math.Ldexp(1+p, k)
}

// Expm1 is Exp(x) - 1 without loss near zero, within 2 ulp.
func Expm1(x float64) float64 {
	switch {
	case math.IsNaN(x) || x == 0:
		return x
	case x > expMost:
		return math.Inf(1)
	case x < -40:
		return -1
	}
	k, p := reduced(x)
	if k > 53 {
		return math.Ldexp(1+p, k)
	}
	s := math.Ldexp(1, k)
	return float64(s*p) + (s - 1)
}

// logSeries gives log(1+f) - (f - f*f/2) in two parts' worth of care, for
// 1+f between sqrt(1/2) and sqrt(2): s*(f*f/2 + R) with s = f/(2+f).
func logSeries(f float64) (halfSquare, rest float64) {
	s := f / (2 + f)
	z := float64(s * s)
	sum := 0.0
	for n := 25; n >= 3; n -= 2 {
		sum = float64(sum*z) + 2/float64(n)
	}
	halfSquare = float64(float64(0.5*f) * f)
	return halfSquare, float64(s * (halfSquare + float64(z*sum)))
}

// split gives k and m with x = 2^k m and m between sqrt(1/2) and sqrt(2).
func split(x float64) (k, m float64) {
	m, e := math.Frexp(x)
	if m < 0.70710678118654752440 {
		m, e = 2*m, e-1
	}
	return float64(e), m
}

// Log is the natural logarithm, within 1 ulp. Log(0) is -Inf; of negative
// numbers it is NaN.
func Log(x float64) float64 {
	switch {
	case math.IsNaN(x) || math.IsInf(x, 1):
		return x
	case x < 0:
		return math.NaN()
	case x == 0:
		return math.Inf(-1)
	}
	k, m := split(x)
	f := m - 1
	if f == 0 {
		return float64(k*ln2Hi) + float64(k*ln2Lo)
	}
	h, r := logSeries(f)
	return float64(k*ln2Hi) - ((h - (r + float64(k*ln2Lo))) - f)
}

// Log1p is Log(1+x) without loss near zero, within 2 ulp.
func Log1p(x float64) float64 {
	switch {
	case math.IsNaN(x) || math.IsInf(x, 1) || x == 0:
		return x
	case x < -1:
		return math.NaN()
	case x == -1:
		return math.Inf(-1)
	}
	if x > -0.29 && x < 0.41 {
		h, r := logSeries(x)
		return x - (h - r)
	}
	u := 1 + x
	lost := x - (u - 1)
	return Log(u) + lost/u
}

const (
	log10Of2Hi = 3.01029995663611771306e-01 // with zero bits at its end
	log10Of2Lo = 3.69423907715893078616e-13
	invLn10    = 4.34294481903251816668e-01
)

// Log10 is the decimal logarithm, within 2 ulp, and exact for the powers of
// ten from 1e-22 to 1e22.
func Log10(x float64) float64 {
	if !(x > 0) || math.IsInf(x, 1) {
		return Log(x)
	}
	k, m := split(x)
	y := float64(k*log10Of2Hi) + (float64(k*log10Of2Lo) + float64(invLn10*Log(m)))
	if n := math.RoundToEven(y); math.Abs(y-n) < 1e-9 && math.Abs(n) <= 22 && x == tens[int(n)+22] {
		return n
	}
	return y
}

var tens = [...]float64{1e-22, 1e-21, 1e-20, 1e-19, 1e-18, 1e-17, 1e-16, 1e-15, 1e-14, 1e-13, 1e-12, 1e-11, 1e-10, 1e-9,
	1e-8, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 1e-1, 1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12,
	1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// product gives x*y as the rounded product and what rounding lost, exactly for
// factors of moderate size (Dekker 1971).
func product(x, y float64) (p, lost float64) {
	const splitter = 1<<27 + 1
	p = float64(x * y)
	cx := float64(splitter * x)
	xh := cx - (cx - x)
	xl := x - xh
	cy := float64(splitter * y)
	yh := cy - (cy - y)
	yl := y - yh
	lost = float64(xh*yh) - p
	lost += float64(xh * yl)
	lost += float64(xl * yh)
	lost += float64(xl * yl)
	return p, lost
}

// Pow is x to the power of y for x >= 0, within (2 + |y ln x|) ulp; whole
// powers up to 64 of exactly representable results are exact. A negative x
// gives NaN, unless y is a whole number within 64.
func Pow(x, y float64) float64 {
	switch {
	case y == 0 || x == 1:
		return 1
	case math.IsNaN(x) || math.IsNaN(y):
		return math.NaN()
	case math.Abs(y) <= 64 && y == math.Floor(y):
		return wholePower(x, int(y))
	case x < 0:
		return math.NaN()
	case x == 0 || math.IsInf(x, 1):
		if (x == 0) == (y > 0) {
			return 0
		}
		return math.Inf(1)
	case math.IsInf(y, 0):
		if (x > 1) == (y > 0) {
			return math.Inf(1)
		}
		return 0
	}
	l := Log(x)
	if a := math.Abs(float64(y * l)); a > 800 || math.IsInf(a, 0) {
		return Exp(math.Copysign(800, float64(y*l)))
	}
	p, lost := product(y, l)
	e := Exp(p)
	return e + float64(e*lost)
}

func wholePower(x float64, n int) float64 {
	out, base := 1.0, x
	for k := max(n, -n); k > 0; k >>= 1 {
		if k&1 == 1 {
			out = float64(out * base)
		}
		base = float64(base * base)
	}
	if n < 0 {
		return 1 / out
	}
	return out
}
