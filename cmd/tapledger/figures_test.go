package main

import (
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"tapledger/audit"
	"tapledger/audit/store"
	"tapledger/runner"
)

// timed runs f and gives how long it took; figures only, nothing is decided by it.
func timed(b *testing.B, f func() error) time.Duration {
	b.Helper()
	start := time.Now()
	if err := f(); err != nil {
		b.Fatal(err)
	}
	return time.Since(start)
}

// BenchmarkVerifyDemo verifies the demo's ledger, every run decided again,
// against git fsck --full on the same ledger in turn.
func BenchmarkVerifyDemo(b *testing.B) {
	dir, _, err := runDemo()
	if err != nil {
		b.Fatal(err)
	}
	ledger := filepath.Join(dir, "ledger.git")
	var ours, fsck time.Duration
	for b.Loop() {
		ours += timed(b, func() error {
			s, err := store.Open(ledger)
			if err != nil {
				return err
			}
			defer s.Close()
			_, err = audit.Verify(s, audit.Options{Decide: runner.Deep(s)})
			return err
		})
		fsck += timed(b, exec.Command("git", "-C", ledger, "fsck", "--full").Run)
	}
	b.ReportMetric(float64(ours)/float64(fsck), "of-git-fsck")
}

// BenchmarkHelp starts the built program for --help, against git's version line.
func BenchmarkHelp(b *testing.B) {
	program := filepath.Join(b.TempDir(), "tapledger")
	if out, err := exec.Command("go", "build", "-o", program, ".").CombinedOutput(); err != nil {
		b.Fatalf("%v\n%s", err, out)
	}
	var ours, git time.Duration
	for b.Loop() {
		ours += timed(b, exec.Command(program, "--help").Run)
		git += timed(b, exec.Command("git", "version").Run)
	}
	b.ReportMetric(float64(ours)/float64(git), "of-git-version")
}
