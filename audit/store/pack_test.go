package store

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
)

// allOf gives the names of all objects that a commit reaches.
func allOf(t testing.TB, s *Store, commit string) []string {
	t.Helper()
	seen := map[string]bool{}
	for todo := []string{commit}; len(todo) > 0; todo = todo[1:] {
		if seen[todo[0]] {
			continue
		}
		seen[todo[0]] = true
		typ, data, err := s.Object(todo[0])
		must(t, err)
		todo = append(todo, links(typ, data)...)
	}
	return slices.Sorted(maps.Keys(seen))
}

func packFiles(t testing.TB, s *Store) []string {
	t.Helper()
	list, err := s.d.list("objects/pack")
	must(t, err)
	var out []string
	for _, e := range list {
		out = append(out, e.Name())
	}
	return out
}

// TestPack: one pack, loose objects gone, all readable through an old handle, a
// new one and stock git; packing again changes nothing.
func TestPack(t *testing.T) {
	t.Parallel()
	needGit(t)
	s := fresh(t)
	ref := refName(false, 0)
	commits := chain(t, s, ref, 12)
	old := reopen(t, s)
	all := allOf(t, s, commits[11])
	must(t, s.Pack(append(all, all...)))
	if files := packFiles(t, s); len(files) != 2 {
		t.Fatalf("want one pack and its index, got %v", files)
	}
	for _, h := range all {
		if s.d.exists(loosePath(h)) {
			t.Fatalf("%s is still loose", h)
		}
	}
	for _, handle := range []*Store{s, old, reopen(t, s)} {
		if got, err := reach(handle, commits[11]); err != nil || len(got) != 12 {
			t.Fatalf("%d commits, %v", len(got), err)
		}
	}
	fsck(t, s.Dir(), "packed")
	if out := git(t, s.Dir(), "verify-pack", "-v", filepath.Join(s.Dir(), "objects", "pack", packFiles(t, s)[0])); !strings.Contains(out, ": ok") {
		t.Fatal(out)
	}
	must(t, s.Pack(all))
	must(t, s.Put(record(ref, "", 1)...)) // loose again: a copy
	must(t, s.Pack(all))
	if files := packFiles(t, s); len(files) != 2 || s.d.exists(loosePath(record(ref, "", 1)[0].Hash)) {
		t.Fatalf("packing again made %v", files)
	}
	before := packFiles(t, s)
	if err := s.Pack([]string{commits[0], strings.Repeat("1", 40)}); !errors.Is(err, ErrNotFound) {
		t.Fatalf("a name that is nowhere: %v", err)
	}
	if after := packFiles(t, s); len(after) != len(before) {
		t.Fatalf("and yet something was packed: %v", after)
	}
	if _, err := appendRecord(s, ref, commits[11], 13); err != nil {
		t.Fatal(err)
	}
	fsck(t, s.Dir(), "appended after packing")
}

// TestPackFaults ends packing at each operation, by a crash and by a power cut.
// Every object must be there afterwards, and packing must then succeed.
func TestPackFaults(t *testing.T) {
	t.Parallel()
	needGit(t)
	every := func(Op) bool { return true }
	s, n := fresh(t), 0
	build := func() (ref, last string, all []string) {
		n++
		ref = refName(true, n)
		commits := chain(t, s, ref, 2)
		return ref, commits[1], allOf(t, s, commits[1])
	}
	_, _, all := build()
	total := countOps(s, every, func() { must(t, s.Pack(all)) })
	for k := 1; k <= total; k++ {
		s = fresh(t) // packs add up, and each start reads their indexes
		for seed := 0; seed < some(2, 32); seed++ {
			ref, last, all := build()
			if _, err := s.Lock(); err != nil {
				t.Fatal(err)
			}
			p := &powerCut{root: s.Dir(), loose: map[string]bool{}}
			if seed == 0 { // a crash: what was written stays
				s.Inject(crashAt(k, every, true))
			} else {
				s.Inject(p.cutAt(k))
			}
			// Objects that share a folder make a flush less.
			if err := s.Pack(all); !errors.Is(err, errCrash) && (err != nil || k < total-4) {
				t.Fatalf("operation %d of %d: %v", k, total, err)
			}
			die(s)
			if seed > 0 {
				p.cut(t, rand.New(rand.NewPCG(uint64(seed), uint64(k))), seed%2 == 0)
			}
			when := fmt.Sprintf("packing ended at operation %d of %d, seed %d", k, total, seed)
			s, _ = afterCrash(t, s.Dir(), ref, last, last, true, when, seed == 0)
			must(t, s.Pack(all))
			for _, h := range all {
				if s.d.exists(loosePath(h)) {
					t.Fatalf("%s: %s is still loose after packing again", when, h)
				}
			}
			s = reopen(t, s)
			if got, err := reach(s, last); err != nil || len(got) != 2 {
				t.Fatalf("%s: %d commits, %v", when, len(got), err)
			}
		}
	}
	t.Logf("%d operations of packing, none lost an object", total)
}

