package water

import (
	"math/big"
	"strings"
	"testing"

	"tapledger/rules/estimate/det"
	"tapledger/rules/quantity"
)

// published turns testdata/references/guidelines.csv into rows, analytes lower case.
func published(t *testing.T) []Published {
	t.Helper()
	var out []Published
	for _, r := range table(t, "references/guidelines.csv") {
		out = append(out, Published{Analyte: strings.ToLower(r["analyte"]), Jurisdiction: r["jurisdiction"], Type: r["kind"],
			Value: r["value"] + " " + r["unit"], Speciation: r["speciation"], Basis: r["basis"], Document: r["document"], Year: r["year"], Status: r["status"]})
	}
	return out
}

// The lowest values below were picked by hand from the table by the rules that
// stand beside it: no goal, no action level, no aesthetic value, nothing from
// memory, nothing without a year, nitrogen converted first.
func TestLowestValue(t *testing.T) {
	rows := published(t)
	for _, c := range []struct {
		analyte, as, value, by string
		ties, goals            int
	}{
		{"arsenic", "", "0.01 mg/L", "US-EPA", 2, 0},
		{"lead", "", "0.005 mg/L", "Health Canada", 0, 1},
		{"nitrate", "as NO3", "44.2680 mg/L", "US-EPA", 0, 0},
		{"nitrate", "as N", "10 mg/L", "US-EPA", 0, 0},
		{"nitrite", "as NO2", "0.50 mg/L", "EU", 0, 0},
		{"nitrite", "as N", "0.1522 mg/L", "EU", 0, 0},
		{"boron", "", "1.5 mg/L", "EU", 0, 0},
		{"nickel", "", "0.02 mg/L", "EU", 0, 0},
		{"copper", "", "2.0 mg/L", "EU", 0, 1},
		{"uranium", "", "0.030 mg/L", "US-EPA", 0, 1},
		{"antimony", "", "0.006 mg/L", "US-EPA", 0, 0},
		{"manganese", "", "", "", 0, 0},
		{"chloride", "", "", "", 0, 0},
	} {
		l := LowestValue(rows, c.analyte, c.as, quantity.MassConc)
		if l.Found != (c.value != "") || l.Row.Jurisdiction != c.by || len(l.Ties) != c.ties || len(l.Goals) != c.goals {
			t.Errorf("%s %s: %+v, %d ties, %d goals; want %s by %s", c.analyte, c.as, l.Row, len(l.Ties), len(l.Goals), c.value, c.by)
			continue
		}
		if l.Found {
			near(t, c.analyte, float(l.Value.Base), float(q(t, c.value).Base), 1e-4)
		}
	}
	why := map[string]bool{}
	for _, a := range []string{"lead", "chloride", "boron", "nitrate", "uranium", "manganese"} {
		for _, left := range LowestValue(rows, a, "", quantity.MassConc).Left {
			why[left.Why] = true
		}
	}
	for _, w := range []string{OtherBasis, OtherType, FromMemory, NoYear, OtherUnits} {
		if !why[w] {
			t.Errorf("no row was left out for %s", w)
		}
	}
}

func TestLowestValueLeavesOut(t *testing.T) {
	row := Published{Analyte: "x", Type: "MCL", Value: "5 mg/L", Basis: "health", Document: "D", Year: "2020", Status: "VERIFIED"}
	for name, change := range map[string]func(*Published){
		FromMemory:   func(p *Published) { p.Status = "MEMORY" },
		InConflict:   func(p *Published) { p.Status = "CONFLICT" },
		OtherBasis:   func(p *Published) { p.Basis = "aesthetic" },
		OtherType:    func(p *Published) { p.Type = "action level" },
		NoYear:       func(p *Published) { p.Year = "" },
		NotRead:      func(p *Published) { p.Value = "0.05 to 0.2 mg/L" },
		OtherUnits:   func(p *Published) { p.Value = "5 pCi/L" },
		OtherAnalyte: func(p *Published) { p.Analyte = "y" },
	} {
		p := row
		change(&p)
		l := LowestValue([]Published{p}, "x", "", quantity.MassConc)
		if l.Found || name != OtherAnalyte && (len(l.Left) != 1 || l.Left[0].Why != name) {
			t.Errorf("%s: %+v", name, l)
		}
	}
	if l := LowestValue([]Published{row}, "x", "", quantity.MassConc); !l.Found {
		t.Errorf("a good row was left out: %+v", l)
	}
	zero := row
	zero.Value = "0 mg/L"
	if l := LowestValue([]Published{zero}, "x", "", quantity.MassConc); l.Found {
		t.Error("a value of zero may decide")
	}
}

