package rules

import (
	"encoding/json"
	"fmt"
	"math/big"
	"strings"
	"sync"
	"testing"
	"time"

	"tapledger/rules/quantity"
)

func mustCompile(t testing.TB, e *Env, src string, want Type) *Expr {
	t.Helper()
	x, faults := e.Compile(src, want)
	if len(faults) > 0 {
		t.Fatalf("%s: %v", src, faults)
	}
	return x
}

// TestKleene checks the whole truth table of and, or, not over the five states.
// Where both sides are open, a fault counts most and waiting more than what
// cannot be told: it may still be told.
func TestKleene(t *testing.T) {
	e := corpusEnv(t)
	side := map[State]string{
		Met: `true`, Unmet: `false`, Undecided: `%s.answer == yes`, Awaiting: `%s.reason == "x" || false`, Faulty: `1 / 0 > 1`,
	}
	states := []State{Met, Unmet, Undecided, Awaiting, Faulty}
	l := lookupFrom(t, e, `inspect.answer=@not_recorded; other.answer=@not_recorded`)
	strength := map[State]int{Faulty: 3, Awaiting: 2, Undecided: 1}
	and := func(a, b State) State {
		switch {
		case a == Unmet || b == Unmet:
			return Unmet
		case strength[a] >= strength[b] && strength[a] > 0:
			return a
		case strength[b] > 0:
			return b
		}
		return Met
	}
	not := func(a State) State {
		switch a {
		case Met:
			return Unmet
		case Unmet:
			return Met
		}
		return a
	}
	text := func(s State) string {
		if strings.Contains(side[s], "%s") {
			return "(" + fmt.Sprintf(side[s], "inspect") + ")"
		}
		return "(" + side[s] + ")"
	}
	for _, a := range states {
		if got := mustCompile(t, e, "!"+text(a), Bool).Judge(l).State; got != not(a) {
			t.Errorf("not %s is %s, wanted %s", a, got, not(a))
		}
		for _, b := range states {
			if got := mustCompile(t, e, text(a)+" && "+text(b), Bool).Judge(l).State; got != and(a, b) {
				t.Errorf("%s and %s is %s, wanted %s", a, b, got, and(a, b))
			}
			want := not(and(not(a), not(b))) // De Morgan
			if got := mustCompile(t, e, text(a)+" || "+text(b), Bool).Judge(l).State; got != want {
				t.Errorf("%s or %s is %s, wanted %s", a, b, got, want)
			}
		}
	}
}

// TestCodeRank: where several codes apply, the most basic one is the decision's,
// whichever side it stands on.
func TestCodeRank(t *testing.T) {
	e := corpusEnv(t)
	l := lookupFrom(t, e, `inspect.answer=@not_recorded; other.answer=@not_applicable; analyte("lead").treated=<5 ug/L; analyte("lead").untreated=2 ug/L; analyte("nickel").treated=@feed_moved; analyte("lead").margin=[1, 3] %; analyte("nickel").untreated=1 mg/L`)
	parts := []struct {
		src  string
		code Code
	}{
		{`inspect.answer == yes`, CodeNotRecorded},
		{`other.answer == yes`, CodeNotApplicable},
		{`analyte("nickel").treated < qty("1 mg/L")`, CodeFeedMoved},
		{`analyte("nickel").untreated < qty("1 NTU")`, CodeEvidence},
		{`analyte("lead").treated < analyte("lead").untreated`, CodeUnequalLimits},
		{`analyte("lead").treated < qty("2 ug/L")`, CodeReportingLimit},
		{`analyte("lead").margin < qty("2 %")`, CodeStraddles},
	}
	for i, a := range parts {
		for j, b := range parts {
			want := parts[min(i, j)].code
			if d := mustCompile(t, e, a.src+" && "+b.src, Bool).Judge(l); d.State != Undecided || d.Code != want {
				t.Errorf("%s and %s: %v, wanted %s", a.code, b.code, d, want)
			}
		}
	}
}

