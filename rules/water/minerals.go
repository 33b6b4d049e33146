package water

import (
	"fmt"
	"math/big"

	"tapledger/rules/quantity"
)

// perLitre shows concentrations in mg/L.
var perLitre = quantity.BaseUnit(quantity.MassConc)

// conc checks that an interval is one of mass concentrations from zero upwards.
func conc(name string, i quantity.Interval) error {
	if i.Dim != quantity.MassConc || i.Lo == nil || i.Lo.Sign() < 0 {
		return fmt.Errorf("the %s must be a concentration from zero upwards", name)
	}
	return nil
}

func scaled(i quantity.Interval, f *big.Rat) quantity.Interval {
	out := i
	if i.Lo != nil {
		out.Lo = mul(i.Lo, f)
	}
	if i.Hi != nil {
		out.Hi = mul(i.Hi, f)
	}
	return out
}

// plus adds two intervals of one dimension end by end.
func plus(a, b quantity.Interval) quantity.Interval {
	out := quantity.Interval{Dim: a.Dim, LoOpen: a.LoOpen || b.LoOpen, HiOpen: a.HiOpen || b.HiOpen}
	if a.Lo != nil && b.Lo != nil {
		out.Lo = add(a.Lo, b.Lo)
	}
	if a.Hi != nil && b.Hi != nil {
		out.Hi = add(a.Hi, b.Hi)
	}
	return out
}

// Hardness is calcium and magnesium, both in mg/L as the element, as mg/L of
// CaCO3: by molar masses, 2.4973 Ca + 4.1180 Mg (SM 2340 B prints 2.497 and
// 4.118; check values HARD-1, HARD-3). Non-detects enter as intervals.
func Hardness(calcium, magnesium quantity.Interval) (quantity.Interval, error) {
	if err := conc("calcium", calcium); err != nil {
		return quantity.Interval{}, err
	}
	if err := conc("magnesium", magnesium); err != nil {
		return quantity.Interval{}, err
	}
	caco3 := massOf["CaCO3"]
	return plus(scaled(calcium, quo(caco3, massCa)), scaled(magnesium, quo(caco3, massMg))), nil
}

// Units of hardness that are no units of concentration: factors from mg/L as
// CaCO3, by definition (German degree: 10 mg CaO a litre; French: 10 mg CaCO3;
// grain a US gallon: 64.79891 mg in 3.785411784 L). Check value HARD-3.
var (
	germanDegree = quo(add(massCa, massO), mul(big.NewRat(10, 1), massOf["CaCO3"]))
	frenchDegree = big.NewRat(1, 10)
	grainGallon  = quo(dec("3.785411784"), dec("64.79891"))
)

// HardnessDegrees gives a hardness in mg/L as CaCO3 as German degrees, French
// degrees and grains a US gallon, and as mmol/L.
func HardnessDegrees(caco3 *big.Rat) (german, french, grains, mmol *big.Rat) {
	return mul(caco3, germanDegree), mul(caco3, frenchDegree), mul(caco3, grainGallon), quo(caco3, massOf["CaCO3"])
}

// Ion is one ion of the balance: its charge number and what one mg/L of it is
// in meq/L.
type Ion struct {
	ID     string // analyte id
	As     string // what it is expressed as
	Cation bool
	Per    *big.Rat // meq/L in one mg/L
}

// BalanceIons lists the ions that the balance takes, cations first. Alkalinity
// stands for bicarbonate and carbonate; a report that has both lists only one.
func BalanceIons() []Ion {
	per := func(charge int64, mass *big.Rat) *big.Rat { return quo(big.NewRat(charge, 1), mass) }
	return []Ion{
		{"calcium", "", true, per(2, massCa)}, {"magnesium", "", true, per(2, massMg)},
		{"sodium", "", true, per(1, massNa)}, {"potassium", "", true, per(1, massK)},
		{"ammonium", "as NH4", true, per(1, massOf["NH4"])}, {"iron", "", true, per(2, massFe)},
		{"manganese", "", true, per(2, massMn)},
		{"alkalinity", "as CaCO3", false, per(2, massOf["CaCO3"])}, {"bicarbonate", "", false, per(1, massOf["HCO3"])},
		{"carbonate", "", false, per(2, massOf["CO3"])}, {"sulfate", "", false, per(2, massOf["SO4"])},
		{"chloride", "", false, per(1, massCl)}, {"nitrate", "as NO3", false, per(1, massOf["NO3"])},
		{"nitrite", "as NO2", false, per(1, massOf["NO2"])}, {"fluoride", "", false, per(1, massF)},
	}
}

