package protocol

import (
	"fmt"
	"math/big"
	"regexp"
	"slices"
	"strings"

	"tapledger/rules"
	"tapledger/rules/quantity"
)

func (d *draft) checkScoring(s *Scoring, lib *Library) {
	var values []*Values
	for _, doc := range lib.All(KindValues) {
		if v, ok := doc.Value.(*Values); ok {
			values = append(values, v)
		}
	}
	env, err := rules.NewEnv(rules.Level, ScoringVocabulary(values))
	if err != nil {
		d.fault("/measures", "the expressions of this document cannot be checked: "+err.Error(), "")
	}
	var groups, ids []string
	for _, g := range s.Groups {
		groups = append(groups, g.ID)
	}
	d.unique("group", groups, func(i int) string { return fmt.Sprintf("/groups/%d/id", i) })
	sum := new(big.Rat)
	for i, m := range s.Measures {
		ptr := fmt.Sprintf("/measures/%d", i)
		ids = append(ids, m.ID)
		d.checkID(ptr+"/id", m.ID)
		d.known(ptr+"/group", "group", m.Group, groups)
		if w, ok := d.decimal(ptr+"/weight", m.Weight); ok {
			sum.Add(sum, w)
		}
		x := d.compile(env, ptr+"/value", m.Value, rules.Type{})
		d.checkValueFunction(ptr, m, x)
		if x != nil {
			d.checkFromMemory(ptr+"/value", m.Value, x, values)
		}
	}
	d.unique("measure", ids, func(i int) string { return fmt.Sprintf("/measures/%d/id", i) })
	if sum.Sign() == 0 && len(s.Measures) > 0 {
		d.faultKey("/measures", "the weights add up to zero", "give at least one measure a weight above zero")
	}
	strange := slices.ContainsFunc(s.Measures, func(m Measure) bool { return !slices.Contains(groups, m.Group) })
	for i, g := range groups {
		if !strange && !slices.ContainsFunc(s.Measures, func(m Measure) bool { return m.Group == g }) {
			d.fault(fmt.Sprintf("/groups/%d/id", i), fmt.Sprintf("no measure is in the group %q", g), "")
		}
	}
	d.checkCaps(s, env)
	d.checkBands(s)
	d.checkSpread(s)
}

// decimal reads a decimal that may not lie below zero.
func (d *draft) decimal(ptr, text string) (*big.Rat, bool) {
	r, err := quantity.ParseDecimal(text)
	if err != nil {
		return nil, false
	}
	if r.Sign() < 0 {
		d.fault(ptr, fmt.Sprintf("%s lies below zero", text), "")
		return nil, false
	}
	return r, true
}

var hundred = big.NewRat(100, 1)

// ofHundred reads points, which lie between 0 and 100.
func (d *draft) ofHundred(ptr, text string) (*big.Rat, bool) {
	r, ok := d.decimal(ptr, text)
	if ok && r.Cmp(hundred) > 0 {
		d.fault(ptr, fmt.Sprintf("%s lies above 100", text), "points and scores are of 100")
		return nil, false
	}
	return r, ok
}

// checkValueFunction reports corners of another dimension than the measure,
// and corners that do not ascend.
func (d *draft) checkValueFunction(ptr string, m Measure, x *rules.Expr) {
	want := rules.Type{}
	if x != nil {
		want = x.Type()
		if want != rules.Number && want != rules.QuantityOf(want.Dim()) && !want.IsInterval() {
			d.fault(ptr+"/value", fmt.Sprintf("a measure is a number, a quantity or an interval; this is a %s", want), "")
			return
		}
	}
	var last *big.Rat
	for i, c := range m.Points {
		at := fmt.Sprintf("%s/points/%d", ptr, i)
		d.ofHundred(at+"/points", c.Points)
		v, ok := d.corner(at+"/at", c.At, want, x != nil)
		if !ok {
			continue
		}
		if last != nil && v.Cmp(last) <= 0 {
			d.fault(at+"/at", fmt.Sprintf("%s does not lie above the corner before it", c.At), "the corners of a value function ascend")
		}
		last = v
	}
}

// bare tells whether a measure is a number without a unit.
func bare(t rules.Type) bool {
	return t == rules.Number || t == rules.IntervalOf(quantity.None)
}

