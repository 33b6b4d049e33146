package audit

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/json"
	"maps"
	"slices"
	"testing"
	"time"
)

// ledger builds small ledgers through the package's own functions, in memory,
// with fixed keys and times, so that the same test gives the same bytes.
type ledger struct {
	t     *testing.T
	m     *Memory
	now   time.Time
	main  string
	mains []string
	list  Allowed
	last  map[string]Record // by run
	heads map[string]string // by run: commit
	ends  map[string]int    // by run: closings so far
}

const testBench = "fern"

func testKey(name string) ed25519.PrivateKey {
	seed := sha256.Sum256([]byte("test key of " + name))
	return ed25519.NewKeyFromSeed(seed[:])
}

func testSigner(name string) Signer { return NewKeySigner(name, testKey(name)) }

func runID(suffix string) string { return "fern-20260302-" + suffix }

// newLedger begins a bench with its own key and two people, ash and moss.
func newLedger(t *testing.T) *ledger {
	t.Helper()
	l := &ledger{t: t, m: NewMemory(), now: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC),
		last: map[string]Record{}, heads: map[string]string{}, ends: map[string]int{}}
	for _, p := range []string{BenchPrincipal, "ash", "moss"} {
		var err error
		l.list, err = l.list.Add(p, testKey(p).Public().(ed25519.PublicKey))
		l.must(err)
	}
	doc, err := Marshal(map[string]string{"kind": "bench", "id": testBench, "version": "1.0.0", "title": "Invented bench", "simulated": "yes"})
	l.must(err)
	l.commitMain("ash", "Begin the bench", map[string][]byte{
		"documents/bench/fern/1.0.0.json": doc,
		"documents/bench/fern/1.0.0.yaml": []byte("kind: bench\nid: fern\nversion: 1.0.0\ntitle: Invented bench\nsimulated: \"yes\"\n"),
		"README.md":                       []byte("The ledger of an invented bench.\n"),
		AllowedFile:                       l.list.Format(),
	})
	return l
}

func (l *ledger) must(err error) {
	l.t.Helper()
	if err != nil {
		l.t.Fatal(err)
	}
}

func (l *ledger) tick(d time.Duration) { l.now = l.now.Add(d) }

// commitMain puts files on main, with every head that moved.
func (l *ledger) commitMain(by, subject string, put map[string][]byte) string {
	l.t.Helper()
	if l.main != "" {
		files, err := RegisterFiles(l.m, l.main)
		l.must(err)
		for p, b := range put {
			files[p] = b
		}
		put = files
	}
	return l.forgeMain(by, subject, put)
}

// forgeMain puts files on main and nothing else.
func (l *ledger) forgeMain(by, subject string, put map[string][]byte) string {
	l.t.Helper()
	l.tick(time.Minute)
	hash, objects, err := NewMainCommit(l.m, MainSpec{Parent: l.main, Put: put, Bench: testBench, Author: by, Date: l.now, Subject: subject}, testSigner(by))
	l.must(err)
	l.must(l.m.Put(objects...))
	l.must(l.m.SetRef(RefMain, l.main, hash))
	l.main = hash
	l.mains = append(l.mains, hash)
	return hash
}

// registerRun writes opened.json on main.
func (l *ledger) registerRun(run, by string) {
	l.t.Helper()
	p, b, err := RunOpened{Run: run, By: by, Made: Time(l.now), Unit: "unit-a", Protocol: "short"}.File()
	l.must(err)
	l.commitMain(by, "Open "+run, map[string][]byte{p: b})
}

// open registers a run and writes its first record.
func (l *ledger) open(run, by string) {
	l.t.Helper()
	l.registerRun(run, by)
	l.add(run, KindOpened, by)
}

// draft is a record about to be committed, which a test may spoil.
type draft struct {
	rec     Record
	bytes   []byte // nil: rec.Bytes()
	signer  Signer
	entries []Entry // nil: as the format wants
	spec    CommitSpec
	trailer string // "": over the bytes
	message string // "": as the format wants
}

// next gives the record that would follow.
func (l *ledger) next(run, kind, by string) Record {
	l.t.Helper()
	l.tick(1500 * time.Millisecond)
	body, err := json.Marshal(map[string]any{"format": "body/1", "text": kind + " by " + by})
	l.must(err)
	r := Record{Format: RecordFormat, Run: run, Seq: 1, Prev: ZeroPrev, Kind: kind, Made: Time(l.now), Clock: "simulated",
		By: by, Via: "key", Main: l.main, Body: body}
	if was, ok := l.last[run]; ok {
		b, err := was.Bytes()
		l.must(err)
		r.Seq, r.Prev = was.Seq+1, Hash(b)
	}
	return r
}

// add commits one well-made record.
func (l *ledger) add(run, kind, by string) string {
	l.t.Helper()
	r := l.next(run, kind, by)
	return l.commitRecord(r, testSigner(by))
}

func (l *ledger) parentOf(r Record) string {
	if r.Seq == 1 {
		return r.Main
	}
	return l.heads[r.Run]
}

func (l *ledger) commitRecord(r Record, s Signer) string {
	l.t.Helper()
	hash, objects, err := NewRunCommit(l.m, RunSpec{Record: r, Parent: l.parentOf(r), Bench: testBench, Subject: r.Kind}, s)
	l.must(err)
	l.must(l.m.Put(objects...))
	l.setRun(r, hash)
	return hash
}

func (l *ledger) setRun(r Record, hash string) {
	l.t.Helper()
	l.must(l.m.SetRef(RefRuns+r.Run, l.heads[r.Run], hash))
	l.heads[r.Run], l.last[r.Run] = hash, r
}

