package assess

// Kinds of findings.
const (
	KindReduction = "reduction"
	KindRise      = "rise"
	KindMargin    = "margin"
	KindGoal      = "goal"
	KindMineral   = "mineral"
	KindBench     = "bench"
	KindContact   = "contact"
	KindLife      = "life"
	KindCost      = "cost"
	KindFeed      = "feed"
	KindReport    = "report"
)

// What a code leaves a score with.
const (
	Known     = "known"
	Undecided = "undecided" // the evidence cannot tell
	Missing   = "missing"   // nothing is on record
	Shown     = "shown"     // nothing to score by: it is only said
)

// Code is one entry of the closed table of codes.
type Code struct {
	Code, Kind string
	State      string // Known, Undecided, Missing, Shown
	// Says is the sentence. {name} stands for an argument, {span} for low to high
	// or what is known of it; what stands in [ ] is left out when an argument in
	// it is empty.
	Says string
	// Needs is the code of what would be needed to say more, "" for nothing.
	Needs string
}

// Codes is the closed table, in the order of the kinds.
func Codes() []Code { return codes }

var byCode = func() map[string]Code {
	out := map[string]Code{}
	for _, c := range codes {
		out[c.Code] = c
	}
	return out
}()

// StateOf is what a code leaves a score with; "" for an unknown code.
func StateOf(code string) string { return byCode[code].State }

// RiseOf is the rise that a code of kind rise stands for, RiseUndecided for
// those that cannot tell.
func RiseOf(code string) string {
	switch code {
	case "rise_not_distinguishable":
		return RiseNone
	case "rise_unconfirmed":
		return RiseUnconfirmed
	case "rise_confirmed":
		return RiseConfirmed
	}
	return RiseUndecided
}

