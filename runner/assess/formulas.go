package assess

// Formula is one entry of the closed table of formulas: what is computed, from
// what, by which function, and where it comes from.
type Formula struct {
	ID   string `json:"id"`
	Text string `json:"text"` // in the names of the finding's inputs
	// Function is where it is computed.
	Function string `json:"function"`
	Source   string `json:"source"`
}

// Formulas is the closed table.
func Formulas() []Formula { return formulas }

// FormulaOf finds a formula by its id.
func FormulaOf(id string) (Formula, bool) {
	for _, f := range formulas {
		if f.ID == id {
			return f, true
		}
	}
	return Formula{}, false
}

// Ids of formulas.
const (
	FReduction  = "reduction"
	FRise       = "rise"
	FMargin     = "margin"
	FGoal       = "goal"
	FRead       = "read"
	FMineral    = "mineral"
	FHardness   = "hardness"
	FAlkalinity = "alkalinity"
	FPH         = "ph_words"
	FAdded      = "minerals_added"
	FFlow       = "flow"
	FRecovery   = "recovery"
	FEfficiency = "efficiency"
	FAt25       = "production_at_25"
	FCond25     = "conductivity_at_25"
	FRejection  = "conductivity_reduction"
	FTank       = "tank_water"
	FBalance    = "drain_balance"
	FContact    = "contact_curve"
	FChange     = "change"
	FLife       = "life_point"
	FCost       = "cost"
	FDrift      = "feed_drift"
	FDuplicate  = "duplicate"
	FDays       = "days_differ"
	FHold       = "hold_time"
	FIons       = "ion_balance"
	FReport     = "report"
)

const (
	practice = "common practice, no source"
	arith    = "arithmetic"
)

var formulas = []Formula{
	{FReduction, "1 - treated / untreated; its interval is 2 u wide on both sides, u = (treated / untreated) sqrt((u_treated / treated)^2 + (u_untreated / untreated)^2), u(c) = sqrt(u0^2 + (ur c)^2); a treated non-detect is a bound at its limit and gives at least 1 - limit / (untreated - U); a steady second day widens the interval to span both", "rules/water.ReductionWithin", "JCGM 100:2008, 5.1.2; u(c): " + practice},
	{FRise, "z = (treated - untreated) / sqrt(u_treated^2 + u_untreated^2), one-sided normal p, Holm over all analytes looked at; an untreated non-detect stands at its limit; confirmed by a second day, a clean blank of the same bottle lots and a feed that was read and steady on both days", "rules/water.Rises, rules/water.Confirm", "Holm 1979, Scand. J. Statist. 6:65-70 (from memory, unverified); the ladder: " + practice},
	{FMargin, "treated / value, from treated - U to treated + U; below needs treated + U <= value, above needs treated - U > value; a non-detect is a bound at its limit; a second day widens the interval to span both", "rules/water.HealthValue", "ILAC-G8:09/2019, 4.2.2"},
	{FGoal, "the goal against the reporting limit", "rules/water.Goal", arith},
	{FRead, "as read; of several readings the median, from the lowest - U to the highest + U", "runner.State", arith},
	{FMineral, "treated - U to treated + U, against the least recommended", "rules/water.Within95, rules/water.Mineral", practice},
	{FHardness, "2.4973 calcium + 4.1180 magnesium, in mg/L as CaCO3, by molar masses", "rules/water.Hardness", "SM 2340 B prints 2.497 and 4.118"},
	{FAlkalinity, "bicarbonate = alkalinity x 2 x 61.017 / 100.087", "rules/water.AlkalinityOf", "molar masses"},
	{FPH, "pH 8.5 and 6.5, alkalinity 30 mg/L as CaCO3 are the limits of the words; the twin is computed water that has dissolved calcite to saturation, closed to the air, at 25 Cel", "rules/water.ExplainPH", "PHREEQC 3.8.7 for the twin; limits: " + practice},
	{FAdded, "after - before, added when more than 10 % of before", "runner/assess", practice},
	{FFlow, "volume / time", "rules/water.FlowRate", arith},
	{FRecovery, "product / (product + drain) over the same interval, tank bypassed", "rules/water.RecoveryOf", arith},
	{FEfficiency, "product / (product + drain) over a whole fill, shut-off included", "rules/water.EfficiencyOf", arith},
	{FAt25, "production / exp(2640 K (1/298 - 1/(273 + temperature)))", "rules/water.ProductionAt25", "the form and the constant of printed correction tables; constants from 2640 to 3020 are in print"},
	{FCond25, "read x 1 / (1 + 0.02 (temperature - 25)); a meter that compensates is not compensated again", "rules/water.ConductivityAt", practice},
	{FRejection, "1 - product / feed, both at 25 Cel, from the lowest to the highest reading of the feed around the fill", "rules/water.Rejection", arith},
	{FTank, "tank (1 - (precharge + 101.325 kPa) / (pressure + 101.325 kPa)), at the lowest precharge and the highest pressure that the gauges allow", "rules/water.TankWater", "Boyle's law"},
	{FBalance, "(r treated + (1 - r) drain) / untreated, r the efficiency over a whole fill; 2 u wide on both sides, u from all four by the root of the sum of squares, calibration shared in one batch cancelling", "rules/water.CloseBalance", "JCGM 100:2008, 5.1.2"},
	{FContact, "c(t) = c0 + a (1 - exp(-k t)), least squares; limits by profiled residuals, 95 %, widened by the meter's U", "rules/estimate.FitContact", "checked against NIST StRD"},
	{FChange, "(last - first) / first", "runner/assess", arith},
	{FLife, "volume treated since the part was new / rated volume; a lower bound where water was drawn in measuring, or where the rated volume counts the feed", "runner.LifePoints", arith},
	{FCost, "for each part price / life, the life being the shorter of the stated time and rated volume / daily use (a rated volume of feed times the efficiency); water: daily use / efficiency at the tariff; 365 days", "rules/water.CostOf", practice},
	{FDrift, "|after - before| / before, read within the window before the fill and at its end, against what the values document allows", "runner/assess", practice},
	{FDuplicate, "both above 5 x the reporting limit: |a - b| / mean, at most 20 %; else |a - b| at most the reporting limit", "rules/water.Duplicates", "agency data-validation SOP 28.0; 20 %: " + practice},
	{FDays, "|first - second| against sqrt(U_first^2 + U_second^2), for the treated samples and for the reductions of the two days", "runner/assess", "JCGM 100:2008, 5.1.2"},
	{FHold, "analysed - drawn, against the hold time of the bottle, the stricter of a pair", "runner.State.Holds", "the protocol's bottle"},
	{FIons, "(cations - anions) / (cations + anions), in meq/L", "rules/water.IonBalance", "acceptance: SM 1030 E, from memory, unverified"},
	{FReport, "results of one report held against each other", "runner/assess", practice},
}
