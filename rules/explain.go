package rules

import (
	"sort"
	"strings"

	"github.com/google/cel-go/cel"
	"github.com/google/cel-go/common/ast"
	"github.com/google/cel-go/common/operators"
	"github.com/google/cel-go/common/types"
	"github.com/google/cel-go/common/types/ref"
	"github.com/google/cel-go/interpreter"
)

// Explanation tells how a decision or value came about. It is derived from the
// expression and the values, and never stored.
type Explanation struct {
	Expression string   `json:"expression"`
	Decision   Decision `json:"decision"`
	Value      string   `json:"value,omitempty"` // of expressions that are no statements
	Says       string   `json:"says"`            // one sentence
	Inputs     []Input  `json:"inputs"`          // every field that the expression names, sorted
	Tree       *Node    `json:"tree"`
}

// Input is a field that the expression names, with its value as written or
// what it lacks.
type Input struct {
	Path  string `json:"path"`
	Value string `json:"value"`
}

// Node is a part of the expression with what it gave.
type Node struct {
	Text  string `json:"text"`
	Value string `json:"value"` // as written, or computed; "not looked at" when nothing depended on it
	// Because says why a part is undecided, awaited or faulty.
	Because string `json:"because,omitempty"`
	State   State  `json:"state,omitempty"`
	Kind    string `json:"kind"` // field, literal, word, call, loop, item, list
	Line    int    `json:"line"`
	Col     int    `json:"col"`
	// Decisive parts are those that the outcome rests on.
	Decisive bool    `json:"decisive"`
	Parts    []*Node `json:"parts,omitempty"`

	logic string // "and" or "or" when the node is one over its parts
}

const notLookedAt = "not looked at"

// Explain evaluates the expression and tells how its outcome came about.
func (x *Expr) Explain(l Lookup) *Explanation {
	names := &scope{x.env, l}
	out, _ := run(x.judge, names)
	ex := &Explanation{Expression: x.source, Decision: decide(out)}
	if x.typ != Bool && ex.Decision.State == Met {
		ex.Value = show(out)
	}
	ex.Says = sentence(ex.Decision, out, ex.Value)
	for _, p := range x.refs {
		ex.Inputs = append(ex.Inputs, Input{Path: p, Value: x.inputValue(p, l)})
	}
	x.explainOnce.Do(x.planExplain)
	if x.explainErr != nil {
		return ex
	}
	_, details := run(x.explain, names)
	t := &telling{x: x}
	if details != nil {
		t.state = details.State()
	}
	ex.Tree = t.node(x.ast.Expr(), names)
	markDecisive(ex.Tree)
	return ex
}

// planExplain plans the expression, and each loop's body alone, so that what
// every part gave is kept.
func (x *Expr) planExplain() {
	options := append(planOptions(), cel.EvalOptions(cel.OptTrackState))
	if x.explain, x.explainErr = x.env.cel.PlanProgram(x.ast, options...); x.explainErr != nil {
		return
	}
	x.loops = map[int64]cel.Program{}
	ast.PostOrderVisit(x.ast.Expr(), ast.NewExprVisitor(func(e ast.Expr) {
		if e.Kind() != ast.ComprehensionKind || x.explainErr != nil {
			return
		}
		body := loopBody(e.AsComprehension())
		if body == nil {
			return
		}
		alone := ast.NewCheckedAST(ast.NewAST(body, x.ast.SourceInfo()), x.ast.TypeMap(), x.ast.ReferenceMap())
		x.loops[e.ID()], x.explainErr = x.env.cel.PlanProgram(alone, options...)
	}))
}

// loopBody is what a loop works out for each item: the statement of all,
// exists and filter, the value of map.
func loopBody(c ast.ComprehensionExpr) ast.Expr {
	step := c.LoopStep()
	if step.Kind() != ast.CallKind {
		return nil
	}
	args := step.AsCall().Args()
	switch step.AsCall().FunctionName() {
	case operators.LogicalAnd, operators.LogicalOr:
		return args[1]
	case operators.Conditional:
		return args[0]
	case operators.Add:
		if l := args[1]; l.Kind() == ast.ListKind && len(l.AsList().Elements()) == 1 {
			return l.AsList().Elements()[0]
		}
	}
	return nil
}

func (x *Expr) inputValue(path string, l Lookup) string {
	v := x.env.read(path, l)
	if u, ok := v.(*types.Unknown); ok {
		return fieldLack(lacks(u))
	}
	return show(v)
}

// read gives a field by its path.
func (e *Env) read(path string, l Lookup) ref.Val {
	at := strings.LastIndexByte(path, '.')
	variable := path[:at]
	if id, ok := strings.CutPrefix(variable, `analyte("`); ok {
		variable = analyteVar + strings.TrimSuffix(id, `")`)
	}
	r, ok := (&scope{e, l}).ResolveName(variable)
	if !ok {
		return faulty(CodeInternal, path)
	}
	return r.(*recordVal).field(path[at+1:])
}

// telling builds the tree from what an evaluation kept.
type telling struct {
	x     *Expr
	state interpreter.EvalState
}

func (t *telling) value(id int64) (ref.Val, bool) {
	if t.state == nil {
		return nil, false
	}
	return t.state.Value(id)
}

