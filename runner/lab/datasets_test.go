package lab

import (
	"bytes"
	"encoding/csv"
	"os"
	"strings"
	"testing"

	"tapledger/protocol"
	"tapledger/rules/quantity"
)

func dataset(t *testing.T, name string) []byte {
	t.Helper()
	b, err := os.ReadFile("../../testdata/datasets/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

var analytes = []protocol.AnalyteDef{
	{ID: "conductivity", Name: "Specific conductance", In: "uS/cm", Role: "indicator"},
	{ID: "nitrate", Name: "Nitrate", CAS: "14797-55-8", In: "mg/L", Speciation: "as N", Role: "ion", Also: []string{"Nitrate-nitrogen"}},
	{ID: "ammonia", Name: "Ammonia", In: "mg/L", Role: "contaminant"},
	{ID: "lead", Name: "Lead", CAS: "7439-92-1", In: "ug/L", Role: "contaminant", Also: []string{"Pb"}},
	{ID: "nickel", Name: "Nickel", In: "ug/L", Role: "contaminant"},
	{ID: "calcium", Name: "Calcium", In: "mg/L", Role: "mineral"},
	{ID: "magnesium", Name: "Magnesium", In: "mg/L", Role: "mineral"},
	{ID: "sodium", Name: "Sodium", In: "mg/L", Role: "ion"},
	{ID: "potassium", Name: "Potassium", In: "mg/L", Role: "ion"},
	{ID: "chloride", Name: "Chloride", In: "mg/L", Role: "ion"},
	{ID: "sulfate", Name: "Sulfate", In: "mg/L", Role: "ion"},
	{ID: "fluoride", Name: "Fluoride", In: "mg/L", Role: "ion"},
	{ID: "alkalinity", Name: "Alkalinity", In: "mg/L", Speciation: "as CaCO3", Role: "mineral"},
	{ID: "hardness", Name: "Hardness", In: "mg/L", Speciation: "as CaCO3", Role: "mineral"},
	{ID: "ph", Name: "pH", In: "pH", Role: "indicator"},
	{ID: "coliforms", Name: "Total Coliform", In: "CFU/100mL", Role: "indicator"},
}

// Five rows each of specific conductance in uS/cm, legacy and 3.0 layout
// (dataretrieval-python, see testdata/datasets/README.md).
func TestUSGSLayouts(t *testing.T) {
	want := map[string]string{"WIDNR_WQX-45822640": "1000 uS/cm", "WIDNR_WQX-49176537": "471 uS/cm", "WIDNR_WQX-47619240": "860 uS/cm",
		"WIDNR_WQX-50689894": "750 uS/cm", "WIDNR_WQX-46495059": "800 uS/cm"}
	for file, layout := range map[string]string{"usgs_py_wqp_results.csv": "WQX legacy", "usgs_py_wqp3_results.csv": "WQX 3.0"} {
		s, faults := Parse(file, dataset(t, file), Options{Analytes: analytes})
		if faults != nil {
			t.Fatalf("%s: %v", file, faults)
		}
		if s.Layout != layout || s.Delimiter != "comma" || len(s.Results) != 5 || len(s.Lines) != 5 || s.Header.Status != "final" {
			t.Errorf("%s: layout %s, %d results, %d lines, status %s", file, s.Layout, len(s.Results), len(s.Lines), s.Header.Status)
		}
		for _, r := range s.Results {
			if r.Analyte != "conductivity" || r.Result != want[r.Sample] {
				t.Errorf("%s: sample %s has %s of %s, want %s", file, r.Sample, r.Result, r.Analyte, want[r.Sample])
			}
		}
		ignored := " " + strings.Join(s.Ignored, " ") + " "
		if !strings.Contains(ignored, "ProviderName") || strings.Contains(ignored, "haracteristic ") || strings.Contains(ignored, " CharacteristicName ") {
			t.Errorf("%s: columns not read: %s", file, ignored)
		}
		if strings.Join(s.Asks, " ") != "laboratory number revision issued" {
			t.Errorf("%s asks for %v", file, s.Asks)
		}
	}
}

// The separate limits table of the same origin: five chlorides of 0.8 and 1.0
// mg/l, joined on ResultIdentifier.
func TestUSGSLimitsTable(t *testing.T) {
	table := "ActivityIdentifier,ResultIdentifier,CharacteristicName,ResultDetectionConditionText,ResultMeasureValue,ResultMeasure/MeasureUnitCode\n" +
		"s1,NWIS-3251128,Chloride,Not Detected,,\ns2,NWIS-3555963,Chloride,,12.5,mg/l\n"
	s, faults := Parse("results.csv", []byte(table), Options{Analytes: analytes, Limits: dataset(t, "usgs_py_wqp_detection_limits.csv"), LimitsName: "limits.csv"})
	if faults != nil {
		t.Fatal(faults)
	}
	if r := s.Results[0]; r.Result != "<0.8 mg/L" || r.Reporting != "0.8 mg/L" {
		t.Errorf("%+v", r)
	}
	if r := s.Results[1]; r.Result != "12.5 mg/L" || r.Reporting != "1.0 mg/L" {
		t.Errorf("%+v", r)
	}
	if len(s.Notes) != 1 || !strings.Contains(s.Notes[0], "3 limits") {
		t.Errorf("notes %v", s.Notes)
	}
}

// utah is the file with the rows taken out that the test names by line.
func utah(t *testing.T, without map[int]bool) []byte {
	t.Helper()
	rows, err := csv.NewReader(bytes.NewReader(dataset(t, "epatada_utah_nitrogen.csv"))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	for i, row := range rows {
		if !without[i+1] {
			if err := w.Write(row); err != nil {
				t.Fatal(err)
			}
		}
	}
	w.Flush()
	return out.Bytes()
}

// 288 rows of nitrogen in Utah: 178 Not Detected (all with a limit), 12 Below
// Reporting Limit, 17 Not Reported, 1 Present Below Quantification Limit, 80
// without a condition. Four rows hold a value and a condition together (three
// Below Reporting Limit, the one Present Below Quantification Limit): the file
// as it is is refused, and those four are named.
func TestUtah(t *testing.T) {
	_, faults := Parse("utah.csv", utah(t, nil), Options{Analytes: analytes})
	both := map[int]bool{}
	for _, f := range faults {
		if !strings.Contains(f.Says, "the row has a value") || !strings.Contains(f.Says, "and a condition") {
			t.Errorf("unexpected: %s", f)
		}
		both[f.Line] = true
	}
	if len(both) != 4 {
		t.Fatalf("%d rows with a value and a condition, want 4: %v", len(both), faults)
	}
	s, faults := Parse("utah.csv", utah(t, both), Options{Analytes: analytes})
	if faults != nil {
		t.Fatalf("without those rows: %d faults, %v", len(faults), faults[:min(8, len(faults))])
	}
	counts := map[string]int{}
	for _, l := range s.Lines {
		switch {
		case strings.Contains(l.Written, "Not Detected"):
			counts["not detected"]++
		case strings.Contains(l.Written, "Below Reporting Limit"):
			counts["below reporting limit"]++
		case strings.Contains(l.Written, "Not Reported"):
			counts["not reported"]++
		default:
			counts["plain"]++
		}
	}
	if len(s.Lines) != 284 || counts["not detected"] != 178 || counts["below reporting limit"] != 9 || counts["not reported"] != 17 || counts["plain"] != 80 {
		t.Errorf("%d lines, %v", len(s.Lines), counts)
	}
	kinds := map[string]int{}
	for _, l := range s.Lines {
		kinds[l.Kind]++
	}
	// Each of the federal samples gives nitrate as N and again as NO3; the rows
	// of quality control, a not reported pair among them, stand apart.
	if kinds[RowQC] != 12 || kinds[RowResult] != 133 || kinds[RowSaidTwice] != 124 || kinds[RowNotReported] != 15 {
		t.Errorf("rows taken for %v", kinds)
	}
	for _, r := range s.Results {
		if !strings.HasSuffix(r.Result, " as N") {
			t.Errorf("line %d: %s", r.Line, r.Result)
		}
		if _, err := quantity.ParseResult(r.Result); err != nil {
			t.Errorf("line %d: %v", r.Line, err)
		}
	}
}
