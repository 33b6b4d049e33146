package rules

import "errors"

// Env is a compiled vocabulary.
type Env struct{}

// NewEnv makes an environment.
func NewEnv(level int, v Vocabulary) (*Env, error) { return nil, errors.New("not built yet") }

// Expr is a checked expression.
type Expr struct{}

// Compile checks an expression.
func (e *Env) Compile(src string, want Type) (*Expr, []Fault) { return nil, nil }

// Type is the expression's type.
func (x *Expr) Type() Type { return Type{} }

// Refs lists the static references.
func (x *Expr) Refs() []string { return nil }

// Judge decides a criterion.
func (x *Expr) Judge(l Lookup) Decision { return Decision{} }

// Value computes.
func (x *Expr) Value(l Lookup) (any, Decision) { return nil, Decision{} }

// Explanation tells how a decision came about.
type Explanation struct{}

// Text is the explanation in trade words.
func (e *Explanation) Text() string { return "" }

// Explain explains.
func (x *Expr) Explain(l Lookup) *Explanation { return nil }

// Reserved lists words that ids may not take.
func Reserved() []string { return nil }
