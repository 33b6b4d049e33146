package store

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"regexp"
	"strings"
	"time"
)

// reRef is a reference that this package writes: lower case, so that no two
// are one file on Windows and macOS.
var reRef = regexp.MustCompile(`^refs(/[a-z0-9]([a-z0-9._-]*[a-z0-9_-])?){2,}$`)

func checkRef(name string) error {
	if !reRef.MatchString(name) || strings.Contains(name, "..") || strings.HasSuffix(name, ".lock") || strings.Contains(name, ".lock/") {
		return fmt.Errorf("%q is not the name of a reference in a ledger, such as refs/heads/main", name)
	}
	return nil
}

// parseLoose reads a reference's file strictly: 40 hexadecimal digits and a
// line feed, nothing else.
func parseLoose(name string, b []byte) (string, error) {
	how := ""
	switch {
	case len(b) == 0:
		how = "is empty"
	case bytes.HasPrefix(b, []byte("ref:")):
		how = "points to another reference; a ledger has none of that kind"
	case len(b) != 41 || b[40] != '\n' || checkHash(string(b[:40])) != nil:
		how = "is not 40 hexadecimal digits and a line feed"
	default:
		return string(b[:40]), nil
	}
	return "", &DamagedError{Ref: name, Path: name, How: how}
}

// packedRefs reads git's file of packed references, once for each call that
// needs it: git may write it at any time.
func (s *Store) packedRefs() (map[string]string, error) {
	refs := map[string]string{}
	b, err := s.d.read("packed-refs")
	if errors.Is(err, fs.ErrNotExist) {
		return refs, nil
	} else if err != nil {
		return nil, err
	}
	bad := func(n int) error {
		return &DamagedError{Path: "packed-refs", How: fmt.Sprintf("cannot be read from line %d on", n)}
	}
	lines := strings.Split(string(b), "\n")
	if len(b) > 0 && lines[len(lines)-1] != "" {
		return refs, bad(len(lines)) // the last line was cut
	}
	for i, line := range lines[:len(lines)-1] {
		if strings.HasPrefix(line, "#") || strings.HasPrefix(line, "^") {
			continue
		}
		hash, name, ok := strings.Cut(line, " ")
		if !ok || checkHash(hash) != nil || !strings.HasPrefix(name, "refs/") || refs[name] != "" {
			return refs, bad(i + 1)
		}
		refs[name] = hash
	}
	return refs, nil
}

// Ref gives the commit that a reference stands at, or "" when there is no such
// reference. One that is broken is a DamagedError, never a guess.
func (s *Store) Ref(name string) (string, error) {
	if err := checkRef(name); err != nil {
		return "", err
	}
	return s.ref(name)
}

func (s *Store) ref(name string) (string, error) {
	// Loose before packed: git writes the packed file before it removes a loose one.
	b, err := s.d.read(name)
	if err == nil {
		return parseLoose(name, b)
	}
	if fi, e := os.Stat(s.d.full(name)); !errors.Is(err, fs.ErrNotExist) && (e != nil || !fi.IsDir()) {
		return "", err
	}
	packed, err := s.packedRefs()
	if hash := packed[name]; hash != "" || err == nil {
		return hash, nil
	}
	return "", err
}

// Refs gives all references by their full names. A broken one stands there with
// "broken: " and what is wrong with it in place of its commit, which no reader
// can take for an object's name; so a verifier lists it with the rest. The
// error is for what keeps the list itself from being whole: the system, or a
// damaged packed-refs (then the references that could be read come with it).
func (s *Store) Refs() (map[string]string, error) {
	refs, broken, err := s.readRefs()
	if refs == nil {
		return nil, err
	}
	for _, bad := range broken {
		refs[bad.Ref] = "broken: " + bad.How
	}
	return refs, err
}

// readRefs gives the good references, and the broken ones sorted by name.
func (s *Store) readRefs() (refs map[string]string, broken []*DamagedError, err error) {
	refs = map[string]string{}
	bad := map[string]bool{}
	if err := s.walkRefs("refs", func(name string) error {
		b, err := s.d.read(name)
		if errors.Is(err, fs.ErrNotExist) { // packed by git meanwhile: the packed file has it
			return nil
		} else if err != nil {
			return err
		}
		hash, err := parseLoose(name, b)
		var how *DamagedError
		if errors.As(err, &how) {
			broken, bad[name] = append(broken, how), true
			return nil
		}
		refs[name] = hash
		return nil
	}); err != nil {
		return nil, nil, err
	}
	packed, err := s.packedRefs()
	for name, hash := range packed {
		if refs[name] == "" && !bad[name] {
			refs[name] = hash
		}
	}
	return refs, broken, err
}

