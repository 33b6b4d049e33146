package lab

import (
	"strings"
	"testing"
)

// What is understood: the row, the result as it goes on record, and a word of
// what the line says about it.
func TestUnderstood(t *testing.T) {
	nitrate := func(c cells) cells {
		out := lead(cells{"name": "Nitrate", "unit": "mg/l", "lunit": "mg/l", "limit": "0.05"})
		for k, v := range c {
			out[k] = v
		}
		return out
	}
	for _, c := range []struct {
		name, result, qualifier, fraction, note string
		row                                     cells
	}{
		{"plain", "3.2 ug/L", "", "", "ug/l is ug/L", lead(nil)},
		{"trailing zeros kept", "3.200 ug/L", "", "", "", lead(cells{"value": "3.200"})},
		{"exponent kept", "3.2e-1 ug/L", "", "", "", lead(cells{"value": "3.2e-1"})},
		{"micro sign", "3.2 ug/L", "", "", "is ug/L", lead(cells{"unit": "\u00b5g/L"})},
		{"Greek mu", "3.2 ug/L", "", "", "is ug/L", lead(cells{"unit": "\u03bcg/l"})},
		{"upper case", "3.2 ug/L", "", "", "UG/L is ug/L", lead(cells{"unit": "UG/L"})},
		{"another unit of the dimension", "0.0032 mg/L", "", "", "", lead(cells{"value": "0.0032", "unit": "mg/L"})},
		{"limit sign", "<0.5 ug/L", "", "", "", lead(cells{"value": "< 0.5"})},
		{"beyond range", ">500 ug/L", "", "", "", lead(cells{"value": ">500"})},
		{"ND with a limit", "<0.5 ug/L", "", "", "below the reporting limit", lead(cells{"value": "ND"})},
		{"ND with a limit and no unit", "<0.5 ug/L", "", "", "below the reporting limit", lead(cells{"value": "n.d.", "unit": ""})},
		{"Not Detected", "<0.5 ug/L", "", "", "Not Detected: below the reporting limit", lead(cells{"value": "", "unit": "", "condition": "Not Detected"})},
		{"U and the limit", "<0.5 ug/L", "U", "", "read as its limit", lead(cells{"value": "0.5", "flag": "U"})},
		{"U in the value", "<0.5 ug/L", "U", "", "with the qualifier U", lead(cells{"value": "0.5U"})},
		{"U and nothing else", "<0.5 ug/L", "U", "", "below the reporting limit", lead(cells{"value": "", "flag": "U"})},
		{"J kept", "0.31 ug/L", "J", "", "", lead(cells{"value": "0.31", "flag": "J"})},
		{"J in the value", "0.31 ug/L", "J", "", "with the qualifier J", lead(cells{"value": "0.31 J"})},
		{"below quantitation", "<2.0 ug/L", "trace", "", "detected, and below", lead(cells{"value": "", "condition": "Present Below Quantification Limit", "ltype": "Practical Quantitation Limit", "limit": "2.0"})},
		{"above quantitation", ">200 ug/L", "", "", "", lead(cells{"value": "", "condition": "Present Above Quantification Limit", "ltype": "Upper Quantitation Limit", "limit": "200"})},
		{"no zero before the point", "0.31 ug/L", "", "", "read as 0.31", lead(cells{"value": ".31"})},
		{"its unit in the value", "3.2 ug/L", "", "", "holds its unit", lead(cells{"value": "3.2 ug/L"})},
		{"element in the unit", "3.2 ug/L", "", "", "the substance itself", lead(cells{"unit": "ug/l as Pb", "lunit": "ug/l"})},
		{"by a further name", "3.2 ug/L", "", "", "", lead(cells{"name": "Pb"})},
		{"by its CAS number", "3.2 ug/L", "", "", "", lead(cells{"name": "7439-92-1"})},
		{"fraction in the name", "3.2 ug/L", "", "dissolved", "", lead(cells{"name": "Lead, dissolved"})},
		{"no fraction", "3.2 ug/L", "", "", "", lead(cells{"fraction": "None"})},
		{"fraction in its column", "3.2 ug/L", "", "total", "", lead(cells{"fraction": "Total Recoverable"})},
		{"as N in the unit", "10 mg/L as N", "", "", "", nitrate(cells{"value": "10", "unit": "mg/l as N"})},
		{"asNO3 in the unit", "38 mg/L as NO3", "", "", "", nitrate(cells{"value": "38", "unit": "mg/l asNO3"})},
		{"as N in its column", "10 mg/L as N", "", "", "", nitrate(cells{"value": "10", "as": "as N"})},
		{"N in its column", "10 mg/L as N", "", "", "", nitrate(cells{"value": "10", "as": "N"})},
		{"as N in the name", "10 mg/L as N", "", "", "", nitrate(cells{"value": "10", "name": "Nitrate as N"})},
		{"-N in the name", "10 mg/L as N", "", "", "", nitrate(cells{"value": "10", "name": "Nitrate-N"})},
		{"(as NO3) in the name", "10 mg/L as NO3", "", "", "", nitrate(cells{"value": "10", "name": "Nitrate (as NO3)"})},
		{"mg N/L", "10 mg/L as N", "", "", "", nitrate(cells{"value": "10", "unit": "mg N/L"})},
		{"mg/L-N", "10 mg/L as N", "", "", "", nitrate(cells{"value": "10", "unit": "mg/L-N"})},
		{"as N with the limit only", "<0.05 mg/L as N", "", "", "", nitrate(cells{"value": "", "unit": "", "condition": "Not Detected", "lunit": "mg/l as N"})},
		{"hardness has one way", "120 mg/L as CaCO3", "", "", "taken as CaCO3", lead(cells{"name": "Hardness", "value": "120", "unit": "mg/l", "lunit": "mg/l"})},
		{"mg/L CaCO3", "120 mg/L as CaCO3", "", "", "", lead(cells{"name": "Hardness", "value": "120", "unit": "mg/l CaCO3", "lunit": "mg/l"})},
		{"pH without a unit", "7.31 pH", "", "", "pH has none", lead(cells{"name": "pH", "value": "7.31", "unit": "None", "ltype": "", "limit": "", "lunit": ""})},
		{"pH in standard units", "7.31 pH", "", "", "std units is pH", lead(cells{"name": "pH", "value": "7.31", "unit": "std units", "ltype": "", "limit": "", "lunit": ""})},
		{"conductivity at 25 degC", "512 uS/cm", "", "", "is uS/cm", lead(cells{"name": "Specific conductance", "value": "512", "unit": "uS/cm @25C", "ltype": "", "limit": "", "lunit": ""})},
		{"a count of none", "0 /100mL", "", "", "", lead(cells{"name": "Total Coliform", "value": "0", "unit": "cfu/100ml", "ltype": "", "limit": "", "lunit": ""})},
	} {
		s, faults := Parse("report.csv", []byte(file(c.row)), handed())
		if faults != nil || len(s.Results) != 1 {
			t.Errorf("%s: %v", c.name, faults)
			continue
		}
		r, l := s.Results[0], s.Lines[0]
		if r.Result != c.result || r.Qualifier != c.qualifier || r.Fraction != c.fraction || r.Sample != untreatedID || r.Line != 2 {
			t.Errorf("%s: %+v; want %s %s %s", c.name, r, c.result, c.qualifier, c.fraction)
		}
		if !strings.Contains(strings.Join(l.Notes, "; "), c.note) || l.Read != c.result {
			t.Errorf("%s: line says %q, notes %v; want %q", c.name, l.Read, l.Notes, c.note)
		}
	}
}

