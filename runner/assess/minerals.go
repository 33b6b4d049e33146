package assess

import (
	"math/big"
	"strings"

	"tapledger/protocol"
	"tapledger/rules/quantity"
	"tapledger/rules/water"
)

// minerals says what of minerals, hardness and alkalinity is in the treated
// sample, what the last filter adds, and what its pH means.
func (l *look) minerals() error {
	for _, id := range l.analyteIDs() {
		if d := l.def(id); d.Role == "mineral" {
			if err := l.mineral(id, d); err != nil {
				return err
			}
		}
	}
	if err := l.hardness(); err != nil {
		return err
	}
	if err := l.alkalinity(); err != nil {
		return err
	}
	if err := l.added(); err != nil {
		return err
	}
	return l.ph()
}

// mineral holds one mineral of the treated sample against the ranges that are
// recommended, where a values document says so: one finding a document.
func (l *look) mineral(id string, d protocol.AnalyteDef) error {
	p := &pair{id: id, def: d, treated: l.result(l.draws.treated, id, "treated")}
	if !p.treated.ok {
		return nil
	}
	i, err := water.Within95(p.treated.m, l.assumed)
	if err != nil {
		return err
	}
	f := l.base(p, KindMineral, FMineral, p.treated)
	unit := printed(d, p.treated.m.Result.Quantity)
	f.Unit = unit.Code
	f.Low, f.High = number(i.Lo, unit, figures, quantity.Down), number(i.Hi, unit, figures, quantity.Up)
	if p.treated.m.Result.Qualifier == quantity.Exact {
		f.Value = number(p.treated.m.Result.Quantity.Base, unit, figures, quantity.HalfEven)
	}
	rec := l.recommended[id]
	if len(rec) == 0 && (id == "alkalinity" || id == "hardness") {
		return nil // both have a finding of their own
	}
	if p.treated.m.Result.Qualifier != quantity.Exact || len(rec) == 0 {
		code := "mineral_shown"
		if f.Value == "" {
			code = "mineral_below_limit"
		}
		settle(&f, p, code, "limit", strings.TrimPrefix(p.treated.text, "<"))
		l.add(f)
		return nil
	}
	for _, r := range ranges(rec) {
		g := f
		var ends [2]*quantity.Quantity
		for k, x := range []*recommendation{r.least, r.most} {
			if x == nil {
				continue
			}
			q, err := quantity.Parse(x.row.Value)
			if err == nil && x.row.Speciation != p.treated.m.Result.Speciation {
				q, err = water.Convert(id, q, x.row.Speciation, p.treated.m.Result.Speciation)
			}
			if err == nil && q.Dim == i.Dim {
				ends[k] = &q
			}
			g.Inputs = append(append([]Input{}, g.Inputs...), x.in)
		}
		if ends[0] == nil && ends[1] == nil {
			continue
		}
		state, err := water.Mineral(i, ends[0], ends[1])
		if err != nil {
			return err
		}
		code := map[string]string{water.LessThanRange: "mineral_less", water.InRange: "mineral_within", water.MoreThanRange: "mineral_more", water.Undecided: "mineral_open"}[state]
		settle(&g, p, code, "range", r.words(), "scope", scopeOf(r.row.Note), "document", r.row.Document, "year", r.row.Year, "status", spokenStatus(r.row.Status))
		l.add(g)
	}
	return nil
}

// span is a recommended range of one document: either end may be missing.
type span struct {
	row         protocol.ValueRow
	least, most *recommendation
}

// words are the range as it is said: one end alone is no range.
func (s span) words() string {
	least, most := s.text(s.least), s.text(s.most)
	switch {
	case most == "":
		return "at least " + least
	case least == "":
		return "at most " + most
	}
	return least + " to " + most
}

// scopeOf is what a recommended value is for, where its note says "for ...".
func scopeOf(note string) string {
	for _, part := range strings.Split(note, ";") {
		if part = strings.TrimSpace(part); strings.HasPrefix(part, "for ") {
			return part
		}
	}
	return ""
}

func (s span) text(r *recommendation) string {
	if r == nil {
		return ""
	}
	return join(r.row.Value, r.row.Speciation)
}

// ranges joins the two ends that one document gives in one expression.
func ranges(rec []recommendation) []span {
	var out []span
	for i := range rec {
		r := &rec[i]
		at := -1
		for k, s := range out {
			if s.row.Document == r.row.Document && s.row.Speciation == r.row.Speciation {
				at = k
			}
		}
		if at < 0 {
			out, at = append(out, span{row: r.row}), len(out)
		}
		if r.row.Bound == "at_most" {
			out[at].most = r
		} else {
			out[at].least = r
		}
	}
	return out
}

