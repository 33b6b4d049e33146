package protocol

import (
	"maps"
	"slices"
	"tapledger/rules"
	"tapledger/rules/quantity"
)

// StepFields returns the typed fields that a step has in expressions. The fold
// gives values to exactly these.
//
//	inspect    answer, reason, at
//	reading    value, values, at, instrument; of a sheet each value under its own
//	           name, and with repeats the list name_values; at
//	flush fill began, ended, elapsed, volume
//	stand      began, ended, elapsed
//	draw       at, opened_at, closed_at, took (from opening the faucet to the last
//	           bottle closed), flow, temperature
//	hand_over  at, temperature, to
//	report     at, number
//	series     values, first, last, previous, count
//	taste      at, count
//	derive     value: a quantity in the step's unit, or a bare number without one
func StepFields(s Step) []rules.Field {
	at := rules.Field{Name: "at", Type: rules.Moment}
	span := []rules.Field{{Name: "began", Type: rules.Moment}, {Name: "ended", Type: rules.Moment},
		{Name: "elapsed", Type: rules.QuantityOf(quantity.Time)}}
	temperature := rules.Field{Name: "temperature", Type: rules.QuantityOf(quantity.Temperature)}
	switch s.Kind {
	case StepInspect:
		return []rules.Field{{Name: "answer", Type: rules.Answer}, {Name: "reason", Type: rules.Text}, at}
	case StepReading:
		return append(readingFields(&s), at)
	case StepFlush, StepFill:
		return append(span, rules.Field{Name: "volume", Type: rules.QuantityOf(quantity.Volume)})
	case StepStand:
		return span
	case StepDraw:
		return []rules.Field{at, {Name: "opened_at", Type: rules.Moment}, {Name: "closed_at", Type: rules.Moment},
			{Name: "took", Type: rules.QuantityOf(quantity.Time)}, {Name: "flow", Type: rules.QuantityOf(quantity.Flow)}, temperature}
	case StepHand:
		return []rules.Field{at, temperature, {Name: "to", Type: rules.Text}}
	case StepReport:
		return []rules.Field{at, {Name: "number", Type: rules.Text}}
	case StepSeries:
		one := rules.QuantityOf(unitDim(s.In))
		return []rules.Field{{Name: "values", Type: rules.ListOf(one)}, {Name: "first", Type: one}, {Name: "last", Type: one},
			{Name: "previous", Type: one}, {Name: "count", Type: rules.Number}}
	case StepTaste:
		return []rules.Field{at, {Name: "count", Type: rules.Number}}
	case StepDerive:
		return []rules.Field{{Name: "value", Type: DeriveType(&s)}}
	}
	return nil
}

// DeriveType is the type that a derive step's expression must have: a quantity
// of its unit's dimension, or a bare number when it has no unit.
func DeriveType(s *Step) rules.Type {
	if s.In == "" {
		return rules.Number
	}
	return rules.QuantityOf(unitDim(s.In))
}

func readingFields(s *Step) []rules.Field {
	var out []rules.Field
	for _, a := range s.Asks() {
		t := rules.QuantityOf(unitDim(a.In))
		out = append(out, rules.Field{Name: a.Name, Type: t})
		switch {
		case len(s.Sheet) == 0:
			out = append(out, rules.Field{Name: "values", Type: rules.ListOf(t)}, rules.Field{Name: "instrument", Type: rules.Text})
		case a.Repeats > 1:
			out = append(out, rules.Field{Name: a.Name + "_values", Type: rules.ListOf(t)})
		}
	}
	return out
}

// unitDim is the dimension of a unit's code, None for an unknown one: that is a
// fault of the document, reported where it stands.
func unitDim(code string) quantity.Dim {
	u, err := quantity.LookupUnit(code)
	if err != nil {
		return quantity.None
	}
	return u.Dim
}

func constantDim(text string) quantity.Dim {
	q, err := quantity.Parse(text)
	if err != nil {
		return quantity.None
	}
	return q.Dim
}