// Line ends, delimiters, a byte order mark and dotted names change nothing.
func TestFileForms(t *testing.T) {
	plain := file(lead(nil), lead(cells{"name": "Nickel", "value": "<0.5"}))
	semicolon := strings.ReplaceAll(plain, ",", ";")
	quoted := `"a remark` + strings.Repeat(";", 40) + `",` + strings.ReplaceAll(strings.TrimSuffix(plain, "\n"), "\n", "\n\"x\",") + "\n"
	for name, c := range map[string]struct{ text, delimiter, note string }{
		"quoted signs":    {quoted, "comma", ""},
		"as it is":        {plain, "comma", ""},
		"CRLF":            {strings.ReplaceAll(plain, "\n", "\r\n"), "comma", ""},
		"lone CR":         {strings.ReplaceAll(plain, "\n", "\r"), "comma", "carriage return alone"},
		"byte order mark": {"\ufeff" + plain, "comma", "byte order mark"},
		"semicolons":      {semicolon, "semicolon", ""},
		"tabs":            {strings.ReplaceAll(plain, ",", "\t"), "tab", ""},
		"dots":            {strings.ReplaceAll(plain, "/MeasureUnitCode", ".MeasureUnitCode"), "comma", ""},
		"sep line":        {"sep=;\n" + semicolon, "semicolon", ""},
		"blank lines":     {strings.ReplaceAll(plain, "\n", "\n\n"), "comma", ""},
		"no last line":    {strings.TrimSuffix(plain, "\n"), "comma", ""},
	} {
		s, faults := Parse("report.csv", []byte(c.text), handed())
		if faults != nil {
			t.Errorf("%s: %v", name, faults)
			continue
		}
		if s.Delimiter != c.delimiter || len(s.Results) != 2 || s.Results[0].Result != "3.2 ug/L" || s.Results[1].Result != "<0.5 ug/L" ||
			!strings.Contains(strings.Join(s.Notes, " "), c.note) {
			t.Errorf("%s: %s, %+v, notes %v", name, s.Delimiter, s.Results, s.Notes)
		}
	}
	// A decimal comma is taken only when the caller was asked.
	text := strings.ReplaceAll(strings.ReplaceAll(plain, ",", ";"), `"3.2"`, `"3,2"`)
	text = strings.ReplaceAll(strings.ReplaceAll(text, `"<0.5"`, `"<0,5"`), `"0.5"`, `"0,5"`)
	if _, faults := Parse("report.csv", []byte(text), handed()); len(faults) != 2 {
		t.Errorf("decimal commas without asking: %v", faults)
	}
	opt := handed()
	opt.DecimalComma = true
	s, faults := Parse("report.csv", []byte(text), opt)
	if faults != nil || s.Results[0].Result != "3.2 ug/L" || s.Results[0].Reporting != "0.5 ug/L" || !strings.Contains(s.Lines[0].Notes[len(s.Lines[0].Notes)-1], "decimal comma") {
		t.Errorf("decimal commas: %+v, %v", s, faults)
	}
	if _, faults = Parse("report.csv", []byte(plain), opt); len(faults) == 0 {
		t.Error("a point in a file of decimal commas was taken")
	}
}

