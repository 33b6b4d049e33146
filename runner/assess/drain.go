package assess

import (
	"math/big"

	"tapledger/rules/quantity"
	"tapledger/rules/water"
)

// tank judges the usable volume by what the tank can hold.
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
	holds, err := water.TankWater(size, pre.q, feed.q)
	if err != nil {
		return nil // a pre-charge above the feed: nothing to compare with
	}
	code, err := water.UsablePlausible(usable.q, holds, big.NewRat(1, 10))
	if err != nil {
		return err
	}
	f := Finding{Subject: "tank", Kind: KindBench, Rule: FTank, Source: sourceOf(FTank), Marks: l.marked(nil, usable.step, pre.step, feed.step)}
	f.Code = map[string]string{water.VolumePlausible: "tank_plausible", water.VolumeTooLarge: "tank_too_large", water.VolumeSmall: "tank_small"}[code]
	f.Needs = byCode[f.Code].Needs
	f.Args = args("holds", number(holds.Base, quantity.BaseUnit(quantity.Volume), 2, quantity.HalfEven)+" L")
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
// results. Behind a filter that adds minerals those it adds are left out.
func (l *look) balance() error {
	r, recoveryInputs := l.recoveryShare()
	if r.Share == nil || l.draws.drain.sample == nil {
		return nil
	}
	for _, id := range l.analyteIDs() {
		def := l.def(id)
		if def.Role == "mineral" && l.st.Pinned.Unit.MineralFilter == "yes" {
			continue
		}
		p := &pair{id: id, def: def, untreated: l.untreatedOf(id), treated: l.result(l.product(), id, "treated"), drain: l.result(l.draws.drain, id, "drain")}
		if !p.untreated.ok || !p.treated.ok || !p.drain.ok {
			continue
		}
		var ends [3]quantity.Interval
		for i, g := range []got{p.untreated, p.treated, p.drain} {
			var err error
			if ends[i], err = water.Within95(g.m, l.assumed); err != nil {
				return err
			}
		}
		m, err := water.CloseBalance(ends[0], ends[1], ends[2], r)
		if err != nil {
			continue // no concentration, or a feed that may be zero
		}
		f := l.base(p, KindBench, FBalance, p.untreated, p.treated, p.drain)
		f.Subject, f.Unit = "balance_"+id, "%"
		f.Inputs = append(f.Inputs, recoveryInputs...)
		f.Low, f.High = percent(m.Closure.Lo, quantity.Down), percent(m.Closure.Hi, quantity.Up)
		code := map[string]string{water.Closes: "balance_closes", water.MoreOut: "balance_more_out", water.LessOut: "balance_less_out", water.ClosesByLimits: "balance_open"}[m.Code]
		if f.High == "" {
			code = "balance_open"
		}
		settle(&f, p, code)
		l.add(f)
	}
	return nil
}
