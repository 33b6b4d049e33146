package protocol

import (
	"fmt"
	"maps"
	"math/big"
	"slices"
	"strings"

	"tapledger/rules/quantity"
)

// partNeeds is what a part of a unit makes it have.
var partNeeds = map[string]string{"membrane": "membrane", "tank": "tank", "carbon": "carbon", "pump": "pump", "lamp": "lamp"}

func (d *draft) checkUnit(u *Unit) {
	var ids []string
	mineral := false
	for i, part := range u.Parts {
		ptr := fmt.Sprintf("/parts/%d", i)
		ids = append(ids, part.ID)
		d.checkID(ptr+"/id", part.ID)
		mineral = mineral || part.Kind == "mineral"
		if need := partNeeds[part.Kind]; need != "" && !slices.Contains(u.Has, need) {
			d.fault(ptr+"/kind", fmt.Sprintf("the unit has a %s, and its list has does not say so", part.Kind), "add "+need+" to has; cautions depend on it")
		}
		d.ordered(ptr+"/rated_time", part.RatedTime, part.RatedTimeMost, "the rated time %s lies above its upper end %s")
	}
	for i, r := range u.Repairs {
		d.known(fmt.Sprintf("/repairs/%d/part", i), "part", r.Part, ids)
	}
	d.unique("part", ids, func(i int) string { return fmt.Sprintf("/parts/%d/id", i) })
	d.ordered("/pressure_least", u.PressureLeast, u.PressureMost, "the least pressure %s lies above the most %s")
	if slices.Contains(u.Has, "feed_pressure") && u.PressureMost == "" {
		d.faultKey("/has", "the unit stands under feed pressure and its stated limit is missing", "write pressure_most: as the maker states it; above it the feed stays shut")
	}
	if u.TankVolume != "" && !slices.Contains(u.Has, "tank") {
		d.faultKey("/tank_volume", "a tank volume for a unit that has no tank", "add tank to has")
	}
	switch {
	case mineral && u.MineralFilter == "no":
		d.fault("/mineral_filter", "one of the parts adds minerals", "write yes")
	case mineral && u.MineralFilter == "":
		d.faultKey("/parts", "one of the parts adds minerals, and mineral_filter is not said", "write mineral_filter: yes; it hides what the membrane does in conductivity")
	case !mineral && u.MineralFilter == "yes" && len(u.Parts) > 0:
		d.fault("/mineral_filter", "none of the parts is of kind mineral", "list the part, or write no")
	}
	for _, q := range []struct{ key, text string }{{"pressure_most", u.PressureMost}, {"tank_volume", u.TankVolume}, {"flush_time", u.FlushTime},
		{"flush_volume", u.FlushVolume}, {"production", u.Production}, {"daily_use", u.DailyUse}, {"pressure_least", u.PressureLeast}} {
		d.positive("/"+q.key, q.text)
	}
	if u.Acquired != nil && u.Price != nil && u.Acquired.How == "bought" && u.Acquired.Seller == "" {
		d.fault("/acquired", "from whom the unit was bought is not said", "write seller:")
	}
}

// positive reports a quantity of zero or below.
func (d *draft) positive(ptr, text string) {
	if q, err := quantity.Parse(text); err == nil && q.Base.Sign() <= 0 {
		d.fault(ptr, fmt.Sprintf("%q is not above zero", text), "")
	}
}

func (d *draft) checkInstrument(n *Instrument) {
	dim := unitDim(n.In)
	// A thermometer's resolution is a difference, written as one or not.
	same := []quantity.Dim{dim}
	if dim == quantity.Temperature {
		same = append(same, quantity.TemperatureDifference)
	}
	d.dimension("/resolution", n.Resolution, same...)
	d.dimension("/floor", n.Floor, dim)
	d.dimension("/uncertainty", n.Uncertainty, append(same, quantity.Ratio)...)
	if n.Calibrated != "" && n.ValidUntil != "" && n.ValidUntil < n.Calibrated {
		d.fault("/valid_until", fmt.Sprintf("valid until %s, before it was calibrated on %s", n.ValidUntil, n.Calibrated), "")
	}
}

