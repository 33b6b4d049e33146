package assess

import (
	"strconv"
	"strings"

	"tapledger/protocol"
	"tapledger/rules/quantity"
	"tapledger/rules/water"
)

// analytes makes the rows and the findings of every analyte, in the protocol's
// order: reduction, rise, margin, goals.
func (l *look) analytes() error {
	first, second := l.feedOf(l.draws.treated), l.feedOf(l.draws.second)
	var all []pair
	for _, id := range l.analyteIDs() {
		p := pair{id: id, def: l.def(id), untreated: l.untreatedOf(id), treated: l.result(l.draws.treated, id, "treated"), draw: drawWord(l.draws.treated)}
		p.second = l.result(l.draws.second, id, "treated, second day")
		p.secondUntreated = l.result(l.draws.secondUntreated, id, "untreated, second day")
		p.lotBlank, p.fieldBlank = l.result(l.draws.lotBlank, id, "blank of the bottle lot"), l.result(l.draws.fieldBlank, id, "field blank")
		p.drain, p.duplicate = l.result(l.draws.drain, id, "drain"), l.result(l.draws.duplicate, id, "duplicate")
		all = append(all, p)
		l.out.Rows = append(l.out.Rows, Row{Analyte: id, Untreated: l.cell(p.untreated), Treated: l.cell(p.treated),
			Blank: l.cell(p.fieldBlank), LotBlank: l.cell(p.lotBlank), Drain: l.cell(p.drain),
			Duplicate: l.cell(p.duplicate), SecondDay: l.cell(p.second), Flushed: l.cell(l.result(l.draws.flushed, id, "flushed"))})
	}
	rises, err := l.rises(all, first, second)
	if err != nil {
		return err
	}
	l.out.Looked = l.looked
	flushed, err := l.flushedPairs(all)
	if err != nil {
		return err
	}
	for i := range all {
		if err := l.reduction(&all[i], first, second); err != nil {
			return err
		}
		l.add(rises[i])
		if err := l.margin(&all[i]); err != nil {
			return err
		}
		if err := flushed.add(l, i); err != nil {
			return err
		}
		l.daysDiffer(&all[i])
		l.goals(&all[i])
	}
	return nil
}

// pair is one analyte with its results by the parts of the draws.
type pair struct {
	id                      string
	def                     protocol.AnalyteDef
	untreated, treated      got
	second, secondUntreated got
	lotBlank, fieldBlank    got
	drain, duplicate        got
	draw                    string // word of the treated draw, "" where the protocol has one kind only
}

// untreatedOf is the untreated result: of a bracketed pair the one taken
// before, unless only the one afterwards is on record.
func (l *look) untreatedOf(id string) got {
	g := l.result(l.draws.untreated, id, "untreated")
	if g.text == "" {
		g = l.result(l.draws.untreatedAfter, id, "untreated")
	}
	return g
}

// base begins a finding about an analyte, with the inputs and marks of its
// results.
func (l *look) base(p *pair, kind, formula string, gs ...got) Finding {
	f := Finding{Subject: p.id, Kind: kind, Rule: formula, Source: sourceOf(formula)}
	var marks []string
	for _, g := range gs {
		f.Inputs = append(f.Inputs, g.inputs...)
		marks = append(marks, g.marks...)
		if l.assumedBy != "" && len(g.marks) > 0 && !named(f.Inputs, "assumed") {
			f.Inputs = append(f.Inputs, Input{Name: "assumed", Text: percent(l.assumed.Relative, quantity.HalfEven) + " %, limit / " + quantity.Plain(l.assumed.Divisor), Doc: l.assumedBy, Path: "/assumed"})
		}
	}
	f.Marks = l.marked(marks, l.draws.treated.step, l.draws.untreated.step)
	return f
}

func named(inputs []Input, name string) bool {
	for _, in := range inputs {
		if in.Name == name {
			return true
		}
	}
	return false
}

// settle gives a finding its code, what it needs by default, and the name and
// results that sentences use.
func settle(f *Finding, p *pair, code string, more ...string) {
	f.Code = code
	if f.Needs == "" {
		f.Needs = byCode[code].Needs
	}
	f.Args = args(append([]string{"name", p.def.Name, "draw", p.draw, "untreated", p.untreated.text, "treated", p.treated.text}, more...)...)
}

// missing says which side of a pair has no result, "" for none.
func (p *pair) missing() string {
	switch {
	case p.untreated.text == "":
		return "untreated"
	case p.treated.text == "":
		return "treated"
	}
	return ""
}

