package quantity

import (
	"fmt"
	"math/big"
	"sort"
)

// Unit is one unit of the closed table. Units are comparable: the table gives
// the same Unit for a code and for all its other spellings.
type Unit struct {
	Code  string // the one spelling that is written: UCUM's where it is also the trade's
	Dim   Dim
	Shown string // how people read it: "°C" for "Cel", "µg/L" for "ug/L"
	// base = value*factor + offset
	factor, offset *big.Rat
}

// Factor is how many base units one unit is, exactly.
func (u Unit) Factor() *big.Rat { return new(big.Rat).Set(u.scale()) }

// Offset is what is added after the factor to reach the base unit: zero for
// all units but those of temperature.
func (u Unit) Offset() *big.Rat {
	if u.offset == nil {
		return new(big.Rat)
	}
	return new(big.Rat).Set(u.offset)
}

func (u Unit) scale() *big.Rat {
	if u.factor == nil {
		return one
	}
	return u.factor
}

// ToBase turns a value in the unit into one in the base unit.
func (u Unit) ToBase(v *big.Rat) *big.Rat {
	r := new(big.Rat).Mul(v, u.scale())
	if u.offset != nil {
		r.Add(r, u.offset)
	}
	return r
}

// FromBase turns a value in the base unit into one in the unit.
func (u Unit) FromBase(b *big.Rat) *big.Rat {
	r := new(big.Rat).Set(b)
	if u.offset != nil {
		r.Sub(r, u.offset)
	}
	return r.Quo(r, u.scale())
}

var one = big.NewRat(1, 1)

type unitRow struct {
	dim                         Dim
	code, shown, factor, offset string
	also                        []string
}

