package lab

import (
	"fmt"
	"maps"
	"math/big"
	"slices"
	"sort"
	"strings"

	"tapledger/rules/quantity"
	"tapledger/rules/water"
	"tapledger/runner"
)

// Codes of warnings about a report that may not be right, with their
// arguments. They ask for a look at the report; none of them refuses one.
const (
	// WarnSwapped: untreated, treated, ions higher in the treated sample.
	WarnSwapped = "swapped_pair"
	// WarnAlike: untreated, treated, ions that are the same on both sides,
	// though the unit has a membrane.
	WarnAlike = "pair_alike"
	// WarnShifted: blank, sample, ions of which the blank holds more.
	WarnShifted = "ids_shifted"
	// WarnBlank: blank, sample, analyte.
	WarnBlank = "blank_above_sample"
	// WarnSameValue: analyte, value, samples that all have it.
	WarnSameValue = "same_value"
	// WarnSameNumber: sample, number, analytes that all have it.
	WarnSameNumber = "same_number"
	// WarnBelowLimit: sample, analyte, result, its own limit.
	WarnBelowLimit = "below_own_limit"
	// WarnFactor: analyte, one sample, its result, another sample (or "limit"), its result.
	WarnFactor = "factor_1000"
	// WarnDissolved: sample, analyte, dissolved, total.
	WarnDissolved = "dissolved_above_total"
	// WarnNitrate: sample, result, what it would be in the other expression, why ("pair" or "balance").
	WarnNitrate = "nitrate_basis"
	// WarnHardness: sample, reported, computed from calcium and magnesium.
	WarnHardness = "hardness"
	// WarnCations: sample, balance in percent. More cations than anions: also
	// what a sound report shows where organic acids were not measured.
	WarnCations = "balance_more_cations"
	// WarnAnions: sample, balance in percent. More anions than cations.
	WarnAnions = "balance_more_anions"
	// WarnConductivity: sample, conductivity, ions in meq/L.
	WarnConductivity = "conductivity_against_ions"
	// WarnLimitDiffers: sample, analyte, "<" result, the limit that the report names.
	WarnLimitDiffers = "limit_differs"
	// WarnFractions: sample, analyte, then the fractions reported, sorted.
	WarnFractions = "two_fractions"
	// WarnForeign: a sample that is not ours, its rows, the line of the first.
	WarnForeign = "not_ours"
	// WarnMissing: sample, analyte ("" for all), why: absent, not_reported, rejected.
	WarnMissing = "missing"
)

// Pair names the two samples that are compared.
type Pair struct{ Untreated, Treated string }

// Context says which samples belong together.
type Context struct {
	Pairs    []Pair
	Blanks   []string // field, trip, equipment and bottle lot blanks
	Membrane bool     // the unit holds ions back, so that a pair must differ in them
}

// ions that a unit with a membrane lowers and no mineral filter adds.
var markIons = []string{"sodium", "potassium", "chloride", "fluoride", "nitrate", "sulfate", "conductivity"}

// item is one result with its parsed form.
type item struct {
	runner.LabResult
	r quantity.Result
}

type sheetView struct {
	items   []item
	by      map[string]map[string]item // sample, analyte: total before dissolved
	samples []string
	out     []runner.Warning
}

// Plausible looks for what cannot be right in a report as a whole: swapped
// pairs and shifted ids, the same value everywhere, results below their own
// limit, a factor of 1000 between units, dissolved above total, nitrate as N
// or NO3, hardness against calcium and magnesium, the balance of ions,
// conductivity against ions. Bounds that are not derived are common practice,
// no source. The order of the warnings is fixed.
//
// Results that do not parse are left out; Parse makes none.
func Plausible(results []runner.LabResult, c Context) []runner.Warning {
	v := &sheetView{by: map[string]map[string]item{}}
	for _, lr := range results {
		r, err := quantity.ParseResult(lr.Result)
		if err != nil {
			continue
		}
		it := item{lr, r}
		v.items = append(v.items, it)
		if v.by[lr.Sample] == nil {
			v.by[lr.Sample] = map[string]item{}
			v.samples = append(v.samples, lr.Sample)
		}
		if had, ok := v.by[lr.Sample][lr.Analyte]; !ok || had.Fraction == "dissolved" {
			v.by[lr.Sample][lr.Analyte] = it
		}
	}
	for _, p := range c.Pairs {
		v.pair(p, c.Membrane)
	}
	for _, b := range c.Blanks {
		v.blank(b, c.Pairs)
	}
	v.sameValues(c.Blanks)
	for _, it := range v.items {
		v.ownLimit(it)
	}
	v.factors()
	v.fractions()
	for _, s := range v.samples {
		v.hardness(s)
		v.balance(s)
	}
	return v.out
}

func (v *sheetView) warn(code string, args ...string) {
	v.out = append(v.out, runner.Warning{Code: code, Args: args})
}

