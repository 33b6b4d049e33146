package rules

import (
	"github.com/google/cel-go/cel"
	"github.com/google/cel-go/common/operators"
	"github.com/google/cel-go/common/types/ref"

	"tapledger/rules/quantity"
)

// FunctionDoc says everything about one function or operator of a level. Its
// example runs as a test.
type FunctionDoc struct {
	Name      string   `json:"name"`
	Signature []string `json:"signature"`
	Says      string   `json:"says"`
	Units     string   `json:"units"`
	Range     string   `json:"range"`
	Errors    string   `json:"errors"`
	Source    string   `json:"source"`
	Example   string   `json:"example"`
	// Given are the values of the example's fields, "path=value; path=value".
	Given string `json:"given,omitempty"`
	// Gives is the example's value, or its state with its code.
	Gives string `json:"gives"`
}

// Functions lists every function and operator of the newest level.
func Functions() []FunctionDoc {
	var out []FunctionDoc
	for _, f := range level1() {
		out = append(out, f.doc)
	}
	return append(out, builtIn...)
}

// builtIn documents what CEL itself gives: its logic and its loops over lists.
var builtIn = []FunctionDoc{
	{Name: "&& || !", Signature: []string{"statement && statement"}, Says: "and, or, not, in Kleene's logic: what one side decides alone is decided",
		Units: "none", Range: "all", Errors: "none", Source: "CEL; S. C. Kleene, Introduction to Metamathematics, 1952, section 64",
		Example: `a.answer == yes || b.pressure > qty("1 psi")`, Given: "a.answer=yes", Gives: "met"},
	{Name: "? :", Signature: []string{"statement ? value : value"}, Says: "one of two values of one type", Units: "as the values", Range: "all",
		Errors: "an undecided statement leaves the value undecided", Source: "CEL", Example: `a.answer == yes ? 2 : 3`, Given: "a.answer=no", Gives: "3"},
	{Name: "all exists", Signature: []string{"list.all(v, statement)", "list.exists(v, statement)"}, Says: "whether all items, or at least one, make the statement true",
		Units: "none", Range: "two loops deep, 50000 steps in all", Errors: "step_limit", Source: "CEL",
		Example: `s.values.all(v, v < qty("15 uS/cm"))`, Given: "s.values=12 uS/cm, 14 uS/cm", Gives: "met"},
	{Name: "map filter", Signature: []string{"list.map(v, value)", "list.filter(v, statement)"}, Says: "a list made from each item, or of the items that make the statement true",
		Units: "as the values", Range: "two loops deep, 50000 steps in all", Errors: "step_limit", Source: "CEL",
		Example: `count(s.values.filter(v, v > qty("13 uS/cm")))`, Given: "s.values=12 uS/cm, 14 uS/cm", Gives: "1"},
	{Name: "qty", Signature: []string{`qty("number unit") -> quantity`}, Says: "a quantity, read and checked when the document is", Units: "every unit of the table",
		Range: "at most 40 characters of number", Errors: "a fault when it is no quantity", Source: "own", Example: `qty("0.5 h") == qty("30 min")`, Gives: "met"},
	{Name: "analyte", Signature: []string{`analyte("id").field`}, Says: "what is known about one analyte", Units: "of the result", Range: "the ids of the document",
		Errors: "a fault when the id is unknown", Source: "own", Example: `analyte("lead").treated < qty("5 ug/L")`, Given: `analyte("lead").treated=<0.5 ug/L`, Gives: "met"},
}

// level1 is the closed table of engine level 1. After the first release a row's
// behaviour never changes: a fix is a new function under a new level.
func level1() []function {
	out := []function{
		comparison("<", operators.Less), comparison("<=", operators.LessEquals),
		comparison(">", operators.Greater), comparison(">=", operators.GreaterEquals), equality(),
		arithmeticRow("+", operators.Add, "exact sum; temperature + difference = temperature; moment + time = moment"),
		arithmeticRow("-", operators.Subtract, "exact difference; temperature - temperature = difference; moment - moment = time"),
		arithmeticRow("*", operators.Multiply, "exact product with a number or ratio; flow * time = volume; concentration * volume = mass"),
		arithmeticRow("/", operators.Divide, "exact quotient; of one dimension a ratio; volume / time = flow; mass / volume = concentration"),
		negation(),
	}
	return append(out, named1()...)
}

