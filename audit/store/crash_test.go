package store

import (
	"errors"
	"fmt"
	"syscall"
	"testing"
)

// refName gives an existing run's reference or, for a first record, one of its
// own in a folder of its own.
func refName(first bool, i int) string {
	if first {
		return fmt.Sprintf("refs/heads/group-%d/run", i)
	}
	return "refs/heads/runs/fern-20260302-k7qd"
}

// afterCrash reopens a ledger, recovers it and holds it against the promise:
// the reference is old or new, new if that was acknowledged; all that it
// reaches is whole; stock git agrees; nothing is left lying about.
func afterCrash(t *testing.T, dir, ref, old, new string, acked bool, when string, askGit bool) (*Store, string) {
	t.Helper()
	s, err := Open(dir)
	if err != nil {
		t.Fatalf("%s: open: %v", when, err)
	}
	impatient(s)
	rec, err := s.Recover(ref, "refs/heads/main")
	if err != nil || len(rec.Damage) > 0 {
		t.Fatalf("%s: recover: %v, damage %v", when, err, rec.Damage)
	}
	now, err := s.Ref(ref)
	if err != nil {
		t.Fatalf("%s: %v", when, err)
	}
	if now != old && now != new || acked && now != new {
		t.Fatalf("%s: reference at %q, neither old %q nor new %q, or an acknowledged record is lost (acknowledged: %v)", when, now, old, new, acked)
	}
	if now != "" {
		if _, err := reach(s, now); err != nil {
			t.Fatalf("%s: %v", when, err)
		}
	}
	if left := leftBehind(t, dir); len(left) > 0 {
		t.Fatalf("%s: left behind: %v", when, left)
	}
	if askGit {
		fsck(t, dir, when)
	}
	if again, err := s.Recover(ref); err != nil || !again.Empty() {
		t.Fatalf("%s: the second Recover still had to do: %v %v %v", when, again.Acts, again.Damage, err)
	}
	return s, now
}

// TestCrashAtEveryOperation ends an append at each operation that changes a
// file, before it and with half of a write done, for the next record of a run
// and for its first.
func TestCrashAtEveryOperation(t *testing.T) {
	t.Parallel()
	needGit(t)
	for _, first := range []bool{false, true} {
		s := fresh(t)
		dir := s.Dir()
		at, n, states := map[string]string{}, 0, 0
		at[refName(false, 0)], _ = appendRecord(s, refName(false, 0), "", 0)
		next := func() (ref, old string) {
			n++
			ref = refName(first, n)
			return ref, at[ref]
		}
		ref, old := next()
		total := countOps(s, changes, func() {
			var err error
			at[ref], err = appendRecord(s, ref, old, n)
			must(t, err)
		})
		if total < 12 {
			t.Fatalf("an append has %d operations, at least 12 were expected: is the hook asked everywhere?", total)
		}
		for k := 1; k <= total+1; k++ {
			for _, half := range []bool{false, true} {
				ref, old := next()
				if _, err := s.Lock(); err != nil {
					t.Fatal(err)
				}
				s.Inject(crashAt(k, changes, half))
				_, err := appendRecord(s, ref, old, n)
				if k <= total && !errors.Is(err, errCrash) {
					t.Fatalf("operation %d of %d: the crash did not show: %v", k, total, err)
				}
				die(s)
				when := fmt.Sprintf("first %v, operation %d of %d, half %v", first, k, total, half)
				s, at[ref] = afterCrash(t, dir, ref, old, record(ref, old, n)[2].Hash, err == nil, when, true)
				states++
			}
		}
		t.Logf("first record %v: %d operations, %d states, none broken, no acknowledged record lost", first, total, states)
	}
}

