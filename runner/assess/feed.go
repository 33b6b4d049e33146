package assess

import (
	"math/big"
	"time"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/rules/quantity"
	"tapledger/rules/water"
	"tapledger/runner"
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

// feedOf judges the feed around a draw: readings before and after the fill
// behind it, conductivity first, then free chlorine; the first that moved
// decides.
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

// feedWindow is how long before a fill begins, or after it ends, the feed may
// be read and still stand for it, where the protocol has no constant
// feed_window of its own. Common practice, no source.
const feedWindow = time.Hour

// window is the protocol's feed_window, else ours.
func (l *look) window() time.Duration {
	q, err := quantity.Parse(l.p.Constants["feed_window"])
	if err != nil || q.Dim != quantity.Time {
		return feedWindow
	}
	s, _ := q.Base.Float64()
	return time.Duration(s * float64(time.Second))
}

// fillOf is when the water of a draw was made: the fill that the untreated
// sample of its pair was collected over, else the draws of the pair themselves.
// Only the try that counts is looked at.
func (l *look) fillOf(draw *protocol.Step) (began, ended time.Time, ok bool) {
	_, untreated := l.p.Step(draw.PairsWith)
	if untreated == nil {
		return began, ended, false
	}
	if untreated.CompositeOver != "" {
		t := l.st.CountedTry(untreated.CompositeOver)
		if t == nil {
			return began, ended, false
		}
		began, ended = moment(t, "began"), moment(t, "ended")
	} else {
		for _, id := range []string{untreated.ID, draw.ID, draw.PairsAfter} {
			t := l.st.CountedTry(id)
			if t == nil {
				continue
			}
			at := moment(t, "at", "opened_at")
			if began.IsZero() || !at.IsZero() && at.Before(began) {
				began = at
			}
			if at.After(ended) {
				ended = at
			}
		}
	}
	return began, ended, !began.IsZero() && !ended.Before(began)
}

// moment is the first of some moments of a try that is on record, zero for none.
func moment(t *runner.Try, names ...string) time.Time {
	for _, n := range names {
		if at, err := audit.ParseTime(t.Values[n].Text); err == nil {
			return at
		}
	}
	return time.Time{}
}

// around finds the readings of the feed that belong to the fill behind a draw:
// the last that was read before it began and the first at its end or after,
// each within the window. A reading from before another try of the fill says
// nothing about this one.
func (l *look) around(draw *protocol.Step, gives, givesAfter string) (before, after reading) {
	began, ended, ok := l.fillOf(draw)
	if !ok {
		return before, after
	}
	var beforeAt, afterAt time.Time
	w := l.window()
	for _, s := range l.p.Steps() {
		t := l.st.CountedTry(s.ID)
		if t == nil {
			continue
		}
		at := moment(t, "at")
		if a, has := asked(s, gives); has && !at.After(began) && began.Sub(at) <= w && at.After(beforeAt) {
			if r := l.reading(s, a); r.ok {
				before, beforeAt = r, at
			}
		}
		a, has := asked(s, givesAfter)
		if !has {
			a, has = asked(s, gives)
		}
		if has && at.After(began) && at.Sub(ended) <= w && ended.Sub(at) <= w && (afterAt.IsZero() || at.Before(afterAt)) {
			if r := l.reading(s, a); r.ok {
				after, afterAt = r, at
			}
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
