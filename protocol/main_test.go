package protocol

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// readFile reads a file of the repository's testdata.
func readFile(t *testing.T, name string) File {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "testdata", "documents", filepath.FromSlash(name)))
	if err != nil {
		t.Fatal(err)
	}
	return File{Name: name[strings.LastIndexByte(name, '/')+1:], Bytes: b}
}

// readyFiles reads the ready documents from their folder: the package that
// embeds them stands below this one.
func readyFiles(t testing.TB, pattern string) []File {
	t.Helper()
	names, err := filepath.Glob(filepath.Join("ready", filepath.FromSlash(pattern)))
	if err != nil || len(names) == 0 {
		t.Fatalf("no ready documents %s: %v", pattern, err)
	}
	var out []File
	for _, n := range names {
		b, err := os.ReadFile(n)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, File{Name: filepath.ToSlash(n), Bytes: b})
	}
	return out
}

// readyLibrary holds the ready documents.
func readyLibrary(t testing.TB, patterns ...string) *Library {
	t.Helper()
	var files []File
	for _, p := range patterns {
		files = append(files, readyFiles(t, p)...)
	}
	docs, faults := ReadAll(files, NewLibrary())
	for _, f := range faults {
		t.Error(f.Text())
	}
	if len(faults) > 0 {
		t.FailNow()
	}
	return NewLibrary(docs...)
}

func wantNoFaults(t *testing.T, faults []Fault) {
	t.Helper()
	for _, f := range faults {
		t.Error("\n" + f.Text())
	}
	if len(faults) > 0 {
		t.FailNow()
	}
}
