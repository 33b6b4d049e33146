package edition

import (
	"fmt"
	"strings"

	"tapledger/audit"
	"tapledger/protocol"
	"tapledger/rules"
	"tapledger/rules/quantity"
	"tapledger/rules/score"
	"tapledger/runner/assess"
)

// Build works out the core and the evidence of an edition of a campaign, from
// a ledger alone: main is the commit on main whose documents and register
// count, heads the newest commit of every registered run that has a record.
// version "" takes the campaign's newest version on main. Paths are those in
// the edition's tree ("core/scores.json"). A campaign that may not be
// published gives *Refused.
func Build(o audit.Objects, main string, heads map[string]string, campaign, version string) (core, evidence map[string][]byte, err error) {
	b, err := build(o, main, heads, campaign, version)
	if err != nil {
		return nil, nil, err
	}
	if core, err = b.core(); err != nil {
		return nil, nil, err
	}
	evidence, err = b.evidence()
	return core, evidence, err
}

// built is an edition under way.
type built struct {
	g        *ledger
	c        *campaign
	list     []*ranked
	s        *scorer
	analytes []AnalyteBasis
	facts    map[string]*facts
	values   map[string]map[string]score.Value // unit -> measure
	caps     map[string]map[string]UnitCap
	table    *score.Table
}

func build(o audit.Objects, main string, heads map[string]string, id, version string) (*built, error) {
	g, err := gather(o, main, heads)
	if err != nil {
		return nil, err
	}
	b := &built{g: g, facts: map[string]*facts{}, values: map[string]map[string]score.Value{}, caps: map[string]map[string]UnitCap{}}
	if b.c, err = g.campaign(id, version); err != nil {
		return nil, err
	}
	var reasons []Reason
	if b.list, reasons, err = g.choose(b.c); err != nil {
		return nil, err
	}
	if err := g.assess(b.c, b.list); err != nil {
		return nil, err
	}
	more, err := compare(b.c.c, b.list)
	if err != nil {
		return nil, err
	}
	if reasons = append(reasons, more...); len(reasons) > 0 {
		return nil, &Refused{Campaign: b.c.doc.ID + "@" + b.c.doc.Version, Reasons: reasons}
	}
	if b.s, err = newScorer(b.c.score(), b.c.valueDocs()); err != nil {
		return nil, err
	}
	if b.analytes, err = counting(b.c, b.s, b.list); err != nil {
		return nil, err
	}
	return b, b.score()
}

// score evaluates measures and caps of every ranked unit and ranks them.
func (b *built) score() error {
	var units []score.Unit
	for _, r := range b.list {
		f := newFacts(r.a)
		b.facts[r.unit] = f
		u := score.Unit{ID: r.unit, Values: map[string]score.Value{}, Caps: map[string]string{}}
		for i, m := range b.s.doc.Measures {
			v, err := f.measure(b.s.measures[i])
			if err != nil {
				return fmt.Errorf("measure %s of unit %s: %w", m.ID, r.unit, err)
			}
			u.Values[m.ID] = v
		}
		b.caps[r.unit] = map[string]UnitCap{}
		for i, c := range b.s.doc.Caps {
			state, code, err := f.cap(b.s.caps[i])
			if err != nil {
				return fmt.Errorf("cap %s of unit %s: %w", c.ID, r.unit, err)
			}
			u.Caps[c.ID] = state
			b.caps[r.unit][c.ID] = UnitCap{Cap: c.ID, State: state, Code: code, Rests: f.rests(b.s.caps[i])}
		}
		b.values[r.unit] = u.Values
		units = append(units, u)
	}
	var err error
	b.table, err = score.Rank(b.s.scheme, units)
	if err != nil {
		return &Refused{Campaign: b.c.doc.ID + "@" + b.c.doc.Version, Reasons: []Reason{{Code: "no_measure", Says: err.Error(), Hint: "a scoring whose measures give a range instead of being left out can be published"}}}
	}
	return nil
}

