package audit

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// needTools skips loudly where outside programs are missing, and fails in CI.
func needTools(t *testing.T, names ...string) {
	t.Helper()
	for _, n := range names {
		if _, err := exec.LookPath(n); err == nil {
			continue
		}
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is not installed; CI must have it", n)
		}
		t.Skipf("SKIPPED: %s is not installed, nothing was compared", n)
	}
}

// TestShellVerifier holds the shell verifier, which shares no code with this
// package, against every vector.
func TestShellVerifier(t *testing.T) {
	needTools(t, "bash", "git", "sha256sum", "ssh-keygen", "jq", "awk", "tar")
	script, err := filepath.Abs(filepath.Join(vectorDir, "verify.sh"))
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(script)
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(b), "\n"); n > 150 {
		t.Errorf("the shell verifier has %d lines, at most 150", n)
	}
	for _, v := range allVectors() {
		t.Run(v.name, func(t *testing.T) {
			t.Parallel()
			dir := filepath.Join(vectorDir, v.name)
			since := filepath.Join(dir, "since")
			if _, err := os.Stat(since); err != nil {
				since = ""
			}
			out, err := exec.Command("bash", script, filepath.Join(dir, "ledger.bundle"), since, v.root).CombinedOutput()
			good := err == nil && strings.HasPrefix(string(out), "good: ")
			bad := err != nil && strings.HasPrefix(string(out), "bad: ")
			if good != (v.code == "") || bad != (v.code != "") {
				t.Errorf("expected %q, the shell verifier says: %s (%v)", v.code, out, err)
			}
		})
	}
}

// TestVectorFolders wants no folder that the test does not know.
func TestVectorFolders(t *testing.T) {
	known := map[string]bool{}
	for _, v := range allVectors() {
		if known[v.name] {
			t.Errorf("vector %s stands twice", v.name)
		}
		known[v.name] = true
	}
	list, err := os.ReadDir(vectorDir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		if e.IsDir() && !known[e.Name()] {
			t.Errorf("folder %s belongs to no vector; write the vectors anew or remove it", e.Name())
		}
		delete(known, e.Name())
	}
	for name := range known {
		t.Errorf("vector %s has no folder", name)
	}
}
