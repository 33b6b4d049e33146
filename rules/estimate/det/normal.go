package det

import "math"

const (
	twoOverSqrtPi = 1.12837916709551257390
	invSqrtPi     = 0.56418958354775628695
	sqrtHalf      = 0.70710678118654752440
)

// expMinusSquare is exp(-x*x) with the rounding of the square made good.
func expMinusSquare(x float64) float64 {
	p, lost := product(x, x)
	e := Exp(-p)
	return e - float64(e*lost)
}

// Erfc is the complementary error function, 1 - erf(x), within 20 ulp
// (for results below 2.3e-308, within what such small floats can hold).
// Below 1 it is summed from the series of erf with positive terms
// (Abramowitz and Stegun 7.1.6), above it is the continued fraction 7.1.14,
// both with a fixed number of terms.
func Erfc(x float64) float64 {
	switch {
	case math.IsNaN(x):
		return x
	case x > 27.3:
		return 0
	case x < -6:
		return 2
	case x < 0:
		return 2 - Erfc(-x)
	case x < 1:
		return 1 - erfSeries(x)
	}
	f := x
	for n := 200; n >= 1; n-- {
		f = x + float64(n)*0.5/f
	}
	return float64(expMinusSquare(x)*invSqrtPi) / f
}

func erfSeries(x float64) float64 {
	term := x
	sum := 0.0
	z := float64(2 * float64(x*x))
	for n := 3; n <= 61; n += 2 {
		sum += term
		term = float64(term*z) / float64(n)
	}
	return float64(twoOverSqrtPi*float64(sum*expMinusSquare(x))) + 0
}

// NormCDF is the chance that a standard normal variable lies below x, within
// 40 ulp for x up to 0 and 1 - NormCDF(-x) above.
func NormCDF(x float64) float64 {
	if x > 0 {
		return 1 - NormCDF(-x)
	}
	// x/sqrt(2) is rounded; what that changes is worked in to first order:
	// d/dx NormCDF = exp(-x*x/2)/sqrt(2 pi).
	y := float64(-x * sqrtHalf)
	p, lost := product(-x, sqrtHalf)
	const sqrtHalfLost = -4.83364665672645672553e-17 // sqrt(1/2) minus its float
	delta := (p - y) + lost + float64(-x*sqrtHalfLost)
	return float64(0.5*Erfc(y)) - float64(float64(invSqrtPi*expMinusSquare(y))*delta)
}

// Coefficients of algorithm AS 241, routine PPND16 (M. J. Wichura, The
// percentage points of the normal distribution, Applied Statistics 37, 1988).
var (
	ppndA = [8]float64{3.3871328727963666080e0, 1.3314166789178437745e+2, 1.9715909503065514427e+3, 1.3731693765509461125e+4,
		4.5921953931549871457e+4, 6.7265770927008700853e+4, 3.3430575583588128105e+4, 2.5090809287301226727e+3}
	ppndB = [8]float64{1, 4.2313330701600911252e+1, 6.8718700749205790830e+2, 5.3941960214247511077e+3,
		2.1213794301586595867e+4, 3.9307895800092710610e+4, 2.8729085735721942674e+4, 5.2264952788528545610e+3}
	ppndC = [8]float64{1.42343711074968357734e0, 4.63033784615654529590e0, 5.76949722146069140550e0, 3.64784832476320460504e0,
		1.27045825245236838258e0, 2.41780725177450611770e-1, 2.27238449892691845833e-2, 7.74545014278341407640e-4}
	ppndD = [8]float64{1, 2.05319162663775882187e0, 1.67638483018380384940e0, 6.89767334985100004550e-1,
		1.48103976427480074590e-1, 1.51986665636164571966e-2, 5.47593808499534494600e-4, 1.05075007164441684324e-9}
	ppndE = [8]float64{6.65790464350110377720e0, 5.46378491116411436990e0, 1.78482653991729133580e0, 2.96560571828504891230e-1,
		2.65321895265761230930e-2, 1.24266094738807843860e-3, 2.71155556874348757815e-5, 2.01033439929228813265e-7}
	ppndF = [8]float64{1, 5.99832206555887937690e-1, 1.36929880922735805310e-1, 1.48753612908506148525e-2,
		7.86869131145613259100e-4, 1.84631831751005468180e-5, 1.42151175831644588870e-7, 2.04426310338993978564e-15}
)

func polynomial(c *[8]float64, x float64) float64 {
	sum := c[7]
	for i := 6; i >= 0; i-- {
		sum = float64(sum*x) + c[i]
	}
	return sum
}

// NormQuantile is the value below which a standard normal variable lies with
// chance p, within 16 ulp where |p - 1/2| > 0.001 and absolutely within 1e-17
// nearer. NormQuantile(0) is -Inf, of 1 it is +Inf, outside it is NaN.
func NormQuantile(p float64) float64 {
	switch {
	case math.IsNaN(p) || p < 0 || p > 1:
		return math.NaN()
	case p == 0:
		return math.Inf(-1)
	case p == 1:
		return math.Inf(1)
	}
	q := p - 0.5
	if math.Abs(q) <= 0.425 {
		r := 0.180625 - float64(q*q)
		return float64(q*polynomial(&ppndA, r)) / polynomial(&ppndB, r)
	}
	r := p
	if q > 0 {
		r = 1 - p
	}
	r = math.Sqrt(-Log(r))
	var z float64
	if r <= 5 {
		r -= 1.6
		z = polynomial(&ppndC, r) / polynomial(&ppndD, r)
	} else {
		r -= 5
		z = polynomial(&ppndE, r) / polynomial(&ppndF, r)
	}
	if q < 0 {
		return -z
	}
	return z
}
