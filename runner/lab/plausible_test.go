package lab

import (
	"bytes"
	"encoding/csv"
	"maps"
	"slices"
	"strings"
	"testing"

	"tapledger/runner"
)

// results builds a report: sample, then "analyte=result" with "|dissolved" and
// "!limit" if wanted.
func results(t *testing.T, samples map[string][]string) []runner.LabResult {
	t.Helper()
	var out []runner.LabResult
	for _, s := range slices.Sorted(maps.Keys(samples)) {
		for _, text := range samples[s] {
			analyte, value, _ := strings.Cut(text, "=")
			value, limit, _ := strings.Cut(value, "!")
			value, fraction, _ := strings.Cut(value, "|")
			value, flag, _ := strings.Cut(value, "#")
			out = append(out, runner.LabResult{Sample: s, Analyte: analyte, Result: value, Fraction: fraction, Reporting: limit, Qualifier: flag})
		}
	}
	return out
}

func says(ws []runner.Warning) string {
	var out []string
	for _, w := range ws {
		out = append(out, w.Code+"("+strings.Join(w.Args, ", ")+")")
	}
	return strings.Join(out, " ")
}

// A sound pair: row CBE-1's water and a permeate of it, an invented laboratory.
var soundPair = map[string][]string{
	"u": {"calcium=80 mg/L", "magnesium=20 mg/L", "sodium=30 mg/L", "potassium=3 mg/L", "alkalinity=205 mg/L as CaCO3", "sulfate=60 mg/L",
		"chloride=50 mg/L", "nitrate=10 mg/L as NO3", "hardness=282 mg/L as CaCO3", "conductivity=690 uS/cm", "lead=3.2 ug/L!0.5 ug/L"},
	"t": {"calcium=3.1 mg/L", "magnesium=0.8 mg/L", "sodium=4.0 mg/L", "potassium=0.4 mg/L", "alkalinity=15 mg/L as CaCO3", "sulfate=1.1 mg/L",
		"chloride=3.3 mg/L", "nitrate=2.0 mg/L as NO3", "hardness=11 mg/L as CaCO3", "conductivity=45 uS/cm", "lead=<0.5 ug/L!0.5 ug/L"},
}

func with(base map[string][]string, sample string, change ...string) map[string][]string {
	out := map[string][]string{}
	for s, rows := range base {
		out[s] = append([]string(nil), rows...)
	}
	for _, c := range change {
		analyte, _, _ := strings.Cut(c, "=")
		for i, row := range out[sample] {
			if a, _, _ := strings.Cut(row, "="); a == analyte && !strings.Contains(c, "|") {
				out[sample][i], c = c, ""
			}
		}
		if c != "" {
			out[sample] = append(out[sample], c)
		}
	}
	return out
}

