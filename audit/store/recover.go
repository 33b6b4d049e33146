package store

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path"
	"slices"
	"sort"
	"strings"
	"time"

	"github.com/go-git/go-git/v5/plumbing/format/idxfile"
	"github.com/go-git/go-git/v5/plumbing/format/packfile"
)

// tail is how many commits of a reference Recover reads and hashes again: a
// crash can only have touched what was written last.
const tail = 32

// Recovery says what Recover did and what it could not mend.
type Recovery struct {
	Acts   []Act           // what was done, sorted by reference, then text
	Damage []*DamagedError // what is still not whole, sorted by its text
	Deep   bool            // every loose object was hashed again, not only the tails
}

// Act is one thing that Recover did. Ref is the reference that it was about,
// or empty.
type Act struct {
	Ref string
	Did string
}

// Lines gives what was done about one reference (or, for "", about none), one
// sentence each, in order.
func (r Recovery) Lines(ref string) []string {
	var out []string
	for _, a := range r.Acts {
		if a.Ref == ref {
			out = append(out, a.Did)
		}
	}
	return out
}

// Refs lists the references that something was done about, in order.
func (r Recovery) Refs() []string {
	refs := map[string]bool{}
	for _, a := range r.Acts {
		refs[a.Ref] = true
	}
	delete(refs, "")
	return slices.Sorted(maps.Keys(refs))
}

// Empty is true when there was nothing to do and nothing is damaged.
func (r Recovery) Empty() bool { return len(r.Acts) == 0 && len(r.Damage) == 0 }

// recovering is one run of Recover.
type recovering struct {
	s     *Store
	seen  map[string]bool // objects that were read
	files []leftover      // loose objects, found on the way by leftovers
	out   Recovery
}

// Recover does what a start needs after a crash, under the writer's lock: lock
// files and temporary files that nobody owns any more go; a pack that lacks
// its index gets one; the last commits of the given references, with their
// trees and files, are read and hashed again; loose objects that are empty or
// broken are moved to quarantine/ and never left under their name; references
// are read strictly. After a writer that died (Unclean) every loose object is
// hashed again. What cannot be mended here is in Damage: a broken reference
// stays until the caller puts it back with RestoreRef, since only the caller
// knows which commit was its last. Doing it twice does nothing more.
func (s *Store) Recover(refs ...string) (Recovery, error) {
	for _, name := range refs {
		if err := checkRef(name); err != nil {
			return Recovery{}, err
		}
	}
	end, err := s.begin()
	if err != nil {
		return Recovery{}, err
	}
	defer end()
	r := &recovering{s: s, seen: map[string]bool{}}
	r.out.Deep = s.unclean.Load()
	s.flushed = map[string]bool{}
	for _, step := range []func() error{r.leftovers, r.head, r.indexes, r.refs,
		func() error { return r.tails(refs) }, r.loose} {
		if err := step(); err != nil {
			return r.sorted(), err
		}
	}
	s.unclean.Store(false)
	return r.sorted(), nil
}

func (r *recovering) did(ref, format string, args ...any) {
	r.out.Acts = append(r.out.Acts, Act{Ref: ref, Did: fmt.Sprintf(format, args...)})
}

func (r *recovering) damage(d DamagedError) { r.out.Damage = append(r.out.Damage, &d) }

func (r *recovering) sorted() Recovery {
	sort.Slice(r.out.Acts, func(i, j int) bool {
		a, b := r.out.Acts[i], r.out.Acts[j]
		return a.Ref < b.Ref || a.Ref == b.Ref && a.Did < b.Did
	})
	sort.Slice(r.out.Damage, func(i, j int) bool { return r.out.Damage[i].Error() < r.out.Damage[j].Error() })
	return r.out
}

// leftover is a file that a writer left: a lock file, a temporary file or a
// loose object.
type leftover struct {
	name string
	is   fs.FileInfo
}

