package audit

import (
	"flag"
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

var allShell = flag.Bool("shell", false, "run the shell verifier over all vectors, as CI does")

// TestShellVerifier holds the shell verifier, which shares no code with this
// package, against every vector: all in CI, one in three elsewhere, since each
// starts some eighty processes.
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
	all := os.Getenv("CI") == "true" || *allShell
	if !all {
		t.Log("one vector in three; all of them with CI=true or -shell")
	}
	for i, v := range allVectors() {
		if !all && i%3 != 0 {
			continue
		}
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
