package water

import (
	"fmt"
	"math"
	"math/big"

	"tapledger/rules/estimate/det"
	"tapledger/rules/quantity"
)

// Alkalinity is one alkalinity in the ways it is printed.
type Alkalinity struct {
	CaCO3, HCO3, MeqL *big.Rat // mg/L, mg/L, meq/L
}

// AlkalinityOf gives an alkalinity in mg/L as CaCO3 also as bicarbonate and in
// meq/L, by molar masses (check values ALK-1, ALK-2; the figures there were
// made with an equivalent mass of 50.04, ours is 50.0435).
func AlkalinityOf(caco3 *big.Rat) Alkalinity {
	meq := quo(mul(two, caco3), massOf["CaCO3"])
	return Alkalinity{CaCO3: new(big.Rat).Set(caco3), HCO3: mul(meq, massOf["HCO3"]), MeqL: meq}
}

// Constants are the carbonate system's at a temperature, as negative decimal
// logarithms: first and second dissociation of carbonic acid, solubility
// product of calcite.
type Constants struct{ PK1, PK2, PKs float64 }

// CarbonateConstants gives them from 0 to 90 degC by the analytic forms of
// Plummer and Busenberg 1982 (rows PK-0 to PK-30: coefficients of pK2 read in
// a published data file, those of pK1 and pKs from memory, their 25 degC
// values confirmed).
func CarbonateConstants(celsius float64) (Constants, error) {
	if !(celsius >= 0 && celsius <= 90) {
		return Constants{}, fmt.Errorf("carbonate constants hold from 0 to 90 degC, and this is %g", celsius)
	}
	t := celsius + 273.15
	log := func(a, b, c, d, e float64) float64 {
		return a + float64(b*t) + c/t + float64(d*det.Log10(t)) + e/float64(t*t)
	}
	return Constants{
		PK1: -log(-356.3094, -0.06091964, 21834.37, 126.8339, -1684915),
		PK2: -log(-107.8871, -0.03252849, 5151.79, 38.92561, -563713.9),
		PKs: -log(-171.9065, -0.077993, 2839.319, 71.595, 0),
	}, nil
}

// AlkalinitySpecies splits an alkalinity into the shares of bicarbonate,
// carbonate and hydroxide that a pH leaves it, at a temperature, without
// activity corrections: good for dilute water such as permeate, some percent
// off above 500 uS/cm. The shares are of the charge;
// hydroxide is left out, which matters above pH 10.
func AlkalinitySpecies(ph, celsius float64) (bicarbonate, carbonate float64, err error) {
	c, err := CarbonateConstants(celsius)
	if err != nil {
		return 0, 0, err
	}
	if !(ph >= 0 && ph <= 14) {
		return 0, 0, fmt.Errorf("a pH from 0 to 14 is wanted, and this is %g", ph)
	}
	twice := float64(2 * det.Pow(10, ph-c.PK2))
	return 1 / (1 + twice), twice / (1 + twice), nil
}

// OpenAirPH is the pH that water with nothing in it takes at 25 degC from the
// carbon dioxide of the air, given as a share of the air (0.000427): [H+] =
// sqrt(KH K1 pCO2 + Kw), with pKH 1.468 and pKw 13.995 (from memory; check
// values CO2-1 to CO2-3). It is where a permeate without alkalinity ends.
func OpenAirPH(share float64) (float64, error) {
	if !(share >= 0 && share <= 1) {
		return 0, fmt.Errorf("a share of carbon dioxide in the air lies between 0 and 1, and this is %g", share)
	}
	c, err := CarbonateConstants(25)
	if err != nil {
		return 0, err
	}
	h2 := float64(det.Pow(10, -1.468-c.PK1)*share) + det.Pow(10, -13.995)
	return -det.Log10(math.Sqrt(h2)), nil
}

// SimplifiedRoute names the form of the Langelier index that Langelier
// computes; forms differ by up to 0.3 on one water, so it is always said.
const SimplifiedRoute = "simplified A, B, C, D form"

// Saturation is a Langelier index by the simplified route with its terms.
type Saturation struct {
	A, B, C, D, PHs, Index float64
	Route                  string
}

