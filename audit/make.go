package audit

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

var zeroTime time.Time

// MainSpec says what a commit on main changes.
type MainSpec struct {
	Parent  string            // "" for the root
	Put     map[string][]byte // files added or replaced, by path
	Bench   string            // bench id
	Author  string            // person id, or bench
	Date    time.Time         // must not lie before the parent's
	Subject string
	Text    string // optional, below the subject
}

// RunSpec says what a run's commit holds beside its record.
type RunSpec struct {
	Record  Record
	Parent  string // the commit of the record before; for seq 1 the main commit of the record
	Bench   string
	Subject string
	Text    string
}

// EditionSpec says what an edition's commit holds. Files must hold
// manifest.json, made by MakeManifest.
type EditionSpec struct {
	ID      string
	Main    string
	Heads   map[string]string // run -> commit, every registered run that has a record
	Files   map[string][]byte
	Bench   string
	Author  string
	Date    time.Time
	Subject string
	Text    string
}

// NewMainCommit makes a commit on main and gives its name and the objects that
// its parent's tree does not have. It reads the parent's tree through o. The
// caller stores the objects, then moves the ref.
func NewMainCommit(o Objects, spec MainSpec, s Signer) (hash string, objects []RawObject, err error) {
	files := map[string][]byte{}
	have := map[string]bool{}
	c := CommitSpec{Author: NewIdent(spec.Author, spec.Bench, spec.Date), Committer: NewIdent(s.Principal(), spec.Bench, spec.Date)}
	if spec.Parent != "" {
		parent, err := ReadCommit(o, spec.Parent)
		if err != nil {
			return "", nil, err
		}
		if parent.Committer.Unix > c.Committer.Unix {
			return "", nil, fmt.Errorf("a commit on main may not be dated before the one it follows (%d < %d); look at the clock", c.Committer.Unix, parent.Committer.Unix)
		}
		if err := readInto(o, parent.Tree, "", files, 1); err != nil {
			return "", nil, err
		}
		_, old := BuildTree(files)
		for _, x := range old {
			have[x.Hash] = true
		}
		c.Parents = []string{spec.Parent}
	}
	for p, b := range spec.Put {
		files[p] = b
	}
	if err := CheckPaths(files); err != nil {
		return "", nil, err
	}
	if c.Message, err = Message(spec.Subject, spec.Text, TrailerTree, Hash(TreeLines(files))); err != nil {
		return "", nil, err
	}
	root, all := BuildTree(files)
	for _, x := range all {
		if !have[x.Hash] {
			objects = append(objects, x)
		}
	}
	c.Tree = root
	return finish(c, objects, s)
}

// finish signs the commit and puts it last, so that what it needs is stored
// before it.
func finish(c CommitSpec, objects []RawObject, s Signer) (string, []RawObject, error) {
	raw, err := BuildCommit(c, s)
	if err != nil {
		return "", nil, err
	}
	commit := NewObject("commit", raw)
	return commit.Hash, append(objects, commit), nil
}

// NewRunCommit makes the commit of one record: author is who the record says,
// committer the signer, dated with the whole seconds of made. For a record that
// closes the run it reads the run through o and lays all its records under
// records/.
func NewRunCommit(o Objects, spec RunSpec, s Signer) (hash string, objects []RawObject, err error) {
	r := spec.Record
	b, err := r.Bytes()
	if err != nil {
		return "", nil, err
	}
	if r.Seq == 1 && spec.Parent != r.Main {
		return "", nil, fmt.Errorf("the first commit of run %s must have the main commit of its record as parent", r.Run)
	}
	made, err := ParseTime(r.Made)
	if err != nil {
		return "", nil, err
	}
	blob := NewObject("blob", b)
	objects = append(objects, blob)
	entries := []Entry{{Name: RecordFile, Hash: blob.Hash}}
	if r.Closes() {
		blobs := []string{blob.Hash}
		if r.Seq > 1 {
			earlier, err := recordBlobs(o, spec.Parent)
			if err != nil {
				return "", nil, err
			}
			blobs = append(earlier, blob.Hash)
		}
		tree := CloseTree(blobs)
		objects = append(objects, tree)
		entries = append(entries, Entry{Dir: true, Name: RecordsDir, Hash: tree.Hash})
	}
	tree := NewObject("tree", EncodeTree(entries))
	objects = append(objects, tree)
	c := CommitSpec{Tree: tree.Hash, Parents: []string{spec.Parent},
		Author: NewIdent(r.By, spec.Bench, made), Committer: NewIdent(s.Principal(), spec.Bench, made)}
	if c.Message, err = Message(spec.Subject, spec.Text, TrailerRecord, Hash(b)); err != nil {
		return "", nil, err
	}
	return finish(c, objects, s)
}