func (d *draft) corner(ptr, text string, want rules.Type, known bool) (*big.Rat, bool) {
	if r, err := quantity.ParseDecimal(text); err == nil {
		if known && !bare(want) {
			d.fault(ptr, fmt.Sprintf("%s has no unit; the measure is a %s", text, want.Dim()), `write the unit after it, as in "80 %"`)
			return nil, false
		}
		return r, true
	}
	q, err := quantity.Parse(text)
	switch {
	case err != nil:
		d.fault(ptr, err.Error(), "")
	case known && bare(want):
		d.fault(ptr, fmt.Sprintf("%q has a unit; the measure is a bare number", text), "write the number alone")
	case known && q.Dim != want.Dim():
		d.fault(ptr, fmt.Sprintf("%q is a %s; the measure is a %s", text, q.Dim, want.Dim()), "")
	default:
		return q.Base, true
	}
	return nil, false
}

var marginRef = regexp.MustCompile(`^analyte\("([a-z0-9_]+)"\)\.margin$`)

// checkFromMemory reports a margin for which no value read in its source is at
// hand: what is only remembered enters no score.
func (d *draft) checkFromMemory(ptr, src string, x *rules.Expr, values []*Values) {
	for _, ref := range x.Refs() {
		g := marginRef.FindStringSubmatch(ref)
		if g == nil {
			continue
		}
		decides, remembered := false, false
		for _, v := range values {
			for _, row := range v.Values {
				if row.Analyte != g[1] || !DecisionTypes[row.Type] || row.Basis != "health" {
					continue
				}
				decides = decides || row.Decides()
				remembered = remembered || row.Status == "MEMORY"
			}
		}
		if decides {
			continue
		}
		says := fmt.Sprintf("no health-based value of %q is at hand", g[1])
		if remembered {
			says = fmt.Sprintf("the health-based values of %q are from memory, and those enter no score", g[1])
		}
		d.fault(ptr, says, "")
	}
}

var riseWords = regexp.MustCompile(`higher_confirmed|higher_unconfirmed|not_distinguishable|!`)

// checkCaps reports caps that could bind on something that is not confirmed.
func (d *draft) checkCaps(s *Scoring, env *rules.Env) {
	var ids []string
	for i, c := range s.Caps {
		ptr := fmt.Sprintf("/caps/%d", i)
		ids = append(ids, c.ID)
		d.checkID(ptr+"/id", c.ID)
		d.ofHundred(ptr+"/at_most", c.AtMost)
		x := d.compile(env, ptr+"/when", c.When, rules.Bool)
		confirmed := false
		for _, w := range riseWords.FindAllString(c.When, -1) {
			if w != "higher_confirmed" {
				confirmed = false
				d.fault(ptr+"/when", "a cap rests on a confirmed rise only", "write analyte(\"...\").rise == higher_confirmed")
				break
			}
			confirmed = true
		}
		if x == nil || confirmed || riseWords.MatchString(c.When) {
			continue
		}
		d.fault(ptr+"/when", "this cap rests on nothing that is confirmed", "write analyte(\"...\").rise == higher_confirmed, with more conditions if need be")
	}
	d.unique("cap", ids, func(i int) string { return fmt.Sprintf("/caps/%d/id", i) })
}

func (d *draft) checkBands(s *Scoring) {
	var ids []string
	var last *big.Rat
	for i, b := range s.Bands {
		ids = append(ids, b.ID)
		ptr := fmt.Sprintf("/bands/%d/from", i)
		from, ok := d.ofHundred(ptr, b.From)
		if !ok {
			continue
		}
		switch {
		case last == nil && from.Sign() != 0:
			d.fault(ptr, fmt.Sprintf("the first band begins at %s", b.From), "begin at 0, so that every score lies in a band")
		case last != nil && from.Cmp(last) <= 0:
			d.fault(ptr, fmt.Sprintf("%s does not lie above the band before it", b.From), "the bands ascend")
		}
		last = from
	}
	d.unique("band", ids, func(i int) string { return fmt.Sprintf("/bands/%d/id", i) })
}

// checkSpread reports a part of the uncertainty that is zero or missing: one
// item on one day says nothing about either part.
func (d *draft) checkSpread(s *Scoring) {
	seen := map[string]bool{}
	for i, part := range s.Spread {
		if seen[part.ID] {
			d.fault(fmt.Sprintf("/spread/%d/id", i), fmt.Sprintf("the part %q stands here a second time", part.ID), "unit_to_unit and day_to_day, once each")
		}
		seen[part.ID] = true
		if r, ok := d.decimal(fmt.Sprintf("/spread/%d/standard", i), part.Standard); ok && r.Sign() == 0 {
			d.fault(fmt.Sprintf("/spread/%d/standard", i), fmt.Sprintf("%s is zero; it never is", strings.ReplaceAll(part.ID, "_", " ")),
				"take it from repeated runs, or assume a figure and mark it assumed")
		}
	}
}

