package audit

import (
	"errors"
	"fmt"
	"strings"
)

// Refs of a ledger.
const (
	RefMain     = "refs/heads/main"
	RefRuns     = "refs/heads/runs/"
	RefEditions = "refs/heads/editions/"
)

// RecordFile is the name of the record in the tree of a run's commit;
// RecordsDir holds all records of the run in the tree of a closing commit.
const (
	RecordFile = "record.json"
	RecordsDir = "records"
)

// RecordName is the name of record seq inside RecordsDir: 000001.json.
func RecordName(seq int64) string { return fmt.Sprintf("%06d.json", seq) }

// object reads one object, wants its type and computes its name again.
func object(o Objects, hash, want string) ([]byte, error) {
	typ, data, err := o.Object(hash)
	if err != nil {
		return nil, Damaged("object_missing", "%s %s: %w", want, hash, err)
	}
	if typ != want {
		return nil, Damaged("object_type", "object %s is a %s, not a %s", hash, typ, want)
	}
	if got := ObjectID(typ, data); got != hash {
		return nil, Damaged("object_hash", "%s %s holds other bytes: their name is %s", want, hash, got)
	}
	return data, nil
}

// ReadCommit reads one commit strictly.
func ReadCommit(o Objects, hash string) (Commit, error) {
	raw, err := object(o, hash, "commit")
	if err != nil {
		return Commit{}, err
	}
	c, err := ParseCommit(hash, raw)
	if err != nil {
		return c, Damaged("commit_bad", "commit %s: %w", hash, err)
	}
	return c, nil
}

// mostFiles is how many files one tree may hold: a small tree that names itself
// over and over must not fill the memory.
const mostFiles = 1 << 18

// readTree reads one tree strictly.
func readTree(o Objects, hash string) ([]Entry, error) {
	data, err := object(o, hash, "tree")
	if err != nil {
		return nil, err
	}
	list, err := ParseTree(data)
	if err != nil {
		return nil, Damaged("tree_bad", "tree %s: %w", hash, err)
	}
	return list, nil
}

// entry finds a path in a tree.
func entry(o Objects, tree, path string) (Entry, bool, error) {
	name, rest, deeper := strings.Cut(path, "/")
	list, err := readTree(o, tree)
	if err != nil {
		return Entry{}, false, err
	}
	for _, e := range list {
		if e.Name != name {
			continue
		}
		if !deeper {
			return e, true, nil
		}
		if !e.Dir {
			return Entry{}, false, nil
		}
		return entry(o, e.Hash, rest)
	}
	return Entry{}, false, nil
}

// ReadFile reads one file of a commit's tree; found is false when there is
// none at that path.
func ReadFile(o Objects, commit, path string) (data []byte, found bool, err error) {
	c, err := ReadCommit(o, commit)
	if err != nil {
		return nil, false, err
	}
	e, found, err := entry(o, c.Tree, path)
	if err != nil || !found || e.Dir {
		return nil, false, err
	}
	data, err = object(o, e.Hash, "blob")
	return data, err == nil, err
}

// ReadFiles reads the whole tree of a commit: path with forward slashes ->
// bytes.
func ReadFiles(o Objects, commit string) (map[string][]byte, error) {
	c, err := ReadCommit(o, commit)
	if err != nil {
		return nil, err
	}
	files := map[string][]byte{}
	return files, readInto(o, c.Tree, "", files, 1)
}

func readInto(o Objects, tree, prefix string, files map[string][]byte, depth int) error {
	if depth > maxDepth {
		return fmt.Errorf("folders nested deeper than %d at %q", maxDepth, prefix)
	}
	list, err := readTree(o, tree)
	if err != nil {
		return fmt.Errorf("%q: %w", prefix, err)
	}
	for _, e := range list {
		if e.Dir {
			err = readInto(o, e.Hash, prefix+e.Name+"/", files, depth+1)
		} else {
			files[prefix+e.Name], err = object(o, e.Hash, "blob")
		}
		if err != nil {
			return err
		}
		if len(files) > mostFiles {
			return Damaged("tree_bad", "more than %d files", mostFiles)
		}
	}
	return nil
}

// ReadRun reads a run from its head back to its first record and gives
// records and commits in order, seq 1 first. It wants every record well formed
// and chained; signatures and the register are for Verify.
func ReadRun(o Objects, head string) ([]Record, []Commit, error) {
	var records []Record
	var commits []Commit
	for at := head; ; {
		c, err := ReadCommit(o, at)
		if err != nil {
			return nil, nil, err
		}
		r, _, err := readRecord(o, c)
		if err != nil {
			return nil, nil, err
		}
		records, commits = append(records, r), append(commits, c)
		if r.Seq == 1 {
			break
		}
		if len(c.Parents) != 1 {
			return nil, nil, fmt.Errorf("commit %s of record %d has %d parents, want 1", c.Hash, r.Seq, len(c.Parents))
		}
		at = c.Parents[0]
	}
	reverse(records)
	reverse(commits)
	prev := ZeroPrev
	for i, r := range records {
		if r.Seq != int64(i+1) || r.Prev != prev || r.Run != records[0].Run {
			return nil, nil, fmt.Errorf("commit %s: record %d of run %s does not follow record %d", commits[i].Hash, r.Seq, r.Run, i)
		}
		b, err := r.Bytes()
		if err != nil {
			return nil, nil, err
		}
		prev = Hash(b)
	}
	return records, commits, nil
}

// readRecord reads the record of a run's commit, and its bytes.
func readRecord(o Objects, c Commit) (Record, []byte, error) {
	e, found, err := entry(o, c.Tree, RecordFile)
	if err == nil && (!found || e.Dir) {
		err = Damaged("tree_extra", "its tree has no %s", RecordFile)
	}
	if err != nil {
		return Record{}, nil, fmt.Errorf("commit %s: %w", c.Hash, err)
	}
	b, err := object(o, e.Hash, "blob")
	if err != nil {
		return Record{}, nil, fmt.Errorf("commit %s: %w", c.Hash, err)
	}
	r, err := ParseRecord(b)
	if err != nil {
		code := "record_bad"
		if errors.Is(err, ErrNewerFormat) {
			code = "record_format"
		}
		return r, b, Damaged(code, "commit %s, %s: %w", c.Hash, RecordFile, err)
	}
	return r, b, nil
}

func reverse[T any](s []T) {
	for i, j := 0, len(s)-1; i < j; i, j = i+1, j-1 {
		s[i], s[j] = s[j], s[i]
	}
}

// Ancestor reports whether old is new itself or comes before it along first
// parents, which is all there is on main and in a run.
func Ancestor(o Objects, old, new string) (bool, error) {
	for at := new; ; {
		if at == old {
			return true, nil
		}
		c, err := ReadCommit(o, at)
		if err != nil {
			return false, err
		}
		if len(c.Parents) == 0 {
			return false, nil
		}
		at = c.Parents[0]
	}
}