// recordBlobs gives the names of the record blobs of a run, seq 1 first.
func recordBlobs(o Objects, head string) ([]string, error) {
	records, _, err := ReadRun(o, head)
	if err != nil {
		return nil, err
	}
	blobs := make([]string, 0, len(records)+1)
	for _, r := range records {
		b, err := r.Bytes()
		if err != nil {
			return nil, err
		}
		blobs = append(blobs, ObjectID("blob", b))
	}
	return blobs, nil
}

// CloseTree makes the tree records/ of a closing commit from the names of the
// record blobs, seq 1 first.
func CloseTree(blobs []string) RawObject {
	entries := make([]Entry, len(blobs))
	for i, h := range blobs {
		entries[i] = Entry{Name: RecordName(int64(i + 1)), Hash: h}
	}
	return NewObject("tree", EncodeTree(entries))
}

// NewEditionCommit makes the commit of an edition: parents main and the heads
// sorted by run id.
func NewEditionCommit(spec EditionSpec, s Signer) (hash string, objects []RawObject, err error) {
	if err := CheckPaths(spec.Files); err != nil {
		return "", nil, err
	}
	manifest, ok := spec.Files[ManifestFile]
	if !ok {
		return "", nil, fmt.Errorf("edition %s has no %s", spec.ID, ManifestFile)
	}
	m, err := ParseManifest(manifest)
	if err != nil {
		return "", nil, fmt.Errorf("%s: %w", ManifestFile, err)
	}
	if m.ID != spec.ID {
		return "", nil, fmt.Errorf("%s names edition %s, not %s", ManifestFile, m.ID, spec.ID)
	}
	c := CommitSpec{Parents: []string{spec.Main},
		Author: NewIdent(spec.Author, spec.Bench, spec.Date), Committer: NewIdent(s.Principal(), spec.Bench, spec.Date)}
	for _, run := range slices.Sorted(maps.Keys(spec.Heads)) {
		c.Parents = append(c.Parents, spec.Heads[run])
	}
	c.Tree, objects = BuildTree(spec.Files)
	if c.Message, err = Message(spec.Subject, spec.Text, TrailerManifest, Hash(manifest)); err != nil {
		return "", nil, err
	}
	return finish(c, objects, s)
}

// RegisterFiles gives the files that a commit on main after main must put so
// that it names every head which moved since, and every edition that main does
// not name yet: register/<run>/head.json and register/editions/<id>.json.
func RegisterFiles(o Objects, main string) (map[string][]byte, error) {
	refs, err := o.Refs()
	if err != nil {
		return nil, err
	}
	reg, err := ReadRegister(o, main)
	if err != nil {
		return nil, err
	}
	put := map[string][]byte{}
	for _, ref := range slices.Sorted(maps.Keys(refs)) {
		if id, ok := strings.CutPrefix(ref, RefEditions); ok && reg.Editions[id] == "" {
			b, err := Marshal(EditionNamed{Format: RegisterFormat, Edition: id, Commit: refs[ref]})
			if err != nil {
				return nil, err
			}
			put["register/editions/"+id+".json"] = b
		}
		run, ok := strings.CutPrefix(ref, RefRuns)
		if !ok {
			continue
		}
		e := reg.Runs[run]
		if e == nil {
			return nil, fmt.Errorf("run %s has a ref but no entry in the register; run verify", run)
		}
		h, err := headOf(o, run, refs[ref])
		if err != nil {
			return nil, err
		}
		if e.Head != nil && *e.Head == h {
			continue
		}
		if e.Head != nil && h.Seq <= e.Head.Seq {
			return nil, fmt.Errorf("run %s ends at record %d, and main names record %d of it; run verify", run, h.Seq, e.Head.Seq)
		}
		path, b, err := h.File()
		if err != nil {
			return nil, err
		}
		put[path] = b
	}
	return put, nil
}

