package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// The rooms from the ground up. A package imports only packages that stand
// above it in this list; audit stands beside the rules and knows none of them.
var rooms = []string{
	"schemas", "rules/quantity", "rules/estimate/det", "rules/estimate", "rules/water", "rules", "rules/score",
	"protocol", "protocol/ready", "audit", "audit/store", "runner", "runner/lab", "runner/assess", "runner/bench",
	"audit/edition", "audit/report", "runner/page", "cmd/tapledger",
}

const (
	module       = "tapledger"
	mostFuncLine = 70
	mostFileLine = 600
)

// source is one parsed Go file of the repository.
type source struct {
	path string // slash separated, from the repository's root
	room string
	file *ast.File
	test bool
}

func houseRoot(t *testing.T) string {
	t.Helper()
	root, err := filepath.Abs(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	return root
}

func readHouse(t *testing.T, fset *token.FileSet) []source {
	t.Helper()
	root := houseRoot(t)
	var out []source
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && strings.HasPrefix(d.Name(), ".") && p != root {
			return filepath.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(p, ".go") {
			return nil
		}
		rel, err := filepath.Rel(root, p)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		f, err := parser.ParseFile(fset, p, nil, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		out = append(out, source{path: rel, room: path.Dir(rel), file: f, test: strings.HasSuffix(rel, "_test.go")})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestHouseImports(t *testing.T) {
	fset := token.NewFileSet()
	for _, s := range readHouse(t, fset) {
		for _, bad := range importFaults(s) {
			t.Error(bad)
		}
	}
}

// importFaults says what is wrong with the imports of one file.
func importFaults(s source) []string {
	var out []string
	at := slices.Index(rooms, s.room)
	if at < 0 {
		return []string{s.path + ": this folder is no room of the house; see DEVELOPERS.md"}
	}
	for _, spec := range s.file.Imports {
		p := strings.Trim(spec.Path.Value, `"`)
		room, own := strings.CutPrefix(p, module+"/")
		switch {
		case s.test && own:
			if s.room == "audit" && !strings.HasPrefix(room, "audit") {
				out = append(out, fmt.Sprintf("%s imports %s: audit knows no other room, its tests neither", s.path, p))
			}
		case own && slices.Index(rooms, room) < 0:
			out = append(out, fmt.Sprintf("%s imports %s: no such room", s.path, p))
		case own && slices.Index(rooms, room) >= at:
			out = append(out, fmt.Sprintf("%s imports %s, which does not stand above it", s.path, p))
		case own && (s.room == "audit" || s.room == "audit/store") && room != "audit":
			out = append(out, fmt.Sprintf("%s imports %s: the ledger knows no rule and no protocol", s.path, p))
		case !own && !s.test && s.room == "audit" && strings.Contains(strings.Split(p, "/")[0], "."):
			out = append(out, fmt.Sprintf("%s imports %s: audit uses the standard library only", s.path, p))
		case !s.test && strings.HasPrefix(p, "github.com/go-git/") && s.room != "audit/store":
			out = append(out, fmt.Sprintf("%s imports %s: only audit/store does", s.path, p))
		}
	}
	return out
}

func TestHouseSizes(t *testing.T) {
	fset := token.NewFileSet()
	for _, s := range readHouse(t, fset) {
		if n := fset.File(s.file.Pos()).LineCount(); n > mostFileLine {
			t.Errorf("%s has %d lines, at most %d: split it where a room ends", s.path, n, mostFileLine)
		}
		for _, d := range s.file.Decls {
			f, ok := d.(*ast.FuncDecl)
			if !ok || f.Body == nil {
				continue
			}
			if n := fset.Position(f.End()).Line - fset.Position(f.Pos()).Line + 1; n > mostFuncLine {
				t.Errorf("%s: %s has %d lines, at most %d", s.path, f.Name.Name, n, mostFuncLine)
			}
		}
	}
}

func TestHouseDocs(t *testing.T) {
	fset := token.NewFileSet()
	packages := map[string]bool{}
	for _, s := range readHouse(t, fset) {
		if s.test {
			continue
		}
		packages[s.room] = packages[s.room] || s.file.Doc != nil
		for _, name := range undocumented(s.file) {
			t.Errorf("%s: exported %s has no doc comment", s.path, name)
		}
	}
	for room, has := range packages {
		if !has {
			t.Errorf("package %s has no package comment", room)
		}
	}
}

// undocumented lists the exported names of a file that nothing is said about.
func undocumented(f *ast.File) []string {
	var out []string
	for _, d := range f.Decls {
		switch d := d.(type) {
		case *ast.FuncDecl:
			if d.Doc == nil && d.Name.IsExported() && exportedReceiver(d) {
				out = append(out, d.Name.Name)
			}
		case *ast.GenDecl:
			for _, s := range d.Specs {
				switch s := s.(type) {
				case *ast.TypeSpec:
					if s.Name.IsExported() && d.Doc == nil && s.Doc == nil {
						out = append(out, s.Name.Name)
					}
				case *ast.ValueSpec:
					for _, n := range s.Names {
						if n.IsExported() && d.Doc == nil && s.Doc == nil && s.Comment == nil {
							out = append(out, n.Name)
						}
					}
				}
			}
		}
	}
	return out
}

// exportedReceiver is false for methods of types that nobody outside can name.
func exportedReceiver(d *ast.FuncDecl) bool {
	if d.Recv == nil {
		return true
	}
	x := d.Recv.List[0].Type
	if star, ok := x.(*ast.StarExpr); ok {
		x = star.X
	}
	if gen, ok := x.(*ast.IndexExpr); ok {
		x = gen.X
	}
	id, ok := x.(*ast.Ident)
	return ok && id.IsExported()
}

// Functions of math that give the same bits on every machine.
var exactMath = []string{"Sqrt", "Abs", "Floor", "Ceil", "Trunc", "Round", "RoundToEven", "Inf", "NaN", "IsNaN", "IsInf",
	"Float64bits", "Float64frombits", "Copysign", "Signbit", "Max", "Min", "Ldexp", "Frexp", "Nextafter"}

// TestHouseNumbers keeps what would make published numbers depend on the
// machine out of everything that computes: library functions whose last bit
// differs between architectures, their random numbers, and sums of products
// that a compiler may fuse (measured: amd64 v1 against v3, 386, arm64).
func TestHouseNumbers(t *testing.T) {
	fset := token.NewFileSet()
	for _, s := range readHouse(t, fset) {
		top := strings.Split(s.room, "/")[0]
		if s.test || (top != "rules" && top != "runner" && top != "audit" && top != "protocol") {
			continue
		}
		ast.Inspect(s.file, func(n ast.Node) bool {
			sel, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			id, ok := sel.X.(*ast.Ident)
			if !ok {
				return true
			}
			name := sel.Sel.Name
			isFunc := ast.IsExported(name) && !strings.HasPrefix(name, "Max") && !strings.HasPrefix(name, "Smallest") && !strings.HasPrefix(name, "Min")
			if id.Name == "math" && isFunc && !slices.Contains(exactMath, name) && name != "Pi" && name != "E" && name != "Ln2" {
				t.Errorf("%s: math.%s differs between machines; use rules/estimate/det", fset.Position(n.Pos()), name)
			}
			if id.Name == "rand" && !strings.HasPrefix(name, "PCG") && name != "NewPCG" && name != "Reader" && name != "Read" && name != "Int" {
				t.Errorf("%s: rand.%s is not the same everywhere", fset.Position(n.Pos()), name)
			}
			return true
		})
		for _, spec := range s.file.Imports {
			if strings.Contains(spec.Path.Value, "gonum") {
				t.Errorf("%s imports %s: its sums differ between machines; in tests only", s.path, spec.Path.Value)
			}
		}
	}
}

// TestHouseFusedProducts type-checks the rooms that compute with floats and
// refuses x*y + z whose product is not converted explicitly.
func TestHouseFusedProducts(t *testing.T) {
	fset := token.NewFileSet()
	exports := exportData(t)
	imp := importer.ForCompiler(fset, "gc", func(p string) (io.ReadCloser, error) {
		f, ok := exports[p]
		if !ok {
			return nil, fmt.Errorf("no export data for %s", p)
		}
		return os.Open(f)
	})
	byRoom := map[string][]*ast.File{}
	for _, s := range readHouse(t, fset) {
		if !s.test && strings.Split(s.room, "/")[0] == "rules" {
			byRoom[s.room] = append(byRoom[s.room], s.file)
		}
	}
	for _, room := range rooms {
		files := byRoom[room]
		if len(files) == 0 {
			continue
		}
		info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}}
		conf := types.Config{Importer: imp}
		if _, err := conf.Check(module+"/"+room, fset, files, info); err != nil {
			t.Fatalf("%s: %v", room, err)
		}
		for _, f := range files {
			for _, pos := range fusedProducts(f, info) {
				t.Errorf("%s: a product inside a sum may be fused; write float64(x*y)", fset.Position(pos))
			}
		}
	}
}

// fusedProducts finds float sums and differences with a bare product in them.
func fusedProducts(f *ast.File, info *types.Info) []token.Pos {
	isFloat := func(e ast.Expr) bool {
		tv, ok := info.Types[e]
		if !ok || tv.Value != nil || tv.Type == nil {
			return false
		}
		b, ok := tv.Type.Underlying().(*types.Basic)
		return ok && b.Info()&types.IsFloat != 0
	}
	product := func(e ast.Expr) bool {
		for {
			p, ok := e.(*ast.ParenExpr)
			if !ok {
				break
			}
			e = p.X
		}
		if u, ok := e.(*ast.UnaryExpr); ok {
			e = u.X
		}
		b, ok := e.(*ast.BinaryExpr)
		return ok && b.Op == token.MUL && isFloat(b)
	}
	var out []token.Pos
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.BinaryExpr:
			if (n.Op == token.ADD || n.Op == token.SUB) && (product(n.X) || product(n.Y)) {
				out = append(out, n.Pos())
			}
		case *ast.AssignStmt:
			if (n.Tok == token.ADD_ASSIGN || n.Tok == token.SUB_ASSIGN) && product(n.Rhs[0]) {
				out = append(out, n.Pos())
			}
		}
		return true
	})
	return out
}

// exportData maps import paths to the compiler's export files.
func exportData(t *testing.T) map[string]string {
	t.Helper()
	cmd := exec.Command("go", "list", "-export", "-deps", "-json=ImportPath,Export", module+"/rules/...")
	cmd.Dir = houseRoot(t)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	b, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v\n%s", err, stderr.String())
	}
	out := map[string]string{}
	for dec := json.NewDecoder(bytes.NewReader(b)); ; {
		var p struct{ ImportPath, Export string }
		if err := dec.Decode(&p); err == io.EOF {
			return out
		} else if err != nil {
			t.Fatal(err)
		}
		out[p.ImportPath] = p.Export
	}
}
