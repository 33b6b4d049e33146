package ready

import (
	"encoding/csv"
	"io"
	"strings"
	"testing"

	"tapledger/protocol"
	"tapledger/rules/quantity"
)

func readTable(r io.Reader) ([]map[string]string, error) {
	all, err := csv.NewReader(r).ReadAll()
	if err != nil || len(all) == 0 {
		return nil, err
	}
	var out []map[string]string
	for _, row := range all[1:] {
		m := map[string]string{}
		for i, name := range all[0] {
			m[name] = row[i]
		}
		out = append(out, m)
	}
	return out, nil
}

func theValues(t *testing.T) *protocol.Values {
	t.Helper()
	d, ok := read(t).Get(protocol.KindValues, "drinking-water", "1.0.0")
	if !ok {
		t.Fatal("drinking-water 1.0.0 is not there")
	}
	return d.Value.(*protocol.Values)
}

// Types of the reference table and what they are called in documents.
var types = map[string]string{"MCL": "MCL", "MCLG": "MCLG", "GV": "GV", "parametric value": "parametric", "MAC": "MAC", "PHG": "PHG",
	"action level": "action_level", "SMCL": "SMCL", "AO": "AO", "indicator value": "indicator"}

// TestValuesAreTheReferences compares every row with the reference table, both
// ways, by analyte, jurisdiction, type, value and unit, expression and status:
// nothing was mistyped, nothing of a shipped type was left out. See
// testdata/references/guidelines_ready.md for the sources.
func TestValuesAreTheReferences(t *testing.T) {
	v := theValues(t)
	byCAS := map[string]string{"Total dissolved solids": "total_dissolved_solids", "Conductivity": "conductivity", "pH": "ph"}
	for _, a := range v.Analytes {
		if a.CAS != "" {
			byCAS[a.CAS] = a.ID
		}
	}
	key := func(parts ...string) string { return strings.Join(parts, " | ") }
	want := map[string]int{}
	for _, r := range table(t, "guidelines_ready.csv") {
		id := byCAS[r["cas"]]
		if r["cas"] == "" {
			id = byCAS[r["analyte"]]
		}
		kind, shipped := types[r["kind"]]
		if id == "" || !shipped || r["value"] == "" || strings.Contains(r["value"], " to ") || r["unit"] == "pCi/L" ||
			r["basis"] == "operational" || r["jurisdiction"] == "California" && kind != "PHG" {
			continue
		}
		want[key(id, strings.ReplaceAll(r["jurisdiction"], "US-EPA", "US EPA"), kind, r["value"]+" "+r["unit"], r["speciation"], r["document"], r["status"])]++
	}
	if len(want) < 100 {
		t.Fatalf("only %d rows to compare with", len(want))
	}
	for _, row := range v.Values {
		if row.Type == "recommended" {
			continue
		}
		k := key(row.Analyte, row.Jurisdiction, row.Type, row.Value, row.Speciation, row.Document, row.Status)
		if want[k] == 0 {
			t.Errorf("no such row in the table: %s", k)
		}
		want[k]--
	}
	for k, n := range want {
		if n > 0 {
			t.Errorf("left out: %s", k)
		}
	}
}

// TestWhatDecides holds which published value is the lowest that may decide,
// for a few analytes, worked out by hand from the reference table: values from
// memory, goals, and values on other grounds are passed over.
func TestWhatDecides(t *testing.T) {
	v := theValues(t)
	for analyte, want := range map[string]string{
		"lead":     "0.005 mg/L", // Health Canada; the WHO value is no health-based one, the EU row is from memory
		"nickel":   "20 ug/L",    // EU; the WHO value is from memory
		"antimony": "0.006 mg/L", // US EPA
		"cadmium":  "0.003 mg/L", // WHO
		"copper":   "2.0 mg/L",   // EU; the US figure is an action level
		"uranium":  "0.030 mg/L", // US EPA; the Canadian value is from memory
		"sodium":   "",           // no health-based value
		"chloride": "",           // no health-based value
		"mercury":  "0.001 mg/L", // Health Canada
	} {
		var lowest quantity.Quantity
		for _, row := range v.Values {
			if row.Analyte != analyte || !row.Decides() {
				continue
			}
			q, err := quantity.Parse(row.Value)
			if err != nil {
				t.Fatal(err)
			}
			if lowest.Text == "" || q.Cmp(lowest) < 0 {
				lowest = q
			}
		}
		same := lowest.Text == want
		if w, err := quantity.Parse(want); err == nil && lowest.Text != "" {
			same = w.Cmp(lowest) == 0
		}
		if !same {
			t.Errorf("%s: the lowest value that decides is %q, want %q", analyte, lowest.Text, want)
		}
	}
	for _, row := range v.Values {
		if row.Status == "MEMORY" && !strings.HasPrefix(row.Note, "from memory, unverified") {
			t.Errorf("%+v does not say that it is from memory", row)
		}
	}
}

// TestLaboratoryNames holds that the names of the WQX exchange standard and the
// common short ones find their analyte.
func TestLaboratoryNames(t *testing.T) {
	names := map[string]string{}
	for _, a := range theValues(t).Analytes {
		for _, n := range append([]string{a.Name}, a.Also...) {
			names[strings.ToLower(n)] = a.ID
		}
	}
	for name, want := range map[string]string{"Lead": "lead", "Pb": "lead", "Nitrate": "nitrate", "Specific conductance": "conductivity",
		"Alkalinity, total": "alkalinity", "Hardness, Ca, Mg": "hardness", "Sulfate": "sulfate", "Chromium": "chromium", "pH": "ph"} {
		if got := names[strings.ToLower(name)]; got != want {
			t.Errorf("%s is %q, want %q", name, got, want)
		}
	}
}