func rat(a, b int64) *big.Rat { return big.NewRat(a, b) }

// over tells whether a > f * b.
func over(a, b, f *big.Rat) bool { return a.Cmp(new(big.Rat).Mul(b, f)) > 0 }

// two gives an analyte's results in two samples, in one dimension and one
// expression.
func (v *sheetView) two(a, b, analyte string) (x, y quantity.Result, ok bool) {
	ia, okA := v.by[a][analyte]
	ib, okB := v.by[b][analyte]
	if !okA || !okB || ia.r.Quantity.Dim != ib.r.Quantity.Dim {
		return x, y, false
	}
	conv, err := water.ConvertResult(analyte, ib.r, ia.r.Speciation)
	return ia.r, conv, err == nil
}

// pair looks at one untreated and one treated sample.
func (v *sheetView) pair(p Pair, membrane bool) {
	higher, lower, same := 0, 0, 0
	for _, ion := range markIons {
		u, t, ok := v.two(p.Untreated, p.Treated, ion)
		if !ok || u.Qualifier == quantity.Above || t.Qualifier == quantity.Above {
			continue
		}
		x, y := u.Quantity.Base, t.Quantity.Base
		switch {
		case t.Qualifier == quantity.Exact && over(y, x, rat(3, 2)): // above an untreated limit too
			higher++
		case u.Qualifier == quantity.Exact && over(x, y, rat(3, 2)):
			lower++
		case u.Qualifier == quantity.Exact && t.Qualifier == quantity.Exact && !over(x, y, rat(11, 10)) && !over(y, x, rat(11, 10)):
			same++
		}
	}
	switch {
	case higher >= 3 && lower == 0:
		v.warn(WarnSwapped, p.Untreated, p.Treated, fmt.Sprint(higher))
	case membrane && same >= 3 && lower == 0:
		v.warn(WarnAlike, p.Untreated, p.Treated, fmt.Sprint(same))
	}
	a, okA := v.by[p.Untreated]["nitrate"]
	b, okB := v.by[p.Treated]["nitrate"]
	if okA && okB && a.r.Speciation != b.r.Speciation && a.r.Qualifier == quantity.Exact && b.r.Qualifier == quantity.Exact {
		x, y := a.r.Quantity.Base, b.r.Quantity.Base
		if !over(x, y, rat(11, 10)) && !over(y, x, rat(11, 10)) {
			v.warnNitrate(b, a.r.Speciation, "pair")
		}
	}
}

func (v *sheetView) warnNitrate(it item, to, why string) {
	other, err := water.ConvertResult("nitrate", it.r, to)
	if err != nil {
		return
	}
	unit := it.r.Quantity.Unit
	v.warn(WarnNitrate, it.Sample, it.Result, quantity.Significant(other.Quantity.In(unit), 3, quantity.HalfEven)+" "+unit.Code+" "+to, why)
}

// blank looks for a blank that holds more than a treated sample.
func (v *sheetView) blank(blank string, pairs []Pair) {
	for _, p := range pairs {
		var more []string
		ions := 0
		for _, a := range slices.Sorted(maps.Keys(v.by[blank])) {
			b, s, ok := v.two(blank, p.Treated, a)
			if !ok || !b.Quantity.Dim.FromZero() || b.Qualifier != quantity.Exact || s.Qualifier == quantity.Above {
				continue
			}
			if over(b.Quantity.Base, s.Quantity.Base, rat(11, 10)) {
				more = append(more, a)
				for _, m := range markIons {
					if m == a {
						ions++
					}
				}
			}
		}
		if ions >= 3 {
			v.warn(WarnShifted, blank, p.Treated, fmt.Sprint(ions))
			continue
		}
		for _, a := range more {
			v.warn(WarnBlank, blank, p.Treated, a)
		}
	}
}

// sameValues: one value of an analyte in three or more samples, all that have
// one, blanks aside; one number for five or more analytes of a sample.
func (v *sheetView) sameValues(blanks []string) {
	isBlank := map[string]bool{}
	for _, b := range blanks {
		isBlank[b] = true
	}
	values, counts := map[string]map[string]bool{}, map[string]int{}
	numbers := map[string]map[string]int{}
	for _, it := range v.items {
		if it.r.Qualifier != quantity.Exact || isBlank[it.Sample] {
			continue
		}
		key := it.Analyte + "\x00" + it.Fraction
		if values[key] == nil {
			values[key] = map[string]bool{}
		}
		values[key][it.Result] = true
		counts[key]++
		if numbers[it.Sample] == nil {
			numbers[it.Sample] = map[string]int{}
		}
		numbers[it.Sample][it.r.Quantity.Number()]++
	}
	for _, key := range slices.Sorted(maps.Keys(values)) {
		if counts[key] >= 3 && len(values[key]) == 1 {
			a, _, _ := strings.Cut(key, "\x00")
			v.warn(WarnSameValue, a, slices.Sorted(maps.Keys(values[key]))[0], fmt.Sprint(counts[key]))
		}
	}
	for _, s := range slices.Sorted(maps.Keys(numbers)) {
		for _, n := range slices.Sorted(maps.Keys(numbers[s])) {
			if numbers[s][n] >= 5 {
				v.warn(WarnSameNumber, s, n, fmt.Sprint(numbers[s][n]))
			}
		}
	}
}

