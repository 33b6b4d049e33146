package lab

import (
	"bytes"
	"math/rand/v2"
	"strings"
	"testing"

	"tapledger/rules/quantity"
)

// A sound file with bytes changed, taken away and added, from a fixed seed: it
// is read or refused with words, never both, never neither; and whatever is
// read parses.
func TestMangledFiles(t *testing.T) {
	base := []byte(file(lead(nil), lead(cells{"name": "Nickel", "value": "", "condition": "Not Detected"}),
		lead(cells{"name": "Nitrate", "value": "2.31", "unit": "mg/l as N", "lunit": "mg/l as N", "date": "2026-03-04", "time": "10:20", "zone": "CST"}),
		lead(cells{"sample": treatedID, "name": "Hardness", "value": "<5", "unit": "mg/l CaCO3", "limit": "5", "lunit": "mg/l", "dilution": "2", "u": "0.4"})))
	r := rand.New(rand.NewPCG(5, 1))
	spice := []byte("\",;\r\n<>=0123456789012345678901234567890123456789.,eE-+ \xb5abUJND%/()")
	read := 0
	for range 1000 {
		b := bytes.Clone(base)
		for range 1 + r.IntN(3) {
			i := r.IntN(len(b))
			if r.IntN(8) > 0 { // mostly below the header
				i = len(head) + r.IntN(len(b)-len(head))
			}
			switch r.IntN(3) {
			case 0:
				b[i] = spice[r.IntN(len(spice))]
			case 1:
				b = append(b[:i], b[min(i+1+r.IntN(3), len(b)):]...)
			default:
				b = append(b[:i], append([]byte{spice[r.IntN(len(spice))]}, b[i:]...)...)
			}
		}
		opt := handed()
		opt.DecimalComma = r.IntN(4) == 0
		s, faults := Parse("report.csv", b, opt)
		if (s == nil) == (len(faults) == 0) {
			t.Fatalf("a sheet: %v, faults: %v, for %q", s != nil, faults, b)
		}
		for _, f := range faults {
			if f.Says == "" || strings.Contains(f.Says, "%!") || strings.Contains(f.Hint, "%!") {
				t.Fatalf("%+v for %q", f, b)
			}
		}
		if s == nil {
			continue
		}
		read++
		for _, x := range s.Results {
			for _, text := range []string{x.Result, x.Reporting, x.Quantitate, x.Detection, x.Uncertainty} {
				if _, err := quantity.ParseResult(text); text != "" && err != nil {
					t.Fatalf("%+v: %v, for %q", x, err, b)
				}
			}
		}
	}
	if read < 20 {
		t.Errorf("only %d of 1000 were read", read)
	}
}
