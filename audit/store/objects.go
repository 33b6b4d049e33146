package store

import (
	"bytes"
	"compress/zlib"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"path"
	"slices"
	"strconv"
	"strings"
	"sync"

	"tapledger/audit"
)

// mostObject is the largest object that is read: what lies in a ledger is far
// smaller, and a broken file must not fill the memory.
const mostObject = 256 << 20

func loosePath(hash string) string { return "objects/" + hash[:2] + "/" + hash[2:] }

// Object reads an object, hashes it again, and gives its type ("blob", "tree",
// "commit") and bytes. It errs with ErrNotFound when there is none of that
// name, with a DamagedError when what lies under it is not what was asked for,
// and with a MachineError when the system refused. A good copy in a pack stands
// in for a broken loose one.
func (s *Store) Object(hash string) (typ string, data []byte, err error) {
	if err := checkHash(hash); err != nil {
		return "", nil, err
	}
	var damage error
	try := func(read func() (string, []byte, error)) bool {
		typ, data, err = read()
		if err != nil && !errors.Is(err, ErrNotFound) && damage == nil {
			damage = err
		}
		return err == nil
	}
	// The pack of the last hit first: the objects of a run lie together. Then
	// loose ones, then all packs, then packs that came while we looked.
	for _, read := range []func() (string, []byte, error){
		func() (string, []byte, error) { return s.packed(hash, lastPack) },
		func() (string, []byte, error) { return s.loose(hash) },
		func() (string, []byte, error) { return s.packed(hash, knownPacks) },
		func() (string, []byte, error) { return s.packed(hash, freshPacks) },
		func() (string, []byte, error) { return s.loose(hash) },
	} {
		if try(read) {
			return typ, data, nil
		}
		if refused := (*MachineError)(nil); errors.As(err, &refused) {
			return "", nil, err
		}
	}
	if damage != nil {
		return "", nil, damage
	}
	if bad := s.badPack(); bad != nil {
		return "", nil, &DamagedError{Hash: hash, Path: bad.Path, How: "is not found, and a pack " + bad.How}
	}
	return "", nil, fmt.Errorf("object %s is %w", hash, ErrNotFound)
}

// loose reads the file of an object that lies in no pack.
func (s *Store) loose(hash string) (string, []byte, error) {
	name := loosePath(hash)
	b, err := s.d.read(name)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil, ErrNotFound
	} else if err != nil {
		return "", nil, err
	}
	typ, data, how := inflate(b)
	if how == "" {
		if is := audit.ObjectID(typ, data); is != hash {
			how = "holds another object (" + is + ")"
		}
	}
	if how != "" {
		s.unclean.Store(true) // then the next start hashes all loose objects again
		return "", nil, &DamagedError{Hash: hash, Path: name, How: how}
	}
	return typ, data, nil
}

var readers = sync.Pool{}

// inflate takes a loose object's file apart. how says what is wrong with it.
func inflate(b []byte) (typ string, data []byte, how string) {
	if len(b) == 0 {
		return "", nil, "is empty"
	}
	src := bytes.NewReader(b)
	zr, ok := readers.Get().(io.ReadCloser)
	var err error
	if ok {
		err = zr.(zlib.Resetter).Reset(src, nil)
	} else {
		zr, err = zlib.NewReader(src)
	}
	if err != nil {
		return "", nil, "cannot be inflated: " + err.Error()
	}
	defer readers.Put(zr)
	var all bytes.Buffer
	if _, err := io.Copy(&all, io.LimitReader(zr, mostObject)); err != nil {
		return "", nil, "cannot be inflated: " + err.Error()
	}
	if src.Len() > 0 {
		return "", nil, "has bytes behind its end"
	}
	head, body, ok := bytes.Cut(all.Bytes(), []byte{0})
	typ, size, ok2 := strings.Cut(string(head), " ")
	n, err := strconv.Atoi(size)
	if !ok || !ok2 || err != nil || n != len(body) || strconv.Itoa(n) != size {
		return "", nil, "has a head that does not fit its bytes"
	}
	return typ, body, ""
}

var deflaters = sync.Pool{New: func() any {
	w, _ := zlib.NewWriterLevel(io.Discard, zlib.BestSpeed)
	return w
}}

func deflate(typ string, data []byte) []byte {
	var b bytes.Buffer
	w := deflaters.Get().(*zlib.Writer)
	defer deflaters.Put(w)
	w.Reset(&b)
	io.WriteString(w, typ+" "+strconv.Itoa(len(data))+"\x00") // a buffer does not refuse
	w.Write(data)
	w.Close()
	return b.Bytes()
}

// begin takes what a change of objects needs, the writer's lock and the
// handle, and refuses on a handle that a failed flush has ended. end gives both
// back.
func (s *Store) begin() (end func(), err error) {
	release, err := s.hold()
	if err != nil {
		return nil, err
	}
	s.writing.Lock()
	end = func() {
		s.writing.Unlock()
		release()
	}
	if s.failed != nil {
		end()
		return nil, s.failed
	}
	return end, nil
}