// ownLimit: a value below its own reporting limit that is not called estimated.
func (v *sheetView) ownLimit(it item) {
	limit := it.Reporting
	if limit == "" {
		limit = it.Quantitate
	}
	l, err := quantity.Parse(limit)
	if limit == "" || err != nil || it.r.Qualifier != quantity.Exact || l.Dim != it.r.Quantity.Dim || it.r.Quantity.Cmp(l) >= 0 {
		return
	}
	if l.Unit.Code != it.r.Quantity.Unit.Code && over(l.Base, it.r.Quantity.Base, rat(100, 1)) {
		v.warn(WarnFactor, it.Analyte, it.Sample, it.Result, "limit", limit)
		return
	}
	for _, f := range strings.FieldsFunc(it.Qualifier, func(r rune) bool { return r == ' ' || r == ',' || r == ';' }) {
		if estimatedFlags[strings.ToUpper(f)] {
			return
		}
	}
	v.warn(WarnBelowLimit, it.Sample, it.Analyte, it.Result, limit)
}

// factors: one analyte in two units whose numbers are alike, so that the
// values lie about a factor of 1000 apart.
func (v *sheetView) factors() {
	by := map[string][]item{}
	for _, it := range v.items {
		if it.r.Qualifier == quantity.Exact && it.r.Quantity.Base.Sign() > 0 {
			by[it.Analyte] = append(by[it.Analyte], it)
		}
	}
	for _, a := range slices.Sorted(maps.Keys(by)) {
		group := by[a]
		for i := range group {
			for j := i + 1; j < len(group); j++ {
				x, y := group[i], group[j]
				if x.r.Quantity.Unit.Code == y.r.Quantity.Unit.Code || x.r.Quantity.Dim != y.r.Quantity.Dim {
					continue
				}
				big, small := x.r.Quantity.Base, y.r.Quantity.Base
				if big.Cmp(small) < 0 {
					big, small = small, big
				}
				if over(big, small, rat(300, 1)) && !over(big, small, rat(3000, 1)) {
					v.warn(WarnFactor, a, x.Sample, x.Result, y.Sample, y.Result)
				}
			}
		}
	}
}

// fractions: dissolved above total by more than a tenth.
func (v *sheetView) fractions() {
	type key struct{ sample, analyte string }
	total := map[key]item{}
	for _, it := range v.items {
		if it.Fraction == "total" {
			total[key{it.Sample, it.Analyte}] = it
		}
	}
	for _, it := range v.items {
		t, ok := total[key{it.Sample, it.Analyte}]
		if !ok || it.Fraction != "dissolved" || it.r.Qualifier != quantity.Exact || t.r.Qualifier == quantity.Above || t.r.Quantity.Dim != it.r.Quantity.Dim {
			continue
		}
		if over(it.r.Quantity.Base, t.r.Quantity.Base, rat(11, 10)) {
			v.warn(WarnDissolved, it.Sample, it.Analyte, it.Result, t.Result)
		}
	}
}

// hardness: reported against computed, more than a tenth and 2 mg/L apart.
func (v *sheetView) hardness(sample string) {
	h, okH := v.by[sample]["hardness"]
	ca, okCa := v.by[sample]["calcium"]
	mg, okMg := v.by[sample]["magnesium"]
	if !okH || !okCa || !okMg || h.r.Quantity.Dim != quantity.MassConc {
		return
	}
	own := func(it item, analyte, to string) (quantity.Interval, bool) {
		r, err := water.ConvertResult(analyte, it.r, to)
		return r.Interval(), err == nil
	}
	i, okI := own(ca, "calcium", "")
	j, okJ := own(mg, "magnesium", "")
	rep, okR := own(h, "hardness", "as CaCO3")
	sum, err := water.Hardness(i, j)
	if !okI || !okJ || !okR || err != nil || rep.Lo == nil || rep.Hi == nil || sum.Hi == nil {
		return
	}
	slack := new(big.Rat).Mul(sum.Hi, rat(1, 10))
	if slack.Cmp(rat(2, 1)) < 0 {
		slack = rat(2, 1)
	}
	if new(big.Rat).Sub(rep.Lo, sum.Hi).Cmp(slack) > 0 || new(big.Rat).Sub(sum.Lo, rep.Hi).Cmp(slack) > 0 {
		unit := quantity.BaseUnit(quantity.MassConc)
		v.warn(WarnHardness, sample, h.Result, sum.Text(unit, 3))
	}
}

