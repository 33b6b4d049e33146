package quantity

import (
	"fmt"
	"math/big"
	"strings"
)

// Qualifier says how a result relates to its number.
type Qualifier uint8

const (
	Exact Qualifier = iota // a value
	Below                  // "<0.05 mg/L": a non-detect, somewhere below the limit
	Above                  // ">200 NTU": somewhere above what could be measured
)

// Result is what a laboratory or an instrument reports: a value, or only a limit.
type Result struct {
	Qualifier  Qualifier
	Quantity   Quantity // for Below and Above: the limit; its Text is without the sign
	Speciation string   // how it is expressed: "as N", "as CaCO3"; "" when it was not said
	Text       string   // as written, without outer spaces
}

// ParseResult reads a result as it is written: "0.15 ug/L", "<0.05 mg/L",
// "<0.05 mg/L as N", ">200 NTU". A non-detect always carries its limit: "ND"
// and "0" with a remark are refused. A bare number takes no result either.
func ParseResult(s string) (Result, error) {
	t := strings.Trim(s, " \t")
	if err := checkText(t, "result", `"<0.05 mg/L"`); err != nil {
		return Result{}, err
	}
	r, rest := Result{Text: t}, t
	switch {
	case strings.HasPrefix(t, "<="), strings.HasPrefix(t, ">="), strings.HasPrefix(t, "≤"), strings.HasPrefix(t, "≥"), t[0] == '~':
		return Result{}, fmt.Errorf("%q is no result: a limit is written with < or > alone", clip(t))
	case t[0] == '<':
		r.Qualifier, rest = Below, t[1:]
	case t[0] == '>':
		r.Qualifier, rest = Above, t[1:]
	}
	rest, spec, err := splitSpeciation(rest)
	if err != nil {
		return Result{}, err
	}
	r.Speciation = spec
	if n := strings.ToLower(strings.TrimSpace(rest)); nonDetectWord(n) {
		return Result{}, fmt.Errorf("%q says that nothing was detected, but not below which limit: write <0.05 mg/L, with the report's limit and unit", clip(t))
	}
	if r.Quantity, err = Parse(rest); err != nil {
		return Result{}, err
	}
	if r.Qualifier != Exact && r.Quantity.Dim.FromZero() && r.Quantity.Base.Sign() <= 0 {
		return Result{}, fmt.Errorf("%q has no limit: it must lie above zero", clip(t))
	}
	return r, nil
}

func nonDetectWord(s string) bool {
	switch s {
	case "nd", "n.d.", "non-detect", "nondetect", "not detected", "bdl", "bql", "<lod", "<loq", "lod", "loq", "rl", "mdl", "u":
		return true
	}
	return false
}

// splitSpeciation takes "as N" off the end of a result.
func splitSpeciation(s string) (rest, spec string, err error) {
	at := strings.LastIndex(s, " as ")
	if at < 0 {
		return s, "", nil
	}
	species := strings.Trim(s[at+4:], " \t")
	ok := len(species) > 0 && len(species) <= 12 && species[0] >= 'A' && species[0] <= 'Z'
	for _, c := range species {
		ok = ok && (c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' || c >= '0' && c <= '9')
	}
	if !ok {
		return "", "", fmt.Errorf("%q is not how a result is expressed: write a formula, such as \"as N\" or \"as CaCO3\"", clip(s[at+1:]))
	}
	return s[:at], "as " + species, nil
}

// String is the result as written, or one made by a computation.
func (r Result) String() string {
	if r.Text != "" {
		return r.Text
	}
	s := [...]string{Exact: "", Below: "<", Above: ">"}[min(r.Qualifier, Above)] + r.Quantity.String()
	if r.Speciation != "" {
		s += " " + r.Speciation
	}
	return s
}

// Interval is where the true value lies as far as the result's text tells,
// leaving uncertainty aside: a point; from zero (or from below, where the
// dimension has no floor) up to and without the limit; beyond the limit.
func (r Result) Interval() Interval {
	x := r.Quantity.base()
	switch r.Qualifier {
	case Below:
		i := Interval{Dim: r.Quantity.Dim, Hi: x, HiOpen: true, LoOpen: true}
		if r.Quantity.Dim.FromZero() {
			i.Lo, i.LoOpen = new(big.Rat), false
		}
		return i
	case Above:
		return Interval{Dim: r.Quantity.Dim, Lo: x, LoOpen: true, HiOpen: true}
	}
	return Interval{Dim: r.Quantity.Dim, Lo: x, Hi: x}
}
