package score

import (
	"fmt"
	"math/big"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"tapledger/rules/quantity"
)

// drawScheme draws a scheme of rising value functions.
func drawScheme(t *rapid.T) Scheme {
	s := Scheme{
		Bands:  []Band{{"low", rat("0")}, {"high", rat("50")}},
		Spread: []Part{{"unit_to_unit", big.NewRat(int64(rapid.IntRange(1, 80).Draw(t, "spread")), 10)}},
		Digits: rapid.IntRange(0, 2).Draw(t, "digits"),
		Caps:   []Cap{{"cap", big.NewRat(int64(rapid.IntRange(0, 100).Draw(t, "cap")), 1)}},
	}
	for i := range rapid.IntRange(1, 5).Draw(t, "measures") {
		m := Measure{ID: fmt.Sprintf("m%d", i), Curve: Curve{Dim: quantity.Ratio}, Digits: rapid.IntRange(0, 2).Draw(t, "md"),
			Weight: big.NewRat(int64(rapid.IntRange(1, 20).Draw(t, "weight")), 4)}
		m.Missing = rapid.SampledFrom([]string{LeaveOut, Worst, Range}).Draw(t, "missing")
		m.Undecided = rapid.SampledFrom([]string{LeaveOut, Worst, Range}).Draw(t, "undecided")
		at, points := int64(0), int64(0)
		for range rapid.IntRange(2, 4).Draw(t, "corners") {
			at += int64(rapid.IntRange(1, 40).Draw(t, "step"))
			points = min(100, points+int64(rapid.IntRange(0, 60).Draw(t, "up")))
			m.Curve.Corners = append(m.Curve.Corners, Corner{big.NewRat(at, 100), big.NewRat(points, 1)})
		}
		s.Measures = append(s.Measures, m)
	}
	return s
}

func drawUnit(t *rapid.T, s Scheme, id string) Unit {
	u := Unit{ID: id, Values: map[string]Value{}, Caps: map[string]string{}}
	for _, m := range s.Measures {
		lo := rapid.IntRange(0, 100).Draw(t, "lo")
		v := Value{State: rapid.SampledFrom([]string{Known, Known, Known, Missing, Undecided}).Draw(t, "state"),
			Interval: quantity.Interval{Dim: quantity.Ratio, Lo: big.NewRat(int64(lo), 100), Hi: big.NewRat(int64(lo+rapid.IntRange(0, 30).Draw(t, "wide")), 100)}}
		u.Values[m.ID] = v
	}
	u.Caps["cap"] = rapid.SampledFrom([]string{Applies, AppliesNot, Open}).Draw(t, "applies")
	return u
}

func scoreOf(s Scheme, u Unit) (Scored, bool) {
	table, err := Rank(s, []Unit{u})
	if err != nil {
		return Scored{}, false // no measure left
	}
	return table.Units[0], true
}

func ordered(t *rapid.T, what string, a, b Scored) {
	if (a.Number == "") != (b.Number == "") {
		t.Fatalf("%s: the number %q became %q", what, a.Number, b.Number)
	}
	for _, e := range [][2]string{{a.Low, b.Low}, {a.Number, b.Number}, {a.High, b.High}} {
		if e[0] != "" && read(e[0]).Cmp(read(e[1])) > 0 {
			t.Fatalf("%s: %s, %s, %s became %s, %s, %s", what, a.Low, a.Number, a.High, b.Low, b.Number, b.High)
		}
	}
}

func TestScoreProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScheme(t)
		u := drawUnit(t, s, "a")
		got, ok := scoreOf(s, u)
		if !ok {
			return
		}
		low, high := read(got.Low), read(got.High)
		number := low
		if got.Number != "" {
			number = read(got.Number)
		}
		if low.Sign() < 0 || high.Cmp(hundred) > 0 || low.Cmp(number) > 0 || number.Cmp(high) > 0 {
			t.Fatalf("%s, %s, %s is no number within its interval within 0 to 100", got.Low, got.Number, got.High)
		}
		// Nothing but a cap that applies takes the width away.
		if low.Cmp(high) == 0 && len(got.Capped) == 0 && low.Sign() > 0 && low.Cmp(hundred) < 0 {
			t.Fatalf("the interval of %s has no width: the spread is never zero", got.Number)
		}

		// Monotone in each measure, where its value function rises.
		better := Unit{ID: "a", Values: map[string]Value{}, Caps: u.Caps}
		moved := rapid.SampledFrom(s.Measures).Draw(t, "moved").ID
		for id, v := range u.Values {
			if id == moved && v.State == Known {
				up := big.NewRat(int64(rapid.IntRange(0, 50).Draw(t, "more")), 100)
				v.Interval.Lo, v.Interval.Hi = new(big.Rat).Add(v.Interval.Lo, up), new(big.Rat).Add(v.Interval.Hi, up)
			}
			better.Values[id] = v
		}
		more, _ := scoreOf(s, better)
		ordered(t, "a better value of "+moved, got, more)

		// A cap never raises, neither by being added nor by applying.
		free := u
		free.Caps = nil
		without, _ := scoreOf(s, free)
		ordered(t, "taking the cap away", got, without)
		if u.Caps["cap"] == Open && (read(got.Low).Cmp(read(quantity.Decimal(s.Caps[0].AtMost, s.Digits, quantity.Down))) > 0 || got.High != without.High || got.Number != without.Number) {
			t.Fatalf("an open cap of %s: %s, %s, %s; without it %s, %s, %s", s.Caps[0].AtMost, got.Low, got.Number, got.High, without.Low, without.Number, without.High)
		}

		// Only the proportions of the weights count.
		scaled := s
		scaled.Measures = append([]Measure(nil), s.Measures...)
		by := big.NewRat(int64(rapid.IntRange(1, 30).Draw(t, "scale")), 7)
		for i := range scaled.Measures {
			scaled.Measures[i].Weight = new(big.Rat).Mul(scaled.Measures[i].Weight, by)
		}
		if again, _ := scoreOf(scaled, u); !reflect.DeepEqual(strip(again), strip(got)) {
			t.Fatalf("weights scaled by %s: %+v became %+v", by, got, again)
		}
	})
}

// strip takes the exact numbers out, which big.Rat may hold in several ways.
func strip(s Scored) Scored {
	s.Measures = append([]Points(nil), s.Measures...)
	for i := range s.Measures {
		s.Measures[i].low, s.Measures[i].number, s.Measures[i].high = nil, nil, nil
	}
	return s
}

func TestOrderOfUnitsDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScheme(t)
		var units []Unit
		for i := range rapid.IntRange(1, 6).Draw(t, "units") {
			units = append(units, drawUnit(t, s, fmt.Sprintf("u%d", i)))
		}
		a, errA := Rank(s, units)
		b, errB := Rank(s, rapid.Permutation(units).Draw(t, "order"))
		if (errA == nil) != (errB == nil) {
			t.Fatalf("%v and %v", errA, errB)
		}
		if errA != nil {
			return
		}
		for _, x := range []*Table{a, b} {
			for i := range x.Units {
				x.Units[i] = strip(x.Units[i])
			}
		}
		if !reflect.DeepEqual(a, b) {
			t.Fatalf("another order of units gives another table:\n%+v\n%+v", a, b)
		}
		for _, x := range a.Units {
			for _, y := range a.Units {
				above := read(x.Low).Cmp(read(y.High)) > 0
				if above && x.Rank >= y.Rank || above && x.RankWorst >= y.RankWorst {
					t.Fatalf("%s lies wholly above %s: possible ranks %d to %d and %d to %d", x.ID, y.ID, x.Rank, x.RankWorst, y.Rank, y.RankWorst)
				}
				if x.Rank > x.RankWorst || x.RankWorst < y.Rank && !above {
					t.Fatalf("%s can rank %d to %d, %s %d to %d, and neither lies wholly above", x.ID, x.Rank, x.RankWorst, y.ID, y.Rank, y.RankWorst)
				}
			}
		}
	})
}
