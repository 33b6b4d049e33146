package rules

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"sort"
	"strings"
	"sync"

	"github.com/google/cel-go/cel"
	"github.com/google/cel-go/common/ast"
	"github.com/google/cel-go/common/env"
	"github.com/google/cel-go/common/operators"
	"github.com/google/cel-go/common/types"
	"github.com/google/cel-go/common/types/ref"

	"tapledger/rules/quantity"
)

// Env is the environment of one document's expressions: the functions of an
// engine level and the document's vocabulary. It is safe for concurrent use.
type Env struct {
	cel      *cel.Env
	level    int
	records  map[string]*shape // by variable name
	names    []string          // variable names, sorted
	analytes []string
	analyte  *shape
}

// shape is a record type: its name in CEL, how paths to its fields begin, and
// its fields.
type shape struct {
	name   string
	fields map[string]Type
	sorted []string
}

// kept are the only functions taken from CEL's standard library. An allow-list:
// no dyn, type, has, matches, clock or time zone.
var kept = []string{operators.LogicalAnd, operators.LogicalOr, operators.LogicalNot, operators.NotStrictlyFalse, operators.Conditional}

var keptMacros = []string{operators.All, operators.Exists, operators.Map, operators.Filter}

// celWords are CEL's reserved words.
var celWords = strings.Fields("as break const continue else for function if import in let loop namespace package return var void while true false null")

// Reserved lists the words that ids of steps, constants and the like may not
// take, sorted: CEL's reserved words, the functions of the newest level and the
// words of answers and rises.
func Reserved() []string {
	out := append([]string{"qty", "analyte", "has", "dyn", "type"}, celWords...)
	out = append(append(out, answerWords...), riseWords...)
	for _, f := range level1() {
		if idPattern.MatchString(f.cel) {
			out = append(out, f.cel)
		}
	}
	sort.Strings(out)
	return slices.Compact(out)
}

var idPattern = regexp.MustCompile(`^[a-z][a-z0-9_]*$`)

// base is the environment of level 1 without a vocabulary.
var base = sync.OnceValues(func() (*cel.Env, error) {
	sub := env.NewLibrarySubset()
	for _, op := range kept {
		sub.AddIncludedFunctions(env.NewFunction(op))
	}
	sub.AddIncludedMacros(keptMacros...)
	opts := []cel.EnvOption{cel.StdLib(cel.StdLibSubset(sub)), cel.EnableMacroCallTracking(), cel.Macros(qtyMacro())}
	opts = append(opts, parserLimits()...)
	for _, f := range level1() {
		opts = append(opts, f.option())
	}
	opts = append(opts, literalFunctions()...)
	for _, w := range answerWords {
		opts = append(opts, cel.Variable(w, celAnswer))
	}
	for _, w := range riseWords {
		opts = append(opts, cel.Variable(w, celRise))
	}
	return cel.NewCustomEnv(opts...)
})

// NewEnv makes the environment of a vocabulary at an engine level. It refuses
// unknown levels, and names that are no ids, are reserved, or stand twice.
func NewEnv(level int, v Vocabulary) (*Env, error) {
	if level != Level {
		return nil, fmt.Errorf("engine level %d is not known: this version has level %d", level, Level)
	}
	b, err := base()
	if err != nil {
		return nil, err
	}
	e := &Env{level: level, records: map[string]*shape{}}
	reserved := Reserved()
	for _, r := range v.Records {
		if _, twice := e.records[r.Name]; twice {
			return nil, fmt.Errorf("the name %q stands twice", r.Name)
		}
		if err := checkName(r.Name, reserved); err != nil {
			return nil, err
		}
		s, err := newShape("record."+r.Name, r.Fields)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", r.Name, err)
		}
		e.records[r.Name] = s
		e.names = append(e.names, r.Name)
	}
	if len(v.Analytes) > 0 {
		if e.analyte, err = newShape("analyte", v.AnalyteFields); err != nil {
			return nil, fmt.Errorf("analyte: %w", err)
		}
		e.analytes = append(e.analytes, v.Analytes...)
	}
	sort.Strings(e.names)
	sort.Strings(e.analytes)
	e.cel, err = b.Extend(e.options(b)...)
	return e, err
}

func checkName(name string, reserved []string) error {
	if !idPattern.MatchString(name) {
		return fmt.Errorf("%q is no id: small letters, digits and _, a letter first", name)
	}
	if slices.Contains(reserved, name) {
		return fmt.Errorf("%q is a reserved word", name)
	}
	return nil
}

func newShape(name string, fields []Field) (*shape, error) {
	s := &shape{name: name, fields: map[string]Type{}}
	for _, f := range fields {
		if _, twice := s.fields[f.Name]; twice {
			return nil, fmt.Errorf("the field %q stands twice", f.Name)
		}
		if err := checkName(f.Name, celWords); err != nil {
			return nil, err
		}
		if f.Type.kind == kindAny {
			return nil, fmt.Errorf("the field %q has no type", f.Name)
		}
		s.fields[f.Name] = f.Type
		s.sorted = append(s.sorted, f.Name)
	}
	sort.Strings(s.sorted)
	return s, nil
}