// Balance is the sum of the cations against the sum of the anions.
type Balance struct {
	Cations, Anions quantity.Interval // meq/L
	// Percent is 100 (cations - anions) / (cations + anions), as a share; its
	// ends follow from non-detects. Not valid when nothing was measured.
	Percent quantity.Interval
	// Difference is cations minus anions in meq/L.
	Difference quantity.Interval
	Used       []string // analytes that entered, in the order of BalanceIons
}

// IonBalance sums what was measured, in mg/L as BalanceIons says; hydrogen is
// the activity of hydrogen ions from pH in meq/L, nil to leave it out. An ion
// that was not measured is simply not there: its absence is a finding of the
// reader, not of the balance. Check value CBE-1; the open data sets of
// testdata/datasets agree as said there.
//
// Errors: no ion at all on one side; a negative concentration, except that an
// alkalinity may lie below zero: a titration of acid water gives that.
func IonBalance(mgL map[string]quantity.Interval, hydrogen *big.Rat) (Balance, error) {
	zero := quantity.Interval{Dim: quantity.EquivConc, Lo: new(big.Rat), Hi: new(big.Rat)}
	b := Balance{Cations: zero, Anions: zero}
	if _, both := mgL["alkalinity"]; both {
		if _, also := mgL["bicarbonate"]; also {
			return b, fmt.Errorf("alkalinity and bicarbonate are the same ions: leave one of them out of the balance")
		}
	}
	sides := [2]int{}
	for _, ion := range BalanceIons() {
		i, ok := mgL[ion.ID]
		if !ok {
			continue
		}
		if err := conc(ion.ID, i); err != nil && !(ion.ID == "alkalinity" && i.Dim == quantity.MassConc && i.Lo != nil) {
			return b, err
		}
		eq := scaled(i, ion.Per)
		eq.Dim = quantity.EquivConc
		b.Used = append(b.Used, ion.ID)
		if ion.Cation {
			b.Cations, sides[0] = plus(b.Cations, eq), sides[0]+1
		} else {
			b.Anions, sides[1] = plus(b.Anions, eq), sides[1]+1
		}
	}
	if hydrogen != nil {
		b.Cations = plus(b.Cations, quantity.Interval{Dim: quantity.EquivConc, Lo: hydrogen, Hi: hydrogen})
	}
	if sides[0] == 0 || sides[1] == 0 {
		return b, fmt.Errorf("a balance needs at least one cation and one anion")
	}
	b.finish()
	return b, nil
}

// finish works out difference and percent: the percentage grows with the
// cations and falls with the anions, so its ends come from opposite ends.
func (b *Balance) finish() {
	if b.Cations.Hi == nil || b.Anions.Hi == nil {
		b.Percent = quantity.Interval{Dim: quantity.Ratio, LoOpen: true, HiOpen: true}
		b.Difference = quantity.Interval{Dim: quantity.EquivConc, LoOpen: true, HiOpen: true}
		return
	}
	b.Difference = quantity.Interval{Dim: quantity.EquivConc, Lo: sub(b.Cations.Lo, b.Anions.Hi), Hi: sub(b.Cations.Hi, b.Anions.Lo)}
	b.Percent = quantity.Interval{Dim: quantity.Ratio, Lo: BalanceShare(b.Cations.Lo, b.Anions.Hi), Hi: BalanceShare(b.Cations.Hi, b.Anions.Lo)}
}