// spokenStatus is a status of a published value as an argument: none for one
// that was read in its source, which needs no word.
func spokenStatus(status string) string {
	if status == "VERIFIED" {
		return ""
	}
	return strings.ToLower(status)
}

// printed is the unit that an analyte is printed in, or the result's own.
func printed(d protocol.AnalyteDef, q quantity.Quantity) quantity.Unit {
	if u, err := quantity.LookupUnit(d.In); err == nil && u.Dim == q.Dim {
		return u
	}
	return q.Unit
}

func (l *look) hardness() error {
	if !l.asks("calcium") && !l.asks("magnesium") {
		return nil
	}
	ca, mg := l.result(l.draws.treated, "calcium", "calcium"), l.result(l.draws.treated, "magnesium", "magnesium")
	f := l.base(&pair{id: "hardness"}, KindMineral, FHardness, ca, mg)
	f.Subject = "hardness"
	i, ok, err := l.hardnessOf(ca, mg)
	if err != nil {
		return err
	}
	if !ok {
		f.Code, f.Needs = "hardness_unknown", byCode["hardness_unknown"].Needs
		l.add(f)
		return nil
	}
	f.Code, f.Unit = "hardness_is", "mg/L"
	u := quantity.BaseUnit(quantity.MassConc)
	f.Low, f.High = number(i.Lo, u, figures, quantity.Down), number(i.Hi, u, figures, quantity.Up)
	f.Value = number(middle(i), u, figures, quantity.HalfEven)
	l.add(f)
	return nil
}

// hardnessOf works out hardness with its uncertainty from two results.
func (l *look) hardnessOf(ca, mg got) (quantity.Interval, bool, error) {
	if !ca.ok || !mg.ok || ca.m.Result.Quantity.Dim != quantity.MassConc || mg.m.Result.Quantity.Dim != quantity.MassConc ||
		ca.m.Result.Speciation != "" || mg.m.Result.Speciation != "" {
		return quantity.Interval{}, false, nil
	}
	a, err := water.Within95(ca.m, l.assumed)
	if err != nil {
		return quantity.Interval{}, false, err
	}
	b, err := water.Within95(mg.m, l.assumed)
	if err != nil {
		return quantity.Interval{}, false, err
	}
	i, err := water.Hardness(a, b)
	return i, err == nil && i.Hi != nil, err
}

func middle(i quantity.Interval) *big.Rat {
	if i.Lo == nil || i.Hi == nil {
		return nil
	}
	m := new(big.Rat).Add(i.Lo, i.Hi)
	return m.Quo(m, big.NewRat(2, 1))
}

func (l *look) asks(id string) bool {
	for _, x := range l.analyteIDs() {
		if x == id {
			return true
		}
	}
	return false
}

// alkalinityOf is the treated sample's alkalinity in mg/L as CaCO3 with its
// uncertainty: at least 2 mg/L where it lies below 20 mg/L (practice, point 23).
func (l *look) alkalinityOf() (quantity.Interval, got, bool) {
	g := l.result(l.draws.treated, "alkalinity", "alkalinity")
	if !g.ok || g.m.Result.Quantity.Dim != quantity.MassConc {
		return quantity.Interval{}, g, false
	}
	m, err := water.ConvertMeasured("alkalinity", g.m, "as CaCO3")
	if g.m.Result.Speciation == "" {
		m, err = g.m, nil
	}
	if err != nil {
		return quantity.Interval{}, g, false
	}
	i, err := water.Within95(m, l.assumed)
	if err != nil || i.Hi == nil {
		return quantity.Interval{}, g, false
	}
	y, least := m.Result.Quantity.Base, big.NewRat(2, 1)
	if m.Result.Qualifier == quantity.Exact && y.Cmp(big.NewRat(20, 1)) < 0 {
		if wide := new(big.Rat).Add(y, least); wide.Cmp(i.Hi) > 0 {
			i.Hi = wide
		}
		if wide := new(big.Rat).Sub(y, least); wide.Cmp(i.Lo) < 0 {
			i.Lo = wide
		}
		if i.Lo.Sign() < 0 {
			i.Lo = new(big.Rat)
		}
	}
	return i, g, true
}

