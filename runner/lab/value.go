package lab

import (
	"fmt"
	"regexp"
	"strings"

	"tapledger/rules/quantity"
	"tapledger/rules/water"
)

// reading is one value as it was understood: a sign and a number as text.
type reading struct {
	sign      string // "", "<" or ">"
	number    string
	flags     []string // qualifier letters that stood in the value itself
	unit      string   // a unit that stood in the value itself
	nonDetect bool     // a word for "not detected", without a number
}

var (
	plainNumber = regexp.MustCompile(`^[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]{1,2})?$`)
	valueParts  = regexp.MustCompile(`^([<>]?)\s*([+-]?[0-9.,]+(?:[eE][+-]?[0-9]{1,2})?)\s*(.*)$`)
	flagLetters = regexp.MustCompile(`^[A-Z]{1,3}$`)
)

// bad is why a text cannot be read, and what to do.
type bad struct{ says, hint string }

// readValue takes a value's text apart. notes say what was taken for what.
func readValue(text string, decimalComma bool) (r reading, notes []string, b *bad) {
	low := strings.ToLower(strings.Join(strings.Fields(text), " "))
	if nonDetectWords[low] || nonDetectWords[strings.ReplaceAll(low, " ", "")] {
		return reading{nonDetect: true}, nil, nil
	}
	if strings.ContainsAny(text, "\u2264\u2265~\u00b1") || strings.HasPrefix(text, "<=") || strings.HasPrefix(text, ">=") || strings.Contains(text, "+/-") {
		return r, nil, &bad{fmt.Sprintf("%q is not a value", text), "a limit is written with < or > alone, and an uncertainty stands in a column of its own"}
	}
	m := valueParts.FindStringSubmatch(text)
	if m == nil {
		return r, nil, &bad{fmt.Sprintf("%q is not a number", text), "a non-detect is written as < and its limit; a remark belongs to the comment column"}
	}
	r.sign, r.number = m[1], m[2]
	number, note, b := settleNumber(r.number, text, decimalComma)
	if b != nil {
		return r, nil, b
	}
	r.number = number
	if note != "" {
		notes = append(notes, note)
	}
	return r.tail(m[3], text, notes)
}

// tail reads what follows the number: qualifier letters or a unit.
func (r reading) tail(rest, text string, notes []string) (reading, []string, *bad) {
	switch {
	case rest == "":
	case flagLetters.MatchString(rest):
		r.flags = []string{rest}
		notes = append(notes, fmt.Sprintf("%q read as the value with the qualifier %s", text, rest))
	default:
		if _, ok := unitCode(rest); !ok {
			return r, nil, &bad{fmt.Sprintf("%q is not a number", text), "dates, ranges and remarks are no values; a spreadsheet may have turned a value into a date"}
		}
		r.unit = rest
		notes = append(notes, fmt.Sprintf("%q holds its unit", text))
	}
	return r, notes, nil
}

// settleNumber makes a plain decimal of a number's text, or says why not.
func settleNumber(number, text string, decimalComma bool) (string, string, *bad) {
	note := ""
	if strings.Contains(number, ",") {
		switch {
		case !decimalComma:
			return "", "", &bad{fmt.Sprintf("%q has a comma: a decimal comma, or one between thousands", text),
				"ask the laboratory; if every comma of the file is a decimal one, say so when importing"}
		case strings.Contains(number, ".") || strings.Count(number, ",") > 1:
			return "", "", &bad{fmt.Sprintf("%q has commas and points", text), "write digits with one decimal sign and nothing between thousands"}
		}
		number, note = strings.Replace(number, ",", ".", 1), fmt.Sprintf("%q read with a decimal comma", text)
	} else if decimalComma && strings.Contains(number, ".") {
		return "", "", &bad{fmt.Sprintf("%q has a point in a file of decimal commas", text), "the point may stand between thousands: ask the laboratory"}
	}
	if strings.HasPrefix(number, ".") && plainNumber.MatchString("0"+number) {
		number, note = "0"+number, fmt.Sprintf("%q read as 0%s", text, number)
	}
	if !plainNumber.MatchString(number) {
		return "", "", &bad{fmt.Sprintf("%q is not a number", text), "write digits on both sides of one decimal point"}
	}
	return number, note, nil
}

var (
	asSuffix    = regexp.MustCompile(`(?i)^(.*?)[\s,]*\(?\bas\s+([A-Za-z][A-Za-z0-9]*)\)?$`)
	asJoined    = regexp.MustCompile(`(?i)^(.*/\s*[a-z]+)\s*as\s*([A-Za-z][A-Za-z0-9]*)$`)
	insideUnit  = regexp.MustCompile(`^([munk\x{00b5}]?g)\s*\{?\s*(N|P|S|NO3|NO2|NH3|NH4|PO4|SO4|SiO2|Si|CaCO3|HCO3)\s*\}?\s*/\s*([lL])$`)
	afterUnit   = regexp.MustCompile(`^(.*/\s*[lL])\s*[- ]?\s*\(?(N|P|S|NO3|NO2|NH3|NH4|PO4|SO4|SiO2|CaCO3|HCO3)\)?$`)
	dashSpecies = regexp.MustCompile(`^(.*\S)\s*[-(]\s*(N|P|NO3|NO2)\)?$`)
)

