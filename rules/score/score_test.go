package score

import (
	"fmt"
	"math/big"
	"reflect"
	"strings"
	"testing"

	"tapledger/rules/quantity"
)

func rat(s string) *big.Rat {
	top, bottom, _ := strings.Cut(s, "/")
	r, ok := new(big.Rat).SetString(top)
	if !ok {
		panic(s)
	}
	if bottom != "" {
		r.Quo(r, rat(bottom))
	}
	return r
}

// percentOf is the interval [lo, hi] in percent, "" unbounded.
func percentOf(lo, hi string) quantity.Interval {
	i := quantity.Interval{Dim: quantity.Ratio}
	if lo != "" {
		i.Lo = rat(lo + "/100")
	}
	if hi != "" {
		i.Hi = rat(hi + "/100")
	}
	return i
}

func known(i quantity.Interval) Value { return Value{State: Known, Interval: i} }

// curve is a value function over percent: "50:0 90:60 99:100".
func curve(s string) Curve {
	c := Curve{Dim: quantity.Ratio}
	for _, k := range strings.Fields(s) {
		at, points, _ := strings.Cut(k, ":")
		c.Corners = append(c.Corners, Corner{At: rat(at + "/100"), Points: rat(points)})
	}
	return c
}

// scheme is two measures, weights 3 and 1, spread 3 and 4 points: half width
// 2 sqrt(9 + 16) = 10.
func scheme() Scheme {
	return Scheme{
		Measures: []Measure{
			{ID: "lead", Curve: curve("50:0 90:60 99:100"), Weight: rat("3"), Missing: Range, Undecided: Range, Digits: 1},
			{ID: "recovery", Curve: curve("10:0 50:100"), Weight: rat("1"), Missing: LeaveOut, Undecided: Worst, Digits: 1},
		},
		Caps:   []Cap{{ID: "higher", AtMost: rat("50")}},
		Bands:  []Band{{"lower", rat("0")}, {"middle", rat("40")}, {"upper", rat("70")}},
		Spread: []Part{{"unit_to_unit", rat("3")}, {"day_to_day", rat("4")}},
	}
}

func one(t *testing.T, s Scheme, u Unit) Scored {
	t.Helper()
	table, err := Rank(s, []Unit{u})
	if err != nil {
		t.Fatal(err)
	}
	return table.Units[0]
}

func TestValueFunction(t *testing.T) {
	c := curve("50:0 90:60 99:100")
	for _, x := range []struct{ at, want string }{
		{"0", "0"}, {"50", "0"}, {"70", "30"}, {"90", "60"}, {"94.5", "80"}, {"99", "100"}, {"100", "100"},
	} {
		if got := c.At(rat(x.at + "/100")); got.Cmp(rat(x.want)) != 0 {
			t.Errorf("at %s %%: %s points, want %s", x.at, got.RatString(), x.want)
		}
	}
	hump := curve("10:0 50:100 90:0") // a value function need not rise
	for _, x := range []struct {
		lo, hi, low, high string
	}{
		{"30", "30", "50", "50"}, {"30", "80", "25", "100"}, {"", "30", "0", "50"}, {"70", "", "0", "50"}, {"", "", "0", "100"},
	} {
		low, high := hump.over(percentOf(x.lo, x.hi))
		if low.Cmp(rat(x.low)) != 0 || high.Cmp(rat(x.high)) != 0 {
			t.Errorf("over [%s, %s]: %s to %s, want %s to %s", x.lo, x.hi, low.RatString(), high.RatString(), x.low, x.high)
		}
	}
}

