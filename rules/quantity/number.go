package quantity

import (
	"fmt"
	"math"
	"math/big"
	"strings"
)

// MostDigits is how many characters a number may have as text; with the
// two-digit exponent it bounds every number that enters from outside.
const MostDigits = 40

// Mode says which way a number is rounded.
type Mode uint8

const (
	HalfEven Mode = iota // to the nearest, a tie to the even digit: a point
	Down                 // never above the number: the lower end of an interval, a >= bound
	Up                   // never below the number: the upper end of an interval, a <= bound
)

// ParseDecimal reads a plain decimal number: an optional sign, digits, a point
// with digits on both sides, and an exponent of at most two digits. It refuses
// "5.", ".5", "NaN", "1,5", "1_000", "0x1" and more than 40 characters.
func ParseDecimal(s string) (*big.Rat, error) {
	n := scanDecimal(s)
	if n != len(s) || n == 0 {
		return nil, fmt.Errorf("%q is not a number: %s", clip(s), decimalHint(s))
	}
	if len(s) > MostDigits {
		return nil, fmt.Errorf("the number %q is too long: at most %d characters", clip(s), MostDigits)
	}
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		return nil, fmt.Errorf("%q is not a number", clip(s))
	}
	return r, nil
}

// scanDecimal gives the length of the decimal number that a text begins with,
// 0 when it begins with none. An exponent is taken only when it is whole.
func scanDecimal(s string) int {
	i := 0
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	digits := func(from int) int {
		j := from
		for j < len(s) && s[j] >= '0' && s[j] <= '9' {
			j++
		}
		return j
	}
	j := digits(i)
	if j == i {
		return 0
	}
	i = j
	if i < len(s) && s[i] == '.' {
		if j = digits(i + 1); j > i+1 {
			i = j
		}
	}
	if i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		k := i + 1
		if k < len(s) && (s[k] == '+' || s[k] == '-') {
			k++
		}
		if j = digits(k); j > k && j-k <= 2 {
			i = j
		}
	}
	return i
}

func decimalHint(s string) string {
	switch {
	case strings.TrimSpace(s) == "":
		return "write digits, such as 0.050"
	case strings.ContainsRune(s, '\u2212') || strings.ContainsRune(s, '\u2013'):
		return "write the minus sign as -"
	case strings.ContainsRune(s, ','):
		return "write a point for decimals and nothing between thousands"
	case strings.HasPrefix(s, ".") || strings.HasSuffix(s, "."):
		return "write digits on both sides of the point"
	}
	return "write digits, such as 0.050"
}

// Decimal writes a number with a fixed count of decimals (from 0 to 60; counts
// outside are taken as the nearer end), rounded as the mode says. Rounding
// looks at the exact number, so a tie is a tie. There is no "-0".
func Decimal(r *big.Rat, decimals int, m Mode) string {
	decimals = min(max(decimals, 0), 60)
	scaled := roundInt(new(big.Rat).Mul(r, pow10(decimals)), m)
	return place(scaled, decimals)
}

// roundInt rounds a number to a whole one.
func roundInt(r *big.Rat, m Mode) *big.Int {
	q, rest := new(big.Int).DivMod(r.Num(), r.Denom(), new(big.Int)) // floor, rest >= 0
	if rest.Sign() == 0 {
		return q
	}
	up := m == Up
	if m == HalfEven {
		switch rest.Lsh(rest, 1).Cmp(r.Denom()) {
		case 1:
			up = true
		case 0:
			up = q.Bit(0) == 1
		}
	}
	if up {
		q.Add(q, big.NewInt(1))
	}
	return q
}

// place sets the decimal point into a whole number.
func place(n *big.Int, decimals int) string {
	sign := ""
	if n.Sign() < 0 {
		sign = "-"
	}
	s := new(big.Int).Abs(n).String()
	if decimals == 0 {
		return sign + s
	}
	if len(s) <= decimals {
		s = strings.Repeat("0", decimals+1-len(s)) + s
	}
	return sign + s[:len(s)-decimals] + "." + s[len(s)-decimals:]
}

func pow10(n int) *big.Rat {
	p := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(max(n, -n))), nil)
	if n < 0 {
		return new(big.Rat).SetFrac(big.NewInt(1), p)
	}
	return new(big.Rat).SetInt(p)
}

// Significant writes a number with a count of significant digits (from 1 to
// 40), rounded as the mode says, never with an exponent: 1500 with two digits
// is "1500", zero is "0". Rounding into a new leading digit keeps the count:
// 9.996 with three digits is "10.0".
func Significant(r *big.Rat, digits int, m Mode) string {
	if r.Sign() == 0 {
		return "0"
	}
	digits = min(max(digits, 1), 40)
	lead := leading(r)
	n := roundInt(new(big.Rat).Mul(r, pow10(digits-1-lead)), m)
	if len(new(big.Int).Abs(n).String()) > digits {
		lead++
		n = roundInt(new(big.Rat).Mul(r, pow10(digits-1-lead)), m)
	}
	if decimals := digits - 1 - lead; decimals > 0 {
		if n.Sign() == 0 {
			return "0"
		}
		return place(n, decimals)
	}
	return n.Mul(n, pow10(lead+1-digits).Num()).String()
}

// leading gives the power of ten of a number's first significant digit.
func leading(r *big.Rat) int {
	a := new(big.Rat).Abs(r)
	e := len(a.Num().String()) - len(a.Denom().String())
	if a.Cmp(pow10(e)) < 0 {
		e--
	}
	return e
}

// FromFloat is the only way for a float to leave a computation: as decimal
// text with a count of significant digits (1 to 17), the exact binary value
// rounded half to even. NaN and infinities are refused.
func FromFloat(x float64, digits int) (string, error) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "", fmt.Errorf("a computation gave no number; its inputs lie outside its range")
	}
	if digits < 1 || digits > 17 {
		return "", fmt.Errorf("%d significant digits: from 1 to 17 are possible", digits)
	}
	return Significant(new(big.Rat).SetFloat64(x), digits, HalfEven), nil
}

// Plain writes a number as decimal text: exactly where its decimals end within
// 12 places, else rounded half to even at 12 places (below 0.000001: to 6
// significant digits), in all cases without closing zeros. It is for
// explanations; what goes on is rounded by Decimal or Significant.
func Plain(r *big.Rat) string {
	s := Decimal(r, 12, HalfEven)
	if new(big.Rat).Abs(r).Cmp(pow10(-6)) < 0 {
		s = Significant(r, 6, HalfEven)
	}
	if strings.ContainsRune(s, '.') {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}