// Rows DEC-1, DEC-2, DEC-4 (ILAC-G8:09/2019, 4.2.2).
func TestGuardBand(t *testing.T) {
	cited(t, "DEC-1", "PFA up to 50 %")
	cited(t, "DEC-2", "PFA < 2.5 %", "2.275 %")
	cited(t, "DEC-4", "y 9.0, u 0.5, upper limit 10", "0.97725")
	near(t, "chance at the acceptance limit", det.NormCDF(-2), 0.02275, 1e-5)
	near(t, "chance of 9.0 +/- 0.5 below 10", det.NormCDF((10-9.0)/0.5), 0.97725, 1e-5)
	limit := q(t, "10 ug/L")
	for _, c := range []struct{ result, expanded, state, why string }{
		{"9.0 ug/L", "1.0 ug/L", BelowValue, ""}, // exactly at the acceptance limit
		{"9.0 ug/L", "1.0000001 ug/L", Undecided, Straddles},
		{"10 ug/L", "0.1 ug/L", Undecided, Straddles}, // DEC-1: at the limit up to half would be wrong
		{"11 ug/L", "1.0 ug/L", Undecided, Straddles}, // above needs more than the limit
		{"11.1 ug/L", "1.0 ug/L", AboveValue, ""},
		{"0.010 mg/L", "0 ug/L", BelowValue, ""},
		{"<8 ug/L", "2 ug/L", BelowValue, ""},
		{"<8 ug/L", "2.1 ug/L", BelowValue, ""}, // a bound at its limit, without a further U (RED-4)
		{"<10 ug/L", "1 ug/L", BelowValue, ""},
		{"<20 ug/L", "1 ug/L", Undecided, LimitAboveValue},
		{"<200 ug/L", "1 ug/L", Undecided, LimitAboveValue}, // a non-detect is never above
		{">12 ug/L", "1 ug/L", AboveValue, ""},
		{">8 ug/L", "1 ug/L", Undecided, RangeBelowValue},
	} {
		m := meas(t, c.result, "")
		u := q(t, c.expanded)
		m.Stated = &u
		got, err := HealthValue(m, limit, "", DefaultAssumed())
		if err != nil || got.State != c.state || got.Why != c.why {
			t.Errorf("%s, U %s: %s %s, %v; want %s %s", c.result, c.expanded, got.State, got.Why, err, c.state, c.why)
		}
		if !got.Margin.Valid() || got.Margin.Lo.Sign() < 0 {
			t.Errorf("%s: margin %s", c.result, got.Margin)
		}
	}
	// The margin is a share of the value: 3.4 +/- 0.8 of 10 is 26 to 42 %.
	m, u := meas(t, "3.4 ug/L", ""), q(t, "0.8 ug/L")
	m.Stated = &u
	got, _ := HealthValue(m, limit, "", DefaultAssumed())
	if got.Margin.String() != "[26, 42] %" || got.Point.Cmp(big.NewRat(34, 100)) != 0 {
		t.Errorf("margin %s, point %s", got.Margin, got.Point)
	}
	m = meas(t, "<1 ug/L", "")
	m.Stated = &u
	if got, _ = HealthValue(m, limit, "", DefaultAssumed()); got.Margin.String() != "[0, 10] %" || got.Point != nil {
		t.Errorf("margin of a non-detect %s", got.Margin)
	}
}

func TestHealthValueRefuses(t *testing.T) {
	a := DefaultAssumed()
	for _, c := range []struct{ result, value, as, holds string }{
		{"3 mg/L as N", "50 mg/L", "as NO3", "expressed"},
		{"3 mg/L", "50 uS/cm", "", "must be"},
		{"3 mg/L", "0 mg/L", "", "above zero"},
	} {
		_, err := HealthValue(meas(t, c.result, ""), q(t, c.value), c.as, a)
		wantError(t, c.result+" against "+c.value, err, c.holds)
	}
}

// The reference README: 30 ug/L of natural uranium are 20.1 pCi/L.
func TestUraniumMass(t *testing.T) {
	m, err := UraniumMass(q(t, "20.1 pCi/L"))
	if err != nil || m.Base.Cmp(dec("0.030")) != 0 {
		t.Errorf("20.1 pCi/L: %s, %v", m, err)
	}
	_, err = UraniumMass(q(t, "20.1 ug/L"))
	wantError(t, "a mass", err, "activity")
	row := Published{Analyte: "uranium", Type: "MAC", Value: "20.1 pCi/L", Basis: "health", Document: "D", Year: "2020", Status: "VERIFIED"}
	if l := LowestValue([]Published{row}, "uranium", "", quantity.MassConc); !l.Found || l.Value.Base.Cmp(dec("0.030")) != 0 {
		t.Errorf("a value in pCi/L: %+v", l)
	}
}

