// Package score turns measured values into points of 100, weighs and caps
// them, widens the outcome by what one item on one day cannot show, and ranks
// units with shared ranks. It is pure and exact: big.Rat in, decimal text out.
//
// How a score comes about, in this order:
//
//  1. Each measure's value is an interval. Its value function, piecewise linear
//     and flat beyond its corners, maps the interval to the lowest and the
//     highest points that it allows; the measure's number is the middle of the
//     two, where it has one. They are rounded to the measure's digits (low down, high up, number
//     half to even), and the text goes on.
//  2. The score is the weighted mean, low ends with low ends and high ends with
//     high ends: every measure at its worst at once, so it is what the evidence
//     leaves possible and no confidence interval.
//  3. The interval is widened on both sides by 2 sqrt(sum of the squares of the
//     spread parts) and cut to 0..100.
//  4. Caps come last: low, number and high are each at most the points of a cap
//     that applies. A cap that is open lowers the low end alone.
//  5. Low is rounded down, high up, the number half to even, and the texts
//     decide bands and possible ranks.
//
// A value that is undecided or missing, and handled by Range, has no middle:
// neither the measure nor the score gets a number, only a range. A value known
// by a bound alone is a range without a number too; there the score's number
// takes the middle of the points that the bound leaves.
//
// The rules are our own; common practice, no source.
package score

import (
	"fmt"
	"math/big"

	"tapledger/rules/quantity"
)

// What a missing or undecided value does, for every ranked unit alike.
const (
	LeaveOut = "leave_out" // the measure is left out for all units
	Worst    = "worst"     // the lowest points that the value function gives
	Range    = "range"     // anything between its lowest and its highest points
)

// States of a measure's value.
const (
	Known     = "known"
	Missing   = "missing"
	Undecided = "undecided"
)

// States of a cap for one unit.
const (
	Applies    = "applies"
	AppliesNot = "applies_not"
	Open       = "open" // its expression is undecided: it may apply, so it lowers the low end alone
)

// Scheme is a scoring document as far as computing needs it.
type Scheme struct {
	Measures []Measure
	Caps     []Cap
	Bands    []Band
	Spread   []Part
	Digits   int // of the score
}

// Measure is one figure of 0 to 100 and its weight.
type Measure struct {
	ID        string
	Curve     Curve
	Weight    *big.Rat
	Missing   string // LeaveOut, Worst, Range
	Undecided string
	Digits    int
	// NotCounted, when it is not empty, leaves the measure out for all units,
	// and says why: the analyte that does not count in this campaign.
	NotCounted string
}

// Cap limits the score of a unit to which it applies.
type Cap struct {
	ID     string
	AtMost *big.Rat
}

// Band is a named range of scores, from its lower end up to the next band.
type Band struct {
	ID   string
	From *big.Rat
}

// Part is a named part of a score's uncertainty, in points of 100 (standard).
type Part struct {
	ID       string
	Standard *big.Rat
}

// Value is one unit's value of one measure.
type Value struct {
	State    string // Known, Missing, Undecided
	Code     string // why it is missing or undecided
	Interval quantity.Interval
	Bound    string // "yes": known by a bound alone, such as "at least 94 %"
}

// Unit is what was found about one ranked unit.
type Unit struct {
	ID     string
	Values map[string]Value  // by measure; absent: Missing
	Caps   map[string]string // by cap: Applies, AppliesNot, Open; absent: AppliesNot
}

// Points is what one measure gives one unit.
type Points struct {
	Measure           string
	State, Code       string
	Low, Number, High string // decimals of the measure; Number is "" where there is a range only
	low, number, high *big.Rat
	open              bool // nothing is known: the score has no number either
}

// Left is a measure that was left out for all units, and because of which.
type Left struct {
	Measure string
	Why     string // Missing, Undecided, or "not_counted"
	Code    string // for not_counted the analyte
	Units   []string
}

// NotCounted is why a measure was left out whose analyte does not count.
const NotCounted = "not_counted"

// Scored is one unit's outcome.
type Scored struct {
	ID       string
	Measures []Points // those that count, in the scheme's order
	// Before is the weighted mean before caps and spread.
	BeforeLow, BeforeNumber, BeforeHigh string
	Capped                              []string // caps that apply, in the scheme's order
	OpenCaps                            []string
	Low, Number, High                   string // Number is "" when the score is a range only
	Band, BandHigh                      string // band of the low and of the high end
	Rank, RankWorst                     int    // best and worst possible rank, 1 is best
	Sharing                             int    // how many units have these same possible ranks
}

// Table is the outcome for all ranked units, by best possible rank, then by
// worst, then by id.
type Table struct {
	Units   []Scored
	LeftOut []Left
	Shares  []Share
	// Half is what the spread adds on either side, in points, rounded up to
	// two decimals.
	Half string
}

// Share is a measure's share of all weights that count, in percent with two
// decimals.
type Share struct {
	Measure, Percent string
}

// Rank scores and ranks units. Errors: a scheme that cannot be computed with
// (named), a value of another dimension than its value function, two units of
// one id, no measure left.
func Rank(s Scheme, units []Unit) (*Table, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	if err := checkUnits(s, units); err != nil {
		return nil, err
	}
	left := leftOut(s, units)
	counted := map[string]bool{}
	total := new(big.Rat)
	for _, m := range s.Measures {
		if !isLeft(left, m.ID) {
			counted[m.ID] = true
			total.Add(total, m.Weight)
		}
	}
	if total.Sign() == 0 {
		return nil, fmt.Errorf("no measure is left to score by: each is missing or undecided for some unit, or its analyte does not count")
	}
	half := s.half()
	t := &Table{LeftOut: left, Half: quantity.Decimal(half, 2, quantity.Up)}
	for _, m := range s.Measures {
		if counted[m.ID] {
			share := new(big.Rat).Quo(m.Weight, total)
			t.Shares = append(t.Shares, Share{m.ID, quantity.Decimal(share.Mul(share, hundred), 2, quantity.HalfEven)})
		}
	}
	for _, u := range units {
		t.Units = append(t.Units, s.score(u, counted, total, half))
	}
	rank(t.Units)
	return t, nil
}