// heldBack says why a pair says nothing, before any arithmetic. prefix is the
// kind's own beginning of codes.
func (l *look) heldBack(f *Finding, p *pair, feed drift, prefix string) bool {
	switch {
	case p.missing() != "":
		settle(f, p, prefix+"_no_result", "side", p.missing())
	case feed.state == feedOpened:
		settle(f, p, prefix+"_pair_opened")
	case feed.state == water.FeedMoved:
		settle(f, p, prefix+"_feed_moved", "what", feed.what, "change", feed.change, "limit", feed.limit)
		f.Inputs = append(f.Inputs, feed.inputs...)
	case p.untreated.problem || p.treated.problem || p.untreated.m.Result.Quantity.Dim != p.treated.m.Result.Quantity.Dim ||
		p.untreated.m.Result.Speciation != p.treated.m.Result.Speciation:
		settle(f, p, prefix+"_not_comparable")
	default:
		return false
	}
	return true
}

// reduction compares a pair. Where a second day has a pair of its own and a
// steady feed, the published interval spans both days; each day's own stands in
// the arguments.
func (l *look) reduction(p *pair, feed, secondFeed drift) error {
	if !p.fromZero() {
		return nil // a pH difference has no percent
	}
	f := l.base(p, KindReduction, FReduction, p.untreated, p.treated)
	f.Unit = "%"
	if l.heldBack(&f, p, feed, "reduction") {
		f.Unit = ""
		l.add(f)
		return nil
	}
	f.Marks = append(f.Marks, "laboratory_only")
	if feed.state == water.FeedNotLookedAt {
		f.Marks = append(f.Marks, "feed")
	}
	if p.def.Role == "mineral" && l.st.Pinned.Unit.MineralFilter == "yes" {
		f.Marks = append(f.Marks, "adds_minerals")
	}
	f.Marks = l.marked(f.Marks)
	r, err := water.ReductionWithin(p.untreated.m, p.treated.m, l.assumed)
	if err != nil {
		return err
	}
	code, limit, more := l.reductionCode(r, p), strings.TrimPrefix(p.treated.text, "<"), []string(nil)
	if StateOf(code) == Known && secondFeed.state == water.FeedSteady {
		if r, code, more, err = l.bothDays(&f, p, r, code); err != nil {
			return err
		}
		if more != nil && p.second.m.Result.Qualifier == quantity.Below && p.second.m.Result.Quantity.Base.Cmp(p.treated.m.Result.Quantity.Base) > 0 {
			limit = strings.TrimPrefix(p.second.text, "<")
		}
	}
	f.Value = percent(r.Point, quantity.HalfEven)
	f.Low, f.High = percent(r.Interval.Lo, quantity.Down), percent(r.Interval.Hi, quantity.Up)
	if StateOf(code) == Undecided {
		f.Low, f.High = "", ""
	}
	settle(&f, p, code, append(more, "limit", limit)...)
	l.add(f)
	return nil
}

// fromZero tells whether the analyte's own unit has a zero to count from;
// where nothing is known yet a concentration is taken.
func (p *pair) fromZero() bool {
	u, err := quantity.LookupUnit(p.def.In)
	return err != nil || u.Dim.FromZero()
}

// reductionCode names what a pair says about its reduction.
func (l *look) reductionCode(r water.ReductionBounds, p *pair) string {
	switch r.Code {
	case water.Reduced:
		switch {
		case r.Interval.Lo == nil:
			return "reduction_uncertain"
		case r.Interval.Lo.Sign() < 0:
			return "reduction_not_distinguishable"
		}
		return "reduction_between"
	case water.Increased:
		switch {
		case r.Interval.Lo == nil:
			return "reduction_uncertain"
		case r.Interval.Hi.Sign() > 0:
			return "reduction_not_distinguishable"
		}
		return "reduction_none"
	case water.AtLeast:
		switch {
		case p.untreated.m.Result.Qualifier == quantity.Above:
			return "reduction_beyond_range"
		case r.Interval.Lo == nil || r.Interval.Lo.Sign() <= 0:
			return "reduction_at_least_open"
		}
		return "reduction_at_least"
	case water.AtMost:
		return "reduction_at_most"
	case water.UntreatedBelowLimit:
		return "reduction_untreated_below"
	case water.LessFinely:
		if p.untreated.m.Result.Qualifier == quantity.Below {
			return "reduction_less_finely"
		}
		return "reduction_treated_less_finely"
	case water.UntreatedZero:
		return "reduction_untreated_zero"
	}
	return "reduction_not_calculable"
}