// leftovers removes lock files and temporary files of writers that are gone.
// Our own are dead for certain, since we hold the writer's lock. Those of
// stock git may be alive: they go only when they stayed as they are for the
// grace time.
func (r *recovering) leftovers() error {
	list, err := r.findLeftovers()
	if err != nil {
		return err
	}
	wait := time.Duration(0)
	for _, l := range list {
		if age := time.Since(l.is.ModTime()); !strings.Contains(l.name, ours) && age < r.s.grace && r.s.grace > wait {
			wait = r.s.grace
		}
	}
	if wait > 0 {
		r.s.sleep(wait)
	}
	temps := 0
	for _, l := range list {
		now, err := os.Lstat(r.s.d.full(l.name))
		if err != nil || !now.ModTime().Equal(l.is.ModTime()) {
			continue // its writer lives
		}
		if err := r.s.d.remove(l.name); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		if ref, ok := strings.CutSuffix(l.name, ".lock"); ok {
			if !strings.HasPrefix(ref, "refs/") {
				ref = ""
			}
			r.did(ref, "removed the lock file %s that a stopped writer left", l.name)
		} else {
			temps++
		}
	}
	if temps > 0 {
		r.did("", "removed %d temporary files that a stopped writer left", temps)
	}
	return nil
}

// findLeftovers looks once through the folders; the loose objects that it
// passes are kept for later.
func (r *recovering) findLeftovers() ([]leftover, error) {
	var out []leftover
	look := func(folder string, match func(base string) bool) error {
		list, err := r.s.d.list(folder)
		for _, e := range list {
			name := path.Join(folder, e.Name())
			stray := match(e.Name())
			if e.IsDir() || !stray && checkHash(path.Base(folder)+e.Name()) != nil {
				continue
			}
			is, err := e.Info()
			if err != nil {
				continue // gone since
			}
			if stray {
				out = append(out, leftover{name: name, is: is})
			} else {
				r.files = append(r.files, leftover{name: name, is: is})
			}
		}
		return err
	}
	lock := func(base string) bool { return strings.HasSuffix(base, ".lock") }
	temp := func(base string) bool { return strings.HasPrefix(base, "tmp_") }
	top := func(base string) bool {
		return base == "packed-refs.lock" || base == "HEAD.lock" || base == "config.lock" || strings.HasPrefix(base, "tmp_file_"+ours)
	}
	errs := []error{look(".", top), look("objects/pack", temp)}
	for i := 0; i < 256; i++ {
		errs = append(errs, look(fmt.Sprintf("objects/%02x", i), temp))
	}
	err := r.s.walkFolders("refs", func(folder string) error { return look(folder, lock) })
	return out, errors.Join(append(errs, err)...)
}

// head puts HEAD back: without it git takes the folder for no repository.
func (r *recovering) head() error {
	b, err := r.s.d.read("HEAD")
	if err != nil || string(b) == headText {
		return err
	}
	if err := r.s.d.writeNew("HEAD", []byte(headText), 0o666); err != nil {
		return err
	}
	r.did("", "wrote HEAD again, which was %q", string(b))
	return nil
}

// indexes makes the index of each pack that lacks a readable one, from the
// pack, which proves the pack on the way.
func (r *recovering) indexes() error {
	d := r.s.d
	list, err := d.list("objects/pack")
	if err != nil {
		return err
	}
	for _, e := range list {
		base, isPack := strings.CutSuffix(e.Name(), ".pack")
		if lone, ok := strings.CutSuffix(e.Name(), ".idx"); ok && !d.exists("objects/pack/"+lone+".pack") {
			r.damage(DamagedError{Path: "objects/pack/" + e.Name(), How: "is an index whose pack is missing"})
		}
		if !isPack {
			continue
		}
		idx := "objects/pack/" + base + ".idx"
		_, err := readIndex(d, idx)
		missing := errors.Is(err, fs.ErrNotExist)
		if err == nil || !missing && !errors.Is(err, ErrDamaged) {
			if err != nil {
				return err
			}
			continue
		}
		if err := r.reindex("objects/pack/"+e.Name(), idx, missing); err != nil {
			return err
		}
	}
	return nil
}

