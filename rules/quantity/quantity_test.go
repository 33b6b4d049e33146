package quantity

import (
	"encoding/csv"
	"math/big"
	"os"
	"strings"
	"testing"
)

func rat(t testing.TB, s string) *big.Rat {
	t.Helper()
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		t.Fatalf("not a number: %q", s)
	}
	return r
}

func mustParse(t testing.TB, s string) Quantity {
	t.Helper()
	q, err := Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return q
}

func mustUnit(t testing.TB, code string) Unit {
	t.Helper()
	u, err := LookupUnit(code)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func TestParse(t *testing.T) {
	for _, c := range []struct {
		text string
		dim  Dim
		base string
		unit string
	}{
		{"61 psi", Pressure, "542683037061781/1290320000000", "psi"},
		{"0.050 mg/L", MassConc, "0.05", "mg/L"},
		{"0.050 mg/l", MassConc, "0.05", "mg/L"},
		{"2.1 ug/L", MassConc, "0.0021", "ug/L"},
		{"2.1 \u00b5g/L", MassConc, "0.0021", "ug/L"},
		{"2.1 \u03bcg/L", MassConc, "0.0021", "ug/L"},
		{"5 %", Ratio, "0.05", "%"},
		{"5%", Ratio, "0.05", "%"},
		{"0.3 1", Ratio, "0.3", "1"},
		{"25 Cel", Temperature, "25", "Cel"},
		{"25°C", Temperature, "25", "Cel"},
		{"-40 degF", Temperature, "-40", "degF"},
		{"298.15 K", Temperature, "25", "K"},
		{"9 degF_diff", TemperatureDifference, "5", "degF_diff"},
		{"7.2 pH", PH, "7.2", "pH"},
		{"1e3 uS/cm", Conductivity, "1000", "uS/cm"},
		{"14.1 mS/m", Conductivity, "141", "mS/m"},
		{"30 min", Time, "1800", "min"},
		{"  30 min ", Time, "1800", "min"},
		{"30min", Time, "1800", "min"},
		{"1 a", Time, "31557600", "a"},
		{"3 MPN/100mL", CountConc, "3", "MPN/100mL"},
		{"3 CFU/100 mL", CountConc, "3", "CFU/100mL"},
		{"5 pCi/L", ActivityConc, "0.185", "pCi/L"},
		{"+1.0 NTU", Turbidity, "1", "NTU"},
		{"3.6 MJ", Energy, "1", "MJ"},
	} {
		q, err := Parse(c.text)
		if err != nil {
			t.Errorf("%s: %v", c.text, err)
			continue
		}
		if q.Dim != c.dim || q.Base.Cmp(rat(t, c.base)) != 0 || q.Unit.Code != c.unit {
			t.Errorf("%s: %v %s %s", c.text, q.Dim, q.Base, q.Unit.Code)
		}
		if want := strings.TrimSpace(c.text); q.Text != want || q.String() != want {
			t.Errorf("%q: text %q, String %q", c.text, q.Text, q)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, c := range []struct{ text, says string }{
		{"", "missing"},
		{"   ", "missing"},
		{"61", "unit is missing"},
		{"psi", "is no quantity"},
		{"61 mni", `did you mean "min"`},
		{"61 PSi", `did you mean "psi"`},
		{"5 mg/LL", `did you mean "mg/L"`},
		{"5 µS/m", "did you mean"},
		{"1,5 L", "write a point for decimals"},
		{"1_000 L", "nothing between thousands"},
		{".5 L", "both sides of the point"},
		{"5. L", "both sides of one point"},
		{"5.5.5 L", "both sides of one point"},
		{"NaN L", "is no quantity"},
		{"Inf L", "is no quantity"},
		{"0x10 L", "unknown unit"},
		{"1e100 L", "at most two digits"},
		{"1e+100 L", "at most two digits"},
		{"−5 Cel", "minus sign"},
		{"5 6 L", "one number and one unit"},
		{"<5 mg/L", "a single value is wanted"},
		{"pH 7.2", "number first"},
		{"3 mo", "no fixed length"},
		{"3 months", "no fixed length"},
		{"3 ppm", "write mg/L"},
		{"7 gpg", "as CaCO3"},
		{"8 oz", "fl_oz"},
		{"-300 Cel", "absolute zero"},
		{"-1 K", "absolute zero"},
		{strings.Repeat("1", 41) + " L", "too long"},
		{"1" + strings.Repeat(" ", 90) + "L", "too long"},
		{"5 " + strings.Repeat("x", 60), "unknown unit"},
		{"5 mg/L as N", "unknown unit"},
		{"30 min\n", "unknown unit"},
	} {
		if q, err := Parse(c.text); err == nil {
			t.Errorf("%q was read as %v", c.text, q)
		} else if !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q: %v (wanted %q)", c.text, err, c.says)
		}
	}
}

func TestUnitTable(t *testing.T) {
	for _, code := range UnitCodes() {
		u := mustUnit(t, code)
		if u.Code != code {
			t.Errorf("%s: found as %s", code, u.Code)
		}
		for _, x := range []string{"0", "1", "12.34", "-7"} {
			if back := u.FromBase(u.ToBase(rat(t, x))); back.Cmp(rat(t, x)) != 0 {
				t.Errorf("%s: %s came back as %s", code, x, back)
			}
		}
		if u.Factor().Sign() <= 0 {
			t.Errorf("%s: factor %s", code, u.Factor())
		}
		if _, bad := notTaken[code]; bad {
			t.Errorf("%s is taken and not taken", code)
		}
	}
	for d := Dim(1); d < dims; d++ {
		if base := BaseUnit(d); base.Dim != d || base.Factor().Cmp(one) != 0 || base.Offset().Sign() != 0 {
			t.Errorf("%s: base unit %q", d.Name(), base.Code)
		}
		if d.String() == "" || d.Name() == "" {
			t.Errorf("dimension %d has no name", d)
		}
		if back, ok := DimByName(d.Name()); !ok || back != d {
			t.Errorf("%s is not found by its name", d.Name())
		}
	}
	for name := range notTaken {
		if _, err := LookupUnit(name); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
	// psi from its definition: pound, standard gravity, inch.
	psi := new(big.Rat).Mul(rat(t, "0.45359237"), rat(t, "9.80665"))
	psi.Quo(psi, rat(t, "0.00064516")).Quo(psi, rat(t, "1000"))
	if mustUnit(t, "psi").Factor().Cmp(psi) != 0 {
		t.Error("psi is not a pound-force on a square inch")
	}
	// 231 cubic inches.
	if inch := mustUnit(t, "in").Factor(); true {
		gal := new(big.Rat).Mul(rat(t, "231000"), inch.Mul(inch, new(big.Rat).Mul(mustUnit(t, "in").Factor(), mustUnit(t, "in").Factor())))
		if mustUnit(t, "gal").Factor().Cmp(gal) != 0 {
			t.Error("a US gallon is not 231 cubic inches")
		}
	}
}

// TestReferenceRows checks each conversion row of testdata/references/units.csv.
func TestReferenceRows(t *testing.T) {
	f, err := os.Open("../../testdata/references/units.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	type conversion struct{ from, want, to, tolerance string }
	checks := map[string][]conversion{
		"UNIT-2": {{"1 gal", "3.785411784", "L", "0"}, {"8 fl_oz", "236.5882365", "mL", "0"}, {"1 gal_imp", "4.54609", "L", "0"}},
		"UNIT-3": {{"75 gal/d", "283.906", "L/d", "0.001"}, {"75 gal/d", "197.157", "mL/min", "0.001"}, {"75 gal/d", "11.82941", "L/h", "0.00001"}},
		"UNIT-4": {{"60 psi", "4.136854376", "bar", "0.000000001"}},
		"UNIT-5": {{"77 degF", "25", "Cel", "0"}},
		"RND-1":  {},
		"RND-2":  {},
		"UNIT-6": {},
	}
	seen := 0
	for _, row := range rows[1:] {
		cs, ok := checks[row[0]]
		if !ok {
			t.Errorf("row %s of %s is not checked", row[0], f.Name())
		}
		seen++
		for _, c := range cs {
			if !strings.Contains(row[3], c.want) {
				t.Errorf("%s: the row does not say %s", row[0], c.want)
			}
			got := mustParse(t, c.from).In(mustUnit(t, c.to))
			if d := new(big.Rat).Sub(got, rat(t, c.want)); d.Abs(d).Cmp(rat(t, c.tolerance)) > 0 {
				t.Errorf("%s: %s = %s %s, wanted %s (%s)", row[0], c.from, Plain(got), c.to, c.want, row[5])
			}
		}
	}
	if seen != len(checks) {
		t.Errorf("%d rows, %d checks", seen, len(checks))
	}
	// UNIT-6: 500 mL in 16 s = 1.875 L/min, exactly.
	v, s := mustParse(t, "500 mL"), mustParse(t, "16 s")
	flow := new(big.Rat).Quo(v.Base, s.In(mustUnit(t, "min")))
	if got := New(flow, mustUnit(t, "L/min")).String(); got != "1.875 L/min" {
		t.Errorf("UNIT-6: %s", got)
	}
}

func TestCompare(t *testing.T) {
	if mustParse(t, "2.1 ug/L").Cmp(mustParse(t, "0.0021 mg/L")) != 0 {
		t.Error("2.1 ug/L is 0.0021 mg/L")
	}
	if mustParse(t, "64.4 degF").Cmp(mustParse(t, "18 Cel")) != 0 {
		t.Error("64.4 degF is 18 Cel")
	}
	if _, err := mustParse(t, "1 L").Compare(mustParse(t, "1 min")); err == nil || !strings.Contains(err.Error(), "cannot compare a volume with a time") {
		t.Errorf("volume with time: %v", err)
	}
	if mustParse(t, "1 L").Cmp(mustParse(t, "1 min")) == 0 {
		t.Error("different dimensions are never equal")
	}
	if mustParse(t, "1 L").In(mustUnit(t, "min")) != nil {
		t.Error("a volume in minutes has no value")
	}
	if (Quantity{}).Cmp(Quantity{}) != 0 || (Quantity{}).String() != "0" {
		t.Error("the zero quantity")
	}
	if q := mustParse(t, "0.0500 mg/L"); q.Number() != "0.0500" {
		t.Errorf("number as written: %q", q.Number())
	}
	if q := Of(rat(t, "1/3"), mustUnit(t, "%")); q.Rounded(1, Up) != "0.4 %" || q.Base.Cmp(rat(t, "1/300")) != 0 {
		t.Errorf("a third of a percent: %s %s", q.Rounded(1, Up), q.Base)
	}
}
