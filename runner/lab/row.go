package lab

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"sort"
	"strings"

	"tapledger/protocol"
	"tapledger/rules/quantity"
	"tapledger/runner"
)

// lookups prepares the tables that rows are matched with.
func (p *parser) lookups() {
	p.byName, p.bySample = map[string]*protocol.AnalyteDef{}, map[string]*Sample{}
	p.ignore, p.foreign = map[string]bool{}, map[string]*Foreign{}
	p.skipped, p.statuses, p.labs, p.said = map[string]string{}, map[string]int{}, map[string]int{}, map[field]string{}
	for i := range p.opt.Analytes {
		a := &p.opt.Analytes[i]
		for _, n := range append([]string{a.ID, strings.ReplaceAll(a.ID, "_", " "), a.Name, a.CAS}, a.Also...) {
			if n != "" && p.byName[nameKey(n)] == nil {
				p.byName[nameKey(n)] = a
			}
		}
	}
	p.names = slices.Sorted(maps.Keys(p.byName))
	for _, n := range p.opt.Ignore {
		p.ignore[nameKey(n)] = true
	}
	for i := range p.opt.Samples {
		s := &p.opt.Samples[i]
		p.bySample[sampleKey(s.ID)] = s
		p.known = append(p.known, s.ID)
		for _, c := range s.Codes {
			p.bySample[sampleKey(c)] = s
		}
	}
	sort.Strings(p.known)
}

func nameKey(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }

// sampleKey compares ids as they may come back: upper case, grouped by hyphens
// or blanks.
func sampleKey(s string) string {
	return strings.NewReplacer(" ", "", "-", "").Replace(strings.ToLower(strings.TrimSpace(s)))
}

// row reads one row into a line, and into a result if it is one.
func (p *parser) row(i int) {
	l := Line{Line: p.table.rows[i].line, Kind: RowResult, Written: p.written(i), Sample: p.cell(i, fSample), Analyte: p.cell(i, fName)}
	defer func() { p.sheet.Lines = append(p.sheet.Lines, l) }()
	if !p.sampleOf(i, &l) {
		return
	}
	p.ours++
	p.header(i)
	if p.ignore[nameKey(p.cell(i, fName))] {
		l.Kind = RowIgnored
		return
	}
	def, species, fraction := p.analyteOf(i, &l)
	if def == nil {
		return
	}
	l.Analyte = def.ID
	if chosen := p.opt.Method[def.ID]; chosen != "" && !strings.EqualFold(chosen, p.cell(i, fMethod)) {
		l.Kind = RowOtherMethod
		return
	}
	status := p.statusOf(i)
	if status == "rejected" {
		l.Kind = RowRejected
		p.skipped[l.Sample+"\x00"+def.ID] = "rejected"
		return
	}
	p.result(i, &l, def, species, fraction)
}

// written is what a row says, for the reader who checks it.
func (p *parser) written(i int) string {
	var parts []string
	for _, f := range []field{fName, fSpeciation, fFraction, fValue, fUnit, fCondition, fQualifier} {
		if c := p.cell(i, f); c != "" {
			parts = append(parts, c)
		}
	}
	return strings.Join(parts, " | ")
}

// sampleOf finds the sample that a row belongs to and tells whether the row is
// to be read. An id that is nearly one of ours is a fault, never a guess.
func (p *parser) sampleOf(i int, l *Line) bool {
	id, kind := p.cell(i, fSample), p.cell(i, fActivityType)
	qc := strings.HasPrefix(strings.ToLower(kind), "quality control")
	if id == "" && !qc {
		p.fault(i, fSample, "the sample id is missing", "every result names the sample it belongs to")
		return false
	}
	s := p.bySample[sampleKey(id)]
	if s == nil && qc {
		l.Kind = RowQC
		p.sheet.QC = append(p.sheet.QC, QCRow{Line: l.Line, Type: kind, Sample: id, Analyte: p.cell(i, fName), Value: p.written(i)})
		return false
	}
	if p.opt.Samples == nil {
		return true
	}
	if s == nil {
		if near := quantity.Nearest(sampleKey(id), p.known); near != "" {
			p.fault(i, fSample, fmt.Sprintf("%q is no sample of ours", id), fmt.Sprintf("did you mean sample %s? Ask the laboratory to correct it, or correct the file and say so in a note", near))
			return false
		}
		l.Kind = RowForeign
		f := p.foreign[id]
		if f == nil {
			f = &Foreign{Sample: id, Line: l.Line}
			p.foreign[id] = f
		}
		f.Rows++
		return false
	}
	if s.ID != id {
		l.Notes = append(l.Notes, fmt.Sprintf("sample %q is %s", id, s.ID))
	}
	l.Sample = s.ID
	return true
}