// TestCrashInRecover ends Recover itself at each of its operations, after an
// append that ended in the middle.
func TestCrashInRecover(t *testing.T) {
	t.Parallel()
	needGit(t)
	s := fresh(t)
	dir := s.Dir()
	ref := refName(false, 0)
	last, err := appendRecord(s, ref, "", 1)
	must(t, err)
	n := 1
	for k := 1; k <= 6; k++ { // as many as Recover does here, and some
		n++
		objs := record(ref, last, n)
		if _, err := s.Lock(); err != nil {
			t.Fatal(err)
		}
		must(t, s.Put(objs...))
		must(t, s.Put(record("other", "", n)...))
		breakLoose(t, dir, record("other", "", n)[0].Hash, "empty", nil)
		s.Inject(crashAt(3, changes, true)) // leaves half a lock file
		must(t, ignoreCrash(s.SetRef(ref, last, objs[2].Hash)))
		die(s)
		r, err := Open(dir)
		must(t, err)
		if _, err := impatient(r).Lock(); err != nil {
			t.Fatal(err)
		}
		r.Inject(crashAt(k, changes, true))
		_, err = r.Recover(ref)
		must(t, ignoreCrash(err))
		die(r)
		s, last = afterCrash(t, dir, ref, last, objs[2].Hash, false, fmt.Sprintf("recover ended at %d", k), false)
		must(t, s.Put(record("other", "", n)...))
		fsck(t, dir, fmt.Sprintf("recover ended at %d", k))
	}
}

func ignoreCrash(err error) error {
	if errors.Is(err, errCrash) {
		return nil
	}
	return err
}

// TestFullDisk lets the disk be full at each operation, once and from then on.
// The same handle must go on as soon as there is room again.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	needGit(t)
	needsRoom := func(op Op) bool { return op.Kind == "create" || op.Kind == "write" || op.Kind == "mkdir" }
	s := fresh(t)
	n := 0
	for _, ever := range []bool{false, true} {
		for _, first := range []bool{false, true} {
			last, ref := "", refName(false, 0)
			if !first {
				var err error
				last, err = s.Ref(ref)
				must(t, err)
			}
			for k := 1; ; k++ {
				n++
				if first {
					ref, last = refName(true, n), ""
				}
				seen := 0
				s.Inject(func(op Op) (int, error) {
					if !needsRoom(op) {
						return 0, nil
					}
					if seen++; seen == k || ever && seen > k {
						return len(op.Data) / 2, syscall.ENOSPC
					}
					return 0, nil
				})
				_, err := appendRecord(s, ref, last, n)
				s.Inject(nil)
				if err == nil {
					break // k is beyond the last operation
				}
				var m *MachineError
				if !errors.As(err, &m) || !errors.Is(err, syscall.ENOSPC) {
					t.Fatalf("operation %d: want a MachineError for a full disk, got %v", k, err)
				}
				if now, err := s.Ref(ref); err != nil || now != last {
					t.Fatalf("operation %d: reference at %q, %v", k, now, err)
				}
				if left := leftBehind(t, s.Dir()); len(left) > 0 {
					t.Fatalf("operation %d: left behind %v", k, left)
				}
				fsck(t, s.Dir(), fmt.Sprintf("disk full at operation %d", k))
				last, err = appendRecord(s, ref, last, n)
				must(t, err)
			}
		}
	}
}

// TestFailedFlush: after a flush that failed nobody knows what the system
// still holds, so the handle writes no more; a new one does.
func TestFailedFlush(t *testing.T) {
	flush := func(op Op) bool { return op.Kind == "sync" || op.Kind == "syncdir" }
	s := fresh(t)
	ref := refName(false, 0)
	last, err := appendRecord(s, ref, "", 1)
	must(t, err)
	total := countOps(s, flush, func() { last, err = appendRecord(s, ref, last, 2) })
	must(t, err)
	if total < 8 {
		t.Fatalf("an append flushes %d times, at least 8 were expected: three files, three folders, the reference and its folder", total)
	}
	for k := 1; k <= total; k++ {
		seen := 0
		s.Inject(func(op Op) (int, error) {
			if flush(op) {
				if seen++; seen == k {
					return 0, syscall.EIO
				}
			}
			return 0, nil
		})
		objs := record(ref, last, 2+k)
		if _, err := appendRecord(s, ref, last, 2+k); !errors.Is(err, syscall.EIO) {
			t.Fatalf("flush %d of %d failed, and the append said %v", k, total, err)
		}
		s.Inject(nil)
		if err := s.Put(objs...); !errors.Is(err, syscall.EIO) {
			t.Fatalf("flush %d failed and the handle went on writing: %v", k, err)
		}
		s = reopen(t, s)
		now, err := s.Ref(ref)
		must(t, err)
		if now != last && now != objs[2].Hash {
			t.Fatalf("flush %d: reference at %s", k, now)
		}
		last = now
	}
}
