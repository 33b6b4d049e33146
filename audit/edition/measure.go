package edition

import (
	"fmt"
	"math/big"
	"strings"

	"tapledger/protocol"
	"tapledger/rules"
	"tapledger/rules/quantity"
	"tapledger/rules/score"
	"tapledger/runner/assess"
)

var hundred = big.NewRat(100, 1)

// scorer holds the scoring document's expressions, compiled once.
type scorer struct {
	doc      *protocol.Scoring
	measures []*rules.Expr
	caps     []*rules.Expr
	scheme   score.Scheme
}

// newScorer compiles a scoring document against its vocabulary.
func newScorer(doc *protocol.Scoring, values []*protocol.Values) (*scorer, error) {
	s := &scorer{doc: doc}
	env, err := rules.NewEnv(rules.Level, protocol.ScoringVocabulary(values))
	if err != nil {
		return nil, fmt.Errorf("scoring %s: %w", doc.ID, err)
	}
	compile := func(id, src string, want rules.Type) (*rules.Expr, error) {
		x, faults := env.Compile(src, want)
		if len(faults) > 0 {
			return nil, fmt.Errorf("scoring %s, %s: %s", doc.ID, id, faults[0])
		}
		return x, nil
	}
	for _, m := range doc.Measures {
		x, err := compile(m.ID, m.Value, rules.Type{})
		if err != nil {
			return nil, err
		}
		s.measures = append(s.measures, x)
		def, err := measureOf(m, x.Type())
		if err != nil {
			return nil, fmt.Errorf("scoring %s, measure %s: %w", doc.ID, m.ID, err)
		}
		s.scheme.Measures = append(s.scheme.Measures, def)
	}
	for _, c := range doc.Caps {
		x, err := compile(c.ID, c.When, rules.Bool)
		if err != nil {
			return nil, err
		}
		s.caps = append(s.caps, x)
		most, err := quantity.ParseDecimal(c.AtMost)
		if err != nil {
			return nil, fmt.Errorf("scoring %s, cap %s: %w", doc.ID, c.ID, err)
		}
		s.scheme.Caps = append(s.scheme.Caps, score.Cap{ID: c.ID, AtMost: most})
	}
	for _, b := range doc.Bands {
		from, err := quantity.ParseDecimal(b.From)
		if err != nil {
			return nil, fmt.Errorf("scoring %s, band %s: %w", doc.ID, b.ID, err)
		}
		s.scheme.Bands = append(s.scheme.Bands, score.Band{ID: b.ID, From: from})
	}
	for _, p := range doc.Spread {
		r, err := quantity.ParseDecimal(p.Standard)
		if err != nil {
			return nil, fmt.Errorf("scoring %s, spread %s: %w", doc.ID, p.ID, err)
		}
		s.scheme.Spread = append(s.scheme.Spread, score.Part{ID: p.ID, Standard: r})
	}
	s.scheme.Digits = doc.Digits
	return s, nil
}

// measureOf reads a measure's value function in the dimension of its
// expression.
func measureOf(m protocol.Measure, t rules.Type) (score.Measure, error) {
	out := score.Measure{ID: m.ID, Missing: m.Missing, Undecided: m.Undecided, Digits: m.Digits, Curve: score.Curve{Dim: t.Dim()}}
	var err error
	if out.Weight, err = quantity.ParseDecimal(m.Weight); err != nil {
		return out, err
	}
	for _, p := range m.Points {
		c := score.Corner{}
		if c.Points, err = quantity.ParseDecimal(p.Points); err != nil {
			return out, err
		}
		if t.Dim() == quantity.None { // a bare number, or an interval of them
			c.At, err = quantity.ParseDecimal(strings.TrimSuffix(p.At, " 1"))
		} else {
			var q quantity.Quantity
			if q, err = quantity.Parse(p.At); err == nil {
				c.At = q.Base
				if q.Dim != t.Dim() {
					err = fmt.Errorf("its value function is over a %s, and its value is a %s", q.Dim, t)
				}
			}
		}
		if err != nil {
			return out, err
		}
		out.Curve.Corners = append(out.Curve.Corners, c)
	}
	return out, nil
}

// facts gives the findings of one unit to expressions.
type facts struct {
	findings map[string]assess.Finding // by kind and subject
	rows     map[string]assess.Row
}

func newFacts(a *assess.Assessment) *facts {
	f := &facts{findings: map[string]assess.Finding{}, rows: map[string]assess.Row{}}
	for _, x := range a.Findings {
		key := x.Kind + " " + x.Subject
		if _, has := f.findings[key]; !has {
			f.findings[key] = x
		}
	}
	for _, r := range a.Rows {
		f.rows[r.Analyte] = r
	}
	return f
}

