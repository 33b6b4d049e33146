package score

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
)

// rank gives every unit its possible ranks and sorts by them. The best possible
// rank is one more than the number of units that certainly lie above (whose low
// end lies above this unit's high end); the worst is the number of all units
// less those that certainly lie below. Intervals that only touch leave either
// order possible. Units with the same possible ranks stand together. The texts
// decide, so that the printed table explains itself.
func rank(units []Scored) {
	for i := range units {
		u := &units[i]
		u.Rank, u.RankWorst = 1, len(units)
		for _, other := range units {
			switch {
			case read(other.Low).Cmp(read(u.High)) > 0:
				u.Rank++
			case read(other.High).Cmp(read(u.Low)) < 0:
				u.RankWorst--
			}
		}
	}
	for i := range units {
		units[i].Sharing = 0
		for _, other := range units {
			if other.Rank == units[i].Rank && other.RankWorst == units[i].RankWorst {
				units[i].Sharing++
			}
		}
	}
	slices.SortFunc(units, func(a, b Scored) int {
		return cmp.Or(cmp.Compare(a.Rank, b.Rank), cmp.Compare(a.RankWorst, b.RankWorst), cmp.Compare(a.ID, b.ID))
	})
}

func read(decimal string) *big.Rat {
	r, _ := new(big.Rat).SetString(decimal)
	return r
}

func sorted(units []Unit) []Unit {
	out := slices.Clone(units)
	slices.SortFunc(out, func(a, b Unit) int { return cmp.Compare(a.ID, b.ID) })
	return out
}

// check says what a scheme cannot be computed with.
func (s Scheme) check() error {
	if len(s.Measures) == 0 {
		return fmt.Errorf("there is no measure to score by")
	}
	seen := map[string]bool{}
	for _, m := range s.Measures {
		if err := m.check(); err != nil {
			return fmt.Errorf("measure %s: %w", m.ID, err)
		}
		if seen[m.ID] {
			return fmt.Errorf("measure %s stands twice", m.ID)
		}
		seen[m.ID] = true
	}
	for _, c := range s.Caps {
		if c.AtMost == nil || c.AtMost.Sign() < 0 || c.AtMost.Cmp(hundred) > 0 {
			return fmt.Errorf("cap %s has no limit from 0 to 100", c.ID)
		}
	}
	if len(s.Spread) == 0 {
		return fmt.Errorf("the spread is missing: unit to unit and day to day are never zero")
	}
	for _, p := range s.Spread {
		if p.Standard == nil || p.Standard.Sign() <= 0 {
			return fmt.Errorf("the spread %s is not above zero: one item on one day shows none, which does not make it zero", p.ID)
		}
	}
	if len(s.Bands) == 0 {
		return fmt.Errorf("there is no band")
	}
	if s.Digits < 0 || s.Digits > 3 {
		return fmt.Errorf("a score has from 0 to 3 digits, not %d", s.Digits)
	}
	return nil
}

func (m Measure) check() error {
	if err := m.Curve.check(); err != nil {
		return err
	}
	if m.Weight == nil || m.Weight.Sign() <= 0 {
		return fmt.Errorf("its weight must lie above zero")
	}
	for _, h := range []string{m.Missing, m.Undecided} {
		if h != LeaveOut && h != Worst && h != Range {
			return fmt.Errorf("%q is not leave_out, worst or range", h)
		}
	}
	if m.Digits < 0 || m.Digits > 12 {
		return fmt.Errorf("it has from 0 to 12 digits, not %d", m.Digits)
	}
	return nil
}

func checkUnits(s Scheme, units []Unit) error {
	seen := map[string]bool{}
	for _, u := range units {
		if seen[u.ID] {
			return fmt.Errorf("unit %s stands twice among the ranked", u.ID)
		}
		seen[u.ID] = true
		for _, m := range s.Measures {
			v := u.Values[m.ID]
			if v.State != Known {
				continue
			}
			if v.Interval.Dim != m.Curve.Dim {
				return fmt.Errorf("measure %s of unit %s is a %s, and its value function is over a %s", m.ID, u.ID, v.Interval.Dim, m.Curve.Dim)
			}
			if !v.Interval.Valid() {
				return fmt.Errorf("measure %s of unit %s: its interval holds no value", m.ID, u.ID)
			}
		}
	}
	return nil
}