func TestAwaitsSorted(t *testing.T) {
	e := corpusEnv(t)
	x := mustCompile(t, e, `reading.volume / reading.time > reading.flow && series.count > 1 && analyte("nickel").treated < analyte("lead").treated && inspect.answer == yes`, Bool)
	want := []string{`analyte("lead").treated`, `analyte("nickel").treated`, "inspect.answer", "reading.flow", "reading.time", "reading.volume", "series.count"}
	if got := strings.Join(x.Refs(), " "); got != strings.Join(want, " ") {
		t.Errorf("refs %s", got)
	}
	if d := x.Judge(nil); d.State != Awaiting || strings.Join(d.Awaits, " ") != strings.Join(want, " ") {
		t.Errorf("awaits %v", d)
	}
	// Refs are static: also what a short cut leaves out, and a copy each time.
	x = mustCompile(t, e, `inspect.answer == yes || other.answer == yes || series.values.all(v, v < reading.conductivity)`, Bool)
	x.Refs()[0] = "changed"
	if got := strings.Join(x.Refs(), " "); got != "inspect.answer other.answer reading.conductivity series.values" {
		t.Errorf("refs %s", got)
	}
	if got := mustCompile(t, e, `1 < 2`, Bool).Refs(); len(got) != 0 {
		t.Errorf("refs %v", got)
	}
}

// TestWrongValues: a value of another type than the field's is faulty, never a
// panic and never a decision.
func TestWrongValues(t *testing.T) {
	e := corpusEnv(t)
	values := []any{nil, true, "yes", "maybe", 3, 2.5, (*big.Rat)(nil), big.NewRat(1, 2), time.Now, time.Time{}, quantity.Quantity{}, quantity.Result{},
		quantity.Interval{}, quantity.Interval{Dim: quantity.Ratio, Lo: big.NewRat(2, 1), Hi: big.NewRat(1, 1)}, []any{}, []any{1}, []any{nil}, []any{big.NewRat(1, 1), "x"}, mustQuantity(t, "1 min"), mustQuantity(t, "1 L"), struct{}{}}
	right := map[string]int{`inspect.dry`: 1, `inspect.answer == yes`: 1, `series.count > 1`: 1, `flush.began > flush.ended`: 1,
		`reading.volume > qty("1 L")`: 1, `reading.time > qty("1 s")`: 1, `analyte("lead").treated > qty("1 L")`: 2, `analyte("lead").margin > qty("1 %")`: 0, `count(series.values) > 1`: 1, `inspect.reason == "x"`: 2}
	for src, want := range right {
		x := mustCompile(t, e, src, Bool)
		taken := 0
		for _, v := range values {
			d := x.Judge(func(string) (any, Presence) { return v, Recorded })
			if d.State != Faulty {
				taken++
			} else if d.Code != CodeInternal {
				t.Errorf("%s with %v: %v", src, v, d)
			}
		}
		if taken != want {
			t.Errorf("%s: %d of the values were taken, wanted %d", src, taken, want)
		}
	}
	// A lookup that panics is a fault of the program, not of the run.
	x := mustCompile(t, e, `series.count > 1`, Bool)
	if d := x.Judge(func(string) (any, Presence) { panic("no") }); d.State != Faulty || d.Code != CodeInternal {
		t.Errorf("panic: %v", d)
	}
}

func mustQuantity(t testing.TB, s string) quantity.Quantity {
	t.Helper()
	q, err := quantity.Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return q
}

