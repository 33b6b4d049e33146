package store

import (
	"bytes"
	"compress/zlib"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tapledger/audit"
)

// breakLoose damages the file of an object in one of the ways that disks,
// power cuts and people do.
func breakLoose(t testing.TB, dir, hash, way string, other []byte) {
	t.Helper()
	name := filepath.Join(dir, filepath.FromSlash(loosePath(hash)))
	b, err := os.ReadFile(name)
	must(t, err)
	switch way {
	case "empty":
		b = nil
	case "one byte":
		b = b[:1]
	case "half":
		b = b[:len(b)/2]
	case "without its last four bytes":
		b = b[:len(b)-4]
	case "zeros":
		b = make([]byte, len(b))
	case "a bit flipped":
		b[len(b)/2] ^= 0x10
	case "more behind":
		b = append(b, 'x')
	case "another object":
		b = other
	case "a wrong head":
		typ, data, _ := inflate(b) // the right bytes under a wrong length: only the head tells
		var z bytes.Buffer
		w := zlib.NewWriter(&z)
		fmt.Fprintf(w, "%s %d\x00%s", typ, len(data)+1, data)
		w.Close()
		b = z.Bytes()
	default:
		t.Fatalf("no such way: %s", way)
	}
	must(t, os.Chmod(name, 0o644))
	must(t, os.WriteFile(name, b, 0o444))
}

var ways = []string{"empty", "one byte", "half", "without its last four bytes", "zeros", "a bit flipped", "more behind", "another object", "a wrong head"}

// TestDamagedObjects: each way of damage to blob, tree and commit is noticed
// when read, healed when the object is put again, and moved away by Recover.
func TestDamagedObjects(t *testing.T) {
	t.Parallel()
	needGit(t)
	s := fresh(t)
	ref := refName(false, 0)
	_, err := appendRecord(s, ref, "", 1)
	must(t, err)
	objs := record(ref, "", 1)
	other := deflate("blob", []byte("a good object under the wrong name"))
	for _, way := range ways {
		for _, o := range objs {
			when := o.Type + ", " + way
			breakLoose(t, s.Dir(), o.Hash, way, other)
			_, _, err := s.Object(o.Hash)
			var bad *DamagedError
			if !errors.Is(err, ErrDamaged) || !errors.As(err, &bad) || bad.Hash != o.Hash {
				t.Fatalf("%s: not noticed: %v", when, err)
			}
			if out, err := gitIn(s.Dir(), "fsck", "--full"); err == nil && way != "more behind" {
				t.Fatalf("%s: stock git does not notice; is it damaged at all?\n%s", when, out)
			}
			must(t, s.Put(objs...))
			typ, data, err := s.Object(o.Hash)
			if err != nil || typ != o.Type || !bytes.Equal(data, o.Data) {
				t.Fatalf("%s: not healed by Put: %v", when, err)
			}
			breakLoose(t, s.Dir(), o.Hash, way, other)
			rec, err := s.Recover(ref)
			must(t, err)
			if len(rec.Damage) != 1 || rec.Damage[0].Hash != o.Hash || rec.Damage[0].Ref != ref || len(rec.Lines(ref)) != 1 {
				t.Fatalf("%s: Recover said %v, damage %v", when, rec.Acts, rec.Damage)
			}
			if s.d.exists(loosePath(o.Hash)) {
				t.Fatalf("%s: still under its name after Recover", when)
			}
			s = reopen(t, s)
			must(t, s.Put(objs...))
		}
	}
	fsck(t, s.Dir(), "healed")
	parked, err := os.ReadDir(filepath.Join(s.Dir(), "quarantine"))
	must(t, err)
	if want := 2 * len(ways) * len(objs); len(parked) != want {
		t.Fatalf("%d files in quarantine, want all %d broken ones", len(parked), want)
	}
}

// TestEveryBit flips each bit of a loose blob: what is read is an error or
// exactly the bytes asked for.
func TestEveryBit(t *testing.T) {
	t.Parallel()
	s := fresh(t)
	o := record("bits", "", 1)[0]
	must(t, s.Put(o))
	name := filepath.Join(s.Dir(), filepath.FromSlash(loosePath(o.Hash)))
	whole, err := os.ReadFile(name)
	must(t, err)
	must(t, os.Chmod(name, 0o644))
	noticed := 0
	for bit := 0; bit < 8*len(whole); bit++ {
		b := bytes.Clone(whole)
		b[bit/8] ^= 1 << (bit % 8)
		must(t, os.WriteFile(name, b, 0o444))
		typ, data, err := s.Object(o.Hash)
		if err != nil {
			noticed++
		} else if typ != "blob" || !bytes.Equal(data, o.Data) {
			t.Fatalf("bit %d: other bytes were given out without an error", bit)
		}
	}
	t.Logf("%d bits: %d noticed, %d harmless, 0 silent", 8*len(whole), noticed, 8*len(whole)-noticed)
	if noticed < 8*len(whole)*9/10 {
		t.Fatalf("only %d of %d flipped bits were noticed", noticed, 8*len(whole))
	}
}