// headOf reads the last record of a run.
func headOf(o Objects, run, commit string) (Head, error) {
	c, err := ReadCommit(o, commit)
	if err != nil {
		return Head{}, err
	}
	r, b, err := readRecord(o, c)
	if err != nil {
		return Head{}, err
	}
	if r.Run != run {
		return Head{}, fmt.Errorf("ref of run %s leads to a record of run %s; run verify", run, r.Run)
	}
	return Head{Format: RegisterFormat, Run: run, Seq: r.Seq, Record: Hash(b)}, nil
}

// ReadRegister reads the register as it stands in a commit on main.
func ReadRegister(o Objects, main string) (Register, error) {
	c, err := ReadCommit(o, main)
	if err != nil {
		return Register{}, err
	}
	files := map[string][]byte{}
	e, found, err := entry(o, c.Tree, "register")
	if err != nil {
		return Register{}, err
	}
	if found && e.Dir {
		if err := readInto(o, e.Hash, "register/", files, 1); err != nil {
			return Register{}, err
		}
	}
	return ParseRegister(files)
}

// File gives path and bytes of register/<run>/opened.json.
func (r RunOpened) File() (path string, data []byte, err error) {
	r.Format = RegisterFormat
	data, err = Marshal(r)
	return "register/" + r.Run + "/opened.json", data, err
}

// File gives path and bytes of register/<run>/closed-<n>.json, n from 1.
func (c Closing) File(n int) (path string, data []byte, err error) {
	c.Format = RegisterFormat
	if err := c.check(); err != nil {
		return "", nil, err
	}
	data, err = Marshal(c)
	return fmt.Sprintf("register/%s/closed-%d.json", c.Run, n), data, err
}

// File gives path and bytes of register/<run>/reopened-<n>.json, n from 1.
func (r Reopening) File(n int) (path string, data []byte, err error) {
	r.Format = RegisterFormat
	data, err = Marshal(r)
	return fmt.Sprintf("register/%s/reopened-%d.json", r.Run, n), data, err
}

// File gives path and bytes of register/<run>/head.json.
func (h Head) File() (path string, data []byte, err error) {
	h.Format = RegisterFormat
	data, err = Marshal(h)
	return "register/" + h.Run + "/head.json", data, err
}

// CheckpointFiles gives the files that keep a checkpoint on main:
// register/checkpoints/<64 hex of the text's hash>.txt and .sig.
func CheckpointFiles(text, signature []byte) map[string][]byte {
	base := "register/checkpoints/" + strings.TrimPrefix(Hash(text), "sha256:")
	return map[string][]byte{base + ".txt": text, base + ".sig": signature}
}

// benchOf gives the bench's id and whether it is simulated ("yes", "no"), from
// the one bench document in a commit on main.
func benchOf(o Objects, main string) (id, simulated string, err error) {
	c, err := ReadCommit(o, main)
	if err != nil {
		return "", "", err
	}
	e, found, err := entry(o, c.Tree, "documents/bench")
	if err != nil {
		return "", "", err
	}
	files := map[string][]byte{}
	if found && e.Dir {
		if err := readInto(o, e.Hash, "", files, 1); err != nil {
			return "", "", err
		}
	}
	for _, path := range slices.Sorted(maps.Keys(files)) {
		name, ok := strings.CutSuffix(path, ".json")
		if !ok {
			continue
		}
		folder, _, _ := strings.Cut(name, "/")
		if id != "" && folder != id {
			return "", "", fmt.Errorf("main holds documents of two benches, %s and %s", id, folder)
		}
		v, err := parseJSON(files[path])
		if err != nil {
			return "", "", fmt.Errorf("documents/bench/%s: %w", path, err)
		}
		m, _ := v.(map[string]any)
		says, _ := m["simulated"].(string)
		if id != "" && says != simulated {
			return "", "", fmt.Errorf("documents/bench/%s changes whether the bench is simulated", path)
		}
		id, simulated = folder, says
	}
	if id == "" || CheckID(id) != nil || simulated != "yes" && simulated != "no" {
		return "", "", fmt.Errorf("main holds no bench document documents/bench/<id>/<version>.json that says simulated yes or no")
	}
	return id, simulated, nil
}
