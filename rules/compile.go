package rules

import (
	"fmt"
	"slices"
	"sort"
	"strings"
	"sync"

	"github.com/google/cel-go/cel"
	"github.com/google/cel-go/common"
	"github.com/google/cel-go/common/ast"
	"github.com/google/cel-go/common/operators"
	"github.com/google/cel-go/common/types"

	"tapledger/rules/quantity"
)

// Expr is a checked expression. It is safe for concurrent use.
type Expr struct {
	env    *Env
	source string
	ast    *ast.AST
	typ    Type
	refs   []string
	judge  cel.Program

	explainOnce sync.Once
	explain     cel.Program // tracks what each part gave
	explainErr  error
	loops       map[int64]cel.Program // the body of each loop, planned alone
}

// Type is the type of the expression's value.
func (x *Expr) Type() Type { return x.typ }

// Source is the expression as written.
func (x *Expr) Source() string { return x.source }

// Refs lists the fields that the expression names, as paths for Lookup, sorted,
// each once. They are the inputs of its decisions, whichever of them an
// evaluation happens to read.
func (x *Expr) Refs() []string { return slices.Clone(x.refs) }

// Compile checks an expression and makes it ready. With want being the zero
// Type any type will do. All faults found are given, sorted by place.
func (e *Env) Compile(src string, want Type) (*Expr, []Fault) {
	if f, bad := refuseText(src); bad {
		return nil, []Fault{f}
	}
	parsed, iss := e.cel.Parse(src)
	if iss.Err() != nil {
		return nil, e.translate(src, nil, iss)
	}
	c := &compiling{env: e, src: []rune(src), ast: parsed.NativeRep()}
	c.next = ast.MaxID(c.ast)
	c.rewrite()
	if len(c.faults) > 0 {
		return nil, sortFaults(c.faults)
	}
	checked, iss := e.cel.Check(parsed)
	if iss.Err() != nil {
		return nil, e.translate(src, parsed.NativeRep(), iss)
	}
	c.ast = checked.NativeRep()
	c.validate()
	t, ok := c.resultType(want)
	if len(c.faults) > 0 || !ok {
		return nil, sortFaults(c.faults)
	}
	x := &Expr{env: e, source: src, ast: c.ast, typ: t, refs: c.refs()}
	var err error
	if x.judge, err = e.cel.PlanProgram(c.ast, planOptions()...); err != nil {
		return nil, []Fault{{Line: 1, Col: 1, Says: "the expression cannot be planned: " + err.Error()}}
	}
	return x, nil
}

// refuseText refuses what is not worth parsing.
func refuseText(src string) (Fault, bool) {
	if strings.TrimSpace(src) == "" {
		return Fault{Line: 1, Col: 1, Says: "the expression is empty"}, true
	}
	line, col := 1, 1
	for _, r := range src {
		switch {
		case r == '\n':
			line, col = line+1, 0
		case r < ' ' && r != '\t' && r != '\r', r >= 0x7f && r <= 0x9f, r == 0xfffd:
			return Fault{Line: line, Col: col, Says: fmt.Sprintf("a control character (U+%04X) or broken text", r)}, true
		}
		col++
	}
	return Fault{}, false
}

// compiling is an expression on its way.
type compiling struct {
	env    *Env
	src    []rune
	ast    *ast.AST
	next   int64 // last id given to a node
	faults []Fault
}

func (c *compiling) fault(id int64, hint, says string, args ...any) {
	c.faultAt(c.ast.SourceInfo().GetStartLocation(id), hint, says, args...)
}

// faultFrom puts a fault at the first character of a part, where CEL's own
// places are those of its operator, dot or bracket.
func (c *compiling) faultFrom(e ast.Expr, hint, says string, args ...any) {
	c.faultAt(leftmost(c.ast.SourceInfo(), e), hint, says, args...)
}

func (c *compiling) faultAt(l common.Location, hint, says string, args ...any) {
	line, col := max(l.Line(), 1), max(l.Column()+1, 1)
	c.faults = append(c.faults, Fault{Line: line, Col: col, Says: fmt.Sprintf(says, args...), Hint: hint})
}

// place is where a node stands; what cannot be placed stands at the beginning.
func place(info *ast.SourceInfo, id int64) (line, col int) {
	l := info.GetStartLocation(id)
	return max(l.Line(), 1), max(l.Column()+1, 1)
}

