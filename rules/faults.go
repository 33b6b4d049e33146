package rules

import (
	"fmt"
	"regexp"
	"strings"

	"github.com/google/cel-go/cel"
	"github.com/google/cel-go/common/ast"

	"tapledger/rules/quantity"
)

// translate turns what CEL reports into faults in the trade's words. a is the
// parsed expression, nil when it could not be parsed.
func (e *Env) translate(src string, a *ast.AST, iss *cel.Issues) []Fault {
	var out []Fault
	for _, err := range iss.Errors() {
		f := Fault{Line: max(err.Location.Line(), 1), Col: max(err.Location.Column()+1, 1)}
		if err.Location.Line() < 1 {
			f.Line, f.Col = 1, 1
		}
		f.Says, f.Hint = e.words(err.Message, a, err.ExprID)
		switch m := noOverload.FindStringSubmatch(err.Message); {
		case noField.MatchString(err.Message):
			f.Col++ // from the dot to the field
		case m != nil && idPattern.MatchString(m[1]):
			f.Col = max(f.Col-len(m[1]), 1) // from the bracket to the function
		case undeclared.MatchString(err.Message) && a != nil:
			f.Col = max(f.Col-calledName(a, err.ExprID), 1)
		}
		out = append(out, f)
		if strings.HasPrefix(err.Message, "Syntax error") {
			return out[len(out)-1:] // what follows a syntax error follows from it
		}
	}
	if len(out) == 0 {
		out = append(out, Fault{Line: 1, Col: 1, Says: "the expression cannot be read: " + iss.Err().Error()})
	}
	return firstPerPlace(sortFaults(out))
}

// calledName is how long the name of a called function is, whose place is its
// bracket; 0 for everything else.
func calledName(a *ast.AST, id int64) int {
	n := 0
	ast.PostOrderVisit(a.Expr(), ast.NewExprVisitor(func(e ast.Expr) {
		if e.ID() == id && e.Kind() == ast.CallKind && idPattern.MatchString(e.AsCall().FunctionName()) {
			n = len(e.AsCall().FunctionName())
		}
	}))
	return n
}

// firstPerPlace keeps one fault per place: the parser repeats itself.
func firstPerPlace(fs []Fault) []Fault {
	var out []Fault
	for _, f := range fs {
		if n := len(out); n > 0 && out[n-1].Line == f.Line && out[n-1].Col == f.Col {
			continue
		}
		out = append(out, f)
	}
	return out
}

var (
	noOverload   = regexp.MustCompile(`^found no matching overload for '([^']+)' applied to '(.*)'$`)
	undeclared   = regexp.MustCompile(`^undeclared reference to '([^']+)'`)
	noField      = regexp.MustCompile(`^undefined field '([^']+)'$`)
	wrongType    = regexp.MustCompile(`^expected type '([^']+)' but found '([^']+)'$`)
	noSelection  = regexp.MustCompile(`^type '([^']+)' does not support field selection$`)
	badRange     = regexp.MustCompile(`^expression of type '([^']+)' cannot be range`)
	tokenUnknown = regexp.MustCompile(`token recognition error at: '(.*)'$`)
	tokenWrong   = regexp.MustCompile(`(?:mismatched|extraneous) input '(.*?)' expecting`)
	tokenMissing = regexp.MustCompile(`missing '(.*?)' at`)
	noViable     = regexp.MustCompile(`no viable alternative at input '(.*)'$`)
	reservedWord = regexp.MustCompile(`^reserved identifier: (\S+)$`)
)

