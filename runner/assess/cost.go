package assess

import (
	"fmt"
	"strconv"
	"strings"

	"tapledger/rules/quantity"
	"tapledger/rules/water"
	"tapledger/runner"
)

// life says how much each part had treated when the treated sample was drawn.
func (l *look) life() error {
	d := l.draws.treated
	if d.sample == nil {
		return nil
	}
	for _, p := range runner.LifePoints(l.st) {
		if p.Step != d.step.ID || p.Try != d.try.N {
			continue
		}
		f := Finding{Subject: p.Part, Kind: KindLife, Code: "life_point", Rule: FLife, Source: sourceOf(FLife), Marks: l.marked(nil, d.step)}
		if p.Bound != "exact" {
			f.Code, f.Needs = "life_at_least", NeedsVolumes
		}
		if p.Volume == "" {
			f.Code, f.Needs = "life_unknown", NeedsVolumes
		}
		if q, err := quantity.Parse(p.Share); err == nil {
			f.Value, f.Unit = q.Number(), "%"
		}
		f.Args = args("part", p.Part, "lot", p.Lot, "volume", p.Volume, "rated", p.Rated)
		for _, in := range p.Inputs {
			path, at, _ := strings.Cut(in, "@")
			seq, err := strconv.ParseInt(at, 10, 64)
			if err != nil {
				continue
			}
			f.Inputs = append(f.Inputs, l.input("passed", l.textAt(seq, path), seq, path))
		}
		l.add(f)
	}
	return nil
}

// cost works out a year and a litre from the unit's document: prices and
// stated lives of its parts, daily use, and water at its tariff where the
// efficiency is known.
func (l *look) cost() error {
	u := l.st.Pinned.Unit
	doc := "unit/" + u.ID + "/" + u.Version
	f := Finding{Subject: "cost_year", Kind: KindCost, Code: "cost_unknown", Rule: FCost, Source: sourceOf(FCost)}
	daily, errDaily := quantity.Parse(u.DailyUse)
	var parts []water.CostPart
	for i, p := range u.Parts {
		if p.Price == "" {
			continue
		}
		c := water.CostPart{ID: p.ID, OfFeed: p.RatedOf == "feed"}
		price, err := quantity.ParseDecimal(p.Price)
		if err != nil {
			return fmt.Errorf("unit %s, part %s: price: %w", u.ID, p.ID, err)
		}
		c.Price = price
		at := fmt.Sprintf("/parts/%d/", i)
		f.Inputs = append(f.Inputs, Input{Name: "price of " + p.ID, Text: p.Price, Doc: doc, Path: at + "price"})
		for _, x := range []struct {
			name, text, path string
			to               **quantity.Quantity
		}{{"life of ", p.RatedTime, "rated_time", &c.TimeLow}, {"longest life of ", p.RatedTimeMost, "rated_time_most", &c.TimeHigh}, {"rated volume of ", p.RatedVolume, "rated_volume", &c.Volume}} {
			if q, err := quantity.Parse(x.text); err == nil {
				*x.to = &q
				f.Inputs = append(f.Inputs, Input{Name: x.name + p.ID, Text: x.text, Doc: doc, Path: at + x.path})
			}
		}
		parts = append(parts, c)
	}
	use := water.CostUse{Daily: daily}
	tariff := l.tariff(&f, &use, doc)
	var c water.Cost
	err := errDaily
	if err == nil && len(parts) > 0 {
		c, err = water.CostOf(parts, use)
	}
	if err != nil || len(parts) == 0 || u.Price == nil {
		f.Needs = NeedsPrices
		l.add(f)
		return nil
	}
	f.Inputs = append(f.Inputs, Input{Name: "daily use", Text: u.DailyUse, Doc: doc, Path: "/daily_use"})
	l.costs(f, c, u.Price.Currency, u.Price.AsOf, u.DailyUse, tariff)
	return nil
}

// tariff brings the efficiency into the cost where it is known, and water where
// its price is, too. Recovery never stands in for efficiency.
func (l *look) tariff(f *Finding, use *water.CostUse, doc string) bool {
	u := l.st.Pinned.Unit
	product, drain := l.gives("usable_volume"), l.gives("refill_drain_volume")
	if !product.ok || !drain.ok || product.q.Base.Sign() <= 0 {
		return false
	}
	_, i, err := productShare(product, drain)
	if err != nil || i.Lo.Sign() <= 0 {
		return false
	}
	use.Efficiency = i
	f.Inputs = append(append(f.Inputs, product.inputs...), drain.inputs...)
	f.Marks = l.marked(f.Marks, product.step, drain.step)
	if u.Price == nil || u.Price.WaterPrice == "" {
		return false
	}
	price, err := quantity.ParseDecimal(u.Price.WaterPrice)
	if err != nil {
		return false
	}
	use.Tariff = price
	f.Inputs = append(f.Inputs, Input{Name: "price of 1 m3 of water", Text: u.Price.WaterPrice, Doc: doc, Path: "/price/water_price"})
	return true
}

// costs writes the year and the litre.
func (l *look) costs(f Finding, c water.Cost, currency, asOf, daily string, counted bool) {
	yl, yh, ll, lh := c.Texts(2, 4)
	if c.YearLow.Cmp(c.YearHigh) == 0 { // a point is no range because of its rounding
		yl, ll = quantity.Decimal(c.YearLow, 2, quantity.HalfEven), quantity.Decimal(c.LitreLow, 4, quantity.HalfEven)
		yh, lh = yl, ll
	}
	f.Code = "cost_year"
	if !counted {
		f.Code, f.Needs = "cost_year_without_water", NeedsEfficiency
	}
	f.Low, f.High, f.Unit = yl, yh, currency
	f.Args = args("currency", currency, "as_of", asOf, "daily", daily)
	l.add(f)
	g := f
	g.Subject, g.Code = "cost_litre", "cost_litre"
	if !counted {
		g.Code = "cost_litre_without_water"
	}
	g.Low, g.High = ll, lh
	l.add(g)
}
