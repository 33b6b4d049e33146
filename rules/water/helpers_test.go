package water

import (
	"encoding/csv"
	"math"
	"math/big"
	"os"
	"strconv"
	"strings"
	"testing"

	"tapledger/rules/quantity"
)

// table reads a CSV file of testdata as one map a row; sources and licences
// stand in the README beside it.
func table(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, name := range rows[0] {
			m[name] = row[i]
		}
		out = append(out, m)
	}
	return out
}

// cited makes sure that the figures a check compares with stand in the row of
// testdata/references/test_vectors.csv that it names.
func cited(t *testing.T, id string, figures ...string) {
	t.Helper()
	for _, row := range table(t, "references/test_vectors.csv") {
		if row["id"] != id {
			continue
		}
		for _, f := range figures {
			if !strings.Contains(row["inputs"]+" "+row["expected"], f) {
				t.Errorf("row %s does not hold %q: %s -> %s", id, f, row["inputs"], row["expected"])
			}
		}
		return
	}
	t.Errorf("no row %s", id)
}

func q(t *testing.T, s string) quantity.Quantity {
	t.Helper()
	out, err := quantity.Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func res(t *testing.T, s string) quantity.Result {
	t.Helper()
	out, err := quantity.ParseResult(s)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// meas is a result with a reporting limit, "" for none.
func meas(t *testing.T, result, reporting string) Measured {
	t.Helper()
	m := Measured{Result: res(t, result)}
	if reporting != "" {
		l := q(t, reporting)
		m.Reporting = &l
	}
	return m
}

func float(r *big.Rat) float64 {
	if r == nil {
		return math.NaN()
	}
	x, _ := r.Float64()
	return x
}

func num(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s = %.8g, want %.8g within %g", what, got, want, within)
	}
}

func mg(lo, hi string) quantity.Interval {
	return quantity.Interval{Dim: quantity.MassConc, Lo: dec(lo), Hi: dec(hi)}
}

// wantError fails unless the call was refused, in words that name the matter.
func wantError(t *testing.T, what string, err error, holds string) {
	t.Helper()
	if err == nil {
		t.Errorf("%s was taken", what)
	} else if !strings.Contains(err.Error(), holds) {
		t.Errorf("%s: %q does not speak of %q", what, err, holds)
	}
}