// score works out one unit.
func (s Scheme) score(u Unit, counted map[string]bool, total, half *big.Rat) Scored {
	out := Scored{ID: u.ID}
	low, number, high := new(big.Rat), new(big.Rat), new(big.Rat)
	ranged := false
	for _, m := range s.Measures {
		if !counted[m.ID] {
			continue
		}
		p := m.points(u.Values[m.ID])
		out.Measures = append(out.Measures, p)
		ranged = ranged || p.open
		for _, e := range []struct{ sum, x *big.Rat }{{low, p.low}, {number, p.number}, {high, p.high}} {
			e.sum.Add(e.sum, new(big.Rat).Mul(m.Weight, e.x))
		}
	}
	for _, x := range []*big.Rat{low, number, high} {
		x.Quo(x, total)
	}
	out.BeforeLow, out.BeforeNumber, out.BeforeHigh = s.texts(low, number, high)
	low, high = greater(new(big.Rat).Sub(low, half), new(big.Rat)), lesser(new(big.Rat).Add(high, half), hundred)
	for _, c := range s.Caps {
		switch u.Caps[c.ID] {
		case Applies:
			out.Capped = append(out.Capped, c.ID)
			low, number, high = lesser(low, c.AtMost), lesser(number, c.AtMost), lesser(high, c.AtMost)
		case Open:
			out.OpenCaps = append(out.OpenCaps, c.ID)
			low = lesser(low, c.AtMost)
		}
	}
	out.Low, out.Number, out.High = s.texts(low, number, high)
	if ranged {
		out.BeforeNumber, out.Number = "", ""
	}
	out.Band, out.BandHigh = s.band(out.Low), s.band(out.High)
	return out
}

// texts rounds to the score's digits. An upper end is never rounded beyond 100.
func (s Scheme) texts(low, number, high *big.Rat) (string, string, string) {
	return quantity.Decimal(low, s.Digits, quantity.Down), quantity.Decimal(number, s.Digits, quantity.HalfEven), quantity.Decimal(high, s.Digits, quantity.Up)
}

// band is the band that a score's text lies in; below the lowest band's end it
// is the lowest band.
func (s Scheme) band(text string) string {
	x, _ := new(big.Rat).SetString(text)
	best := -1
	for i, b := range s.Bands {
		if b.From.Cmp(x) <= 0 && (best < 0 || b.From.Cmp(s.Bands[best].From) > 0) {
			best = i
		}
	}
	if best < 0 {
		for i, b := range s.Bands {
			if best < 0 || b.From.Cmp(s.Bands[best].From) < 0 {
				best = i
			}
		}
	}
	if best < 0 {
		return ""
	}
	return s.Bands[best].ID
}

// points maps a value to points, by the measure's rules where there is none.
func (m Measure) points(v Value) Points {
	p := Points{Measure: m.ID, State: v.State, Code: v.Code}
	if p.State == "" {
		p.State = Missing
	}
	handling := m.Missing
	if p.State == Undecided {
		handling = m.Undecided
	}
	var low, high *big.Rat
	switch {
	case p.State == Known:
		low, high = m.Curve.over(v.Interval)
	case handling == Worst:
		low, _ = m.Curve.ends()
		high = low
	default:
		low, high = m.Curve.ends()
		p.open = low.Cmp(high) != 0
	}
	middle := new(big.Rat).Add(low, high)
	middle.Quo(middle, two)
	p.Low = quantity.Decimal(low, m.Digits, quantity.Down)
	p.Number = quantity.Decimal(middle, m.Digits, quantity.HalfEven)
	p.High = quantity.Decimal(high, m.Digits, quantity.Up)
	p.low, _ = new(big.Rat).SetString(p.Low)
	p.number, _ = new(big.Rat).SetString(p.Number)
	p.high, _ = new(big.Rat).SetString(p.High)
	bound := v.Bound == "yes" || v.Interval.Lo == nil || v.Interval.Hi == nil
	if p.open || p.State == Known && bound && p.Low != p.High {
		p.Number = ""
	}
	return p
}

// leftOut lists the measures that are left out for all units, in the scheme's
// order; the units because of which are sorted.
func leftOut(s Scheme, units []Unit) []Left {
	var out []Left
	for _, m := range s.Measures {
		if m.NotCounted != "" {
			out = append(out, Left{Measure: m.ID, Why: NotCounted, Code: m.NotCounted})
			continue
		}
		for _, why := range []string{Missing, Undecided} {
			handling := m.Missing
			if why == Undecided {
				handling = m.Undecided
			}
			if handling != LeaveOut {
				continue
			}
			l := Left{Measure: m.ID, Why: why}
			for _, u := range sorted(units) {
				v := u.Values[m.ID]
				if v.State == why || why == Missing && v.State == "" {
					l.Units = append(l.Units, u.ID)
					if l.Code == "" {
						l.Code = v.Code
					}
				}
			}
			if len(l.Units) > 0 {
				out = append(out, l)
				break
			}
		}
	}
	return out
}

func isLeft(left []Left, measure string) bool {
	for _, l := range left {
		if l.Measure == measure {
			return true
		}
	}
	return false
}