// TestStepLimit: loops end after exactly the same number of steps, with and
// without an explanation.
func TestStepLimit(t *testing.T) {
	e := corpusEnv(t)
	list := func(n int) Lookup {
		items := make([]any, n)
		for i := range items {
			items[i] = big.NewRat(int64(i), 1)
		}
		return func(string) (any, Presence) { return items, Recorded }
	}
	one := mustCompile(t, e, `series.numbers.all(v, v >= 0)`, Bool)
	if d := one.Judge(list(mostSteps - 1)); d.State != Met {
		t.Errorf("%d steps: %v", mostSteps-1, d)
	}
	if d := one.Judge(list(mostSteps)); d.State != Faulty || d.Code != CodeStepLimit {
		t.Errorf("%d steps: %v", mostSteps, d)
	}
	two := mustCompile(t, e, `series.numbers.all(v, series.numbers.all(w, v + w >= 0))`, Bool)
	if d := two.Judge(list(200)); d.State != Met {
		t.Errorf("200 x 200: %v", d)
	}
	l := list(2000) // four million steps, were they taken
	for range 3 {
		if d := two.Judge(l); d.State != Faulty || d.Code != CodeStepLimit {
			t.Errorf("2000 x 2000: %v", d)
		}
	}
	if _, d := mustCompile(t, e, `series.numbers.map(v, max(series.numbers.map(w, v * w)))`, Type{}).Value(l); d.Code != CodeStepLimit {
		t.Errorf("map of map: %v", d)
	}
}

// TestSameEveryTime: the same decision, explanation and awaits, also from many
// goroutines and from expressions compiled anew.
func TestSameEveryTime(t *testing.T) {
	src := `(analyte("lead").treated < qty("0.01 mg/L") && reading.volume / reading.time > reading.flow) || series.values.exists(v, v > reading.conductivity) && inspect.answer == yes`
	inputs := `analyte("lead").treated=<0.05 mg/L; series.values=12 uS/cm | 14 uS/cm; inspect.answer=@not_applicable`
	outcome := func(x *Expr, l Lookup) string {
		ex := x.Explain(l)
		b, err := json.Marshal(ex)
		if err != nil {
			t.Error(err)
		}
		return fmt.Sprint(x.Judge(l), x.Refs(), ex.Text(), ex.FullText(), string(b))
	}
	e := corpusEnv(t)
	x, l := mustCompile(t, e, src, Bool), lookupFrom(t, e, inputs)
	first := outcome(x, l)
	for range 100 {
		if again := outcome(x, l); again != first {
			t.Fatalf("another time:\n%s\n%s", first, again)
		}
	}
	for range 20 {
		if again := outcome(mustCompile(t, corpusEnv(t), src, Bool), l); again != first {
			t.Fatalf("compiled anew:\n%s\n%s", first, again)
		}
	}
	var wg sync.WaitGroup
	fresh := mustCompile(t, e, src, Bool)
	for range 8 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			if again := outcome(fresh, l); again != first {
				t.Error("another goroutine")
			}
		}()
	}
	wg.Wait()
}

