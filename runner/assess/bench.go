package assess

import (
	"math/big"
	"strings"

	"tapledger/protocol"
	"tapledger/rules/quantity"
	"tapledger/rules/water"
)

// measured lists what is printed as it was read, in this order.
var measured = []string{"flow", "usable_volume", "refill_time", "shut_off_drain", "product_conductivity", "product_free_chlorine"}

// bench makes the findings of the bench's own measurements. A measurement that
// the protocol does not ask for is no finding.
func (l *look) bench() error {
	for _, name := range measured {
		if l.givenBy(name) {
			l.add(l.asRead(name))
		}
	}
	for _, do := range []func() error{l.production, l.recovery, l.conductivityReduction, l.chlorine, l.tank, l.balance} {
		if err := do(); err != nil {
			return err
		}
	}
	return nil
}

// givenBy tells whether the protocol has a step that gives a measurement.
func (l *look) givenBy(gives string) bool {
	for _, s := range l.p.Steps() {
		if _, ok := asked(s, gives); ok {
			return true
		}
	}
	return false
}

// asRead is a measurement as it was read, with the instrument's uncertainty.
func (l *look) asRead(gives string) Finding {
	r := l.gives(gives)
	f := Finding{Subject: gives, Kind: KindBench, Rule: FRead, Source: sourceOf(FRead), Args: args("what", gives)}
	if !r.ok {
		f.Code, f.Needs = "bench_not_recorded", NeedsResult
		return f
	}
	f.Code, f.Inputs, f.Marks = "bench_measured", r.inputs, l.marked(r.marks, r.step)
	l.figures(&f, r.interval(), r.q, r.written)
	if r.belowFloor {
		f.Code, f.Value, f.Low = "bench_below_floor", "", ""
		f.High = number(r.floor.Base, unitOf(r.q), figures, quantity.Up)
		f.Args = args("what", gives, "limit", r.floor.String())
	}
	return f
}

// figures writes value and ends in the quantity's unit. A single value stays as
// it was written; ends are only written where there is an uncertainty.
func (l *look) figures(f *Finding, i quantity.Interval, q quantity.Quantity, written bool) {
	u := unitOf(q)
	f.Unit = u.Code
	f.Value = number(q.Base, u, figures, quantity.HalfEven)
	if written {
		f.Value = q.Number()
	}
	if !i.IsPoint() {
		f.Low, f.High = number(i.Lo, u, figures, quantity.Down), number(i.Hi, u, figures, quantity.Up)
	}
}

func unitOf(q quantity.Quantity) quantity.Unit {
	if q.Unit.Code == "" {
		return quantity.BaseUnit(q.Dim)
	}
	return q.Unit
}

// streams are product and drain over the same interval, as volumes or masses.
func (l *look) streams() (product, drain reading, ok bool) {
	for _, kind := range []string{"volume", "mass"} {
		product, drain = l.gives("product_"+kind), l.gives("drain_"+kind)
		if product.ok && drain.ok {
			return product, drain, true
		}
	}
	return product, drain, false
}

// production is the product's volume over its time, tank bypassed, and the
// same corrected to 25 degC.
func (l *look) production() error {
	if !l.givenBy("interval_time") {
		return nil
	}
	product, took := l.gives("product_volume"), l.gives("interval_time")
	mark := []string{}
	if !product.ok {
		if m := l.gives("product_mass"); m.ok {
			v, err := water.VolumeOf(m.q, big.NewRat(998, 1000))
			if err != nil {
				return err
			}
			if m.u != nil {
				m.u = new(big.Rat).Mul(m.u, new(big.Rat).Quo(v.Base, positive(m.q.Base)))
			}
			product, product.q, product.u, product.lo, product.hi = m, v, m.u, nil, nil
			mark = append(mark, "assumed:density")
		}
	}
	f := Finding{Subject: "production", Kind: KindBench, Rule: FFlow, Source: sourceOf(FFlow), Args: args("what", "production")}
	if !product.ok || !took.ok || took.q.Base.Sign() <= 0 {
		f.Code, f.Needs = "bench_not_recorded", NeedsResult
		l.add(f)
		return nil
	}
	q, err := water.FlowRate(product.q, took.q)
	if err != nil {
		return err
	}
	f.Code, f.Inputs = "bench_worked_out", append(append([]Input{}, product.inputs...), took.inputs...)
	f.Marks = l.marked(append(append(mark, product.marks...), took.marks...), product.step, took.step)
	l.figures(&f, quotient(product.interval(), took.interval(), big.NewRat(60, 1), quantity.Flow), q, false)
	l.add(f)
	return l.productionAt25(f, q)
}