func (l *look) alkalinity() error {
	i, g, ok := l.alkalinityOf()
	if !ok {
		return nil
	}
	f := l.base(&pair{id: "alkalinity"}, KindMineral, FAlkalinity, g)
	u := quantity.BaseUnit(quantity.MassConc)
	f.Code, f.Unit = "alkalinity_is", "mg/L"
	f.Low, f.High = number(i.Lo, u, figures, quantity.Down), number(i.Hi, u, figures, quantity.Up)
	y := g.m.Result.Quantity.Base
	if g.m.Result.Qualifier == quantity.Exact {
		f.Value = number(y, u, figures, quantity.HalfEven)
	}
	hco3 := number(water.AlkalinityOf(y).HCO3, u, figures, quantity.HalfEven)
	if g.m.Result.Qualifier == quantity.Below {
		hco3 = "<" + hco3
	}
	f.Args = args("bicarbonate", hco3)
	l.add(f)
	return nil
}

// added compares the conductivity before the last filter with that at the
// faucet, for units whose last filter adds minerals.
func (l *look) added() error {
	if l.st.Pinned.Unit.MineralFilter != "yes" {
		return nil
	}
	before, after := l.gives("before_filter_conductivity"), l.gives("product_conductivity")
	if !before.ok || !after.ok || before.q.Base.Sign() <= 0 {
		return nil
	}
	f := Finding{Subject: "minerals_added", Kind: KindMineral, Rule: FAdded, Source: sourceOf(FAdded), Unit: "uS/cm",
		Inputs: append(append([]Input{}, before.inputs...), after.inputs...), Marks: l.marked(append(before.marks, after.marks...), before.step, after.step)}
	d := new(big.Rat).Sub(after.q.Base, before.q.Base)
	f.Code = "minerals_not_added"
	if new(big.Rat).Mul(d, big.NewRat(10, 1)).Cmp(before.q.Base) > 0 {
		f.Code = "minerals_added"
	}
	f.Value = number(d, quantity.BaseUnit(quantity.Conductivity), figures, quantity.HalfEven)
	f.Args = args("before", before.q.String(), "after", after.q.String())
	l.add(f)
	return nil
}

// thin is the conductivity below which a standard pH electrode carries a
// larger uncertainty (practice, point 23).
var (
	thin   = big.NewRat(100, 1)
	thinPH = big.NewRat(3, 10)
)

// ph says in words why the pH is what it is.
func (l *look) ph() error {
	r := l.gives("product_ph")
	if !r.ok {
		return nil
	}
	f := Finding{Subject: "product_ph", Kind: KindMineral, Rule: FPH, Source: sourceOf(FPH), Unit: "pH", Inputs: r.inputs}
	marks := r.marks
	if c := l.gives("product_conductivity"); c.ok && c.q.Base.Cmp(thin) < 0 && (r.u == nil || r.u.Cmp(thinPH) < 0) && !lowIonic(r) {
		r.u = thinPH
		marks = append(marks, "assumed:ph_electrode")
		f.Inputs = append(f.Inputs, c.inputs...)
	}
	i := r.interval()
	f.Low, f.High = quantity.Decimal(i.Lo, 1, quantity.Down), quantity.Decimal(i.Hi, 1, quantity.Up)
	f.Value = quantity.Decimal(r.q.Base, 2, quantity.HalfEven)
	f.Marks = l.marked(marks, r.step)
	alk, g, ok := l.alkalinityOf()
	if !ok {
		f.Code, f.Needs = "ph_alone", NeedsAlkalinity
		l.add(f)
		return nil
	}
	f.Inputs = append(f.Inputs, g.inputs...)
	why, err := water.ExplainPH(i, alk)
	if err != nil {
		return err
	}
	f.Code = map[string]string{water.PHHighFewMinerals: "ph_high_few_minerals", water.PHHighBuffered: "ph_high_buffered",
		water.PHLowFewMinerals: "ph_low_few_minerals", water.PHUsual: "ph_usual"}[why.Code]
	if f.Code == "" {
		f.Code = "ph_open"
	}
	f.Args = args("alkalinity", g.text, "twin_ph", oneDecimal(why.Twin.PH), "twin_alkalinity", why.Twin.Alkalinity, "twin_co2", why.Twin.CO2, "twin_row", why.Twin.ID)
	l.add(f)
	return nil
}

func oneDecimal(text string) string {
	r, err := quantity.ParseDecimal(text)
	if err != nil {
		return text
	}
	return quantity.Decimal(r, 1, quantity.HalfEven)
}

// lowIonic tells whether an electrode is one for water of few ions, as its
// document's class or title says.
func lowIonic(r reading) bool {
	return r.instrument != nil && (strings.Contains(r.instrument.Class, "low_ionic") || strings.Contains(strings.ToLower(r.instrument.Title), "low-ionic"))
}
