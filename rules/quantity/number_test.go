package quantity

import (
	"math"
	"math/big"
	"math/rand"
	"strings"
	"testing"

	"github.com/cockroachdb/apd/v3"
)

func TestParseDecimal(t *testing.T) {
	for s, want := range map[string]string{"0": "0", "012": "12", "-0.5": "-1/2", "+3": "3", "1e3": "1000", "1.5E-2": "3/200", "0.050": "1/20"} {
		if r, err := ParseDecimal(s); err != nil || r.Cmp(rat(t, want)) != 0 {
			t.Errorf("%q: %v %v", s, r, err)
		}
	}
	for _, s := range []string{"", " ", "5.", ".5", "1,5", "1_0", "NaN", "Inf", "-", "+", "1e", "1e100", "0x1", "1/2", " 1", "1 ", "--1", "1.2.3", "١", strings.Repeat("9", 41)} {
		if r, err := ParseDecimal(s); err == nil {
			t.Errorf("%q was read as %v", s, r)
		}
	}
}

// NIST SP 811 (2008) B.7.1, quoted in testdata/references/units.csv.
func TestRoundingNIST(t *testing.T) {
	for _, c := range []struct {
		x      string
		digits int
		want   string
	}{
		{"6.9749515", 3, "6.97"}, {"6.9749515", 5, "6.9750"}, {"6.9749515", 7, "6.974952"}, {"6.9749505", 7, "6.974950"},
	} {
		if got := Significant(rat(t, c.x), c.digits, HalfEven); got != c.want {
			t.Errorf("%s to %d: %s, NIST says %s", c.x, c.digits, got, c.want)
		}
	}
}

func TestRounding(t *testing.T) {
	for _, c := range []struct {
		x        string
		decimals int
		m        Mode
		want     string
	}{
		{"0.125", 2, HalfEven, "0.12"}, {"0.135", 2, HalfEven, "0.14"}, {"-0.125", 2, HalfEven, "-0.12"},
		{"0.121", 2, Up, "0.13"}, {"0.129", 2, Down, "0.12"}, {"0.12", 2, Up, "0.12"}, {"0.12", 2, Down, "0.12"},
		{"-0.121", 2, Up, "-0.12"}, {"-0.121", 2, Down, "-0.13"}, {"-0.001", 2, HalfEven, "0.00"}, {"-0.001", 2, Up, "0.00"},
		{"-0.001", 2, Down, "-0.01"}, {"1/3", 4, Up, "0.3334"}, {"2.5", 0, HalfEven, "2"}, {"3.5", 0, HalfEven, "4"},
		{"1234", -2, HalfEven, "1234"}, {"0", 3, Up, "0.000"},
	} {
		if got := Decimal(rat(t, c.x), c.decimals, c.m); got != c.want {
			t.Errorf("Decimal(%s, %d, %d) = %s, wanted %s", c.x, c.decimals, c.m, got, c.want)
		}
	}
	for _, c := range []struct {
		x      string
		digits int
		m      Mode
		want   string
	}{
		{"9.996", 3, HalfEven, "10.0"}, {"9996", 3, HalfEven, "10000"}, {"1500", 2, HalfEven, "1500"}, {"1550", 2, HalfEven, "1600"},
		{"1450", 2, HalfEven, "1400"}, {"0", 3, Up, "0"}, {"0.0001", 1, Down, "0.0001"}, {"99.91", 3, Up, "100"}, {"99.91", 3, Down, "99.9"},
		{"-99.91", 3, Down, "-100"}, {"1/7", 4, HalfEven, "0.1429"}, {"0.00099951", 3, HalfEven, "0.00100"}, {"1e-30", 2, HalfEven, "0.0000000000000000000000000000010"},
	} {
		if got := Significant(rat(t, c.x), c.digits, c.m); got != c.want {
			t.Errorf("Significant(%s, %d, %d) = %s, wanted %s", c.x, c.digits, c.m, got, c.want)
		}
	}
	for x, want := range map[string]string{"1/3": "0.333333333333", "2.50": "2.5", "100": "100", "-0.0000000000001": "-0.0000000000001", "0": "0", "1/7000000000": "0.000000000142857", "1200000": "1200000"} {
		if got := Plain(rat(t, x)); got != want {
			t.Errorf("Plain(%s) = %s, wanted %s", x, got, want)
		}
	}
}

// TestRoundingOracle compares rounding of decimal texts with an independent
// decimal library, in all three directions, ties included.
func TestRoundingOracle(t *testing.T) {
	rng := rand.New(rand.NewSource(7))
	modes := map[Mode]apd.Rounder{HalfEven: apd.RoundHalfEven, Down: apd.RoundFloor, Up: apd.RoundCeiling}
	for i := 0; i < 20000; i++ {
		digits := 1 + rng.Intn(9)
		coeff := rng.Int63n(1_000_000_000)
		if rng.Intn(3) == 0 { // many ties
			coeff = coeff/100*100 + 50
		}
		d := apd.New(coeff*(1-2*rng.Int63n(2)), int32(-rng.Intn(14)))
		text := d.Text('f')
		r := rat(t, text)
		for m, rounder := range modes {
			ctx := apd.BaseContext.WithPrecision(uint32(digits))
			ctx.Rounding = rounder
			var want apd.Decimal
			if _, err := ctx.Round(&want, d); err != nil {
				t.Fatal(err)
			}
			got := Significant(r, digits, m)
			if rat(t, got).Cmp(rat(t, want.Text('f'))) != 0 {
				t.Fatalf("%s to %d digits, mode %d: %s, the oracle says %s", text, digits, m, got, want.Text('f'))
			}
		}
	}
}

// TestRoundingBounds: Down never lies above, Up never below, both within one step.
func TestRoundingBounds(t *testing.T) {
	rng := rand.New(rand.NewSource(8))
	for i := 0; i < 5000; i++ {
		r := big.NewRat(rng.Int63n(2_000_001)-1_000_000, 1+rng.Int63n(999))
		dec := rng.Intn(6)
		lo, hi := rat(t, Decimal(r, dec, Down)), rat(t, Decimal(r, dec, Up))
		step := pow10(-dec)
		if lo.Cmp(r) > 0 || hi.Cmp(r) < 0 || new(big.Rat).Sub(hi, lo).Cmp(step) > 0 {
			t.Fatalf("%s with %d decimals: from %s to %s", r, dec, lo, hi)
		}
	}
}

func TestFromFloat(t *testing.T) {
	for _, c := range []struct {
		x      float64
		digits int
		want   string
	}{{0.1, 3, "0.100"}, {0.1, 17, "0.10000000000000001"}, {1e21, 2, "1000000000000000000000"}, {-2.5e-7, 1, "-0.0000002"}, {0, 5, "0"}, {math.Copysign(0, -1), 2, "0"}} {
		if got, err := FromFloat(c.x, c.digits); err != nil || got != c.want {
			t.Errorf("FromFloat(%g, %d) = %s, %v; wanted %s", c.x, c.digits, got, err, c.want)
		}
	}
	for _, x := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if s, err := FromFloat(x, 3); err == nil {
			t.Errorf("%g left as %s", x, s)
		}
	}
	for _, d := range []int{0, -1, 18} {
		if _, err := FromFloat(1, d); err == nil {
			t.Errorf("%d digits were taken", d)
		}
	}
}
