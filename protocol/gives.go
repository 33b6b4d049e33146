package protocol

import (
	"sort"

	"tapledger/rules/quantity"
)

// gives is the closed list of bench measurements that a step's value can be,
// with the dimension that its unit must have. The assessment finds what it
// computes from by these names, whatever a protocol calls its steps.
var gives = map[string]quantity.Dim{
	// The feed, flowing, before the samples and again after them.
	"feed_pressure":            quantity.Pressure,
	"producing_pressure":       quantity.Pressure, // while the unit makes water: start, middle, end
	"feed_conductivity":        quantity.Conductivity,
	"feed_conductivity_after":  quantity.Conductivity,
	"feed_temperature":         quantity.Temperature,
	"feed_temperature_after":   quantity.Temperature,
	"feed_free_chlorine":       quantity.MassConc,
	"feed_free_chlorine_after": quantity.MassConc,
	"feed_total_chlorine":      quantity.MassConc,
	"feed_hardness":            quantity.MassConc, // as CaCO3
	"feed_ph":                  quantity.PH,
	// The product.
	"product_conductivity":       quantity.Conductivity,
	"product_ph":                 quantity.PH,
	"product_free_chlorine":      quantity.MassConc,
	"product_temperature":        quantity.Temperature,
	"before_filter_conductivity": quantity.Conductivity, // before a last filter that adds minerals
	"contact_conductivity":       quantity.Conductivity, // a series over standing times
	"conditioning_conductivity":  quantity.Conductivity, // the discarded tanks
	"drain_conductivity":         quantity.Conductivity,
	"water_temperature":          quantity.Temperature, // of the water that is made, for the flow's correction
	// Amounts and times.
	"flow":           quantity.Flow,   // from the product faucet
	"product_volume": quantity.Volume, // both streams over the same interval...
	"drain_volume":   quantity.Volume,
	"product_mass":   quantity.Mass, // ...or weighed
	"drain_mass":     quantity.Mass,
	"interval_time":  quantity.Time,
	"tank_precharge": quantity.Pressure, // air side of the empty tank
	"usable_volume":  quantity.Volume,   // full tank down to the end criterion
	"refill_time":    quantity.Time,     // from there until the drain flow stops
	// What leaves the drain meanwhile: with the usable volume it gives the efficiency.
	"refill_drain_volume": quantity.Volume,
	"shut_off_drain":      quantity.Volume, // from the drain in 30 min after the tank is full
	"flush_volume":        quantity.Volume,
}

// GivesDimension returns the dimension of a bench measurement that a step can
// give, and whether the list holds it.
func GivesDimension(name string) (quantity.Dim, bool) {
	d, ok := gives[name]
	return d, ok
}

// GivesNames returns the closed list of bench measurements, sorted.
func GivesNames() []string {
	out := make([]string, 0, len(gives))
	for name := range gives {
		out = append(out, name)
	}
	sort.Strings(out)
	return out
}

// Asks returns the values that one entry of a reading, or one reading of a
// series, asks for: its sheet, or the one value of a step without a sheet. It
// is empty for the other kinds of step.
func (s *Step) Asks() []Asked {
	if s.Kind != StepReading && s.Kind != StepSeries {
		return nil
	}
	if len(s.Sheet) > 0 {
		return s.Sheet
	}
	return []Asked{{Name: "value", Ask: s.Ask, In: s.In, Instrument: s.Instrument, Repeats: max(s.Repeats, 1), Gives: s.Gives}}
}

// Giving returns the step, and the value of it, that gives a bench measurement:
// the last one in the protocol's order. Both are nil when none does.
func (p *Protocol) Giving(name string) (*Step, *Asked) {
	var step *Step
	var asked *Asked
	for _, s := range p.Steps() {
		for _, a := range s.Asks() {
			if a.Gives == name {
				step, asked = s, &a
			}
		}
		if s.Gives == name && s.Kind != StepReading && s.Kind != StepSeries {
			step, asked = s, nil
		}
	}
	return step, asked
}