// TestPackReadsBack: a pack that does not give back what was put in, here
// because a write was lost, is noticed before any loose object goes.
func TestPackReadsBack(t *testing.T) {
	t.Parallel()
	for _, prefix := range []string{"tmp_pack_", "tmp_idx_"} {
		s := fresh(t)
		commits := chain(t, s, refName(false, 0), 3)
		all := allOf(t, s, commits[2])
		s.Inject(func(op Op) (int, error) {
			if op.Kind == "write" && strings.Contains(op.Path, prefix) {
				return 0, ErrLeftOut
			}
			return 0, nil
		})
		err := s.Pack(all)
		s.Inject(nil)
		if !errors.Is(err, ErrDamaged) {
			t.Fatalf("%s: %v", prefix, err)
		}
		for _, h := range all {
			if !s.d.exists(loosePath(h)) {
				t.Fatalf("%s: %s went although the pack is broken", prefix, h)
			}
		}
		if got, err := reach(reopen(t, s), commits[2]); err != nil || len(got) != 3 {
			t.Fatalf("%s: %v", prefix, err)
		}
	}
}

// TestPackBits flips bits of pack and index: what is read is an error or
// exactly the bytes asked for, never a panic.
func TestPackBits(t *testing.T) {
	t.Parallel()
	s := fresh(t)
	commits := chain(t, s, refName(false, 0), 2)
	all := allOf(t, s, commits[1])
	must(t, s.Pack(all))
	want := map[string][]byte{}
	for _, h := range all {
		_, data, err := s.Object(h)
		must(t, err)
		want[h] = data
	}
	s.Close()
	for _, name := range packFiles(t, s) {
		full := filepath.Join(s.Dir(), "objects", "pack", name)
		whole, err := os.ReadFile(full)
		must(t, err)
		must(t, os.Chmod(full, 0o644))
		bits := 8 * len(whole)
		noticed, tried := 0, 0
		for bit := 0; bit < bits; bit += some(1+bits/250, 1) {
			b := bytes.Clone(whole)
			b[bit/8] ^= 1 << (bit % 8)
			must(t, os.WriteFile(full, b, 0o444))
			bad := false
			for _, h := range all {
				_, data, err := s.Object(h)
				if err == nil && !bytes.Equal(data, want[h]) {
					t.Fatalf("%s bit %d: other bytes for %s without an error", name, bit, h)
				}
				bad = bad || err != nil
			}
			s.Close()
			tried++
			if bad {
				noticed++
			}
		}
		must(t, os.WriteFile(full, whole, 0o444))
		t.Logf("%s: %d of %d flipped bits noticed by reading, the others changed nothing that was read", name, noticed, tried)
		if noticed < tried/2 {
			t.Errorf("%s: only %d of %d flipped bits were noticed", name, noticed, tried)
		}
	}
}

