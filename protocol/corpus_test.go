package protocol

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// wholeLibrary holds the ready documents and one small document of each kind.
func wholeLibrary(t testing.TB) *Library {
	t.Helper()
	lib := readyLibrary(t, "cautions/*.yaml", "documents/*.yaml")
	docs, faults := ReadAll(corpus(t, "whole"), lib)
	for _, f := range faults {
		t.Error("\n" + f.Text())
	}
	for _, d := range docs {
		lib.Add(d)
	}
	return lib
}

// corpus reads a folder of testdata/documents.
func corpus(t testing.TB, folder string) []File {
	t.Helper()
	names, err := filepath.Glob(filepath.Join("..", "testdata", "documents", folder, "*.yaml"))
	if err != nil || len(names) == 0 {
		t.Fatalf("no documents in %s: %v", folder, err)
	}
	var out []File
	for _, n := range names {
		b, err := os.ReadFile(n)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, File{Name: filepath.Base(n), Bytes: b})
	}
	return out
}

// TestWholeDocuments reads one document of each kind, and covers every kind.
func TestWholeDocuments(t *testing.T) {
	lib := wholeLibrary(t)
	for _, k := range Kinds() {
		if len(lib.All(k)) == 0 {
			t.Errorf("no document of kind %s is read in the tests", k)
		}
	}
}

// TestBrokenDocuments reads documents with one thing wrong each. The first line
// of a file says which fault is expected, without the file's name.
func TestBrokenDocuments(t *testing.T) {
	lib := wholeLibrary(t)
	files := corpus(t, "broken")
	if len(files) < 60 {
		t.Errorf("%d broken documents; at least 60 are kept", len(files))
	}
	for _, f := range files {
		first, _, _ := strings.Cut(string(f.Bytes), "\n")
		want, ok := strings.CutPrefix(strings.TrimSuffix(first, "\r"), "# want: ")
		if !ok {
			t.Errorf("%s: the first line is not # want:", f.Name)
			continue
		}
		_, faults := Read(f, lib)
		if len(faults) != 1 || faults[0].String() != f.Name+":"+want {
			var got strings.Builder
			for _, g := range faults {
				got.WriteString("\n" + g.Text())
			}
			t.Errorf("%s: want only %s, got %s", f.Name, want, got.String())
		}
	}
}
