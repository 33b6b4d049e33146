package quantity

import (
	"strings"
	"testing"
)

func TestParseResult(t *testing.T) {
	for _, c := range []struct {
		text      string
		qualifier Qualifier
		spec      string
		interval  string
	}{
		{"0.15 ug/L", Exact, "", "0.00015 mg/L"},
		{"<0.05 mg/L", Below, "", "[0, 0.05) mg/L"},
		{"<0.05 mg/L as N", Below, "as N", "[0, 0.05) mg/L"},
		{"< 0.05 mg/L as N", Below, "as N", "[0, 0.05) mg/L"},
		{"44.3 mg/L as NO3", Exact, "as NO3", "44.3 mg/L"},
		{">200 NTU", Above, "", "(200, no limit) NTU"},
		{"<5 Cel", Below, "", "(no limit, 5) Cel"},
		{"<1 MPN/100mL", Below, "", "[0, 1) /100mL"},
		{">2419.6 MPN/100mL", Above, "", "(2419.6, no limit) /100mL"},
		{"12 %", Exact, "", "12 %"},
	} {
		r, err := ParseResult(c.text)
		if err != nil {
			t.Errorf("%s: %v", c.text, err)
			continue
		}
		if r.Qualifier != c.qualifier || r.Speciation != c.spec || r.Interval().String() != c.interval || r.String() != c.text {
			t.Errorf("%s: %d %q %s", c.text, r.Qualifier, r.Speciation, r.Interval())
		}
	}
	for text, says := range map[string]string{
		"": "missing", "<": "missing", "ND": "not below which limit", "n.d. as N": "not below which limit",
		"<=5 mg/L": "< or > alone", "≤5 mg/L": "< or > alone", "~5 mg/L": "< or > alone", "<0 mg/L": "above zero", "<-1 mg/L": "above zero",
		"5 mg/L as n": "not how a result is expressed", "5 mg/L as ": "unknown unit", "5 mg/L as CaCO3 or so": "not how a result is expressed",
		"<<5 mg/L": "single value", "5": "unit is missing", "5 mg/L U": "unknown unit",
	} {
		if r, err := ParseResult(text); err == nil {
			t.Errorf("%q was read as %v", text, r)
		} else if !strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v (wanted %q)", text, err, says)
		}
	}
	made := Result{Qualifier: Below, Quantity: Of(rat(t, "0.5"), mustUnit(t, "ug/L")), Speciation: "as N"}
	if made.String() != "<0.5 ug/L as N" {
		t.Errorf("made: %s", made)
	}
}

func TestIntervalOrder(t *testing.T) {
	iv := func(lo, hi string, loOpen, hiOpen bool) Interval {
		i := Interval{Dim: MassConc, LoOpen: loOpen, HiOpen: hiOpen}
		if lo != "" {
			i.Lo = rat(t, lo)
		}
		if hi != "" {
			i.Hi = rat(t, hi)
		}
		return i
	}
	pt := func(x string) Interval { return iv(x, x, false, false) }
	for _, c := range []struct {
		a, b Interval
		want Order
	}{
		{pt("1"), pt("1"), Equal}, {pt("1"), pt("2"), Less}, {pt("2"), pt("1"), Greater},
		{iv("0", "0.05", false, true), pt("0.05"), Less},
		{iv("0", "0.05", false, false), pt("0.05"), Less | Equal},
		{iv("0", "0.05", false, true), pt("0.01"), Less | Equal | Greater},
		{iv("0", "0.05", false, true), pt("0"), Greater | Equal},
		{iv("0", "0.05", true, true), pt("0"), Greater},
		{iv("0", "0.05", false, true), pt("0.06"), Less},
		{iv("200", "", true, true), pt("200"), Greater},
		{iv("200", "", true, true), pt("300"), Less | Equal | Greater},
		{iv("", "5", true, true), pt("-100"), Less | Equal | Greater},
		{iv("0", "1", false, true), iv("1", "2", false, false), Less},
		{iv("0", "1", false, false), iv("1", "2", false, false), Less | Equal},
		{iv("0", "1", false, false), iv("1", "2", true, false), Less},
		{iv("0", "2", false, false), iv("1", "3", false, false), Less | Equal | Greater},
	} {
		if got := c.a.Order(c.b); got != c.want {
			t.Errorf("%s to %s: %03b, wanted %03b", c.a, c.b, got, c.want)
		}
		swapped := c.want&Equal | c.want&Less<<2 | c.want&Greater>>2
		if got := c.b.Order(c.a); got != swapped {
			t.Errorf("%s to %s: %03b, wanted %03b", c.b, c.a, got, swapped)
		}
	}
	if iv("1", "1", true, false).Valid() || iv("2", "1", false, false).Valid() || !pt("1").Valid() || !iv("", "", true, true).Valid() {
		t.Error("Valid")
	}
	i := Interval{Dim: Ratio, Lo: rat(t, "17/27"), Hi: rat(t, "1"), HiOpen: true}
	if got := i.Text(mustUnit(t, "%"), 3); got != "[62.9, 100) %" {
		t.Errorf("rounded outwards: %s", got)
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"61 psi", "0.050 mg/L", "5%", "1e99 K", "-40°F", "7.2 pH"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		q, err := Parse(s)
		if err != nil {
			return
		}
		again, err := Parse(q.Text)
		if err != nil || again.Cmp(q) != 0 || again.Unit != q.Unit {
			t.Fatalf("%q read again: %v %v", q.Text, again, err)
		}
		if _, err := ParseDecimal(q.Number()); err != nil {
			t.Fatal(err)
		}
	})
}

func FuzzParseResult(f *testing.F) {
	for _, s := range []string{"<0.05 mg/L as N", ">200 NTU", "0.15 ug/L", "ND"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		r, err := ParseResult(s)
		if err != nil {
			return
		}
		if !r.Interval().Valid() {
			t.Fatalf("%q has an empty interval", s)
		}
		again, err := ParseResult(r.Text)
		if err != nil || again.Interval().Order(r.Interval()) == 0 || again.Speciation != r.Speciation {
			t.Fatalf("%q read again: %v %v", r.Text, again, err)
		}
	})
}