// The first row of a dimension is its base unit. Factors are exact by
// definition: the litre, minute, degree of arc and the like from the SI
// brochure; the inch 0.0254 m and the pound 0.45359237 kg from the yard and
// pound agreement of 1959; the US gallon 231 cubic inches; the imperial gallon
// 4.54609 L; psi from the pound, 9.80665 m/s2 and the inch; 1 Ci = 3.7e10 Bq.
var unitRows = []unitRow{
	{Time, "s", "", "1", "", []string{"sec", "secs", "second", "seconds"}},
	{Time, "ms", "", "1/1000", "", nil},
	{Time, "min", "", "60", "", []string{"mins", "minute", "minutes"}},
	{Time, "h", "", "3600", "", []string{"hr", "hrs", "hour", "hours"}},
	{Time, "d", "", "86400", "", []string{"day", "days"}},
	{Time, "wk", "", "604800", "", []string{"week", "weeks"}},
	{Time, "a", "", "31557600", "", []string{"year", "years"}}, // 365.25 d, UCUM's mean Julian year

	{Volume, "L", "", "1", "", []string{"l", "litre", "litres", "liter", "liters"}},
	{Volume, "mL", "", "1/1000", "", []string{"ml", "cm3"}},
	{Volume, "uL", "µL", "1/1000000", "", []string{"ul", "µL", "µl"}},
	{Volume, "m3", "m³", "1000", "", []string{"m³"}},
	{Volume, "gal", "US gal", "3.785411784", "", []string{"gal_us", "gallon", "gallons"}},
	{Volume, "fl_oz", "US fl oz", "0.0295735295625", "", []string{"fl oz"}},
	{Volume, "gal_imp", "imp gal", "4.54609", "", nil},

	{Mass, "g", "", "1", "", nil},
	{Mass, "kg", "", "1000", "", nil},
	{Mass, "mg", "", "1/1000", "", nil},
	{Mass, "ug", "µg", "1/1000000", "", []string{"µg"}},
	{Mass, "lb", "", "453.59237", "", nil},

	{Length, "m", "", "1", "", nil},
	{Length, "cm", "", "1/100", "", nil},
	{Length, "mm", "", "1/1000", "", nil},
	{Length, "um", "µm", "1/1000000", "", []string{"µm"}},
	{Length, "in", "", "0.0254", "", []string{"inch", "inches"}},
	{Length, "ft", "", "0.3048", "", []string{"feet", "foot"}},

	{MassConc, "mg/L", "", "1", "", []string{"mg/l", "g/m3"}},
	{MassConc, "ug/L", "µg/L", "1/1000", "", []string{"ug/l", "µg/L", "µg/l"}},
	{MassConc, "ng/L", "", "1/1000000", "", []string{"ng/l"}},
	{MassConc, "g/L", "", "1000", "", []string{"g/l"}},
	{MassConc, "kg/L", "", "1000000", "", []string{"kg/l", "g/mL", "g/ml", "g/cm3"}},
	{MassConc, "kg/m3", "kg/m³", "1000", "", nil},

	{AmountConc, "mmol/L", "", "1", "", []string{"mmol/l", "mM"}},
	{AmountConc, "umol/L", "µmol/L", "1/1000", "", []string{"umol/l", "µmol/L", "µmol/l"}},
	{AmountConc, "mol/L", "", "1000", "", []string{"mol/l"}},

	{EquivConc, "meq/L", "", "1", "", []string{"meq/l"}},
	{EquivConc, "ueq/L", "µeq/L", "1/1000", "", []string{"ueq/l", "µeq/L", "µeq/l"}},

	{CountConc, "/100mL", "per 100 mL", "1", "", []string{"/100ml", "/100 mL", "count/100mL", "cfu/100ml", "MPN/100ml"}},
	{CountConc, "CFU/100mL", "CFU/100 mL", "1", "", []string{"CFU/100 mL", "CFU/100ml", "cfu/100mL", "cfu/100 mL"}},
	{CountConc, "MPN/100mL", "MPN/100 mL", "1", "", []string{"MPN/100 mL"}},
	{CountConc, "CFU/mL", "", "100", "", []string{"CFU/ml", "cfu/mL", "cfu/ml"}},

	{FibreConc, "MFL", "", "1", "", nil},

	{ActivityConc, "Bq/L", "", "1", "", []string{"Bq/l"}},
	{ActivityConc, "mBq/L", "", "1/1000", "", []string{"mBq/l"}},
	{ActivityConc, "pCi/L", "", "0.037", "", []string{"pCi/l"}},

	{Flow, "L/min", "", "1", "", []string{"l/min", "lpm", "LPM"}},
	{Flow, "mL/min", "", "1/1000", "", []string{"ml/min"}},
	{Flow, "L/s", "", "60", "", []string{"l/s"}},
	{Flow, "L/h", "", "1/60", "", []string{"l/h"}},
	{Flow, "L/d", "", "1/1440", "", []string{"l/d"}},
	{Flow, "mL/s", "", "0.06", "", []string{"ml/s"}},
	{Flow, "m3/h", "m³/h", "1000/60", "", []string{"m³/h"}},
	{Flow, "gal/min", "US gal/min", "3.785411784", "", []string{"gpm", "GPM"}},
	{Flow, "gal/d", "US gal/d", "3.785411784/1440", "", []string{"gpd", "GPD"}},

	{MassFlow, "g/min", "", "1", "", nil},
	{MassFlow, "g/s", "", "60", "", nil},
	{MassFlow, "g/h", "", "1/60", "", nil},
	{MassFlow, "kg/h", "", "1000/60", "", nil},
	{MassFlow, "mg/min", "", "1/1000", "", nil},

	{Pressure, "kPa", "", "1", "", nil},
	{Pressure, "Pa", "", "1/1000", "", nil},
	{Pressure, "MPa", "", "1000", "", nil},
	{Pressure, "bar", "", "100", "", nil},
	{Pressure, "mbar", "", "0.1", "", nil},
	{Pressure, "psi", "", "8896443230521/1290320000000", "", []string{"PSI"}},

	{Temperature, "Cel", "°C", "1", "", []string{"°C", "degC", "deg C"}},
	{Temperature, "degF", "°F", "5/9", "-160/9", []string{"°F", "deg F"}},
	{Temperature, "K", "", "1", "-273.15", nil},

	{TemperatureDifference, "Cel_diff", "°C of difference", "1", "", []string{"K_diff", "delta_Cel"}},
	{TemperatureDifference, "degF_diff", "°F of difference", "5/9", "", nil},

	{Conductivity, "uS/cm", "µS/cm", "1", "", []string{"µS/cm", "umho/cm", "µmho/cm"}},
	{Conductivity, "mS/cm", "", "1000", "", []string{"mmho/cm", "dS/m"}},
	{Conductivity, "mS/m", "", "10", "", nil},
	{Conductivity, "S/m", "", "10000", "", nil},

	{Ratio, "1", "", "1", "", nil},
	{Ratio, "%", "", "1/100", "", []string{"percent"}},

	{PH, "pH", "", "1", "", []string{"pH units", "std units", "standard units"}},

	{Turbidity, "NTU", "", "1", "", []string{"ntu"}},
	{Turbidity, "FNU", "", "1", "", nil}, // another optic, the same formazin scale

	{Colour, "CU", "", "1", "", []string{"PCU", "color units", "Pt-Co units"}},

	{Potential, "mV", "", "1", "", nil},
	{Potential, "V", "", "1000", "", nil},

	{Energy, "kWh", "", "1", "", nil},
	{Energy, "Wh", "", "1/1000", "", nil},
	{Energy, "J", "", "1/3600000", "", nil},
	{Energy, "MJ", "", "1/3.6", "", nil},

	{Power, "W", "", "1", "", nil},
	{Power, "kW", "", "1000", "", nil},

	{Count, "count", "", "1", "", []string{"counts", "pcs"}},
}

