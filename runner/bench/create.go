package bench

import (
	"crypto/ed25519"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"tapledger/audit"
	"tapledger/audit/store"
	"tapledger/protocol"
	"tapledger/runner"
	"tapledger/schemas"
)

// CreateOptions says what a new bench is.
type CreateOptions struct {
	Options
	ID        string
	Title     string
	Currency  string
	Person    string // the first person; their key signs main's first commit
	Simulated bool   // for good
	Seed      string // simulated only
	Start     time.Time
	Synced    bool            // the folder may be one that another machine keeps in step
	Ready     []protocol.File // ready documents and cautions that lie on main from the beginning
}

// syncedFolder is what the system says of a folder; tests have it say otherwise.
var syncedFolder = store.SyncedFolder

// SimulatedStart is the time at which a simulated bench's clock begins.
var SimulatedStart = time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)

// Create makes a bench in dir, which may hold other files but no bench. When it
// fails, nothing of a ledger is left behind.
func Create(dir string, opt CreateOptions) (*Bench, error) {
	if err := opt.check(dir); err != nil {
		return nil, err
	}
	home, err := homeOf(opt.Home)
	if err != nil {
		return nil, err
	}
	var wall func() time.Time = opt.Now
	if wall == nil {
		wall = time.Now
	}
	now := wall().UTC()
	if opt.Simulated {
		now = opt.Start
		if now.IsZero() {
			now = SimulatedStart
		}
	}
	begin, err := opt.begin(now)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	s, err := store.Create(filepath.Join(dir, LedgerDir))
	if err != nil {
		return nil, err
	}
	b := newBench(dir, s, opt.Options)
	b.home = home
	if err := b.lay(begin, now); err != nil {
		os.RemoveAll(filepath.Join(dir, LedgerDir)) // made above, holds nothing that anybody was told of
		return nil, err
	}
	return b, nil
}

