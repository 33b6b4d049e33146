package assess

import (
	"math/big"

	"tapledger/protocol"
	"tapledger/rules/quantity"
	"tapledger/rules/water"
)

// drift is whether the feed of one draw was steady.
type drift struct {
	state  string // water.FeedSteady, FeedMoved, FeedNotLookedAt, or feedOpened
	what   string // conductivity, free_chlorine
	change string // percent
	limit  string
	inputs []Input
	steps  []*protocol.Step
}

// feedOpened: the faucet was opened between the fill and the draw, so that a
// composite pair no longer stands for one water.
const feedOpened = "feed_opened"

// feedOf judges the feed around a draw: readings before and after it in the
// protocol's order, conductivity first, then free chlorine; the first that
// moved decides.
func (l *look) feedOf(d drawn) drift {
	out := drift{state: water.FeedNotLookedAt}
	if d.step == nil {
		return out
	}
	if d.step.Pairing == "composite" && d.step.Ends != "" {
		if stand := l.st.CountedTry(d.step.Ends); stand != nil && len(stand.Openings) > 0 {
			out.state = feedOpened
			return out
		}
	}
	for _, x := range []struct {
		what, gives string
		most        *big.Rat
	}{{"conductivity", "feed_conductivity", l.moveCond}, {"free_chlorine", "feed_free_chlorine", l.moveChl}} {
		before, after := l.around(d.step, x.gives, x.gives+"_after")
		if !before.ok || !after.ok {
			continue
		}
		got := drift{state: water.FeedSteady, what: x.what, limit: percent(x.most, quantity.HalfEven),
			inputs: append(append([]Input{}, before.inputs...), after.inputs...), steps: []*protocol.Step{before.step, after.step}}
		if l.assumedBy != "" {
			got.inputs = append(got.inputs, Input{Name: "allowed", Text: got.limit + " %", Doc: l.assumedBy, Path: "/assumed"})
		}
		moved, share := change(before, after, x.most)
		got.change = percent(share, quantity.Up)
		if moved {
			got.state = water.FeedMoved
			return got
		}
		if out.state == water.FeedNotLookedAt {
			out = got
		}
	}
	return out
}

// change is by what share a reading moved, and whether that is more than
// allowed. Two readings below the instrument's floor did not move; one from
// zero upwards moved without a share.
func change(before, after reading, most *big.Rat) (moved bool, share *big.Rat) {
	if before.belowFloor && after.belowFloor {
		return false, new(big.Rat)
	}
	d := new(big.Rat).Sub(after.q.Base, before.q.Base)
	d.Abs(d)
	if before.q.Base.Sign() <= 0 {
		return d.Sign() != 0, d
	}
	d.Quo(d, before.q.Base)
	return d.Cmp(most) > 0, d
}

// around finds the readings of the feed before and after a draw. They stand in
// the draw's own section: the last that gives the one, and the first after it
// that gives the other. For the first treated draw of a protocol that reads the
// feed elsewhere, the whole protocol is searched.
func (l *look) around(draw *protocol.Step, gives, givesAfter string) (before, after reading) {
	section, _ := l.p.Step(draw.ID)
	var own []*protocol.Step
	for i := range section.Steps {
		own = append(own, &section.Steps[i])
	}
	before, after = l.beforeAfter(own, gives, givesAfter)
	if !before.ok && !after.ok && draw.DuplicateOf == "" {
		before, after = l.beforeAfter(l.p.Steps(), gives, givesAfter)
	}
	return before, after
}

func (l *look) beforeAfter(steps []*protocol.Step, gives, givesAfter string) (before, after reading) {
	from := -1
	for i, s := range steps {
		if a, ok := asked(s, gives); ok {
			if r := l.reading(s, a); r.ok {
				before, from = r, i
			}
		}
	}
	for i, s := range steps {
		if a, ok := asked(s, givesAfter); ok && i > from && !after.ok {
			after = l.reading(s, a)
		}
	}
	return before, after
}

// feeds says for each treated draw whether the feed was steady.
func (l *look) feeds() error {
	for _, x := range []struct {
		d    drawn
		when string
	}{{l.draws.treated, "treated_draw"}, {l.draws.second, "second_draw"}} {
		if x.d.sample == nil {
			continue
		}
		f := l.feedOf(x.d)
		out := Finding{Subject: x.d.step.ID, Kind: KindFeed, Rule: FDrift, Source: sourceOf(FDrift), Inputs: f.inputs, Marks: l.marked(nil, f.steps...)}
		switch f.state {
		case water.FeedSteady, water.FeedMoved:
			out.Code, out.Value, out.Unit = f.state, f.change, "%"
			out.Args = args("when", x.when, "what", f.what, "change", f.change, "limit", f.limit)
		case feedOpened:
			out.Code, out.Args = feedOpened, args("when", x.when)
		default:
			out.Code, out.Args = water.FeedNotLookedAt, args("when", x.when)
		}
		out.Needs = byCode[out.Code].Needs
		l.add(out)
	}
	return nil
}

func sourceOf(formula string) string {
	f, _ := FormulaOf(formula)
	return f.Source
}