func (d *draft) checkCampaign(c *Campaign, lib *Library) {
	p, _ := d.refDoc("/protocol", KindProtocol, c.Protocol, lib).(*Protocol)
	scoring, _ := d.refDoc("/scoring", KindScoring, c.Scoring, lib).(*Scoring)
	var values []*Values
	for i, ref := range c.Values {
		if v, ok := d.refDoc(fmt.Sprintf("/values/%d", i), KindValues, ref, lib).(*Values); ok {
			values = append(values, v)
		}
	}
	if _, ok := lib.Newest(KindLaboratory, c.Laboratory); !ok {
		d.fault("/laboratory", fmt.Sprintf("the laboratory %q is not known here", c.Laboratory), knownDocs(lib, KindLaboratory, c.Laboratory))
	}
	for i, id := range c.Units {
		ptr := fmt.Sprintf("/units/%d", i)
		doc, ok := lib.Newest(KindUnit, id)
		if !ok {
			d.fault(ptr, fmt.Sprintf("the unit %q is not known here", id), knownDocs(lib, KindUnit, id))
			continue
		}
		if u, isUnit := doc.Value.(*Unit); isUnit && p != nil {
			for _, has := range u.Has {
				if !slices.Contains(p.UnitHas, has) {
					d.fault(ptr, fmt.Sprintf("the unit %q has a %s, for which the protocol %s is not written", id, strings.ReplaceAll(has, "_", " "), p.ID), "")
				}
			}
		}
	}
	for i, e := range c.Envelope {
		d.checkEnvelope(fmt.Sprintf("/envelope/%d", i), e, p)
	}
	for i, a := range c.Analytes {
		if p != nil && len(p.Analytes) > 0 {
			d.known(fmt.Sprintf("/analytes/%d", i), "analyte", a, p.Analytes)
		}
	}
	d.positive("/life_point", c.LifePoint)
	if r, ok := d.decimal("/feed_factor", c.FeedFactor); ok && r.Sign() == 0 {
		d.fault("/feed_factor", "a feed factor of zero lets every analyte count", "10 is the usual figure (common practice, no source)")
	}
	d.checkScored(c, p, scoring, values)
}

// refDoc looks a document up and reports where it is missing.
func (d *draft) refDoc(ptr, kind string, ref DocRef, lib *Library) any {
	doc, ok := lib.Get(kind, ref.ID, ref.Version)
	if !ok {
		d.fault(ptr+"/id", fmt.Sprintf("the %s document %s %s is not known here", kind, ref.ID, ref.Version), knownDocs(lib, kind, ref.ID))
		return nil
	}
	return doc.Value
}

func (d *draft) checkEnvelope(ptr string, e EnvelopePart, p *Protocol) {
	dim, ok := GivesDimension(e.Gives)
	if !ok {
		d.fault(ptr+"/gives", fmt.Sprintf("%q is no bench measurement", e.Gives), nearHint(e.Gives, GivesNames()))
		return
	}
	if p != nil {
		if s, _ := p.Giving(e.Gives); s == nil {
			d.fault(ptr+"/gives", fmt.Sprintf("no step of the protocol %s gives %s", p.ID, e.Gives), "")
			return
		}
	}
	d.dimension(ptr+"/from", e.From, dim)
	d.dimension(ptr+"/to", e.To, dim)
	d.ordered(ptr+"/from", e.From, e.To, "the envelope begins at %s, above its end %s")
}

// checkScored reports a measure or cap on an analyte that the protocol does
// not ask the laboratory for: it would be missing for every unit.
func (d *draft) checkScored(c *Campaign, p *Protocol, s *Scoring, values []*Values) {
	if p == nil || s == nil || len(p.Analytes) == 0 {
		return
	}
	env, err := rules.NewEnv(rules.Level, ScoringVocabulary(values))
	if err != nil {
		return
	}
	for _, m := range s.Measures {
		x, faults := env.Compile(m.Value, rules.Type{})
		if len(faults) > 0 {
			d.fault("/scoring", fmt.Sprintf("the measure %q cannot be computed with these values documents: %s", m.ID, faults[0].Says), "")
			continue
		}
		if x == nil {
			continue
		}
		for _, ref := range x.Refs() {
			id, isAnalyte := strings.CutPrefix(ref, `analyte("`)
			if id, _, _ = strings.Cut(id, `"`); isAnalyte && !slices.Contains(p.Analytes, id) {
				d.fault("/scoring", fmt.Sprintf("the measure %q reads %q, which the protocol %s does not ask for", m.ID, id, p.ID), "")
			}
		}
	}
}