// core writes the files under core/.
func (b *built) core() (map[string][]byte, error) {
	basis, scores, findings, statements := b.basis(), b.scores(), b.findings(), b.statements()
	out := map[string][]byte{ResultsTable: resultsTable(&basis, &findings), ScoresTable: scoresTable(&basis, &scores)}
	for path, v := range map[string]any{BasisFile: basis, ScoresFile: scores, FindingsFile: findings, StatementsFile: statements} {
		data, err := audit.Marshal(v)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		out[path] = data
	}
	return out, nil
}

func (b *built) simulated() string { return b.g.bench.Simulated }

func (b *built) findings() Findings {
	out := Findings{Format: CoreFormat, Simulated: b.simulated(), Runs: []assess.Assessment{}}
	for _, r := range b.list {
		a := *r.a
		a.Findings = make([]assess.Finding, len(r.a.Findings))
		for i, f := range r.a.Findings {
			// A formula's own source is words of this tool, which may be put better
			// one day; only a document's is part of the core.
			if formula, ok := assess.FormulaOf(f.Rule); ok && formula.Source == f.Source {
				f.Source = ""
			}
			a.Findings[i] = f
		}
		out.Runs = append(out.Runs, a)
	}
	return out
}

// scores writes the table of scores, best rank first.
func (b *built) scores() Scores {
	out := Scores{Format: CoreFormat, Simulated: b.simulated(), Half: b.table.Half, Units: []UnitScore{}, LeftOut: []LeftOut{}}
	runs := map[string]string{}
	for _, r := range b.list {
		runs[r.unit] = r.run.id
	}
	for _, l := range b.table.LeftOut {
		out.LeftOut = append(out.LeftOut, LeftOut{Measure: l.Measure, Why: l.Why, Code: l.Code, Units: l.Units})
	}
	for _, u := range b.table.Units {
		us := UnitScore{Unit: u.ID, Run: runs[u.ID], Rank: u.Rank, RankWorst: u.RankWorst, Sharing: u.Sharing, Low: u.Low, Number: u.Number, High: u.High,
			Band: u.Band, BandHigh: u.BandHigh, Before: [3]string{u.BeforeLow, u.BeforeNumber, u.BeforeHigh}, Caps: []UnitCap{}, Measures: []UnitMeasure{}}
		points := map[string]score.Points{}
		for _, p := range u.Measures {
			points[p.Measure] = p
		}
		for i, m := range b.s.doc.Measures {
			us.Measures = append(us.Measures, b.unitMeasure(u.ID, i, m, points[m.ID]))
		}
		for _, c := range b.s.doc.Caps {
			us.Caps = append(us.Caps, b.caps[u.ID][c.ID])
		}
		out.Units = append(out.Units, us)
	}
	return out
}

// unitMeasure writes one measure of one unit; its value in the unit that the
// value function is written in.
func (b *built) unitMeasure(unit string, i int, m protocol.Measure, p score.Points) UnitMeasure {
	v := b.values[unit][m.ID]
	out := UnitMeasure{Measure: m.ID, State: v.State, Code: v.Code, Bound: v.Bound, Low: p.Low, Number: p.Number, High: p.High,
		Rests: b.facts[unit].rests(b.s.measures[i])}
	if v.State != score.Known {
		return out
	}
	show := quantity.Plain
	if b.s.measures[i].Type().Dim() != quantity.None {
		if q, err := quantity.Parse(m.Points[0].At); err == nil && q.Dim == v.Interval.Dim {
			out.Unit = q.Unit.Code
			u := q.Unit
			show = plainIn(u)
		}
	}
	if v.Interval.Lo != nil {
		out.ValueLow = show(v.Interval.Lo)
	}
	if v.Interval.Hi != nil {
		out.ValueHigh = show(v.Interval.Hi)
	}
	return out
}

