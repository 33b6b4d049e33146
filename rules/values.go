package rules

import (
	"fmt"
	"math/big"
	"reflect"
	"time"

	"github.com/google/cel-go/cel"
	"github.com/google/cel-go/common/types"
	"github.com/google/cel-go/common/types/ref"

	"tapledger/rules/quantity"
)

// The CEL types. A dimension is a parameter of two opaque types, so that the
// checker tells a volume from a time; at run time values know their dimension.
var (
	celNumber = types.NewOpaqueType("Number")
	celMoment = types.NewOpaqueType("Moment")
	celAnswer = types.NewOpaqueType("Answer")
	celRise   = types.NewOpaqueType("Rise")
	celResult = types.NewOpaqueType("Result")

	celQuantity, celInterval = dimTypes()
	// celOfAny stand for a quantity or interval of whichever dimension D is.
	dimParam      = types.NewTypeParamType("D")
	celQuantityD  = types.NewOpaqueType("Quantity", dimParam)
	celIntervalD  = types.NewOpaqueType("Interval", dimParam)
	celItemParam  = types.NewTypeParamType("A")
	celListOfItem = types.NewListType(celItemParam)
)

func dimTypes() (q, i map[quantity.Dim]*cel.Type) {
	q, i = map[quantity.Dim]*cel.Type{}, map[quantity.Dim]*cel.Type{}
	for _, d := range quantity.Dims() {
		dim := types.NewOpaqueType(d.Name())
		q[d] = types.NewOpaqueType("Quantity", dim)
		i[d] = types.NewOpaqueType("Interval", dim)
	}
	return q, i
}

// cel is the CEL type of t.
func (t Type) cel() *cel.Type {
	var c *cel.Type
	switch t.kind {
	case kindBool:
		c = cel.BoolType
	case kindNumber:
		c = celNumber
	case kindText:
		c = cel.StringType
	case kindMoment:
		c = celMoment
	case kindAnswer:
		c = celAnswer
	case kindRise:
		c = celRise
	case kindResult:
		c = celResult
	case kindQuantity:
		c = celQuantity[t.dim]
	case kindInterval:
		c = celInterval[t.dim]
	default:
		c = cel.DynType
	}
	if t.list {
		return cel.ListType(c)
	}
	return c
}

// typeOf is the Type of a CEL type; false when expressions cannot have it as
// their value, such as a whole record.
func typeOf(c *cel.Type) (Type, bool) {
	switch c.TypeName() {
	case "bool":
		return Bool, true
	case "string":
		return Text, true
	case "Number":
		return Number, true
	case "Moment":
		return Moment, true
	case "Answer":
		return Answer, true
	case "Rise":
		return Rise, true
	case "Result":
		return Result, true
	case "Quantity", "Interval":
		d, ok := quantity.DimByName(c.Parameters()[0].TypeName())
		if c.TypeName() == "Quantity" {
			return QuantityOf(d), ok
		}
		return IntervalOf(d), ok
	case "list":
		item, ok := typeOf(c.Parameters()[0])
		return ListOf(item), ok && !item.list
	}
	return Type{}, false
}

// The values. Each is a CEL value; none is ever changed in place.
type (
	numberVal   struct{ r *big.Rat }
	quantityVal struct{ q quantity.Quantity }
	intervalVal struct{ i quantity.Interval }
	resultVal   struct{ r quantity.Result }
	momentVal   struct{ t time.Time }
	// wordVal is an answer or a rise. A constant is the word written in an
	// expression: only a comparison with the written word not_applicable looks
	// at answers that are not applicable.
	wordVal struct {
		word     string
		of       *cel.Type
		constant bool
	}
)

func noNative(v any) error { return fmt.Errorf("a %T has no native form", v) }

func noType(t ref.Type) ref.Val { return types.NewErr("no conversion to %s", t.TypeName()) }

// Type implements ref.Val.
func (numberVal) Type() ref.Type                              { return celNumber }
func (v numberVal) Value() any                                { return v.r }
func (v numberVal) ConvertToNative(reflect.Type) (any, error) { return nil, noNative(v) }
func (v numberVal) ConvertToType(t ref.Type) ref.Val          { return noType(t) }
func (v numberVal) Equal(o ref.Val) ref.Val                   { return equal(v, o) }
func (v numberVal) String() string                            { return quantity.Plain(v.r) }

func (v quantityVal) Type() ref.Type                            { return celQuantity[v.q.Dim] }
func (v quantityVal) Value() any                                { return v.q }
func (v quantityVal) ConvertToNative(reflect.Type) (any, error) { return nil, noNative(v) }
func (v quantityVal) ConvertToType(t ref.Type) ref.Val          { return noType(t) }
func (v quantityVal) Equal(o ref.Val) ref.Val                   { return equal(v, o) }
func (v quantityVal) String() string                            { return v.q.String() }

