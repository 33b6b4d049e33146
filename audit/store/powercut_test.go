package store

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// powerCut follows what a disk was made to keep. At the cut each entry of a
// folder that was not flushed may be as before, and each file that was not
// flushed may hold anything: all, nothing, half, zeros, or other bytes.
type powerCut struct {
	root    string
	entries []entry         // not flushed yet, in order
	loose   map[string]bool // files whose bytes were not flushed, by present path
	leave   int             // the flush that is left out, counted from 1; 0 for none
	flushes int
	left    bool // it was
	fired   bool // the power failed before the end
}

// entry is one change of a folder that is not flushed yet.
type entry struct {
	kind, folder, path, to string
	was                    []byte // what lay under the name that a rename took, or was removed; nil for nothing
}

// see is the Hook: it notes an operation before it is done.
func (p *powerCut) see(op Op) error {
	at := func(name string) string { return filepath.Join(p.root, filepath.FromSlash(name)) }
	folder := func(name string) string { return filepath.ToSlash(filepath.Dir(filepath.FromSlash(name))) }
	if op.Kind == "sync" || op.Kind == "syncdir" {
		if p.flushes++; p.flushes == p.leave {
			p.left = true
			return ErrLeftOut
		}
	}
	switch op.Kind {
	case "create", "mkdir":
		p.entries = append(p.entries, entry{kind: op.Kind, folder: folder(op.Path), path: op.Path})
	case "write":
		p.loose[op.Path] = true
	case "sync":
		delete(p.loose, op.Path)
	case "rename":
		was, err := os.ReadFile(at(op.To))
		if errors.Is(err, fs.ErrNotExist) {
			was = nil
		}
		p.entries = append(p.entries, entry{kind: "rename", folder: folder(op.To), path: op.Path, to: op.To, was: was})
		if p.loose[op.Path] {
			delete(p.loose, op.Path)
			p.loose[op.To] = true
		}
	case "remove":
		was, _ := os.ReadFile(at(op.Path))
		p.entries = append(p.entries, entry{kind: "remove", folder: folder(op.Path), path: op.Path, was: was})
	case "syncdir":
		var kept []entry
		for _, e := range p.entries {
			if e.folder != op.Path {
				kept = append(kept, e)
			}
		}
		p.entries = kept
	}
	return nil
}

// cut makes the folder what it may be after the power came back. With journal
// the file system keeps the order of entries, as those with a journal do;
// without it any of them may be missing.
func (p *powerCut) cut(t *testing.T, rng *rand.Rand, journal bool) {
	t.Helper()
	for _, name := range slices.Sorted(maps.Keys(p.loose)) {
		full := filepath.Join(p.root, filepath.FromSlash(name))
		b, err := os.ReadFile(full)
		if err != nil {
			continue // gone
		}
		switch rng.IntN(5) {
		case 0:
			b = nil
		case 1:
			b = b[:len(b)/2]
		case 2:
			b = make([]byte, len(b))
		case 3:
			for i := range b {
				b[i] = byte(rng.Uint32())
			}
		}
		os.Chmod(full, 0o644)
		must(t, os.WriteFile(full, b, 0o644))
	}
	keep := rng.IntN(len(p.entries) + 1)
	for i := len(p.entries) - 1; i >= 0; i-- {
		if journal && i < keep || !journal && rng.IntN(2) == 0 {
			continue
		}
		p.undo(t, p.entries[i])
	}
}

func (p *powerCut) undo(t *testing.T, e entry) {
	t.Helper()
	full := filepath.Join(p.root, filepath.FromSlash(e.path))
	switch e.kind {
	case "create":
		os.Remove(full)
	case "mkdir":
		must(t, os.RemoveAll(full))
	case "rename":
		to := filepath.Join(p.root, filepath.FromSlash(e.to))
		if os.Rename(to, full) == nil && e.was != nil {
			must(t, os.WriteFile(to, e.was, 0o644))
		}
	case "remove":
		if e.was != nil {
			must(t, os.MkdirAll(filepath.Dir(full), 0o777))
			must(t, os.WriteFile(full, e.was, 0o644))
		}
	}
}

// cutAt lets the power fail before the k-th operation (0: after the last).
func (p *powerCut) cutAt(k int) Hook {
	n := 0
	return func(op Op) (int, error) {
		if n++; k > 0 && n >= k {
			p.fired = true
			return 0, errCrash
		}
		return 0, p.see(op)
	}
}

