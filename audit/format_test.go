package audit

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"
)

func formatText(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(b), "\n"); n > 500 {
		t.Errorf("FORMAT.md has %d lines, at most 500", n)
	}
	return string(b)
}

// TestFormatListsCodes: the norm names every code, and no other.
func TestFormatListsCodes(t *testing.T) {
	_, part, _ := strings.Cut(formatText(t), "## 15. Verifying")
	part, _, _ = strings.Cut(part, "## 16.")
	listed := map[string]bool{}
	for _, row := range strings.Split(part, "\n") {
		cells := strings.Split(row, "|")
		if len(cells) != 4 || strings.Contains(row, "---") || strings.Contains(row, "| codes |") {
			continue
		}
		for _, code := range strings.Fields(cells[2]) {
			listed[code] = true
		}
	}
	for _, c := range append(Codes(), Notes()...) {
		if !listed[c.Code] {
			t.Errorf("FORMAT.md does not list %s", c.Code)
		}
		delete(listed, c.Code)
	}
	for code := range listed {
		t.Errorf("FORMAT.md lists %s, which Verify never gives", code)
	}
}

// TestFormatVectors: the figures at the end of the norm.
func TestFormatVectors(t *testing.T) {
	text := formatText(t)
	for _, want := range []string{recordHash, "`" + sampleID + "`", "`" + commitment + "`"} {
		if !strings.Contains(text, want) {
			t.Errorf("FORMAT.md does not hold %s", want)
		}
	}
	_, part, _ := strings.Cut(text, "```\n{\"body\"")
	part, _, _ = strings.Cut(part, "sha256:"+recordHash[7:])
	b := []byte("{\"body\"" + strings.ReplaceAll(part, "\n", "") + "\n")
	if Hash(b) != recordHash {
		t.Errorf("the record in FORMAT.md has the hash %s", Hash(b))
	}
}

var reTag = regexp.MustCompile(`json:"([a-z_0-9]+)(,omitempty)?"`)

// TestFormatListsBodies holds the tables of section 14 against the fields that
// the runner's types have. Its source is read as text: this package knows no
// runner.
func TestFormatListsBodies(t *testing.T) {
	f, err := parser.ParseFile(token.NewFileSet(), "../runner/types.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	kinds, fields := map[string]string{}, map[string][]string{} // word -> type name; type name -> fields
	ast.Inspect(f, func(n ast.Node) bool {
		switch x := n.(type) {
		case *ast.ValueSpec:
			if name := x.Names[0].Name; strings.HasPrefix(name, "Kind") && len(x.Values) == 1 {
				kinds[strings.Trim(x.Values[0].(*ast.BasicLit).Value, `"`)] = strings.TrimPrefix(name, "Kind")
			}
		case *ast.TypeSpec:
			if s, ok := x.Type.(*ast.StructType); ok {
				for _, fd := range s.Fields.List {
					if fd.Tag == nil {
						continue
					}
					if m := reTag.FindStringSubmatch(fd.Tag.Value); m != nil {
						name := m[1]
						if m[2] != "" {
							name += " *(o)*"
						}
						fields[x.Name.Name] = append(fields[x.Name.Name], name)
					}
				}
			}
		}
		return true
	})
	_, part, _ := strings.Cut(formatText(t), "## 14. Kinds of record")
	part, _, _ = strings.Cut(part, "## 15.")
	parts := map[string]string{"a value": "Value", "a decision": "Decision", "an attachment": "Attachment", "a drawn bottle": "DrawnBottle",
		"a handed sample": "HandedSample", "a laboratory result": "LabResult", "a warning": "Warning", "a target": "Target"}
	rows := 0
	for _, row := range strings.Split(part, "\n") {
		cells := strings.Split(row, "|")
		if len(cells) < 4 {
			continue
		}
		name := strings.Trim(cells[1], " `")
		typ := kinds[name]
		if typ == "" {
			typ = parts[name]
		}
		if typ == "" {
			continue
		}
		rows++
		delete(kinds, name)
		if got, want := fieldSet(cells[2]), fieldSet(strings.Join(fields[typ], ", ")); !reflect.DeepEqual(got, want) {
			t.Errorf("%s: FORMAT.md has %v, the type %s has %v", name, got, typ, want)
		}
	}
	for kind := range kinds {
		t.Errorf("FORMAT.md has no row for the kind %s", kind)
	}
	if rows < 25 {
		t.Errorf("only %d rows were compared", rows)
	}
}

// fieldSet reads "a, b *(o)*, c (what it is)" as a set of names.
func fieldSet(s string) map[string]bool {
	out := map[string]bool{}
	s = regexp.MustCompile(`\([^o][^)]*\)|: .*`).ReplaceAllString(s, "")
	for _, f := range strings.Split(s, ",") {
		if f = strings.TrimSpace(f); f != "" {
			out[f] = true
		}
	}
	return out
}
