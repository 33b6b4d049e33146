package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"tapledger/audit"

	"github.com/go-git/go-git/v5/plumbing/format/config"
)

// Store is an open ledger. Reads may come from several goroutines; writing is
// for one at a time (see Lock). For reading with all processors open several.
type Store struct {
	d     *disk
	wait  time.Duration // for the writer's lock, and for a reference's lock file
	grace time.Duration // how old a foreign lock or temporary file must be to count as left behind
	sleep func(time.Duration)

	turn    chan struct{}
	held    atomic.Bool
	lock    *os.File // while held
	unclean atomic.Bool

	writing sync.Mutex
	failed  error           // a flush failed: what the system holds is unknown, so no more writes
	flushed map[string]bool // objects that this handle knows to be durable

	reading sync.Mutex // go-git's packs are not for several goroutines
	packs   *packs
}

var _ audit.Objects = (*Store)(nil)

const headText = "ref: refs/heads/main\n"

// settings are what git itself must know about a ledger: it is bare, nothing
// is collected or repacked behind the tool's back, what git writes it flushes,
// and a ledger that others push to never goes back.
var settings = []struct{ section, key, value string }{
	{"core", "repositoryformatversion", "0"},
	{"core", "bare", "true"},
	{"core", "logallrefupdates", "false"},
	{"core", "fsync", "all"},
	{"gc", "auto", "0"},
	{"maintenance", "auto", "false"},
	{"transfer", "fsckobjects", "true"},
	{"receive", "denynonfastforwards", "true"},
	{"receive", "denydeletes", "true"},
}

func configText() string {
	var b strings.Builder
	for i, s := range settings {
		if i == 0 || settings[i-1].section != s.section {
			b.WriteString("[" + s.section + "]\n")
		}
		b.WriteString("\t" + s.key + " = " + s.value + "\n")
	}
	if runtime.GOOS == "windows" {
		b.WriteString("[core]\n\tfilemode = false\n")
	}
	return b.String()
}

// Create makes a new ledger in dir, which must not exist or be empty
// (ErrExists otherwise). The ledger appears whole or not at all: it is made
// beside dir and then renamed.
func Create(dir string) (*Store, error) { return create(dir, nil) }

func create(dir string, hook Hook) (*Store, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, machine("find", dir, err)
	}
	if list, err := os.ReadDir(dir); err == nil && len(list) > 0 {
		return nil, fmt.Errorf("folder %s isn't empty and %w; choose a new one", dir, ErrExists)
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, machine("read folder", dir, err)
	}
	parent, name := filepath.Split(dir)
	if err := os.MkdirAll(parent, 0o777); err != nil {
		return nil, machine("make folder", parent, err)
	}
	half := name + ".unfinished"
	if err := os.RemoveAll(filepath.Join(parent, half)); err != nil {
		return nil, machine("remove", half, err)
	}
	around := &disk{root: parent, hook: hook}
	if err := around.mkdirs(half); err != nil {
		return nil, err
	}
	if err := furnish(&disk{root: filepath.Join(parent, half), hook: hook}); err != nil {
		return nil, err
	}
	if err := os.Remove(dir); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, machine("remove", dir, err)
	}
	if err := around.rename(half, name); err != nil {
		return nil, err
	}
	if err := around.syncDir("."); err != nil {
		return nil, err
	}
	return Open(dir)
}

// furnish fills the folder of a new ledger. All 256 folders for objects are
// made at once, so that an append never has to make one; each file and folder
// is flushed.
func furnish(d *disk) error {
	folders := []string{"objects/info", "objects/pack", "refs/heads/runs", "refs/tags", "quarantine"}
	for i := 0; i < 256; i++ {
		folders = append(folders, fmt.Sprintf("objects/%02x", i))
	}
	for i, f := range folders {
		if i > 5 { // one flush for all of them below
			if err := os.Mkdir(d.full(f), 0o777); err != nil {
				return machine("make folder", f, err)
			}
			continue
		}
		if err := d.mkdirs(f); err != nil {
			return err
		}
	}
	if err := d.syncDir("objects"); err != nil {
		return err
	}
	if err := d.writeNew("config", []byte(configText()), 0o666); err != nil {
		return err
	}
	return d.writeNew("HEAD", []byte(headText), 0o666)
}