// BalanceShare is (c - a) / (c + a) as a share; nil when both are zero.
func BalanceShare(cations, anions *big.Rat) *big.Rat {
	s := add(cations, anions)
	if s.Sign() == 0 {
		return nil
	}
	return quo(sub(cations, anions), s)
}

// How a balance stands against the usual acceptance.
const (
	BalanceWithin  = "balance_within"
	BalanceOutside = "balance_outside"
	// BalanceStatus goes along wherever the acceptance is shown.
	BalanceStatus = "SM 1030 E, from memory, unverified"
)

// BalanceAcceptance holds a balance against the acceptance that Standard
// Methods 1030 E prints, FROM MEMORY, unverified (row CBE-2): up to 3 meq/L of
// anions a difference of 0.2 meq/L; up to 10, 2 %; above, 5 %. It says nothing
// about a water with anions that were not measured, such as organic acids: a
// sound report may lie outside. Undecided when non-detects leave it open.
func BalanceAcceptance(b Balance) string {
	if b.Anions.Hi == nil || b.Percent.Lo == nil || b.Percent.Hi == nil {
		return Undecided
	}
	anions := quo(add(b.Anions.Lo, b.Anions.Hi), two)
	i, most := b.Percent, big.NewRat(5, 100)
	switch {
	case anions.Cmp(big.NewRat(3, 1)) <= 0:
		i, most = b.Difference, big.NewRat(1, 5)
	case anions.Cmp(big.NewRat(10, 1)) <= 0:
		most = big.NewRat(2, 100)
	}
	least := new(big.Rat).Neg(most)
	switch {
	case i.Lo.Cmp(least) >= 0 && i.Hi.Cmp(most) <= 0:
		return BalanceWithin
	case i.Lo.Cmp(most) > 0 || i.Hi.Cmp(least) < 0:
		return BalanceOutside
	}
	return Undecided
}

// Codes of a mineral held against a published range.
const (
	LessThanRange = "less_than_range"
	InRange       = "in_range"
	MoreThanRange = "more_than_range"
)

// Mineral holds a concentration, with its uncertainty as an interval, against
// a published range of which either end may be nil. Recommendations are
// those of authors, not guideline values, and carry their status. Undecided
// when the interval lies on both sides of an end.
func Mineral(i quantity.Interval, least, most *quantity.Quantity) (string, error) {
	for _, q := range []*quantity.Quantity{least, most} {
		if q != nil && q.Dim != i.Dim {
			return "", fmt.Errorf("the recommendation %s is a %s, and the result a %s", q, q.Dim, i.Dim)
		}
	}
	if least == nil && most == nil {
		return "", fmt.Errorf("a recommendation needs a lower or an upper end")
	}
	code := InRange
	if least != nil {
		switch o := i.Order(quantity.Point(*least)); {
		case o == quantity.Less:
			return LessThanRange, nil
		case o&quantity.Less != 0:
			code = Undecided
		}
	}
	if most != nil {
		switch o := i.Order(quantity.Point(*most)); {
		case o == quantity.Greater:
			return MoreThanRange, nil
		case o&quantity.Greater != 0:
			code = Undecided
		}
	}
	return code, nil
}

// Within95 is a result with its expanded uncertainty as an interval, from zero
// upwards where the dimension has a floor; a non-detect reaches from zero to
// its limit with U, a result beyond range has no upper end.
func Within95(m Measured, a Assumed) (quantity.Interval, error) {
	if err := m.check(); err != nil {
		return quantity.Interval{}, err
	}
	y, u, d := m.Result.Quantity.Base, m.Uncertainty(a).Expanded(), m.Result.Quantity.Dim
	out := quantity.Interval{Dim: d, Lo: sub(y, u), Hi: add(y, u)}
	if m.Result.Qualifier == quantity.Below || d.FromZero() && out.Lo.Sign() < 0 {
		out.Lo = new(big.Rat)
	}
	if m.Result.Qualifier == quantity.Above {
		out.Hi, out.HiOpen = nil, true
	}
	return out, nil
}