func (opt *CreateOptions) check(dir string) error {
	if err := audit.CheckID(opt.ID); err != nil {
		return &runner.Refusal{Says: "bench " + err.Error(), Hint: "give one with --id, such as --id fern"}
	}
	if len(opt.ID) > 26 { // a run id adds a date and four letters, and is a ref and a folder
		return &runner.Refusal{Says: fmt.Sprintf("bench id %q has more than 26 characters", opt.ID), Hint: "every run's id begins with it"}
	}
	if opt.Person == "" || opt.Person == audit.BenchPrincipal {
		return &runner.Refusal{Says: "a bench needs a first person", Hint: "give an id of your own with --person, such as --person mk; names stay outside the ledger"}
	}
	if err := audit.CheckID(opt.Person); err != nil {
		return &runner.Refusal{Says: "person " + err.Error()}
	}
	if opt.Simulated != (opt.Seed != "") {
		return &runner.Refusal{Says: "a seed goes with a simulated bench, and only with one"}
	}
	if at, err := Find(dir); err == nil {
		return &runner.Refusal{Says: "there is a bench in " + at + " already", Hint: "choose a folder outside it"}
	} else if !errors.Is(err, ErrNoBench) {
		return err
	}
	if name, yes := syncedFolder(dir); yes && !opt.Synced {
		return &runner.Refusal{Says: fmt.Sprintf("%s lies on a %s: another machine or program may change, delay or copy its files behind the ledger's back", dir, name),
			Hint: "choose a folder on a disk of this machine and take back-ups, or say --synced if nothing else ever writes there"}
	}
	if info, err := os.Stat(dir); err == nil && !info.IsDir() {
		return &runner.Refusal{Says: dir + " is a file", Hint: "name a folder"}
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// first is what lies on main's first commit, with the keys that go with it.
type first struct {
	opt    *CreateOptions
	files  map[string][]byte
	person ed25519.PrivateKey
	bench  ed25519.PrivateKey
}

// begin makes the files of main's first commit: bench and person documents,
// ready documents, schemas, allowed_signers, README.md.
func (opt *CreateOptions) begin(now time.Time) (*first, error) {
	f := &first{opt: opt}
	if opt.Simulated {
		f.person, f.bench = SimulatedKey(opt.Seed, opt.Person, 0), SimulatedKey(opt.Seed, audit.BenchPrincipal, 0)
	} else {
		var err error
		if _, f.person, err = ed25519.GenerateKey(rand.Reader); err != nil {
			return nil, err
		}
		if _, f.bench, err = ed25519.GenerateKey(rand.Reader); err != nil {
			return nil, err
		}
	}
	title := opt.Title
	if title == "" {
		title = "Bench " + opt.ID
	}
	simulated := "no"
	if opt.Simulated {
		simulated = "yes"
	}
	doc := yamlLines("kind", protocol.KindBench, "id", opt.ID, "version", "1.0.0", "title", title,
		"created", now.Format("2006-01-02"), "currency", opt.Currency, "simulated", simulated, "seed", opt.Seed)
	files := append([]protocol.File{{Name: "bench.yaml", Bytes: doc},
		{Name: "person.yaml", Bytes: personDocument(opt.Person, "1.0.0", public(f.person))}}, opt.Ready...)
	docs, faults := protocol.ReadAll(files, protocol.NewLibrary())
	if len(faults) > 0 {
		return nil, &DocumentFaults{Faults: faults}
	}
	f.files = map[string][]byte{"README.md": mainReadme(opt.ID, opt.Simulated)}
	for _, d := range docs {
		f.files[d.Path()+".yaml"], f.files[d.Path()+".json"] = d.Source, d.Resolved
	}
	for _, name := range schemas.Names() {
		b, err := schemas.Bytes(name)
		if err != nil {
			return nil, err
		}
		f.files["schemas/"+schemas.FileName(name)] = b
	}
	var allowed audit.Allowed
	allowed, err := allowed.Add(opt.Person, public(f.person))
	if err != nil {
		return nil, err
	}
	if allowed, err = allowed.Add(audit.BenchPrincipal, public(f.bench)); err != nil {
		return nil, err
	}
	f.files[audit.AllowedFile] = allowed.Format()
	return f, nil
}

func public(key ed25519.PrivateKey) ed25519.PublicKey { return key.Public().(ed25519.PublicKey) }

// lay writes keys, clock and main's first commit. The commit comes last: as
// long as it is missing there is no bench.
func (b *Bench) lay(f *first, now time.Time) error {
	opt := f.opt
	if !opt.Simulated {
		folder := filepath.Join(b.home, rootFolder(public(f.person)))
		if err := writeKey(filepath.Join(folder, opt.Person), f.person, opt.Person); err != nil {
			return err
		}
		if err := writeKey(filepath.Join(folder, audit.BenchPrincipal), f.bench, audit.BenchPrincipal); err != nil {
			return err
		}
	} else if err := writeFile(filepath.Join(b.Dir, clockFile), []byte(audit.Time(now)+"\n"), 0o644); err != nil {
		return err
	}
	subject := "Bench " + opt.ID + " begins"
	if opt.Simulated {
		subject += ": simulated, invented"
	}
	hash, objects, err := audit.NewMainCommit(b.store, audit.MainSpec{Put: f.files, Bench: opt.ID, Author: opt.Person,
		Date: now, Subject: subject}, audit.NewKeySigner(opt.Person, f.person))
	if err != nil {
		return err
	}
	if err := b.store.Put(objects...); err != nil {
		return err
	}
	if err := b.store.SetRef(mainRef, "", hash); err != nil {
		return err
	}
	_, err = b.Main()
	return err
}

// yamlLines writes "key: text" lines; an empty text leaves its key out. Texts
// are quoted, so that no word of YAML is met by chance.
func yamlLines(pairs ...string) []byte {
	var s strings.Builder
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			s.WriteString(pairs[i] + ": " + quoted(pairs[i+1]) + "\n")
		}
	}
	return []byte(s.String())
}

func quoted(text string) string {
	return "'" + strings.ReplaceAll(text, "'", "''") + "'"
}

func personDocument(id, version string, key ed25519.PublicKey) []byte {
	return yamlLines("kind", protocol.KindPerson, "id", id, "version", version, "key", audit.PublicKeyLine(key))
}

// mainReadme is what somebody finds who clones the ledger without this program.
func mainReadme(id string, simulated bool) []byte {
	text := "# Ledger of the bench " + id + "\n\n"
	if simulated {
		text += "Simulated, invented: this bench was made with a simulated clock. Nothing in it was measured.\n\n"
	}
	return []byte(text + `main holds documents, keys and the register of every run; refs/heads/runs/<run> is one
run, one commit a record; refs/heads/editions/<id> is one published edition.

Read a run, oldest record last:

    git log main..origin/runs/<run>

Check the signature of a commit with the newest list of keys:

    git show origin/main:allowed_signers >allowed_signers
    git -c gpg.ssh.allowedSignersFile=$PWD/allowed_signers verify-commit <commit>

Stock git says that a key in the list signed. Whether it was the right key for that record,
whether a run is missing or was cut, and whether the decisions hold, "tapledger verify --deep" says.
What it cannot say from inside: whether records after the last commit on main were cut off. A
checkpoint that someone else keeps shows that.
`)
}
