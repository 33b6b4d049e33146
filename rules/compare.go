package rules

import (
	"fmt"

	"github.com/google/cel-go/common/operators"
	"github.com/google/cel-go/common/types"
	"github.com/google/cel-go/common/types/ref"

	"tapledger/rules/quantity"
)

// fits gives the relations that a comparison accepts.
var fits = map[string]quantity.Order{
	operators.Less: quantity.Less, operators.LessEquals: quantity.Less | quantity.Equal,
	operators.Greater: quantity.Greater, operators.GreaterEquals: quantity.Greater | quantity.Equal,
	operators.Equals: quantity.Equal,
}

// span is what a value of a comparison can be: an interval, and for results
// what they say besides.
func span(v ref.Val) (i quantity.Interval, r *quantity.Result, ok bool) {
	switch x := v.(type) {
	case numberVal:
		return quantity.Interval{Lo: x.r, Hi: x.r}, nil, true
	case quantityVal:
		return quantity.Point(x.q), nil, true
	case intervalVal:
		return x.i, nil, true
	case resultVal:
		return x.r.Interval(), &x.r, true
	}
	return i, nil, false
}

// compare decides an order between two values: true or false when every value
// that they can have agrees, otherwise undecided with the code that says why.
func compare(op string, a, b ref.Val) ref.Val {
	if x, ok := a.(momentVal); ok {
		y, ok := b.(momentVal)
		if !ok {
			return faulty(CodeInternal, "a moment compared with something else")
		}
		return types.Bool(relation(x.t.Compare(y.t))&fits[op] != 0)
	}
	i, ra, okA := span(a)
	j, rb, okB := span(b)
	if !okA || !okB {
		return faulty(CodeInternal, fmt.Sprintf("%s compared with %s", a.Type().TypeName(), b.Type().TypeName()))
	}
	if why := unlike(i, j, ra, rb); why != "" {
		return undecided(CodeEvidence, why)
	}
	possible := i.Order(j)
	switch {
	case possible&^fits[op] == 0:
		return types.True
	case possible&fits[op] == 0:
		return types.False
	}
	return undecided(whyOpen(ra, rb), fmt.Sprintf("%s against %s", show(a), show(b)))
}

func relation(c int) quantity.Order {
	switch {
	case c < 0:
		return quantity.Less
	case c > 0:
		return quantity.Greater
	}
	return quantity.Equal
}

// unlike says why two values cannot be held against each other although their
// types agree: results carry their dimension and speciation at run time.
func unlike(i, j quantity.Interval, ra, rb *quantity.Result) string {
	if i.Dim != j.Dim {
		return fmt.Sprintf("a %s cannot be held against a %s", i.Dim, j.Dim)
	}
	if ra != nil && rb != nil && ra.Speciation != rb.Speciation {
		return fmt.Sprintf("%s and %s are expressed differently", ra, rb)
	}
	return ""
}

// whyOpen names the code of an open comparison.
func whyOpen(ra, rb *quantity.Result) Code {
	below := func(r *quantity.Result) bool { return r != nil && r.Qualifier == quantity.Below }
	switch {
	case ra != nil && rb != nil && below(ra) != below(rb):
		return CodeUnequalLimits
	case below(ra) || below(rb):
		return CodeReportingLimit
	}
	return CodeStraddles
}

// equal decides whether two values are the same. Other types than the checker
// admits are never equal.
func equal(a, b ref.Val) ref.Val {
	switch x := a.(type) {
	case wordVal:
		y, ok := b.(wordVal)
		if !ok {
			return types.False
		}
		return equalWords(x, y)
	case momentVal:
		y, ok := b.(momentVal)
		return types.Bool(ok && x.t.Equal(y.t))
	case numberVal, quantityVal, intervalVal, resultVal:
		if _, _, ok := span(b); !ok {
			return types.False
		}
		return compare(operators.Equals, a, b)
	}
	return types.False
}

// equalWords compares answers. One that is "not applicable" leaves a question
// about yes or no undecided; asking for the word itself is always decided.
func equalWords(x, y wordVal) ref.Val {
	asked := x.constant && x.word == notApplicable || y.constant && y.word == notApplicable
	if !asked && (x.word == notApplicable || y.word == notApplicable) {
		return undecided(CodeNotApplicable, "answered as not applicable")
	}
	return types.Bool(x.word == y.word)
}

// show writes a value as explanations and reasons print it.
func show(v ref.Val) string {
	switch x := v.(type) {
	case types.Bool:
		if x {
			return "true"
		}
		return "false"
	case types.String:
		return fmt.Sprintf("%q", string(x))
	case fmt.Stringer:
		if !types.IsUnknown(v) {
			return x.String()
		}
		return "unknown"
	}
	if items, ok := listItems(v); ok {
		s := ""
		for i, item := range items {
			if i > 0 {
				s += ", "
			}
			s += show(item)
		}
		return "[" + s + "]"
	}
	return "unknown"
}
