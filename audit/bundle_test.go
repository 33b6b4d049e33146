package audit

import (
	"bytes"
	"compress/zlib"
	"crypto/sha1"
	"encoding/binary"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"testing"
)

// A bundle is git's own file for a repository (gitformat-bundle, version 2):
// refs, then a pack. Ours hold whole objects without deltas, so that they can
// be read here without git.

var packTypes = map[string]byte{"commit": 1, "tree": 2, "blob": 3}

func writeBundle(t *testing.T, m *Memory) []byte {
	t.Helper()
	refs, err := m.Refs()
	if err != nil {
		t.Fatal(err)
	}
	var b, pack bytes.Buffer
	b.WriteString("# v2 git bundle\n")
	seen := map[string]bool{}
	for _, name := range slices.Sorted(maps.Keys(refs)) {
		fmt.Fprintf(&b, "%s %s\n", refs[name], name)
		reach(t, m, refs[name], seen)
	}
	b.WriteString("\n")
	pack.WriteString("PACK\x00\x00\x00\x02")
	_ = binary.Write(&pack, binary.BigEndian, uint32(len(seen)))
	for _, h := range slices.Sorted(maps.Keys(seen)) {
		typ, data, err := m.Object(h)
		if err != nil {
			t.Fatal(err)
		}
		n := len(data)
		c := packTypes[typ]<<4 | byte(n&15)
		for n >>= 4; n > 0; n >>= 7 {
			pack.WriteByte(c | 0x80)
			c = byte(n & 0x7f)
		}
		pack.WriteByte(c)
		z, _ := zlib.NewWriterLevel(&pack, zlib.BestCompression)
		_, _ = z.Write(data)
		_ = z.Close()
	}
	sum := sha1.Sum(pack.Bytes())
	pack.Write(sum[:])
	b.Write(pack.Bytes())
	return b.Bytes()
}

// reach collects what can be reached from an object, by lines and entries, so
// that it also works for objects that the strict readers refuse.
func reach(t *testing.T, m *Memory, hash string, seen map[string]bool) {
	t.Helper()
	if seen[hash] {
		return
	}
	typ, data, err := m.Object(hash)
	if err != nil {
		t.Fatal(err)
	}
	seen[hash] = true
	switch typ {
	case "commit":
		head, _, _ := strings.Cut(string(data), "\n\n")
		for _, l := range strings.Split(head, "\n") {
			if k, v, _ := strings.Cut(l, " "); k == "tree" || k == "parent" {
				reach(t, m, v, seen)
			}
		}
	case "tree":
		for len(data) > 0 {
			nul := bytes.IndexByte(data, 0)
			reach(t, m, fmt.Sprintf("%x", data[nul+1:nul+21]), seen)
			data = data[nul+21:]
		}
	}
}

func readBundle(t *testing.T, b []byte) *Memory {
	t.Helper()
	m := NewMemory()
	head, pack, ok := bytes.Cut(b, []byte("\n\n"))
	lines := strings.Split(string(head), "\n")
	if !ok || lines[0] != "# v2 git bundle" || !bytes.HasPrefix(pack, []byte("PACK\x00\x00\x00\x02")) {
		t.Fatal("not a bundle")
	}
	for _, l := range lines[1:] {
		h, name, _ := strings.Cut(l, " ")
		if err := m.SetRef(name, "", h); err != nil {
			t.Fatal(err)
		}
	}
	types := map[byte]string{1: "commit", 2: "tree", 3: "blob"}
	r := bytes.NewReader(pack[12 : len(pack)-20])
	for n := binary.BigEndian.Uint32(pack[8:12]); n > 0; n-- {
		c, _ := r.ReadByte()
		typ := types[c>>4&7]
		for c&0x80 != 0 {
			c, _ = r.ReadByte()
		}
		z, err := zlib.NewReader(r)
		if err != nil || typ == "" {
			t.Fatalf("bundle: type %q, %v", typ, err)
		}
		data, err := io.ReadAll(z)
		if err != nil {
			t.Fatal(err)
		}
		_ = m.Put(NewObject(typ, data))
	}
	return m
}