func TestExplainText(t *testing.T) {
	e := corpusEnv(t)
	for _, c := range []struct{ src, inputs, want string }{
		{`reading.pressure <= qty("80 psi") && inspect.answer == yes`, `reading.pressure=61 psi; inspect.answer=no`, `Unmet.
  unmet: reading.pressure <= qty("80 psi") && inspect.answer == yes
    unmet: inspect.answer == yes
      inspect.answer is no
`},
		{`change(series.last, series.previous) <= qty("5 %")`, `series.last=102 uS/cm; series.previous=100.0 uS/cm`, `Met.
  met: change(series.last, series.previous) <= qty("5 %")
    change(series.last, series.previous) = 2 %
      series.last is 102 uS/cm
      series.previous is 100.0 uS/cm
`},
		{`series.values.all(v, v < qty("13 uS/cm"))`, `series.values=12 uS/cm | 14 uS/cm`, `Unmet.
  unmet: series.values.all(v, v < qty("13 uS/cm"))
    series.values is [12 uS/cm, 14 uS/cm]
    v = 14 uS/cm: false
`},
		{`analyte("lead").treated < qty("0.1 ug/L") && inspect.answer == yes`, `analyte("lead").treated=<0.5 ug/L; inspect.answer=yes`, `Undecided, because the limit of a non-detect does not tell (<0.5 ug/L against 0.1 ug/L).
  undecided: analyte("lead").treated < qty("0.1 ug/L") && inspect.answer == yes
    undecided: analyte("lead").treated < qty("0.1 ug/L")
      because the limit of a non-detect does not tell: <0.5 ug/L against 0.1 ug/L
      analyte("lead").treated is <0.5 ug/L
`},
		{`inspect.answer != yes || reading.ph > qty("7 pH")`, `inspect.answer=yes`, `Awaiting reading.ph.
  awaiting: inspect.answer != yes || reading.ph > qty("7 pH")
    awaiting: reading.ph > qty("7 pH")
      reading.ph is still open
`},
		{`reading.volume / reading.time > qty("1 L/min")`, `reading.volume=2 L; reading.time=0 s`, `Faulty, because something is divided by zero (2 L divided by 0 s).
  faulty: reading.volume / reading.time > qty("1 L/min")
    faulty: reading.volume / reading.time
      because something is divided by zero: 2 L divided by 0 s
      reading.volume is 2 L
      reading.time is 0 s
`},
		{`reading.volume / reading.time`, `reading.volume=500 mL; reading.time=16 s`, `The value is 1.875 L/min.
  reading.volume / reading.time = 1.875 L/min
    reading.volume is 500 mL
    reading.time is 16 s
`},
		{`inspect.answer == yes ? reading.ph > qty("7 pH") : reading.ph > qty("6 pH")`, `inspect.answer=no; reading.ph=6.5 pH`, `Met.
  met: (inspect.answer == yes) ? (reading.ph > qty("7 pH")) : (reading.ph > qty("6 pH"))
    unmet: inspect.answer == yes
      inspect.answer is no
    met: reading.ph > qty("6 pH")
      reading.ph is 6.5 pH
`},
		{`recorded(inspect.reason)`, `inspect.reason=@not_recorded`, `Unmet.
  unmet: recorded(inspect.reason)
    inspect.reason is not recorded
`},
	} {
		if got := mustCompile(t, e, c.src, Type{}).Explain(lookupFrom(t, e, c.inputs)).Text(); got != c.want {
			t.Errorf("%s:\n%s\nwanted\n%s", c.src, got, c.want)
		}
	}
}

// TestExplainJSON: the tree is complete, with places and what it rests on.
func TestExplainJSON(t *testing.T) {
	e := corpusEnv(t)
	ex := mustCompile(t, e, "inspect.answer == yes ||\n  series.count >= 2.50", Bool).Explain(lookupFrom(t, e, "inspect.answer=yes; series.count=@not_recorded"))
	b, err := json.Marshal(ex)
	if err != nil {
		t.Fatal(err)
	}
	var back Explanation
	if err := json.Unmarshal(b, &back); err != nil || back.Tree == nil {
		t.Fatalf("%v: %s", err, b)
	}
	if got := fmt.Sprint(back.Inputs); got != "[{inspect.answer yes} {series.count not recorded}]" {
		t.Errorf("inputs %s", got)
	}
	second := back.Tree.Parts[1]
	if second.Line != 2 || second.Text != "series.count >= 2.5" || second.Decisive || second.Value != notLookedAt || !back.Tree.Parts[0].Decisive {
		t.Errorf("second part: %+v", second)
	}
}

func TestTypes(t *testing.T) {
	if ListOf(ListOf(Number)) != ListOf(Number) || ListOf(Number).Item() != Number || QuantityOf(quantity.Volume) == QuantityOf(quantity.Time) || QuantityOf(quantity.Ratio) == IntervalOf(quantity.Ratio) {
		t.Error("types do not compare")
	}
	if (Type{}) == Bool || !IntervalOf(quantity.Ratio).IsInterval() || !ListOf(Bool).IsList() || QuantityOf(quantity.Mass).Dim() != quantity.Mass {
		t.Error("types")
	}
	for typ, want := range map[Type]string{Bool: "statement that is true or false", ListOf(Answer): "list (each an answer)", IntervalOf(quantity.Ratio): "interval of a ratio", QuantityOf(quantity.MassConc): "concentration", {}: "value"} {
		if typ.String() != want {
			t.Errorf("%s, wanted %s", typ, want)
		}
	}
	for _, c := range rank {
		if c.Says() == string(c) {
			t.Errorf("%s has no words", c)
		}
	}
}
