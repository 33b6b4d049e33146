package bench

import (
	"strings"
	"testing"

	"tapledger/audit"
)

// Nobody acts as the bench: a list changed by its key would be damage for good.
func TestNobodyActsAsTheBench(t *testing.T) {
	b := simulated(t, "as-bench")
	x, err := Open(b.Dir, Options{Home: b.home, Now: b.wall, By: audit.BenchPrincipal})
	must(t, err)
	_, err = x.AddPerson("eve", "")
	refused(t, err, "nobody acts as the bench")
	good(t, b)
}

// A commitment names a file, so one that is none never reaches the disk.
func TestCommitmentIsHeldToItsForm(t *testing.T) {
	b := simulated(t, "form")
	for _, c := range []string{"", "sha256:", "sha256:../../../../../../dev/zero", "sha256:" + strings.Repeat("A", 64)} {
		if _, _, err := b.Attached(c); err == nil || !strings.Contains(err.Error(), "is no commitment") {
			t.Errorf("%q: %v", c, err)
		}
	}
}

// A run that was cut below the head that main names is not written on, and one
// whose ref names main is missing.
func TestCutRunIsNotWrittenOn(t *testing.T) {
	b := simulated(t, "cut")
	run := openRun(t, b)
	note(t, b, run, "one")
	first, err := b.store.Ref(audit.RefRuns + run)
	must(t, err)
	note(t, b, run, "two")
	note(t, b, run, "three")
	openRun(t, b) // a commit on main that names the head
	head, err := b.store.Ref(audit.RefRuns + run)
	must(t, err)
	must(t, b.store.SetRef(audit.RefRuns+run, head, first))
	x, err := Open(b.Dir, Options{Home: b.home, Now: b.wall})
	if err == nil {
		_, _, err = x.Note(run, "", "four")
	}
	if err == nil || !strings.Contains(err.Error(), "run verify") {
		t.Errorf("a cut run: %v", err)
	}
	main, err := b.store.Ref(mainRef)
	must(t, err)
	must(t, b.store.SetRef(audit.RefRuns+run, first, main))
	v, err := b.Verify(VerifyOptions{})
	must(t, err)
	missing := false
	for _, f := range v.Faults {
		missing = missing || f.Code == "run_missing"
	}
	if !missing {
		t.Errorf("a run's ref that names main: %v", v.Faults)
	}
}