// The submission names and the 3.0 names carry the same row, two limits too.
func TestOtherLayouts(t *testing.T) {
	submission := "Activity ID,Characteristic Name,Method Speciation,Result Sample Fraction,Result Value,Result Unit,Result Detection Condition,Result Detection/Quantitation Limit Type," +
		"Result Detection/Quantitation Limit Measure,Result Detection/Quantitation Limit Unit,Substance Dilution Factor,Analysis Start Date,Analysis Start Time,Analysis Start Time Zone\n" +
		untreatedID + ",Nitrate,as N,Dissolved,2.31,mg/L,,Lower Quantitation Limit,0.10,mg/L,5,2026-03-04,10:20,CST\n"
	s, faults := Parse("report.csv", []byte(submission), handed())
	if faults != nil {
		t.Fatal(faults)
	}
	r := s.Results[0]
	if s.Layout != "WQX submission" || r.Result != "2.31 mg/L as N" || r.Quantitate != "0.10 mg/L" || r.Dilution != "5" || r.Fraction != "dissolved" || r.Analysed != "2026-03-04T16:20:00.000Z" {
		t.Errorf("%s: %+v", s.Layout, r)
	}
	three := "Activity_ActivityIdentifier,Result_Characteristic,Result_CASNumber,Result_Measure,Result_MeasureUnit,Result_ResultDetectionCondition,DetectionLimit_TypeA,DetectionLimit_MeasureA," +
		"DetectionLimit_MeasureUnitA,DetectionLimit_TypeB,DetectionLimit_MeasureB,DetectionLimit_MeasureUnitB,LabInfo_Name,BatchIdentifier,ExpandedUncertainty\n" +
		treatedID + ",Lead (7439),7439-92-1,,,Not Detected at Detection Limit,Method Detection Level,0.08,ug/L,Laboratory Reporting Level,0.5,ug/L,Invented Laboratory,B-17,\n" +
		untreatedID + ",Lead,7439-92-1,3.2,ug/L,,Method Detection Level,0.08,ug/L,Laboratory Reporting Level,0.5,ug/L,Another Laboratory,B-17,0.4\n"
	opt := handed()
	opt.LaboratoryTitle = "Invented laboratory"
	if s, faults = Parse("report.csv", []byte(three), opt); faults != nil {
		t.Fatal(faults)
	}
	if r = s.Results[0]; s.Layout != "WQX 3.0" || r.Result != "<0.08 ug/L" || r.Detection != "0.08 ug/L" || r.Reporting != "0.5 ug/L" || r.Batch != "B-17" || r.Performed != "" {
		t.Errorf("%+v", r)
	}
	if r = s.Results[1]; r.Uncertainty != "0.4 ug/L" || !strings.Contains(strings.Join(s.Lines[1].Notes, " "), "k = 2") || r.Performed != "Another Laboratory" {
		t.Errorf("%+v", r)
	}
	if len(s.Notes) != 1 || !strings.Contains(s.Notes[0], "several laboratories") {
		t.Errorf("notes %v", s.Notes)
	}
}

