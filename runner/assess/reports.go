package assess

import (
	"encoding/json"
	"math/big"
	"strconv"
	"strings"
	"time"

	"tapledger/audit"
	"tapledger/rules/quantity"
	"tapledger/rules/water"
	"tapledger/runner"
	"tapledger/runner/lab"
)

// textAt is the text at a JSON Pointer into a record's body; of a value with
// its evidence the text, "" where there is none.
func (l *look) textAt(seq int64, path string) string {
	if seq < 1 || seq > int64(len(l.st.Records)) {
		return ""
	}
	var v any
	d := json.NewDecoder(strings.NewReader(string(l.st.Records[seq-1].Body)))
	d.UseNumber()
	if d.Decode(&v) != nil {
		return ""
	}
	for _, key := range strings.Split(strings.TrimPrefix(path, "/"), "/") {
		switch x := v.(type) {
		case map[string]any:
			v = x[strings.NewReplacer("~1", "/", "~0", "~").Replace(key)]
		case []any:
			i, err := strconv.Atoi(key)
			if err != nil || i < 0 || i >= len(x) {
				return ""
			}
			v = x[i]
		}
	}
	if m, ok := v.(map[string]any); ok {
		v = m["text"]
	}
	s, _ := v.(string)
	return s
}

// role is a draw and the word that findings use for it.
type role struct {
	d    drawn
	word string
}

func (l *look) roles() []role {
	return []role{{l.draws.untreated, "untreated"}, {l.draws.untreatedAfter, "untreated_after"}, {l.draws.treated, "treated"},
		{l.draws.second, "second_day"}, {l.draws.fieldBlank, "field_blank"}, {l.draws.lotBlank, "lot_blank"}, {l.draws.drain, "drain"}}
}

// reports says what in the reports cannot be right, or weakens them.
func (l *look) reports() error {
	for _, r := range l.st.Reports {
		if r.ReplacedBy != 0 {
			continue
		}
		for i, w := range r.Warnings {
			f := l.about("report_"+r.Number, "report_warning", l.input("warning", w.Code, r.Seq, "/warnings/"+strconv.Itoa(i)))
			f.Args = warningArgs(r.Number, r.Revision, w.Code, w.Args)
			l.add(f)
		}
	}
	for _, do := range []func() error{l.swapped, l.blanks, l.duplicates, l.belowOwnLimit, l.ions, l.reportedHardness} {
		if err := do(); err != nil {
			return err
		}
	}
	l.holds()
	return nil
}

// about begins a finding about a report.
func (l *look) about(subject, code string, inputs ...Input) Finding {
	return Finding{Subject: subject, Kind: KindReport, Code: code, Rule: FReport, Source: sourceOf(FReport), Needs: byCode[code].Needs, Inputs: inputs}
}

// swapped compares the two sides of the pair over all ions of a salt's kind:
// nothing that a membrane or a filter does raises most of them, or leaves all
// of them as they were.
func (l *look) swapped() error {
	var inputs []Input
	of, higher, same := 0, 0, 0
	for _, ion := range water.BalanceIons() {
		u, t := l.untreatedOf(ion.ID), l.result(l.draws.treated, ion.ID, "treated")
		if !u.ok || !t.ok || u.m.Result.Qualifier != quantity.Exact || t.m.Result.Qualifier != quantity.Exact || u.m.Result.Quantity.Dim != t.m.Result.Quantity.Dim {
			continue
		}
		of++
		inputs = append(append(inputs, u.inputs[0]), t.inputs[0])
		if t.m.Result.Quantity.Base.Cmp(u.m.Result.Quantity.Base) > 0 {
			higher++
		}
		if rpd := water.RPD(u.m.Result.Quantity.Base, t.m.Result.Quantity.Base); rpd == nil || rpd.Cmp(big.NewRat(1, 10)) <= 0 {
			same++
		}
	}
	if of < 3 || l.told(lab.WarnSwapped, lab.WarnAlike) {
		return nil
	}
	if 2*higher > of && same < of {
		f := l.about("pair", "report_swapped", inputs...)
		f.Args = args("count", strconv.Itoa(higher), "of", strconv.Itoa(of))
		l.add(f)
	}
	if same == of {
		f := l.about("pair", "report_unchanged", inputs...)
		f.Args = args("of", strconv.Itoa(of))
		l.add(f)
	}
	return nil
}