// Spellings that are understood but not taken, and what to write instead.
var notTaken = map[string]string{
	"mo":     "a month has no fixed length: write days, such as 180 d, or a part of a year, such as 0.5 a",
	"month":  "a month has no fixed length: write days, such as 180 d, or a part of a year, such as 0.5 a",
	"months": "a month has no fixed length: write days, such as 180 d, or a part of a year, such as 0.5 a",
	"ppm":    "parts per million may mean mg/L, mg/kg or a share: write mg/L if the report means it",
	"ppb":    "parts per billion may mean ug/L, ug/kg or a share: write ug/L if the report means it",
	"ppt":    "parts per trillion, or per thousand: write ng/L or g/L, whichever the report means",
	"psig":   "pressures here are what a gauge reads: write psi",
	"psia":   "pressures here are what a gauge reads: take 14.7 psi away and write psi",
	"oz":     "an ounce may be a volume or a mass: write fl_oz, or g",
	"cup":    "a cup has many sizes: write mL",
	"gpg":    "grains a gallon are a hardness as CaCO3: write mg/L as CaCO3 (1 gpg = 17.118 mg/L)",
	"dH":     "German degrees are a hardness: write mg/L as CaCO3 (1 dH = 17.85 mg/L) or mmol/L",
	"°dH":    "German degrees are a hardness: write mg/L as CaCO3 (1 dH = 17.85 mg/L) or mmol/L",
	"fH":     "French degrees are a hardness: write mg/L as CaCO3 (1 fH = 10 mg/L)",
	"°fH":    "French degrees are a hardness: write mg/L as CaCO3 (1 fH = 10 mg/L)",
	"M":      "write mol/L",
	"C":      "write Cel",
	"F":      "write degF",
	"TDS":    "a meter that shows TDS measures conductivity: write uS/cm, and the meter's factor in a note",
	"MPN":    "write MPN/100mL",
	"CFU":    "write CFU/100mL",
}

type unitTable struct {
	byCode map[string]*Unit
	codes  []string        // canonical spellings, in the table's order
	names  []string        // every spelling, sorted: what "did you mean" looks through
	base   [dims]*Unit     // base unit of each dimension
	of     [dims][]Unit    // units of each dimension
	canon  map[string]bool // canonical spellings
}

var table = makeTable(unitRows)

func makeTable(rows []unitRow) *unitTable {
	t := &unitTable{byCode: map[string]*Unit{}, canon: map[string]bool{}}
	enter := func(name string, u *Unit) {
		if _, twice := t.byCode[name]; twice {
			panic("quantity: unit " + name + " stands twice in the table")
		}
		t.byCode[name] = u
		t.names = append(t.names, name)
	}
	for _, r := range rows {
		u := &Unit{Code: r.code, Dim: r.dim, Shown: r.shown, factor: exact(r.factor)}
		if u.Shown == "" {
			u.Shown = u.Code
		}
		if r.offset != "" {
			u.offset = exact(r.offset)
		}
		enter(r.code, u)
		for _, name := range r.also {
			enter(name, u)
		}
		t.codes, t.canon[r.code] = append(t.codes, r.code), true
		t.of[r.dim] = append(t.of[r.dim], *u)
		if t.base[r.dim] == nil {
			t.base[r.dim] = u
		}
	}
	t.base[None] = &Unit{Dim: None, factor: one}
	sort.Strings(t.names)
	return t
}

// exact reads "5/9", "3.785411784/1440" or "0.0254".
func exact(s string) *big.Rat {
	var num, den = s, "1"
	for i := range s {
		if s[i] == '/' {
			num, den = s[:i], s[i+1:]
		}
	}
	n, ok1 := new(big.Rat).SetString(num)
	d, ok2 := new(big.Rat).SetString(den)
	if !ok1 || !ok2 {
		panic("quantity: factor " + s)
	}
	return n.Quo(n, d)
}

// LookupUnit finds a unit by its code or by one of its other spellings; both
// signs for micro (U+00B5 and U+03BC) are taken. The error says what to write
// instead, or names the nearest spelling.
func LookupUnit(code string) (Unit, error) {
	code = microAsU00B5(code)
	if u, ok := table.byCode[code]; ok {
		return *u, nil
	}
	if code == "" {
		return Unit{}, fmt.Errorf("the unit is missing")
	}
	if why, ok := notTaken[code]; ok {
		return Unit{}, fmt.Errorf("the unit %q is not taken: %s", code, why)
	}
	return Unit{}, fmt.Errorf("unknown unit %q%s", clip(code), suggestUnit(code))
}

// BaseUnit is the unit in which Base of a quantity of the dimension stands.
func BaseUnit(d Dim) Unit {
	if d >= dims {
		return Unit{}
	}
	return *table.base[d]
}

// Units lists the units of a dimension, the base unit first. They are what a
// form offers.
func Units(d Dim) []Unit {
	if d >= dims {
		return nil
	}
	return append([]Unit(nil), table.of[d]...)
}

// UnitCodes lists every canonical code in the table's order.
func UnitCodes() []string { return append([]string(nil), table.codes...) }