// Worked by hand. Lead 94.5 % is 80 points, recovery 30 % is 50 points:
// (3 x 80 + 50) / 4 = 72.5; 72.5 - 10 = 62.5 down 62, 82.5 up 83, and 72.5 is
// a tie that goes to the even 72.
func TestScoreByHand(t *testing.T) {
	got := one(t, scheme(), Unit{ID: "a", Values: map[string]Value{
		"lead": known(percentOf("94.5", "94.5")), "recovery": known(percentOf("30", "30"))}})
	if got.Low != "62" || got.Number != "72" || got.High != "83" {
		t.Errorf("score %s, %s to %s; by hand 72, 62 to 83", got.Number, got.Low, got.High)
	}
	if got.Band != "middle" || got.BandHigh != "upper" {
		t.Errorf("bands %s to %s", got.Band, got.BandHigh)
	}
}

// A treated non-detect gives "at least 90 %": 60 to 100 points, number 80.
// (3 x 60 + 50)/4 = 57.5, (3 x 100 + 50)/4 = 87.5; widened 47.5 and 97.5. A
// bound has no middle of its own.
func TestScoreOfABound(t *testing.T) {
	got := one(t, scheme(), Unit{ID: "a", Values: map[string]Value{
		"lead": known(percentOf("90", "")), "recovery": known(percentOf("30", "30"))}})
	if got.Low != "47" || got.Number != "72" || got.High != "98" {
		t.Errorf("score %s, %s to %s; by hand 72, 47 to 98", got.Number, got.Low, got.High)
	}
	if p := got.Measures[0]; p.Low != "60.0" || p.Number != "" || p.High != "100.0" {
		t.Errorf("points %+v", p)
	}
}

// The text of a measure goes on, not its exact value: 1/3 and 1/3 of a point.
func TestDigitsGoOnAsText(t *testing.T) {
	s := scheme()
	s.Measures = s.Measures[:1]
	s.Measures[0].Curve = Curve{Dim: quantity.Ratio, Corners: []Corner{{rat("0"), rat("0")}, {rat("3"), rat("100")}}}
	s.Measures[0].Digits, s.Digits = 1, 3
	got := one(t, s, Unit{ID: "a", Values: map[string]Value{"lead": known(percentOf("100", "100"))}})
	if p := got.Measures[0]; p.Low != "33.3" || p.Number != "33.3" || p.High != "33.4" {
		t.Errorf("points %+v, want 33.3, 33.3, 33.4", p)
	}
	if got.Low != "23.300" || got.Number != "33.300" || got.High != "43.400" {
		t.Errorf("score %s %s %s", got.Low, got.Number, got.High)
	}
}

func TestMissingAndUndecided(t *testing.T) {
	full := Unit{ID: "a", Values: map[string]Value{"lead": known(percentOf("99", "99")), "recovery": known(percentOf("30", "30"))}}
	t.Run("left out for all", func(t *testing.T) {
		half := Unit{ID: "b", Values: map[string]Value{"lead": known(percentOf("70", "70"))}} // recovery is missing
		table, err := Rank(scheme(), []Unit{full, half})
		if err != nil {
			t.Fatal(err)
		}
		want := []Left{{Measure: "recovery", Why: Missing, Units: []string{"b"}}}
		if !reflect.DeepEqual(table.LeftOut, want) {
			t.Errorf("left out %+v", table.LeftOut)
		}
		for _, u := range table.Units {
			if len(u.Measures) != 1 {
				t.Errorf("unit %s is still scored by %+v", u.ID, u.Measures)
			}
		}
		if table.Units[0].Number != "100" || table.Units[1].Number != "30" {
			t.Errorf("numbers %s and %s, want 100 and 30 by lead alone", table.Units[0].Number, table.Units[1].Number)
		}
	})
	t.Run("worst", func(t *testing.T) {
		u := full
		u.Values = map[string]Value{"lead": full.Values["lead"], "recovery": {State: Undecided, Code: "feed_moved"}}
		got := one(t, scheme(), u)
		if got.Number != "75" || got.Measures[1].Number != "0.0" || got.Measures[1].Code != "feed_moved" {
			t.Errorf("number %s, points %+v; (3 x 100 + 0)/4 = 75", got.Number, got.Measures[1])
		}
	})
	t.Run("range", func(t *testing.T) {
		u := full
		u.Values = map[string]Value{"lead": {State: Undecided, Code: "feed_moved"}, "recovery": known(percentOf("30", "30"))}
		got := one(t, scheme(), u)
		// 0..100 for lead: (0 + 50)/4 = 12.5 to (300 + 50)/4 = 87.5, widened by 10.
		// Nothing is known of lead, so the middle says nothing either.
		if got.Low != "2" || got.Number != "" || got.High != "98" || got.BeforeNumber != "" || got.Measures[0].Number != "" {
			t.Errorf("score %q, %s to %s, before %q; by hand no number, 2 to 98", got.Number, got.Low, got.High, got.BeforeNumber)
		}
	})
	t.Run("analyte does not count", func(t *testing.T) {
		s := scheme()
		s.Measures[0].NotCounted = "lead"
		table, err := Rank(s, []Unit{full})
		if err != nil || len(table.LeftOut) != 1 || table.LeftOut[0].Why != NotCounted || table.Units[0].Number != "50" {
			t.Errorf("%+v, %v", table, err)
		}
	})
	t.Run("nothing left", func(t *testing.T) {
		s := scheme()
		s.Measures = s.Measures[1:]
		if _, err := Rank(s, []Unit{{ID: "a"}}); err == nil || !strings.Contains(err.Error(), "no measure is left") {
			t.Errorf("error %v", err)
		}
	})
}