func (v intervalVal) Type() ref.Type                            { return celInterval[v.i.Dim] }
func (v intervalVal) Value() any                                { return v.i }
func (v intervalVal) ConvertToNative(reflect.Type) (any, error) { return nil, noNative(v) }
func (v intervalVal) ConvertToType(t ref.Type) ref.Val          { return noType(t) }
func (v intervalVal) Equal(o ref.Val) ref.Val                   { return equal(v, o) }
func (v intervalVal) String() string                            { return v.i.String() }

func (resultVal) Type() ref.Type                              { return celResult }
func (v resultVal) Value() any                                { return v.r }
func (v resultVal) ConvertToNative(reflect.Type) (any, error) { return nil, noNative(v) }
func (v resultVal) ConvertToType(t ref.Type) ref.Val          { return noType(t) }
func (v resultVal) Equal(o ref.Val) ref.Val                   { return equal(v, o) }
func (v resultVal) String() string                            { return v.r.String() }

func (momentVal) Type() ref.Type                              { return celMoment }
func (v momentVal) Value() any                                { return v.t }
func (v momentVal) ConvertToNative(reflect.Type) (any, error) { return nil, noNative(v) }
func (v momentVal) ConvertToType(t ref.Type) ref.Val          { return noType(t) }
func (v momentVal) Equal(o ref.Val) ref.Val                   { return equal(v, o) }
func (v momentVal) String() string                            { return v.t.UTC().Format("2006-01-02T15:04:05.000Z") }

func (v wordVal) Type() ref.Type                            { return v.of }
func (v wordVal) Value() any                                { return v.word }
func (v wordVal) ConvertToNative(reflect.Type) (any, error) { return nil, noNative(v) }
func (v wordVal) ConvertToType(t ref.Type) ref.Val          { return noType(t) }
func (v wordVal) Equal(o ref.Val) ref.Val                   { return equal(v, o) }
func (v wordVal) String() string                            { return v.word }

// Words of answers and rises; riseUndecided comes in from an assessment only.
var (
	answerWords = []string{"yes", "no", notApplicable}
	riseWords   = []string{"not_distinguishable", "higher_unconfirmed", "higher_confirmed"}
)

const (
	notApplicable = "not_applicable"
	riseUndecided = "undecided"
)

// fromGo turns a looked-up value into a CEL value, or into the reason why not.
func fromGo(v any, t Type, path string) ref.Val {
	if t.list {
		items, ok := v.([]any)
		if !ok {
			return mismatch(v, t, path)
		}
		vals := make([]ref.Val, len(items))
		for i, item := range items {
			vals[i] = fromGo(item, t.Item(), path)
			if types.IsUnknown(vals[i]) {
				return vals[i]
			}
		}
		return types.NewRefValList(types.DefaultTypeAdapter, vals)
	}
	switch x := v.(type) {
	case bool:
		if t == Bool {
			return types.Bool(x)
		}
	case *big.Rat:
		if t == Number && x != nil {
			return numberVal{x}
		}
	case time.Time:
		if t == Moment {
			return momentVal{x}
		}
	case quantity.Quantity:
		return quantityFromGo(x, t, path)
	case quantity.Result:
		if t == Result && x.Quantity.Base != nil {
			return resultVal{x}
		}
	case quantity.Interval:
		if t.kind == kindInterval && x.Dim == t.dim && x.Valid() {
			return intervalVal{x}
		}
	case string:
		return wordFromGo(x, t, path)
	}
	return mismatch(v, t, path)
}

func quantityFromGo(q quantity.Quantity, t Type, path string) ref.Val {
	switch {
	case q.Base == nil:
	case t.kind == kindQuantity && q.Dim == t.dim:
		return quantityVal{q}
	case t.kind == kindInterval && q.Dim == t.dim:
		return intervalVal{quantity.Point(q)}
	case t == Result:
		return resultVal{quantity.Result{Quantity: q, Text: q.Text}}
	}
	return mismatch(q, t, path)
}

func wordFromGo(s string, t Type, path string) ref.Val {
	words, c := answerWords, celAnswer
	switch t {
	case Text:
		return types.String(s)
	case Answer:
	case Rise:
		if s == riseUndecided {
			return undecided(CodeEvidence, "the rise is undecided")
		}
		words, c = riseWords, celRise
	default:
		return mismatch(s, t, path)
	}
	for _, w := range words {
		if w == s {
			return wordVal{word: w, of: c}
		}
	}
	return mismatch(s, t, path)
}

func mismatch(v any, t Type, path string) ref.Val {
	return faulty(CodeInternal, fmt.Sprintf("%s is a %s, and %v was given", path, t, v))
}

// toGo turns a CEL value back into what Lookup would give.
func toGo(v ref.Val) any {
	switch x := v.(type) {
	case types.Bool:
		return bool(x)
	case types.String:
		return string(x)
	case numberVal, quantityVal, intervalVal, resultVal, momentVal, wordVal:
		return x.Value()
	}
	if items, ok := listItems(v); ok {
		out := make([]any, len(items))
		for i, item := range items {
			out[i] = toGo(item)
		}
		return out
	}
	return nil
}