// Langelier is the saturation index by the widely quoted simplified form: A =
// (log10 TDS - 1)/10, B = -13.12 log10(T + 273) + 34.55, C = log10(Ca) - 0.4,
// D = log10(alkalinity), pHs = 9.3 + A + B - C - D, with TDS in mg/L, calcium
// and alkalinity in mg/L as CaCO3, T in degC (check values LSI-1, LSI-2). It
// says whether calcite would dissolve or form, not how much.
func Langelier(ph, celsius, tds, calciumCaCO3, alkalinityCaCO3 float64) (Saturation, error) {
	for _, v := range []struct {
		name string
		of   float64
	}{{"dissolved solids", tds}, {"calcium", calciumCaCO3}, {"alkalinity", alkalinityCaCO3}} {
		if !(v.of > 0) || math.IsInf(v.of, 0) {
			return Saturation{}, fmt.Errorf("the %s must lie above zero for a saturation index", v.name)
		}
	}
	if !(celsius > -1 && celsius < 100) || !(ph >= 0 && ph <= 14) {
		return Saturation{}, fmt.Errorf("a saturation index needs a pH from 0 to 14 and liquid water")
	}
	s := Saturation{
		A: (det.Log10(tds) - 1) / 10, B: 34.55 - float64(13.12*det.Log10(celsius+273)),
		C: det.Log10(calciumCaCO3) - 0.4, D: det.Log10(alkalinityCaCO3), Route: SimplifiedRoute,
	}
	s.PHs = 9.3 + s.A + s.B - s.C - s.D
	s.Index = ph - s.PHs
	return s, nil
}

// Why a pH is what it is.
const (
	PHHighFewMinerals = "ph_high_few_minerals" // high, and little alkalinity behind it
	PHHighBuffered    = "ph_high_buffered"     // high, with alkalinity behind it
	PHLowFewMinerals  = "ph_low_few_minerals"  // low, little alkalinity: dissolved carbon dioxide decides
	PHUsual           = "ph_usual"
)

// PHReason is why a pH is what it is, with the figures that its sentence needs.
type PHReason struct {
	Code string
	// Twin is the calcite water nearest in alkalinity, for PHHighFewMinerals:
	// what dissolving calcite alone would give.
	Twin CalciteWater
}

// CalciteWater is a computed water that has dissolved calcite until it could
// take no more, closed to the air, at 25 degC.
type CalciteWater struct {
	ID         string // row of the reference values
	PH         string
	Alkalinity string // mg/L as CaCO3
	CO2        string // mg/L of dissolved carbon dioxide it began with
}

// calciteWaters are computed by a speciation program (PHREEQC 3.8.7; rows
// CAL-2, CAL-CO2-5, CAL-CO2-10): the less carbon dioxide, the higher the pH
// and the less dissolves.
var calciteWaters = []CalciteWater{
	{"CAL-2", "9.907", "12.3", "0"}, {"CAL-CO2-5", "9.31", "16.6", "5"}, {"CAL-CO2-10", "8.86", "25.6", "10"},
}

// The limits of the words: pH 8.5, 30 mg/L of alkalinity as CaCO3, pH 6.5.
// Common practice, no source.
var (
	highPH   = dec("8.5")
	lowPH    = dec("6.5")
	fewAlkal = big.NewRat(30, 1)
)

// ExplainPH says why a pH can be high though few minerals are there: in water
// with little carbon dioxide a trace of dissolved calcite raises the pH, and
// hardly any of it dissolves. pH and alkalinity (mg/L as CaCO3) come with
// their uncertainty; Undecided when it lies on both sides of a limit.
func ExplainPH(ph, alkalinity quantity.Interval) (PHReason, error) {
	if ph.Dim != quantity.PH || alkalinity.Dim != quantity.MassConc {
		return PHReason{}, fmt.Errorf("a pH and an alkalinity by mass are wanted, not a %s and a %s", ph.Dim, alkalinity.Dim)
	}
	if ph.Lo == nil || ph.Hi == nil || alkalinity.Lo == nil || alkalinity.Hi == nil {
		return PHReason{Code: Undecided}, nil
	}
	few, enough := alkalinity.Hi.Cmp(fewAlkal) < 0, alkalinity.Lo.Cmp(fewAlkal) >= 0
	switch {
	case ph.Lo.Cmp(highPH) > 0 && few:
		return PHReason{Code: PHHighFewMinerals, Twin: nearestTwin(alkalinity)}, nil
	case ph.Lo.Cmp(highPH) > 0 && enough:
		return PHReason{Code: PHHighBuffered}, nil
	case ph.Hi.Cmp(lowPH) < 0 && few:
		return PHReason{Code: PHLowFewMinerals}, nil
	case ph.Lo.Cmp(lowPH) >= 0 && ph.Hi.Cmp(highPH) <= 0:
		return PHReason{Code: PHUsual}, nil
	}
	return PHReason{Code: Undecided}, nil
}

func nearestTwin(alkalinity quantity.Interval) CalciteWater {
	mid := quo(add(alkalinity.Lo, alkalinity.Hi), two)
	var best CalciteWater
	var least *big.Rat
	for _, w := range calciteWaters {
		d := new(big.Rat).Abs(sub(mid, dec(w.Alkalinity)))
		if least == nil || d.Cmp(least) < 0 {
			best, least = w, d
		}
	}
	return best
}
