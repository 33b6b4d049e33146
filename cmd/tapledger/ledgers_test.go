package main

import (
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"tapledger/audit"
	"tapledger/audit/edition"
	"tapledger/audit/store"
	"tapledger/runner"
)

var writeLedger = flag.String("write-ledger", "", "keep the demo's ledger as testdata/ledgers/NAME.bundle, for ever")

// TestEarlierLedgers verifies, decides again and replays every ledger in
// testdata/ledgers: each was written by an earlier version, by its name the
// formats of its records, bodies and editions, and must hold in every later one.
func TestEarlierLedgers(t *testing.T) {
	if _, err := exec.LookPath("git"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("git is missing")
		}
		t.Skip("SKIPPED: git is missing, and it unpacks the earlier ledgers")
	}
	dir := filepath.Join(houseRoot(t), "testdata", "ledgers")
	if *writeLedger != "" {
		from, _, err := runDemo()
		if err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(dir, *writeLedger+".bundle")
		if _, err := os.Stat(file); err == nil {
			t.Fatalf("%s is there already, and stays as it is", file)
		}
		stockGit(t, "-C", filepath.Join(from, "ledger.git"), "bundle", "create", "--quiet", file, "--all")
	}
	bundles, err := filepath.Glob(filepath.Join(dir, "*.bundle"))
	if err != nil || len(bundles) == 0 {
		t.Fatalf("no earlier ledger in %s (%v)", dir, err)
	}
	for _, file := range bundles {
		t.Run(filepath.Base(file), func(t *testing.T) {
			to := filepath.Join(t.TempDir(), "ledger.git")
			stockGit(t, "clone", "--quiet", "--mirror", file, to)
			holds(t, to)
		})
	}
}

// holds verifies a ledger deeply and replays its editions.
func holds(t *testing.T, ledger string) {
	t.Helper()
	s, err := store.Open(ledger)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	rep, err := audit.Verify(s, audit.Options{Decide: runner.Deep(s)})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range rep.Faults {
		t.Errorf("verify: %s", f)
	}
	if rep.Runs < 4 || rep.Records < 200 || rep.Editions < 2 {
		t.Errorf("%d runs, %d records, %d editions: less than was kept", rep.Runs, rep.Records, rep.Editions)
	}
	refs, err := s.Refs()
	if err != nil {
		t.Fatal(err)
	}
	for ref, commit := range refs {
		if filepath.ToSlash(filepath.Dir(ref))+"/" != audit.RefEditions {
			continue
		}
		differ, err := edition.Replay(s, commit)
		if err != nil {
			t.Errorf("%s: %v", ref, err)
		}
		for _, d := range differ {
			t.Errorf("%s: %s", ref, d)
		}
	}
}

func stockGit(t *testing.T, args ...string) {
	t.Helper()
	if out, err := exec.Command("git", args...).CombinedOutput(); err != nil {
		t.Fatalf("git %v: %v\n%s", args, err, out)
	}
}
