package audit

import (
	"bytes"
	"crypto/sha1"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"sort"
	"strconv"
	"strings"
)

// Objects is a git repository as this package reads it. Refs gives full names
// ("refs/heads/main") and 40 hexadecimal digits. Object gives the type ("blob",
// "tree", "commit") and the bytes without git's header. Verify computes every
// name again, so an implementation need not.
type Objects interface {
	Refs() (map[string]string, error)
	Object(hash string) (typ string, data []byte, err error)
}

// RawObject is a git object ready to be stored under its name.
type RawObject struct {
	Hash string
	Type string // blob, tree, commit
	Data []byte
}

// ObjectID computes the name of a git object: SHA-1 over type, length, NUL and
// bytes. Git's names are no proof here; the chain and the trailers carry
// SHA-256.
func ObjectID(typ string, data []byte) string {
	h := sha1.New()
	h.Write([]byte(typ + " " + strconv.Itoa(len(data)) + "\x00"))
	h.Write(data)
	return hex.EncodeToString(h.Sum(nil))
}

// NewObject gives the object with its name.
func NewObject(typ string, data []byte) RawObject {
	return RawObject{Hash: ObjectID(typ, data), Type: typ, Data: data}
}

// Entry is one entry of a tree. A ledger holds files (100644) and folders
// (40000), nothing else.
type Entry struct {
	Dir  bool
	Name string
	Hash string
}

// key orders entries as git does: a folder as if its name ended in a slash.
func (e Entry) key() string {
	if e.Dir {
		return e.Name + "/"
	}
	return e.Name
}

// ParseTree reads a tree object strictly: known modes, names that are safe as
// file names everywhere, git's order, no name twice.
func ParseTree(data []byte) ([]Entry, error) {
	var list []Entry
	names := map[string]bool{}
	for len(data) > 0 {
		sp := bytes.IndexByte(data, ' ')
		nul := bytes.IndexByte(data, 0)
		if sp < 0 || nul < sp || len(data) < nul+21 {
			return nil, fmt.Errorf("tree is cut off after %d entries", len(list))
		}
		e := Entry{Name: string(data[sp+1 : nul]), Hash: hex.EncodeToString(data[nul+1 : nul+21])}
		switch mode := string(data[:sp]); mode {
		case "100644":
		case "40000":
			e.Dir = true
		default:
			return nil, fmt.Errorf("tree entry %q has mode %q; only files (100644) and folders (40000) may stand in a ledger", clip(e.Name), clip(mode))
		}
		if err := checkName(e.Name); err != nil {
			return nil, err
		}
		low := strings.ToLower(e.Name)
		if names[low] {
			return nil, fmt.Errorf("tree entry %q stands twice, or differs from another in case only", e.Name)
		}
		if n := len(list); n > 0 && list[n-1].key() >= e.key() {
			return nil, fmt.Errorf("tree entry %q is out of order", e.Name)
		}
		names[low] = true
		list = append(list, e)
		data = data[nul+21:]
	}
	return list, nil
}

// checkName refuses names that would be unsafe as a file's name on one of the
// systems that a check-out may land on.
func checkName(name string) error {
	bad := name == "" || len(name) > 200 || name == "." || name == ".." || strings.HasPrefix(strings.ToLower(name), ".git") || strings.EqualFold(name, "git~1") ||
		strings.HasSuffix(name, ".") || strings.HasSuffix(name, " ") || strings.ContainsAny(name, "/\\:*?\"<>|")
	for i := 0; i < len(name) && !bad; i++ {
		bad = name[i] <= 0x20 || name[i] >= 0x7f
	}
	if base, _, _ := strings.Cut(strings.ToLower(name), "."); bad || reReserved.MatchString(base) {
		return fmt.Errorf("%q is not a name for a file in a ledger", clip(name))
	}
	return nil
}

// EncodeTree gives the bytes of a tree object, entries in git's order.
func EncodeTree(entries []Entry) []byte {
	list := append([]Entry(nil), entries...)
	sort.Slice(list, func(i, j int) bool { return list[i].key() < list[j].key() })
	var b bytes.Buffer
	for _, e := range list {
		mode := "100644 "
		if e.Dir {
			mode = "40000 "
		}
		b.WriteString(mode + e.Name + "\x00")
		raw, _ := hex.DecodeString(e.Hash) // callers hand over names made by ObjectID
		b.Write(raw)
	}
	return b.Bytes()
}

// BuildTree makes the objects of a tree from its files, given by path with
// forward slashes. objects holds blobs and trees, each once, in the order of
// their names; root is the name of the top tree.
func BuildTree(files map[string][]byte) (root string, objects []RawObject) {
	seen := map[string]RawObject{}
	root = buildTree(files, seen)
	for _, h := range slices.Sorted(maps.Keys(seen)) {
		objects = append(objects, seen[h])
	}
	return root, objects
}

func buildTree(files map[string][]byte, seen map[string]RawObject) string {
	var entries []Entry
	folders := map[string]map[string][]byte{}
	for path, data := range files {
		name, rest, deeper := strings.Cut(path, "/")
		if !deeper {
			o := NewObject("blob", data)
			seen[o.Hash] = o
			entries = append(entries, Entry{Name: name, Hash: o.Hash})
			continue
		}
		if folders[name] == nil {
			folders[name] = map[string][]byte{}
		}
		folders[name][rest] = data
	}
	for name, inside := range folders {
		entries = append(entries, Entry{Dir: true, Name: name, Hash: buildTree(inside, seen)})
	}
	o := NewObject("tree", EncodeTree(entries))
	seen[o.Hash] = o
	return o.Hash
}

// CheckPaths says what is wrong with the paths of a tree to be built: unsafe
// names, a name that is both a file and a folder, or two paths that differ
// only in case (they would be one file on Windows and macOS).
func CheckPaths(files map[string][]byte) error {
	kind := map[string]string{} // lower-cased path -> "f" + path or "d" + path
	for _, path := range slices.Sorted(maps.Keys(files)) {
		parts := strings.Split(path, "/")
		for i, p := range parts {
			if err := checkName(p); err != nil {
				return fmt.Errorf("path %q: %w", clip(path), err)
			}
			at, what := strings.Join(parts[:i+1], "/"), "d"
			if i == len(parts)-1 {
				what = "f"
			}
			low := strings.ToLower(at)
			if was, ok := kind[low]; ok && was != what+at {
				return fmt.Errorf("path %q collides with %q; rename one of them", path, was[1:])
			}
			kind[low] = what + at
		}
	}
	return nil
}

// TreeLines gives the text that the Tree trailer of a main commit hashes: a
// line "<sha256 hex>  <path>" for each file, sorted by path.
func TreeLines(files map[string][]byte) []byte {
	var b bytes.Buffer
	for _, p := range slices.Sorted(maps.Keys(files)) {
		b.WriteString(strings.TrimPrefix(Hash(files[p]), "sha256:") + "  " + p + "\n")
	}
	return b.Bytes()
}