func positive(r *big.Rat) *big.Rat {
	if r.Sign() > 0 {
		return r
	}
	return one
}

// quotient is the interval of factor x a/b for intervals above zero.
func quotient(a, b quantity.Interval, factor *big.Rat, d quantity.Dim) quantity.Interval {
	out := quantity.Interval{Dim: d}
	if b.Hi.Sign() > 0 {
		out.Lo = new(big.Rat).Quo(a.Lo, b.Hi)
		out.Lo.Mul(out.Lo, factor)
	}
	if b.Lo.Sign() > 0 {
		out.Hi = new(big.Rat).Quo(a.Hi, b.Lo)
		out.Hi.Mul(out.Hi, factor)
	}
	return out
}

// constant is the membrane constant of the temperature correction, in K.
const constant = 2640

func (l *look) productionAt25(measured Finding, q quantity.Quantity) error {
	t := l.gives("water_temperature")
	if !t.ok {
		t = l.gives("feed_temperature")
	}
	if !t.ok {
		return nil
	}
	text, err := water.ProductionAt25(q, t.q, constant, figures)
	if err != nil {
		return nil // colder or warmer than the correction holds for
	}
	got, err := quantity.Parse(text)
	if err != nil {
		return err
	}
	f := Finding{Subject: "production_at_25", Kind: KindBench, Code: "production_corrected", Rule: FAt25, Source: sourceOf(FAt25),
		Value: got.Number(), Unit: got.Unit.Code, Inputs: append(append([]Input{}, measured.Inputs...), t.inputs...),
		Args:  args("temperature", t.q.String(), "constant", "2640", "convention", water.Divide),
		Marks: l.marked(append(append(measured.Marks, t.marks...), "assumed:constant"), t.step)}
	l.add(f)
	return nil
}

// share is product over product and drain, with its interval.
func productShare(product, drain reading) (*big.Rat, quantity.Interval, error) {
	r, err := water.RecoveryOf(product.q, drain.q)
	if err != nil {
		return nil, quantity.Interval{}, err
	}
	p, d := product.interval(), drain.interval()
	end := func(a, b *big.Rat) *big.Rat {
		sum := new(big.Rat).Add(a, b)
		if sum.Sign() == 0 {
			return new(big.Rat)
		}
		return new(big.Rat).Quo(a, sum)
	}
	return r.Share, quantity.Interval{Dim: quantity.Ratio, Lo: end(p.Lo, d.Hi), Hi: end(p.Hi, d.Lo)}, nil
}

// recovery is never mixed with efficiency, which takes whole fills.
func (l *look) recovery() error {
	for _, x := range []struct{ subject, code, rule, product, drain string }{
		{"recovery", "recovery_is", FRecovery, "", ""},
		{"efficiency", "efficiency_is", FEfficiency, "usable_volume", "refill_drain_volume"},
	} {
		product, drain, ok := l.streams()
		asks := l.givenBy("drain_volume") || l.givenBy("drain_mass")
		if x.product != "" {
			product, drain = l.gives(x.product), l.gives(x.drain)
			ok, asks = product.ok && drain.ok, l.givenBy(x.drain)
		}
		if !asks {
			continue
		}
		f := Finding{Subject: x.subject, Kind: KindBench, Rule: x.rule, Source: sourceOf(x.rule)}
		if !ok || product.q.Base.Sign() <= 0 {
			f.Code, f.Needs, f.Args = "bench_not_recorded", NeedsResult, args("what", x.subject)
			l.add(f)
			continue
		}
		point, i, err := productShare(product, drain)
		if err != nil {
			return err
		}
		f.Code, f.Unit, f.Value = x.code, "%", percent(point, quantity.HalfEven)
		f.Low, f.High = percent(i.Lo, quantity.Down), percent(i.Hi, quantity.Up)
		f.Inputs = append(append([]Input{}, product.inputs...), drain.inputs...)
		f.Marks = l.marked(append(append([]string{}, product.marks...), drain.marks...), product.step, drain.step)
		l.add(f)
	}
	return nil
}

