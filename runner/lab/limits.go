package lab

import (
	"fmt"
	"strings"

	"tapledger/rules/quantity"
)

// limitRow is one limit as a file gives it.
type limitRow struct {
	line              int
	file              string
	kind, value, unit string
}

// limits are the limits of one result, in the result's expression.
type limits struct {
	of    map[limitKind]quantity.Quantity
	said  map[limitKind]string
	flags []string
}

func (l *limits) text(k limitKind) string {
	if l == nil {
		return ""
	}
	return l.said[k]
}

// limitColumns are those of the separate table, in both spellings.
var limitColumns = map[field][]string{
	fResultID:  {"ResultIdentifier", "Result_MeasureIdentifier"},
	fLimitType: {"DetectionQuantitationLimitTypeName", "DetectionLimit_Type"},
	fLimit:     {"DetectionQuantitationLimitMeasure/MeasureValue", "DetectionLimit_Measure"},
	fLimitUnit: {"DetectionQuantitationLimitMeasure/MeasureUnitCode", "DetectionLimit_MeasureUnit"},
}

// readLimits reads the separate table of limits, if there is one.
func (p *parser) readLimits() {
	p.limits = map[string][]limitRow{}
	if p.opt.Limits == nil {
		return
	}
	name := p.opt.LimitsName
	if name == "" {
		name = "limits"
	}
	if _, ok := p.at[fResultID]; !ok {
		p.faults = append(p.faults, Fault{File: p.name, Line: 1, Says: "limits are joined on the result's identifier, and this file has no such column", Hint: "the column is called " + limitColumns[fResultID][0]})
		return
	}
	t, faults := readTable(name, p.opt.Limits)
	if faults != nil {
		p.faults = append(p.faults, faults...)
		return
	}
	at := map[field]int{}
	for f, names := range limitColumns {
		at[f] = -1
		for i, h := range t.header {
			if normal(h) == normal(names[0]) || normal(h) == normal(names[1]) {
				at[f] = i
			}
		}
	}
	for _, f := range []field{fResultID, fLimitType, fLimit, fLimitUnit} {
		if at[f] < 0 {
			p.faults = append(p.faults, Fault{File: name, Line: 1, Says: fmt.Sprintf("the column %q is missing", limitColumns[f][0])})
			return
		}
	}
	ids := map[string]bool{}
	for i := range p.table.rows {
		ids[p.cell(i, fResultID)] = true
	}
	strangers := 0
	for _, r := range t.rows {
		id := r.cells[at[fResultID]]
		if !ids[id] {
			strangers++
			continue
		}
		p.limits[id] = append(p.limits[id], limitRow{r.line, name, r.cells[at[fLimitType]], r.cells[at[fLimit]], r.cells[at[fLimitUnit]]})
	}
	if strangers > 0 {
		p.sheet.Notes = append(p.sheet.Notes, fmt.Sprintf("%d limits of %s belong to results that are not in this file", strangers, name))
	}
}

// limitsOf collects the limits of a row: its own columns and the separate table.
func (p *parser) limitsOf(i int, unit quantity.Unit, species string) (*limits, bool) {
	l := &limits{of: map[limitKind]quantity.Quantity{}, said: map[limitKind]string{}}
	line := p.table.rows[i].line
	rows := []limitRow{{line, p.name, p.cell(i, fLimitType), p.cell(i, fLimit), p.cell(i, fLimitUnit)},
		{line, p.name, p.cell(i, fLimitTypeB), p.cell(i, fLimitB), p.cell(i, fLimitUnitB)}}
	if id := p.cell(i, fResultID); id != "" {
		rows = append(rows, p.limits[id]...)
	}
	for _, r := range rows {
		if r.value == "" {
			continue
		}
		if b := l.take(r, unit, species, p.opt.DecimalComma); b != nil {
			p.faults = append(p.faults, Fault{File: r.file, Line: r.line, Says: b.says, Hint: b.hint})
			return nil, false
		}
	}
	if u := p.cell(i, fUncertainty); u != "" {
		if b := l.take(limitRow{line, p.name, "Measurement Uncertainty", u, unit.Code}, unit, species, p.opt.DecimalComma); b != nil {
			p.fault(i, fUncertainty, b.says, b.hint)
			return nil, false
		}
	}
	return l, true
}

