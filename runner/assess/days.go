package assess

import (
	"fmt"
	"math/big"

	"tapledger/rules/quantity"
	"tapledger/rules/water"
)

// spanned is the interval from the lower of two lower ends to the higher of two
// upper ones; an empty interval takes the other.
func spanned(a, b quantity.Interval) quantity.Interval {
	if a.Lo == nil && a.Hi == nil {
		return b
	}
	if a.Lo != nil && (b.Lo == nil || b.Lo.Cmp(a.Lo) < 0) {
		a.Lo, a.LoOpen = b.Lo, b.LoOpen
	}
	if a.Hi != nil && (b.Hi == nil || b.Hi.Cmp(a.Hi) > 0) {
		a.Hi, a.HiOpen = b.Hi, b.HiOpen
	}
	return a
}

// apart tells whether two values with their expanded uncertainties differ by
// more than those: |a - b| > sqrt(U_a^2 + U_b^2), held squared, so exactly.
func apart(a, ua, b, ub *big.Rat) bool {
	d := new(big.Rat).Sub(a, b)
	u := new(big.Rat).Add(new(big.Rat).Mul(ua, ua), new(big.Rat).Mul(ub, ub))
	return d.Mul(d, d).Cmp(u) > 0
}

// bothDays joins a reduction with that of the second day's own pair: the
// interval spans both, the point is their mean. more is nil where there is no
// second day to join.
func (l *look) bothDays(f *Finding, p *pair, r water.ReductionBounds, code string) (water.ReductionBounds, string, []string, error) {
	u, t := p.secondUntreated, p.second
	if !u.ok || !t.ok || !l.otherDay() || comparable(u, t) != nil {
		return r, code, nil, nil
	}
	again, err := water.ReductionWithin(u.m, t.m, l.assumed)
	if err != nil {
		return r, code, nil, err
	}
	other := *p
	other.untreated, other.treated = u, t
	second := l.reductionCode(again, &other)
	if StateOf(second) != Known {
		return r, code, nil, nil
	}
	f.Inputs = append(append(f.Inputs, u.inputs...), t.inputs...)
	f.Marks = l.marked(append(append(f.Marks, u.marks...), t.marks...), l.draws.second.step, l.draws.secondUntreated.step)
	first := dayText(r)
	joined := r
	joined.Interval = spanned(r.Interval, again.Interval)
	joined.Point = nil
	if r.Point != nil && again.Point != nil {
		joined.Point = meanOf([]*big.Rat{r.Point, again.Point})
	}
	if second != code {
		code = "reduction_two_days"
		if joined.Interval.Lo == nil || joined.Interval.Lo.Sign() < 0 {
			code = "reduction_days_disagree"
		}
	}
	return joined, code, []string{"days", daysText(first, dayText(again)), "first_day", first, "second_day", dayText(again)}, nil
}

// daysText says what two days give.
func daysText(first, second string) string {
	if first == second {
		return "each of them alike"
	}
	return first + " and " + second
}

// dayText is one day's reduction as an argument; a negative one is never
// printed.
func dayText(r water.ReductionBounds) string {
	switch {
	case r.Interval.Hi != nil && r.Interval.Hi.Sign() <= 0:
		return "not reduced"
	case r.Interval.Lo == nil || r.Interval.Lo.Sign() < 0:
		return percent(r.Interval.Hi, quantity.Up) + " % at most"
	case r.Point == nil:
		return "at least " + percent(r.Interval.Lo, quantity.Down) + " %"
	}
	span := Span(percent(r.Interval.Lo, quantity.Down), percent(r.Interval.Hi, quantity.Up))
	return percent(r.Point, quantity.HalfEven) + " % (" + span + " %)"
}

// comparable tells why two results cannot be set against each other, nil if
// they can.
func comparable(a, b got) error {
	if a.m.Result.Quantity.Dim != b.m.Result.Quantity.Dim || a.m.Result.Speciation != b.m.Result.Speciation {
		return fmt.Errorf("%s and %s are expressed differently", a.text, b.text)
	}
	return nil
}