func (t *telling) node(e ast.Expr, names interpreter.Activation) *Node {
	n := &Node{Text: t.text(e), Value: notLookedAt, Kind: "call"}
	n.Line, n.Col = place(t.x.ast.SourceInfo(), e.ID())
	if v, ok := t.value(e.ID()); ok {
		n.Value, n.State = show(v), stateOf(v)
		if u, ok := v.(*types.Unknown); ok {
			n.Value, n.Because = string(n.State), because(lacks(u))
		}
	}
	if p, ok := fieldPath(t.x.ast, e); ok {
		n.Kind, n.Text = "field", p
		if n.Because != "" {
			n.Value, n.Because = t.fieldLack(e.ID()), ""
		}
		return n
	}
	switch e.Kind() {
	case ast.LiteralKind:
		n.Kind, n.Value = "literal", n.Text
	case ast.IdentKind:
		n.Kind = "word"
	case ast.ListKind:
		n.Kind = "list"
		t.parts(n, names, e.AsList().Elements()...)
	case ast.ComprehensionKind:
		n.Kind = "loop"
		t.loop(n, e, names)
	case ast.CallKind:
		t.call(n, e, names)
	}
	return n
}

func (t *telling) fieldLack(id int64) string {
	if v, ok := t.value(id); ok {
		if u, ok := v.(*types.Unknown); ok {
			return fieldLack(lacks(u))
		}
	}
	return notLookedAt
}

func stateOf(v ref.Val) State {
	switch v.(type) {
	case types.Bool, *types.Unknown, *types.Err:
		return decide(v).State
	}
	return ""
}

func (t *telling) parts(n *Node, names interpreter.Activation, es ...ast.Expr) {
	for _, e := range es {
		n.Parts = append(n.Parts, t.node(e, names))
	}
}

func (t *telling) call(n *Node, e ast.Expr, names interpreter.Activation) {
	c := e.AsCall()
	name := c.FunctionName()
	n.logic = map[string]string{operators.LogicalAnd: "and", operators.LogicalOr: "or"}[name]
	switch {
	case name == numberFunction || strings.HasPrefix(name, qtyFunction):
		n.Kind, n.Value = "literal", strings.Trim(t.text(c.Args()[0]), `"`)
	case name == operators.LogicalNot && len(c.Args()) == 1 && isNotEqual(t.x.ast.SourceInfo(), e):
		t.parts(n, names, c.Args()[0].AsCall().Args()...) // a != b, written as one
	default:
		t.parts(n, names, c.Args()...)
	}
}

func isNotEqual(info *ast.SourceInfo, e ast.Expr) bool {
	m, ok := info.GetMacroCall(e.ID())
	return ok && m.Kind() == ast.CallKind && m.AsCall().FunctionName() == operators.NotEquals
}

// loop tells what each item gave: the evaluation kept only the last one, so
// the body is evaluated for each again.
func (t *telling) loop(n *Node, e ast.Expr, names interpreter.Activation) {
	c := e.AsComprehension()
	if step := c.LoopStep(); step.Kind() == ast.CallKind {
		n.logic = map[string]string{operators.LogicalAnd: "and", operators.LogicalOr: "or"}[step.AsCall().FunctionName()]
	}
	t.parts(n, names, c.IterRange())
	over, ok := t.value(c.IterRange().ID())
	body := t.x.loops[e.ID()]
	if !ok || body == nil || n.Value == notLookedAt {
		return
	}
	items, ok := listItems(over)
	if !ok {
		return
	}
	for _, item := range items {
		inner := &itemScope{parent: names, name: c.IterVar(), value: item}
		_, details := run(body, inner)
		sub := &telling{x: t.x}
		if details != nil {
			sub.state = details.State()
		}
		b := sub.node(loopBody(c), inner)
		n.Parts = append(n.Parts, &Node{Text: c.IterVar() + " = " + show(item), Value: b.Value, State: b.State, Kind: "item", Line: b.Line, Col: b.Col, Parts: []*Node{b}})
	}
}

// itemScope adds one loop variable.
type itemScope struct {
	parent interpreter.Activation
	name   string
	value  ref.Val
}

// Parent implements interpreter.Activation.
func (s *itemScope) Parent() interpreter.Activation { return s.parent }

// ResolveName implements interpreter.Activation.
func (s *itemScope) ResolveName(name string) (any, bool) {
	if name == s.name {
		return s.value, true
	}
	return s.parent.ResolveName(name)
}

func (t *telling) text(e ast.Expr) string {
	s, err := cel.ExprToString(e, t.x.ast.SourceInfo())
	if err != nil {
		return "?"
	}
	return s
}

// markDecisive marks what the outcome rests on: of a false "and" its false
// sides, of a true "or" its true ones, of what is undecided that which is.
func markDecisive(n *Node) {
	if n == nil || n.Value == notLookedAt {
		return
	}
	n.Decisive = true
	for _, p := range decisiveParts(n) {
		markDecisive(p)
	}
}

func decisiveParts(n *Node) []*Node {
	and, or := isLogic(n)
	if !and && !or || n.State == Met && and || n.State == Unmet && or {
		return n.Parts
	}
	var out []*Node
	for _, p := range n.Parts {
		if p.State == n.State || p.Kind != "item" && n.Kind == "loop" || open(n.State) && open(p.State) {
			out = append(out, p)
		}
	}
	return out
}

func open(s State) bool { return s == Undecided || s == Awaiting || s == Faulty }

// isLogic tells whether a node is an "and" or an "or" over its parts.
func isLogic(n *Node) (and, or bool) {
	if n.State == "" || len(n.Parts) == 0 {
		return false, false
	}
	return n.logic == "and", n.logic == "or"
}

func sortedSet(xs []string) []string {
	sort.Strings(xs)
	var out []string
	for i, x := range xs {
		if i == 0 || xs[i-1] != x {
			out = append(out, x)
		}
	}
	return out
}
