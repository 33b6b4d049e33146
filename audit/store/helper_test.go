package store

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"tapledger/audit"
)

// TestMain lets this binary be started again as a second process.
func TestMain(m *testing.M) {
	if job := os.Getenv("TAPLEDGER_STORE_JOB"); job != "" {
		if err := work(strings.Fields(job)); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// long is true in the full sweeps.
var long = os.Getenv("TAPLEDGER_LONG") != ""

// some gives the short figure, or the long one in the full sweeps.
func some(short, full int) int {
	if long {
		return full
	}
	return short
}

// needGit skips loudly where there is no git; where changes are checked that
// is a failure.
func needGit(t testing.TB) {
	t.Helper()
	if _, err := exec.LookPath("git"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("git is missing: what stock git says of the ledger was not checked")
		}
		t.Skip("SKIPPED, git is missing: what stock git says of the ledger was not checked")
	}
}

// gitIn runs git with no settings but the repository's own.
func gitIn(dir string, args ...string) (string, error) {
	cmd := exec.Command("git", append([]string{"-C", dir}, args...)...)
	cmd.Env = append(os.Environ(), "GIT_CONFIG_NOSYSTEM=1", "GIT_CONFIG_GLOBAL="+os.DevNull, "LC_ALL=C",
		"GIT_AUTHOR_NAME=t", "GIT_AUTHOR_EMAIL=t@bench.invalid", "GIT_COMMITTER_NAME=t", "GIT_COMMITTER_EMAIL=t@bench.invalid")
	out, err := cmd.CombinedOutput()
	return strings.TrimSpace(string(out)), err
}

func git(t testing.TB, dir string, args ...string) string {
	t.Helper()
	out, err := gitIn(dir, args...)
	if err != nil {
		t.Fatalf("git %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return out
}

// fsck fails unless stock git finds the ledger whole.
func fsck(t testing.TB, dir, when string) {
	t.Helper()
	if out, err := gitIn(dir, "fsck", "--full", "--strict"); err != nil {
		t.Fatalf("%s: git fsck: %v\n%s", when, err, out)
	}
}

// place gives a folder for a test's ledger: in memory where the system has
// such a file system, since crashes and power cuts are ours here and the disk
// only costs time; on the disk in the full sweeps.
func place(t testing.TB) string {
	t.Helper()
	if long {
		return t.TempDir()
	}
	dir, err := os.MkdirTemp("/dev/shm", "tapledger-store-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// fresh makes a ledger whose main has one commit.
func fresh(t testing.TB) *Store {
	t.Helper()
	return freshIn(t, place(t))
}

func freshIn(t testing.TB, folder string) *Store {
	t.Helper()
	s, err := Create(filepath.Join(folder, "ledger.git"))
	if err != nil {
		t.Fatal(err)
	}
	impatient(s)
	objs := record("main", "", 0)
	must(t, s.Put(objs...))
	must(t, s.SetRef("refs/heads/main", "", objs[2].Hash))
	return s
}

// impatient makes a handle fit for tests: no waiting for what never comes.
func impatient(s *Store) *Store {
	s.grace = 0
	return s
}

func reopen(t testing.TB, s *Store) *Store {
	t.Helper()
	s.Close()
	n, err := Open(s.Dir())
	if err != nil {
		t.Fatal(err)
	}
	return impatient(n)
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// record makes blob, tree and commit of an invented record.
func record(run, parent string, n int) []audit.RawObject {
	blob := audit.NewObject("blob", []byte(fmt.Sprintf("{\"n\":%d,\"run\":\"%s\",\"text\":\"%s\"}\n", n, run, strings.Repeat("an invented reading ", 20))))
	tree := audit.NewObject("tree", audit.EncodeTree([]audit.Entry{{Name: "record.json", Hash: blob.Hash}}))
	text := "tree " + tree.Hash + "\n"
	if parent != "" {
		text += "parent " + parent + "\n"
	}
	who := fmt.Sprintf("bench <bench@bench.invalid> %d +0000", 1790000000+n)
	text += "author " + who + "\ncommitter " + who + "\n\n" + fmt.Sprintf("%s %d\n", run, n)
	return []audit.RawObject{blob, tree, audit.NewObject("commit", []byte(text))}
}

// appendRecord is what the bench does: store, then move the reference.
func appendRecord(s *Store, ref, old string, n int) (string, error) {
	objs := record(ref, old, n)
	if err := s.Put(objs...); err != nil {
		return "", err
	}
	hash := objs[2].Hash
	return hash, s.SetRef(ref, old, hash)
}

// chain appends n records and gives their commits.
func chain(t testing.TB, s *Store, ref string, n int) []string {
	t.Helper()
	var out []string
	last := ""
	for i := 1; i <= n; i++ {
		h, err := appendRecord(s, ref, last, i)
		must(t, err)
		out, last = append(out, h), h
	}
	return out
}

// reach reads everything that can be reached from a commit and gives the
// commits, newest first. Any object that is not whole is an error.
func reach(s *Store, commit string) ([]string, error) {
	var commits []string
	seen := map[string]bool{}
	for todo := []string{commit}; len(todo) > 0; {
		h := todo[0]
		todo = todo[1:]
		if seen[h] {
			continue
		}
		seen[h] = true
		typ, data, err := s.Object(h)
		if err != nil {
			return commits, err
		}
		if typ == "commit" {
			commits = append(commits, h)
		}
		todo = append(todo, links(typ, data)...)
	}
	return commits, nil
}

// die ends a handle as a killed process does: nothing is tidied, the system
// gives the lock back.
func die(s *Store) {
	if s.lock != nil {
		s.lock.Close()
	}
	s.Close()
}

// leftovers lists what a writer left that is no part of a ledger.
func leftBehind(t testing.TB, dir string) []string {
	t.Helper()
	var out []string
	must(t, filepath.WalkDir(dir, func(p string, d os.DirEntry, err error) error {
		base := filepath.Base(p)
		if strings.HasPrefix(base, "tmp_") || strings.HasSuffix(base, ".lock") && base != lockFile {
			out = append(out, p)
		}
		return err
	}))
	return out
}

var errCrash = errors.New("injected crash")

// changes are the operations that a crash can fall on; flushes change nothing
// that another process could see.
func changes(op Op) bool { return op.Kind != "sync" && op.Kind != "syncdir" }

// countOps says how many operations f does that count.
func countOps(s *Store, counts func(Op) bool, f func()) int {
	n := 0
	s.Inject(func(op Op) (int, error) {
		if counts(op) {
			n++
		}
		return 0, nil
	})
	f()
	s.Inject(nil)
	return n
}

// crashAt ends everything from the k-th counted operation on; a write there
// leaves half of its bytes when half is set.
func crashAt(k int, counts func(Op) bool, half bool) Hook {
	n := 0
	return func(op Op) (int, error) {
		if counts(op) {
			n++
		}
		switch {
		case n < k:
			return 0, nil
		case n == k && half && op.Kind == "write":
			n++
			return len(op.Data) / 2, errCrash
		}
		return 0, errCrash
	}
}