// daysDiffer says where the repeat of another day does not bear out the first:
// the treated samples, or the reductions of the two pairs, lie further apart
// than their uncertainties explain. A non-detect lies below its limit.
func (l *look) daysDiffer(p *pair) {
	if !p.treated.ok || !p.second.ok || !l.otherDay() || comparable(p.treated, p.second) != nil {
		return
	}
	f := l.about(p.id, "report_days_differ", append(append([]Input{}, p.treated.inputs...), p.second.inputs...)...)
	f.Rule, f.Source = FDays, sourceOf(FDays)
	first, second := p.treated.text, p.second.text
	differ := l.farApart(p.treated, p.second)
	u, v := p.untreated, p.secondUntreated
	if !differ && u.ok && v.ok && comparable(u, p.treated) == nil && comparable(v, p.second) == nil && p.fromZero() {
		a, errA := water.ReductionWithin(u.m, p.treated.m, l.assumed)
		b, errB := water.ReductionWithin(v.m, p.second.m, l.assumed)
		if errA == nil && errB == nil && a.Point != nil && b.Point != nil && a.Interval.Lo != nil && b.Interval.Lo != nil {
			half := func(r water.ReductionBounds) *big.Rat { return new(big.Rat).Sub(r.Point, r.Interval.Lo) }
			differ = apart(a.Point, half(a), b.Point, half(b))
			first, second = "reduced by "+dayText(a), "by "+dayText(b)
			f.Inputs = append(append(f.Inputs, u.inputs...), v.inputs...)
		}
	}
	if !differ {
		return
	}
	f.Args = args("name", p.def.Name, "first_day", first, "second_day", second)
	l.add(f)
}

// farApart tells whether two results differ by more than their uncertainties;
// a non-detect differs from what lies above its limit by more than U.
func (l *look) farApart(a, b got) bool {
	ra, rb := a.m.Result, b.m.Result
	if ra.Qualifier == quantity.Above || rb.Qualifier == quantity.Above || ra.Qualifier == quantity.Below && rb.Qualifier == quantity.Below {
		return false
	}
	ua, ub := a.m.Uncertainty(l.assumed).Expanded(), b.m.Uncertainty(l.assumed).Expanded()
	if ra.Qualifier == quantity.Below {
		ra, rb, ua, ub = rb, ra, ub, ua
	}
	if rb.Qualifier == quantity.Below {
		return ra.Quantity.Base.Cmp(rb.Quantity.Base) > 0 && apart(ra.Quantity.Base, ua, rb.Quantity.Base, new(big.Rat))
	}
	return apart(ra.Quantity.Base, ua, rb.Quantity.Base, ub)
}

// flushedOf holds the flushed pair's findings until their place comes.
type flushedOf struct {
	pairs []pair
	rises []Finding
	feed  drift
}

// flushedPairs compares the flushed draw with the untreated water too: a first
// draw stood in tank and faucet, and the untreated water ran.
func (l *look) flushedPairs(all []pair) (*flushedOf, error) {
	d := l.draws.flushed
	if d.sample == nil || d.step == nil || d.step.PairsWith == "" {
		return &flushedOf{}, nil
	}
	out := &flushedOf{feed: l.feedOf(d)}
	for _, p := range all {
		p.untreated = l.result(l.drawOf(d.step.PairsWith), p.id, "untreated")
		p.treated = l.result(d, p.id, "treated, flushed")
		p.second, p.secondUntreated, p.draw = got{}, got{}, "flushed_draw"
		out.pairs = append(out.pairs, p)
	}
	var err error
	out.rises, err = l.rises(out.pairs, out.feed, drift{})
	return out, err
}

// add puts the findings of one analyte where they belong: behind those of the
// first draw.
func (x *flushedOf) add(l *look, i int) error {
	if i >= len(x.pairs) || x.pairs[i].treated.text == "" {
		return nil
	}
	if err := l.reduction(&x.pairs[i], x.feed, drift{}); err != nil {
		return err
	}
	l.add(x.rises[i])
	return nil
}

// drawWord names a treated draw as sentences do, "" where the protocol does not
// say what kind it is.
func drawWord(d drawn) string {
	if d.step == nil || d.step.Draw == "" {
		return ""
	}
	return d.step.Draw + "_draw"
}
