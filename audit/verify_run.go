package audit

import (
	"crypto/sha256"
	"slices"
	"time"
)

// afterClosed lists the kinds that may follow the record that closes a run.
var afterClosed = map[string]bool{"report": true, "note": true, "complaint": true, "removed": true,
	"second_person": true, "recovered": true}

// runWalk is one run while it is read, seq by seq.
type runWalk struct {
	id     string
	f      *runFacts
	seq    int64  // of the last commit, counted from 1
	prev   string // hash of the last record's bytes, "" when they could not be read
	made   time.Time
	mainAt int
	closed bool
	closes int  // closing records so far
	opens  int  // reopened records so far
	sheet  bool // the tree of the last commit holds records/
	blobs  []string
	recs   []Record // kept only for Decide
	newer  bool     // a body format that is not known
	last   string   // where the last record is, for messages
}

// readOneRun walks one run from its first record to its head.
func (v *verifier) readOneRun(id string) {
	f := v.run(id)
	head := v.refs[RefRuns+id]
	where := RefRuns + id
	if f.openedAt < 0 && v.mainWhole {
		v.fault("run_unregistered", where, "register/%s/opened.json is missing on main", id)
	}
	e := v.reg.Runs[id]
	if head == "" {
		if e == nil || !e.NeverStarted() {
			v.fault("run_missing", where, "the register names the run, there is no such branch")
		}
		return
	}
	v.rep.Runs++
	faults := len(v.rep.Faults)
	w := &runWalk{id: id, f: f, prev: ZeroPrev, mainAt: -1}
	if _, isMain := v.mainAt[head]; isMain {
		v.fault("run_missing", where, "its ref names commit %s of main, so none of its records can be found", head)
	}
	for _, c := range v.runCommits(head, where) {
		v.readRunCommit(w, c)
	}
	v.rep.Records += w.seq
	v.runEnd(w, where)
	if v.opt.Decide != nil && !w.newer && len(v.rep.Faults) == faults {
		v.rep.Faults = append(v.rep.Faults, v.opt.Decide(v.o, id, w.recs)...)
	}
}

// runCommits gives the commits of a run in order, down to the main commit that
// it began at.
func (v *verifier) runCommits(head, where string) []Commit {
	var chain []Commit
	for at := head; ; {
		if _, isMain := v.mainAt[at]; isMain {
			break
		}
		c, err := ReadCommit(v.o, at)
		if err != nil {
			v.broken(err, "commit_bad", where+" commit "+at)
			if c.Hash == "" {
				break
			}
		}
		chain = append(chain, c)
		if len(c.Parents) != 1 {
			v.fault("chain_parent", where+" commit "+at, "it has %d parents, want 1", len(c.Parents))
			if len(c.Parents) == 0 {
				break
			}
		}
		if !v.mainWhole {
			if r, _, err := readRecord(v.o, c); err == nil && r.Seq == 1 {
				break
			}
		}
		at = c.Parents[0]
	}
	reverse(chain)
	return chain
}

// readRunCommit checks one commit of a run, and its record.
func (v *verifier) readRunCommit(w *runWalk, c Commit) {
	w.seq++
	where := RefRuns + w.id + " #" + itoa(w.seq) + " (" + c.Hash + ")"
	w.last = where
	if _, ok := v.wanted[c.Hash]; ok {
		v.wanted[c.Hash] = runPlace{w.id, w.seq}
	}
	v.hashes[w.id] = append(v.hashes[w.id], [32]byte{})
	blob, ok := v.runTree(w, c, where)
	w.blobs = append(w.blobs, blob)
	if !ok {
		w.prev = ""
		return
	}
	b, err := object(v.o, blob, "blob")
	if err != nil {
		v.broken(err, "record_bad", where)
		w.prev = ""
		return
	}
	hash := Hash(b)
	v.hashes[w.id][w.seq-1] = sha256.Sum256(b)
	if got, err := findTrailer(c.Message, TrailerRecord); err != nil {
		v.fault("trailer", where, "%v", err)
	} else if got != hash {
		v.fault("trailer", where, "trailer Record is %s, the record's bytes give %s", got, hash)
	}
	v.checkPins(w, hash, where)
	r, rerr := ParseRecord(b)
	if rerr != nil {
		v.recordFault(rerr, where)
	}
	if rerr == nil {
		v.readRunRecord(w, r, c, where)
	} else {
		v.signer(c, v.newest(), where)
	}
	w.prev = hash
	if rerr == nil && r.Closes() {
		v.closingTree(w, c, where)
	}
}

// recordFault names a record that could not be read.
func (v *verifier) recordFault(err error, where string) {
	code := "record_bad"
	if isNewer(err) {
		code = "record_format"
	}
	v.fault(code, where, "%v", err)
}