// ionsOf collects what a sample's balance is made of, in mg/L as the balance
// wants it; full tells whether the ions that matter are all there.
func (v *sheetView) ionsOf(sample string) (ions map[string]quantity.Interval, full bool) {
	ions = map[string]quantity.Interval{}
	for _, ion := range water.BalanceIons() {
		it, ok := v.by[sample][ion.ID]
		if !ok || it.r.Quantity.Dim != quantity.MassConc {
			continue
		}
		if _, own := water.Species(ion.ID); ion.As == "" && it.r.Speciation == own {
			it.r.Speciation = ""
		}
		r, err := water.ConvertResult(ion.ID, it.r, ion.As)
		if err != nil {
			continue
		}
		ions[ion.ID] = r.Interval()
	}
	_, alk := ions["alkalinity"]
	_, hco3 := ions["bicarbonate"]
	if alk && hco3 {
		delete(ions, "bicarbonate")
	}
	full = alk || hco3
	for _, id := range []string{"calcium", "magnesium", "sodium", "chloride", "sulfate"} {
		_, ok := ions[id]
		full = full && ok
	}
	return ions, full
}

// balance: cations against anions, and both against conductivity.
func (v *sheetView) balance(sample string) {
	ions, full := v.ionsOf(sample)
	if !full {
		return
	}
	b, err := water.IonBalance(ions, nil)
	if err != nil || b.Percent.Lo == nil || b.Percent.Hi == nil {
		return
	}
	percent := b.Percent.Text(percentUnit(), 3)
	if water.BalanceAcceptance(b) == water.BalanceOutside {
		switch {
		case b.Difference.Lo.Sign() > 0:
			v.warn(WarnCations, sample, percent)
		default:
			v.warn(WarnAnions, sample, percent)
		}
		v.nitrateBalance(sample, ions)
	}
	c, ok := v.by[sample]["conductivity"]
	if !ok || c.r.Qualifier != quantity.Exact || c.r.Quantity.Dim != quantity.Conductivity {
		return
	}
	// About 100 uS/cm for each meq/L; from 70 to 140 is left alone.
	low := new(big.Rat).Mul(rat(70, 1), smaller(b.Cations.Lo, b.Anions.Lo))
	high := new(big.Rat).Mul(rat(140, 1), larger(b.Cations.Hi, b.Anions.Hi))
	if ec := c.r.Quantity.Base; ec.Cmp(low) < 0 || ec.Cmp(new(big.Rat).Add(high, rat(5, 1))) > 0 {
		v.warn(WarnConductivity, sample, c.Result, b.Cations.Text(quantity.BaseUnit(quantity.EquivConc), 3), b.Anions.Text(quantity.BaseUnit(quantity.EquivConc), 3))
	}
}

// nitrateBalance: the balance would be within its acceptance if nitrate were
// expressed in the other way.
func (v *sheetView) nitrateBalance(sample string, ions map[string]quantity.Interval) {
	it, ok := v.by[sample]["nitrate"]
	if !ok || it.r.Qualifier != quantity.Exact {
		return
	}
	to := "as NO3"
	if it.r.Speciation == "as NO3" {
		to = "as N"
	}
	// The number as it stands, taken as if it had the other expression.
	other := it.r
	other.Speciation = to
	conv, err := water.ConvertResult("nitrate", other, "as NO3")
	if err != nil {
		return
	}
	changed := map[string]quantity.Interval{}
	for k, i := range ions {
		changed[k] = i
	}
	changed["nitrate"] = conv.Interval()
	again, err := water.IonBalance(changed, nil)
	if err == nil && water.BalanceAcceptance(again) == water.BalanceWithin {
		v.warn(WarnNitrate, sample, it.Result, it.r.Quantity.String()+" "+to, "balance")
	}
}

func percentUnit() quantity.Unit {
	u, _ := quantity.LookupUnit("%")
	return u
}

func smaller(a, b *big.Rat) *big.Rat {
	if a.Cmp(b) < 0 {
		return a
	}
	return b
}

func larger(a, b *big.Rat) *big.Rat {
	if a.Cmp(b) > 0 {
		return a
	}
	return b
}

// Codes lists every warning code of this package, sorted, for those who turn
// codes into sentences.
func Codes() []string {
	out := []string{WarnSwapped, WarnAlike, WarnShifted, WarnBlank, WarnSameValue, WarnSameNumber, WarnBelowLimit, WarnFactor, WarnDissolved,
		WarnNitrate, WarnHardness, WarnCations, WarnAnions, WarnConductivity, WarnLimitDiffers, WarnFractions, WarnForeign, WarnMissing}
	sort.Strings(out)
	return out
}
