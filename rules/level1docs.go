package rules

import "math/big"

var zeroRat = new(big.Rat)

const (
	own      = "own"
	exactNow = "exact; nothing is rounded"
	allUnits = "any unit of one dimension; the units of the two sides may differ"
)

var docChange = FunctionDoc{Name: "change", Signature: []string{"change(now, earlier) -> ratio"}, Says: "|now - earlier| / |earlier|; zero when both are the same",
	Units: allUnits + "; no temperatures and no pH, which have no share", Range: "0 and up", Errors: "division_by_zero when earlier is 0 and now is not",
	Source: "common practice, no source", Example: `change(s.last, s.previous)`, Given: "s.last=102 uS/cm; s.previous=100 uS/cm", Gives: "2 %"}

var docRPD = FunctionDoc{Name: "rpd", Signature: []string{"rpd(quantity, quantity) -> ratio", "rpd(result, result) -> ratio"},
	Says: "relative percent difference of duplicates, |a - b| / ((a + b) / 2)", Units: allUnits, Range: "0 to 200 %",
	Errors: "division_by_zero when the mean is 0; undecided when one is a non-detect (unequal_limits), both are (reporting_limit), or they are expressed differently (evidence)",
	Source: "USEPA practice for duplicate samples", Example: `rpd(qty("11 mg/L"), qty("9 mg/L"))`, Gives: "20 %"}

var docReduction = FunctionDoc{Name: "reduction", Signature: []string{"reduction(untreated, treated) -> interval of a ratio"},
	Says:  "1 - treated / untreated: a point for two values; above (untreated - limit) / untreated and below 100 % for a treated non-detect; below 0 for an untreated non-detect under a larger treated value",
	Units: "results of one dimension with a floor at zero and one speciation", Range: "below or equal to 100 %",
	Errors: "undecided: reporting_limit when only limits are known, unequal_limits when the untreated sample was measured less finely, evidence when the untreated value is 0 or the two do not compare",
	Source: "rules/water, checked there; no limit is replaced by a number", Example: `reduction(analyte("lead").untreated, analyte("lead").treated) >= qty("95 %")`,
	Given: `analyte("lead").untreated=10 ug/L; analyte("lead").treated=<0.5 ug/L`, Gives: "met"}

var docNonDetect = FunctionDoc{Name: "non_detect", Signature: []string{"non_detect(result) -> statement"}, Says: "whether the result is only known to lie below a limit",
	Units: "any", Range: "all", Errors: "none", Source: own, Example: `non_detect(analyte("lead").treated)`, Given: `analyte("lead").treated=<0.5 ug/L`, Gives: "met"}

var docLowerEnd = FunctionDoc{Name: "lower_end", Signature: []string{"lower_end(interval) -> quantity"}, Says: "the lower end, open or closed",
	Units: "of the interval", Range: "all", Errors: "undecided straddles when there is no lower end", Source: own,
	Example: `lower_end(reduction(analyte("lead").untreated, analyte("lead").treated))`, Given: `analyte("lead").untreated=10 ug/L; analyte("lead").treated=<0.5 ug/L`, Gives: "95 %"}

var docUpperEnd = FunctionDoc{Name: "upper_end", Signature: []string{"upper_end(interval) -> quantity"}, Says: "the upper end, open or closed",
	Units: "of the interval", Range: "all", Errors: "undecided straddles when there is no upper end", Source: own,
	Example: `upper_end(b.margin)`, Given: "b.margin=12 %", Gives: "12 %"}

var docAbs = FunctionDoc{Name: "abs", Signature: []string{"abs(number) -> number", "abs(quantity) -> quantity"}, Says: "without its sign",
	Units: "kept; no temperatures, but differences of them and of pH", Range: "0 and up", Errors: "none", Source: own, Example: `abs(3 - 5)`, Gives: "2"}

var docMean = FunctionDoc{Name: "mean", Signature: []string{"mean(list) -> as its items"}, Says: "arithmetic mean", Units: "kept; no pH: its mean is that of the activities, use the median",
	Range: exactNow, Errors: "undecided not_recorded for an empty list", Source: own, Example: `mean([qty("1 L"), qty("2 L")])`, Gives: "1.5 L"}

