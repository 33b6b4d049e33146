package assess

import (
	"math/big"
	"strings"

	"tapledger/rules/quantity"
	"tapledger/rules/water"
)

// margin holds the treated result against the lowest health-based value that
// may decide. Where the repeat of another day has a result the interval spans
// both, steady feed or not: a margin is about the treated water alone.
func (l *look) margin(p *pair) error {
	if p.def.Role != "contaminant" && !l.hasValue(p.id) {
		return nil // nobody published one, and nobody would look for it
	}
	f := l.base(p, KindMargin, FMargin, p.treated)
	if p.treated.text == "" {
		settle(&f, p, "margin_no_result")
		l.add(f)
		return nil
	}
	if p.treated.problem {
		settle(&f, p, "margin_not_comparable")
		l.add(f)
		return nil
	}
	low := water.LowestValue(l.published, p.id, p.treated.m.Result.Speciation, p.treated.m.Result.Quantity.Dim)
	left := leftOut(low.Left)
	if !low.Found {
		settle(&f, p, "margin_none", "left", left)
		l.add(f)
		return nil
	}
	f.Inputs = append(f.Inputs, l.from[low.Row])
	about := []string{"value", join(low.Row.Value, low.Row.Speciation), "type", low.Row.Type, "jurisdiction", low.Row.Jurisdiction,
		"document", low.Row.Document, "year", low.Row.Year, "status", low.Row.Status, "left", left}
	a, err := water.HealthValue(p.treated.m, low.Value, p.treated.m.Result.Speciation, l.assumed)
	if err != nil {
		settle(&f, p, "margin_not_comparable", about...)
		l.add(f)
		return nil
	}
	f.Unit = "%"
	code := marginCode(a)
	if p.second.ok && l.otherDay() && comparable(p.treated, p.second) == nil {
		b, err := water.HealthValue(p.second.m, low.Value, p.second.m.Result.Speciation, l.assumed)
		if err != nil {
			return err
		}
		f.Inputs, f.Marks = append(f.Inputs, p.second.inputs...), l.marked(append(f.Marks, p.second.marks...), l.draws.second.step)
		first, second := shareText(a), shareText(b)
		about = append(about, "days", daysText(first, second), "first_day", first, "second_day", second)
		a.Margin = spanned(a.Margin, b.Margin)
		if a.Point != nil && b.Point != nil {
			a.Point = meanOf([]*big.Rat{a.Point, b.Point})
		} else {
			a.Point = nil
		}
		if marginCode(b) != code {
			code = "margin_days_differ"
		}
	}
	f.Value = percent(a.Point, quantity.HalfEven)
	f.Low, f.High = percent(a.Margin.Lo, quantity.Down), percent(a.Margin.Hi, quantity.Up)
	settle(&f, p, code, about...)
	if low.Row.Status != "VERIFIED" {
		f.Marks = l.marked(append(f.Marks, "status:"+strings.ToLower(low.Row.Status)))
	}
	l.add(f)
	return nil
}

// marginCode names what one day's sample says.
func marginCode(a water.Against) string {
	if code := map[string]string{water.BelowValue: "margin_below", water.AboveValue: "margin_above"}[a.State]; code != "" {
		return code
	}
	return map[string]string{water.Straddles: "margin_straddles", water.LimitAboveValue: "margin_limit", water.RangeBelowValue: "margin_range"}[a.Why]
}

// shareText is one day's share of the value as an argument.
func shareText(a water.Against) string {
	return Span(percent(a.Margin.Lo, quantity.Down), percent(a.Margin.Hi, quantity.Up)) + " %"
}

// leftOut lists the health-based values that did not count for their status or
// expression, with why; those on another basis are none.
func leftOut(list []water.LeftOut) string {
	why := map[string]string{water.FromMemory: "from memory, unverified", water.InConflict: "its sources disagree", water.NoYear: "its document or year is missing",
		water.NotRead: "not a quantity", water.OtherUnits: "expressed differently"}
	goals := map[string]bool{"MCLG": true, "PHG": true}
	var out []string
	for _, x := range list {
		if why[x.Why] != "" && !goals[x.Row.Type] {
			out = append(out, join(x.Row.Value, x.Row.Speciation)+" ("+x.Row.Type+", "+x.Row.Jurisdiction+", "+why[x.Why]+")")
		}
	}
	return strings.Join(out, ", ")
}

func (l *look) hasValue(analyte string) bool {
	for _, row := range l.published {
		if row.Analyte == analyte && row.Basis == "health" {
			return true
		}
	}
	return false
}

// goals says what there is to say about each goal, in a column of its own; a
// goal below every laboratory's limit is said once.
func (l *look) goals(p *pair) {
	if !p.treated.ok {
		return
	}
	spec, dim := p.treated.m.Result.Speciation, p.treated.m.Result.Quantity.Dim
	for _, row := range water.LowestValue(l.published, p.id, spec, dim).Goals {
		q, err := quantity.Parse(row.Value)
		if err != nil {
			continue
		}
		if row.Speciation != spec {
			if q, err = water.Convert(p.id, q, row.Speciation, spec); err != nil {
				continue
			}
		}
		f := Finding{Subject: p.id, Kind: KindGoal, Rule: FGoal, Source: row.Document + ", " + row.Year, Inputs: append(append([]Input{}, p.treated.inputs...), l.from[row])}
		code := map[string]string{water.GoalOfZero: "goal_zero", water.NoMethodBelow: "goal_no_method", water.GoalCompared: "goal_compared"}[water.Goal(p.treated.m, q)]
		f.Code, f.Needs = code, byCode[code].Needs
		f.Args = args("name", p.def.Name, "value", join(row.Value, row.Speciation), "type", row.Type, "jurisdiction", row.Jurisdiction, "document", row.Document, "year", row.Year)
		l.add(f)
	}
}