// blanks lists what blanks hold: anything that was quantified.
func (l *look) blanks() error {
	for _, b := range []role{{l.draws.fieldBlank, "field_blank"}, {l.draws.lotBlank, "lot_blank"}} {
		for _, id := range l.analyteIDs() {
			g := l.result(b.d, id, b.word)
			d := l.def(id)
			if !g.ok || g.m.Result.Qualifier == quantity.Below || !g.m.Result.Quantity.Dim.FromZero() || g.m.Result.Quantity.Base.Sign() == 0 {
				continue
			}
			f := l.about(id, "report_blank", g.inputs...)
			f.Args = args("name", d.Name, "blank", b.word, "result", g.text)
			l.add(f)
		}
	}
	return nil
}

// mostRPD is the largest relative difference of duplicates: common practice,
// no source.
var mostRPD = big.NewRat(20, 100)

// duplicates judges the duplicate against the treated sample.
func (l *look) duplicates() error {
	for _, id := range l.analyteIDs() {
		d := l.draws.duplicate
		if d.step == nil {
			return nil
		}
		a, b := l.result(l.drawOf(d.step.DuplicateOf), id, "treated"), l.result(d, id, "duplicate")
		if !a.ok || !b.ok || a.m.Result.Quantity.Dim != b.m.Result.Quantity.Dim || a.m.Result.Speciation != b.m.Result.Speciation {
			continue
		}
		limit := a.m.Limit()
		if limit == nil || limit.Sign() <= 0 {
			continue
		}
		out, err := water.Duplicates(a.m.Result, b.m.Result, quantity.New(limit, unitOf(a.m.Result.Quantity)), mostRPD)
		if err != nil {
			return err
		}
		if out.Code != water.Outside {
			continue
		}
		f := l.about(id, "report_duplicate_outside", append(append([]Input{}, a.inputs...), b.inputs...)...)
		f.Rule, f.Source, f.Marks = FDuplicate, sourceOf(FDuplicate), []string{"assumed:rpd"}
		f.Args = args("name", l.def(id).Name, "duplicate", b.text, "treated", a.text)
		l.add(f)
	}
	return nil
}

// belowOwnLimit lists results that lie below the reporting limit that the same
// line of the report states, unless the laboratory calls them estimated.
func (l *look) belowOwnLimit() error {
	if l.told(lab.WarnBelowLimit) {
		return nil
	}
	for _, r := range l.roles() {
		for _, id := range l.analyteIDs() {
			g := l.result(r.d, id, r.word)
			if !g.ok || g.m.Estimated || g.m.Reporting == nil || g.m.Result.Qualifier != quantity.Exact || g.m.Result.Quantity.Base.Cmp(g.m.Reporting.Base) >= 0 {
				continue
			}
			f := l.about(id, "report_below_limit", g.inputs...)
			f.Args = args("name", l.def(id).Name, "role", r.word, "result", g.text, "limit", g.limit)
			l.add(f)
		}
	}
	return nil
}