// benchKinds are the kinds whose findings the variable `bench` reads.
var benchKinds = []string{assess.KindBench, assess.KindMineral, assess.KindContact, assess.KindCost}

// behind finds the finding that a path reads.
func (f *facts) behind(path string) (assess.Finding, bool) {
	if id, field, ok := analytePath(path); ok {
		x, has := f.findings[field+" "+id]
		return x, has
	}
	name := strings.TrimPrefix(path, "bench.")
	for _, kind := range benchKinds {
		if x, has := f.findings[kind+" "+name]; has {
			return x, true
		}
	}
	return assess.Finding{}, false
}

func analytePath(path string) (id, field string, ok bool) {
	rest, ok := strings.CutPrefix(path, `analyte("`)
	if !ok {
		return "", "", false
	}
	id, field, ok = strings.Cut(rest, `").`)
	return id, field, ok
}

// lookup gives a field's value: of a finding its text, so that what is printed
// is what is scored.
func (f *facts) lookup(path string) (any, rules.Presence) {
	if id, field, ok := analytePath(path); ok && (field == "treated" || field == "untreated") {
		cell := f.rows[id].Treated
		if field == "untreated" {
			cell = f.rows[id].Untreated
		}
		r, err := quantity.ParseResult(cell.Result)
		if err != nil {
			return nil, rules.NotRecorded
		}
		return r, rules.Recorded
	}
	x, ok := f.behind(path)
	if !ok {
		return nil, rules.NotRecorded
	}
	switch assess.StateOf(x.Code) {
	case assess.Known:
	case assess.Undecided:
		if strings.HasSuffix(x.Code, "_feed_moved") || strings.HasSuffix(x.Code, "_pair_opened") {
			return nil, rules.FeedMoved
		}
		return nil, rules.NotRecorded
	default:
		return nil, rules.NotRecorded
	}
	if x.Kind == assess.KindRise {
		return assess.RiseOf(x.Code), rules.Recorded
	}
	i, err := intervalOf(x)
	if err != nil {
		return nil, rules.NotRecorded
	}
	return i, rules.Recorded
}

// intervalOf is a finding from its low to its high end, or its value where it
// has no interval; a missing end is unbounded. Costs are bare numbers, whatever
// their currency.
func intervalOf(x assess.Finding) (quantity.Interval, error) {
	u := quantity.BaseUnit(quantity.None)
	if x.Kind != assess.KindCost {
		var err error
		if u, err = quantity.LookupUnit(x.Unit); err != nil {
			return quantity.Interval{}, err
		}
	}
	low, high := x.Low, x.High
	if low == "" && high == "" {
		low, high = x.Value, x.Value
	}
	i := quantity.Interval{Dim: u.Dim, LoOpen: true, HiOpen: true}
	if low != "" {
		r, err := quantity.ParseDecimal(low)
		if err != nil {
			return i, err
		}
		i.Lo, i.LoOpen = u.ToBase(r), false
	}
	if high != "" {
		r, err := quantity.ParseDecimal(high)
		if err != nil {
			return i, err
		}
		i.Hi, i.HiOpen = u.ToBase(r), false
	}
	if i.Lo == nil && i.Hi == nil {
		return i, fmt.Errorf("finding %s of %s has no value", x.Code, x.Subject)
	}
	return i, nil
}

// measure evaluates one measure.
func (f *facts) measure(x *rules.Expr) (score.Value, error) {
	v, d := x.Value(f.lookup)
	if d.State == rules.Faulty {
		return score.Value{}, fmt.Errorf("it cannot be evaluated: %s", d.Code)
	}
	if d.State != rules.Met {
		return f.lack(x, d), nil
	}
	i, err := asInterval(v)
	return score.Value{State: score.Known, Interval: i, Bound: f.bound(x)}, err
}

// bound tells whether all that an expression reads is known by a bound alone,
// such as a reduction from a treated non-detect.
func (f *facts) bound(x *rules.Expr) string {
	found := ""
	for _, path := range x.Refs() {
		b, ok := f.behind(path)
		if !ok || !strings.HasSuffix(b.Code, "_at_least") {
			return ""
		}
		found = "yes"
	}
	return found
}

func asInterval(v any) (quantity.Interval, error) {
	switch v := v.(type) {
	case quantity.Interval:
		return v, nil
	case quantity.Quantity:
		return quantity.Point(v), nil
	case *big.Rat:
		return quantity.Interval{Dim: quantity.None, Lo: v, Hi: v}, nil
	case quantity.Result:
		return v.Interval(), nil
	}
	return quantity.Interval{}, fmt.Errorf("a %T is nothing that points can be given for", v)
}

