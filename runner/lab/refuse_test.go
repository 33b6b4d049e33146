package lab

import (
	"fmt"
	"strings"
	"testing"
)

const (
	head = "ActivityIdentifier,ActivityTypeCode,CharacteristicName,MethodSpeciationName,ResultSampleFractionText,ResultMeasureValue,ResultMeasure/MeasureUnitCode," +
		"ResultDetectionConditionText,MeasureQualifierCode,ResultStatusIdentifier,ResultAnalyticalMethod/MethodIdentifier,AnalysisStartDate,AnalysisStartTime/Time," +
		"AnalysisStartTime/TimeZoneCode,DetectionQuantitationLimitTypeName,DetectionQuantitationLimitMeasure/MeasureValue,DetectionQuantitationLimitMeasure/MeasureUnitCode," +
		"DilutionFactor,ExpandedUncertainty,ReportNumber,ReportStatus"
	// Sample ids as they are made at hand-over: 16 characters of base32, invented.
	untreatedID, treatedID = "k7q2mzx4a5bcdefg", "p3r5t6u7vwxyz234"
)

// cells is one row by column name; what is not named is empty.
type cells map[string]string

func file(rows ...cells) string {
	names := strings.Split(head, ",")
	out := []string{head}
	for _, r := range rows {
		line := make([]string, len(names))
		used := 0
		for i, n := range names {
			short := map[string]string{"ActivityIdentifier": "sample", "ActivityTypeCode": "type", "CharacteristicName": "name", "MethodSpeciationName": "as",
				"ResultSampleFractionText": "fraction", "ResultMeasureValue": "value", "ResultMeasure/MeasureUnitCode": "unit", "ResultDetectionConditionText": "condition",
				"MeasureQualifierCode": "flag", "ResultStatusIdentifier": "status", "ResultAnalyticalMethod/MethodIdentifier": "method", "AnalysisStartDate": "date",
				"AnalysisStartTime/Time": "time", "AnalysisStartTime/TimeZoneCode": "zone", "DetectionQuantitationLimitTypeName": "ltype",
				"DetectionQuantitationLimitMeasure/MeasureValue": "limit", "DetectionQuantitationLimitMeasure/MeasureUnitCode": "lunit",
				"DilutionFactor": "dilution", "ExpandedUncertainty": "u", "ReportNumber": "report", "ReportStatus": "rstatus"}[n]
			if v, ok := r[short]; ok {
				line[i], used = `"`+v+`"`, used+1
			}
		}
		if used != len(r) {
			panic(fmt.Sprintf("a cell of %v has no column", r))
		}
		out = append(out, strings.Join(line, ","))
	}
	return strings.Join(out, "\n") + "\n"
}

// lead is a sound row, with changes.
func lead(change cells) cells {
	out := cells{"sample": untreatedID, "name": "Lead", "value": "3.2", "unit": "ug/l", "ltype": "Laboratory Reporting Level", "limit": "0.5", "lunit": "ug/l", "method": "200.8"}
	for k, v := range change {
		out[k] = v
	}
	return out
}

func handed() Options {
	return Options{Analytes: analytes, Samples: []Sample{{ID: untreatedID, Codes: []string{"ab2cd3"}, Ordered: []string{"lead"}}, {ID: treatedID, Codes: []string{"ef4gh5"}}}}
}