// Ids come back in upper case, grouped, or as bottle codes.
func TestSampleIDs(t *testing.T) {
	for written, want := range map[string]string{untreatedID: untreatedID, strings.ToUpper(untreatedID): untreatedID, "K7Q2-MZX4-A5BC-DEFG": untreatedID,
		" " + treatedID: treatedID, "AB2CD3": untreatedID, "ef4gh5": treatedID} {
		s, faults := Parse("report.csv", []byte(file(lead(cells{"sample": written}))), handed())
		if faults != nil || s.Results[0].Sample != want {
			t.Errorf("%q: %v; want %s", written, faults, want)
			continue
		}
		if said := strings.Contains(strings.Join(s.Lines[0].Notes, " "), "sample "); said != (strings.TrimSpace(written) != want) {
			t.Errorf("%q: notes %v", written, s.Lines[0].Notes)
		}
	}
	// Without samples to match with, ids stay as they are.
	s, faults := Parse("report.csv", []byte(file(lead(cells{"sample": "QX-2231/7"}))), Options{Analytes: analytes})
	if faults != nil || s.Results[0].Sample != "QX-2231/7" {
		t.Errorf("%v", faults)
	}
}

// What is not a result of ours is listed, and what was ordered and is not
// there too.
func TestListed(t *testing.T) {
	opt := handed()
	opt.Samples[0].Ordered = []string{"lead", "nickel", "calcium", "chloride"}
	opt.Ignore = []string{"Zinc"}
	text := file(lead(nil),
		lead(cells{"sample": "QX-2231/7"}), lead(cells{"sample": "QX-2231/7", "name": "Nickel"}),
		lead(cells{"sample": "LCS-1", "type": "Quality Control Sample-Lab Control Sample", "name": "Surrogate"}),
		lead(cells{"name": "Zinc"}),
		lead(cells{"name": "Nickel", "value": "", "condition": "Not Reported"}),
		lead(cells{"name": "Calcium", "value": "51", "unit": "mg/l", "lunit": "mg/l", "status": "Rejected"}))
	s, faults := Parse("report.csv", []byte(text), opt)
	if faults != nil {
		t.Fatal(faults)
	}
	var kinds []string
	for _, l := range s.Lines {
		kinds = append(kinds, l.Kind)
	}
	if got := strings.Join(kinds, " "); got != "result not_ours not_ours quality_control ignored not_reported rejected" {
		t.Errorf("lines %s", got)
	}
	if len(s.Results) != 1 || len(s.QC) != 1 || len(s.Foreign) != 1 || s.Foreign[0].Rows != 2 || s.Foreign[0].Line != 3 {
		t.Errorf("%d results, QC %+v, foreign %+v", len(s.Results), s.QC, s.Foreign)
	}
	want := []Missing{{untreatedID, "nickel", "not_reported"}, {untreatedID, "calcium", "rejected"}, {untreatedID, "chloride", "absent"}, {treatedID, "", "absent"}}
	if len(s.Missing) != len(want) {
		t.Fatalf("missing %+v", s.Missing)
	}
	for i := range want {
		if s.Missing[i] != want[i] {
			t.Errorf("missing %+v, want %+v", s.Missing[i], want[i])
		}
	}
	codes := map[string]int{}
	for _, w := range s.Warnings {
		codes[w.Code]++
	}
	if codes[WarnForeign] != 1 || codes[WarnMissing] != 4 {
		t.Errorf("warnings %v", codes)
	}
	// A blank that we handed over is ours, whatever its activity type says.
	s, faults = Parse("report.csv", []byte(file(lead(cells{"type": "Quality Control Sample-Field Blank"}))), opt)
	if faults != nil || len(s.Results) != 1 || len(s.QC) != 0 {
		t.Errorf("our blank: %+v, %v", s, faults)
	}
}