func unaryOver(dims []quantity.Dim, name string, result func(quantity.Dim) *cel.Type) []overload {
	out := []overload{{name + "_number", []*cel.Type{celNumber}, celNumber}}
	for _, d := range dims {
		out = append(out, overload{name + "_" + d.Name(), []*cel.Type{celQuantity[d]}, result(d)})
	}
	return out
}

func listOver(dims []quantity.Dim, name string) []overload {
	out := []overload{{name + "_number", []*cel.Type{cel.ListType(celNumber)}, celNumber}}
	for _, d := range dims {
		out = append(out, overload{name + "_" + d.Name(), []*cel.Type{cel.ListType(celQuantity[d])}, celQuantity[d]})
	}
	return out
}

func pairOver(name string) []overload {
	out := []overload{{name + "_number", []*cel.Type{celNumber, celNumber}, celQuantity[quantity.Ratio]}}
	for _, d := range additive {
		out = append(out, overload{name + "_" + d.Name(), []*cel.Type{celQuantity[d], celQuantity[d]}, celQuantity[quantity.Ratio]})
	}
	return out
}

func sameDim(d quantity.Dim) *cel.Type { return celQuantity[d] }

// measured are all dimensions but pH, whose mean is that of the activities.
var measured = append(append([]quantity.Dim(nil), additive...), quantity.Temperature)

var everyDim = append(append([]quantity.Dim(nil), measured...), quantity.PH)

func named1() []function {
	ratio := celQuantity[quantity.Ratio]
	results := []*cel.Type{celResult, celResult}
	withPH := append(append([]quantity.Dim(nil), additive...), quantity.PH)
	return []function{
		{cel: "change", binary: change, overloads: pairOver("change"), doc: docChange},
		{cel: "rpd", binary: rpd, overloads: append(pairOver("rpd"), overload{"rpd_result", results, ratio}), doc: docRPD},
		{cel: "reduction", binary: reduction, overloads: []overload{{"reduction_result", results, celInterval[quantity.Ratio]}}, doc: docReduction},
		{cel: "non_detect", unary: nonDetect, overloads: []overload{{"non_detect_result", []*cel.Type{celResult}, cel.BoolType}}, doc: docNonDetect},
		{cel: "lower_end", unary: end(false), overloads: []overload{{"lower_end_interval", []*cel.Type{celIntervalD}, celQuantityD}}, doc: docLowerEnd},
		{cel: "upper_end", unary: end(true), overloads: []overload{{"upper_end_interval", []*cel.Type{celIntervalD}, celQuantityD}}, doc: docUpperEnd},
		{cel: "abs", unary: absolute, overloads: unaryOver(withPH, "abs", sameDim), doc: docAbs},
		{cel: "mean", unary: overList(meanOf), overloads: listOver(measured, "mean"), doc: docMean},
		{cel: "median", unary: overList(medianOf), overloads: listOver(everyDim, "median"), doc: docMedian},
		{cel: "min", unary: overList(minOf), overloads: listOver(everyDim, "min"), doc: docMin},
		{cel: "max", unary: overList(maxOf), overloads: listOver(everyDim, "max"), doc: docMax},
		{cel: "count", unary: count, overloads: []overload{{"count_list", []*cel.Type{celListOfItem}, celNumber}}, doc: docCount},
		{cel: "recorded", nonStrict: recorded, overloads: []overload{{"recorded_any", []*cel.Type{celItemParam}, cel.BoolType}}, doc: docRecorded},
		{cel: "number", binary: number, overloads: []overload{{"number_quantity", []*cel.Type{celQuantityD, cel.StringType}, celNumber}}, doc: docNumber},
	}
}