// TestDeepRecover: after a writer that died every loose object is hashed
// again, also one that no reference's last commits reach.
func TestDeepRecover(t *testing.T) {
	t.Parallel()
	s := fresh(t)
	ref := refName(false, 0)
	commits := chain(t, s, ref, tail+3)
	old := record(ref, "", 1)[0]
	breakLoose(t, s.Dir(), old.Hash, "a bit flipped", nil)
	rec, err := s.Recover(ref)
	if err != nil || rec.Deep || !rec.Empty() {
		t.Fatalf("a start in order reads the tails only: %+v %v", rec, err)
	}
	if _, err := s.Lock(); err != nil {
		t.Fatal(err)
	}
	die(s)
	s = reopen(t, s)
	rec, err = s.Recover(ref)
	must(t, err)
	if !rec.Deep || len(rec.Acts) != 1 || !strings.Contains(rec.Acts[0].Did, old.Hash) {
		t.Fatalf("not found: %+v", rec)
	}
	if _, err := reach(s, commits[len(commits)-1]); !errors.Is(err, ErrNotFound) {
		t.Fatalf("want the object to be missing now, got %v", err)
	}
	must(t, s.Put(old))
	if rec, err = s.Recover(ref); err != nil || !rec.Empty() || rec.Deep || s.Unclean() {
		t.Fatalf("after healing: %+v %v", rec, err)
	}
}

// TestPutRefuses what would be stored under a wrong name or type.
func TestPutRefuses(t *testing.T) {
	s := fresh(t)
	for _, o := range []audit.RawObject{
		{Hash: audit.ObjectID("blob", []byte("a")), Type: "blob", Data: []byte("b")},
		{Hash: audit.ObjectID("tag", []byte("a")), Type: "tag", Data: []byte("a")},
		{Hash: "", Type: "blob", Data: []byte("b")},
	} {
		if err := s.Put(o); err == nil {
			t.Errorf("%+v was stored", o)
		}
	}
	if _, _, err := s.Object(strings.Repeat("0", 40)); !errors.Is(err, ErrNotFound) {
		t.Errorf("an object that is not there: %v", err)
	}
	for _, name := range []string{"", "../../etc/passwd", strings.Repeat("A", 40), strings.Repeat("a", 39)} {
		if _, _, err := s.Object(name); err == nil || errors.Is(err, ErrNotFound) {
			t.Errorf("%q was looked up as an object: %v", name, err)
		}
	}
}

// TestOrder: whatever order a caller hands objects in, each gets its name only
// after those it points to.
func TestOrder(t *testing.T) {
	root, objs := audit.BuildTree(map[string][]byte{"a/b/c/d.json": []byte("1"), "a/b/e.json": []byte("2"), "f.json": []byte("3")})
	who := "bench <bench@bench.invalid> 1790000000 +0000"
	c := audit.NewObject("commit", []byte(fmt.Sprintf("tree %s\nauthor %s\ncommitter %s\n\nx\n", root, who, who)))
	list := inOrder(append([]audit.RawObject{c}, append(objs, objs...)...))
	if len(list) != len(objs)+1 {
		t.Fatalf("%d objects, want each of %d once", len(list), len(objs)+1)
	}
	seen := map[string]bool{}
	for _, o := range list {
		for _, h := range links(o.Type, o.Data) {
			if !seen[h] {
				t.Errorf("%s %s comes before %s, which it points to", o.Type, o.Hash, h)
			}
		}
		seen[o.Hash] = true
	}
}

// TestPutMany: however many objects are handed over and in whatever order, few
// files are open, and each object gets its name after those it points to.
func TestPutMany(t *testing.T) {
	s := fresh(t)
	files := map[string][]byte{}
	for i := 0; i < 3*mostAtOnce; i++ {
		files[fmt.Sprintf("f/%d.json", i)] = []byte(fmt.Sprint(i))
	}
	root, objs := audit.BuildTree(files)
	byName, named := map[string]audit.RawObject{}, map[string]bool{}
	for _, o := range objs {
		byName[loosePath(o.Hash)] = o
	}
	open, most := 0, 0
	s.Inject(func(op Op) (int, error) {
		switch op.Kind {
		case "create":
			open++
		case "rename":
			open--
			o := byName[op.To]
			for _, h := range links(o.Type, o.Data) {
				if !named[h] {
					t.Errorf("%s %s got its name before %s, which it points to", o.Type, o.Hash, h)
				}
			}
			named[o.Hash] = true
		}
		most = max(most, open)
		return 0, nil
	})
	slices.SortFunc(objs, func(a, b audit.RawObject) int { return strings.Compare(b.Type, a.Type) }) // trees first
	must(t, s.Put(objs...))
	if most > mostAtOnce || most < 2 {
		t.Errorf("%d files were open at once, at most %d", most, mostAtOnce)
	}
	if got := len(allOf(t, s, root)); got != len(objs) {
		t.Errorf("%d objects are there, want %d", got, len(objs))
	}
}
