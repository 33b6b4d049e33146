package rules

import (
	"errors"
	"strings"

	"github.com/google/cel-go/cel"
	"github.com/google/cel-go/common/types/ref"
	"github.com/google/cel-go/interpreter"
)

// planOptions fold literals and put the step limit into a plan.
func planOptions() []cel.ProgramOption {
	return []cel.ProgramOption{cel.InterruptCheckFrequency(mostSteps), cel.CustomDecorator(foldLiteral)}
}

// foldLiteral evaluates the constructor of a literal once, when it is planned.
func foldLiteral(i interpreter.Interpretable) (interpreter.Interpretable, error) {
	c, ok := i.(interpreter.InterpretableCall)
	if !ok || len(c.Args()) != 1 || c.Function() != numberFunction && !strings.HasPrefix(c.Function(), qtyFunction) {
		return i, nil
	}
	if _, ok := c.Args()[0].(interpreter.InterpretableConst); !ok {
		return i, nil
	}
	return interpreter.NewConstValue(i.ID(), i.Eval(interpreter.EmptyActivation())), nil
}

// scope resolves the names of an expression.
type scope struct {
	env    *Env
	lookup Lookup
}

// Parent implements interpreter.Activation.
func (*scope) Parent() interpreter.Activation { return nil }

// ResolveName implements interpreter.Activation.
func (s *scope) ResolveName(name string) (any, bool) {
	if r, ok := s.env.records[name]; ok {
		return &recordVal{shape: r, path: name + ".", lookup: s.lookup}, true
	}
	if strings.HasPrefix(name, analyteVar) && s.env.analyte != nil {
		return &recordVal{shape: s.env.analyte, path: pathPrefix(name), lookup: s.lookup}, true
	}
	if w, ok := constants[name]; ok {
		return w, true
	}
	return nil, false
}

var constants = func() map[string]ref.Val {
	m := map[string]ref.Val{}
	for _, w := range answerWords {
		m[w] = wordVal{word: w, of: celAnswer, constant: true}
	}
	for _, w := range riseWords {
		m[w] = wordVal{word: w, of: celRise, constant: true}
	}
	return m
}()

// run evaluates a plan; what goes wrong becomes a faulty value.
func run(p cel.Program, names interpreter.Activation) (ref.Val, *cel.EvalDetails) {
	out, details, err := p.ContextEval(stepLimit, names)
	switch {
	case err == nil:
		return out, details
	case errors.Is(err, errStepLimit):
		return faulty(CodeStepLimit, errStepLimit.Error()), details
	}
	return faulty(CodeInternal, err.Error()), details
}

// Judge decides a criterion, an expression of type Bool. Of other types it
// tells whether there is a value: met when there is.
func (x *Expr) Judge(l Lookup) Decision {
	out, _ := run(x.judge, &scope{x.env, l})
	return decide(out)
}

// Value computes the expression. The decision is met when there is a value (of a
// statement: true or false); otherwise the value is nil and the decision says what
// it lacks. A value has the form that Lookup gives values of its type.
func (x *Expr) Value(l Lookup) (any, Decision) {
	out, _ := run(x.judge, &scope{x.env, l})
	d := decide(out)
	if d.State != Met && d.State != Unmet {
		return nil, d
	}
	d.State = Met
	return toGo(out), d
}