// TestRecoverIndex: an index that is missing or broken is made again from its
// pack; a pack that cannot be read is reported and stays.
func TestRecoverIndex(t *testing.T) {
	needGit(t)
	s := fresh(t)
	commits := chain(t, s, refName(false, 0), 3)
	must(t, s.Pack(allOf(t, s, commits[2])))
	idx := filepath.Join(s.Dir(), "objects", "pack", packFiles(t, s)[0])
	whole, err := os.ReadFile(idx)
	must(t, err)
	for _, how := range []string{"missing", "empty", "half"} {
		must(t, os.Remove(idx))
		if how != "missing" {
			must(t, os.WriteFile(idx, whole[:map[string]int{"empty": 0, "half": len(whole) / 2}[how]], 0o444))
		}
		s = reopen(t, s)
		if _, _, err := s.Object(commits[0]); err == nil {
			t.Fatalf("%s index: the object was read", how)
		} else if how != "missing" && !errors.Is(err, ErrDamaged) {
			t.Fatalf("%s index: %v", how, err)
		}
		rec, err := s.Recover(refName(false, 0))
		if err != nil || len(rec.Damage) > 0 || len(rec.Acts) == 0 {
			t.Fatalf("%s index: %+v %v", how, rec, err)
		}
		again, err := os.ReadFile(idx)
		if err != nil || !bytes.Equal(again, whole) {
			t.Fatalf("%s index: the new one has other bytes, %v", how, err)
		}
	}
	fsck(t, s.Dir(), "index made again")
	pack := strings.TrimSuffix(idx, ".idx") + ".pack"
	must(t, os.Chmod(pack, 0o644))
	must(t, os.Truncate(pack, 100))
	must(t, os.Remove(idx))
	s = reopen(t, s)
	rec, err := s.Recover()
	if err != nil || len(rec.Damage) != 1 || !strings.HasSuffix(rec.Damage[0].Path, ".pack") {
		t.Fatalf("a cut pack without index: %+v %v", rec, err)
	}
}

// TestForeignPacks: packs that stock git makes, with deltas and under names of
// its own, are read, also by a handle that was open before.
func TestForeignPacks(t *testing.T) {
	t.Parallel()
	needGit(t)
	s := fresh(t)
	ref := refName(false, 0)
	commits := chain(t, s, ref, 40)
	old := reopen(t, s)
	if _, err := reach(old, commits[39]); err != nil {
		t.Fatal(err)
	}
	unlock, err := s.Lock()
	must(t, err)
	git(t, s.Dir(), "maintenance", "run", "--task=loose-objects") // packs, named loose-*
	git(t, s.Dir(), "maintenance", "run", "--task=loose-objects") // and removes the loose ones
	unlock()
	named := strings.Join(packFiles(t, s), " ")
	for _, handle := range []*Store{old, reopen(t, s)} {
		if got, err := reach(handle, commits[39]); err != nil || len(got) != 40 {
			t.Fatalf("with packs %s: %d commits, %v", named, len(got), err)
		}
	}
	unlock, err = s.Lock()
	must(t, err)
	git(t, s.Dir(), "repack", "-a", "-d", "-q", "-f", "--depth=50")
	unlock()
	for _, handle := range []*Store{old, reopen(t, s)} {
		if got, err := reach(handle, commits[39]); err != nil || len(got) != 40 {
			t.Fatalf("after repacking: %d commits, %v", len(got), err)
		}
		handle.Close()
	}
	last, err := appendRecord(s, ref, commits[39], 41)
	must(t, err)
	unlock, err = s.Lock()
	must(t, err)
	git(t, s.Dir(), "gc", "-q", "--prune=now") // removes the empty folders too
	unlock()
	if _, err := appendRecord(s, ref, last, 42); err != nil {
		t.Fatalf("append after gc took the empty folders away: %v", err)
	}
	fsck(t, s.Dir(), "after gc")
}

// TestManyPacks: more packs than stay open.
func TestManyPacks(t *testing.T) {
	t.Parallel()
	s := fresh(t)
	var heads []string
	for i := 0; i < mostOpen+8; i++ {
		h, err := appendRecord(s, refName(true, i), "", i)
		must(t, err)
		heads = append(heads, h)
		must(t, s.Pack(allOf(t, s, h)))
	}
	s = reopen(t, s)
	for round := 0; round < 2; round++ {
		for _, h := range heads {
			if _, err := reach(s, h); err != nil {
				t.Fatal(err)
			}
		}
	}
	open := 0
	for _, p := range s.packs.list {
		if p.file != nil {
			open++
		}
	}
	if open > mostOpen || open < 2 {
		t.Errorf("%d packs are open, at most %d", open, mostOpen)
	}
}