// rises decides for every analyte whether the treated sample holds more. The
// family is all analytes in which a rise could have been seen; those whose
// pair says nothing are no part of it.
func (l *look) rises(all []pair, feed, secondFeed drift) ([]Finding, error) {
	out := make([]Finding, len(all))
	var pairs, seconds []water.RisePair
	var at, secondAt []int
	for i := range all {
		p := &all[i]
		out[i] = l.base(p, KindRise, FRise, p.untreated, p.treated)
		if l.heldBack(&out[i], p, feed, "rise") {
			continue
		}
		pairs, at = append(pairs, water.RisePair{Analyte: p.id, Untreated: p.untreated.m, Treated: p.treated.m}), append(at, i)
		if u, ok := p.secondPair(); ok && l.otherDay() && secondFeed.state != water.FeedMoved && secondFeed.state != feedOpened {
			seconds, secondAt = append(seconds, water.RisePair{Analyte: p.id, Untreated: u.m, Treated: p.second.m}), append(secondAt, i)
		}
	}
	first, looked, err := water.Rises(pairs, l.assumed)
	if err != nil {
		return nil, err
	}
	again, _, err := water.Rises(seconds, l.assumed)
	if err != nil {
		return nil, err
	}
	l.looked = looked
	second := map[int]*water.Rise{}
	for k := range again {
		second[secondAt[k]] = &again[k]
	}
	for k := range first {
		out[at[k]].Inputs = append(out[at[k]].Inputs, feed.inputs...)
		l.rise(&out[at[k]], &all[at[k]], first[k], second[at[k]], feed, secondFeed)
	}
	return out, nil
}

// secondPair is the untreated result that the second day's is compared with:
// its own, or the first day's.
func (p *pair) secondPair() (got, bool) {
	u := p.secondUntreated
	if !u.ok {
		u = p.untreated
	}
	ok := p.second.ok && u.ok && p.second.m.Result.Quantity.Dim == u.m.Result.Quantity.Dim && p.second.m.Result.Speciation == u.m.Result.Speciation
	return u, ok
}

// rise fills in what was found about one analyte.
func (l *look) rise(f *Finding, p *pair, r water.Rise, second *water.Rise, feed, secondFeed drift) {
	more := []string{"z", r.Z, "p", r.P, "adjusted", r.Adjusted, "looked", strconv.Itoa(l.looked), "level", percent(l.assumed.Family, quantity.HalfEven)}
	if second != nil {
		more = append(more, "second_z", second.Z, "second_adjusted", second.Adjusted)
	}
	if r.Least != nil && r.Ratio != nil && r.Ratio.Cmp(one) > 0 {
		more = append(more, "ratio", quantity.Significant(r.Ratio, figures, quantity.HalfEven))
	}
	switch {
	case r.State == water.HigherUnconfirmed:
		l.confirm(f, p, r, second, feed, secondFeed, more)
		return
	case r.State == water.NotDistinguishable:
		settle(f, p, "rise_not_distinguishable", more...)
	case r.Why == water.BeyondRange:
		settle(f, p, "rise_above_range", more...)
	case r.Why == water.NoUncertainty:
		settle(f, p, "rise_no_uncertainty", more...)
	default:
		settle(f, p, "rise_less_finely", more...)
	}
}

// confirm climbs the ladder's last step, or says what is lacking.
func (l *look) confirm(f *Finding, p *pair, r water.Rise, second *water.Rise, feed, secondFeed drift, more []string) {
	var blank *water.Measured
	if p.lotBlank.ok && p.lotBlank.m.Result.Quantity.Dim == p.treated.m.Result.Quantity.Dim && l.sameLots(l.draws.lotBlank, l.draws.treated, p.id) &&
		(second == nil || l.sameLots(l.draws.lotBlank, l.draws.second, p.id)) {
		blank = &p.lotBlank.m
	}
	code, lacks := water.Confirm(r, second, blank, feed.state, secondFeed.state)
	if p.second.text != "" && second == nil && secondFeed.state == water.FeedMoved {
		for i, x := range lacks {
			if x == water.NoSecondDay {
				lacks[i] = water.SecondFeedMoved
			}
		}
	}
	if p.second.text != "" {
		f.Inputs = append(f.Inputs, p.second.inputs...)
		f.Inputs = append(append(f.Inputs, p.secondUntreated.inputs...), secondFeed.inputs...)
		if !p.secondUntreated.ok {
			f.Marks = l.marked(append(f.Marks, "second_untreated"))
		}
	}
	f.Inputs = append(f.Inputs, p.lotBlank.inputs...)
	if code == water.HigherConfirmed {
		settle(f, p, "rise_confirmed", more...)
		return
	}
	if len(lacks) > 0 {
		f.Needs = lackNeeds[lacks[0]]
	}
	settle(f, p, "rise_unconfirmed", append(more, "lacks", strings.Join(lacks, " "))...)
}
