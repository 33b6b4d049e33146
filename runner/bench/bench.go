package bench

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sort"
	"time"

	"tapledger/audit"
	"tapledger/audit/store"
	"tapledger/protocol"
	"tapledger/runner"
)

// LedgerDir is the folder by which a bench is found: the bare git repository.
const LedgerDir = "ledger.git"

const mainRef = "refs/heads/main"

// ErrNoBench says that no bench was found: exit code 1.
var ErrNoBench = errors.New("no bench here")

// Options says how a bench is opened. The zero value is right for the command
// line.
type Options struct {
	Home string           // folder of keys, in place of TAPLEDGER_HOME and the user's folder
	By   string           // person who acts; "" is the first one whose key is here
	Now  func() time.Time // the wall clock; nil is the machine's
	Sure bool             // texts may hold what looks like an address, a number or e-mail
}

// Bench is an opened bench. It is not made for several goroutines; several
// processes may hold one bench open, the ledger's lock keeps their writes apart.
type Bench struct {
	Dir string
	// Recovered is what start-up had to set right in this process, as text.
	Recovered []string
	// Said is how this process understood something that was typed in short.
	Said []string

	store   *store.Store
	home    string
	by      string
	sure    bool
	wall    func() time.Time
	now     time.Time // of the writing call under way
	main    *Main
	pinned  map[string]*runner.Pinned
	states  map[string]*folded
	started bool
}

// folded is a run as it was at one commit.
type folded struct {
	head  string
	state *runner.State
}

// Main is the newest commit on main, read whole.
type Main struct {
	Commit   string
	Date     time.Time
	Files    map[string][]byte
	Library  *protocol.Library
	Allowed  audit.Allowed
	Register audit.Register
	Bench    *protocol.Bench
}

// Find goes from a folder upwards to the first that holds a bench.
func Find(start string) (string, error) {
	dir, err := filepath.Abs(start)
	if err != nil {
		return "", err
	}
	for {
		if info, err := os.Stat(filepath.Join(dir, LedgerDir)); err == nil && info.IsDir() {
			return dir, nil
		}
		up := filepath.Dir(dir)
		if up == dir {
			return "", fmt.Errorf("%w: no %s in %s or above it", ErrNoBench, LedgerDir, start)
		}
		dir = up
	}
}

// Open opens the bench in dir. Nothing is written: what an earlier process
// left half done is finished by the first call that writes.
func Open(dir string, opt Options) (*Bench, error) {
	if _, err := os.Stat(filepath.Join(dir, LedgerDir)); errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%w: no %s in %s", ErrNoBench, LedgerDir, dir)
	}
	s, err := store.Open(filepath.Join(dir, LedgerDir))
	if err != nil {
		return nil, err
	}
	b := newBench(dir, s, opt)
	if b.home, err = homeOf(opt.Home); err != nil {
		return nil, err
	}
	return b, nil
}

func newBench(dir string, s *store.Store, opt Options) *Bench {
	b := &Bench{Dir: dir, store: s, by: opt.By, sure: opt.Sure, wall: opt.Now,
		pinned: map[string]*runner.Pinned{}, states: map[string]*folded{}}
	if b.wall == nil {
		b.wall = time.Now
	}
	return b
}

// Objects gives the ledger for reading.
func (b *Bench) Objects() audit.Objects { return b.store }

// Main reads the newest commit on main: documents, register, keys.
func (b *Bench) Main() (*Main, error) {
	head, err := b.store.Ref(mainRef)
	if err != nil {
		return nil, err
	}
	if head == "" {
		return nil, fmt.Errorf("%s has no main: run verify", filepath.Join(b.Dir, LedgerDir))
	}
	if b.main != nil && b.main.Commit == head {
		return b.main, nil
	}
	m, err := readMain(b.store, head)
	if err != nil {
		return nil, err
	}
	b.main = m
	return m, nil
}

func readMain(o audit.Objects, head string) (*Main, error) {
	c, err := audit.ReadCommit(o, head)
	if err != nil {
		return nil, err
	}
	m := &Main{Commit: head, Date: time.Unix(c.Committer.Unix, 0).UTC()}
	if m.Files, err = audit.ReadFiles(o, head); err != nil {
		return nil, err
	}
	if m.Library, err = protocol.FromTree(m.Files); err != nil {
		return nil, err
	}
	if m.Allowed, err = audit.ParseAllowed(m.Files[audit.AllowedFile]); err != nil {
		return nil, err
	}
	if m.Register, err = audit.ParseRegister(m.Files); err != nil {
		return nil, err
	}
	docs := m.Library.All(protocol.KindBench)
	if len(docs) == 0 {
		return nil, fmt.Errorf("main holds no bench document: run verify")
	}
	m.Bench = docs[len(docs)-1].Value.(*protocol.Bench)
	return m, nil
}

// Simulated reports whether the bench has a simulated clock and invented runs.
func (m *Main) Simulated() bool { return m.Bench.Simulated == "yes" }

// Root is the fingerprint of the key that signed main's first commit.
func (m *Main) Root() string {
	if len(m.Allowed.Lines) == 0 {
		return ""
	}
	return audit.Fingerprint(m.Allowed.Lines[0].Key)
}

// People lists the ids of people with a key that has not ended, sorted.
func (m *Main) People() []string {
	seen := map[string]bool{}
	var out []string
	for _, k := range m.Allowed.Lines {
		if k.Principal != audit.BenchPrincipal && k.Ended.IsZero() && !seen[k.Principal] {
			seen[k.Principal] = true
			out = append(out, k.Principal)
		}
	}
	sort.Strings(out)
	return out
}

// write runs f with the ledger's lock held: recovery first, once in a process,
// then f, then a simulated clock moves on. A clock does not move when f fails.
func (b *Bench) write(f func(m *Main) error) error {
	unlock, err := b.store.Lock()
	if err != nil {
		return err
	}
	defer unlock()
	if err := b.tick(); err != nil {
		return err
	}
	if !b.started {
		if err := b.recover(); err != nil {
			return err
		}
		b.started = true
	}
	m, err := b.Main()
	if err != nil {
		return err
	}
	if err := f(m); err != nil {
		return err
	}
	return b.keepTime()
}