// at25 is a conductivity at 25 degC: as read when the instrument compensates,
// else by the linear model.
func (l *look) at25(r reading) (quantity.Quantity, []Input, []string, error) {
	if r.instrument != nil && r.instrument.Compensation != "" {
		return r.q, []Input{{Name: "compensation", Text: r.instrument.Compensation, Doc: "instrument/" + r.instrument.ID + "/" + r.instrument.Version, Path: "/compensation"}}, nil, nil
	}
	t := l.gives("water_temperature")
	if !t.ok {
		t = l.gives("feed_temperature")
	}
	if !t.ok {
		return r.q, nil, []string{"assumed:alpha"}, nil
	}
	at, err := quantity.Parse("25 Cel")
	if err != nil {
		return r.q, nil, nil, err
	}
	q, err := water.ConductivityAt(r.q, t.q, at, big.NewRat(2, 100))
	return q, t.inputs, []string{"assumed:alpha"}, err
}

// feedRead is the feed as it was read around the fill behind the treated draw,
// before it and after it where both are on record; moved tells that it moved.
// Where nothing was read around it any reading of the protocol stands, so that
// what is worked out is marked.
func (l *look) feedRead(gives string) (list []reading, d drift) {
	d = l.feedOf(l.draws.treated)
	if l.draws.treated.step != nil {
		for _, r := range two(l.around(l.draws.treated.step, gives, gives+"_after")) {
			if r.ok {
				list = append(list, r)
			}
		}
	}
	if len(list) == 0 {
		if r := l.gives(gives); r.ok {
			list = append(list, r)
		}
	}
	return list, d
}

func two(a, b reading) []reading { return []reading{a, b} }

// feedMoved says that a bench figure is undecided, because the feed moved.
func feedMoved(f *Finding, what string, d drift) {
	f.Code, f.Unit, f.Value, f.Low, f.High, f.Needs = "bench_feed_moved", "", "", "", "", NeedsSteadyFeed
	f.Args = args("what", what, "moved", d.what, "change", d.change, "limit", d.limit)
	f.Inputs = append(f.Inputs, d.inputs...)
}

// conductivityReduction is what a membrane holds back by conductivity; behind
// a filter that adds minerals it is read before that filter. Its interval spans
// the feed read before and after the fill.
func (l *look) conductivityReduction() error {
	name, what := "product_conductivity", "conductivity_reduction"
	if l.st.Pinned.Unit.MineralFilter == "yes" && l.givenBy("before_filter_conductivity") {
		name, what = "before_filter_conductivity", "conductivity_reduction_before_filter"
	}
	feeds, d := l.feedRead("feed_conductivity")
	product := l.gives(name)
	if len(feeds) == 0 || !product.ok || feeds[0].q.Base.Sign() <= 0 {
		return nil
	}
	f := Finding{Subject: "conductivity_reduction", Kind: KindBench, Code: "bench_worked_out", Rule: FRejection, Source: sourceOf(FRejection), Unit: "%", Args: args("what", what)}
	marks := append(append([]string{}, product.marks...), "not_paired")
	if name == "product_conductivity" && l.st.Pinned.Unit.MineralFilter == "yes" {
		marks = append(marks, "adds_minerals")
	}
	var shares []*big.Rat
	ends := quantity.Interval{}
	for _, feed := range feeds {
		f25, inA, markA, err := l.at25(feed)
		if err != nil {
			return err
		}
		p25, inB, markB, err := l.at25(product)
		if err != nil {
			return err
		}
		r, err := water.Rejection(f25, p25)
		if err != nil {
			return err
		}
		shares = append(shares, r)
		if i := quotient(product.interval(), feed.interval(), one, quantity.Ratio); i.Lo != nil && i.Hi != nil && p25.Base.Cmp(product.q.Base) == 0 {
			ends = spanned(ends, quantity.Interval{Lo: new(big.Rat).Sub(one, i.Hi), Hi: new(big.Rat).Sub(one, i.Lo)})
		}
		f.Inputs = append(append(f.Inputs, feed.inputs...), inA...)
		if feed.step == feeds[len(feeds)-1].step {
			f.Inputs = append(append(f.Inputs, product.inputs...), inB...)
		}
		marks = l.marked(append(append(append(marks, feed.marks...), markA...), markB...), feed.step)
	}
	f.Value = percent(meanOf(shares), quantity.HalfEven)
	if ends.Lo != nil && ends.Lo.Cmp(ends.Hi) != 0 {
		f.Low, f.High = percent(ends.Lo, quantity.Down), percent(ends.Hi, quantity.Up)
	}
	f.Marks = l.marked(marks, product.step)
	if d.state == water.FeedMoved {
		feedMoved(&f, what, d)
	}
	l.add(f)
	return nil
}