func TestGoal(t *testing.T) {
	for _, c := range []struct{ result, limit, goal, want string }{
		{"0.3 ug/L", "0.5 ug/L", "0 mg/L", GoalOfZero}, {"0.3 ug/L", "0.5 ug/L", "0.2 ug/L", NoMethodBelow},
		{"0.8 ug/L", "0.1 ug/L", "0.2 ug/L", GoalCompared}, {"<0.2 ug/L", "", "0.2 ug/L", NoMethodBelow},
		{"0.8 ug/L", "0.1 ug/L", "5 uS/cm", GoalOfZero},
	} {
		if got := Goal(meas(t, c.result, c.limit), q(t, c.goal)); got != c.want {
			t.Errorf("%s (limit %s) and a goal of %s: %s, want %s", c.result, c.limit, c.goal, got, c.want)
		}
	}
}

// Rows NIT-1, ALK-2 and HARD-3, and the figures of the reference README:
// nitrate 10 as N = 44.27 as NO3, nitrite 1 as N = 3.285 as NO2.
func TestConvert(t *testing.T) {
	cited(t, "NIT-1", "10 mg/L NO3-N", "44.268 mg/L")
	cited(t, "ALK-2", "30 mg/L as HCO3", "24.6 mg/L")
	for _, c := range []struct {
		analyte, value, from, to string
		want, within             float64
	}{
		{"nitrate", "10 mg/L", "as N", "as NO3", 44.268, 0.001},
		{"nitrate", "44.268 mg/L", "as NO3", "as N", 10, 0.001},
		{"nitrate", "10000 ug/L", "as N", "as NO3", 44.268, 0.001},
		{"nitrite", "1 mg/L", "as N", "as NO2", 3.285, 0.001},
		{"alkalinity", "30 mg/L", "as HCO3", "as CaCO3", 24.6, 0.05},
		{"alkalinity", "30 mg/L", "as HCO3", "", 24.6, 0.05},
		{"bicarbonate", "30 mg/L", "", "as CaCO3", 24.6, 0.05},
		{"calcium", "50 mg/L", "", "as CaCO3", 124.865, 0.01},
		{"sulfate", "96 mg/L", "", "as S", 32.04, 0.01},
		{"lead", "5 ug/L", "", "", 0.005, 0},
	} {
		got, err := Convert(c.analyte, q(t, c.value), c.from, c.to)
		if err != nil {
			t.Errorf("%s %s: %v", c.analyte, c.value, err)
			continue
		}
		near(t, c.analyte+" "+c.value+" "+c.from+" "+c.to, float(got.Base), c.want, c.within)
	}
	for _, c := range []struct{ analyte, value, from, to, holds string }{
		{"nitrate", "10 mg/L", "", "as NO3", "nothing says what"},
		{"nitrate", "10 mg/L", "as NO2", "as NO3", "not expressed"},
		{"lead", "10 mg/L", "as N", "", "not expressed in several ways"},
		{"nitrate", "10 pCi/L", "as N", "as NO3", "only a concentration"},
	} {
		_, err := Convert(c.analyte, q(t, c.value), c.from, c.to)
		wantError(t, c.analyte+" "+c.from+" "+c.to, err, c.holds)
	}
	r, err := ConvertResult("nitrate", res(t, "<0.05 mg/L as N"), "as NO3")
	if err != nil || r.Qualifier != quantity.Below || r.Speciation != "as NO3" {
		t.Errorf("a non-detect becomes %+v, %v", r, err)
	}
	near(t, "its limit", float(r.Quantity.Base), 0.22134, 1e-5)
	m := meas(t, "10 mg/L as N", "1 mg/L")
	if m, err = ConvertMeasured("nitrate", m, "as NO3"); err != nil {
		t.Fatal(err)
	}
	near(t, "its reporting limit", float(m.Reporting.Base), 4.4268, 1e-4)
	if ways, own := Species("calcium"); len(ways) != 2 || own != "as Ca" {
		t.Errorf("calcium is expressed %v, by itself %q", ways, own)
	}
	if ways, own := Species("nitrate"); len(ways) != 2 || own != "" {
		t.Errorf("nitrate is expressed %v, by itself %q", ways, own)
	}
	if ways, _ := Species("lead"); ways != nil {
		t.Errorf("lead is expressed %v", ways)
	}
}