func TestCaps(t *testing.T) {
	u := Unit{ID: "a", Values: map[string]Value{"lead": known(percentOf("99", "99")), "recovery": known(percentOf("50", "50"))}}
	for _, c := range []struct{ state, low, number, high, band string }{
		{AppliesNot, "90", "100", "100", "upper"},
		{Open, "50", "100", "100", "middle"},  // it may apply: the low end reaches its points, nothing else does
		{Applies, "50", "50", "50", "middle"}, // 100 - 10 = 90, and a cap comes after the spread: each end at most 50
	} {
		u.Caps = map[string]string{"higher": c.state}
		got := one(t, scheme(), u)
		if got.Low != c.low || got.Number != c.number || got.High != c.high || got.Band != c.band {
			t.Errorf("cap %s: %s, %s to %s, %s", c.state, got.Number, got.Low, got.High, got.Band)
		}
		if (len(got.OpenCaps) == 1) != (c.state == Open) || (len(got.Capped) == 1) != (c.state == Applies) {
			t.Errorf("cap %s: listed %v, open %v", c.state, got.Capped, got.OpenCaps)
		}
	}
}

// Best: one more than the units certainly above; worst: all less those
// certainly below. "70-90:1-2" is an interval and its possible ranks.
func TestPossibleRanks(t *testing.T) {
	for _, c := range []string{
		"70-90:1-1 40-60:2-2",
		"70-90:1-2 60-75:1-2",
		"70-90:1-2 60-70:1-2",                     // ends that touch leave either order possible
		"70-90:1-2 71-72:1-2 40-69:3-3",           //
		"80-90:1-2 70-80:1-3 60-70:2-3",           // a chain joins nobody
		"71-94:1-2 61-70:2-3 42-96:1-3",           // one wide interval does not make the others equal
		"80-90:1-2 10-79:3-4 20-30:3-4 81-82:1-2", //
		"50-50:1-3 50-50:1-3 50-50:1-3",
	} {
		var units []Scored
		want := map[string]string{}
		for i, w := range strings.Fields(c) {
			span, ranks, _ := strings.Cut(w, ":")
			lo, hi, _ := strings.Cut(span, "-")
			id := string(rune('a' + i))
			units = append([]Scored{{ID: id, Low: lo, High: hi}}, units...)
			want[id] = ranks
		}
		rank(units)
		same := map[string]int{}
		for _, r := range want {
			same[r]++
		}
		for i, u := range units {
			got := fmt.Sprintf("%d-%d", u.Rank, u.RankWorst)
			if got != want[u.ID] || u.Sharing != same[got] {
				t.Errorf("%q: %s has possible ranks %s like %d, want %s like %d", c, u.ID, got, u.Sharing, want[u.ID], same[want[u.ID]])
			}
			if i > 0 && (units[i-1].Rank > u.Rank || units[i-1].Rank == u.Rank && units[i-1].RankWorst > u.RankWorst) {
				t.Errorf("%q: %s stands before %s", c, units[i-1].ID, u.ID)
			}
		}
	}
}

