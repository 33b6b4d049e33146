package assess

import (
	"math/big"

	"tapledger/rules/quantity"
	"tapledger/rules/water"
)

// tank judges the usable volume by what the tank could hold, the instruments'
// uncertainties taken so that they speak for the readings.
func (l *look) tank() error {
	size, errSize := quantity.Parse(l.st.Pinned.Unit.TankVolume)
	pre, usable, feed := l.gives("tank_precharge"), l.gives("usable_volume"), l.gives("producing_pressure")
	if !feed.ok {
		feed = l.gives("feed_pressure")
	}
	if errSize != nil || !pre.ok || !usable.ok || !feed.ok {
		return nil
	}
	// Automatic shut-off stops at about two thirds of the feed pressure; the
	// whole feed pressure gives the most that the tank can ever hold.
	holds, err := water.TankWater(size, pre.lowest(), feed.highest())
	if err != nil {
		return nil // a pre-charge above the feed: nothing to compare with
	}
	code, err := water.UsablePlausible(usable.lowest(), holds, big.NewRat(1, 10))
	if err != nil {
		return err
	}
	f := Finding{Subject: "tank", Kind: KindBench, Rule: FTank, Source: sourceOf(FTank), Marks: l.marked(nil, usable.step, pre.step, feed.step)}
	f.Code = map[string]string{water.VolumePlausible: "tank_plausible", water.VolumeTooLarge: "tank_too_large", water.VolumeSmall: "tank_small"}[code]
	f.Needs = byCode[f.Code].Needs
	f.Args = args("holds", number(holds.Base, quantity.BaseUnit(quantity.Volume), 2, quantity.HalfEven)+" L", "usable", number(usable.q.Base, unitOf(usable.q), figures, quantity.HalfEven)+" "+unitOf(usable.q).Code)
	unit := l.st.Pinned.Unit
	f.Inputs = []Input{{Name: "tank", Text: unit.TankVolume, Doc: "unit/" + unit.ID + "/" + unit.Version, Path: "/tank_volume"}}
	for _, r := range []reading{pre, feed, usable} {
		f.Inputs = append(f.Inputs, r.inputs...)
	}
	l.add(f)
	return nil
}

// product is the draw that stands for the product of a whole fill: the flushed
// one where there is one, since a first draw holds what stood in the faucet.
func (l *look) product() drawn {
	if l.draws.flushed.sample != nil {
		return l.draws.flushed
	}
	return l.draws.treated
}

// balance closes the mass balance over the drain for every analyte with three
// results. All three were collected over a whole fill against the tank's own
// pressure, so that only an efficiency over a whole fill stands for them: the
// recovery with the tank shut is higher. Without it, or when the feed moved, the
// balance is open as a whole. Behind a filter that adds minerals those it adds
// are left out.
func (l *look) balance() error {
	if l.draws.drain.sample == nil {
		return nil
	}
	f := Finding{Subject: "balance", Kind: KindBench, Rule: FBalance, Source: sourceOf(FBalance), Needs: NeedsEfficiency, Code: "balance_no_efficiency"}
	if d := l.feedOf(l.draws.treated); d.state == water.FeedMoved {
		f.Code, f.Needs, f.Inputs = "balance_feed_moved", NeedsSteadyFeed, d.inputs
		f.Args = args("moved", d.what, "change", d.change, "limit", d.limit)
		l.add(f)
		return nil
	}
	product, drained := l.gives("usable_volume"), l.gives("refill_drain_volume")
	if !product.ok || !drained.ok || product.q.Base.Sign() <= 0 {
		l.add(f)
		return nil
	}
	share, within, err := productShare(product, drained)
	if err != nil {
		return err
	}
	inputs := append(append([]Input{}, product.inputs...), drained.inputs...)
	marks := l.marked(append(append([]string{}, product.marks...), drained.marks...), product.step, drained.step)
	of := l.product()
	for _, id := range l.analyteIDs() {
		def := l.def(id)
		if def.Role == "mineral" && l.st.Pinned.Unit.MineralFilter == "yes" {
			continue
		}
		p := &pair{id: id, def: def, untreated: l.untreatedOf(id), treated: l.result(of, id, "treated"), drain: l.result(l.draws.drain, id, "drain"), draw: drawWord(of)}
		if !p.untreated.ok || !p.treated.ok || !p.drain.ok {
			continue
		}
		f := l.base(p, KindBench, FBalance, p.untreated, p.treated, p.drain)
		f.Subject, f.Unit, f.Inputs, f.Marks = "balance_"+id, "%", append(f.Inputs, inputs...), l.marked(append(f.Marks, marks...))
		m, err := water.CloseBalance(water.Drained{Feed: p.untreated.m, Product: p.treated.m, Drain: p.drain.m, Efficiency: water.Efficiency{Share: share}, Within: within}, l.assumed)
		code := map[string]string{water.Closes: "balance_closes", water.MoreOut: "balance_more_out", water.LessOut: "balance_less_out"}[m.Code]
		if err != nil && p.untreated.m.Result.Qualifier != quantity.Below {
			continue // no concentration, or beyond range
		}
		if code == "" {
			code, f.Unit = "balance_open", ""
		} else {
			f.Low, f.High = percent(m.Closure.Lo, quantity.Down), percent(m.Closure.Hi, quantity.Up)
		}
		settle(&f, p, code)
		l.add(f)
	}
	return nil
}