// Put stores objects; on return all of them are durable. An object that is
// there already is read and hashed; a broken one goes into quarantine and is
// written anew. Objects get their names in an order in which nothing ever
// points to what is not there. When Put fails, none of the new ones counts:
// no reference may be set to them. Hold Lock over Put and the SetRef that
// makes the objects reachable: in between they are what `git gc` removes.
func (s *Store) Put(objs ...audit.RawObject) error {
	for _, o := range objs {
		if o.Type != "blob" && o.Type != "tree" && o.Type != "commit" {
			return fmt.Errorf("an object of type %q has no place in a ledger", o.Type)
		}
		if is := audit.ObjectID(o.Type, o.Data); is != o.Hash {
			return fmt.Errorf("object %s would be stored under the name %s", is, o.Hash)
		}
	}
	end, err := s.begin()
	if err != nil {
		return err
	}
	defer end()
	for list := inOrder(objs); len(list) > 0; {
		n := min(len(list), mostAtOnce)
		if err := s.put(list[:n]); err != nil {
			return err
		}
		list = list[n:]
	}
	return nil
}

// mostAtOnce is how many objects are written before they are flushed together:
// each is an open file until then.
const mostAtOnce = 256

func (s *Store) put(list []audit.RawObject) (err error) {
	var fresh []*file
	var names, flush []string
	folders := map[string]bool{}
	defer func() {
		for _, f := range fresh { // those that did not get their name
			f.drop()
		}
	}()
	for _, o := range list {
		name := loosePath(o.Hash)
		_, _, err := s.loose(o.Hash)
		switch {
		case err == nil:
			if !s.flushed[o.Hash] { // its writer may have died before the flush
				flush = append(flush, name)
				folders[path.Dir(name)] = true
			}
			continue
		case errors.Is(err, ErrDamaged):
			if _, err := s.d.park(name, o.Hash); err != nil {
				return err
			}
		case !errors.Is(err, ErrNotFound):
			return err
		}
		f, err := s.tempObject(path.Dir(name))
		if err != nil {
			return err
		}
		fresh, names = append(fresh, f), append(names, name)
		folders[path.Dir(name)] = true
		if _, err := f.Write(deflate(o.Type, o.Data)); err != nil {
			return err
		}
	}
	n := len(fresh)
	err = s.together(n+len(flush), func(i int) error {
		if i < n {
			return fresh[i].sync()
		}
		return s.d.sync(flush[i-n])
	})
	if err != nil {
		return err
	}
	for _, name := range names {
		f := fresh[0]
		if err := f.close(); err != nil {
			return err
		}
		if err := s.d.rename(f.name, name); err != nil {
			return err
		}
		fresh = fresh[1:]
	}
	dirs := slices.Sorted(maps.Keys(folders))
	if err := s.together(len(dirs), func(i int) error { return s.d.syncDir(dirs[i]) }); err != nil {
		return err
	}
	for _, o := range list {
		s.flushed[o.Hash] = true
	}
	return nil
}

// tempObject makes the temporary file of an object beside its final name.
// `git gc` removes such a folder when it is empty; then it is made again.
func (s *Store) tempObject(folder string) (*file, error) {
	f, err := s.d.temp(folder, "tmp_obj_", 0o444)
	if errors.Is(err, fs.ErrNotExist) {
		if err := s.d.mkdirs(folder); err != nil {
			return nil, err
		}
		f, err = s.d.temp(folder, "tmp_obj_", 0o444)
	}
	return f, err
}

// together flushes n things at once: a file system that is asked for several
// flushes at the same time writes its journal once for them. A flush that
// fails ends all writing by this handle: what the system still holds of the
// data is then unknown, and a second flush may wrongly succeed.
func (s *Store) together(n int, flush func(i int) error) error {
	const most = 16
	errs := make([]error, n)
	gate := make(chan struct{}, most)
	var wg sync.WaitGroup
	for i := 0; i < n; i++ {
		if n == 1 || s.d.hook != nil { // a hook wants to see a fixed order
			if errs[i] = flush(i); errs[i] != nil {
				break
			}
			continue
		}
		wg.Add(1)
		gate <- struct{}{}
		go func() {
			defer wg.Done()
			errs[i] = flush(i)
			<-gate
		}()
	}
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			s.failed = err
			return err
		}
	}
	return nil
}

// inOrder gives each object once: blobs, then trees with those inside others
// first, then commits with parents first.
func inOrder(objs []audit.RawObject) []audit.RawObject {
	here := map[string]audit.RawObject{}
	for _, o := range objs {
		here[o.Hash] = o
	}
	done := map[string]bool{}
	var out []audit.RawObject
	var take func(o audit.RawObject)
	take = func(o audit.RawObject) {
		if done[o.Hash] {
			return
		}
		done[o.Hash] = true
		for _, h := range links(o.Type, o.Data) {
			if inner, ok := here[h]; ok {
				take(inner)
			}
		}
		out = append(out, o)
	}
	for _, o := range objs {
		take(o)
	}
	return out
}

// links gives the names that an object points to: a tree's entries, a
// commit's tree and parents. What cannot be read points nowhere.
func links(typ string, data []byte) []string {
	var out []string
	switch typ {
	case "tree":
		list, _ := audit.ParseTree(data)
		for _, e := range list {
			out = append(out, e.Hash)
		}
	case "commit":
		for _, line := range strings.Split(string(data), "\n") {
			kind, hash, ok := strings.Cut(line, " ")
			if !ok || kind != "tree" && kind != "parent" {
				break
			}
			out = append(out, hash)
		}
	}
	return out
}