// words puts one message of CEL into the trade's words.
func (e *Env) words(msg string, a *ast.AST, id int64) (says, hint string) {
	switch {
	case strings.Contains(msg, "recursion limit exceeded"), strings.Contains(msg, "recursion depth exceeded"):
		return fmt.Sprintf("the expression is nested too deeply, at most %d levels are allowed", mostDepth), ""
	case strings.Contains(msg, "size exceeds limit"):
		return fmt.Sprintf("the expression is too long, at most %d characters are allowed", mostSource), ""
	case strings.Contains(msg, "node count exceeds limit"):
		return fmt.Sprintf("the expression has too many parts, at most %d are allowed", mostNodes), ""
	case strings.HasPrefix(msg, "Syntax error"):
		return syntaxWords(msg)
	case strings.HasPrefix(msg, "invalid int literal"), strings.HasPrefix(msg, "invalid double literal"):
		return "this number cannot be read", "at most 19 digits without a point"
	}
	if m := reservedWord.FindStringSubmatch(msg); m != nil {
		return fmt.Sprintf("%q is a reserved word", m[1]), ""
	}
	if m := noOverload.FindStringSubmatch(msg); m != nil {
		return overloadWords(m[1], splitTypes(m[2]))
	}
	if m := undeclared.FindStringSubmatch(msg); m != nil {
		return e.undeclaredWords(m[1])
	}
	if m := noField.FindStringSubmatch(msg); m != nil {
		return e.fieldWords(m[1], a, id)
	}
	if m := wrongType.FindStringSubmatch(msg); m != nil {
		got := typeWord(m[2])
		if m[1] == "bool" && m[2] == "Answer" {
			return "a statement that is true or false is wanted here, and this is an answer", "compare it with yes, as in answer == yes"
		}
		return fmt.Sprintf("%s is wanted here, and this is %s", withArticle(typeWord(m[1])), withArticle(got)), ""
	}
	if m := noSelection.FindStringSubmatch(msg); m != nil {
		return withArticle(typeWord(m[1])) + " has no fields", ""
	}
	if m := badRange.FindStringSubmatch(msg); m != nil {
		return "only a list can be looped over, and this is " + withArticle(typeWord(m[1])), ""
	}
	return msg, ""
}

func syntaxWords(msg string) (says, hint string) {
	if m := tokenUnknown.FindStringSubmatch(msg); m != nil {
		if strings.TrimSpace(m[1]) == "=" {
			return `"=" has no meaning here`, "to compare, write =="
		}
		return fmt.Sprintf("%q has no meaning here", strings.TrimSpace(m[1])), ""
	}
	if m := tokenMissing.FindStringSubmatch(msg); m != nil {
		return fmt.Sprintf("%q is missing here", m[1]), ""
	}
	token := ""
	if m := tokenWrong.FindStringSubmatch(msg); m != nil {
		token = m[1]
	} else if m := noViable.FindStringSubmatch(msg); m != nil {
		token = m[1]
	}
	switch token {
	case "<EOF>":
		return "the expression ends too early", ""
	case "":
		return "the expression cannot be read from here on", ""
	}
	return fmt.Sprintf("%q cannot stand here", token), ""
}

var operatorWords = map[string][2]string{
	"_<_": {"compare", "<"}, "_<=_": {"compare", "<="}, "_>_": {"compare", ">"}, "_>=_": {"compare", ">="}, "_==_": {"compare", "=="}, "_!=_": {"compare", "!="},
	"_+_": {"add", "+"}, "_-_": {"subtract", "-"}, "_*_": {"multiply", "*"}, "_/_": {"divide", "/"},
}

func overloadWords(name string, args []string) (says, hint string) {
	var words []string
	for _, a := range args {
		words = append(words, withArticle(typeWord(a)))
	}
	if op, ok := operatorWords[name]; ok && len(args) == 2 {
		link := map[string]string{"compare": "with", "add": "and", "subtract": "and", "multiply": "by", "divide": "by"}[op[0]]
		return fmt.Sprintf("cannot %s %s %s %s (operator %s)", op[0], words[0], link, words[1], op[1]), overloadHint(name, args)
	}
	switch name {
	case "-_":
		return "there is no opposite of " + strings.Join(words, " and "), ""
	case "!_":
		return "not takes a statement that is true or false, and this is " + strings.Join(words, " and "), ""
	case "_?_:_":
		if len(words) == 3 && args[0] != "bool" {
			return "a statement that is true or false is wanted before the ?, and this is " + words[0], ""
		}
		if len(words) == 3 {
			return fmt.Sprintf("both values of ? : must be of one type, and these are %s and %s", words[1], words[2]), ""
		}
	}
	for _, f := range Functions() {
		if f.Name == name {
			return fmt.Sprintf("%s() does not take %s", name, list(words)), "it takes " + strings.Join(f.Signature, " or ")
		}
	}
	return fmt.Sprintf("%s() does not take %s", name, list(words)), ""
}

func list(words []string) string {
	if len(words) == 0 {
		return "nothing"
	}
	return strings.Join(words, " and ")
}

