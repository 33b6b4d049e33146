package estimate

import (
	"encoding/csv"
	"errors"
	"math"
	"math/big"
	"os"
	"strconv"
	"strings"
	"testing"
)

// references reads one table of testdata/references; the sources stand in the
// table's README.
func references(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../testdata/references/" + name)
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
// test_vectors.csv that it names.
func cited(t *testing.T, id string, figures ...string) {
	t.Helper()
	for _, row := range references(t, "test_vectors.csv") {
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

func number(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s = %.12g, want %.12g within %g of it", what, got, want, relative)
	}
}

func readings(t *testing.T, name string) []Point {
	t.Helper()
	var out []Point
	for _, row := range references(t, "nist_nls.csv") {
		if row["dataset"] == name {
			out = append(out, Point{number(t, row["x"]), number(t, row["y"])})
		}
	}
	return out
}

// "Certified values" of NIST StRD, nonlinear regression, BoxBOD and Misra1a
// (rows NLS-1 and NLS-2), from both starts given there, to seven digits, their
// standard deviations included.
func TestNISTReferenceSets(t *testing.T) {
	cited(t, "NLS-1", "213.80940889 sd 12.354515176", "0.54723748542 sd 0.10455993237", "1168.0088766", "17.088072423", "starts (1,1),(100,0.75)")
	cited(t, "NLS-2", "238.94212918 sd 2.7070075241", "5.5015643181e-4 sd 7.2668688436e-6", "0.12455138894", "0.1018787633", "(500,0.0001),(250,0.0005)")
	zero := 0.0
	for _, c := range []struct {
		name                    string
		points                  int
		a, sdA, k, sdK, rss, s  float64
		firstStart, secondStart float64
		wantFree                int
	}{
		{name: "BoxBOD", points: 6, a: 213.80940889, sdA: 12.354515176, k: 0.54723748542, sdK: 0.10455993237,
			rss: 1168.0088766, s: 17.088072423, firstStart: 1, secondStart: 0.75, wantFree: 4},
		{name: "Misra1a", points: 14, a: 238.94212918, sdA: 2.7070075241, k: 5.5015643181e-4, sdK: 7.2668688436e-6,
			rss: 0.12455138894, s: 0.1018787633, firstStart: 0.0001, secondStart: 0.0005, wantFree: 12},
	} {
		p := readings(t, c.name)
		if len(p) != c.points {
			t.Fatalf("%s: %d readings, want %d", c.name, len(p), c.points)
		}
		for _, start := range []float64{c.firstStart, c.secondStart, 0} {
			fit, err := FitContact(p, ContactOptions{Origin: &zero, Start: start})
			if err != nil {
				t.Fatalf("%s from %g: %v", c.name, start, err)
			}
			near(t, c.name+" b1", fit.A, c.a, 1e-7)
			near(t, c.name+" b2", fit.K, c.k, 1e-7)
			near(t, c.name+" sd b1", fit.SdA, c.sdA, 1e-7)
			near(t, c.name+" sd b2", fit.SdK, c.sdK, 1e-7)
			near(t, c.name+" RSS", fit.RSS, c.rss, 1e-7)
			near(t, c.name+" s", fit.S, c.s, 1e-7)
			if fit.Free != c.wantFree || fit.C0 != 0 || fit.SdC0 != 0 || fit.Plateau != fit.A {
				t.Errorf("%s: free %d, origin %g +/- %g, plateau %g", c.name, fit.Free, fit.C0, fit.SdC0, fit.Plateau)
			}
			l := fit.KLimits
			if l.LowOpen || l.HighOpen || !(l.Low < c.k && c.k < l.High) {
				t.Errorf("%s: rate limits %+v", c.name, l)
			}
			if l = fit.PlateauLimits; l.LowOpen || l.HighOpen || !(l.Low < c.a && c.a < l.High) {
				t.Errorf("%s: plateau limits %+v", c.name, l)
			}
		}
	}
}

// The false optimum of row NLS-3 (b1 = mean of y, rate without end) must be
// refused when it is the best there is: readings that are flat after the first.
func TestFalseOptimumRefused(t *testing.T) {
	cited(t, "NLS-3", "172.5 (=mean y)", "must be rejected")
	zero := 0.0
	flat := []Point{{1, 173}, {2, 172}, {3, 173}, {5, 172}, {7, 172.4}, {10, 172.6}}
	if _, err := FitContact(flat, ContactOptions{Origin: &zero}); !errors.Is(err, ErrNoRise) {
		t.Errorf("flat readings: %v, want %v", err, ErrNoRise)
	}
	// Hardly a rise: there is a best rate, and nothing bounds it above.
	hardly := []Point{{1, 172}, {2, 173}, {3, 172}, {5, 173}, {7, 172.4}, {10, 172.6}}
	if fit, err := FitContact(hardly, ContactOptions{Origin: &zero}); err != nil || !fit.KLimits.HighOpen {
		t.Errorf("readings with hardly a rise: %+v, %v; want a rate without an upper limit", fit, err)
	}
	// BoxBOD itself must not end there, wherever it begins.
	for _, start := range []float64{1e-6, 1e-3, 0.5, 1, 100, 1e6} {
		fit, err := FitContact(readings(t, "BoxBOD"), ContactOptions{Origin: &zero, Start: start})
		if err != nil || fit.RSS > 1169 {
			t.Errorf("from %g: %+v, %v", start, fit, err)
		}
	}
}

func TestContactRefusals(t *testing.T) {
	zero, nan := 0.0, math.NaN()
	line := func(n int) (p []Point) {
		for i := range n {
			p = append(p, Point{float64(i), float64(3 * i)})
		}
		return p
	}
	for name, c := range map[string]struct {
		p    []Point
		opt  ContactOptions
		want error
	}{
		"three readings for two parameters":  {line(3), ContactOptions{Origin: &zero}, ErrTooFew},
		"four readings for three":            {line(4), ContactOptions{}, ErrTooFew},
		"two times only":                     {[]Point{{1, 2}, {1, 3}, {2, 4}, {2, 5}, {1, 2}, {2, 4}}, ContactOptions{Origin: &zero}, ErrTooFew},
		"a straight line":                    {line(8), ContactOptions{Origin: &zero}, ErrNoPlateau},
		"all at time zero":                   {[]Point{{0, 1}, {0, 2}, {0, 1}, {0, 2}}, ContactOptions{Origin: &zero}, ErrTooFew},
		"every value the same":               {[]Point{{1, 5}, {2, 5}, {3, 5}, {4, 5}, {5, 5}}, ContactOptions{}, ErrNoRise},
		"a reading before the beginning":     {append(line(6), Point{-1, 2}), ContactOptions{}, nil},
		"a reading that is no number":        {append(line(6), Point{7, nan}), ContactOptions{}, nil},
		"a reading at no time":               {append(line(6), Point{nan, 7}), ContactOptions{}, nil},
		"a reading at a time without an end": {append(line(6), Point{math.Inf(1), 7}), ContactOptions{}, nil},
	} {
		_, err := FitContact(c.p, c.opt)
		if err == nil || c.want != nil && !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
	}
}

// A curve that the model made itself, with a fitted origin, comes back exactly,
// whatever the order of the readings; its own t is reused at the end.
func TestContactRecoversACurve(t *testing.T) {
	const c0, a, k = 12.5, 80.0, 0.35
	var p []Point
	for _, x := range []float64{8, 0, 1, 0.5, 2, 4, 16} {
		p = append(p, Point{x, c0 + a*(1-math.Exp(-k*x))})
	}
	fit, err := FitContact(p, ContactOptions{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "origin", fit.C0, c0, 1e-9)
	near(t, "height", fit.A, a, 1e-9)
	near(t, "rate", fit.K, k, 1e-9)
	near(t, "plateau", fit.Plateau, c0+a, 1e-9)
	if fit.Free != 4 {
		t.Errorf("degrees of freedom %d, want 4", fit.Free)
	}
}

// With a fitted origin and small noise the profile limits of plateau and rate
// come near those of the standard deviation (t = 2.776 for 4 degrees of freedom).
func TestContactLimitsWithOrigin(t *testing.T) {
	noise := []float64{0.3, -0.2, 0.1, -0.3, 0.2, 0.1, -0.2}
	var p []Point
	for i, x := range []float64{0, 1, 2, 4, 7, 11, 16} {
		p = append(p, Point{x, 10 + 50*(1-math.Exp(-0.4*x)) + noise[i]})
	}
	fit, err := FitContact(p, ContactOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name           string
		limits         Limits
		value, sd, far float64
	}{{"plateau", fit.PlateauLimits, fit.Plateau, fit.SdPlateau, 2.7764451}, {"rate", fit.KLimits, fit.K, fit.SdK, 2.7764451}} {
		if c.limits.LowOpen || c.limits.HighOpen || c.sd == 0 {
			t.Fatalf("%s: %+v, sd %g", c.name, c.limits, c.sd)
		}
		near(t, c.name+" from", (c.value-c.limits.Low)/c.sd, c.far, 0.05)
		near(t, c.name+" to", (c.limits.High-c.value)/c.sd, c.far, 0.05)
	}
}

// Readings that stop half way up bound the plateau below and not above.
func TestContactOpenLimit(t *testing.T) {
	zero := 0.0
	p := []Point{{1, 10.3}, {2, 19.2}, {3, 30.5}, {4, 38.2}, {5, 50.4}, {6, 58.1}}
	fit, err := FitContact(p, ContactOptions{Origin: &zero})
	if err != nil {
		t.Fatal(err)
	}
	if !fit.PlateauLimits.HighOpen || fit.PlateauLimits.LowOpen || !fit.KLimits.LowOpen {
		t.Errorf("plateau %+v, rate %+v: want an open upper plateau and an open lower rate", fit.PlateauLimits, fit.KLimits)
	}
}

// Student's t against printed quantiles: 2.776 (0.975, 4) and 2.92 (0.99 two
// sided, 16), the figures of gonum 0.17 and of row GUM-H1; 12.706 (0.975, 1),
// 1.812 (0.95, 10), 1.962 (0.975, 1000) from handbook tables, from memory.
func TestStudentQuantiles(t *testing.T) {
	for _, c := range []struct {
		tail float64
		df   int
		want float64
		to   float64
	}{
		{0.025, 4, 2.7764451, 5e-8}, {0.005, 16, 2.92, 5e-3}, {0.025, 1, 12.706, 1e-4}, {0.05, 10, 1.812, 5e-4},
		{0.025, 1000, 1.962, 5e-4}, {0.025, 2, 4.303, 1e-4},
	} {
		got, err := StudentQuantile(c.tail, c.df)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "t", got, c.want, c.to)
		near(t, "tail of the quantile", StudentTail(got, c.df), c.tail, 1e-12)
	}
	// Closed forms: for 1 and 2 degrees of freedom.
	near(t, "Cauchy tail at 1", StudentTail(1, 1), 0.25, 1e-14)
	near(t, "tail of 2 at 1", StudentTail(1, 2), 0.5*(1-1/math.Sqrt(3)), 1e-14)
	for _, bad := range []struct {
		tail float64
		df   int
	}{{0, 4}, {0.5, 4}, {math.NaN(), 4}, {0.1, 0}, {0.1, 1001}} {
		if _, err := StudentQuantile(bad.tail, bad.df); err == nil {
			t.Errorf("a tail of %g with %d degrees of freedom was taken", bad.tail, bad.df)
		}
	}
}

// Row GUM-H1 (end gauge of GUM H.1; inputs and answers from memory).
func TestCombinedUncertainty(t *testing.T) {
	cited(t, "GUM-H1", "25, 9.7, 2.9, 16.6 nm; nu 18, 25.6, 50, 2", "31.67", "16.76", "t99(16) 2.92")
	u, free, err := Combined([]Component{{25, 18}, {9.7, 25.6}, {2.9, 50}, {16.6, 2}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "uc", u, 31.67, 2e-4)
	near(t, "effective degrees of freedom", free, 16.76, 1e-3)
	if u, free, err = Combined([]Component{{3, 0}, {4, 0}}); u != 5 || free != 0 || err != nil {
		t.Errorf("3 and 4 give %g, %g, %v", u, free, err)
	}
	for _, bad := range [][]Component{nil, {{-1, 0}}, {{math.NaN(), 0}}, {{1, -2}}, {{math.Inf(1), 0}}} {
		if _, _, err := Combined(bad); err == nil {
			t.Errorf("%v was taken", bad)
		}
	}
}

func TestHolm(t *testing.T) {
	// Worked by hand: sorted 0.01 x4, 0.02 x3, 0.03 x2, 0.5 x1, made monotone.
	got := Holm([]float64{0.03, 0.01, 0.5, 0.02})
	for i, want := range []float64{0.06, 0.04, 0.5, 0.06} {
		near(t, "adjusted p", got[i], want, 1e-15)
	}
	if got := Holm([]float64{0.9, 0.8}); got[0] != 1 || got[1] != 1 {
		t.Errorf("an adjusted p above 1: %v", got)
	}
	if len(Holm(nil)) != 0 {
		t.Error("no tests, some answers")
	}
}

// Rows MULT-1, SENS-1, SENS-2.
func TestFamiliesAndTails(t *testing.T) {
	cited(t, "MULT-1", "39.7 % and 78.1 %")
	cited(t, "SENS-1", "p = 1/9")
	cited(t, "SENS-2", "15 right needed", "p = 0.0435")
	for n, want := range map[int]float64{20: 0.397, 60: 0.781} {
		got, _ := AnyFalse(n, big.NewRat(25, 1000)).Float64()
		if math.Abs(got-want) > 0.001 {
			t.Errorf("%d tests: %g, want %g", n, got, want)
		}
	}
	third := big.NewRat(1, 3)
	if got := BinomialTail(2, 2, third); got.Cmp(big.NewRat(1, 9)) != 0 {
		t.Errorf("two tasters, both right: %s, want 1/9", got)
	}
	level := big.NewRat(1, 20)
	if k := FewestRight(30, third, level); k != 15 {
		t.Errorf("%d of 30 needed, want 15", k)
	}
	p, _ := BinomialTail(30, 15, third).Float64()
	if math.Abs(p-0.0435) > 0.0005 {
		t.Errorf("15 of 30: p %g, want 0.0435", p)
	}
	if k := FewestRight(2, third, level); k != 3 {
		t.Errorf("two tasters can show something with %d right", k)
	}
	if BinomialTail(5, -1, third).Cmp(big.NewRat(1, 1)) != 0 || BinomialTail(5, 6, third).Sign() != 0 {
		t.Error("tails beyond the ends are not 1 and 0")
	}
}

// The same bits on every processor: what amd64 gave, to be run on others too.
func TestContactBits(t *testing.T) {
	zero := 0.0
	fit, err := FitContact(readings(t, "BoxBOD"), ContactOptions{Origin: &zero})
	if err != nil {
		t.Fatal(err)
	}
	quantile, err := StudentQuantile(0.025, 7)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		got  float64
		want string
	}{
		{"a", fit.A, "0x1.ab9e6ad792b38p+07"}, {"k", fit.K, "0x1.182f82fe0a9e3p-01"}, {"sd k", fit.SdK, "0x1.ac47092005e12p-04"},
		{"RSS", fit.RSS, "0x1.2400916ef8f2fp+10"}, {"rate from", fit.KLimits.Low, "0x1.35da0dd64dc18p-02"},
		{"plateau to", fit.PlateauLimits.High, "0x1.029159d72aacep+08"}, {"t", quantile, "0x1.2eac01e9f5b2p+01"},
	} {
		if got := strconv.FormatFloat(c.got, 'x', -1, 64); got != c.want {
			t.Errorf("%s = %s, want %s", c.name, got, c.want)
		}
	}
}
