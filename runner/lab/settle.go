package lab

import (
	"fmt"
	"maps"
	"math/big"
	"slices"
	"sort"
	"strings"
	"time"

	"tapledger/rules/quantity"
	"tapledger/rules/water"
	"tapledger/runner"
)

func (p *parser) warn(code string, args ...string) {
	p.warnings = append(p.warnings, runner.Warning{Code: code, Args: args})
}

// rest reads dilution, analysis date and performing laboratory.
func (p *parser) rest(i int, l *Line, unit quantity.Unit, out *runner.LabResult) bool {
	if d := p.cell(i, fDilution); d != "" {
		number, _, b := settleNumber(d, d, p.opt.DecimalComma)
		if b == nil && strings.HasPrefix(number, "-") || number == "0" {
			b = &bad{fmt.Sprintf("a dilution of %s", d), ""}
		}
		if b != nil {
			p.fault(i, fDilution, b.says, b.hint)
			return false
		}
		out.Dilution = number
	}
	if name := p.cell(i, fLab); name != "" {
		p.labs[name]++
		if p.opt.LaboratoryTitle != "" && !strings.EqualFold(name, p.opt.LaboratoryTitle) {
			out.Performed = name
			l.Notes = append(l.Notes, "performed by "+name)
		}
	}
	return p.analysed(i, l, out)
}

// analysed reads the analysis date, with its time when that has a zone.
func (p *parser) analysed(i int, l *Line, out *runner.LabResult) bool {
	date, clock, zone := p.cell(i, fDate), p.cell(i, fTime), p.cell(i, fZone)
	if date == "" {
		return true
	}
	if _, err := time.Parse("2006-01-02", date); err != nil || !dateForm.MatchString(date) {
		p.fault(i, fDate, fmt.Sprintf("%q is no date", date), "write year, month and day as 2026-03-02: other orders are read in two ways")
		return false
	}
	out.Analysed = date
	if clock == "" {
		return true
	}
	minutes, known := zones[strings.ToUpper(zone)]
	if !known {
		l.Notes = append(l.Notes, fmt.Sprintf("analysed at %s without a known time zone: the date alone is kept", clock))
		return true
	}
	for _, form := range []string{"15:04:05", "15:04"} {
		if at, err := time.Parse("2006-01-02 "+form, date+" "+clock); err == nil {
			out.Analysed = at.Add(-time.Duration(minutes) * time.Minute).Format("2006-01-02T15:04:05.000Z")
			return true
		}
	}
	p.fault(i, fTime, fmt.Sprintf("%q is no time of day", clock), "write 14:05 or 14:05:00")
	return false
}

// header keeps what rows say about the report.
func (p *parser) header(i int) {
	for _, f := range []field{fReport, fRevision, fReportStatus, fIssued, fReplaces, fReceived} {
		v := p.cell(i, f)
		if v == "" {
			continue
		}
		if had := p.said[f]; had != "" && had != v {
			p.fault(i, f, fmt.Sprintf("the file speaks of two reports: %q and %q", had, v), "import one report at a time")
		}
		p.said[f] = v
	}
}

