package main

import (
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"strings"
	"testing"
)

// The guards of house_test.go are shown what they must refuse.

func parseText(t *testing.T, fset *token.FileSet, text string) *ast.File {
	t.Helper()
	f, err := parser.ParseFile(fset, "text.go", text, parser.ParseComments)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestHouseRefusesImports(t *testing.T) {
	for _, c := range []struct {
		room, imports, says string
		test                bool
	}{
		{"audit", "tapledger/rules", "knows no rule", false},
		{"audit", "github.com/rs/zerolog", "standard library only", false},
		{"audit/store", "tapledger/runner", "does not stand above", false},
		{"audit/store", "tapledger/protocol", "knows no rule", false},
		{"runner", "tapledger/runner/assess", "does not stand above", false},
		{"runner", "github.com/go-git/go-git/v5", "only audit/store", false},
		{"rules", "tapledger/nowhere", "no such room", false},
		{"audit", "tapledger/runner", "its tests neither", true},
		{"elsewhere", "fmt", "no room of the house", false},
	} {
		s := source{path: c.room + "/x.go", room: c.room, test: c.test,
			file: parseText(t, token.NewFileSet(), "package x\nimport _ \""+c.imports+"\"\n")}
		bad := importFaults(s)
		if len(bad) == 0 || !strings.Contains(strings.Join(bad, "\n"), c.says) {
			t.Errorf("%s importing %s: got %q, want %q", c.room, c.imports, bad, c.says)
		}
	}
	good := source{path: "runner/x.go", room: "runner",
		file: parseText(t, token.NewFileSet(), "package x\nimport _ \"tapledger/audit\"\n")}
	if bad := importFaults(good); len(bad) > 0 {
		t.Errorf("runner importing audit was refused: %q", bad)
	}
}

func TestHouseFindsUndocumented(t *testing.T) {
	f := parseText(t, token.NewFileSet(), `package x
type A struct{}
func (A) M() {}
func F() {}
var V int
// G is documented.
func G() {}
type hidden struct{}
func (hidden) N() {}
`)
	if got := strings.Join(undocumented(f), " "); got != "A M F V" {
		t.Errorf("undocumented = %q, want %q", got, "A M F V")
	}
}

func TestHouseFindsFusedProducts(t *testing.T) {
	fset := token.NewFileSet()
	f := parseText(t, fset, `package x
func f(x, y, z float64, a, b, c int) (s float64) {
	s = x*y + z
	s = z - (x * y)
	s += x * y
	s = float64(x*y) + z
	_ = a*b + c
	const k = 2.0*3.0 + 1.0
	return
}
`)
	info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}}
	if _, err := (&types.Config{Importer: importer.Default()}).Check("x", fset, []*ast.File{f}, info); err != nil {
		t.Fatal(err)
	}
	if got := fusedProducts(f, info); len(got) != 3 {
		t.Errorf("found %d fused products, want 3", len(got))
	}
}