// leftmost is the place of a part's first character.
func leftmost(info *ast.SourceInfo, e ast.Expr) common.Location {
	best := info.GetStartLocation(e.ID())
	if e.Kind() == ast.CallKind && !e.AsCall().IsMemberFunction() && idPattern.MatchString(e.AsCall().FunctionName()) {
		return common.NewLocation(best.Line(), best.Column()-len(e.AsCall().FunctionName()))
	}
	ast.PostOrderVisit(e, ast.NewExprVisitor(func(p ast.Expr) {
		l := info.GetStartLocation(p.ID())
		if p.Kind() == ast.IdentKind && strings.HasPrefix(p.AsIdent(), analyteVar) {
			l = common.NewLocation(l.Line(), l.Column()-len("analyte"))
		}
		if l.Line() > 0 && (l.Line() < best.Line() || l.Line() == best.Line() && l.Column() < best.Column()) {
			best = l
		}
	}))
	return best
}

// rewrite turns numbers into exact ones and a != b into !(a == b), and refuses
// what expressions here do not have.
func (c *compiling) rewrite() {
	fac := ast.NewExprFactory()
	info := c.ast.SourceInfo()
	ast.PostOrderVisit(c.ast.Expr(), ast.NewExprVisitor(func(e ast.Expr) {
		switch e.Kind() {
		case ast.LiteralKind:
			c.rewriteLiteral(fac, e)
		case ast.MapKind, ast.StructKind:
			c.fault(e.ID(), "", "there are no maps or structures here")
		case ast.CallKind:
			call := e.AsCall()
			if hint, ok := notHere[call.FunctionName()]; ok {
				at := c.ast.SourceInfo().GetStartLocation(e.ID())
				if idPattern.MatchString(call.FunctionName()) && !call.IsMemberFunction() {
					at = leftmost(c.ast.SourceInfo(), e)
				}
				c.faultAt(at, hint[1], "%s", hint[0])
			}
			if call.FunctionName() != operators.NotEquals {
				return
			}
			l, r := call.Args()[0], call.Args()[1]
			c.next++
			same := fac.NewCall(c.next, operators.Equals, l, r)
			if at, ok := info.GetOffsetRange(e.ID()); ok {
				info.SetOffsetRange(c.next, at)
			}
			info.SetMacroCall(e.ID(), fac.NewCall(0, operators.NotEquals, l, r))
			e.SetKindCase(fac.NewCall(e.ID(), operators.LogicalNot, same))
		}
	}))
}

// notHere are parts of CEL that are left out: what is wrong, what to do.
var notHere = map[string][2]string{
	operators.Index:  {"items of a list are not picked by number", "use first, last or previous, min, max, median, or all and exists"},
	operators.In:     {"there is no in here", "write list.exists(v, v == x), or x == a || x == b"},
	operators.Modulo: {"there is no remainder here", ""},
	"size":           {"there is no size here", "use count(list)"},
	"has":            {"there is no has here", "use recorded(step.field)"},
	"matches":        {"there are no patterns of text here", ""},
	"dyn":            {"there is no dyn here: every value has one type", ""},
}

// rewriteLiteral makes a number exact, from its digits as written.
func (c *compiling) rewriteLiteral(fac ast.ExprFactory, e ast.Expr) {
	switch e.AsLiteral().(type) {
	case types.Int, types.Double:
	case types.Bool, types.String:
		return
	default:
		c.fault(e.ID(), "", "only numbers, texts, true and false can be written out here")
		return
	}
	text := ""
	if at, ok := c.ast.SourceInfo().GetOffsetRange(e.ID()); ok && at.Start >= 0 && int(at.Stop) <= len(c.src) && at.Start < at.Stop {
		text = string(c.src[at.Start:at.Stop])
	}
	if _, err := quantity.ParseDecimal(text); err != nil {
		c.fault(e.ID(), "", "%s", err.Error())
		return
	}
	display := fac.NewLiteral(0, e.AsLiteral())
	c.next++
	arg := fac.NewLiteral(c.next, types.String(text))
	c.ast.SourceInfo().SetMacroCall(e.ID(), display)
	e.SetKindCase(fac.NewCall(e.ID(), numberFunction, arg))
}

// validate looks at what the checker does not: loops in loops, the unit of
// number(), records that stand alone.
func (c *compiling) validate() {
	c.loops(c.ast.Expr(), 0)
	ast.PostOrderVisit(c.ast.Expr(), ast.NewExprVisitor(func(e ast.Expr) {
		if e.Kind() == ast.ListKind && vague(c.ast.GetType(e.ID())) && !c.madeByLoop(e) {
			c.fault(e.ID(), "", "the items of a list must be of one type, and there must be one")
		}
		if e.Kind() != ast.CallKind || e.AsCall().FunctionName() != "number" || len(e.AsCall().Args()) != 2 {
			return
		}
		args := e.AsCall().Args()
		text, ok := literalText(args[1])
		if !ok {
			c.fault(args[1].ID(), "", `number() takes a unit written out, such as number(x, "mL")`)
			return
		}
		u, err := quantity.LookupUnit(text)
		if err != nil {
			c.fault(args[1].ID(), "", "%s", err.Error())
			return
		}
		if t, ok := typeOf(c.ast.GetType(args[0].ID())); ok && t.dim != u.Dim {
			c.fault(args[1].ID(), "", "a %s has no value in %s, which is a unit of %s", t.dim, u.Code, u.Dim)
		}
	}))
}