// forge commits a record after spoil has changed what it likes.
func (l *ledger) forge(run, kind, by string, spoil func(d *draft)) string {
	l.t.Helper()
	r := l.next(run, kind, by)
	made, err := ParseTime(r.Made)
	l.must(err)
	d := &draft{rec: r, signer: testSigner(by)}
	d.spec.Parents = []string{l.parentOf(r)}
	d.spec.Author, d.spec.Committer = NewIdent(by, testBench, made), NewIdent(by, testBench, made)
	spoil(d)
	if d.bytes == nil {
		d.bytes, err = d.rec.Bytes()
		l.must(err)
	}
	blob := NewObject("blob", d.bytes)
	if d.entries == nil {
		d.entries = []Entry{{Name: RecordFile, Hash: blob.Hash}}
	}
	for i := range d.entries {
		if d.entries[i].Hash == "" {
			d.entries[i].Hash = blob.Hash
		}
	}
	if d.trailer == "" {
		d.trailer = Hash(d.bytes)
	}
	tree := NewObject("tree", EncodeTree(d.entries))
	d.spec.Tree = tree.Hash
	d.spec.Message, err = Message(kind, "", TrailerRecord, d.trailer)
	l.must(err)
	if d.message != "" {
		d.spec.Message = d.message
	}
	sig, err := d.signer.Sign(NamespaceGit, d.spec.encode(nil))
	l.must(err)
	commit := NewObject("commit", d.spec.encode(sig))
	l.must(l.m.Put(blob, tree, commit))
	l.setRun(d.rec, commit.Hash)
	return commit.Hash
}

// closeRun ends a run: its record first, then main.
func (l *ledger) closeRun(run, by, kind string) {
	l.t.Helper()
	l.add(run, kind, by)
	l.registerClosing(run, by, kind)
}

func (l *ledger) registerClosing(run, by, how string) {
	l.t.Helper()
	b, err := l.last[run].Bytes()
	l.must(err)
	l.ends[run]++
	p, data, err := Closing{Run: run, By: by, Made: Time(l.now), How: how, Seq: l.last[run].Seq, Record: Hash(b)}.File(l.ends[run])
	l.must(err)
	l.commitMain(by, "Close "+run, map[string][]byte{p: data})
}

// reopen takes a closed run up again: main first, then its record.
func (l *ledger) reopen(run, by string) {
	l.t.Helper()
	p, b, err := Reopening{Run: run, By: by, Made: Time(l.now), Reason: "a further draw"}.File(l.ends[run])
	l.must(err)
	l.commitMain(by, "Reopen "+run, map[string][]byte{p: b})
	l.add(run, KindReopened, by)
}

// endKey ends a person's key now.
func (l *ledger) endKey(name, by string) {
	l.t.Helper()
	var err error
	l.list, err = l.list.End(Fingerprint(testKey(name).Public().(ed25519.PublicKey)), l.now.Add(time.Minute))
	l.must(err)
	l.commitMain(by, "End a key of "+name, map[string][]byte{AllowedFile: l.list.Format()})
}

// publish makes an edition with one core file and the evidence of every run.
func (l *ledger) publish(id, by string, spoil func(files map[string][]byte, heads map[string]string)) string {
	l.t.Helper()
	l.tick(time.Minute)
	files := map[string][]byte{"core/scores.json": []byte("{\"unit-a\":\"61\"}\n")}
	heads := map[string]string{}
	for run, head := range l.heads {
		heads[run] = head
		recs, _, err := ReadRun(l.m, head)
		l.must(err)
		for _, r := range recs {
			b, err := r.Bytes()
			l.must(err)
			files["evidence/"+run+"/records/"+RecordName(r.Seq)] = b
		}
	}
	manifest, err := MakeManifest(Manifest{ID: id, Made: Time(l.now)}, files)
	l.must(err)
	files[ManifestFile] = manifest
	if spoil != nil {
		spoil(files, heads)
	}
	hash, objects, err := NewEditionCommit(EditionSpec{ID: id, Main: l.main, Heads: heads, Files: files, Bench: testBench,
		Author: by, Date: l.now, Subject: "Publish " + id}, testSigner(by))
	l.must(err)
	l.must(l.m.Put(objects...))
	l.must(l.m.SetRef(RefEditions+id, "", hash))
	return hash
}

// checkpoint gives a signed checkpoint file of the ledger as it is.
func (l *ledger) checkpoint() []byte {
	l.t.Helper()
	c, err := MakeCheckpoint(l.m, l.main)
	l.must(err)
	sig, err := SignCheckpoint(c.Text(), testSigner(BenchPrincipal))
	l.must(err)
	return JoinCheckpoint(c.Text(), sig)
}

// cut moves a run's ref back by n records.
func (l *ledger) cut(run string, n int) {
	l.t.Helper()
	at := l.heads[run]
	for range n {
		c, err := ReadCommit(l.m, at)
		l.must(err)
		at = c.Parents[0]
	}
	l.must(l.m.SetRef(RefRuns+run, l.heads[run], at))
	l.heads[run] = at
}

// codes gives the codes of faults, each once, sorted.
func codes(faults []Fault) []string {
	m := map[string]bool{}
	for _, f := range faults {
		m[f.Code] = true
	}
	return slices.Sorted(maps.Keys(m))
}

// verify runs Verify and fails only on an error of its own.
func (l *ledger) verify(opt Options) *Report {
	l.t.Helper()
	rep, err := Verify(l.m, opt)
	l.must(err)
	return rep
}

// wantGood wants a ledger without a fault.
func (l *ledger) wantGood(opt Options) *Report {
	l.t.Helper()
	rep := l.verify(opt)
	for _, f := range rep.Faults {
		l.t.Errorf("unexpected: %s", f)
	}
	return rep
}