var codes = []Code{
	// Reduction. A negative reduction is never printed: it is not reduced.
	{"reduction_between", KindReduction, Known, "{name}: reduced by {value} % ({span} %)[ in the {draw}][; two days taken together, {days}].", ""},
	{"reduction_two_days", KindReduction, Known, "{name}: reduced by {span} %[ in the {draw}]; two days taken together, {days}.", NeedsRepeat},
	{"reduction_days_disagree", KindReduction, Known, "{name}: reduced by {high} % at most[ in the {draw}]; the two days do not agree, {days}.", NeedsRepeat},
	{"reduction_not_distinguishable", KindReduction, Known, "{name}: untreated ({untreated}) and treated ({treated}) do not differ by more than their uncertainty; reduced by {high} % at most[ in the {draw}][; two days taken together, {days}].", NeedsMoreInFeed},
	{"reduction_uncertain", KindReduction, Undecided, "{name}: reduced by {value} % as measured, but the untreated sample ({untreated}) lies too close to its limit for an interval.", NeedsMoreInFeed},
	{"reduction_at_least", KindReduction, Known, "{name}: reduced by at least {low} %[ in the {draw}], the treated sample being below {limit}[; two days taken together, {days}].", NeedsFinerTreated},
	{"reduction_at_least_open", KindReduction, Undecided, "{name}: the treated sample was below {limit}, and the untreated sample ({untreated}) lies too close to its limit for a percentage.", NeedsMoreInFeed},
	{"reduction_beyond_range", KindReduction, Known, "{name}: reduced by at least {low} %[ in the {draw}], the untreated sample ({untreated}) being above what could be measured.", NeedsDilution},
	{"reduction_at_most", KindReduction, Known, "{name}: reduced by at most {high} %[ in the {draw}], the treated sample ({treated}) being above what could be measured.", NeedsDilution},
	{"reduction_none", KindReduction, Known, "{name}: not reduced[ in the {draw}]; the untreated sample held {untreated}, the treated one {treated}.", ""},
	{"reduction_not_calculable", KindReduction, Undecided, "{name}: no percentage can be worked out, both samples being below their limits ({untreated}, {treated}).", NeedsMoreInFeed},
	{"reduction_untreated_below", KindReduction, Undecided, "{name}: no percentage can be worked out, the untreated sample being below its limit ({untreated}) and the treated one at {treated}.", NeedsFinerUntreated},
	{"reduction_less_finely", KindReduction, Undecided, "{name}: undecided, because the untreated sample ({untreated}) was measured less finely than the treated one ({treated}).", NeedsFinerUntreated},
	{"reduction_treated_less_finely", KindReduction, Undecided, "{name}: undecided, because the treated sample ({treated}) was measured less finely than the untreated one ({untreated}).", NeedsFinerTreated},
	{"reduction_untreated_zero", KindReduction, Undecided, "{name}: no percentage can be worked out, the untreated value being zero.", NeedsMoreInFeed},
	{"reduction_feed_moved", KindReduction, Undecided, "{name}: reduction undecided, because the feed moved ({what} by {change} %, allowed {limit} %).", NeedsSteadyFeed},
	{"reduction_pair_opened", KindReduction, Undecided, "{name}: reduction undecided, because the faucet was opened between the fill and the draw, so that the pair does not stand for the same water.", NeedsSteadyFeed},
	{"reduction_no_result", KindReduction, Missing, "{name}: no result of the {side} sample that counts is on record.", NeedsResult},
	{"reduction_not_comparable", KindReduction, Missing, "{name}: the untreated result ({untreated}) and the treated one ({treated}) cannot be compared.", NeedsSameExpression},

	// Rise, on its ladder.
	{"rise_not_distinguishable", KindRise, Known, "{name}: the treated sample[, {draw},] is not distinguishable from the untreated one, or lower.", ""},
	{"rise_unconfirmed", KindRise, Known, "{name}: higher in the treated sample, cause not determined[, {draw}]; not confirmed[, because {lacks}] ({treated} against {untreated}).", ""},
	{"rise_confirmed", KindRise, Known, "{name}: higher in the treated sample, cause not determined[, {draw}]; seen on two days of steady feed, with a clean blank of the same bottle lots ({treated} against {untreated}).", NeedsWhere},
	{"rise_less_finely", KindRise, Undecided, "{name}: whether the treated sample is higher is undecided, because the untreated sample ({untreated}) was measured less finely than the treated one ({treated}).", NeedsFinerUntreated},
	{"rise_above_range", KindRise, Undecided, "{name}: whether the treated sample is higher is undecided, a result being above what could be measured ({untreated}, {treated}).", NeedsDilution},
	{"rise_no_uncertainty", KindRise, Undecided, "{name}: whether the treated sample is higher is undecided, because no limit and no uncertainty is known for it.", NeedsLimits},
	{"rise_feed_moved", KindRise, Undecided, "{name}: whether the treated sample is higher is undecided, because the feed moved ({what} by {change} %, allowed {limit} %).", NeedsSteadyFeed},
	{"rise_pair_opened", KindRise, Undecided, "{name}: whether the treated sample is higher is undecided, because the faucet was opened between the fill and the draw.", NeedsSteadyFeed},
	{"rise_no_result", KindRise, Missing, "{name}: no rise can be looked for without a result of the {side} sample that counts.", NeedsResult},
	{"rise_not_comparable", KindRise, Missing, "{name}: no rise can be looked for, the results being expressed differently ({untreated}, {treated}).", NeedsSameExpression},

	// Distance to the lowest health-based value, with a guard band.
	{"margin_below", KindMargin, Known, "{name}: below {value} ({type}, {jurisdiction}, {document}, {year}), the lowest health-based value of those read in their source, at {span} % of it[; two days taken together, {days}][; not counted: {left}].", ""},
	{"margin_above", KindMargin, Known, "{name}: above {value} ({type}, {jurisdiction}, {document}, {year}), the lowest health-based value of those read in their source, at {span} % of it[; two days taken together, {days}][; not counted: {left}].", NeedsAdvice},
	{"margin_straddles", KindMargin, Known, "{name}: undecided against {value} ({type}, {jurisdiction}, {document}, {year}), the lowest health-based value of those read in their source, which lies within the interval of {span} % of it[; two days taken together, {days}][; not counted: {left}].", NeedsRepeat},
	{"margin_days_differ", KindMargin, Known, "{name}: undecided against {value} ({type}, {jurisdiction}, {document}, {year}), the lowest health-based value of those read in their source, because the two days differ ({days}), at {span} % of it together[; not counted: {left}].", NeedsRepeat},
	{"margin_limit", KindMargin, Known, "{name}: undecided against {value} ({type}, {jurisdiction}, {document}, {year}), the lowest health-based value of those read in their source, because the laboratory's limit ({treated}) lies above it[; not counted: {left}].", NeedsFinerTreated},
	{"margin_range", KindMargin, Known, "{name}: undecided against {value} ({type}, {jurisdiction}, {document}, {year}), the lowest health-based value of those read in their source, the result ({treated}) being above what could be measured.", NeedsDilution},
	{"margin_none", KindMargin, Shown, "{name}: the documents of this run hold no health-based value read in its source[; not counted: {left}].", ""},
	{"margin_no_result", KindMargin, Missing, "{name}: no result of the treated sample that counts is on record.", NeedsResult},
	{"margin_not_comparable", KindMargin, Missing, "{name}: the result ({treated}) cannot be held against a health-based value[ of {value}].", NeedsSameExpression},
	{"goal_zero", KindGoal, Shown, "{name}: the goal of {value} ({type}, {jurisdiction}, {document}, {year}) is zero, and no method here can decide this.", ""},
	{"goal_no_method", KindGoal, Shown, "{name}: the goal of {value} ({type}, {jurisdiction}, {document}, {year}) does not lie above the laboratory's limit, and no method here can decide this.", ""},
	{"goal_compared", KindGoal, Shown, "{name}: the goal is {value} ({type}, {jurisdiction}, {document}, {year}); goals decide nothing here.", ""},

	// Minerals, alkalinity and pH.
	{"mineral_shown", KindMineral, Known, "{name}: {value} {unit} in the treated sample ({span}).", ""},
	{"mineral_below_limit", KindMineral, Known, "{name}: below {limit} in the treated sample.", ""},
	{"mineral_less", KindMineral, Known, "{name}: {treated} in the treated sample, less than {document} recommends[ {scope}]: {range}[ ({status})].", ""},
	{"mineral_within", KindMineral, Known, "{name}: {treated} in the treated sample, which fits what {document} recommends[ {scope}]: {range}[ ({status})].", ""},
	{"mineral_more", KindMineral, Known, "{name}: {treated} in the treated sample, more than {document} recommends[ {scope}]: {range}[ ({status})].", ""},
	{"mineral_open", KindMineral, Known, "{name}: {treated} in the treated sample, too close to an end of what {document} recommends[ {scope}] to tell: {range}[ ({status})].", NeedsRepeat},
	{"hardness_is", KindMineral, Known, "Hardness of the treated sample: {span} mg/L as CaCO3, worked out from calcium and magnesium.", ""},
	{"hardness_unknown", KindMineral, Missing, "Hardness of the treated sample: not worked out, because calcium or magnesium is not on record.", NeedsResult},
	{"alkalinity_is", KindMineral, Known, "Alkalinity of the treated sample: {span} mg/L as CaCO3, which is {bicarbonate} mg/L of bicarbonate as measured.", ""},
	{"minerals_added", KindMineral, Known, "The last filter adds to the water: conductivity rises from {before} before it to {after} at the faucet.", ""},
	{"minerals_not_added", KindMineral, Known, "The last filter adds little to the water: conductivity is {before} before it and {after} at the faucet.", ""},
	{"ph_high_few_minerals", KindMineral, Known, "A pH of {span} with little alkalinity ({alkalinity}) shows few minerals, not many: computed water that began with {twin_co2} mg/L of carbon dioxide, closed to the air at 25 Cel, reaches about pH {twin_ph} with an alkalinity of {twin_alkalinity} mg/L as CaCO3 when it has dissolved calcium carbonate to saturation.", ""},
	{"ph_high_buffered", KindMineral, Known, "The pH of {span} is high, and there is alkalinity behind it ({alkalinity}).", ""},
	{"ph_low_few_minerals", KindMineral, Known, "The pH of {span} is low because little alkalinity ({alkalinity}) stands against dissolved carbon dioxide.", ""},
	{"ph_usual", KindMineral, Known, "The pH of {span} lies in the usual range.", ""},
	{"ph_open", KindMineral, Known, "The pH of {span} lies too close to a limit of the words for them, with an alkalinity of {alkalinity}.", ""},
	{"ph_alone", KindMineral, Known, "A pH of {span} without an alkalinity says little.", NeedsAlkalinity},

	// Bench.
	{"bench_measured", KindBench, Known, "{what}: {value} {unit}[ ({span})].", ""},
	{"bench_below_floor", KindBench, Known, "{what}: below the instrument's floor of {limit}.", ""},
	{"bench_worked_out", KindBench, Known, "{what}: {value} {unit}[ ({span})], worked out.", ""},
	{"bench_feed_moved", KindBench, Undecided, "{what}: undecided, because the feed moved ({moved} by {change} %, allowed {limit} %).", NeedsSteadyFeed},
	{"bench_not_recorded", KindBench, Missing, "{what}: not on record.", NeedsResult},
	{"recovery_is", KindBench, Known, "Recovery, both streams over the same interval: {value} % ({span} %) of the feed becomes product.", ""},
	{"efficiency_is", KindBench, Known, "Efficiency over a whole fill, shut-off included: {value} % ({span} %) of the feed becomes product.", ""},
	{"production_corrected", KindBench, Known, "Production corrected from {temperature} to 25 Cel: {value} {unit}, with a constant of {constant} K (production at 25 Cel divided by the factor).", ""},
	{"tank_plausible", KindBench, Shown, "The usable volume ({usable}) is plausible: at the whole feed pressure the tank could hold {holds}, a tenth of slack allowed.", ""},
	{"tank_too_large", KindBench, Shown, "The usable volume ({usable}) is more than a tenth above what the tank could hold at the whole feed pressure, gauge uncertainty included ({holds}): not plausible, one of the readings or the stated tank volume deserves a look.", NeedsRepeat},
	{"tank_small", KindBench, Shown, "The usable volume ({usable}) is less than half of what the tank could hold at the whole feed pressure ({holds}); pre-charge and shut-off deserve a look.", NeedsRepeat},
	{"balance_closes", KindBench, Known, "{name}, {draw} and drain over the fill: what both carry fits the feed ({span} % of it).", ""},
	{"balance_more_out", KindBench, Known, "{name}, {draw} and drain over the fill: both carry more than the feed brought ({span} % of it): given off inside, or the feed moved.", NeedsWhere},
	{"balance_less_out", KindBench, Known, "{name}, {draw} and drain over the fill: both carry less than the feed brought ({span} % of it): held inside, the feed moved, or a bottle was swapped.", NeedsWhere},
	{"balance_no_efficiency", KindBench, Undecided, "The mass balance over the drain is open: product and drain were not measured over a whole fill, and the recovery with the tank shut does not hold for one.", NeedsEfficiency},
	{"balance_feed_moved", KindBench, Undecided, "The mass balance over the drain is open, because the feed moved ({moved} by {change} %, allowed {limit} %).", NeedsSteadyFeed},
	{"balance_open", KindBench, Undecided, "{name}: results below their limits leave the mass balance open.", NeedsFinerTreated},

	// Contact time.
	{"contact_rise", KindContact, Known, "From {from} to {stood} of standing the conductivity at the faucet changed from {first} to {last} ({value} %).", ""},
	{"contact_fit", KindContact, Known, "While the water stands its conductivity nears {plateau} uS/cm ({span}, from the fit and the meter together), half of the way in {half}.", ""},
	{"contact_too_few", KindContact, Undecided, "The contact-time series has too few readings for a curve.", NeedsLongerSeries},
	{"contact_no_rise", KindContact, Undecided, "The contact-time series shows no change that a curve could be fitted to.", ""},
	{"contact_no_plateau", KindContact, Undecided, "The contact-time series does not reach a plateau, so that no curve is stated.", NeedsLongerSeries},
	{"contact_not_recorded", KindContact, Missing, "No contact-time series is on record.", NeedsResult},

	// Life, cost, feed.
	{"life_point", KindLife, Known, "Part {part}: {volume} treated at the draw[, {value} % of its rated life of {rated}].", ""},
	{"life_at_least", KindLife, Known, "Part {part}: at least {volume} treated at the draw[, at least {value} % of its rated life of {rated}], what was drawn in measuring or went to the drain not being counted in full.", NeedsVolumes},
	{"life_unknown", KindLife, Missing, "Part {part}: how much it had treated at the draw is not on record.", NeedsVolumes},
	{"cost_year", KindCost, Known, "Parts and water cost {span} {currency} a year at {daily} a day (prices of {as_of}).", ""},
	{"cost_year_without_water", KindCost, Known, "Parts cost {span} {currency} a year at {daily} a day (prices of {as_of}), water not counted.", NeedsEfficiency},
	{"cost_litre", KindCost, Known, "That is {span} {currency} a litre, the price of the unit itself not counted.", ""},
	{"cost_litre_without_water", KindCost, Known, "That is {span} {currency} a litre, neither water nor the price of the unit itself counted.", NeedsEfficiency},
	{"cost_unknown", KindCost, Missing, "Cost: not worked out, because the unit's document lacks a price, a life or the daily use, or rates a part by the feed and its efficiency was not measured.", NeedsPrices},
	{"feed_steady", KindFeed, Shown, "The feed was steady around {when}: {what} changed by {change} %, allowed {limit} %.", ""},
	{"feed_moved", KindFeed, Shown, "The feed moved around {when}: {what} changed by {change} %, allowed {limit} %.", NeedsSteadyFeed},
	{"feed_not_looked_at", KindFeed, Shown, "Whether the feed was steady around {when} cannot be told, because it was not read before and after.", NeedsSteadyFeed},
	{"feed_opened", KindFeed, Shown, "The faucet was opened between the fill and {when}, so that the composite pair does not stand for the same water.", NeedsSteadyFeed},

	// What cannot be right, or weakens a report.
	{"report_warning", KindReport, Shown, "Report {number}, revision {revision}: {warning}.", ""},
	{"report_swapped", KindReport, Shown, "The treated sample holds more than the untreated one of {count} of {of} ions: the bottles may have been swapped.", NeedsLaboratory},
	{"report_unchanged", KindReport, Shown, "The treated sample equals the untreated one within a tenth on all {of} ions: the same water may have been bottled twice.", NeedsLaboratory},
	{"report_blank", KindReport, Shown, "{name}: the {blank} holds {result}, so that it is not clean.", NeedsNewBlank},
	{"report_duplicate_outside", KindReport, Shown, "{name}: the duplicate ({duplicate}) differs from the treated sample ({treated}) by more than the rule allows.", NeedsRepeat},
	{"report_days_differ", KindReport, Shown, "{name}: the two days differ by more than the laboratory's uncertainty: {first_day} on the first, {second_day} on the second.", NeedsRepeat},
	{"report_hold_over", KindReport, Shown, "{name}: the {role} sample was analysed after its hold time of {hold}.", NeedsRepeat},
	{"report_hold_open", KindReport, Shown, "{name}: whether the {role} sample was analysed within its hold time of {hold} cannot be told from a date alone.", NeedsLaboratory},
	{"report_below_limit", KindReport, Shown, "{name}: the {role} result ({result}) lies below the reporting limit of {limit} that the report states.", NeedsLaboratory},
	{"report_balance", KindReport, Shown, "The ions of the {role} sample do not balance ({span} %), which ions that were not measured can explain.", NeedsLaboratory},
	{"report_hardness", KindReport, Shown, "The reported hardness of the {role} sample ({result}) does not fit its calcium and magnesium ({span} mg/L as CaCO3).", NeedsLaboratory},
}