// A cap comes after the spread: 83.3 and +-8.95 with a cap of 70 leave 70
// alone, since everything that the evidence leaves possible lies above it.
func TestCapAfterSpread(t *testing.T) {
	s := scheme()
	s.Measures = s.Measures[:1]
	s.Measures[0].Curve = curve("0:0 100:100")
	s.Spread, s.Caps[0].AtMost = []Part{{"both", rat("4.475")}}, rat("70")
	u := Unit{ID: "a", Values: map[string]Value{"lead": known(percentOf("83.3", "83.3"))}, Caps: map[string]string{"higher": Applies}}
	if got := one(t, s, u); got.Low != "70" || got.Number != "70" || got.High != "70" {
		t.Errorf("%s, %s to %s; by hand 70, 70 to 70", got.Number, got.Low, got.High)
	}
}

func TestSchemeIsRefused(t *testing.T) {
	u := Unit{ID: "a", Values: map[string]Value{"lead": known(percentOf("99", "99"))}}
	for _, c := range []struct {
		says string
		do   func(*Scheme, *[]Unit)
	}{
		{"no measure", func(s *Scheme, _ *[]Unit) { s.Measures = nil }},
		{"at least two corners", func(s *Scheme, _ *[]Unit) { s.Measures[0].Curve.Corners = s.Measures[0].Curve.Corners[:1] }},
		{"no points from 0 to 100", func(s *Scheme, _ *[]Unit) { s.Measures[0].Curve.Corners[0].Points = rat("-1") }},
		{"no points from 0 to 100", func(s *Scheme, _ *[]Unit) { s.Measures[0].Curve.Corners[2].Points = rat("100.1") }},
		{"does not lie above the one before", func(s *Scheme, _ *[]Unit) { s.Measures[0].Curve.Corners[1].At = rat("1/2") }},
		{"weight must lie above zero", func(s *Scheme, _ *[]Unit) { s.Measures[0].Weight = rat("0") }},
		{"not leave_out, worst or range", func(s *Scheme, _ *[]Unit) { s.Measures[0].Missing = "" }},
		{"from 0 to 12 digits", func(s *Scheme, _ *[]Unit) { s.Measures[0].Digits = 13 }},
		{"stands twice", func(s *Scheme, _ *[]Unit) { s.Measures[1].ID = "lead" }},
		{"no limit from 0 to 100", func(s *Scheme, _ *[]Unit) { s.Caps[0].AtMost = rat("101") }},
		{"never zero", func(s *Scheme, _ *[]Unit) { s.Spread = nil }},
		{"not above zero", func(s *Scheme, _ *[]Unit) { s.Spread[1].Standard = rat("0") }},
		{"no band", func(s *Scheme, _ *[]Unit) { s.Bands = nil }},
		{"from 0 to 3 digits", func(s *Scheme, _ *[]Unit) { s.Digits = 4 }},
		{"stands twice among", func(_ *Scheme, us *[]Unit) { *us = append(*us, u) }},
		{"value function is over a ratio", func(_ *Scheme, us *[]Unit) {
			(*us)[0].Values = map[string]Value{"lead": known(quantity.Interval{Dim: quantity.Volume, Lo: rat("1"), Hi: rat("1")})}
		}},
		{"holds no value", func(_ *Scheme, us *[]Unit) {
			(*us)[0].Values = map[string]Value{"lead": known(percentOf("9", "8"))}
		}},
	} {
		s, units := scheme(), []Unit{u}
		c.do(&s, &units)
		if _, err := Rank(s, units); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("want an error with %q, got %v", c.says, err)
		}
	}
}