// unitCode finds the canonical spelling of a laboratory's unit.
func unitCode(text string) (string, bool) {
	t := strings.ReplaceAll(text, "\u03bc", "\u00b5")
	if u, err := quantity.LookupUnit(t); err == nil {
		return u.Code, true
	}
	low := strings.ReplaceAll(strings.ToLower(t), " ", "")
	if code, ok := unitWords[low]; ok {
		return code, true
	}
	return "", false
}

// splitUnit takes "as N" out of a unit: "mg/l as N", "mg/l asNO3", "mg N/L",
// "mg/L CaCO3", "mg/L-N".
func splitUnit(text string) (unit, species string) {
	t := strings.TrimSpace(strings.ReplaceAll(text, "\u03bc", "\u00b5"))
	for _, re := range []*regexp.Regexp{asJoined, asSuffix, afterUnit} {
		if m := re.FindStringSubmatch(t); m != nil && strings.TrimSpace(m[1]) != "" {
			return strings.TrimRight(m[1], " ,("), "as " + formula(m[2])
		}
	}
	if m := insideUnit.FindStringSubmatch(t); m != nil {
		return m[1] + "/" + m[3], "as " + formula(m[2])
	}
	return t, ""
}

// splitName takes "as N" out of an analyte's name: "Nitrate as N", "Nitrate
// (as NO3)", "Nitrate-N".
func splitName(text string) (name, species string) {
	if m := asSuffix.FindStringSubmatch(text); m != nil && strings.TrimSpace(m[1]) != "" {
		return strings.TrimRight(m[1], " ,("), "as " + formula(m[2])
	}
	if m := dashSpecies.FindStringSubmatch(text); m != nil {
		return strings.TrimSpace(m[1]), "as " + formula(m[2])
	}
	return text, ""
}

// splitFraction takes "total" and "dissolved" off a name: "Lead, total".
func splitFraction(text string) (name, fraction string) {
	low := strings.ToLower(text)
	for _, w := range []string{"total", "dissolved"} {
		for _, form := range []string{", " + w, " (" + w + ")", " - " + w, " " + w} {
			if strings.HasSuffix(low, form) {
				return strings.TrimSpace(text[:len(text)-len(form)]), w
			}
		}
		if strings.HasPrefix(low, w+" ") {
			return strings.TrimSpace(text[len(w)+1:]), w
		}
	}
	return text, ""
}

// formulas are the species as they are written, by lower case.
var formulas = map[string]string{
	"n": "N", "no3": "NO3", "no2": "NO2", "nh3": "NH3", "nh4": "NH4", "p": "P", "po4": "PO4", "p2o5": "P2O5", "s": "S", "so4": "SO4",
	"si": "Si", "sio2": "SiO2", "caco3": "CaCO3", "hco3": "HCO3", "co3": "CO3", "ca": "Ca", "mg": "Mg", "cl2": "Cl2",
}

func formula(s string) string {
	if f, ok := formulas[strings.ToLower(s)]; ok {
		return f
	}
	return s
}

var element = regexp.MustCompile(`^as [A-Z][a-z]?[0-9]?$`)

// settleSpecies decides how a result is expressed from all that a row says
// about it: in the speciation column, the unit and the name. They must agree;
// where an analyte is expressed in several ways and nothing is said, the row
// is refused, unless there is one way that holds by itself.
func settleSpecies(analyte, wanted string, said ...string) (species string, notes []string, b *bad) {
	for _, s := range said {
		if s == "" {
			continue
		}
		if species != "" && species != s {
			return "", nil, &bad{fmt.Sprintf("the row says %q and %q", species, s), "one and the same result is expressed in one way: ask the laboratory which"}
		}
		species = s
	}
	ways, own := water.Species(analyte)
	switch {
	case ways == nil && species != "" && element.MatchString(species):
		return "", []string{fmt.Sprintf("expressed %q, which is the substance itself", species)}, nil
	case ways == nil:
		return species, nil, nil
	case species == "" && own == "":
		return "", nil, &bad{fmt.Sprintf("nothing says what %s is expressed as", analyte),
			"it may be " + strings.Join(ways, " or ") + ", which differ by a factor: ask the laboratory, and add a speciation column"}
	case species == "" && wanted == own:
		return own, []string{fmt.Sprintf("nothing is said: taken %s", own)}, nil
	case species == own && wanted == "":
		return "", nil, nil
	case species == "":
		return "", nil, nil
	}
	for _, w := range ways {
		if w == species {
			return species, nil, nil
		}
	}
	return "", nil, &bad{fmt.Sprintf("%s is not expressed %q", analyte, species), "it is expressed " + strings.Join(ways, " or ")}
}