// basis writes down the documents that everything rests on.
func (b *built) basis() Basis {
	c, s := b.c, b.s.doc
	pr := c.protocol.Value.(*protocol.Protocol)
	lab := c.lab.Value.(*protocol.Laboratory)
	out := Basis{Format: CoreFormat, Bench: b.g.bench.ID, Title: b.g.bench.Title, Simulated: b.simulated(), Engine: rules.Level, Main: b.g.main,
		Campaign: documentOf(c.doc, c.c.Title), Protocol: documentOf(c.protocol, pr.Title), Scoring: documentOf(c.scoring, s.Title),
		Lab: documentOf(c.lab, lab.Title), Values: []Document{}, Units: []UnitBasis{}, Analytes: b.analytes, Groups: []GroupBasis{},
		Measures: []MeasureBasis{}, Caps: []CapBasis{}, Bands: []BandBasis{}, Spread: []SpreadBasis{}, Envelope: []EnvelopeBasis{},
		LifePoint: c.c.LifePoint, Digits: s.Digits, Cautions: []CautionBasis{}}
	for i, d := range c.values {
		out.Values = append(out.Values, documentOf(d, c.valueDocs()[i].Title))
	}
	for _, g := range s.Groups {
		out.Groups = append(out.Groups, GroupBasis{g.ID, g.Title})
	}
	shares := map[string]string{}
	for _, x := range b.table.Shares {
		shares[x.Measure] = x.Percent
	}
	for _, m := range s.Measures {
		out.Measures = append(out.Measures, MeasureBasis{m, shares[m.ID]})
	}
	for _, x := range s.Caps {
		out.Caps = append(out.Caps, CapBasis{x})
	}
	for _, x := range s.Bands {
		out.Bands = append(out.Bands, BandBasis{x})
	}
	for _, x := range s.Spread {
		out.Spread = append(out.Spread, SpreadBasis{x})
	}
	for _, e := range c.c.Envelope {
		x := EnvelopeBasis{EnvelopePart: e, Had: []assess.Arg{}}
		for _, r := range b.list {
			from, err := quantity.Parse(e.From)
			if i, ok := r.stands.Feed[e.Gives]; ok && err == nil {
				x.Had = append(x.Had, assess.Arg{Name: r.unit, Text: i.Text(from.Unit, 4)})
			}
		}
		out.Envelope = append(out.Envelope, x)
	}
	for _, r := range b.list {
		out.Units = append(out.Units, b.unitBasis(r))
	}
	out.Cautions = b.cautions()
	return out
}

// unitBasis says what a ranked unit is, and how it was obtained.
func (b *built) unitBasis(r *ranked) UnitBasis {
	st := r.run.state
	u := st.Pinned.Unit
	doc := Document{Kind: protocol.KindUnit, ID: u.ID, Version: u.Version, Title: u.Title, Source: st.Pinned.Opened.Unit.Source, Resolved: st.Pinned.Opened.Unit.Resolved}
	out := UnitBasis{Unit: u.ID, Document: doc, Mark: u.Mark, Invented: u.Invented, Acquired: u.Acquired, Run: r.run.id, Runs: r.runs, Parts: r.parts,
		Changes: b.partChanges(r), Repairs: b.newestUnit(r).Repairs, Claims: b.newestUnit(r).Claims}
	if out.Parts == nil {
		out.Parts = []PartBasis{}
	}
	return out
}

// cautions are those due on everything that is published: scope always,
// not-tested-micro when nothing was tested for germs, above-value when a result
// lies above a health-based value. Their texts are those of the ledger.
func (b *built) cautions() []CautionBasis {
	want := []string{"scope"}
	if !b.testedForGerms() {
		want = append(want, "not-tested-micro")
	}
	for _, r := range b.list {
		if len(above(r.a)) > 0 {
			want = append(want, "above-value")
			break
		}
	}
	out := []CautionBasis{}
	for _, id := range want {
		if d, ok := b.g.lib.Newest(protocol.KindCaution, id); ok {
			c := d.Value.(*protocol.Caution)
			out = append(out, CautionBasis{c.ID, c.Version, c.Text})
		}
	}
	return out
}

func (b *built) testedForGerms() bool {
	for _, a := range b.analytes {
		if strings.Contains(a.ID, "coli") {
			return true
		}
	}
	return false
}

// above lists the findings of results above a health-based value.
func above(a *assess.Assessment) []assess.Finding {
	var out []assess.Finding
	for _, f := range a.Findings {
		if f.Code == "margin_above" {
			out = append(out, f)
		}
	}
	return out
}
