// Package quantity holds exact numbers with units: quantities and results as
// they were written, the units they may be written in, intervals, and the
// rounding that turns exact numbers back into text.
//
// All arithmetic is exact (math/big.Rat). A quantity keeps the text it was
// written as beside its value in the base unit of its dimension; a unit comes
// from one closed table. Floats enter nowhere and leave nowhere, except that
// FromFloat turns the outcome of an estimate into decimal text.
package quantity

// Dim is a physical dimension. Quantities of different dimensions are never
// compared, added or converted into one another.
type Dim uint8

// The dimensions. The unit in brackets is the base unit, in which Quantity.Base
// and the ends of an Interval stand.
const (
	None                  Dim = iota // a bare number
	Time                             // s
	Volume                           // L
	Mass                             // g
	Length                           // m
	MassConc                         // mg/L
	AmountConc                       // mmol/L
	EquivConc                        // meq/L
	CountConc                        // /100mL
	FibreConc                        // MFL, million fibres a litre
	ActivityConc                     // Bq/L
	Flow                             // L/min
	MassFlow                         // g/min
	Pressure                         // kPa, as gauges read: above the air outside
	Temperature                      // Cel
	TemperatureDifference            // Cel_diff
	Conductivity                     // uS/cm
	Ratio                            // 1
	PH                               // pH
	Turbidity                        // NTU
	Colour                           // CU, the platinum-cobalt scale
	Potential                        // mV
	Energy                           // kWh
	Power                            // W
	Count                            // count
	dims
)

var dimNames = [dims]struct{ name, word string }{
	None: {"None", "number"}, Time: {"Time", "time"}, Volume: {"Volume", "volume"}, Mass: {"Mass", "mass"},
	Length: {"Length", "length"}, MassConc: {"MassConc", "concentration"},
	AmountConc: {"AmountConc", "amount concentration"}, EquivConc: {"EquivConc", "equivalent concentration"},
	CountConc: {"CountConc", "count in a volume"}, FibreConc: {"FibreConc", "fibre concentration"},
	ActivityConc: {"ActivityConc", "activity concentration"}, Flow: {"Flow", "flow"}, MassFlow: {"MassFlow", "mass flow"},
	Pressure: {"Pressure", "pressure"}, Temperature: {"Temperature", "temperature"},
	TemperatureDifference: {"TemperatureDifference", "temperature difference"},
	Conductivity:          {"Conductivity", "conductivity"}, Ratio: {"Ratio", "ratio"}, PH: {"PH", "pH"},
	Turbidity: {"Turbidity", "turbidity"}, Colour: {"Colour", "colour"}, Potential: {"Potential", "potential"},
	Energy: {"Energy", "energy"}, Power: {"Power", "power"}, Count: {"Count", "count"},
}

// String is the dimension's trade word, as messages print it: "volume",
// "concentration".
func (d Dim) String() string {
	if d >= dims {
		return "unknown dimension"
	}
	return dimNames[d].word
}

// Name is the dimension's name in documents and code: "Volume", "MassConc".
func (d Dim) Name() string {
	if d >= dims {
		return "Unknown"
	}
	return dimNames[d].name
}

// DimByName finds a dimension by the name that Name gives.
func DimByName(name string) (Dim, bool) {
	for d := None; d < dims; d++ {
		if dimNames[d].name == name {
			return d, true
		}
	}
	return None, false
}

// Dims lists every dimension, None first.
func Dims() []Dim {
	out := make([]Dim, dims)
	for i := range out {
		out[i] = Dim(i)
	}
	return out
}

// FromZero tells whether a value of the dimension cannot lie below zero, so
// that "<0.05 mg/L" means from 0 up to 0.05 mg/L. Temperatures, differences,
// pH, potentials and bare numbers have no such floor.
func (d Dim) FromZero() bool {
	switch d {
	case None, Temperature, TemperatureDifference, PH, Potential, Ratio:
		return false
	}
	return d < dims
}