// ions holds the ion balance of untreated and treated against the usual
// acceptance, which is from memory and said so. A water of unmeasured anions
// may lie outside.
func (l *look) ions() error {
	if l.told(lab.WarnCations, lab.WarnAnions) {
		return nil
	}
	for _, r := range []role{{l.draws.untreated, "untreated"}, {l.draws.treated, "treated"}} {
		held, inputs := map[string]quantity.Interval{}, []Input{}
		for _, ion := range water.BalanceIons() {
			g := l.result(r.d, ion.ID, ion.ID)
			if !g.ok || g.m.Result.Quantity.Dim != quantity.MassConc || ion.ID == "bicarbonate" && has(held, "alkalinity") {
				continue
			}
			m := g.m
			if ion.As != "" && m.Result.Speciation != ion.As {
				var err error
				if m, err = water.ConvertMeasured(ion.ID, m, ion.As); err != nil {
					continue
				}
			}
			i, err := water.Within95(m, l.assumed)
			if err != nil || i.Hi == nil {
				continue
			}
			held[ion.ID] = i
			inputs = append(inputs, g.inputs[0])
		}
		if len(held) < 6 {
			continue // too few ions for a balance to mean anything
		}
		b, err := water.IonBalance(held, nil)
		if err != nil || water.BalanceAcceptance(b) != water.BalanceOutside {
			continue
		}
		f := l.about("ions", "report_balance", inputs...)
		f.Rule, f.Source, f.Marks = FIons, sourceOf(FIons), []string{"status:memory"}
		f.Low, f.High, f.Unit = percent(b.Percent.Lo, quantity.Down), percent(b.Percent.Hi, quantity.Up), "%"
		f.Args = args("role", r.word)
		l.add(f)
	}
	return nil
}

func has(m map[string]quantity.Interval, key string) bool {
	_, ok := m[key]
	return ok
}

// reportedHardness compares a reported hardness with calcium and magnesium.
func (l *look) reportedHardness() error {
	if !l.asks("hardness") || l.told(lab.WarnHardness) {
		return nil
	}
	for _, r := range []role{{l.draws.untreated, "untreated"}, {l.draws.treated, "treated"}} {
		own, ca, mg := l.result(r.d, "hardness", "hardness"), l.result(r.d, "calcium", "calcium"), l.result(r.d, "magnesium", "magnesium")
		i, ok, err := l.hardnessOf(ca, mg)
		if err != nil {
			return err
		}
		if !ok || !own.ok || own.m.Result.Quantity.Dim != quantity.MassConc {
			continue
		}
		reported, err := water.Within95(own.m, l.assumed)
		if err != nil {
			return err
		}
		if o := reported.Order(i); o != quantity.Less && o != quantity.Greater {
			continue
		}
		f := l.about("hardness", "report_hardness", append(append(append([]Input{}, own.inputs...), ca.inputs...), mg.inputs...)...)
		f.Rule, f.Source, f.Unit = FHardness, sourceOf(FHardness), "mg/L"
		u := quantity.BaseUnit(quantity.MassConc)
		f.Low, f.High = number(i.Lo, u, figures, quantity.Down), number(i.Hi, u, figures, quantity.Up)
		f.Args = args("role", r.word, "result", own.text)
		l.add(f)
	}
	return nil
}

// holds lists results that were analysed after their hold time, or perhaps.
func (l *look) holds() {
	words := map[string]string{}
	for _, r := range l.roles() {
		if r.d.sample != nil {
			words[r.d.id()] = r.word
		}
	}
	made, err := audit.ParseTime(l.st.Made)
	if err != nil {
		made = time.Time{}
	}
	for _, h := range l.st.Holds(made) {
		word := words[h.Sample]
		code := map[string]string{"unmet": "report_hold_over", "undecided": "report_hold_open"}[h.State]
		if code == "" || word == "" || h.Analyte == "" {
			continue
		}
		r, seq, path := l.st.Result(h.Sample, h.Analyte)
		if r == nil {
			continue
		}
		f := l.about(h.Analyte, code, l.input("analysed", r.Analysed, seq, path+"/analysed"))
		f.Inputs = append(f.Inputs, l.drawnInput(h)...)
		f.Rule, f.Source = FHold, sourceOf(FHold)
		f.Args = args("name", l.def(h.Analyte).Name, "role", word, "hold", h.Hold)
		l.add(f)
	}
}

// drawnInput names the draw whose time a hold time runs from.
func (l *look) drawnInput(h runner.Hold) []Input {
	for _, s := range l.st.Samples {
		if s.Step == h.Step && s.Try == h.Try {
			return []Input{l.input("drawn", h.Drawn, s.Seq, "/values/at")}
		}
	}
	return nil
}