// TestReadersBesidePacking: goroutines of this handle and of another one read
// everything while its objects move from loose files into packs.
func TestReadersBesidePacking(t *testing.T) {
	t.Parallel()
	s := fresh(t)
	commits := chain(t, s, refName(false, 0), 30)
	other := reopen(t, s)
	quit := make(chan struct{})
	var readers sync.WaitGroup
	for _, h := range []*Store{s, s, other, other} {
		readers.Add(1)
		go func() {
			defer readers.Done()
			for {
				if got, err := reach(h, commits[29]); err != nil || len(got) != 30 {
					t.Errorf("%d commits, %v", len(got), err)
					return
				}
				select {
				case <-quit:
					return
				default:
				}
			}
		}()
	}
	all := allOf(t, s, commits[29])
	for i := 0; i < len(all); i += 10 {
		must(t, s.Pack(all[i:min(i+10, len(all))]))
	}
	close(quit)
	readers.Wait()
}

// TestPackWrongName: an index that leads to another object, all checksums in
// order, is noticed.
func TestPackWrongName(t *testing.T) {
	s := fresh(t)
	a, b := record("a", "", 1)[0], record("b", "", 1)[0]
	var pack, idx bytes.Buffer
	w := newPackWriter(&pack, 1)
	w.add(a.Hash, "blob", b.Data)
	sum, err := w.finish()
	must(t, err)
	must(t, encodeIndex(&idx, &w.idx))
	must(t, os.WriteFile(s.d.full("objects/pack/pack-"+sum.String()+".pack"), pack.Bytes(), 0o444))
	must(t, os.WriteFile(s.d.full("objects/pack/pack-"+sum.String()+".idx"), idx.Bytes(), 0o444))
	if _, _, err := s.Object(a.Hash); !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), b.Hash) {
		t.Errorf("another object was given out: %v", err)
	}
	must(t, s.Put(a)) // a good loose copy stands in
	if _, data, err := s.Object(a.Hash); err != nil || !bytes.Equal(data, a.Data) {
		t.Errorf("with a good copy: %v", err)
	}
}

// TestPackFlushes: packing is durable when it returns, without any recovery,
// and each of its flushes is needed for that: the pack's, the index's, the
// folder's before the index gets its name and after. The flushes of the
// folders of loose objects that went are not: those coming back do no harm.
func TestPackFlushes(t *testing.T) {
	t.Parallel()
	for leave := 0; leave <= 4; leave++ {
		harm := ""
		for seed := 0; seed < some(12, 60) && harm == ""; seed++ {
			s := fresh(t)
			last, err := appendRecord(s, refName(false, 0), "", 1)
			must(t, err)
			all := allOf(t, s, last)
			p := &powerCut{root: s.Dir(), loose: map[string]bool{}, leave: leave}
			named := false // the index has its name
			s.Inject(func(op Op) (int, error) {
				if leave == 3 && named {
					return 0, errCrash // only the order of the two names is at stake
				}
				named = op.Kind == "rename" && strings.HasSuffix(op.To, ".idx")
				return 0, p.see(op)
			})
			if err := s.Pack(all); err != nil && !(leave == 3 && errors.Is(err, errCrash)) {
				t.Fatal(err)
			}
			p.cut(t, rand.New(rand.NewPCG(uint64(seed), uint64(leave))), false)
			s = reopen(t, s)
			for _, h := range all {
				if _, _, err := s.Object(h); err != nil {
					harm = err.Error()
				}
			}
			files := strings.Join(packFiles(t, s), " ")
			if strings.Contains(files, ".idx") && !strings.Contains(files, ".pack") {
				harm = "an index without its pack"
			}
		}
		if (harm != "") != (leave > 0) {
			t.Errorf("flush %d left out (0: none): harm %q", leave, harm)
		}
	}
}

// TestGuard: a panic over broken bytes is an error of that object.
func TestGuard(t *testing.T) {
	if err := guard(func() error { panic("index out of range") }); err == nil {
		t.Error("a panic is no error")
	}
}
