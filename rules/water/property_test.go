package water

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"tapledger/rules/estimate/det"
)

// draws gives numbers with three digits from a fixed seed.
func draws(seed uint64) func() int {
	r := rand.New(rand.NewPCG(seed, 42))
	return func() int { return 1 + r.IntN(999) }
}

// Units never change a finding; more removed is never a smaller reduction.
func TestReductionProperties(t *testing.T) {
	next := draws(1)
	for range 300 {
		u, a := next(), next()
		b := a + next()
		plain, err := Reduction(res(t, fmt.Sprintf("%d ug/L", u)), res(t, fmt.Sprintf("%d ug/L", a)))
		if err != nil {
			t.Fatal(err)
		}
		other, err := Reduction(res(t, fmt.Sprintf("%d.%03d mg/L", u/1000, u%1000)), res(t, fmt.Sprintf("%d000 ng/L", a)))
		if err != nil || other.Code != plain.Code || other.Point.Cmp(plain.Point) != 0 {
			t.Fatalf("%d -> %d: %+v in ug/L, %+v in others, %v", u, a, plain, other, err)
		}
		more, _ := Reduction(res(t, fmt.Sprintf("%d ug/L", u)), res(t, fmt.Sprintf("%d ug/L", b)))
		if more.Point.Cmp(plain.Point) >= 0 {
			t.Fatalf("%d -> %d removes no less than -> %d", u, b, a)
		}
		// A treated value that is hidden below a limit lies within the interval,
		// and a higher limit never narrows it.
		low, _ := Reduction(res(t, fmt.Sprintf("%d ug/L", u)), res(t, fmt.Sprintf("<%d ug/L", a+1)))
		high, _ := Reduction(res(t, fmt.Sprintf("%d ug/L", u)), res(t, fmt.Sprintf("<%d ug/L", b+1)))
		if !low.Interval.Contains(plain.Point) || !high.Interval.Contains(plain.Point) || high.Interval.Lo.Cmp(low.Interval.Lo) >= 0 {
			t.Fatalf("%d -> %d hidden below %d: %s; below %d: %s", u, a, a+1, low.Interval, b+1, high.Interval)
		}
		hidden, _ := Reduction(res(t, fmt.Sprintf("<%d ug/L", u+1)), res(t, fmt.Sprintf("%d ug/L", a)))
		if !hidden.Interval.Contains(plain.Point) {
			t.Fatalf("%d hidden below %d -> %d: %s", u, u+1, a, hidden.Interval)
		}
	}
}

// Less certainty never decides what more certainty left open, and never turns
// one decision into the other.
func TestGuardBandProperties(t *testing.T) {
	next := draws(2)
	limit := q(t, "500 ug/L")
	for range 300 {
		m := meas(t, fmt.Sprintf("%d ug/L", next()), "")
		small := next()
		narrow, wide := q(t, fmt.Sprintf("%d ug/L", small)), q(t, fmt.Sprintf("%d ug/L", small+next()))
		m.Stated = &narrow
		first, err := HealthValue(m, limit, "", DefaultAssumed())
		if err != nil {
			t.Fatal(err)
		}
		m.Stated = &wide
		second, _ := HealthValue(m, limit, "", DefaultAssumed())
		if second.State != Undecided && second.State != first.State {
			t.Fatalf("%s: %s with U %s, %s with U %s", m.Result, first.State, narrow, second.State, wide)
		}
		if second.Margin.Lo.Cmp(first.Margin.Lo) > 0 || second.Margin.Hi.Cmp(first.Margin.Hi) < 0 {
			t.Fatalf("%s: margin %s with U %s, %s with U %s", m.Result, first.Margin, narrow, second.Margin, wide)
		}
	}
}

// A unit that changes nothing: 1,000 simulated runs of 20 analytes, untreated
// and treated drawn around one true value with the uncertainty that the rule
// assumes, reported to four digits and below their limit as non-detects. The
// one-sided 99.9 % lower confidence limit of the share of runs with any rise
// must not exceed the family level of 5 %.
func TestNothingChanges(t *testing.T) {
	const runs, analytes = 1000, 20
	r := rand.New(rand.NewPCG(3, 7))
	normal := func() float64 {
		for {
			if p := r.Float64(); p > 0 {
				return det.NormQuantile(p)
			}
		}
	}
	a := DefaultAssumed()
	any := 0
	for range runs {
		pairs := make([]RisePair, analytes)
		for i := range pairs {
			truth := math.Exp(4*r.Float64() - 1) // 0.4 to 20 with a limit of 1
			u := math.Sqrt(1.0/36 + 0.01*truth*truth)
			report := func() Measured {
				x := truth + u*normal()
				text := "<1 ug/L"
				if x >= 1 {
					text = fmt.Sprintf("%.3f ug/L", x)
				}
				return meas(t, text, "1 ug/L")
			}
			pairs[i] = RisePair{Analyte: fmt.Sprint("a", i), Untreated: report(), Treated: report()}
		}
		rises, looked, err := Rises(pairs, a)
		if err != nil || looked != analytes {
			t.Fatal(looked, err)
		}
		for _, rise := range rises {
			if rise.State == HigherUnconfirmed {
				any++
				break
			}
		}
	}
	p := float64(any) / runs
	lower := p - 3.09*math.Sqrt(p*(1-p)/runs)
	t.Logf("%d of %d runs with a rise that is none", any, runs)
	if lower > 0.05 {
		t.Errorf("%d of %d runs show a rise: more than the family level allows", any, runs)
	}
	if any == 0 {
		t.Error("not one false rise in 1000 runs: the test cannot see any")
	}
}

// Closing a balance with wider inputs never decides more.
func TestMassBalanceProperties(t *testing.T) {
	next := draws(4)
	with := func(n int, u int64) Measured {
		m, stated := meas(t, fmt.Sprint(n)+" mg/L", ""), q(t, fmt.Sprint(u)+" mg/L")
		m.Stated = &stated
		return m
	}
	for range 300 {
		f, p, d := next(), next(), next()
		of := func(u int64) Drained {
			return Drained{Feed: with(f, u), Product: with(p, u), Drain: with(d, u), Efficiency: Efficiency{dec("0.25")}}
		}
		a, err := CloseBalance(of(0), DefaultAssumed())
		if err != nil {
			t.Fatal(err)
		}
		by := int64(next())
		b, err := CloseBalance(of(by), DefaultAssumed())
		if err != nil {
			t.Fatal(err)
		}
		if (b.Code == MoreOut || b.Code == LessOut) && b.Code != a.Code {
			t.Fatalf("%d %d %d: %s, and %s when all are wider by %d", f, p, d, a.Code, b.Code, by)
		}
	}
}