func (d *draft) checkLaboratory(l *Laboratory, lib *Library) {
	defs := analyteDefs(lib)
	seen := map[string]int{}
	for i, a := range l.Analytes {
		ptr := fmt.Sprintf("/analytes/%d", i)
		d.checkID(ptr+"/analyte", a.Analyte)
		if def, ok := defs[a.Analyte]; ok {
			d.dimension(ptr+"/reporting_limit", a.ReportingLimit, unitDim(def.In))
		} else if len(defs) > 0 {
			d.known(ptr+"/analyte", "analyte", a.Analyte, slices.Sorted(maps.Keys(defs)))
		}
		if q, err := quantity.Parse(a.ReportingLimit); err == nil {
			d.dimension(ptr+"/detection", a.Detection, q.Dim)
			d.dimension(ptr+"/quantitation", a.Quantitation, q.Dim)
		}
		key := a.Analyte + " " + a.Method + " " + a.Since
		if j, twice := seen[key]; twice {
			d.fault(ptr+"/analyte", fmt.Sprintf("%q by this method stands here a second time", a.Analyte),
				fmt.Sprintf("the first is entry %d; later limits have a later since:", j+1))
		}
		seen[key] = i
		d.ordered(ptr+"/detection", a.Detection, a.Quantitation, "the detection limit %s lies above the quantitation limit %s")
		if a.Quantitation != "" {
			d.ordered(ptr+"/quantitation", a.Quantitation, a.ReportingLimit, "the quantitation limit %s lies above the reporting limit %s")
			continue
		}
		d.ordered(ptr+"/detection", a.Detection, a.ReportingLimit, "the detection limit %s lies above the reporting limit %s")
	}
}

// analyteDefs are the analytes of all values documents, by id.
func analyteDefs(lib *Library) map[string]AnalyteDef {
	out := map[string]AnalyteDef{}
	for _, doc := range lib.All(KindValues) {
		if v, ok := doc.Value.(*Values); ok {
			for _, a := range v.Analytes {
				out[a.ID] = a
			}
		}
	}
	return out
}

func (d *draft) checkValues(v *Values) {
	defs := map[string]AnalyteDef{}
	var ids []string
	names := map[string]string{}
	for i, a := range v.Analytes {
		ptr := fmt.Sprintf("/analytes/%d", i)
		d.checkID(ptr+"/id", a.ID)
		ids = append(ids, a.ID)
		defs[a.ID] = a
		for j, name := range append([]string{a.Name}, a.Also...) {
			at := ptr + "/name"
			if j > 0 {
				at = fmt.Sprintf("%s/also/%d", ptr, j-1)
			}
			key := strings.ToLower(name)
			if other, taken := names[key]; taken && other != a.ID {
				d.fault(at, fmt.Sprintf("%q is a name of %q already", name, other), "a name in a report must mean one analyte")
			}
			names[key] = a.ID
		}
	}
	d.unique("analyte", ids, func(i int) string { return fmt.Sprintf("/analytes/%d/id", i) })
	for i, row := range v.Values {
		ptr := fmt.Sprintf("/values/%d", i)
		def, ok := defs[row.Analyte]
		if !ok {
			d.known(ptr+"/analyte", "analyte", row.Analyte, ids)
			continue
		}
		d.dimension(ptr+"/value", row.Value, unitDim(def.In))
		if row.Type == "recommended" && row.Bound == "" {
			d.fault(ptr, "which end of the range this value is, is not said", "write bound: at_least or at_most")
		}
		if row.Status == "MEMORY" && !strings.Contains(row.Note, "from memory, unverified") {
			d.fault(ptr+"/status", "a value from memory says so wherever it is shown", "begin the note with: from memory, unverified")
		}
	}
	if a := v.Assumed; a != nil {
		d.positive("/assumed/relative_standard", a.RelativeStandard)
		d.positive("/assumed/family_level", a.FamilyLevel)
		if q, err := quantity.Parse(a.Shared); err == nil && (q.Base.Sign() < 0 || q.Base.Cmp(big.NewRat(1, 1)) > 0) {
			d.fault("/assumed/shared", fmt.Sprintf("%q is not a part of the relative standard", a.Shared), "write 0 % to 100 %")
		}
		if strings.Trim(a.LimitDivisor, "0.") == "" {
			d.fault("/assumed/limit_divisor", "a limit cannot be divided by zero", "")
		}
	}
}

// DecisionTypes are the types of published values that decisions and scores
// may use: enforceable limits and guideline values. Goals (MCLG, PHG) and
// values on other grounds stand in columns of their own.
var DecisionTypes = map[string]bool{"MCL": true, "MAC": true, "GV": true, "parametric": true}

// Decides tells whether a published value may decide something: of a type that
// can, on health grounds, and read in its source rather than remembered.
func (r ValueRow) Decides() bool {
	return DecisionTypes[r.Type] && r.Basis == "health" && r.Status != "MEMORY"
}

func (d *draft) checkCaution(c *Caution) {
	if !strings.HasSuffix(strings.TrimSpace(c.Text), CautionEnding) {
		d.fault("/text", "a caution ends with who comes first", "end with: "+CautionEnding)
	}
}

// CautionEnding is the sentence that every caution ends with.
const CautionEnding = "Local codes and the maker's manual come first; have a licensed person do what your place reserves for one."