func comparison(sign, op string) function {
	name := map[string]string{"<": "lt", "<=": "le", ">": "gt", ">=": "ge"}[sign]
	b := cel.BoolType
	pairs := []struct {
		id   string
		l, r *cel.Type
	}{
		{"number", celNumber, celNumber}, {"moment", celMoment, celMoment}, {"quantity", celQuantityD, celQuantityD},
		{"interval_quantity", celIntervalD, celQuantityD}, {"quantity_interval", celQuantityD, celIntervalD}, {"interval", celIntervalD, celIntervalD},
		{"result_quantity", celResult, celQuantityD}, {"quantity_result", celQuantityD, celResult}, {"result", celResult, celResult},
	}
	f := function{cel: op, binary: func(x, y ref.Val) ref.Val { return compare(op, x, y) }, doc: docComparison(sign)}
	for _, p := range pairs {
		f.overloads = append(f.overloads, overload{name + "_" + p.id, []*cel.Type{p.l, p.r}, b})
	}
	return f
}

func equality() function {
	f := function{cel: operators.Equals, binary: equal, doc: docEquals}
	for _, p := range []struct {
		id   string
		l, r *cel.Type
	}{
		{"bool", cel.BoolType, cel.BoolType}, {"text", cel.StringType, cel.StringType}, {"number", celNumber, celNumber}, {"moment", celMoment, celMoment},
		{"answer", celAnswer, celAnswer}, {"rise", celRise, celRise}, {"quantity", celQuantityD, celQuantityD}, {"result", celResult, celResult},
		{"result_quantity", celResult, celQuantityD}, {"interval_quantity", celIntervalD, celQuantityD},
	} {
		f.overloads = append(f.overloads, overload{"eq_" + p.id, []*cel.Type{p.l, p.r}, cel.BoolType})
	}
	return f
}

func negation() function {
	return function{cel: operators.Negate, doc: docNegate, overloads: unaryOver(additive, "neg", sameDim),
		unary: func(v ref.Val) ref.Val {
			zero, ok := baseOf(v)
			if !ok {
				return faulty(CodeInternal, "- of "+v.Type().TypeName())
			}
			if q, ok := v.(quantityVal); ok {
				return made(apply(operators.Subtract, zeroRat, zero), q.q.Dim, q.q.Unit)
			}
			return numberVal{apply(operators.Subtract, zeroRat, zero)}
		}}
}

func arithmeticRow(sign, op, says string) function {
	f := function{cel: op, binary: func(a, b ref.Val) ref.Val { return calculate(op, a, b) }, doc: docArithmetic(sign, says)}
	word := map[string]string{"+": "add", "-": "sub", "*": "mul", "/": "div"}[sign]
	row := func(l, r, result *cel.Type, id string) {
		f.overloads = append(f.overloads, overload{word + "_" + id, []*cel.Type{l, r}, result})
	}
	row(celNumber, celNumber, celNumber, "number")
	ratio := celQuantity[quantity.Ratio]
	for _, d := range additive {
		q, n := celQuantity[d], d.Name()
		switch sign {
		case "+", "-":
			row(q, q, q, n)
			continue
		case "*":
			row(celNumber, q, q, "number_"+n)
			if d != quantity.Ratio {
				row(ratio, q, q, "ratio_"+n)
			}
		case "/":
			row(q, q, ratio, n)
		}
		row(q, celNumber, q, n+"_number")
		if d != quantity.Ratio || sign == "*" {
			row(q, ratio, q, n+"_ratio")
		}
	}
	for _, p := range products {
		if p.op == op {
			row(celQuantity[p.left], celQuantity[p.right], celQuantity[p.result], p.left.Name()+"_"+p.right.Name())
		}
	}
	f.overloads = append(f.overloads, affine(sign, word)...)
	return f
}

// affine are the sums and differences of temperatures, pH and moments.
func affine(sign, word string) []overload {
	t, dt, ph, time := celQuantity[quantity.Temperature], celQuantity[quantity.TemperatureDifference], celQuantity[quantity.PH], celQuantity[quantity.Time]
	row := func(id string, l, r, result *cel.Type) overload {
		return overload{word + "_" + id, []*cel.Type{l, r}, result}
	}
	switch sign {
	case "+":
		list := celListOfItem
		return []overload{row("temperature_difference", t, dt, t), row("difference_temperature", dt, t, t),
			row("moment_time", celMoment, time, celMoment), row("time_moment", time, celMoment, celMoment), row("list", list, list, list)}
	case "-":
		return []overload{row("temperature", t, t, dt), row("temperature_difference", t, dt, t), row("ph", ph, ph, ph),
			row("moment", celMoment, celMoment, time), row("moment_time", celMoment, time, celMoment)}
	}
	return nil
}