func overloadHint(name string, args []string) string {
	has := func(t string) bool { return args[0] == t || args[1] == t }
	compares := operatorWords[name][0] == "compare"
	switch {
	case compares && has("Number") && has("Quantity(Ratio)"):
		return `write the number as a ratio, such as qty("5 %")`
	case compares && has("Number"):
		return "give the number a unit with qty(), or take it out of the quantity with number()"
	case compares && has("string"):
		return "a quantity is written qty(\"30 min\")"
	case compares && has("bool") && has("Answer"):
		return "answers are yes, no and not_applicable"
	case name == "_+_" && args[0] == "Quantity(Temperature)" && args[1] == args[0]:
		return "two temperatures have no sum; to a temperature a difference is added, such as qty(\"2 Cel_diff\")"
	}
	return ""
}

func (e *Env) undeclaredWords(name string) (says, hint string) {
	if name == "analyte" {
		return "this document has no analytes", ""
	}
	if h, ok := notHere[name]; ok {
		return h[0], h[1]
	}
	candidates := append(append([]string(nil), e.names...), answerWords...)
	candidates = append(candidates, riseWords...)
	for _, f := range Functions() {
		if idPattern.MatchString(f.Name) {
			candidates = append(candidates, f.Name)
		}
	}
	if near := quantity.Nearest(name, candidates); near != "" {
		hint = fmt.Sprintf("did you mean %q?", near)
	} else if n := len(e.names); n > 0 && n <= 12 {
		hint = "known here: " + strings.Join(e.names, ", ")
	}
	return fmt.Sprintf("nothing here is called %q", name), hint
}

// fieldWords finds the record that a missing field was asked of.
func (e *Env) fieldWords(field string, a *ast.AST, id int64) (says, hint string) {
	says = fmt.Sprintf("there is no field %q", field)
	if a == nil {
		return says, ""
	}
	ast.PostOrderVisit(a.Expr(), ast.NewExprVisitor(func(n ast.Expr) {
		if n.ID() != id || n.Kind() != ast.SelectKind || n.AsSelect().Operand().Kind() != ast.IdentKind {
			return
		}
		name := n.AsSelect().Operand().AsIdent()
		s, what := e.records[name], name
		if strings.HasPrefix(name, analyteVar) {
			s, what = e.analyte, "an analyte"
		}
		if s == nil {
			return
		}
		says = fmt.Sprintf("%s has no field %q", what, field)
		if near := quantity.Nearest(field, s.sorted); near != "" {
			hint = fmt.Sprintf("did you mean %q?", near)
		} else if len(s.sorted) > 0 {
			hint = "its fields are " + strings.Join(s.sorted, ", ")
		}
	}))
	return says, hint
}

// splitTypes splits "(A, list(B), C)" at its outer commas.
func splitTypes(s string) []string {
	s = strings.TrimSuffix(strings.TrimPrefix(s, "("), ")")
	var out []string
	depth, from := 0, 0
	for i, r := range s {
		switch r {
		case '(':
			depth++
		case ')':
			depth--
		case ',':
			if depth == 0 {
				out, from = append(out, strings.TrimSpace(s[from:i])), i+1
			}
		}
	}
	if rest := strings.TrimSpace(s[from:]); rest != "" {
		out = append(out, rest)
	}
	return out
}

// typeWord is the trade word of a CEL type's name.
func typeWord(t string) string {
	inner := func(prefix string) (string, bool) {
		rest, ok := strings.CutPrefix(t, prefix+"(")
		return strings.TrimSuffix(rest, ")"), ok
	}
	if d, ok := inner("Quantity"); ok {
		return dimWord(d)
	}
	if d, ok := inner("Interval"); ok {
		return "interval of a " + dimWord(d)
	}
	if d, ok := inner("list"); ok {
		return "list (each " + withArticle(typeWord(d)) + ")"
	}
	if name, ok := strings.CutPrefix(t, "record."); ok {
		return "whole record (" + name + ")"
	}
	switch t {
	case "bool":
		return "statement that is true or false"
	case "string":
		return "text"
	case "analyte":
		return "whole analyte"
	}
	return strings.ToLower(t)
}

func dimWord(name string) string {
	if d, ok := quantity.DimByName(name); ok {
		return d.String()
	}
	return "quantity"
}

func withArticle(s string) string {
	if s != "" && strings.ContainsRune("aeiou", rune(s[0])) {
		return "an " + s
	}
	return "a " + s
}