func (e *Env) options(b *cel.Env) []cel.EnvOption {
	shapes := map[string]*shape{}
	opts := []cel.EnvOption{}
	for _, name := range e.names {
		s := e.records[name]
		shapes[s.name] = s
		opts = append(opts, cel.Variable(name, cel.ObjectType(s.name)))
	}
	if e.analyte != nil {
		shapes[e.analyte.name] = e.analyte
		opts = append(opts, cel.Macros(analyteMacro(e.analytes)))
		for _, id := range e.analytes {
			opts = append(opts, cel.Variable(analyteVar+id, cel.ObjectType(e.analyte.name)))
		}
	}
	return append(opts, cel.CustomTypeProvider(&provider{Provider: b.CELTypeProvider(), shapes: shapes}))
}

// analyteVar begins the hidden variable of an analyte; no expression can write it.
const analyteVar = "@analyte_"

// recordVal is a record during an evaluation: it looks its fields up.
type recordVal struct {
	*shape
	path   string // how paths to its fields begin, with the dot
	lookup Lookup
}

// field gives the value of a field, or what it lacks.
func (r *recordVal) field(name string) ref.Val {
	path, t := r.path+name, r.fields[name]
	var v any
	p := Open
	if r.lookup != nil {
		v, p = r.lookup(path)
	}
	switch p {
	case Recorded:
		return fromGo(v, t, path)
	case NotRecorded:
		return undecided(CodeNotRecorded, path)
	case FeedMoved:
		return undecided(CodeFeedMoved, path)
	case NotApplicable:
		if t == Answer {
			return wordVal{word: notApplicable, of: celAnswer}
		}
		return undecided(CodeNotApplicable, path)
	}
	return awaits(path)
}

// provider tells CEL the fields of records.
type provider struct {
	types.Provider
	shapes map[string]*shape
}

// FindStructType implements types.Provider.
func (p *provider) FindStructType(name string) (*types.Type, bool) {
	if _, ok := p.shapes[name]; ok {
		return types.NewTypeTypeWithParam(types.NewObjectType(name)), true
	}
	return p.Provider.FindStructType(name)
}

// FindStructFieldNames implements types.Provider.
func (p *provider) FindStructFieldNames(name string) ([]string, bool) {
	if s, ok := p.shapes[name]; ok {
		return s.sorted, true
	}
	return p.Provider.FindStructFieldNames(name)
}

// FindStructFieldType implements types.Provider.
func (p *provider) FindStructFieldType(name, field string) (*types.FieldType, bool) {
	s, ok := p.shapes[name]
	if !ok {
		return p.Provider.FindStructFieldType(name, field)
	}
	t, ok := s.fields[field]
	if !ok {
		return nil, false
	}
	get := func(target any) (any, error) {
		r, ok := target.(*recordVal)
		if !ok {
			return nil, errors.New("a field of something that is no record")
		}
		return r.field(field), nil
	}
	return &types.FieldType{Type: t.cel(), IsSet: func(any) bool { return true }, GetFrom: get}, true
}

const (
	qtyFunction    = "@qty_" // and the dimension's name
	numberFunction = "@number"
)

// qtyMacro turns qty("30 min") into a constructor of the unit's dimension when
// the expression is parsed, so that the checker sees a time, and a misspelt unit
// is a fault at its place.
func qtyMacro() cel.Macro {
	return cel.GlobalMacro("qty", 1, func(mef cel.MacroExprFactory, _ ast.Expr, args []ast.Expr) (ast.Expr, *cel.Error) {
		text, ok := literalText(args[0])
		if !ok {
			return nil, mef.NewError(args[0].ID(), `qty() takes a text written out, such as qty("30 min")`)
		}
		q, err := quantity.Parse(text)
		if err != nil {
			return nil, mef.NewError(args[0].ID(), err.Error())
		}
		return mef.NewCall(qtyFunction+q.Dim.Name(), mef.Copy(args[0])), nil
	})
}

func analyteMacro(ids []string) cel.Macro {
	return cel.GlobalMacro("analyte", 1, func(mef cel.MacroExprFactory, _ ast.Expr, args []ast.Expr) (ast.Expr, *cel.Error) {
		id, ok := literalText(args[0])
		if !ok {
			return nil, mef.NewError(args[0].ID(), `analyte() takes an id written out, such as analyte("lead")`)
		}
		if _, found := slices.BinarySearch(ids, id); !found {
			says := fmt.Sprintf("the document has no analyte %q", id)
			if near := quantity.Nearest(id, ids); near != "" {
				says += fmt.Sprintf("; did you mean %q?", near)
			}
			return nil, mef.NewError(args[0].ID(), says)
		}
		return mef.NewIdent(analyteVar + id), nil
	})
}

func literalText(e ast.Expr) (string, bool) {
	if e.Kind() != ast.LiteralKind {
		return "", false
	}
	s, ok := e.AsLiteral().(types.String)
	return string(s), ok
}

// literalFunctions are the constructors that literals are turned into. Plans
// evaluate them once.
func literalFunctions() []cel.EnvOption {
	text := []*cel.Type{cel.StringType}
	var out []cel.EnvOption
	for _, d := range quantity.Dims() {
		name := qtyFunction + d.Name()
		out = append(out, cel.Function(name, cel.Overload(name, text, celQuantity[d], cel.UnaryBinding(func(v ref.Val) ref.Val {
			q, err := quantity.Parse(string(v.(types.String)))
			if err != nil {
				return faulty(CodeInternal, err.Error())
			}
			return quantityVal{q}
		}))))
	}
	return append(out, cel.Function(numberFunction, cel.Overload(numberFunction, text, celNumber, cel.UnaryBinding(func(v ref.Val) ref.Val {
		r, err := quantity.ParseDecimal(string(v.(types.String)))
		if err != nil {
			return faulty(CodeInternal, err.Error())
		}
		return numberVal{r}
	}))))
}