// refused are the bad files: what is wrong, the file, the line that is named,
// and words that the fault must hold (in what it says or in its hint).
var refused = []struct {
	name, file string
	line       int
	holds      string
}{
	{"empty", "", 0, "empty"},
	{"blank lines only", "\r\n \n\t\n", 0, "empty"},
	{"byte order mark only", "\ufeff", 0, "empty"},
	{"a spreadsheet", "PK\x03\x04rest", 0, "spreadsheet"},
	{"an old spreadsheet", "\xd0\xcf\x11\xe0\xa1\xb1", 0, "spreadsheet"},
	{"a PDF", "%PDF-1.7", 0, "PDF is the report"},
	{"UTF-16", "\xff\xfeA\x00", 0, "UTF-16"},
	{"Latin-1 micro sign", strings.Replace(file(lead(nil)), "ug/l", "\xb5g/l", 1), 2, "Latin-1"},
	{"zero byte", head + "\nx\x00\n", 2, "zero byte"},
	{"one column", "CharacteristicName\nLead\n", 1, "one column"},
	{"header without rows", head + "\n", 1, "no rows"},
	{"open quote", head + "\n\"x,1\n", 2, "quotes"},
	{"a stray quote", head + "\nx\"y,1\n", 2, "quotes"},
	{"too few fields", head + "\na,b,c\n", 2, "3 fields"},
	{"a comma too many", strings.Replace(file(lead(nil)), `"3.2"`, "3,2", 1), 2, "22 fields"},
	{"a column twice", strings.Replace(file(lead(nil)), "MeasureQualifierCode", "CharacteristicName", 1), 1, "twice"},
	{"no value column", strings.Replace(file(lead(nil)), "ResultMeasureValue", "Remarks", 1), 1, `"ResultMeasureValue" is missing`},
	{"no unit column", strings.Replace(file(lead(nil)), "ResultMeasure/MeasureUnitCode", "Remarks", 1), 1, "MeasureUnitCode"},
	{"no sample column", strings.Replace(file(lead(nil)), "ActivityIdentifier", "Remarks", 1), 1, "ActivityIdentifier"},
	{"no analyte column", strings.Replace(file(lead(nil)), "CharacteristicName", "Remarks", 1), 1, "CharacteristicName"},
	{"condition column misspelt", strings.Replace(file(lead(nil)), "ResultDetectionConditionText", "ResultDetectionConditonText", 1), 1, `did you mean "ResultDetectionConditionText"`},
	{"foreign column names", "Analyte,Result\nLead,5\n", 1, "WQX column names"},
	{"no sample id", file(lead(cells{"sample": ""})), 2, "sample id is missing"},
	{"digits of a sample id swapped", file(lead(cells{"sample": "k7q2mzx4a5bcedfg"})), 2, "did you mean sample " + untreatedID},
	{"a letter of a sample id wrong", file(lead(cells{"sample": "p3r5t6u7vwxyz284"})), 2, "did you mean sample " + treatedID},
	{"no sample of ours", file(lead(cells{"sample": "QX-2231/7"})), 0, "none of the samples"},
	{"no analyte", file(lead(cells{"name": ""})), 2, "analyte is missing"},
	{"unknown analyte", file(lead(cells{"name": "Unobtainium"})), 2, "unknown analyte"},
	{"misspelt analyte", file(lead(cells{"name": "Nickle"})), 2, `did you mean "nickel"`},
	{"unknown unit", file(lead(cells{"unit": "ug/hogshead"})), 2, "unknown unit"},
	{"misspelt unit", file(lead(cells{"unit": "ug/LL"})), 2, "did you mean"},
	{"parts per billion", file(lead(cells{"unit": "ppb"})), 2, "may mean"},
	{"wrong dimension", file(lead(cells{"unit": "uS/cm"})), 2, "lead is measured as a concentration"},
	{"no unit", file(lead(cells{"unit": ""})), 2, "unit is missing"},
	{"value and condition together", file(lead(cells{"condition": "Not Detected"})), 2, "a value (3.2) and a condition"},
	{"value and Not Reported together", file(lead(cells{"condition": "Not Reported"})), 2, "a value (3.2) and a condition"},
	{"unknown condition", file(lead(cells{"value": "", "condition": "Below whatever"})), 2, "unknown detection condition"},
	{"misspelt condition", file(lead(cells{"value": "", "condition": "Not Detectd"})), 2, `did you mean "not detected"`},
	{"non-detect without a limit", file(lead(cells{"value": "", "condition": "Not Detected", "ltype": "", "limit": "", "lunit": ""})), 2, "without a limit"},
	{"ND without a limit", file(lead(cells{"value": "ND", "ltype": "", "limit": "", "lunit": ""})), 2, "without a limit"},
	{"BDL without a limit", file(lead(cells{"value": "BDL", "ltype": "", "limit": "", "lunit": ""})), 2, "without a limit"},
	{"above range without a limit", file(lead(cells{"value": "", "condition": "Present Above Quantification Limit"})), 2, "without an upper limit"},
	{"neither value nor condition", file(lead(cells{"value": ""})), 2, "neither a value nor"},
	{"zero", file(lead(cells{"value": "0"})), 2, "no method sees zero"},
	{"zero with decimals", file(lead(cells{"value": "0.000"})), 2, "no method sees zero"},
	{"zero for U", file(lead(cells{"value": "0", "flag": "U", "ltype": "", "limit": "", "lunit": ""})), 2, "no limit of a non-detect"},
	{"below zero", file(lead(cells{"value": "-0.3"})), 2, "below zero"},
	{"below zero limit", file(lead(cells{"value": "<0"})), 2, "above zero"},
	{"decimal comma", file(lead(cells{"value": "3,2"})), 2, "decimal comma, or one between thousands"},
	{"comma between thousands", file(lead(cells{"value": "1,200"})), 2, "between thousands"},
	{"a date from a spreadsheet", file(lead(cells{"value": "3-Apr"})), 2, "into a date"},
	{"a range", file(lead(cells{"value": "3 to 4"})), 2, "ranges"},
	{"about", file(lead(cells{"value": "~3"})), 2, "not a value"},
	{"at most", file(lead(cells{"value": "<=3"})), 2, "< or > alone"},
	{"at most as one sign", file(lead(cells{"value": "≤3"})), 2, "< or > alone"},
	{"with uncertainty", file(lead(cells{"value": "3.2 +/- 0.4"})), 2, "column of its own"},
	{"text", file(lead(cells{"value": "see comment"})), 2, "not a number"},
	{"a point at the end", file(lead(cells{"value": "3."})), 2, "both sides"},
	{"two points", file(lead(cells{"value": "3.2.1"})), 2, "not a number"},
	{"another unit in the value", file(lead(cells{"value": "3.2 mg/L"})), 2, "the unit column"},
	{"U with a value that is not the limit", file(lead(cells{"flag": "U"})), 2, "not its limit"},
	{"nitrate of no kind", file(lead(cells{"name": "Nitrate", "unit": "mg/l", "lunit": "mg/l"})), 2, "differ by a factor"},
	{"nitrate of two kinds", file(lead(cells{"name": "Nitrate", "unit": "mg/l as N", "as": "as NO3", "lunit": "mg/l"})), 2, `"as NO3" and "as N"`},
	{"nitrate as nitrite", file(lead(cells{"name": "Nitrate", "unit": "mg/l as NO2", "lunit": "mg/l"})), 2, "not expressed"},
	{"nitrate's limit of another kind", file(lead(cells{"name": "Nitrate", "unit": "mg/l as N", "lunit": "mg/l asNO3"})), 2, `"as N" and "as NO3"`},
	{"limit without a type", file(lead(cells{"ltype": ""})), 2, "no type"},
	{"limit of an unknown type", file(lead(cells{"ltype": "Some limit"})), 2, "unknown type of limit"},
	{"limit of a misspelt type", file(lead(cells{"ltype": "Method Detektion Level"})), 2, `did you mean "method detection level"`},
	{"limit of zero", file(lead(cells{"limit": "0"})), 2, "above zero"},
	{"limit that is no number", file(lead(cells{"limit": "low"})), 2, "the limit"},
	{"limit of another dimension", file(lead(cells{"lunit": "uS/cm"})), 2, "the limit 0.5 uS/cm"},
	{"limit in an unknown unit", file(lead(cells{"lunit": "ug/hogshead"})), 2, "the limit's unit"},
	{"an analyte twice", file(lead(nil), lead(cells{"value": "4.0"})), 3, "line 2 has 3.2 ug/L, line 3 has 4.0 ug/L"},
	{"an analyte twice by two methods", file(lead(nil), lead(cells{"value": "4.0", "method": "200.9"})), 3, "by two methods"},
	{"nitrate twice, not the same", file(lead(cells{"name": "Nitrate", "value": "10", "unit": "mg/l as N", "lunit": "mg/l as N"}), lead(cells{"name": "Nitrate", "value": "10", "unit": "mg/l as NO3", "lunit": "mg/l as NO3"})), 3, "do not agree"},
	{"fraction against name", file(lead(cells{"name": "Lead, dissolved", "fraction": "Total"})), 2, "the name says dissolved"},
	{"unknown status", file(lead(cells{"status": "Done"})), 2, "unknown result status"},
	{"an American date", file(lead(cells{"date": "03/04/2026"})), 2, "two ways"},
	{"a day that is none", file(lead(cells{"date": "2026-02-30"})), 2, "no date"},
	{"a time that is none", file(lead(cells{"date": "2026-03-04", "time": "quarter past", "zone": "UTC"})), 2, "no time of day"},
	{"a dilution of zero", file(lead(cells{"dilution": "0"})), 2, "dilution"},
	{"a dilution of words", file(lead(cells{"dilution": "1:10"})), 2, "not a number"},
	{"an uncertainty of words", file(lead(cells{"u": "small"})), 2, "not a number"},
	{"two reports", file(lead(cells{"report": "R-1"}), lead(cells{"name": "Nickel", "report": "R-2"})), 3, "two reports"},
	{"a report of no status", file(lead(cells{"rstatus": "done"})), 0, "no status of a report"},
	{"final, of preliminary results", file(lead(cells{"rstatus": "final", "status": "Preliminary"})), 0, "are preliminary"},
}