// take adds one limit. Two limits of one kind must be the same.
func (l *limits) take(r limitRow, unit quantity.Unit, species string, comma bool) *bad {
	kind, known := limitTypes[strings.ToLower(r.kind)]
	if r.kind == "" {
		return &bad{fmt.Sprintf("the limit %s has no type", r.value), "detection, quantitation and reporting limits are kept apart: fill in the type"}
	}
	if !known {
		hint := "the words of the exchange standard include Method Detection Level, Lower Quantitation Limit, Laboratory Reporting Level"
		if near := quantity.Nearest(r.kind, limitTypeNames); near != "" {
			hint = fmt.Sprintf("did you mean %q?", near)
		}
		return &bad{fmt.Sprintf("unknown type of limit %q", r.kind), hint}
	}
	if kind == noLimit {
		return nil
	}
	number, _, b := settleNumber(strings.TrimSpace(strings.TrimPrefix(r.value, "<")), r.value, comma)
	if b != nil {
		return &bad{"the limit " + b.says, b.hint}
	}
	text, as := splitUnit(r.unit)
	if text == "" {
		text = unit.Code
	}
	code, ok := unitCode(text)
	if !ok {
		_, err := quantity.LookupUnit(text)
		return &bad{"the limit's unit: " + err.Error(), ""}
	}
	q, err := quantity.Parse(number + " " + code)
	switch {
	case err != nil:
		return &bad{"the limit: " + err.Error(), ""}
	case q.Dim != unit.Dim:
		return &bad{fmt.Sprintf("the limit %s is a %s and the result a %s", q, q.Dim, unit.Dim), "ask the laboratory which is right"}
	case as != "" && species != "" && as != species:
		return &bad{fmt.Sprintf("the limit is expressed %q and the result %q", as, species), "limit and result must be expressed in one way"}
	case q.Base.Sign() < 0 || q.Base.Sign() == 0 && kind != uncertainty:
		return &bad{fmt.Sprintf("the limit %s does not lie above zero", q), "ask the laboratory for the limit"}
	}
	if had, twice := l.of[kind]; twice && had.Cmp(q) != 0 {
		return &bad{fmt.Sprintf("two limits of one kind: %s and %s", had, q), "ask the laboratory which one holds for this sample"}
	}
	l.of[kind], l.said[kind] = q, q.Text
	return nil
}

// prefer gives the limit that a condition speaks of, else the next in the
// order reporting, quantitation, detection.
func (l *limits) prefer(condition string) (quantity.Quantity, limitKind, bool) {
	order := []limitKind{reporting, quantitation, detection}
	low := strings.ToLower(condition)
	switch {
	case strings.Contains(low, "quant"):
		order = []limitKind{quantitation, reporting, detection}
	case strings.Contains(low, "detection limit"), strings.Contains(low, "detect limit"):
		order = []limitKind{detection, reporting, quantitation}
	}
	for _, k := range order {
		if q, ok := l.of[k]; ok {
			return q, k, true
		}
	}
	return quantity.Quantity{}, noLimit, false
}

var limitWords = map[limitKind]string{detection: "detection limit", quantitation: "quantitation limit", reporting: "reporting limit", upper: "upper limit"}