// settleHeader puts what the file and what the caller say together.
func (p *parser) settleHeader() {
	h := &p.sheet.Header
	whole := func(says, hint string) {
		p.faults = append(p.faults, Fault{File: p.name, Says: says, Hint: hint})
	}
	for _, x := range []struct {
		name string
		f    field
		at   *string
	}{{"number", fReport, &h.Number}, {"revision", fRevision, &h.Revision}, {"status", fReportStatus, &h.Status},
		{"date of issue", fIssued, &h.Issued}, {"replaced report", fReplaces, &h.Replaces}, {"date of receipt", fReceived, &h.Received}} {
		said := p.said[x.f]
		if x.f == fReportStatus {
			said = strings.ToLower(said)
		}
		if said != "" && *x.at != "" && said != *x.at {
			whole(fmt.Sprintf("the file gives the %s %q, and you gave %q", x.name, said, *x.at), "look at the report and give what it says")
		}
		if *x.at == "" {
			*x.at = said
		}
	}
	rows := ""
	if p.statuses["final"] > 0 {
		rows = "final"
	}
	if p.statuses["preliminary"] > 0 {
		rows = "preliminary"
	}
	switch {
	case h.Status == "":
		h.Status = rows
	case h.Status != "preliminary" && h.Status != "final" && h.Status != "amended":
		whole(fmt.Sprintf("%q is no status of a report", h.Status), "a report is preliminary, final or amended")
	case rows == "preliminary" && h.Status != "preliminary":
		whole(fmt.Sprintf("the report is called %s and %d of its results are preliminary", h.Status, p.statuses["preliminary"]), "wait for the final report, or import this one as preliminary")
	}
	if h.Status == "amended" && h.Replaces == "" {
		p.sheet.Asks = append(p.sheet.Asks, "replaces")
	}
	for _, x := range []struct{ name, value string }{{"laboratory", h.Laboratory}, {"number", h.Number}, {"revision", h.Revision}, {"status", h.Status}, {"issued", h.Issued}} {
		if x.value == "" {
			p.sheet.Asks = append(p.sheet.Asks, x.name)
		}
	}
	if h.Issued != "" {
		if _, err := time.Parse("2006-01-02", h.Issued); err != nil {
			whole(fmt.Sprintf("%q is no date of issue", h.Issued), "write 2026-03-02")
		}
	}
	if len(p.labs) > 1 {
		p.sheet.Notes = append(p.sheet.Notes, "results of several laboratories: "+strings.Join(slices.Sorted(maps.Keys(p.labs)), ", "))
	}
}

// settleTwice deals with an analyte that a sample has more than once. Dissolved
// and total are two results. The same result expressed in two ways is kept
// once. Everything else is a fault: it would be a guess which one holds.
func (p *parser) settleTwice() {
	groups := map[string][]int{}
	var keys []string
	for i, f := range p.found {
		k := f.result.Sample + "\x00" + f.result.Analyte + "\x00" + f.result.Fraction
		if groups[k] == nil {
			keys = append(keys, k)
		}
		groups[k] = append(groups[k], i)
	}
	drop := map[int]bool{}
	for _, k := range keys {
		g := groups[k]
		for _, i := range g[1:] {
			p.twice(g[0], i, drop)
		}
	}
	fractions := map[string]map[string]bool{}
	for i, f := range p.found {
		if drop[i] {
			continue
		}
		p.sheet.Results = append(p.sheet.Results, f.result)
		k := f.result.Sample + "\x00" + f.result.Analyte
		if fractions[k] == nil {
			fractions[k] = map[string]bool{}
		}
		fractions[k][f.result.Fraction] = true
	}
	for _, k := range slices.Sorted(maps.Keys(fractions)) {
		if len(fractions[k]) > 1 {
			s, a, _ := strings.Cut(k, "\x00")
			p.warn(WarnFractions, append([]string{s, a}, slices.Sorted(maps.Keys(fractions[k]))...)...)
		}
	}
}

// twice compares two results of one analyte in one sample.
func (p *parser) twice(first, second int, drop map[int]bool) {
	a, b := p.found[first], p.found[second]
	fault := func(says, hint string) {
		p.faults = append(p.faults, Fault{File: p.name, Line: b.result.Line, Says: says, Hint: hint})
	}
	ra, errA := quantity.ParseResult(a.result.Result)
	rb, errB := quantity.ParseResult(b.result.Result)
	if errA != nil || errB != nil {
		return
	}
	where := fmt.Sprintf("%s stands twice for sample %s: line %d has %s, line %d has %s", b.result.Analyte, b.result.Sample, a.result.Line, ra, b.result.Line, rb)
	if ra.Speciation == rb.Speciation {
		hint := "ask the laboratory which one holds, and take the other out of the file"
		if a.result.Method != b.result.Method {
			hint = fmt.Sprintf("by two methods, %q and %q: choose one of them when importing", a.result.Method, b.result.Method)
		}
		fault(where, hint)
		return
	}
	conv, err := water.ConvertResult(b.result.Analyte, rb, ra.Speciation)
	if err != nil || conv.Qualifier != ra.Qualifier || !sameWithin(ra.Quantity, conv.Quantity, rb.Quantity) {
		fault(where, "expressed in two ways, and they do not agree: ask the laboratory which one holds")
		return
	}
	keep, gone := first, second
	if rb.Speciation == b.def.Speciation {
		keep, gone = second, first
	}
	drop[gone] = true
	l := &p.sheet.Lines[p.found[gone].line]
	l.Kind = RowSaidTwice
	l.Notes = append(l.Notes, fmt.Sprintf("the same result as line %d, expressed in another way", p.found[keep].result.Line))
}