// runTree wants record.json, and records/ beside it only where a record may
// close the run; which of both it must be is seen once the record is read.
func (v *verifier) runTree(w *runWalk, c Commit, where string) (blob string, ok bool) {
	w.sheet = false
	list, err := readTree(v.o, c.Tree)
	if err != nil {
		v.broken(err, "tree_bad", where)
		return "", false
	}
	for _, e := range list {
		switch {
		case e.Name == RecordFile && !e.Dir:
			blob = e.Hash
		case e.Name == RecordsDir && e.Dir:
			w.sheet = true
		default:
			v.fault("tree_extra", where, "%q stands beside %s", e.Name, RecordFile)
		}
	}
	if blob == "" {
		v.fault("tree_extra", where, "there is no %s", RecordFile)
	}
	return blob, blob != ""
}

// checkPins compares a record with what main and checkpoints name.
func (v *verifier) checkPins(w *runWalk, hash, where string) {
	for _, p := range w.f.pins {
		if p.seq != w.seq || p.record == hash {
			continue
		}
		code := "head_differs"
		if p.at < 0 {
			code = "checkpoint_differs"
		}
		v.fault(code, where, "%s names %s, the record's bytes give %s", p.by, p.record, hash)
	}
}

// readRunRecord checks envelope against chain, commit, key and main.
func (v *verifier) readRunRecord(w *runWalk, r Record, c Commit, where string) {
	if r.Seq != w.seq {
		v.fault("chain_seq", where, "the record says seq %d", r.Seq)
	}
	if w.prev != "" && r.Prev != w.prev {
		v.fault("chain_prev", where, "prev is %s, the record before has %s", r.Prev, w.prev)
	}
	if r.Run != w.id {
		v.fault("chain_run", where, "the record says run %s", r.Run)
	}
	made, _ := ParseTime(r.Made) // ParseRecord has read it
	if w.seq > 1 && !made.After(w.made) {
		v.fault("time_back", where, "made %s, the record before %s", r.Made, Time(w.made))
	}
	w.made = made
	if c.whole() && (c.Author.Unix != made.Unix() || c.Committer.Unix != made.Unix()) {
		v.fault("date", where, "made %s, author dated %s, committer %s", r.Made, timeOf(c.Author.Unix), timeOf(c.Committer.Unix))
	}
	if (r.Kind == KindOpened) != (w.seq == 1) {
		v.fault("chain_seq", where, "kind %s: a run begins with opened, once", r.Kind)
	}
	if w.seq == 1 && (len(c.Parents) != 1 || c.Parents[0] != r.Main) {
		v.fault("chain_parent", where, "the first commit must have the main commit of its record as parent")
	}
	if c.whole() && c.Author.ID != r.By {
		v.fault("author", where, "author is %s, the record says by %s", c.Author.ID, r.By)
	}
	v.recordMain(w, r, c, where)
	v.recordPhase(w, r, where)
	if !slices.Contains(v.opt.Bodies, r.BodyFormat()) {
		w.newer = true
		v.note("newer_body", where, "body.format is %s", r.BodyFormat())
	}
	if r.Kind == KindHandOver {
		v.collectInside(r, where)
	}
	if v.opt.Decide != nil {
		w.recs = append(w.recs, r)
	}
}

// recordMain checks the main commit that a record saw, and the key that signed
// it, by the list of keys there.
func (v *verifier) recordMain(w *runWalk, r Record, c Commit, where string) {
	at, known := v.mainAt[r.Main]
	list := v.newest()
	if known {
		list = v.main[at].allowed
	}
	key, line, ok := v.signer(c, list, where)
	if ok {
		v.bySigner(r.By, r.Via, line, list, where)
	}
	if !known {
		if v.mainWhole {
			v.fault("main_unknown", where, "it names %s", r.Main)
		}
		return
	}
	if at < w.mainAt {
		v.fault("main_back", where, "it names %s, which lies before %s", r.Main, v.main[w.mainAt].hash)
	}
	w.mainAt = max(w.mainAt, at)
	if w.seq == 1 && w.f.openedAt > at {
		v.fault("run_unregistered", where, "it was registered by main %s, after the commit that its first record names", v.main[w.f.openedAt].hash)
	}
	if ok {
		if gone, has := v.ended[Fingerprint(key)]; has && (at >= gone || w.seq > v.headAt(w.f, gone)) {
			v.fault("key_ended", where, "key %s of %s ended with main %s, which names the run's head as %d", Fingerprint(key),
				line.Principal, v.main[gone].hash, v.headAt(w.f, gone))
			return
		}
	}
	if at+1 < len(v.main) && w.seq > v.headAt(w.f, at+1) {
		v.fault("backdated", where, "it names main %s as newest, but main %s after it names the run's head as %d",
			r.Main, v.main[at+1].hash, v.headAt(w.f, at+1))
	}
}

