package lab

import (
	"maps"
	"slices"
	"strings"
)

// What a detection condition means. The words are those of the WQX domain list.
type meaning uint8

const (
	meansNothing  meaning = iota
	meansBelow            // not detected
	meansTrace            // detected, below the quantitation limit
	meansAbove            // above what could be measured
	meansNoResult         // the laboratory gives none
)

var conditions = map[string]meaning{
	"below daily detection limit": meansBelow, "below detection limit": meansBelow, "below long-term blank-basd dt limit": meansBelow,
	"below method detection limit": meansBelow, "below reporting limit": meansBelow, "below sample-specific detect limit": meansBelow,
	"below system detection limit": meansBelow, "not detected": meansBelow, "not detected at detection limit": meansBelow,
	"not detected at reporting limit": meansBelow, "not present": meansBelow,
	"between inst detect and quant limit": meansTrace, "detected not quantified": meansTrace, "present below quantification limit": meansTrace, "trace": meansTrace,
	"above operating range": meansAbove, "present above quantification limit": meansAbove,
	"high moisture": meansNoResult, "not reported": meansNoResult, "reported in raw data (attached)": meansNoResult, "unable to measure": meansNoResult,
	"value affected by contamination": meansNoResult, "value decensored": meansNoResult,
}

// conditionNames lists the words, sorted, for "did you mean".
var conditionNames = slices.Sorted(maps.Keys(conditions))

// limitKind is which of our limits a WQX limit type is.
type limitKind uint8

const (
	noLimit limitKind = iota // a type that says nothing about how finely was measured
	detection
	quantitation
	reporting
	upper
	uncertainty
)

var limitTypes = map[string]limitKind{
	"blank-adjusted method detect limit": detection, "contract detection limit": detection, "daily detection limit": detection,
	"detection limit": detection, "detection limit by dqcalc": detection, "estimated detection level": detection,
	"instrument detection level": detection, "long term method detection level": detection, "lower limit of detection": detection,
	"method detection level": detection, "sample detection limit": detection, "sample-specific min detect conc": detection,
	"contract quantitation limit": quantitation, "estimated quantitation limit": quantitation, "lower quantitation limit": quantitation,
	"practical quantitation limit": quantitation, "sample-specific quantitation limit": quantitation,
	"blank-adjusted reporting limit": reporting, "censoring level": reporting, "interim reporting level": reporting,
	"laboratory reporting level": reporting, "lower reporting limit": reporting, "minimum reporting level": reporting,
	"reporting limit": reporting, "reporting limit by dqcalc": reporting, "historical lower reporting limit": reporting,
	"upper quantitation limit": upper, "upper calibration limit": upper, "upper reporting limit": upper,
	"measurement uncertainty": uncertainty,
	"drinking water maximum":  noLimit, "field holding time limit": noLimit, "laboratory holding time limit": noLimit, "lower 95% confidence limit": noLimit,
	"required detection limit": noLimit, "sample-specific critical level": noLimit, "specified in workplan": noLimit, "statistical uncertainty": noLimit,
	"systematic uncertainty": noLimit, "taxonomic loss threshold": noLimit, "upper 95% confidence limit": noLimit, "water quality standard or criteria": noLimit,
}

var limitTypeNames = slices.Sorted(maps.Keys(limitTypes))

// nonDetectWords are what laboratories write in place of a value.
var nonDetectWords = map[string]bool{
	"nd": true, "n.d.": true, "n/d": true, "u": true, "bdl": true, "bql": true, "brl": true, "bmdl": true, "<dl": true, "<lod": true, "<loq": true, "<mdl": true, "<rl": true, "<ql": true, "<pql": true, "<mrl": true,
	"not detected": true, "non-detect": true, "nondetect": true, "non detect": true, "below detection limit": true, "below reporting limit": true, "absent": true, "none detected": true, "-nd-": true,
}

// Qualifiers that change how a value is read; others are kept as written.
var (
	nonDetectFlags = map[string]bool{"U": true, "ND": true, "UJ": true, "BDL": true}
	estimatedFlags = map[string]bool{"J": true, "E": true}
)

// Result status words of the exchange standard.
var statusOf = map[string]string{
	"accepted": "final", "final": "final", "validated": "final", "supervised": "final",
	"preliminary": "preliminary", "provisional": "preliminary", "raw": "preliminary", "unreviewed": "preliminary", "rejected": "rejected",
}

var statusNames = slices.Sorted(maps.Keys(statusOf))

// zones are the time zones that the exchange standard abbreviates, as minutes
// east of UTC.
var zones = map[string]int{
	"UTC": 0, "GMT": 0, "Z": 0, "EST": -300, "EDT": -240, "CST": -360, "CDT": -300, "MST": -420, "MDT": -360, "PST": -480, "PDT": -420,
	"AKST": -540, "AKDT": -480, "HST": -600, "AST": -240, "ADT": -180, "NST": -210, "NDT": -150,
}

// unitWords are spellings of laboratories beyond those of the unit table, in
// lower case without spaces.
var unitWords = map[string]string{
	"mg/l": "mg/L", "mg/liter": "mg/L", "mg/litre": "mg/L", "ug/l": "ug/L", "\u00b5g/l": "ug/L", "mcg/l": "ug/L", "ng/l": "ng/L", "g/l": "g/L",
	"us/cm": "uS/cm", "\u00b5s/cm": "uS/cm", "umho/cm": "uS/cm", "umhos/cm": "uS/cm", "\u00b5mhos/cm": "uS/cm", "us/cm@25c": "uS/cm", "us/cm@25degc": "uS/cm",
	"umhos/cm@25c": "uS/cm", "us/cm25c": "uS/cm", "\u00b5s/cm@25c": "uS/cm", "ntu": "NTU", "fnu": "FNU", "degc": "Cel", "degreesc": "Cel", "\u00b0c": "Cel",
	"stdunits": "pH", "standardunits": "pH", "phunits": "pH", "phunit": "pH", "ph": "pH", "s.u.": "pH", "su": "pH", "std.units": "pH",
	"mmol/l": "mmol/L", "meq/l": "meq/L", "cfu/100ml": "CFU/100mL", "mpn/100ml": "MPN/100mL", "#/100ml": "/100mL", "pci/l": "pCi/L", "bq/l": "Bq/L",
	"pcu": "CU", "cu": "CU", "pt-counits": "CU", "%": "%",
}

// fractionOf reduces the fraction words of the standard to the two that
// matter: dissolved, total; "" for none or another, which is kept as written.
func fractionOf(word string) string {
	w := strings.ToLower(word)
	switch {
	case w == "dissolved", strings.HasPrefix(w, "filter"):
		return "dissolved"
	case w == "total", w == "total recoverable", strings.HasPrefix(w, "unfiltered"), w == "total soluble":
		return "total"
	case w == "none":
		return ""
	}
	return w
}
