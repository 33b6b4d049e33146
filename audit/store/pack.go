package store

import (
	"bufio"
	"compress/zlib"
	"crypto/sha1"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"hash/crc32"
	"io"
	"io/fs"
	"maps"
	"path"
	"slices"

	"github.com/go-git/go-git/v5/plumbing"
	"github.com/go-git/go-git/v5/plumbing/format/idxfile"
)

// Pack puts loose objects into one pack. The pack and its index are written
// under temporary names, flushed and renamed; then every object is read back
// from the pack by its name through a handle of its own; only then do the
// loose files go. Objects that lie in a pack already only lose their loose
// file. A name that is nowhere is ErrNotFound, and nothing is changed. A crash
// at any moment leaves every object readable.
func (s *Store) Pack(hashes []string) error {
	for _, h := range hashes {
		if err := checkHash(h); err != nil {
			return err
		}
	}
	end, err := s.begin()
	if err != nil {
		return err
	}
	defer end()
	var fresh, loose []string
	seen := map[string]bool{}
	for _, h := range hashes {
		if seen[h] {
			continue
		}
		seen[h] = true
		is := s.d.exists(loosePath(h))
		_, _, err := s.anyPacked(h)
		switch {
		case is && err == nil:
			loose = append(loose, h)
		case is:
			fresh, loose = append(fresh, h), append(loose, h)
		case err != nil:
			return fmt.Errorf("object %s cannot be packed: %w", h, err)
		}
	}
	if len(fresh) > 0 {
		name, err := s.writePack(fresh)
		if err != nil {
			return err
		}
		if err := s.readBack(name, fresh); err != nil {
			return err
		}
	}
	return s.dropLoose(loose)
}

// anyPacked looks in all packs, those that came meanwhile included.
func (s *Store) anyPacked(h string) (string, []byte, error) {
	typ, data, err := s.packed(h, knownPacks)
	if err != nil {
		typ, data, err = s.packed(h, freshPacks)
	}
	return typ, data, err
}

// writePack writes one pack of whole objects, without deltas, and its index.
// The pack gets its name before the index: a pack without index is nothing
// yet, an index without pack would be damage.
func (s *Store) writePack(hashes []string) (name string, err error) {
	f, err := s.d.temp("objects/pack", "tmp_pack_", 0o444)
	if err != nil {
		return "", err
	}
	defer func() {
		if err != nil {
			f.drop()
		}
	}()
	w := newPackWriter(f, len(hashes))
	for _, h := range hashes {
		typ, data, err := s.loose(h)
		if err != nil {
			return "", fmt.Errorf("object %s cannot be packed: %w", h, err)
		}
		w.add(h, typ, data)
	}
	sum, err := w.finish()
	if err == nil {
		err = f.sync()
	}
	if err != nil {
		return "", err
	}
	idx, err := s.d.temp("objects/pack", "tmp_idx_", 0o444)
	if err != nil {
		return "", err
	}
	defer func() {
		if err != nil {
			idx.drop()
		}
	}()
	if err = encodeIndex(idx, &w.idx); err == nil {
		err = idx.sync()
	}
	if err != nil {
		return "", err
	}
	name = "pack-" + sum.String()
	return name, s.namePack(f, idx, name)
}

// namePack closes both files and gives them their names, durably.
func (s *Store) namePack(f, idx *file, name string) error {
	for _, step := range []func() error{
		f.close, idx.close,
		func() error { return s.d.rename(f.name, "objects/pack/"+name+".pack") },
		func() error { return s.d.syncDir("objects/pack") },
		func() error { return s.d.rename(idx.name, "objects/pack/"+name+".idx") },
		func() error { return s.d.syncDir("objects/pack") },
	} {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

func encodeIndex(w io.Writer, from *idxfile.Writer) error {
	idx, err := from.Index()
	if err != nil {
		return machine("index", "objects/pack", err)
	}
	b := bufio.NewWriterSize(w, 1<<16)
	if _, err := idxfile.NewEncoder(b).Encode(idx); err != nil {
		return err
	}
	return b.Flush()
}

// readBack reads every object from the new pack alone, with an index read
// from the disk again.
func (s *Store) readBack(name string, hashes []string) error {
	idx, err := readIndex(s.d, "objects/pack/"+name+".idx")
	if err != nil {
		return err
	}
	one := &pack{name: name, idx: idx}
	defer one.close()
	alone := &packs{d: s.d}
	for _, h := range hashes {
		if _, _, err := alone.object(one, h); err != nil {
			return fmt.Errorf("the new pack does not give back what was put in; the loose objects stay: %w", err)
		}
	}
	return nil
}

// dropLoose removes the files of objects that are safe in a pack.
func (s *Store) dropLoose(hashes []string) error {
	folders := map[string]bool{}
	for _, h := range hashes {
		if err := s.d.remove(loosePath(h)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		folders[path.Dir(loosePath(h))] = true
	}
	dirs := slices.Sorted(maps.Keys(folders))
	return s.together(len(dirs), func(i int) error { return s.d.syncDir(dirs[i]) })
}

// packWriter writes a pack, version 2 (gitformat-pack).
type packWriter struct {
	out *bufio.Writer
	sum hash.Hash
	crc hash.Hash32
	at  uint64
	err error
	zip *zlib.Writer
	idx idxfile.Writer
}

func newPackWriter(w io.Writer, objects int) *packWriter {
	p := &packWriter{out: bufio.NewWriterSize(w, 1<<16), sum: sha1.New(), crc: crc32.NewIEEE(), zip: zlib.NewWriter(io.Discard)}
	head := binary.BigEndian.AppendUint32([]byte("PACK\x00\x00\x00\x02"), uint32(objects))
	p.Write(head)
	p.err = errors.Join(p.err, p.idx.OnHeader(uint32(objects)))
	return p
}

// Write takes bytes of the pack into file, checksum and the object's CRC.
func (p *packWriter) Write(b []byte) (int, error) {
	if p.err != nil {
		return 0, p.err
	}
	n, err := p.out.Write(b)
	p.err = err
	p.sum.Write(b)
	p.crc.Write(b)
	p.at += uint64(len(b))
	return n, err
}

var packTypes = map[string]byte{"commit": 1, "tree": 2, "blob": 3}

func (p *packWriter) add(name, typ string, data []byte) {
	start := p.at
	p.crc.Reset()
	n := uint64(len(data))
	c := packTypes[typ]<<4 | byte(n&15)
	var head []byte
	for n >>= 4; n > 0; n >>= 7 {
		head = append(head, c|0x80)
		c = byte(n & 0x7f)
	}
	p.Write(append(head, c))
	p.zip.Reset(p)
	if _, err := p.zip.Write(data); err == nil {
		err = p.zip.Close()
		p.err = errors.Join(p.err, err)
	}
	p.idx.Add(plumbing.NewHash(name), start, p.crc.Sum32())
}

// finish writes the checksum that ends a pack and names it.
func (p *packWriter) finish() (plumbing.Hash, error) {
	var sum plumbing.Hash
	copy(sum[:], p.sum.Sum(nil))
	p.Write(sum[:])
	if p.err == nil {
		p.err = p.out.Flush()
	}
	if p.err == nil {
		p.err = p.idx.OnFooter(sum)
	}
	return sum, p.err
}