// lack says why a measure has no value: the first finding it rests on that
// has none, undecided before missing.
func (f *facts) lack(x *rules.Expr, d rules.Decision) score.Value {
	v := score.Value{State: score.Missing, Code: string(d.Code)}
	for _, path := range x.Refs() {
		b, ok := f.behind(path)
		switch state := assess.StateOf(b.Code); {
		case ok && state == assess.Undecided:
			return score.Value{State: score.Undecided, Code: b.Code}
		case ok && state == assess.Missing:
			v.Code = b.Code
		}
	}
	if d.State == rules.Undecided && d.Code != rules.CodeNotRecorded {
		v.State = score.Undecided
	}
	return v
}

// cap decides whether a cap applies. One that cannot be decided is open.
func (f *facts) cap(x *rules.Expr) (state, code string, err error) {
	d := x.Judge(f.lookup)
	switch d.State {
	case rules.Met:
		return score.Applies, "", nil
	case rules.Unmet:
		return score.AppliesNot, "", nil
	case rules.Faulty:
		return "", "", fmt.Errorf("it cannot be evaluated: %s", d.Code)
	}
	return score.Open, string(d.Code), nil
}

// rests lists what an expression read.
func (f *facts) rests(x *rules.Expr) []Rest {
	out := []Rest{}
	for _, path := range x.Refs() {
		r := Rest{Path: path}
		if b, ok := f.behind(path); ok {
			r.Kind, r.Subject, r.Code = b.Kind, b.Subject, b.Code
		}
		out = append(out, r)
	}
	return out
}

// counting says for every analyte whether it counts in the campaign, and which
// measures its reduction is read by are left out because it does not.
func counting(c *campaign, s *scorer, list []*ranked) ([]AnalyteBasis, error) {
	k, err := quantity.ParseDecimal(c.c.FeedFactor)
	if err != nil {
		return nil, fmt.Errorf("campaign %s, feed factor: %w", c.c.ID, err)
	}
	defs := map[string]protocol.AnalyteDef{}
	for _, v := range c.valueDocs() {
		for _, a := range v.Analytes {
			if _, has := defs[a.ID]; !has {
				defs[a.ID] = a
			}
		}
	}
	asked := c.protocol.Value.(*protocol.Protocol).Analytes
	allowed := map[string]bool{}
	for _, id := range c.c.Analytes {
		allowed[id] = true
	}
	var out []AnalyteBasis
	counts := map[string]bool{}
	for _, id := range asked {
		d := defs[id]
		a := AnalyteBasis{ID: id, Name: d.Name, Unit: d.In, Role: d.Role, Counts: "yes"}
		if a.Name == "" {
			a.Name = id
		}
		var fed []score.Fed
		for _, r := range list {
			fed = append(fed, fedOf(r, id))
		}
		for _, x := range score.Counts(k, fed) {
			a.Why = append(a.Why, NotCounted{Unit: x.Unit, Why: x.Why})
		}
		if len(allowed) > 0 && !allowed[id] {
			a.Why = []NotCounted{{Why: "not_in_campaign"}}
		}
		if len(a.Why) > 0 {
			a.Counts = "no"
		}
		counts[id] = a.Counts == "yes"
		out = append(out, a)
	}
	for i, x := range s.measures {
		for _, path := range x.Refs() {
			if id, field, ok := analytePath(path); ok && field == "reduction" && !counts[id] && s.scheme.Measures[i].NotCounted == "" {
				s.scheme.Measures[i].NotCounted = id
			}
		}
	}
	return out, nil
}

// fedOf is one run's evidence on whether an analyte counts.
func fedOf(r *ranked, analyte string) score.Fed {
	f := score.Fed{Unit: r.unit}
	for _, row := range r.a.Rows {
		if row.Analyte != analyte {
			continue
		}
		if u, err := quantity.ParseResult(row.Untreated.Result); err == nil {
			f.Untreated = &u
			f.UntreatedLimit = cellLimit(row.Untreated, u)
		}
		if t, err := quantity.ParseResult(row.Treated.Result); err == nil {
			f.HasTreated = true
			f.TreatedLimit = cellLimit(row.Treated, t)
		}
	}
	return f
}

// cellLimit is a result's reporting limit in its own expression, or the limit
// of a non-detect.
func cellLimit(c assess.Cell, r quantity.Result) *big.Rat {
	if q, err := quantity.ParseResult(c.Limit); err == nil && q.Quantity.Dim == r.Quantity.Dim {
		return q.Quantity.Base
	}
	if r.Qualifier == quantity.Below {
		return r.Quantity.Base
	}
	return nil
}
