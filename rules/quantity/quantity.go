package quantity

import (
	"fmt"
	"math/big"
	"sort"
	"strings"
)

// MostText is how many characters the text of a quantity or result may have.
const MostText = 80

// Quantity is an exact number with its unit.
type Quantity struct {
	Dim  Dim
	Base *big.Rat // in the base unit of Dim; never changed in place
	Unit Unit     // as written, or the unit a computed value is shown in
	Text string   // as written, without outer spaces; "" for a computed value
}

// Parse reads a quantity as it is written: "61 psi", "0.050 mg/L", "5 %",
// "25 Cel", "7.2 pH", "25°C". The text is kept. Temperatures below absolute
// zero are refused.
func Parse(s string) (Quantity, error) {
	t := strings.Trim(s, " \t")
	if err := checkText(t, "quantity", `"30 min"`); err != nil {
		return Quantity{}, err
	}
	n := scanDecimal(t)
	if n == 0 {
		if len(t) > 3 && strings.EqualFold(t[:2], "ph") && scanDecimal(strings.TrimLeft(t[2:], " =")) > 0 {
			return Quantity{}, fmt.Errorf("%q is no quantity: write the number first, such as \"7.2 pH\"", clip(t))
		}
		return Quantity{}, fmt.Errorf("%q is no quantity: %s", clip(t), quantityHint(t))
	}
	number, rest := t[:n], strings.TrimLeft(t[n:], " \t")
	base, err := ParseDecimal(number)
	if err != nil {
		return Quantity{}, err
	}
	if rest == "" {
		return Quantity{}, fmt.Errorf("the unit is missing in %q: write it after the number, such as \"30 min\"", clip(t))
	}
	if hint := badTail(rest); hint != "" {
		return Quantity{}, fmt.Errorf("%q is no quantity: %s", clip(t), hint)
	}
	u, err := LookupUnit(rest)
	if err != nil {
		return Quantity{}, fmt.Errorf("%w (in %q)", err, clip(t))
	}
	q := Quantity{Dim: u.Dim, Base: u.ToBase(base), Unit: u, Text: t}
	if u.Dim == Temperature && q.Base.Cmp(absoluteZero) < 0 {
		return Quantity{}, fmt.Errorf("%q lies below absolute zero", clip(t))
	}
	return q, nil
}

// badTail says why what follows the number cannot be a unit, or "".
func badTail(rest string) string {
	switch c := rest[0]; {
	case c == ',' || c == '_' || c == '\'':
		return "write a point for decimals and nothing between thousands"
	case c == '.':
		return "write digits on both sides of one point"
	case c >= '0' && c <= '9' && rest != "1":
		return "one number and one unit, such as \"30 min\""
	case (c == 'e' || c == 'E') && len(rest) > 1 && strings.ContainsRune("+-0123456789", rune(rest[1])):
		return "an exponent has at most two digits"
	}
	return ""
}

var absoluteZero = big.NewRat(-27315, 100)

func checkText(t, what, example string) error {
	if t == "" {
		return fmt.Errorf("a %s is missing: write a number and a unit, such as %s", what, example)
	}
	if len(t) > MostText {
		return fmt.Errorf("%q is too long for a %s: at most %d characters", clip(t), what, MostText)
	}
	return nil
}

func quantityHint(t string) string {
	if h := decimalHint(t); h != "write digits, such as 0.050" {
		return h
	}
	if strings.ContainsAny(t[:1], "<>≤≥~") {
		return "a limit such as <0.05 mg/L is a result, and a single value is wanted here"
	}
	return `write a number and a unit, such as "30 min"`
}

// New makes a computed quantity from a value in the base unit of the unit's
// dimension; it is shown in the unit.
func New(base *big.Rat, u Unit) Quantity {
	return Quantity{Dim: u.Dim, Base: new(big.Rat).Set(base), Unit: u}
}

// Of makes a computed quantity from a value in the unit itself.
func Of(value *big.Rat, u Unit) Quantity {
	return Quantity{Dim: u.Dim, Base: u.ToBase(value), Unit: u}
}

// In gives the value in another unit of the same dimension, exactly. A unit of
// another dimension, or a quantity without a value, gives nil.
func (q Quantity) In(u Unit) *big.Rat {
	if q.Base == nil || u.Dim != q.Dim {
		return nil
	}
	return u.FromBase(q.Base)
}

// Cmp compares two quantities: -1, 0 or 1. Callers have made sure that both
// are of one dimension; if not, the order of the dimensions decides, so that
// sorting stays total. Compare checks.
func (q Quantity) Cmp(o Quantity) int {
	if q.Dim != o.Dim {
		if q.Dim < o.Dim {
			return -1
		}
		return 1
	}
	return q.base().Cmp(o.base())
}

// Compare compares two quantities of one dimension, and refuses others.
func (q Quantity) Compare(o Quantity) (int, error) {
	if q.Dim != o.Dim {
		return 0, fmt.Errorf("cannot compare a %s with a %s (%s with %s)", q.Dim, o.Dim, q, o)
	}
	return q.Cmp(o), nil
}

func (q Quantity) base() *big.Rat {
	if q.Base == nil {
		return new(big.Rat)
	}
	return q.Base
}

// String is the quantity as written, or a computed one in its unit, exact
// where its decimals end within 12 places.
func (q Quantity) String() string {
	if q.Text != "" {
		return q.Text
	}
	return q.join(Plain(q.unit().FromBase(q.base())))
}

// Rounded writes the quantity in its unit with fixed decimals.
func (q Quantity) Rounded(decimals int, m Mode) string {
	return q.join(Decimal(q.unit().FromBase(q.base()), decimals, m))
}

func (q Quantity) join(number string) string {
	u := q.unit()
	if u.Code == "" || u.Code == "1" {
		return number
	}
	return number + " " + u.Code
}

// unit is the unit to show the quantity in: its own, or the base unit.
func (q Quantity) unit() Unit {
	if q.Unit.Code == "" || q.Unit.Dim != q.Dim {
		return BaseUnit(q.Dim)
	}
	return q.Unit
}

// Number is the number part of the quantity: as written, digits kept, or of a
// computed one as String gives it.
func (q Quantity) Number() string {
	if q.Text != "" {
		if n := scanDecimal(q.Text); n > 0 {
			return q.Text[:n]
		}
	}
	return Plain(q.unit().FromBase(q.base()))
}

// Median is the exact middle of one or more quantities of one dimension: of an
// even number half the sum of the middle two, in the unit of the larger; of
// one it is that one, with its text.
func Median(list []Quantity) Quantity {
	if len(list) == 1 {
		return list[0]
	}
	sorted := append([]Quantity(nil), list...)
	sort.SliceStable(sorted, func(i, j int) bool { return sorted[i].Cmp(sorted[j]) < 0 })
	n := len(sorted)
	if n%2 == 1 {
		return sorted[n/2]
	}
	sum := new(big.Rat).Add(sorted[n/2-1].Base, sorted[n/2].Base)
	return New(sum.Quo(sum, big.NewRat(2, 1)), sorted[n/2].Unit)
}