// headAt gives the number of the record that main named as the run's head at a
// place on main.
func (v *verifier) headAt(f *runFacts, place int) int64 {
	var seq int64
	for _, p := range f.pins {
		if p.at >= 0 && p.at <= place {
			seq = max(seq, p.seq)
		}
	}
	return seq
}

// recordPhase follows closing and reopening.
func (v *verifier) recordPhase(w *runWalk, r Record, where string) {
	switch {
	case r.Closes():
		if w.closed {
			v.fault("after_closed", where, "kind %s follows a closing", r.Kind)
			return
		}
		w.closed = true
		w.closes++
		if w.closes <= len(w.f.closings) {
			if g := w.f.closings[w.closes-1]; g.Seq != w.seq || g.How != r.Kind {
				v.fault("closing_differs", where, "record %d is %s, closed-%d.json names record %d as %s", w.seq, r.Kind, w.closes, g.Seq, g.How)
			}
		}
	case r.Kind == KindReopened:
		w.opens++
		at, known := v.mainAt[r.Main]
		registered := w.opens <= len(w.f.reopened) && known && w.f.reopened[w.opens-1] <= at
		if !w.closed || !registered && v.mainWhole {
			v.fault("reopen", where, "closed before: %s; entered in the register before: %s", yesNo(w.closed), yesNo(registered))
		}
		w.closed = false
	case w.closed && !afterClosed[r.Kind]:
		v.fault("after_closed", where, "kind %s follows a closing", r.Kind)
	}
	if w.sheet && !r.Closes() {
		v.fault("tree_extra", where, "%s/ stands beside a record of kind %s", RecordsDir, r.Kind)
	}
}

// closingTree compares records/ of a closing commit entry by entry.
func (v *verifier) closingTree(w *runWalk, c Commit, where string) {
	e, found, err := entry(v.o, c.Tree, RecordsDir)
	if err != nil {
		v.broken(err, "tree_bad", where)
		return
	}
	if !found || !e.Dir {
		v.fault("closing_tree", where, "there is no %s/ with all records", RecordsDir)
		return
	}
	list, err := readTree(v.o, e.Hash)
	if err != nil {
		v.broken(err, "tree_bad", where)
		return
	}
	for i := range max(len(list), len(w.blobs)) {
		name := RecordName(int64(i + 1))
		switch {
		case i >= len(w.blobs):
			v.fault("closing_tree", where, "%s/%s is more than the run has", RecordsDir, list[i].Name)
		case i >= len(list) || list[i].Name != name || list[i].Dir:
			v.fault("closing_tree", where, "%s/%s is missing or has another name", RecordsDir, name)
		case list[i].Hash != w.blobs[i]:
			v.fault("closing_tree", where, "%s/%s differs from record %d", RecordsDir, name, i+1)
		}
	}
}

// runEnd compares the end of a run with what main and checkpoints name.
func (v *verifier) runEnd(w *runWalk, where string) {
	for _, checkpoint := range []bool{false, true} {
		var most pin
		for _, p := range w.f.pins {
			if (p.at < 0) == checkpoint && p.seq > most.seq {
				most = p
			}
		}
		if most.seq <= w.seq {
			continue
		}
		code := "run_cut"
		if checkpoint {
			code = "checkpoint_cut"
		}
		v.fault(code, where, "it ends at record %d, %s names record %d", w.seq, most.by, most.seq)
	}
	closings := len(w.f.closings)
	switch {
	case closings > w.closes && w.closes >= 0 && !v.cut(w):
		v.fault("closing_differs", where, "the register has %d closings, the run %d", closings, w.closes)
	case closings < w.closes && v.mainWhole:
		if closings == w.closes-1 && w.closed {
			v.note("half_closed", w.last, "the run ends with its closing; closed-%d.json is missing", w.closes)
		} else {
			v.fault("closing_differs", where, "the run has %d closings, the register %d", w.closes, closings)
		}
	}
	if n := len(w.f.reopened); n == w.opens+1 && w.closed {
		v.note("half_reopened", w.last, "reopened-%d.json stands in the register", n)
	} else if n > w.opens && !v.cut(w) {
		v.fault("reopen", where, "the register has %d reopenings, the run %d", n, w.opens)
	}
	if len(v.main) > 0 && w.seq > v.headAt(w.f, len(v.main)-1) {
		v.tails++
	}
	v.evidence(w)
}

// cut reports whether main names a record beyond the run's end, which is then
// the fault to name.
func (v *verifier) cut(w *runWalk) bool {
	return len(v.main) > 0 && v.headAt(w.f, len(v.main)-1) > w.seq
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}