// sameWithin tells whether two values are one and the same after rounding: they
// lie no farther apart than half a unit of the last digit of each, and two in
// a hundred at most for the digits that a program cut off.
func sameWithin(a, converted, written quantity.Quantity) bool {
	d := new(big.Rat).Abs(new(big.Rat).Sub(a.Base, converted.Base))
	scale := new(big.Rat).Quo(converted.Base, written.Base)
	room := new(big.Rat).Add(halfDigit(a), new(big.Rat).Mul(scale, halfDigit(written)))
	share := new(big.Rat).Mul(a.Base, big.NewRat(2, 100))
	return d.Cmp(room) <= 0 || d.Cmp(share) <= 0
}

// halfDigit is half a unit of the last digit that a quantity was written with,
// in the base unit.
func halfDigit(q quantity.Quantity) *big.Rat {
	number := q.Number()
	mantissa, _, _ := strings.Cut(strings.ToLower(number), "e")
	_, decimals, _ := strings.Cut(mantissa, ".")
	unit := big.NewRat(1, 2)
	for range len(decimals) {
		unit.Quo(unit, big.NewRat(10, 1))
	}
	return unit.Mul(unit, q.Unit.Factor())
}

// settleSamples lists what was ordered and is not there, and what is there and
// is not ours.
func (p *parser) settleSamples() {
	for _, id := range slices.Sorted(maps.Keys(p.foreign)) {
		f := p.foreign[id]
		p.sheet.Foreign = append(p.sheet.Foreign, *f)
		p.warn(WarnForeign, f.Sample, fmt.Sprint(f.Rows), fmt.Sprint(f.Line))
	}
	if p.opt.Samples != nil && p.ours == 0 && len(p.faults) == 0 {
		p.faults = append(p.faults, Fault{File: p.name, Says: "none of the samples in this file is ours",
			Hint: "reports are matched by the sample id that was made at hand-over: look at the custody form"})
		return
	}
	have, any := map[string]bool{}, map[string]bool{}
	for _, r := range p.sheet.Results {
		have[r.Sample+"\x00"+r.Analyte], any[r.Sample] = true, true
	}
	for _, k := range slices.Sorted(maps.Keys(p.skipped)) {
		s, _, _ := strings.Cut(k, "\x00")
		any[s] = true
	}
	samples := append([]Sample(nil), p.opt.Samples...)
	sort.SliceStable(samples, func(i, j int) bool { return samples[i].ID < samples[j].ID })
	for _, s := range samples {
		if !any[s.ID] {
			p.sheet.Missing = append(p.sheet.Missing, Missing{Sample: s.ID, Why: "absent"})
			continue
		}
		for _, a := range s.Ordered {
			k := s.ID + "\x00" + a
			if have[k] {
				continue
			}
			why := p.skipped[k]
			if why == "" {
				why = "absent"
			}
			p.sheet.Missing = append(p.sheet.Missing, Missing{Sample: s.ID, Analyte: a, Why: why})
		}
	}
	for _, m := range p.sheet.Missing {
		p.warn(WarnMissing, m.Sample, m.Analyte, m.Why)
	}
}