func TestRefused(t *testing.T) {
	if len(refused) < 60 {
		t.Errorf("%d bad files", len(refused))
	}
	for _, c := range refused {
		s, faults := Parse("report.csv", []byte(c.file), handed())
		if s != nil || len(faults) == 0 {
			t.Errorf("%s: taken", c.name)
			continue
		}
		hit := false
		for _, f := range faults {
			hit = hit || f.Line == c.line && strings.Contains(f.Says+" "+f.Hint, c.holds)
			if f.File != "report.csv" || f.Says == "" {
				t.Errorf("%s: a fault without file or words: %+v", c.name, f)
			}
		}
		if !hit || len(faults) > 2 {
			t.Errorf("%s: want %q on line %d, got %v", c.name, c.holds, c.line, faults)
		}
	}
	// The row that all of them change is sound.
	if _, faults := Parse("report.csv", []byte(file(lead(nil))), handed()); faults != nil {
		t.Errorf("the sound row: %v", faults)
	}
}

// A third result of one analyte is one more fault, not the same one again.
func TestThrice(t *testing.T) {
	_, faults := Parse("report.csv", []byte(file(lead(nil), lead(cells{"value": "4.0"}), lead(cells{"value": "5.0"}))), handed())
	if len(faults) != 2 || faults[0].Line != 3 || faults[1].Line != 4 {
		t.Errorf("%v", faults)
	}
}

