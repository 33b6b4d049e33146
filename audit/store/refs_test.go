package store

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestSetRef: the compare-and-set against loose, packed and absent references.
func TestSetRef(t *testing.T) {
	t.Parallel()
	needGit(t)
	s := fresh(t)
	ref := refName(false, 0)
	c := chain(t, s, ref, 3)
	check := func(err, want error, where string) {
		t.Helper()
		now, e := s.Ref(ref)
		if !errors.Is(err, want) || e != nil || now != c[2] {
			t.Errorf("%s: %v, reference at %s, %v", where, err, now, e)
		}
	}
	for _, where := range []string{"loose", "packed"} {
		check(s.SetRef(ref, c[0], c[1]), ErrMoved, where)
		check(s.SetRef(ref, "", c[1]), ErrMoved, where)
		check(s.SetRef(ref, "", c[1]), ErrExists, where)
		if err := s.SetRef(ref, c[0], c[1]); errors.Is(err, ErrExists) {
			t.Errorf("%s: a moved reference is not one that exists already: %v", where, err)
		}
		git(t, s.Dir(), "pack-refs", "--all")
		if s.d.exists(ref) {
			t.Fatal("git did not pack the reference")
		}
	}
	if err := s.SetRef("refs/heads/runs/none", c[0], c[1]); !errors.Is(err, ErrMoved) {
		t.Errorf("moving what is not there: %v", err)
	}
	blob := record(ref, "", 1)[0].Hash
	if err := s.SetRef(ref, c[2], blob); err == nil || !strings.Contains(err.Error(), "not a commit") {
		t.Errorf("a reference to a blob: %v", err)
	}
	if err := s.SetRef(ref, c[2], strings.Repeat("2", 40)); !errors.Is(err, ErrNotFound) {
		t.Errorf("a reference to nothing: %v", err)
	}
	if err := s.SetRef(ref+"/below", "", c[0]); err == nil {
		t.Error("a reference below a reference was made")
	}
	must(t, s.SetRef(ref, c[2], c[1]))
	if got := git(t, s.Dir(), "rev-parse", ref); got != c[1] {
		t.Errorf("stock git reads %s", got)
	}
	git(t, s.Dir(), "update-ref", ref, c[0], c[1])
	if now, err := s.Ref(ref); err != nil || now != c[0] {
		t.Errorf("what git wrote is read as %s, %v", now, err)
	}
	if left := leftBehind(t, s.Dir()); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestRefNames(t *testing.T) {
	t.Parallel()
	s := fresh(t)
	main, err := s.Ref("refs/heads/main")
	must(t, err)
	for _, bad := range []string{"", "main", "HEAD", "refs/heads", "refs/heads/", "refs/heads/../../config", "refs/heads/A", "refs/heads/a.lock",
		"refs/heads/a.lock/b", "refs/heads/.a", "refs/heads/a.", "refs/heads/a..b", "refs/heads/a b", "refs/heads/a\\b", "refs/heads/a~1", "/refs/heads/a", "refs//heads/a"} {
		if err := s.SetRef(bad, "", main); err == nil {
			t.Errorf("%q was made", bad)
		}
		if _, err := s.Ref(bad); err == nil {
			t.Errorf("%q was read", bad)
		}
		if _, err := s.Recover(bad); err == nil {
			t.Errorf("%q was recovered", bad)
		}
	}
	for _, good := range []string{"refs/heads/runs/fern-20260302-k7qd", "refs/heads/editions/2026-spring", "refs/remotes/hub/runs/x", "refs/heads/a.b_c-d"} {
		must(t, s.SetRef(good, "", main))
	}
}

// TestBrokenRefs: what is not 40 hexadecimal digits and a line feed is
// never taken for a commit, never skipped, and only put back on demand.
func TestBrokenRefs(t *testing.T) {
	t.Parallel()
	needGit(t)
	s := fresh(t)
	ref := refName(false, 0)
	c := chain(t, s, ref, 2)
	git(t, s.Dir(), "pack-refs", "--all") // an old value lies behind the broken one
	name := filepath.Join(s.Dir(), filepath.FromSlash(ref))
	main, err := s.Ref("refs/heads/main")
	must(t, err)
	for _, text := range []string{"", c[0][:20], c[0], c[0] + "\r\n", c[0] + "\n\n", strings.Repeat("\x00", 41), strings.ToUpper(c[0]) + "\n", "ref: refs/heads/main\n", "g" + c[0][1:] + "\n"} {
		must(t, os.MkdirAll(filepath.Dir(name), 0o777))
		must(t, os.WriteFile(name, []byte(text), 0o666))
		if got, err := s.Ref(ref); !errors.Is(err, ErrDamaged) || got != "" {
			t.Errorf("%q was read as %q, %v", text, got, err)
		}
		if err := s.SetRef(ref, c[1], c[0]); !errors.Is(err, ErrDamaged) {
			t.Errorf("%q was overwritten: %v", text, err)
		}
		refs, err := s.Refs()
		if err != nil || !strings.HasPrefix(refs[ref], "broken: ") || refs["refs/heads/main"] != main {
			t.Errorf("%q: the list is %v, %v", text, refs, err)
		}
		rec, err := s.Recover(ref)
		if err != nil || len(rec.Damage) != 1 || rec.Damage[0].Ref != ref || len(rec.Acts) != 0 {
			t.Errorf("%q: Recover said %+v, %v", text, rec, err)
		} else if strings.HasPrefix(text, "ref:") != strings.Contains(rec.Damage[0].How, "another reference") {
			t.Errorf("%q is said to be broken because it %s", text, rec.Damage[0].How)
		}
		must(t, s.RestoreRef(ref, c[1]))
		if now, err := s.Ref(ref); err != nil || now != c[1] {
			t.Errorf("put back, it stands at %s, %v", now, err)
		}
		if err := s.RestoreRef(ref, c[0]); !errors.Is(err, ErrMoved) {
			t.Errorf("a good reference was put back: %v", err)
		}
	}
	parked, err := os.ReadDir(filepath.Join(s.Dir(), "quarantine"))
	if err != nil || len(parked) != 9 {
		t.Errorf("%d broken references are kept, want all 9: %v", len(parked), err)
	}
	fsck(t, s.Dir(), "put back")
}

// TestListedRefs: lock files and temporary files are no references, loose goes
// before packed, and a damaged packed-refs is said.
func TestListedRefs(t *testing.T) {
	t.Parallel()
	needGit(t)
	s := fresh(t)
	ref := refName(false, 0)
	c := chain(t, s, ref, 1)
	git(t, s.Dir(), "tag", "-a", "-m", "x", "kept", c[0]) // packed with a peeled line
	git(t, s.Dir(), "pack-refs", "--all")
	next, err := appendRecord(s, ref, c[0], 2)
	must(t, err)
	must(t, os.WriteFile(filepath.Join(s.Dir(), "refs", "heads", "main.lock"), []byte(next+"\n"), 0o666))
	refs, err := s.Refs()
	must(t, err)
	if len(refs) != 3 || refs[ref] != next || refs["refs/heads/main"] == "" || refs["refs/tags/kept"] == "" {
		t.Errorf("listed: %v", refs)
	}
	packed := filepath.Join(s.Dir(), "packed-refs")
	whole, err := os.ReadFile(packed)
	must(t, err)
	for _, text := range []string{string(whole[:len(whole)-5]), "garbage\n" + string(whole), string(whole) + string(whole)} {
		must(t, os.WriteFile(packed, []byte(text), 0o666))
		refs, err := s.Refs()
		if !errors.Is(err, ErrDamaged) || refs[ref] != next {
			t.Errorf("damaged packed-refs: %v, %v", refs, err)
		}
		if _, err := s.Ref("refs/heads/none"); !errors.Is(err, ErrDamaged) {
			t.Errorf("a reference that a damaged packed-refs may have held: %v", err)
		}
		if now, err := s.Ref(ref); err != nil || now != next {
			t.Errorf("a loose one needs no packed-refs: %s, %v", now, err)
		}
		rec, err := s.Recover()
		if err != nil || len(rec.Damage) != 1 || rec.Damage[0].Path != "packed-refs" {
			t.Errorf("Recover said %+v, %v", rec, err)
		}
	}
}
