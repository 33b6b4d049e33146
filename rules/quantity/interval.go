package quantity

import "math/big"

// Interval is a set of values between two ends. An end that is nil is
// unbounded, and open. Ends stand in the base unit of Dim. An interval has at
// least one value: Lo <= Hi, and if they are equal both ends are closed.
type Interval struct {
	Dim            Dim
	Lo, Hi         *big.Rat
	LoOpen, HiOpen bool
}

// Point is the interval of one value.
func Point(q Quantity) Interval { return Interval{Dim: q.Dim, Lo: q.base(), Hi: q.base()} }

// IsPoint tells whether the interval is a single value.
func (i Interval) IsPoint() bool {
	return i.Lo != nil && i.Hi != nil && i.Lo.Cmp(i.Hi) == 0
}

// Valid tells whether the interval has a value at all.
func (i Interval) Valid() bool {
	if i.Lo == nil || i.Hi == nil {
		return true
	}
	c := i.Lo.Cmp(i.Hi)
	return c < 0 || c == 0 && !i.LoOpen && !i.HiOpen
}

// Contains tells whether a value, in the base unit, lies in the interval.
func (i Interval) Contains(x *big.Rat) bool {
	if i.Lo != nil {
		if c := x.Cmp(i.Lo); c < 0 || c == 0 && i.LoOpen {
			return false
		}
	}
	if i.Hi != nil {
		if c := x.Cmp(i.Hi); c > 0 || c == 0 && i.HiOpen {
			return false
		}
	}
	return true
}

// Order is the set of relations that two values can stand in.
type Order uint8

// The relations of an Order.
const (
	Less Order = 1 << iota
	Equal
	Greater
)

// Order gives every relation that a value of i can have to a value of o: only
// Less means that i lies below o for certain, several mean that the evidence
// leaves it open. Both are taken to be of one dimension.
func (i Interval) Order(o Interval) Order {
	var out Order
	if canBeLess(i, o) {
		out |= Less
	}
	if canBeLess(o, i) {
		out |= Greater
	}
	if meets(i, o) {
		out |= Equal
	}
	return out
}

// canBeLess: some a of i and b of o with a < b. Both have a value, so between
// the lowest of i and the highest of o any gap at all is enough.
func canBeLess(i, o Interval) bool {
	return i.Lo == nil || o.Hi == nil || i.Lo.Cmp(o.Hi) < 0
}

func meets(i, o Interval) bool {
	below := func(hi, lo *big.Rat, open bool) bool { // hi end lies below lo end
		if hi == nil || lo == nil {
			return false
		}
		c := hi.Cmp(lo)
		return c < 0 || c == 0 && open
	}
	return !below(i.Hi, o.Lo, i.HiOpen || o.LoOpen) && !below(o.Hi, i.Lo, o.HiOpen || i.LoOpen)
}

// Text writes the interval in a unit with a count of significant digits, the
// lower end rounded down and the upper end up: "[62.9, 100) %". An unbounded
// end is written "no limit". Digits 0 writes the ends exactly where their
// decimals end within 12 places.
func (i Interval) Text(u Unit, digits int) string {
	end := func(x *big.Rat, m Mode) string {
		if x == nil {
			return "no limit"
		}
		if digits == 0 {
			return Plain(u.FromBase(x))
		}
		return Significant(u.FromBase(x), digits, m)
	}
	unit := " " + u.Code
	if u.Code == "" || u.Code == "1" {
		unit = ""
	}
	if i.IsPoint() {
		return end(i.Lo, HalfEven) + unit
	}
	left, right := "[", "]"
	if i.LoOpen || i.Lo == nil {
		left = "("
	}
	if i.HiOpen || i.Hi == nil {
		right = ")"
	}
	return left + end(i.Lo, Down) + ", " + end(i.Hi, Up) + right + unit
}

// String is Text in the unit that readers expect, exactly: percent for ratios,
// the base unit for everything else.
func (i Interval) String() string {
	u := BaseUnit(i.Dim)
	if i.Dim == Ratio {
		u = *table.byCode["%"]
	}
	return i.Text(u, 0)
}
