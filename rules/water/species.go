package water

import (
	"fmt"
	"math/big"
	"sort"
	"strings"

	"tapledger/rules/quantity"
)

// Atomic masses in g/mol, as abridged to four or five figures by IUPAC before
// intervals were introduced; within today's standard intervals. From memory;
// checked through NIT-1, HARD-1, HARD-3, ALK-2 and CBE-1.
var (
	massH  = dec("1.00794")
	massC  = dec("12.0107")
	massN  = dec("14.0067")
	massO  = dec("15.9994")
	massF  = dec("18.9984")
	massNa = dec("22.98977")
	massMg = dec("24.305")
	massSi = dec("28.0855")
	massP  = dec("30.973762")
	massS  = dec("32.065")
	massCl = dec("35.453")
	massK  = dec("39.0983")
	massCa = dec("40.078")
	massMn = dec("54.938045")
	massFe = dec("55.845")
)

func sum(terms ...*big.Rat) *big.Rat {
	out := new(big.Rat)
	for _, t := range terms {
		out.Add(out, t)
	}
	return out
}

func times(n int64, m *big.Rat) *big.Rat { return mul(big.NewRat(n, 1), m) }

// massOf holds the molar masses of the species that results are expressed as.
var massOf = map[string]*big.Rat{
	"N": massN, "NO3": sum(massN, times(3, massO)), "NO2": sum(massN, times(2, massO)),
	"NH3": sum(massN, times(3, massH)), "NH4": sum(massN, times(4, massH)),
	"P": massP, "PO4": sum(massP, times(4, massO)), "P2O5": sum(times(2, massP), times(5, massO)),
	"S": massS, "SO4": sum(massS, times(4, massO)), "Si": massSi, "SiO2": sum(massSi, times(2, massO)),
	"Ca": massCa, "Mg": massMg, "CaCO3": sum(massCa, massC, times(3, massO)),
	"HCO3": sum(massH, massC, times(3, massO)), "CO3": sum(massC, times(3, massO)),
}

// equal says, for each analyte, how much of each species stands for one and
// the same amount: mole for mole, but half a mole of CaCO3 for a mole of HCO3.
var equal = map[string]map[string]*big.Rat{
	"nitrate":         {"N": one, "NO3": one},
	"nitrite":         {"N": one, "NO2": one},
	"nitrate_nitrite": {"N": one},
	"ammonia":         {"N": one, "NH3": one, "NH4": one},
	"ammonium":        {"N": one, "NH3": one, "NH4": one},
	"phosphate":       {"P": one, "PO4": one, "P2O5": big.NewRat(1, 2)},
	"sulfate":         {"S": one, "SO4": one},
	"silica":          {"Si": one, "SiO2": one},
	"calcium":         {"Ca": one, "CaCO3": one},
	"magnesium":       {"Mg": one, "CaCO3": one},
	"hardness":        {"CaCO3": one},
	"alkalinity":      {"CaCO3": one, "HCO3": two, "CO3": one},
	"bicarbonate":     {"CaCO3": one, "HCO3": two},
}

// own is how an analyte is expressed when nothing is said. Nitrate and nitrite
// have no such rule: they differ by a factor of 4.4 or 3.3, and are asked.
var own = map[string]string{
	"sulfate": "SO4", "calcium": "Ca", "magnesium": "Mg", "bicarbonate": "HCO3", "hardness": "CaCO3", "alkalinity": "CaCO3",
}

// Convert expresses a concentration of an analyte in another way: nitrate from
// "as N" to "as NO3". The factor is the ratio of molar masses, exact: 4.4268
// for nitrate (NIT-1), 3.2845 for nitrite, 2.4973 from Ca to CaCO3, 1.2193 from
// CaCO3 to HCO3 (ALK-2). An analyte that is not in the table is returned as it
// is when from and to are the same.
//
// Errors: no mass concentration; an expression that the analyte does not have;
// nothing said where that leaves it open.
func Convert(analyte string, q quantity.Quantity, from, to string) (quantity.Quantity, error) {
	if from == to {
		return q, nil
	}
	if q.Dim != quantity.MassConc {
		return q, fmt.Errorf("%s: %q is a %s, and only a concentration by mass is expressed as something", analyte, q, q.Dim)
	}
	f, err := ConversionFactor(analyte, from, to)
	if err != nil {
		return q, err
	}
	return quantity.New(mul(q.Base, f), q.Unit), nil
}

// ConversionFactor is what a concentration of an analyte is multiplied by when
// its expression changes from one species to another ("as N", "as NO3").
func ConversionFactor(analyte, from, to string) (*big.Rat, error) {
	if from == to {
		return new(big.Rat).Set(one), nil
	}
	ways, known := equal[analyte]
	if !known {
		return nil, fmt.Errorf("%s is not expressed in several ways: %q cannot become %q", analyte, from, to)
	}
	a, err := speciesOf(analyte, from, ways)
	if err != nil {
		return nil, err
	}
	b, err := speciesOf(analyte, to, ways)
	if err != nil {
		return nil, err
	}
	return quo(mul(massOf[b], ways[b]), mul(massOf[a], ways[a])), nil
}

func speciesOf(analyte, as string, ways map[string]*big.Rat) (string, error) {
	s := strings.TrimPrefix(as, "as ")
	if as == "" {
		s = own[analyte]
	}
	if s == "" {
		return "", fmt.Errorf("%s: nothing says what it is expressed as; write one of %s", analyte, strings.Join(waysOf(ways), ", "))
	}
	if ways[s] == nil {
		return "", fmt.Errorf("%s is not expressed %q; it is expressed %s", analyte, as, strings.Join(waysOf(ways), ", "))
	}
	return s, nil
}

func waysOf(ways map[string]*big.Rat) []string {
	var out []string
	for s := range ways {
		out = append(out, "as "+s)
	}
	sort.Strings(out)
	return out
}

// ConvertResult is Convert for a result: its qualifier stays, a non-detect's
// limit is converted with it.
func ConvertResult(analyte string, r quantity.Result, to string) (quantity.Result, error) {
	if r.Speciation == to {
		return r, nil
	}
	q, err := Convert(analyte, r.Quantity, r.Speciation, to)
	if err != nil {
		return r, err
	}
	return quantity.Result{Qualifier: r.Qualifier, Quantity: q, Speciation: to}, nil
}

// ConvertMeasured is Convert for a result with its limits and its uncertainty.
func ConvertMeasured(analyte string, m Measured, to string) (Measured, error) {
	if m.Result.Speciation == to {
		return m, nil
	}
	from := m.Result.Speciation
	var err error
	if m.Result, err = ConvertResult(analyte, m.Result, to); err != nil {
		return m, err
	}
	for _, p := range []**quantity.Quantity{&m.Detection, &m.Quantitation, &m.Reporting, &m.Stated} {
		if *p == nil {
			continue
		}
		q, err := Convert(analyte, **p, from, to)
		if err != nil {
			return m, err
		}
		*p = &q
	}
	return m, nil
}

// Species tells whether an analyte is expressed in several ways at all, and
// lists them sorted ("as N", "as NO3"); own is what holds when nothing is
// said, "" when nothing does.
func Species(analyte string) (ways []string, ownWay string) {
	w, ok := equal[analyte]
	if !ok {
		return nil, ""
	}
	if s := own[analyte]; s != "" {
		ownWay = "as " + s
	}
	return waysOf(w), ownWay
}
