package rules

import (
	"slices"
	"sort"

	"github.com/google/cel-go/common/types"
	"github.com/google/cel-go/common/types/ref"
	"github.com/google/cel-go/common/types/traits"
)

// What is not true and not false is a CEL unknown, whose logic is Kleene's: it
// gives way in "unknown && false" and "unknown || true" and stays otherwise,
// merging what both sides lack. A trail under one of these names says what is
// lacking: a field that is awaited, a code with its reason, a fault.
const (
	trailAwaits    = "@awaits"
	trailUndecided = "@undecided"
	trailFaulty    = "@faulty"
)

// awaits is the value of an open step's field.
func awaits(path string) ref.Val { return lacking(trailAwaits, path) }

// undecided is the value of a question that the evidence cannot answer.
func undecided(code Code, why string) ref.Val { return lacking(trailUndecided, string(code), why) }

// faulty is the value of what cannot be evaluated. It is an unknown rather than
// a CEL error, because an error on one side of && or || hides what the other
// side lacks.
func faulty(code Code, why string) ref.Val { return lacking(trailFaulty, string(code), why) }

func lacking(name string, qualifiers ...string) ref.Val {
	t := types.NewAttributeTrail(name)
	for _, q := range qualifiers {
		types.QualifyAttribute[string](t, q)
	}
	return types.NewUnknown(0, t)
}

// lack is one thing that a value lacks.
type lack struct{ trail, code, why string }

// lacks lists what an unknown lacks, sorted, each once.
func lacks(u *types.Unknown) []lack {
	var out []lack
	for _, id := range u.IDs() {
		trails, _ := u.GetAttributeTrails(id)
		for _, t := range trails {
			l := lack{trail: t.Variable()}
			for i, q := range t.QualifierPath() {
				if s, ok := q.(string); ok && i == 0 {
					l.code = s
				} else if ok {
					l.why = s
				}
			}
			out = append(out, l)
		}
	}
	sort.Slice(out, func(i, j int) bool {
		a, b := out[i], out[j]
		if a.trail != b.trail {
			return a.trail < b.trail
		}
		if a.code != b.code {
			return a.code < b.code
		}
		return a.why < b.why
	})
	return slices.Compact(out)
}

// rank orders the codes; the first that applies is the decision's.
var rank = []Code{CodeDivisionByZero, CodeStepLimit, CodeInternal,
	CodeNotRecorded, CodeNotApplicable, CodeFeedMoved, CodeEvidence, CodeUnequalLimits, CodeReportingLimit, CodeStraddles}

// decide turns the value of an expression into a decision. A fault counts most:
// a rule that cannot be evaluated does not become evaluable by waiting.
func decide(v ref.Val) Decision {
	switch v := v.(type) {
	case types.Bool:
		if v {
			return Decision{State: Met}
		}
		return Decision{State: Unmet}
	case *types.Unknown:
		return decideLacks(lacks(v))
	case *types.Err:
		return Decision{State: Faulty, Code: CodeInternal}
	}
	return Decision{State: Met}
}

func decideLacks(ls []lack) Decision {
	d := Decision{State: Undecided}
	best := len(rank)
	for _, l := range ls {
		if l.trail == trailFaulty && d.State != Faulty {
			d, best = Decision{State: Faulty}, len(rank)
		}
		switch {
		case l.trail == trailAwaits && d.State != Faulty:
			d.State, d.Code = Awaiting, ""
			d.Awaits = append(d.Awaits, l.code)
		case l.trail == trailFaulty || l.trail == trailUndecided && d.State == Undecided:
			if at := slices.Index(rank, Code(l.code)); at >= 0 && at < best {
				best, d.Code = at, Code(l.code)
			}
		}
	}
	return d
}

// listItems gives the items of a CEL list.
func listItems(v ref.Val) ([]ref.Val, bool) {
	l, ok := v.(traits.Lister)
	if !ok {
		return nil, false
	}
	var out []ref.Val
	for it := l.Iterator(); it.HasNext() == types.True; {
		out = append(out, it.Next())
	}
	return out, true
}
