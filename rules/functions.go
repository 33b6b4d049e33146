package rules

import (
	"fmt"
	"math/big"
	"sort"

	"github.com/google/cel-go/cel"
	"github.com/google/cel-go/common/types"
	"github.com/google/cel-go/common/types/ref"

	"tapledger/rules/quantity"
	"tapledger/rules/water"
)

// absolute is abs(x).
func absolute(v ref.Val) ref.Val {
	switch x := v.(type) {
	case numberVal:
		return numberVal{new(big.Rat).Abs(x.r)}
	case quantityVal:
		return made(new(big.Rat).Abs(x.q.Base), x.q.Dim, x.q.Unit)
	}
	return faulty(CodeInternal, "abs of "+v.Type().TypeName())
}

func baseOf(v ref.Val) (*big.Rat, bool) {
	switch x := v.(type) {
	case numberVal:
		return x.r, true
	case quantityVal:
		return x.q.Base, true
	}
	return nil, false
}

var percent = func() quantity.Unit {
	u, err := quantity.LookupUnit("%")
	if err != nil {
		panic(err)
	}
	return u
}()

// change is |now - earlier| / |earlier|.
func change(now, earlier ref.Val) ref.Val {
	a, okA := baseOf(now)
	b, okB := baseOf(earlier)
	if !okA || !okB {
		return faulty(CodeInternal, "change of "+now.Type().TypeName())
	}
	d := new(big.Rat).Sub(a, b)
	if d.Abs(d).Sign() == 0 {
		return made(d, quantity.Ratio, percent)
	}
	if b.Sign() == 0 {
		return byZero(quantityVal{quantity.Quantity{Base: d}}, earlier)
	}
	return made(d.Quo(d, new(big.Rat).Abs(b)), quantity.Ratio, percent)
}

// rpd is the relative percent difference |a - b| / ((a + b) / 2), of two
// quantities; of two results it needs both as values.
func rpd(x, y ref.Val) ref.Val {
	if ra, ok := x.(resultVal); ok {
		rb, ok := y.(resultVal)
		if !ok {
			return faulty(CodeInternal, "rpd of a result and something else")
		}
		if why := unlike(ra.r.Interval(), rb.r.Interval(), &ra.r, &rb.r); why != "" {
			return undecided(CodeEvidence, why)
		}
		if ra.r.Qualifier != quantity.Exact || rb.r.Qualifier != quantity.Exact {
			return undecided(whyOpen(&ra.r, &rb.r), fmt.Sprintf("%s and %s have no difference in percent", ra.r, rb.r))
		}
		return rpd(quantityVal{ra.r.Quantity}, quantityVal{rb.r.Quantity})
	}
	a, okA := baseOf(x)
	b, okB := baseOf(y)
	if !okA || !okB {
		return faulty(CodeInternal, "rpd of "+x.Type().TypeName())
	}
	d, sum := new(big.Rat).Sub(a, b), new(big.Rat).Add(a, b)
	if d.Abs(d).Sign() == 0 {
		return made(d, quantity.Ratio, percent)
	}
	if sum.Sign() == 0 {
		return faulty(CodeDivisionByZero, fmt.Sprintf("the mean of %s and %s is zero", show(x), show(y)))
	}
	return made(d.Quo(d.Mul(d, big.NewRat(2, 1)), sum.Abs(sum)), quantity.Ratio, percent)
}

// reduction is what a pair of results says about the share that was taken out.
// A treated non-detect never gives 100 %: the upper end stays open.
func reduction(x, y ref.Val) ref.Val {
	u, okU := x.(resultVal)
	t, okT := y.(resultVal)
	if !okU || !okT {
		return faulty(CodeInternal, "reduction of "+x.Type().TypeName())
	}
	b, err := water.Reduction(u.r, t.r)
	if err != nil {
		return undecided(CodeEvidence, err.Error())
	}
	pair := fmt.Sprintf("%s untreated, %s treated", u.r, t.r)
	switch {
	case b.Code == water.NotCalculable:
		return undecided(CodeReportingLimit, pair+": only limits are known")
	case b.Code == water.UntreatedZero:
		return undecided(CodeEvidence, pair+": nothing to take away from")
	case b.Code == water.LessFinely && u.r.Qualifier == quantity.Below:
		return undecided(CodeUnequalLimits, pair+": the untreated sample was measured less finely")
	}
	i := b.Interval
	if t.r.Qualifier == quantity.Below {
		i.HiOpen = true
	}
	return intervalVal{i}
}

// nonDetect tells whether a result is below a limit.
func nonDetect(v ref.Val) ref.Val {
	r, ok := v.(resultVal)
	if !ok {
		return faulty(CodeInternal, "non_detect of "+v.Type().TypeName())
	}
	return types.Bool(r.r.Qualifier == quantity.Below)
}