// analyteOf finds the analyte, how its result is expressed and which fraction
// it is, from name, CAS number, unit and columns.
func (p *parser) analyteOf(i int, l *Line) (def *protocol.AnalyteDef, species, fraction string) {
	name := p.cell(i, fName)
	if name == "" {
		p.fault(i, fName, "the analyte is missing", "every result names what was measured")
		return nil, "", ""
	}
	bare, inName, inFraction := name, "", ""
	def = p.byName[nameKey(name)]
	if def == nil {
		bare, inName = splitName(name)
		def = p.byName[nameKey(bare)]
	}
	if def == nil {
		bare, inFraction = splitFraction(bare)
		def = p.byName[nameKey(bare)]
	}
	byCAS := p.byName[nameKey(p.cell(i, fCAS))]
	switch {
	case def == nil && byCAS != nil && p.cell(i, fCAS) != "":
		def = byCAS
		l.Notes = append(l.Notes, fmt.Sprintf("%q found by its CAS number %s", name, p.cell(i, fCAS)))
	case def != nil && byCAS != nil && byCAS != def && p.cell(i, fCAS) != "":
		p.fault(i, fName, fmt.Sprintf("%q and the CAS number %s name two substances", name, p.cell(i, fCAS)), "ask the laboratory which one was measured")
		return nil, "", ""
	case def == nil:
		hint := "add it, or this name of it, to the analytes of a values document, or say that it is not wanted"
		if near := quantity.Nearest(nameKey(bare), p.names); near != "" {
			hint = fmt.Sprintf("did you mean %q?", near)
		}
		p.fault(i, fName, fmt.Sprintf("unknown analyte %q", name), hint)
		return nil, "", ""
	}
	inColumn := p.cell(i, fSpeciation)
	if inColumn != "" && !strings.HasPrefix(strings.ToLower(inColumn), "as ") {
		inColumn = "as " + inColumn
	}
	if inColumn != "" {
		inColumn = "as " + formula(strings.TrimSpace(inColumn[3:]))
	}
	_, inUnit := splitUnit(p.cell(i, fUnit))
	_, inLimit := splitUnit(p.cell(i, fLimitUnit))
	species, notes, b := settleSpecies(def.ID, def.Speciation, inColumn, inUnit, inLimit, inName)
	l.Notes = append(l.Notes, notes...)
	if b != nil {
		p.fault(i, fUnit, b.says, b.hint)
		return nil, "", ""
	}
	fraction = fractionOf(p.cell(i, fFraction))
	if inFraction != "" && fraction != "" && fraction != inFraction {
		p.fault(i, fFraction, fmt.Sprintf("the name says %s and the fraction %s", inFraction, fraction), "ask the laboratory which one was measured")
		return nil, "", ""
	}
	if fraction == "" {
		fraction = inFraction
	}
	return def, species, fraction
}

// statusOf counts the row's status and gives it in our words.
func (p *parser) statusOf(i int) string {
	word := p.cell(i, fStatus)
	if word == "" {
		return ""
	}
	s, ok := statusOf[strings.ToLower(word)]
	if !ok {
		hint := "the words of the exchange standard are " + strings.Join(statusNames, ", ")
		p.fault(i, fStatus, fmt.Sprintf("unknown result status %q", word), hint)
		return ""
	}
	p.statuses[s]++
	return s
}

// result reads value, condition, limits and the rest of a row.
func (p *parser) result(i int, l *Line, def *protocol.AnalyteDef, species, fraction string) {
	unit, ok := p.unitOf(i, l, def)
	if !ok {
		return
	}
	lim, ok := p.limitsOf(i, unit, species)
	if !ok {
		return
	}
	text, kind := p.valueOf(i, l, unit, lim)
	switch kind {
	case meansNothing:
		return
	case meansNoResult:
		l.Kind = RowNotReported
		p.skipped[l.Sample+"\x00"+def.ID] = RowNotReported
		return
	}
	if species != "" {
		text += " " + species
	}
	r, err := quantity.ParseResult(text)
	if err != nil {
		p.fault(i, fValue, err.Error(), "")
		return
	}
	if says, hint := implausibleZero(r); says != "" {
		p.fault(i, fValue, says, hint)
		return
	}
	l.Read = text
	out := runner.LabResult{Sample: l.Sample, Analyte: def.ID, Result: text, Qualifier: p.cell(i, fQualifier), Fraction: fraction,
		Method: strings.TrimSpace(p.cell(i, fContext) + " " + p.cell(i, fMethod)), Detection: lim.text(detection), Quantitate: lim.text(quantitation),
		Reporting: lim.text(reporting), Uncertainty: lim.text(uncertainty), Batch: p.cell(i, fBatch), Line: l.Line}
	for _, f := range lim.flags {
		if !strings.Contains(" "+out.Qualifier+" ", " "+f+" ") {
			out.Qualifier = strings.TrimSpace(out.Qualifier + " " + f)
		}
	}
	if out.Uncertainty != "" {
		l.Notes = append(l.Notes, "the uncertainty is taken as expanded, k = 2")
	}
	if !p.rest(i, l, unit, &out) {
		return
	}
	p.found = append(p.found, found{out, len(p.sheet.Lines), def})
}