// TestPowerCut lets the power fail at each operation of an append, flushes
// included, and after its end.
func TestPowerCut(t *testing.T) {
	t.Parallel()
	needGit(t)
	every := func(Op) bool { return true }
	seeds := some(2, 64)
	for _, first := range []bool{false, true} {
		s := fresh(t)
		dir := s.Dir()
		at, n, states := map[string]string{}, 0, 0
		total := countOps(s, every, func() {
			var err error
			at[refName(first, 0)], err = appendRecord(s, refName(first, 0), "", 0)
			must(t, err)
		})
		for k := 0; k <= total; k++ {
			for seed := 0; seed < seeds; seed++ {
				for _, journal := range []bool{true, false} {
					n++
					ref := refName(first, n)
					old := at[ref]
					if _, err := s.Lock(); err != nil {
						t.Fatal(err)
					}
					p := &powerCut{root: dir, loose: map[string]bool{}}
					s.Inject(p.cutAt(k))
					_, err := appendRecord(s, ref, old, n)
					// Objects that share a folder make a flush less.
					if (err == nil) == p.fired || !p.fired && k > 0 && k < total-2 {
						t.Fatalf("operation %d of %d: %v", k, total, err)
					}
					die(s)
					p.cut(t, rand.New(rand.NewPCG(uint64(seed), uint64(k))), journal)
					if seed%2 == 1 { // the mark of the dead writer may be lost too
						must(t, os.WriteFile(filepath.Join(dir, lockFile), nil, 0o644))
					}
					when := fmt.Sprintf("first %v, power cut at operation %d of %d, seed %d, journal %v", first, k, total, seed, journal)
					s, at[ref] = afterCrash(t, dir, ref, old, record(ref, old, n)[2].Hash, err == nil, when, journal && (long || n%12 == 1))
					states++
				}
			}
		}
		t.Logf("first record %v: %d operations, %d states after a power cut, none broken, no acknowledged record lost", first, total, states)
	}
}

// TestEveryFlushIsNeeded leaves out one flush of an append after the other.
// Each time some power cut must do harm: a flush that can go without notice
// either is not needed or is not tested.
func TestEveryFlushIsNeeded(t *testing.T) {
	t.Parallel()
	caught, total := 0, 0
	for leave := 1; ; leave++ {
		harm, left := "", false
		for seed := 0; seed < 40 && harm == ""; seed++ {
			s := fresh(t)
			ref := refName(true, leave)
			if _, err := s.Lock(); err != nil {
				t.Fatal(err)
			}
			p := &powerCut{root: s.Dir(), loose: map[string]bool{}, leave: leave}
			s.Inject(p.cutAt(0))
			hash, err := appendRecord(s, ref, "", 1)
			must(t, err)
			die(s)
			p.cut(t, rand.New(rand.NewPCG(uint64(seed), uint64(leave))), false)
			left = p.left
			s = reopen(t, s)
			now, err := s.Ref(ref)
			if err == nil && now == hash {
				_, err = reach(s, now)
			} else if err == nil {
				err = errors.New("the acknowledged record is lost")
			}
			if err != nil {
				harm = err.Error()
			}
			if !left {
				break
			}
		}
		if !left {
			if total < 9 {
				t.Fatalf("only %d flushes in a first append: three files, three folders, a new folder, the reference and its folder were expected", total)
			}
			break
		}
		total++
		if harm == "" {
			t.Errorf("flush %d can be left out and no power cut shows it", leave)
			continue
		}
		caught++
	}
	t.Logf("%d of %d left-out flushes were caught", caught, total)
}

// TestPutAgainFlushes: an object that is there may have been written by a
// process that died before its flush. Relying on it means flushing it, once.
func TestPutAgainFlushes(t *testing.T) {
	s := fresh(t)
	objs := record("again", "", 1)
	must(t, s.Put(objs...))
	flushes := func(op Op) bool { return !changes(op) }
	s = reopen(t, s)
	if n := countOps(s, flushes, func() { must(t, s.Put(objs...)) }); n != 6 {
		t.Errorf("a new handle flushed %d times, want three files and three folders", n)
	}
	if n := countOps(s, func(Op) bool { return true }, func() { must(t, s.Put(objs...)) }); n != 0 {
		t.Errorf("the same handle had %d operations for what it knows to be durable", n)
	}
}