func (r *recovering) reindex(pack, idx string, missing bool) error {
	d := r.s.d
	f, err := os.Open(d.full(pack))
	if err != nil {
		return machine("open", pack, err)
	}
	var w idxfile.Writer
	err = guard(func() error {
		p, err := packfile.NewParser(packfile.NewScanner(f), &w)
		if err == nil {
			_, err = p.Parse()
		}
		return err
	})
	f.Close()
	if err != nil {
		r.damage(DamagedError{Path: pack, How: "has no readable index and cannot be read: " + err.Error()})
		return nil
	}
	if !missing {
		to, err := d.park(idx, path.Base(idx))
		if err != nil {
			return err
		}
		r.did("", "moved %s, which cannot be read, to %s", idx, to)
	}
	out, err := d.temp("objects/pack", "tmp_idx_", 0o444)
	if err != nil {
		return err
	}
	if err = encodeIndex(out, &w); err == nil {
		err = out.sync()
	}
	if err != nil {
		out.drop()
		return err
	}
	if err = out.close(); err == nil {
		err = d.rename(out.name, idx)
	}
	if err == nil {
		err = d.syncDir("objects/pack")
	}
	if err == nil {
		r.did("", "made the index of %s from the pack", pack)
	}
	return err
}

// refs reads all references strictly and reports the broken ones.
func (r *recovering) refs() error {
	_, broken, err := r.s.readRefs()
	for _, bad := range broken {
		r.damage(*bad)
	}
	var packed *DamagedError
	if errors.As(err, &packed) {
		r.damage(*packed)
		return nil
	}
	return err
}

// tails reads the last commits of references with all they point to.
func (r *recovering) tails(refs []string) error {
	for _, ref := range refs {
		commit, err := r.s.ref(ref)
		if errors.Is(err, ErrDamaged) {
			continue // reported already
		} else if err != nil {
			return err
		}
		for i := 0; commit != "" && i < tail && !r.seen[commit]; i++ {
			if commit, err = r.follow(ref, commit); err != nil {
				return err
			}
		}
	}
	return nil
}

// follow reads an object and what it points to, except parents; it gives the
// first parent of a commit.
func (r *recovering) follow(ref, hash string) (parent string, err error) {
	if r.seen[hash] {
		return "", nil
	}
	r.seen[hash] = true
	typ, data, err := r.s.Object(hash)
	var bad *DamagedError
	switch {
	case errors.As(err, &bad):
		return "", r.quarantine(ref, hash, bad)
	case errors.Is(err, ErrNotFound):
		r.damage(DamagedError{Ref: ref, Hash: hash, How: "needs the object " + hash + ", which is missing"})
		return "", nil
	case err != nil:
		return "", err
	}
	for i, next := range links(typ, data) {
		if typ == "commit" && i > 0 {
			return next, nil
		}
		if _, err := r.follow(ref, next); err != nil {
			return "", err
		}
	}
	return "", nil
}

// quarantine takes a broken loose object from under its name.
func (r *recovering) quarantine(ref, hash string, bad *DamagedError) error {
	name := loosePath(hash)
	if bad.Path == name && r.s.d.exists(name) {
		to, err := r.s.d.park(name, hash)
		if err != nil {
			return err
		}
		r.did(ref, "moved object %s, which %s, to %s", hash, bad.How, to)
	}
	if ref != "" {
		r.damage(DamagedError{Ref: ref, Hash: hash, Path: bad.Path, How: "needs the object " + hash + ", which " + bad.How})
	}
	return nil
}

// loose looks at every loose object: its length only, or after a writer that
// died its bytes.
func (r *recovering) loose() error {
	for _, f := range r.files {
		hash := path.Base(path.Dir(f.name)) + path.Base(f.name)
		if f.is.Size() > 0 && !r.out.Deep || !r.s.d.exists(f.name) {
			continue
		}
		_, _, err := r.s.loose(hash)
		var bad *DamagedError
		if errors.As(err, &bad) {
			err = r.quarantine("", hash, bad)
		}
		if err != nil && !errors.Is(err, ErrNotFound) {
			return err
		}
	}
	return nil
}