// UnitFields returns the typed fields of the variable `unit`: what the maker
// states, from the unit document. A field that the document lacks has no value.
func UnitFields() []rules.Field {
	return []rules.Field{
		{Name: "pressure_most", Type: rules.QuantityOf(quantity.Pressure)},
		{Name: "pressure_least", Type: rules.QuantityOf(quantity.Pressure)},
		{Name: "tank_volume", Type: rules.QuantityOf(quantity.Volume)},
		{Name: "flush_volume", Type: rules.QuantityOf(quantity.Volume)},
		{Name: "flush_time", Type: rules.QuantityOf(quantity.Time)},
		{Name: "production", Type: rules.QuantityOf(quantity.Flow)},
		{Name: "daily_use", Type: rules.QuantityOf(quantity.Volume)},
	}
}

// AnalyteFields returns the typed fields of analyte("id") in a protocol: the
// results of the samples by the part that they play.
func AnalyteFields() []rules.Field {
	var out []rules.Field
	for _, name := range []string{"untreated", "treated", "field_blank", "lot_blank", "drain", "duplicate"} {
		out = append(out, rules.Field{Name: name, Type: rules.Result})
	}
	return out
}

// Vocabulary returns what the expressions of a protocol can name: its steps,
// `constants`, `unit` and the analytes that the laboratory is asked for.
func Vocabulary(p *Protocol) rules.Vocabulary {
	v := rules.Vocabulary{Analytes: p.Analytes, AnalyteFields: AnalyteFields()}
	for _, s := range p.Steps() {
		v.Records = append(v.Records, rules.Record{Name: s.ID, Fields: StepFields(*s)})
	}
	var constants []rules.Field
	for _, name := range slices.Sorted(maps.Keys(p.Constants)) {
		constants = append(constants, rules.Field{Name: name, Type: rules.QuantityOf(constantDim(p.Constants[name]))})
	}
	v.Records = append(v.Records, rules.Record{Name: "constants", Fields: constants}, rules.Record{Name: "unit", Fields: UnitFields()})
	return v
}

// BenchFields returns the typed fields of the variable `bench` in a scoring
// document: what the assessment found about the unit on the bench, each with
// its interval (a point where no uncertainty is known). Costs are intervals of
// bare numbers in the bench's currency: stated lives are ranges.
func BenchFields() []rules.Field {
	of := rules.IntervalOf
	return []rules.Field{
		{Name: "flow", Type: of(quantity.Flow)}, {Name: "production", Type: of(quantity.Flow)}, {Name: "production_at_25", Type: of(quantity.Flow)},
		{Name: "usable_volume", Type: of(quantity.Volume)}, {Name: "refill_time", Type: of(quantity.Time)},
		{Name: "shut_off_drain", Type: of(quantity.Volume)},
		{Name: "recovery", Type: of(quantity.Ratio)}, {Name: "efficiency", Type: of(quantity.Ratio)},
		{Name: "product_ph", Type: of(quantity.PH)}, {Name: "product_conductivity", Type: of(quantity.Conductivity)},
		{Name: "product_free_chlorine", Type: of(quantity.MassConc)}, {Name: "hardness", Type: of(quantity.MassConc)},
		{Name: "conductivity_reduction", Type: of(quantity.Ratio)}, {Name: "chlorine_reduction", Type: of(quantity.Ratio)},
		{Name: "contact_rise", Type: of(quantity.Ratio)},
		{Name: "cost_year", Type: of(quantity.None)}, {Name: "cost_litre", Type: of(quantity.None)},
	}
}

// FindingFields returns the typed fields of analyte("id") in a scoring
// document. The margin is the treated concentration as a share of the lowest
// health-based value.
func FindingFields() []rules.Field {
	return []rules.Field{{Name: "reduction", Type: rules.IntervalOf(quantity.Ratio)}, {Name: "rise", Type: rules.Rise},
		{Name: "margin", Type: rules.IntervalOf(quantity.Ratio)}, {Name: "treated", Type: rules.Result}, {Name: "untreated", Type: rules.Result}}
}

// ScoringVocabulary returns what measures and caps can name: `bench` and the
// analytes of the values documents. How a unit was obtained, who paid and what
// it costs to buy are no part of it; only the findings are.
func ScoringVocabulary(values []*Values) rules.Vocabulary {
	v := rules.Vocabulary{Records: []rules.Record{{Name: "bench", Fields: BenchFields()}}, AnalyteFields: FindingFields()}
	seen := map[string]bool{}
	for _, doc := range values {
		for _, a := range doc.Analytes {
			if !seen[a.ID] {
				seen[a.ID] = true
				v.Analytes = append(v.Analytes, a.ID)
			}
		}
	}
	return v
}
