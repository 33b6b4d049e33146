package audit

import (
	"crypto/ed25519"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// Options says what Verify looks at beyond the ledger itself.
type Options struct {
	// Root is the fingerprint of the key that signed main's root commit, as
	// new printed it. "" leaves open whose ledger this is.
	Root string
	// Since holds checkpoint files (text, and signature if there is one) that
	// someone else kept: nothing they name may be cut or rewritten.
	Since [][]byte
	// Bodies lists the body formats that can be decided; nil: body/1.
	Bodies []string
	// Decide folds and decides one run again (--deep); nil: not done. It is
	// not called for a run with faults of its own or with a newer body format.
	Decide func(o Objects, run string, recs []Record) []Fault
	// Edition computes one edition again; nil: not done.
	Edition func(o Objects, edition, commit string) []Fault
	// Progress is called after each run, with runs done and runs in all; may be nil.
	Progress func(done, all int)
}

// Report is what Verify found.
type Report struct {
	Bench       string  `json:"bench"`
	Root        string  `json:"root"`         // fingerprint of the key that signed main's root
	RootChecked string  `json:"root_checked"` // yes, no
	Main        string  `json:"main"`
	Simulated   string  `json:"simulated"` // yes, no, "" when the root does not say
	Changes     int     `json:"changes"`   // commits on main
	Runs        int     `json:"runs"`
	Records     int64   `json:"records"`
	Editions    int     `json:"editions"`
	Deep        string  `json:"deep"` // yes, no
	Faults      []Fault `json:"faults"`
	Notes       []Fault `json:"notes"` // no damage, but a reader should know
}

// Good reports whether nothing bad was found.
func (r *Report) Good() bool { return len(r.Faults) == 0 }

// verifier holds what is known while a ledger is read: main first, then the
// runs one by one, then the editions. Of a run only numbers are kept.
type verifier struct {
	o    Objects
	opt  Options
	rep  *Report
	refs map[string]string

	main       []mainState    // root first
	mainAt     map[string]int // commit -> place in main
	mainWhole  bool           // main was read down to its root
	listBroken bool           // a list of keys could not be read
	reg        Register       // as of the newest main commit
	runs       map[string]*runFacts
	ended      map[string]int        // fingerprint -> place of the main commit that ended the key
	named      map[string]int        // edition -> place of the main commit that names it
	editions   []*edition            // sorted by id
	wanted     map[string]runPlace   // commit -> where it stands in its run; filled while runs are read
	inside     []insideCheckpoint    // those that stand in hand_over records
	hashes     map[string][][32]byte // run -> SHA-256 of its records, in order
	tails      int                   // runs with records that main does not name
	told       map[string]bool       // errors from reading that were named
	sums       map[string]string     // blob of main -> sha256 hex
	lines      map[string][]line     // tree of main -> its files
}

// mainState is what one commit on main leaves behind.
type mainState struct {
	hash    string
	unix    int64
	allowed Allowed
}

// runFacts is what main and checkpoints say about one run.
type runFacts struct {
	openedAt int // place in main, -1: not registered
	pins     []pin
	closings []closingAt
	reopened []int // places in main
}

// pin says that record seq of a run has a hash, and who says so.
type pin struct {
	seq    int64
	record string
	at     int    // place in main of the commit that says so; -1: a checkpoint
	by     string // for messages
}

type closingAt struct {
	Closing
	at int
}

type runPlace struct {
	run string
	seq int64
}

// Verify reads everything and lists every bad item. The error is only for a
// repository whose refs cannot be listed at all.
func Verify(o Objects, opt Options) (*Report, error) {
	refs, err := o.Refs()
	if err != nil {
		return nil, fmt.Errorf("list the refs: %w", err)
	}
	if opt.Bodies == nil {
		opt.Bodies = []string{"body/1"}
	}
	v := &verifier{o: o, opt: opt, refs: refs,
		rep:    &Report{RootChecked: "no", Deep: "no", Faults: []Fault{}, Notes: []Fault{}},
		mainAt: map[string]int{}, runs: map[string]*runFacts{}, ended: map[string]int{}, named: map[string]int{},
		wanted: map[string]runPlace{}, told: map[string]bool{}, hashes: map[string][][32]byte{}, sums: map[string]string{}, lines: map[string][]line{}}
	v.reg = Register{Runs: map[string]*RunEntry{}, Editions: map[string]string{}}
	if opt.Decide != nil {
		v.rep.Deep = "yes"
	}
	v.readRefs()
	if v.refs[RefMain] == "" {
		v.fault("main_missing", RefMain, "there is no branch main")
		v.listBroken = true
	} else {
		v.readMain()
	}
	v.readCheckpoints()
	v.startEditions()
	all := v.allRuns()
	for i, run := range all {
		v.readOneRun(run)
		if opt.Progress != nil {
			opt.Progress(i+1, len(all))
		}
	}
	v.readEditions()
	v.readInside()
	v.closingNotes()
	return v.rep, nil
}

func (v *verifier) fault(code, where, format string, args ...any) {
	v.rep.Faults = append(v.rep.Faults, NewFault(code, where, format, args...))
}

// broken records an error from reading, under the code it carries. An object
// that many commits share is named once, where it was missed first.
func (v *verifier) broken(err error, otherwise, where string) {
	if v.told[err.Error()] {
		return
	}
	v.told[err.Error()] = true
	v.fault(codeOf(err, otherwise), where, "%v", err)
}

func (v *verifier) note(code, where, format string, args ...any) {
	v.rep.Notes = append(v.rep.Notes, NewFault(code, where, format, args...))
}

// readRefs holds the refs to those of a ledger; what is bad goes from the map.
func (v *verifier) readRefs() {
	for _, name := range slices.Sorted(maps.Keys(v.refs)) {
		run, isRun := strings.CutPrefix(name, RefRuns)
		id, isEdition := strings.CutPrefix(name, RefEditions)
		var err error
		switch {
		case !strings.HasPrefix(name, "refs/heads/"):
			v.note("other_ref", name, "it leads to %s", v.refs[name])
			delete(v.refs, name)
			continue
		case isRun:
			err = CheckRun(run)
		case isEdition:
			err = CheckID(id)
		case name != RefMain:
			v.fault("ref_unknown", name, "only main, runs/<run> and editions/<id> may stand here")
			delete(v.refs, name)
			continue
		}
		if err == nil && !reObject.MatchString(v.refs[name]) {
			err = fmt.Errorf("it holds %q, not 40 hexadecimal digits", clip(v.refs[name]))
		}
		if err != nil {
			v.fault("ref_bad", name, "%v", err)
			delete(v.refs, name)
		}
	}
}

// allRuns gives every run that is registered or has a ref, sorted.
func (v *verifier) allRuns() []string {
	all := map[string]bool{}
	for run := range v.runs {
		all[run] = true
	}
	for name := range v.refs {
		if run, ok := strings.CutPrefix(name, RefRuns); ok {
			all[run] = true
		}
	}
	return slices.Sorted(maps.Keys(all))
}

// run gives the facts of a run, made when there are none.
func (v *verifier) run(id string) *runFacts {
	if v.runs[id] == nil {
		v.runs[id] = &runFacts{openedAt: -1}
	}
	return v.runs[id]
}

// newest is the list of keys on the newest main commit.
func (v *verifier) newest() Allowed {
	if len(v.main) == 0 {
		return Allowed{}
	}
	return v.main[len(v.main)-1].allowed
}

// signer checks a commit's signature and binds its key to a principal, the
// committer and the bench. ok is false when there is nothing to bind.
func (v *verifier) signer(c Commit, list Allowed, where string) (key ed25519.PublicKey, line AllowedKey, ok bool) {
	if !c.whole() {
		return nil, line, false // commit_bad has named it
	}
	key, err := VerifySignature(NamespaceGit, c.Payload, c.Signature)
	if err != nil {
		v.fault("signature", where, "%v", err)
		return nil, line, false
	}
	line, ok = list.Find(key)
	if !ok && v.listBroken {
		return key, line, false // signers_bad, or a missing main, has named it
	}
	if !ok {
		if line, ok = v.newest().Find(key); !ok {
			v.fault("unlisted_key", where, "key %s is not in allowed_signers", Fingerprint(key))
			return key, line, false
		}
		v.fault("unlisted_key", where, "key %s of %s was listed only later", Fingerprint(key), line.Principal)
		return key, line, false
	}
	if c.Committer.ID != line.Principal {
		v.fault("author", where, "committer is %s, the key belongs to %s", c.Committer.ID, line.Principal)
	}
	if v.rep.Bench != "" && (c.Author.Bench != v.rep.Bench || c.Committer.Bench != v.rep.Bench) {
		v.fault("author", where, "author and committer name the bench %s and %s, this is %s", c.Author.Bench, c.Committer.Bench, v.rep.Bench)
	}
	if now, _ := v.newest().Find(key); !now.Ended.IsZero() && c.Committer.Unix > now.Ended.Unix() {
		v.fault("key_ended", where, "key %s of %s ended at %s, the commit is dated %s", Fingerprint(key), line.Principal,
			now.Ended.Format(allowedTime), timeOf(c.Committer.Unix))
	}
	return key, line, true
}

// bySigner checks that who a commit or record speaks for is the key's owner,
// or someone with a living key for whom the bench signed.
func (v *verifier) bySigner(by, via string, line AllowedKey, list Allowed, where string) {
	switch {
	case via == "key" && line.Principal != by:
		v.fault("wrong_key", where, "it says %s, the key belongs to %s", by, line.Principal)
	case via == "page" && line.Principal != BenchPrincipal:
		v.fault("wrong_key", where, "a page writes with the bench's key, this key belongs to %s", line.Principal)
	case via == "page" && (by == BenchPrincipal || !list.Has(by)):
		v.fault("unlisted_key", where, "the page wrote for %s, who has no key in allowed_signers there", by)
	}
}

// closingNotes says what cannot be seen from inside.
func (v *verifier) closingNotes() {
	switch {
	case v.opt.Root == "":
		v.note("root_unchecked", RefMain, "main was begun with key %s", v.rep.Root)
	case v.opt.Root != v.rep.Root:
		v.fault("root_other", RefMain, "main was begun with key %s, not with %s", v.rep.Root, v.opt.Root)
	default:
		v.rep.RootChecked = "yes"
	}
}