// end gives one end of an interval as a quantity.
func end(upper bool) func(ref.Val) ref.Val {
	return func(v ref.Val) ref.Val {
		x, ok := v.(intervalVal)
		if !ok {
			return faulty(CodeInternal, "an end of "+v.Type().TypeName())
		}
		at := x.i.Lo
		if upper {
			at = x.i.Hi
		}
		if at == nil {
			return undecided(CodeStraddles, fmt.Sprintf("%s has no such end", show(v)))
		}
		u := quantity.Unit{}
		if x.i.Dim == quantity.Ratio {
			u = percent
		}
		return made(at, x.i.Dim, u)
	}
}

// numeric gives the items of a list as exact numbers in the base unit, and a
// function that makes such a number a value like the items.
func numeric(v ref.Val) (xs []*big.Rat, like func(*big.Rat) ref.Val, lack ref.Val) {
	items, ok := listItems(v)
	if !ok {
		return nil, nil, faulty(CodeInternal, "no list")
	}
	if len(items) == 0 {
		return nil, nil, undecided(CodeNotRecorded, "the list is empty")
	}
	for _, item := range items {
		x, ok := baseOf(item)
		if !ok {
			return nil, nil, faulty(CodeInternal, "a list of "+item.Type().TypeName())
		}
		xs = append(xs, x)
	}
	if q, ok := items[0].(quantityVal); ok {
		return xs, func(r *big.Rat) ref.Val { return made(r, q.q.Dim, q.q.Unit) }, nil
	}
	return xs, func(r *big.Rat) ref.Val { return numberVal{r} }, nil
}

func overList(f func(xs []*big.Rat) *big.Rat) func(ref.Val) ref.Val {
	return func(v ref.Val) ref.Val {
		xs, like, lack := numeric(v)
		if lack != nil {
			return lack
		}
		return like(f(xs))
	}
}

func meanOf(xs []*big.Rat) *big.Rat {
	sum := new(big.Rat)
	for _, x := range xs {
		sum.Add(sum, x)
	}
	return sum.Quo(sum, big.NewRat(int64(len(xs)), 1))
}

func medianOf(xs []*big.Rat) *big.Rat {
	xs = sorted(xs)
	n := len(xs)
	if n%2 == 1 {
		return xs[n/2]
	}
	return meanOf(xs[n/2-1 : n/2+1])
}

func sorted(xs []*big.Rat) []*big.Rat {
	xs = append([]*big.Rat(nil), xs...)
	sort.Slice(xs, func(i, j int) bool { return xs[i].Cmp(xs[j]) < 0 })
	return xs
}

func minOf(xs []*big.Rat) *big.Rat { return sorted(xs)[0] }
func maxOf(xs []*big.Rat) *big.Rat { return sorted(xs)[len(xs)-1] }

func count(v ref.Val) ref.Val {
	items, ok := listItems(v)
	if !ok {
		return faulty(CodeInternal, "no list")
	}
	return numberVal{big.NewRat(int64(len(items)), 1)}
}

// recorded tells whether a field has a value; an open one is awaited.
func recorded(args ...ref.Val) ref.Val {
	u, ok := args[0].(*types.Unknown)
	if !ok {
		return types.True
	}
	ls := lacks(u)
	if d := decideLacks(ls); d.State == Undecided && d.Code == CodeNotRecorded {
		return types.False
	}
	for _, l := range ls {
		if l.trail != trailUndecided {
			return u
		}
	}
	return types.True // there is an entry, though it may not be applicable or usable
}

// number is number(quantity, "unit"): how many of the unit, a bare number.
func number(x, y ref.Val) ref.Val {
	q, okQ := x.(quantityVal)
	s, okS := y.(types.String)
	u, err := quantity.LookupUnit(string(s))
	if !okQ || !okS || err != nil || u.Dim != q.q.Dim {
		return faulty(CodeInternal, "number in a unit of another dimension")
	}
	return numberVal{q.q.In(u)}
}

// overload is one signature of a function.
type overload struct {
	id     string
	args   []*cel.Type
	result *cel.Type
}

// function is one row of a level's closed table.
type function struct {
	doc       FunctionDoc
	cel       string // its name in CEL, for an operator "_+_"
	overloads []overload
	unary     func(ref.Val) ref.Val
	binary    func(a, b ref.Val) ref.Val
	nonStrict func(args ...ref.Val) ref.Val
}

// option declares the function to CEL. One binding serves all its overloads:
// the checker has admitted the types, and values know what they are.
func (f function) option() cel.EnvOption {
	var opts []cel.FunctionOpt
	for _, o := range f.overloads {
		if f.nonStrict != nil {
			opts = append(opts, cel.Overload(o.id, o.args, o.result, cel.OverloadIsNonStrict(), cel.UnaryBinding(func(v ref.Val) ref.Val { return f.nonStrict(v) })))
			continue
		}
		opts = append(opts, cel.Overload(o.id, o.args, o.result))
	}
	switch {
	case f.unary != nil:
		opts = append(opts, cel.SingletonUnaryBinding(f.unary))
	case f.binary != nil:
		opts = append(opts, cel.SingletonBinaryBinding(f.binary))
	}
	return cel.Function(f.cel, opts...)
}