// implausibleZero refuses zeros and values below zero where a method has a
// limit: a non-detect carries its limit, never a zero. Counts may be zero.
func implausibleZero(r quantity.Result) (says, hint string) {
	d := r.Quantity.Dim
	if !d.FromZero() || d == quantity.CountConc || r.Qualifier != quantity.Exact {
		return "", ""
	}
	switch r.Quantity.Base.Sign() {
	case 0:
		return fmt.Sprintf("%q is no result: no method sees zero", r), "a non-detect is written as < and its limit: ask the laboratory for the limit"
	case -1:
		return fmt.Sprintf("%q lies below zero", r), "ask the laboratory: it may be a blank-corrected value below its limit"
	}
	return "", ""
}

// unitOf gives the canonical unit of a row's value.
func (p *parser) unitOf(i int, l *Line, def *protocol.AnalyteDef) (quantity.Unit, bool) {
	want, err := quantity.LookupUnit(def.In)
	if err != nil {
		p.fault(i, fName, fmt.Sprintf("the unit of %s in the values document: %v", def.ID, err), "")
		return want, false
	}
	text, _ := splitUnit(p.cell(i, fUnit))
	if r, _, b := readValue(p.cell(i, fValue), p.opt.DecimalComma); text == "" && (p.cell(i, fValue) == "" || b == nil && r.nonDetect) {
		text, _ = splitUnit(p.cell(i, fLimitUnit)) // a non-detect leaves the value's unit empty
	}
	if text == "" {
		if m := valueParts.FindStringSubmatch(p.cell(i, fValue)); m != nil && m[3] != "" {
			text = m[3]
		}
	}
	if (text == "" || strings.EqualFold(text, "none")) && want.Dim == quantity.PH {
		l.Notes = append(l.Notes, "no unit is given, and pH has none")
		return want, true
	}
	if text == "" {
		if p.cell(i, fValue) == "" && p.cell(i, fCondition) != "" {
			return want, true // what is wanted then is a limit, which brings its own unit
		}
		p.fault(i, fUnit, "the unit is missing", "ask the laboratory; a number without its unit is no result")
		return want, false
	}
	code, ok := unitCode(text)
	if !ok {
		_, err := quantity.LookupUnit(text)
		p.fault(i, fUnit, err.Error(), "")
		return want, false
	}
	u, _ := quantity.LookupUnit(code)
	if u.Dim != want.Dim {
		p.fault(i, fUnit, fmt.Sprintf("%s is a %s, and %s is measured as a %s", text, u.Dim, def.ID, want.Dim), "a unit such as "+want.Code+" is wanted")
		return want, false
	}
	if text != code {
		l.Notes = append(l.Notes, fmt.Sprintf("%s is %s", text, code))
	}
	return u, true
}

// valueOf puts value, condition and qualifier together to a result's text.
// What the row means otherwise: meansNoResult, or meansNothing after a fault.
func (p *parser) valueOf(i int, l *Line, unit quantity.Unit, lim *limits) (string, meaning) {
	value, condition := p.cell(i, fValue), p.cell(i, fCondition)
	means := meansNothing
	if condition != "" {
		var ok bool
		if means, ok = conditions[strings.ToLower(condition)]; !ok {
			hint := "the words of the exchange standard include Not Detected, Below Reporting Limit, Present Above Quantification Limit"
			if near := quantity.Nearest(condition, conditionNames); near != "" {
				hint = fmt.Sprintf("did you mean %q?", near)
			}
			p.fault(i, fCondition, fmt.Sprintf("unknown detection condition %q", condition), hint)
			return "", meansNothing
		}
	}
	flags := strings.FieldsFunc(p.cell(i, fQualifier), func(r rune) bool { return r == ',' || r == ';' || r == ' ' })
	switch {
	case value != "" && condition != "":
		p.fault(i, fCondition, fmt.Sprintf("the row has a value (%s) and a condition (%s)", value, condition),
			"a result has one or the other: a non-detect leaves the value empty and gives its limit")
		return "", meansNothing
	case means == meansNoResult:
		return "", meansNoResult
	case condition != "":
		return p.fromCondition(i, l, unit, condition, means, lim)
	case value == "" && hasFlag(flags, nonDetectFlags):
		return p.fromCondition(i, l, unit, "qualifier "+p.cell(i, fQualifier), meansBelow, lim)
	case value == "":
		p.fault(i, fValue, "the row has neither a value nor a detection condition", "ask the laboratory: a gap is no result and no non-detect")
		return "", meansNothing
	}
	return p.fromValue(i, l, unit, value, flags, lim)
}

func hasFlag(flags []string, of map[string]bool) bool {
	for _, f := range flags {
		if of[strings.ToUpper(f)] {
			return true
		}
	}
	return false
}

var dateForm = regexp.MustCompile(`^[0-9]{4}-[0-9]{2}-[0-9]{2}$`)