// All faults of a file are listed, sorted by line, with the column's name.
func TestAllFaultsListed(t *testing.T) {
	text := file(lead(cells{"unit": "ppb"}), lead(cells{"name": "Nickel", "value": "0"}), lead(cells{"name": "Nickle"}))
	_, faults := Parse("report.csv", []byte(text), handed())
	if len(faults) != 3 || faults[0].Line != 2 || faults[1].Line != 3 || faults[2].Line != 4 || faults[0].Column != "ResultMeasure/MeasureUnitCode" {
		t.Errorf("%v", faults)
	}
	if got := faults[1].String(); !strings.HasPrefix(got, "report.csv:3: ResultMeasureValue: ") || !strings.Contains(got, "(a non-detect is written") {
		t.Errorf("in one line: %s", got)
	}
}

func TestLimitsTableRefused(t *testing.T) {
	opt := handed()
	results := "ActivityIdentifier,ResultIdentifier,CharacteristicName,ResultDetectionConditionText,ResultMeasureValue,ResultMeasure/MeasureUnitCode\n" + untreatedID + ",r1,Lead,Not Detected,,\n"
	limitsHead := "ResultIdentifier,DetectionQuantitationLimitTypeName,DetectionQuantitationLimitMeasure/MeasureValue,DetectionQuantitationLimitMeasure/MeasureUnitCode\n"
	for holds, limits := range map[string]string{
		"is missing":         "ResultIdentifier,Value\nr1,0.5\n",
		"empty":              " ",
		"two limits of one":  limitsHead + "r1,Reporting limit,0.5,ug/l\nr1,Laboratory Reporting Level,0.7,ug/l\n",
		"without a limit":    limitsHead + "r2,Reporting limit,0.5,ug/l\n",
		"the limit 0.5":      limitsHead + "r1,Reporting limit,0.5,uS/cm\n",
		"between thousands":  limitsHead + "r1,Reporting limit,\"0,5\",ug/l\n",
		"unknown type":       limitsHead + "r1,Anything,0.5,ug/l\n",
		"does not lie above": limitsHead + "r1,Reporting limit,0,ug/l\n",
	} {
		opt.Limits, opt.LimitsName = []byte(limits), "limits.csv"
		_, faults := Parse("report.csv", []byte(results), opt)
		if len(faults) != 1 || !strings.Contains(faults[0].Says+faults[0].Hint, holds) {
			t.Errorf("want %q: %v", holds, faults)
		}
	}
	for given, want := range map[string]string{"lims.csv": "lims.csv", "": "limits"} {
		opt.Limits, opt.LimitsName = []byte(" "), given
		if _, faults := Parse("report.csv", []byte(results), opt); len(faults) != 1 || faults[0].File != want {
			t.Errorf("a limits table called %q: %v", given, faults)
		}
	}
	opt.Limits = []byte(limitsHead + "r1,Reporting limit,0.5,ug/l\nr1,Method Detection Level,0.1,ug/l\n")
	s, faults := Parse("report.csv", []byte(results), opt)
	if faults != nil || s.Results[0].Result != "<0.5 ug/L" || s.Results[0].Detection != "0.1 ug/L" {
		t.Errorf("%+v, %v", s, faults)
	}
	_, faults = Parse("report.csv", []byte(strings.Replace(results, "ResultIdentifier", "Other", 1)), opt)
	if len(faults) != 1 || !strings.Contains(faults[0].Says, "joined") {
		t.Errorf("no identifier to join on: %v", faults)
	}
}

// What the caller knows about the report must agree with the file.
func TestHeaderRefused(t *testing.T) {
	opt := handed()
	opt.Header = Header{Number: "R-1", Issued: "2026-03-20"}
	_, faults := Parse("report.csv", []byte(file(lead(cells{"report": "R-2"}))), opt)
	if len(faults) != 1 || !strings.Contains(faults[0].Says, `"R-2", and you gave "R-1"`) {
		t.Errorf("two numbers: %v", faults)
	}
	opt.Header = Header{Issued: "20.3.2026"}
	if _, faults = Parse("report.csv", []byte(file(lead(nil))), opt); len(faults) != 1 || !strings.Contains(faults[0].Says, "no date of issue") {
		t.Errorf("a date: %v", faults)
	}
}