var docMedian = FunctionDoc{Name: "median", Signature: []string{"median(list) -> as its items"}, Says: "the middle item, or the mean of the middle two", Units: "kept",
	Range: exactNow, Errors: "undecided not_recorded for an empty list", Source: own, Example: `median([qty("7.1 pH"), qty("6.9 pH"), qty("8.5 pH")])`, Gives: "7.1 pH"}

var docMin = FunctionDoc{Name: "min", Signature: []string{"min(list) -> as its items"}, Says: "the smallest item", Units: "kept", Range: exactNow,
	Errors: "undecided not_recorded for an empty list", Source: own, Example: `min([3, 1, 2])`, Gives: "1"}

var docMax = FunctionDoc{Name: "max", Signature: []string{"max(list) -> as its items"}, Says: "the largest item", Units: "kept", Range: exactNow,
	Errors: "undecided not_recorded for an empty list", Source: own, Example: `max([3, 1, 2])`, Gives: "3"}

var docCount = FunctionDoc{Name: "count", Signature: []string{"count(list) -> number"}, Says: "how many items", Units: "none", Range: "0 and up", Errors: "none",
	Source: own, Example: `count([3, 1, 2])`, Gives: "3"}

var docRecorded = FunctionDoc{Name: "recorded", Signature: []string{"recorded(value) -> statement"},
	Says:  "whether there is an entry: false for a closed step without the value, true for one answered as not applicable; an open step is awaited",
	Units: "any", Range: "all", Errors: "none", Source: own, Example: `recorded(a.reason)`, Given: "a.reason=@not_recorded", Gives: "unmet"}

var docNumber = FunctionDoc{Name: "number", Signature: []string{`number(quantity, "unit") -> number`}, Says: "how many of the unit the quantity is, as a bare number",
	Units: "the unit is a literal of the quantity's dimension", Range: exactNow, Errors: "a fault when the unit is unknown or of another dimension", Source: own,
	Example: `number(qty("1.5 L"), "mL")`, Gives: "1500"}

var docNegate = FunctionDoc{Name: "- (sign)", Signature: []string{"-number", "-quantity"}, Says: "the opposite", Units: "kept; no temperatures and no pH", Range: exactNow,
	Errors: "none", Source: own, Example: `-b.count`, Given: "b.count=3", Gives: "-3"}

var docEquals = FunctionDoc{Name: "== !=", Signature: []string{"value == value of one type"},
	Says:  "whether two values are the same, exactly; an answer compared with yes or no is undecided when it is not applicable",
	Units: allUnits, Range: exactNow, Errors: "undecided as the other comparisons; not_applicable", Source: own, Example: `qty("64.4 degF") == qty("18 Cel")`, Gives: "met"}

func docComparison(sign string) FunctionDoc {
	gives := map[string]string{"<": "met", "<=": "met", ">": "unmet", ">=": "unmet"}[sign]
	return FunctionDoc{Name: sign, Signature: []string{"quantity, interval or result " + sign + " the same of one dimension", "number " + sign + " number", "moment " + sign + " moment"},
		Says:  "true or false where every value that the two sides can have agrees; a result below a limit lies from 0 up to, without, the limit",
		Units: allUnits, Range: exactNow,
		Errors: "undecided: reporting_limit, unequal_limits (one of two results is a non-detect), straddles, evidence (another dimension or speciation)",
		Source: own, Example: `analyte("lead").treated ` + sign + ` qty("0.05 mg/L")`, Given: `analyte("lead").treated=<0.05 mg/L`, Gives: gives}
}

func docArithmetic(sign, says string) FunctionDoc {
	d := FunctionDoc{Name: sign, Signature: []string{"number " + sign + " number", "quantity " + sign + " quantity"}, Says: says, Units: "converted exactly; the left side's unit is kept",
		Range: exactNow, Errors: "none", Source: "dimensions of the SI brochure"}
	switch sign {
	case "+":
		d.Example, d.Gives = `qty("1 L") + qty("1 gal")`, "4.785411784 L"
	case "-":
		d.Example, d.Gives = `qty("77 degF") - qty("20 Cel")`, "5 Cel_diff"
	case "*":
		d.Example, d.Gives = `qty("2 L/min") * qty("90 s")`, "3 L"
	case "/":
		d.Example, d.Gives, d.Errors = `qty("500 mL") / qty("16 s")`, "1.875 L/min", "division_by_zero"
	}
	return d
}