// fromCondition makes a result of a condition and its limit.
func (p *parser) fromCondition(i int, l *Line, unit quantity.Unit, condition string, means meaning, lim *limits) (string, meaning) {
	if means == meansAbove {
		q, ok := lim.of[upper]
		if !ok {
			p.fault(i, fCondition, fmt.Sprintf("%q without an upper limit", condition), "ask the laboratory above which value: the result is written as > and that limit")
			return "", meansNothing
		}
		return ">" + q.Text, meansAbove
	}
	q, kind, ok := lim.prefer(condition)
	if means == meansTrace {
		if q, ok = lim.of[quantitation]; !ok {
			q, ok = lim.of[reporting]
			kind = reporting
		} else {
			kind = quantitation
		}
	}
	if !ok {
		p.fault(i, fCondition, fmt.Sprintf("%q without a limit", condition), "a non-detect says nothing without the limit it lies below: ask the laboratory for it")
		return "", meansNothing
	}
	note := fmt.Sprintf("%s: below the %s", condition, limitWords[kind])
	if means == meansTrace {
		note = fmt.Sprintf("%s: detected, and below the %s", condition, limitWords[kind])
		lim.flags = append(lim.flags, "trace")
	}
	l.Notes = append(l.Notes, note)
	return "<" + q.Text, means
}

// fromValue makes a result of a value's text.
func (p *parser) fromValue(i int, l *Line, unit quantity.Unit, value string, flags []string, lim *limits) (string, meaning) {
	r, notes, b := readValue(value, p.opt.DecimalComma)
	if b != nil {
		p.fault(i, fValue, b.says, b.hint)
		return "", meansNothing
	}
	l.Notes = append(l.Notes, notes...)
	if r.nonDetect {
		return p.fromCondition(i, l, unit, value, meansBelow, lim)
	}
	if r.unit != "" {
		if code, _ := unitCode(r.unit); code != unit.Code {
			p.fault(i, fValue, fmt.Sprintf("the value says %s and the unit column %s", r.unit, unit.Code), "ask the laboratory which unit holds")
			return "", meansNothing
		}
	}
	lim.flags = append(lim.flags, r.flags...)
	flags = append(flags, r.flags...)
	if r.sign == "" && hasFlag(flags, nonDetectFlags) {
		return p.flaggedNonDetect(i, l, unit, r.number, lim)
	}
	text := r.sign + r.number + " " + unit.Code
	if q, _, ok := lim.prefer(""); ok && r.sign == "<" {
		if own, err := quantity.Parse(r.number + " " + unit.Code); err == nil && own.Cmp(q) != 0 && !lim.has(own) {
			l.Notes = append(l.Notes, fmt.Sprintf("the value says <%s and the limit %s: the value is taken", own, q))
			p.warn(WarnLimitDiffers, l.Sample, l.Analyte, text, q.String())
		}
	}
	return text, meansBelow // any meaning that is a result
}

// has tells whether a value is one of the limits.
func (l *limits) has(q quantity.Quantity) bool {
	for _, have := range l.of {
		if have.Cmp(q) == 0 {
			return true
		}
	}
	return false
}

// flaggedNonDetect reads a value with U or ND: the value is the limit, if the
// report's limits do not contradict it.
func (p *parser) flaggedNonDetect(i int, l *Line, unit quantity.Unit, number string, lim *limits) (string, meaning) {
	own, err := quantity.Parse(number + " " + unit.Code)
	if err != nil {
		p.fault(i, fValue, err.Error(), "")
		return "", meansNothing
	}
	if q, _, ok := lim.prefer(""); ok && !lim.has(own) {
		p.fault(i, fQualifier, fmt.Sprintf("the row says that nothing was detected and gives the value %s, which is not its limit %s", own, q),
			"ask the laboratory whether it was detected")
		return "", meansNothing
	}
	if own.Base.Sign() <= 0 {
		p.fault(i, fValue, fmt.Sprintf("%s is no limit of a non-detect", own), "ask the laboratory for the limit")
		return "", meansNothing
	}
	l.Notes = append(l.Notes, fmt.Sprintf("not detected: %s is read as its limit", own))
	return "<" + own.Text, meansBelow
}