// vague tells whether the checker was left without a type: values of any type
// would escape it.
func vague(t *cel.Type) bool {
	if t.Kind() == types.DynKind || t.Kind() == types.TypeParamKind {
		return true
	}
	return slices.ContainsFunc(t.Parameters(), vague)
}

// madeByLoop tells whether a list is no part of the source: the empty list that
// map and filter begin with has no place of its own.
func (c *compiling) madeByLoop(e ast.Expr) bool {
	_, ok := c.ast.SourceInfo().GetOffsetRange(e.ID())
	return !ok
}

func (c *compiling) loops(e ast.Expr, depth int) {
	if e.Kind() == ast.ComprehensionKind {
		if depth++; depth > mostNesting {
			c.fault(e.ID(), "", "at most %d loops within one another are allowed", mostNesting)
			return
		}
		l := e.AsComprehension()
		c.loops(l.IterRange(), depth-1)
		c.loops(l.LoopStep(), depth)
		return
	}
	switch e.Kind() {
	case ast.CallKind:
		call := e.AsCall()
		if call.IsMemberFunction() {
			c.loops(call.Target(), depth)
		}
		for _, a := range call.Args() {
			c.loops(a, depth)
		}
	case ast.SelectKind:
		c.loops(e.AsSelect().Operand(), depth)
	case ast.ListKind:
		for _, a := range e.AsList().Elements() {
			c.loops(a, depth)
		}
	}
}

// resultType is the expression's type, held against what is wanted.
func (c *compiling) resultType(want Type) (Type, bool) {
	root := c.ast.Expr()
	ct := c.ast.GetType(root.ID())
	t, ok := typeOf(ct)
	switch {
	case !ok && strings.HasPrefix(ct.TypeName(), "record."):
		name := strings.TrimPrefix(ct.TypeName(), "record.")
		c.faultFrom(root, "its fields are "+strings.Join(c.env.records[name].sorted, ", "), "%s is not one value: name a field of it", name)
	case !ok && ct.TypeName() == "analyte":
		c.faultFrom(root, "its fields are "+strings.Join(c.env.analyte.sorted, ", "), "an analyte is not one value: name a field of it")
	case !ok && len(c.faults) == 0:
		c.faultFrom(root, "", "the expression has no value of a known type")
	case !ok:
	case want.kind != kindAny && t != want:
		c.faultFrom(root, wantHint(t, want), "%s is wanted here, and this is %s", withArticle(want.String()), withArticle(t.String()))
		ok = false
	}
	return t, ok
}

func wantHint(got, want Type) string {
	switch {
	case want == Bool && got == Answer:
		return "compare it with yes, as in answer == yes"
	case want == Bool:
		return "compare it with something, as in x <= qty(\"30 min\")"
	case want == Number && got.kind == kindQuantity && !got.list:
		return fmt.Sprintf("write number(x, %q)", quantity.BaseUnit(got.dim).Code)
	case want.kind == kindQuantity && got == Number && want.dim == quantity.Ratio:
		return `write it as a ratio: x * qty("1 1")`
	}
	return ""
}

// refs lists the paths of all fields named.
func (c *compiling) refs() []string {
	var out []string
	ast.PostOrderVisit(c.ast.Expr(), ast.NewExprVisitor(func(e ast.Expr) {
		if p, ok := fieldPath(c.ast, e); ok {
			out = append(out, p)
		}
	}))
	sort.Strings(out)
	return slices.Compact(out)
}

// fieldPath gives the path of a field's node as Lookup takes it.
func fieldPath(a *ast.AST, e ast.Expr) (string, bool) {
	if e.Kind() != ast.SelectKind {
		return "", false
	}
	sel := e.AsSelect()
	if sel.Operand().Kind() != ast.IdentKind || a.GetType(sel.Operand().ID()).Kind() != types.StructKind {
		return "", false
	}
	return pathPrefix(sel.Operand().AsIdent()) + sel.FieldName(), true
}

// pathPrefix is how paths into a variable begin.
func pathPrefix(variable string) string {
	if id, ok := strings.CutPrefix(variable, analyteVar); ok {
		return `analyte("` + id + `").`
	}
	return variable + "."
}

func sortFaults(fs []Fault) []Fault {
	sort.SliceStable(fs, func(i, j int) bool {
		a, b := fs[i], fs[j]
		if a.Line != b.Line {
			return a.Line < b.Line
		}
		if a.Col != b.Col {
			return a.Col < b.Col
		}
		return a.Says < b.Says
	})
	return slices.Compact(fs)
}