// Open opens a ledger for reading and writing. It writes nothing, so a ledger
// on a medium that cannot be written can be read. A folder that is no bare git
// repository, or one in a form that this package does not know, is refused.
func Open(dir string) (*Store, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, machine("find", dir, err)
	}
	s := &Store{d: &disk{root: dir}, wait: usualWait, grace: 2 * time.Second, sleep: time.Sleep,
		turn: make(chan struct{}, 1), flushed: map[string]bool{}}
	for _, need := range []string{"HEAD", "objects", "refs"} {
		if _, err := os.Stat(s.d.full(need)); errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("%s is no ledger: it has no %s", dir, need)
		} else if err != nil {
			return nil, machine("open", need, err)
		}
	}
	c, err := s.config()
	if err != nil {
		return nil, err
	}
	if c == nil {
		return s, nil
	}
	for _, opt := range c.Section("extensions").Options {
		if opt.Key != "" && !(strings.EqualFold(opt.Key, "objectformat") && opt.Value == "sha1") && !strings.EqualFold(opt.Key, "noop") {
			return nil, fmt.Errorf("%s: this git repository uses the extension %s = %s, which this program cannot read; clone it without", dir, opt.Key, opt.Value)
		}
	}
	return s, nil
}

// config reads git's settings; nil when there are none.
func (s *Store) config() (*config.Config, error) {
	b, err := s.d.read("config")
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	} else if err != nil {
		return nil, err
	}
	c := config.New()
	if err := config.NewDecoder(strings.NewReader(string(b))).Decode(c); err != nil {
		return nil, &DamagedError{Path: "config", How: "cannot be read: " + err.Error()}
	}
	return c, nil
}

// Settings lists which of git's settings differ from those that Create wrote,
// one sentence each: with them stock git could collect, repack or rewrite the
// ledger on its own. Empty when all is as it was made.
func (s *Store) Settings() ([]string, error) {
	c, err := s.config()
	if err != nil {
		return nil, err
	}
	var out []string
	for _, want := range settings {
		got := "not set"
		if c != nil {
			if v := c.Section(want.section).Option(want.key); v != "" {
				got = v
			}
		}
		if !strings.EqualFold(got, want.value) {
			out = append(out, fmt.Sprintf("%s.%s is %s, should be %s: git -C %s config %s.%s %s",
				want.section, want.key, got, want.value, filepath.Base(s.d.root), want.section, want.key, want.value))
		}
	}
	if b, err := s.d.read("HEAD"); err != nil {
		return nil, err
	} else if string(b) != headText {
		out = append(out, fmt.Sprintf("HEAD is %q, should be %q", string(b), headText))
	}
	return out, nil
}

// Dir gives the ledger's folder as an absolute path.
func (s *Store) Dir() string { return s.d.root }

// Inject lets a Hook see, and break, every operation on the ledger's files
// from now on. For tests of what the ledger promises; nil ends it.
func (s *Store) Inject(h Hook) { s.d.hook = h }

// Close gives back the open packs. The handle can be used on; it opens them
// again.
func (s *Store) Close() error {
	s.reading.Lock()
	defer s.reading.Unlock()
	if s.packs == nil {
		return nil
	}
	err := s.packs.close()
	s.packs = nil
	return machine("close", "objects/pack", err)
}

// checkHash refuses what is not 40 lower-case hexadecimal digits.
func checkHash(h string) error {
	if len(h) != 40 {
		return fmt.Errorf("%q is not the name of an object: 40 hexadecimal digits", h)
	}
	for _, c := range []byte(h) {
		if (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return fmt.Errorf("%q is not the name of an object: 40 hexadecimal digits", h)
		}
	}
	return nil
}
