package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"tapledger/audit"

	"github.com/go-git/go-billy/v5/osfs"
	"github.com/go-git/go-git/v5/plumbing"
	"github.com/go-git/go-git/v5/plumbing/cache"
	"github.com/go-git/go-git/v5/plumbing/format/idxfile"
	"github.com/go-git/go-git/v5/plumbing/format/packfile"
)

// Which packs a look-up asks.
type packScope int

const (
	lastPack   packScope = iota // the one of the last hit, if any
	knownPacks                  // those known, found first if none are
	freshPacks                  // those that were not known yet
)

// mostOpen is how many pack files stay open: a bench has one for each closed
// run, and a process has only so many descriptors.
const mostOpen = 32

// pack is one pack file with its index in memory.
type pack struct {
	name string // without extension, inside objects/pack
	idx  *idxfile.MemoryIndex
	file *packfile.Packfile // nil when not open
}

// packs are the packs of a ledger, the one of the last hit first.
type packs struct {
	d     *disk
	list  []*pack
	known map[string]bool
	bad   []*DamagedError // indexes and packs that could not be opened
	bases cache.Object
	hit   bool
}

// packed looks for an object in packs.
func (s *Store) packed(hash string, scope packScope) (string, []byte, error) {
	s.reading.Lock()
	defer s.reading.Unlock()
	if s.packs == nil {
		if scope == lastPack {
			return "", nil, ErrNotFound
		}
		s.packs = &packs{d: s.d, known: map[string]bool{}, bases: cache.NewObjectLRU(16 * cache.MiByte)}
		scope = freshPacks
	}
	p := s.packs
	list := p.list
	switch scope {
	case lastPack:
		if !p.hit {
			return "", nil, ErrNotFound
		}
		list = list[:1]
	case freshPacks:
		var err error
		if list, err = p.refresh(); err != nil {
			return "", nil, err
		}
	}
	var damage error = ErrNotFound
	for _, one := range list {
		if has, _ := one.idx.Contains(plumbing.NewHash(hash)); !has {
			continue
		}
		typ, data, err := p.object(one, hash)
		if err == nil {
			p.front(one)
			return typ, data, nil
		}
		damage = err
	}
	return "", nil, damage
}

// badPack gives a pack that could not be opened, if there is one.
func (s *Store) badPack() *DamagedError {
	s.reading.Lock()
	defer s.reading.Unlock()
	if s.packs == nil || len(s.packs.bad) == 0 {
		return nil
	}
	return s.packs.bad[0]
}

// refresh looks for packs that came since the last look, forgets those that
// went, and gives the new ones. A pack counts by its index, whatever its name:
// git gives some of its packs other names than pack-*.
func (p *packs) refresh() ([]*pack, error) {
	entries, err := p.d.list("objects/pack")
	if err != nil {
		return nil, err
	}
	there := map[string]bool{}
	var fresh []*pack
	p.bad = nil
	for _, e := range entries {
		name, ok := strings.CutSuffix(e.Name(), ".idx")
		if !ok || strings.HasPrefix(name, "tmp_") {
			continue
		}
		there[name] = true
		if p.known[name] {
			continue
		}
		idx, err := readIndex(p.d, "objects/pack/"+e.Name())
		var bad *DamagedError
		if errors.As(err, &bad) {
			p.bad = append(p.bad, bad)
			continue
		} else if err != nil {
			return nil, err
		}
		p.known[name] = true
		fresh = append(fresh, &pack{name: name, idx: idx})
	}
	var kept []*pack
	for i, one := range p.list {
		if there[one.name] {
			kept = append(kept, one)
			continue
		}
		one.close()
		delete(p.known, one.name)
		p.hit = p.hit && i > 0
	}
	p.list = append(kept, fresh...)
	return fresh, nil
}

// readIndex reads a pack's index and checks its own checksum.
func readIndex(d *disk, name string) (*idxfile.MemoryIndex, error) {
	f, err := os.Open(d.full(name)) // an *os.File, so that the decoder can hold the length against the table
	if err != nil {
		return nil, machine("open", name, err)
	}
	defer f.Close()
	idx := idxfile.NewMemoryIndex()
	if err := guard(func() error { return idxfile.NewDecoder(f).Decode(idx) }); err != nil {
		return nil, &DamagedError{Path: name, How: "cannot be read: " + err.Error()}
	}
	return idx, nil
}

// object reads one object of a pack and hashes it again.
func (p *packs) object(one *pack, hash string) (string, []byte, error) {
	name := "objects/pack/" + one.name + ".pack"
	damaged := func(how string) (string, []byte, error) {
		return "", nil, &DamagedError{Hash: hash, Path: name, How: how}
	}
	if one.file == nil {
		f, err := osfs.New(p.d.root).Open(name)
		if errors.Is(err, os.ErrNotExist) {
			return damaged("is listed in an index whose pack is missing")
		} else if err != nil {
			return "", nil, machine("open", name, err)
		}
		// No file system is handed over: then every object comes in memory.
		one.file = packfile.NewPackfileWithCache(one.idx, nil, f, p.bases, 0)
	}
	var typ string
	var data []byte
	err := guard(func() error {
		o, err := one.file.Get(plumbing.NewHash(hash))
		if err != nil {
			return err
		}
		r, err := o.Reader()
		if err != nil {
			return err
		}
		defer r.Close()
		typ = o.Type().String()
		data, err = io.ReadAll(io.LimitReader(r, mostObject))
		return err
	})
	if pe := (*os.PathError)(nil); errors.As(err, &pe) && !errors.Is(err, os.ErrInvalid) {
		return "", nil, machine("read", name, err)
	}
	if err != nil {
		return damaged("cannot be read from its pack: " + err.Error())
	}
	if is := audit.ObjectID(typ, data); is != hash {
		return damaged("is another object in its pack (" + is + ")")
	}
	return typ, data, nil
}

// front puts the pack of a hit first and closes the one not used for longest
// when too many are open.
func (p *packs) front(one *pack) {
	p.hit = true
	if p.list[0] == one {
		return
	}
	open := 0
	moved := []*pack{one}
	for _, other := range p.list {
		if other == one {
			continue
		}
		if other.file != nil {
			if open++; open >= mostOpen {
				other.close()
			}
		}
		moved = append(moved, other)
	}
	p.list = moved
}

func (one *pack) close() error {
	if one.file == nil {
		return nil
	}
	f := one.file
	one.file = nil
	return f.Close()
}

func (p *packs) close() error {
	var errs []error
	for _, one := range p.list {
		errs = append(errs, one.close())
	}
	return errors.Join(errs...)
}

// guard turns a panic of the pack reader over broken bytes into an error.
func guard(f func() error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("broken beyond reading (%v)", r)
		}
	}()
	return f()
}