func TestTwice(t *testing.T) {
	n := func(value, as string) cells {
		return lead(cells{"name": "Nitrate", "value": value, "unit": "mg/l " + as, "ltype": "", "limit": "", "lunit": ""})
	}
	s, faults := Parse("report.csv", []byte(file(n("38", "as NO3"), n("8.58", "as N"))), handed())
	if faults != nil || len(s.Results) != 1 || s.Results[0].Result != "8.58 mg/L as N" || s.Lines[0].Kind != RowSaidTwice {
		t.Errorf("one result in two expressions: %+v, %v", s, faults)
	}
	s, faults = Parse("report.csv", []byte(file(lead(cells{"fraction": "Total"}), lead(cells{"fraction": "Dissolved", "value": "2.9"}))), handed())
	if faults != nil || len(s.Results) != 2 || len(s.Warnings) == 0 || s.Warnings[0].Code != WarnFractions {
		t.Errorf("total and dissolved: %+v, %v", s, faults)
	}
	opt := handed()
	opt.Method = map[string]string{"lead": "200.8"}
	s, faults = Parse("report.csv", []byte(file(lead(nil), lead(cells{"value": "4.0", "method": "200.9"}))), opt)
	if faults != nil || len(s.Results) != 1 || s.Results[0].Result != "3.2 ug/L" || s.Lines[1].Kind != RowOtherMethod {
		t.Errorf("a method chosen: %+v, %v", s, faults)
	}
	s, faults = Parse("report.csv", []byte(file(lead(cells{"value": "<0.3"}))), handed())
	if faults != nil || s.Warnings[0].Code != WarnLimitDiffers {
		t.Errorf("a value below another limit than the report names: %+v, %v", s, faults)
	}
}

// Parse looks at the report as a whole too, with the pairs it is told.
func TestParseLooksAtTheWhole(t *testing.T) {
	n := func(sample, name, value, unit string) cells {
		return lead(cells{"sample": sample, "name": name, "value": value, "unit": unit, "ltype": "", "limit": "", "lunit": ""})
	}
	opt := handed()
	text := file(n(untreatedID, "Sodium", "3", "mg/l"), n(treatedID, "Sodium", "30", "mg/l"), n(untreatedID, "Chloride", "3", "mg/l"),
		n(treatedID, "Chloride", "50", "mg/l"), n(untreatedID, "Fluoride", "<0.1", "mg/l"), n(treatedID, "Fluoride", "0.6", "mg/l"),
		n(untreatedID, "Lead", "3", "ug/l"))
	s, faults := Parse("report.csv", []byte(text), opt)
	if faults != nil || len(s.Warnings) != 0 {
		t.Errorf("without pairs: %v, %v", s, faults)
	}
	opt.Context.Pairs = []Pair{{untreatedID, treatedID}}
	if s, _ = Parse("report.csv", []byte(text), opt); len(s.Warnings) != 1 || s.Warnings[0].Code != WarnSwapped {
		t.Errorf("a swapped pair: %v", s.Warnings)
	}
}

func TestHeader(t *testing.T) {
	opt := handed()
	opt.Header = Header{Laboratory: "inverness", Revision: "0", Issued: "2026-03-20"}
	s, faults := Parse("report.csv", []byte(file(lead(cells{"report": "R-1", "rstatus": "Final", "status": "Final"}))), opt)
	if faults != nil || s.Header.Number != "R-1" || s.Header.Status != "final" || len(s.Asks) != 0 {
		t.Errorf("%+v asks %v, %v", s.Header, s.Asks, faults)
	}
	s, faults = Parse("report.csv", []byte(file(lead(cells{"status": "Provisional"}))), Options{Analytes: analytes})
	if faults != nil || s.Header.Status != "preliminary" || strings.Join(s.Asks, " ") != "laboratory number revision issued" {
		t.Errorf("%+v asks %v, %v", s.Header, s.Asks, faults)
	}
	opt.Header.Status, opt.Header.Number = "amended", "R-1"
	if s, faults = Parse("report.csv", []byte(file(lead(nil))), opt); faults != nil || strings.Join(s.Asks, " ") != "replaces" {
		t.Errorf("an amended report asks %v, %v", s.Asks, faults)
	}
}