// walkRefs calls f for each file under refs/ that git would take for a
// reference, in order.
func (s *Store) walkRefs(folder string, f func(name string) error) error {
	list, err := s.d.list(folder)
	if err != nil {
		return err
	}
	for _, e := range list {
		name := path.Join(folder, e.Name())
		switch {
		case e.IsDir():
			err = s.walkRefs(name, f)
		case !strings.HasSuffix(name, ".lock"):
			err = f(name)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// walkFolders calls f for a folder and each folder below it, in order.
func (s *Store) walkFolders(folder string, f func(folder string) error) error {
	if err := f(folder); err != nil {
		return err
	}
	list, err := s.d.list(folder)
	for _, e := range list {
		if e.IsDir() && err == nil {
			err = s.walkFolders(path.Join(folder, e.Name()), f)
		}
	}
	return err
}

// SetRef moves a reference from old to new and returns when that is durable.
// old "" means that it must not exist. When it is elsewhere nothing changes and
// the error is a MovedError (ErrMoved, and ErrExists for old ""). It follows
// git's own protocol, so stock git may run beside it: `<ref>.lock` made as a
// new file, compare, write, flush, rename, flush the folder. The commit must be
// in the ledger: a reference never points to nothing.
func (s *Store) SetRef(name, old, new string) error {
	if err := checkRef(name); err != nil {
		return err
	}
	if old != "" {
		if err := checkHash(old); err != nil {
			return err
		}
	}
	release, err := s.hold()
	if err != nil {
		return err
	}
	defer release()
	typ, _, err := s.Object(new)
	if err != nil {
		return fmt.Errorf("reference %s stays where it is: %w", name, err)
	}
	if typ != "commit" {
		return fmt.Errorf("reference %s stays where it is: %s is a %s, not a commit", name, new, typ)
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	if s.failed != nil {
		return s.failed
	}
	return s.swap(name, new, func() error {
		now, err := s.ref(name)
		if err == nil && now != old {
			err = &MovedError{Ref: name, Want: old, Found: now}
		}
		if err == nil && old == "" {
			err = s.roomFor(name)
		}
		return err
	})
}

// roomFor refuses a new reference that would lie below another or have others
// below it: as files they exclude each other, packed ones would not notice.
func (s *Store) roomFor(name string) error {
	refs, _, err := s.readRefs()
	if err != nil {
		return err
	}
	for other := range refs {
		if strings.HasPrefix(other, name+"/") || strings.HasPrefix(name, other+"/") {
			return fmt.Errorf("reference %s cannot be made beside %s: one would lie inside the other", name, other)
		}
	}
	return nil
}

// RestoreRef puts a broken reference back to a commit that the caller can
// vouch for. The broken file goes into quarantine. A reference that can be
// read is never touched: that is a MovedError.
func (s *Store) RestoreRef(name, commit string) error {
	if err := checkRef(name); err != nil {
		return err
	}
	release, err := s.hold()
	if err != nil {
		return err
	}
	defer release()
	if typ, _, err := s.Object(commit); err != nil || typ != "commit" {
		return fmt.Errorf("reference %s cannot be put back to %s: %w", name, commit, errors.Join(err, ErrNotFound))
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	return s.swap(name, commit, func() error {
		now, err := s.ref(name)
		if err == nil {
			return &MovedError{Ref: name, Want: "", Found: now}
		}
		if !errors.Is(err, ErrDamaged) || !s.d.exists(name) {
			return err
		}
		_, err = s.d.park(name, name)
		return err
	})
}

// swap holds the reference's lock file around check and the new value.
func (s *Store) swap(name, new string, check func() error) error {
	f, err := s.lockRef(name)
	if err != nil {
		return err
	}
	if err = check(); err == nil {
		_, err = f.Write([]byte(new + "\n"))
	}
	if err == nil {
		if err = f.sync(); err != nil {
			s.failed = err
		}
	}
	if err != nil {
		f.drop()
		return err
	}
	if err = f.close(); err == nil {
		err = s.renameRef(f.name, name)
	}
	if err != nil {
		s.d.remove(f.name)
		return err
	}
	if err = s.d.syncDir(path.Dir(name)); err != nil {
		s.failed = err
	}
	return err
}

// lockRef makes the lock file. It waits for git to give one back, and makes
// the folder again when `git pack-refs` took it away in between.
func (s *Store) lockRef(name string) (*file, error) {
	for waited := time.Duration(0); ; waited += pause {
		f, err := s.d.create(name+".lock", 0o666)
		switch {
		case err == nil:
			return f, nil
		case errors.Is(err, fs.ErrNotExist):
			if err := s.d.mkdirs(path.Dir(name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return nil, err
			}
		case !errors.Is(err, fs.ErrExist):
			return nil, err
		case waited < s.wait:
			time.Sleep(pause)
		}
		if waited >= s.wait {
			s.unclean.Store(true) // then the next start looks and clears it
			return nil, fmt.Errorf("%w: %s.lock is there; another program is changing this reference, or died while it did (the next start clears that)", ErrBusy, name)
		}
	}
}

// renameRef gives the lock file the reference's name. Empty folders in the way,
// left by references below that are gone, are removed, as git does. On Windows
// a reader may hold the old file open for a moment.
func (s *Store) renameRef(from, to string) error {
	for waited := time.Duration(0); ; waited += pause {
		err := s.d.rename(from, to)
		if err == nil {
			return nil
		}
		if fi, e := os.Stat(s.d.full(to)); e == nil && fi.IsDir() && waited == 0 {
			s.removeEmpty(to)
			continue
		}
		if !passing(err) || waited >= s.wait {
			return err
		}
		time.Sleep(pause)
	}
}

// removeEmpty removes a folder with empty folders in it; one that holds a file
// stays.
func (s *Store) removeEmpty(folder string) {
	list, _ := s.d.list(folder)
	for _, e := range list {
		if e.IsDir() {
			s.removeEmpty(path.Join(folder, e.Name()))
		}
	}
	s.d.remove(folder)
}