// The balances were worked out by hand from charges and molar masses, for
// example sodium 3.0: cations 5.845, anions 6.917 meq/L, -8.40 %.
func TestPlausible(t *testing.T) {
	pair := Context{Pairs: []Pair{{"u", "t"}}, Blanks: []string{"b"}, Membrane: true}
	swapped := map[string][]string{"u": soundPair["t"], "t": soundPair["u"]}
	alike := map[string][]string{"u": soundPair["u"], "t": soundPair["u"]}
	for _, c := range []struct {
		name string
		data map[string][]string
		want string // every warning, in order
	}{
		{"sound", soundPair, ""},
		{"swapped", swapped, "swapped_pair(u, t, 6)"},
		{"the same water twice", alike, "pair_alike(u, t, 6)"},
		{"blank like feed", with(soundPair, "b", "sodium=30 mg/L", "chloride=50 mg/L", "sulfate=60 mg/L"), "ids_shifted(b, t, 3)"},
		{"blank with lead", with(soundPair, "b", "lead=0.9 ug/L"), "blank_above_sample(b, t, lead)"},
		{"clean blank", with(soundPair, "b", "lead=<0.5 ug/L", "sodium=<1 mg/L"), ""},
		{"below its own limit", with(soundPair, "u", "lead=0.3 ug/L!0.5 ug/L"), "below_own_limit(u, lead, 0.3 ug/L, 0.5 ug/L)"},
		{"estimated below its limit", with(soundPair, "u", "lead=0.3 ug/L#J!0.5 ug/L"), ""},
		{"limit in another unit by 1000", with(soundPair, "u", "lead=3.2 ug/L!0.5 mg/L"), "factor_1000(lead, u, 3.2 ug/L, limit, 0.5 mg/L)"},
		{"factor of 1000 in a pair", with(with(soundPair, "u", "lead=3.2 mg/L!0.5 ug/L"), "t", "lead=2.9 ug/L!0.5 ug/L"), "factor_1000(lead, t, 2.9 ug/L, u, 3.2 mg/L)"},
		{"dissolved above total", with(with(soundPair, "u", "nickel=2.0 ug/L|total"), "u", "nickel=2.6 ug/L|dissolved"), "dissolved_above_total(u, nickel, 2.6 ug/L, 2.0 ug/L)"},
		{"dissolved as total", with(with(soundPair, "u", "nickel=2.0 ug/L|total"), "u", "nickel=2.1 ug/L|dissolved"), ""},
		{"hardness", with(soundPair, "u", "hardness=182 mg/L as CaCO3"), "hardness(u, 182 mg/L as CaCO3, 282 mg/L)"},
		{"hardness of little, 1.5 mg/L apart", with(soundPair, "t", "hardness=9.5 mg/L as CaCO3"), ""},
		{"hardness of little, 3 mg/L apart", with(soundPair, "t", "hardness=8.0 mg/L as CaCO3"), "hardness(t, 8.0 mg/L as CaCO3, 11.0 mg/L)"},
		{"hardness of a non-detect", with(soundPair, "t", "magnesium=<0.9 mg/L"), ""},
		{"nitrate expressed in two ways across a pair", with(soundPair, "t", "nitrate=10.2 mg/L as N"), "nitrate_basis(t, 10.2 mg/L as N, 45.2 mg/L as NO3, pair) balance_more_anions(t, -47.7 %) nitrate_basis(t, 10.2 mg/L as N, 10.2 mg/L as NO3, balance)"},
		{"more cations, as organic acids leave it", with(soundPair, "u", "alkalinity=120 mg/L as CaCO3"), "balance_more_cations(u, 14.7 %)"},
		{"conductivity within what the larger sum allows", with(soundPair, "u", "alkalinity=120 mg/L as CaCO3", "conductivity=900 uS/cm"), "balance_more_cations(u, 14.7 %)"},
		{"alkalinity and bicarbonate, one of them taken", with(soundPair, "u", "bicarbonate=250 mg/L", "sodium=3.0 mg/L"), "balance_more_anions(u, -8.40 %)"},
		{"more anions", with(soundPair, "u", "sodium=3.0 mg/L"), "balance_more_anions(u, -8.40 %)"},
		{"conductivity of another sample", with(soundPair, "u", "conductivity=45 uS/cm"), "conductivity_against_ions(u, 45 uS/cm, 7.02 meq/L, 6.92 meq/L)"},
	} {
		got := says(Plausible(results(t, c.data), pair))
		if got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
}

// Nitrate reported as N though it was measured as NO3: only the other
// expression balances.
func TestNitrateBalance(t *testing.T) {
	data := map[string][]string{"u": {"calcium=80 mg/L", "magnesium=20 mg/L", "sodium=30 mg/L", "potassium=3 mg/L", "alkalinity=160 mg/L as CaCO3", "sulfate=60 mg/L",
		"chloride=50 mg/L", "nitrate=65 mg/L as N"}}
	got := says(Plausible(results(t, data), Context{}))
	if got != "balance_more_anions(u, -19.9 %) nitrate_basis(u, 65 mg/L as N, 65 mg/L as NO3, balance)" {
		t.Error(got)
	}
}

func TestSameEverywhere(t *testing.T) {
	data := map[string][]string{"a": {"lead=1.7 ug/L"}, "b": {"lead=1.7 ug/L"}, "c": {"lead=1.7 ug/L"}}
	if got := says(Plausible(results(t, data), Context{})); got != "same_value(lead, 1.7 ug/L, 3)" {
		t.Error(got)
	}
	if got := says(Plausible(results(t, data), Context{Blanks: []string{"c"}})); got != "" {
		t.Error(got)
	}
	data["c"] = []string{"lead=1.8 ug/L"}
	if got := says(Plausible(results(t, data), Context{})); got != "" {
		t.Error(got)
	}
	data = map[string][]string{"a": {"lead=1.7 ug/L", "nickel=1.7 ug/L", "zinc=1.7 ug/L", "tin=1.7 ug/L", "silver=1.7 ug/L"}}
	if got := says(Plausible(results(t, data), Context{})); got != "same_number(a, 1.7, 5)" {
		t.Error(got)
	}
}

// Nova Scotia rivers (testdata/datasets): 119 sound reports whose anions fall
// short because organic acids were not measured. None is refused and none is
// told that its anions are in excess; what is said is said as cations in excess.
func TestRiversAreNotRefused(t *testing.T) {
	rows, err := csv.NewReader(bytes.NewReader(dataset(t, "ns_rivers_al_test.csv"))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := map[string]int{}
	for i, h := range rows[0] {
		at[h] = i
	}
	cations, hardness, looked := 0, 0, 0
	for n, row := range rows[1:] {
		var lines []string
		for id, col := range map[string]string{"calcium": "calcium_dis_mg_l", "magnesium": "magnesium_dis_mg_l", "sodium": "sodium_dis_mg_l", "potassium": "potassium_dis_mg_l",
			"sulfate": "sulfate_mg_l", "chloride": "chloride_mg_l", "alkalinity": "alkalinity_mg_ca_co3l", "hardness": "hardness_mg_ca_co3l"} {
			v := row[at[col]]
			if v == "NA" || strings.HasPrefix(v, "-") {
				continue
			}
			if row[at["cens_"+col]] == "left" {
				v = "<" + v
			}
			if len(v) > 12 {
				v = v[:12]
			}
			suffix := " mg/L"
			if id == "alkalinity" || id == "hardness" {
				suffix += " as CaCO3"
			}
			lines = append(lines, id+"="+v+suffix)
		}
		looked++
		for _, w := range Plausible(results(t, map[string][]string{"s": lines}), Context{}) {
			switch w.Code {
			case WarnCations:
				cations++
			case WarnHardness:
				hardness++
			default:
				t.Errorf("row %d: %s", n+2, says([]runner.Warning{w}))
			}
		}
	}
	if looked != 137 || hardness != 0 || cations == 0 {
		t.Errorf("%d rows, %d with more cations, %d with another hardness", looked, cations, hardness)
	}
}

func TestCodes(t *testing.T) {
	codes := Codes()
	for i := 1; i < len(codes); i++ {
		if codes[i-1] >= codes[i] {
			t.Errorf("%s before %s", codes[i-1], codes[i])
		}
	}
	if len(codes) != 18 {
		t.Errorf("%d codes", len(codes))
	}
}