func meanOf(list []*big.Rat) *big.Rat {
	sum := new(big.Rat)
	for _, x := range list {
		sum.Add(sum, x)
	}
	return sum.Quo(sum, big.NewRat(int64(max(len(list), 1)), 1))
}

// chlorine is the reduction of free chlorine between feed and faucet; below the
// instrument's floor it is a non-detect (practice, point 23), and stands at the
// floor with the instrument's uncertainty where that is larger than the floor.
// Of the readings of the feed the lowest counts.
func (l *look) chlorine() error {
	feeds, d := l.feedRead("feed_free_chlorine")
	product := l.gives("product_free_chlorine")
	if len(feeds) == 0 || !product.ok {
		return nil
	}
	feed := feeds[0]
	f := Finding{Subject: "chlorine_reduction", Kind: KindBench, Rule: FReduction, Source: sourceOf(FReduction), Unit: "%"}
	for _, r := range feeds {
		if r.q.Base.Cmp(feed.q.Base) < 0 {
			feed = r
		}
		f.Inputs = append(f.Inputs, r.inputs...)
	}
	f.Inputs = append(f.Inputs, product.inputs...)
	f.Marks = l.marked(append(append(append([]string{}, feed.marks...), product.marks...), "not_paired"), feed.step, product.step)
	p := &pair{id: "chlorine_reduction", def: protocol.AnalyteDef{Name: "free_chlorine_on_the_bench"}, untreated: field(feed), treated: field(product)}
	r, err := water.ReductionWithin(p.untreated.m, p.treated.m, l.assumed)
	if err != nil {
		return err
	}
	f.Value, f.Low, f.High = percent(r.Point, quantity.HalfEven), percent(r.Interval.Lo, quantity.Down), percent(r.Interval.Hi, quantity.Up)
	code := l.reductionCode(r, p)
	if StateOf(code) == Undecided {
		f.Low, f.High = "", ""
	}
	settle(&f, p, code, "limit", strings.TrimPrefix(p.treated.text, "<"))
	if d.state == water.FeedMoved {
		feedMoved(&f, "free_chlorine_on_the_bench", d)
	}
	l.add(f)
	return nil
}

// field makes a result of a field reading: below the floor a non-detect.
func field(r reading) got {
	g := got{ok: true, inputs: r.inputs, text: r.q.String()}
	g.m.Result = quantity.Result{Quantity: r.q}
	if r.belowFloor {
		at := r.floor
		if r.u != nil && r.u.Cmp(at.Base) > 0 {
			at = quantity.New(new(big.Rat).Add(at.Base, r.u), unitOf(at))
		}
		g.m.Result = quantity.Result{Qualifier: quantity.Below, Quantity: at}
		g.text = "<" + at.String()
	}
	if r.floor.Base != nil {
		floor := r.floor
		g.m.Reporting = &floor
	}
	if r.u != nil && r.u.Sign() > 0 {
		u := quantity.New(r.u, unitOf(r.q))
		g.m.Stated = &u
	}
	return g
}
