package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// TestCreate: what stock git says of a new ledger, and of one with a record.
func TestCreate(t *testing.T) {
	t.Parallel()
	needGit(t)
	dir := filepath.Join(t.TempDir(), "not", "there", "yet", "ledger.git")
	s, err := Create(dir)
	must(t, err)
	if list, err := s.Settings(); err != nil || len(list) != 0 {
		t.Errorf("a new ledger's settings: %v, %v", list, err)
	}
	if refs, err := s.Refs(); err != nil || len(refs) != 0 {
		t.Errorf("a new ledger has references: %v, %v", refs, err)
	}
	for key, want := range map[string]string{"core.bare": "true", "gc.auto": "0", "maintenance.auto": "false", "receive.denyDeletes": "true", "core.fsync": "all"} {
		if got := git(t, dir, "config", key); got != want {
			t.Errorf("git reads %s as %q, want %q", key, got, want)
		}
	}
	if got := git(t, dir, "symbolic-ref", "HEAD"); got != "refs/heads/main" {
		t.Errorf("HEAD is %s", got)
	}
	for i := 0; i < 256; i++ {
		if fi, err := os.Stat(filepath.Join(dir, "objects", fmt.Sprintf("%02x", i))); err != nil || !fi.IsDir() {
			t.Fatalf("folder %02x: %v", i, err)
		}
	}
	main, err := appendRecord(s, "refs/heads/main", "", 1)
	must(t, err)
	run := chain(t, s, refName(false, 0), 3)
	fsck(t, dir, "new")
	clone := filepath.Join(t.TempDir(), "clone")
	git(t, dir, "clone", "-q", dir, clone)
	if got := git(t, clone, "rev-parse", "HEAD", "origin/runs/fern-20260302-k7qd"); got != main+"\n"+run[2] {
		t.Errorf("the clone stands at %s", got)
	}
	want := string(record(refName(false, 0), "", 2)[0].Data)
	if got := git(t, clone, "show", "origin/runs/fern-20260302-k7qd~1:record.json"); got+"\n" != want {
		t.Errorf("git shows %q, want %q", got, want)
	}
	must(t, err)
	mirror := filepath.Join(t.TempDir(), "mirror.git")
	git(t, dir, "clone", "-q", "--mirror", dir, mirror)
	m, err := Open(mirror)
	must(t, err)
	if got, err := reach(m, run[2]); err != nil || len(got) != 3 {
		t.Errorf("a mirror made by git: %d commits, %v", len(got), err)
	}
	if list, err := m.Settings(); err != nil || len(list) == 0 {
		t.Errorf("a mirror has git's own settings, none was noticed: %v", err)
	}
	if out, err := gitIn(clone, "push", "-q", "origin", ":refs/heads/runs/fern-20260302-k7qd"); err == nil {
		t.Errorf("a push deleted a run: %s", out)
	}
}

// TestCreateRefuses a folder with something in it, and takes an empty one.
func TestCreateRefuses(t *testing.T) {
	dir := t.TempDir()
	if _, err := Create(dir); err != nil {
		t.Fatalf("an empty folder: %v", err)
	}
	if _, err := Create(dir); !errors.Is(err, ErrExists) {
		t.Errorf("a ledger that is there: %v", err)
	}
}

// TestCrashInCreate: after a crash there is no ledger or a whole one, and
// Create can be done again.
func TestCrashInCreate(t *testing.T) {
	t.Parallel()
	parent := place(t)
	total := 0
	count := func(Op) (int, error) { total++; return 0, nil }
	if _, err := create(filepath.Join(parent, "first"), count); err != nil {
		t.Fatal(err)
	}
	for k := 1; k <= total; k += some(4, 1) {
		dir := filepath.Join(parent, fmt.Sprintf("ledger-%d", k))
		_, err := create(dir, crashAt(k, func(Op) bool { return true }, true))
		if !errors.Is(err, errCrash) {
			t.Fatalf("operation %d of %d: %v", k, total, err)
		}
		s, err := Open(dir)
		if err != nil {
			if s, err = Create(dir); err != nil {
				t.Fatalf("operation %d: made again: %v", k, err)
			}
		}
		if list, err := s.Settings(); err != nil || len(list) > 0 {
			t.Fatalf("operation %d: %v, %v", k, list, err)
		}
		if _, err := appendRecord(s, "refs/heads/main", "", 1); err != nil {
			t.Fatalf("operation %d: %v", k, err)
		}
	}
}

// TestOpenRefuses what is no ledger, and forms of repository that this package
// would misread.
func TestOpenRefuses(t *testing.T) {
	if _, err := Open(t.TempDir()); err == nil || !strings.Contains(err.Error(), "is no ledger") {
		t.Errorf("an empty folder was opened: %v", err)
	}
	if _, err := Open(filepath.Join(t.TempDir(), "none")); err == nil {
		t.Error("nothing was opened")
	}
	s := fresh(t)
	config := filepath.Join(s.Dir(), "config")
	for _, extension := range []string{"objectformat = sha256", "refstorage = reftable", "partialclone = origin"} {
		must(t, os.WriteFile(config, []byte("[core]\n\trepositoryformatversion = 1\n[extensions]\n\t"+extension+"\n"), 0o666))
		if _, err := Open(s.Dir()); err == nil || !strings.Contains(err.Error(), "extension") {
			t.Errorf("%s was opened: %v", extension, err)
		}
	}
	must(t, os.WriteFile(config, []byte("[core\n"), 0o666))
	if _, err := Open(s.Dir()); !errors.Is(err, ErrDamaged) {
		t.Errorf("a broken config: %v", err)
	}
}

// TestSettings: what would let stock git work on the ledger by itself is said.
func TestSettings(t *testing.T) {
	needGit(t)
	s := fresh(t)
	git(t, s.Dir(), "config", "gc.auto", "6700")
	git(t, s.Dir(), "config", "--unset", "receive.denyDeletes")
	must(t, os.WriteFile(filepath.Join(s.Dir(), "HEAD"), []byte("ref: refs/heads/other\n"), 0o666))
	list, err := s.Settings()
	if err != nil || len(list) != 3 || !strings.Contains(list[0], "gc.auto is 6700, should be 0") || !strings.Contains(list[1], "receive.denydeletes is not set") {
		t.Errorf("said: %q, %v", list, err)
	}
	rec, err := s.Recover()
	if err != nil || len(rec.Acts) != 1 {
		t.Errorf("Recover did %+v, %v", rec, err)
	}
	if list, _ = s.Settings(); len(list) != 2 {
		t.Errorf("after Recover: %q", list)
	}
}

// TestReadOnly: reading writes nothing, so a ledger on a medium that cannot be
// written can be read; writing it is the machine's refusal, with a hint.
func TestReadOnly(t *testing.T) {
	s := fresh(t)
	refuse := func(Op) (int, error) { return 0, &os.PathError{Op: "open", Path: "x", Err: fs.ErrPermission} }
	s = reopen(t, s)
	s.Inject(refuse)
	main, err := s.Ref("refs/heads/main")
	must(t, err)
	if _, err := reach(s, main); err != nil {
		t.Error(err)
	}
	if _, err := s.Refs(); err != nil {
		t.Error(err)
	}
	if _, err := s.Settings(); err != nil {
		t.Error(err)
	}
	var m *MachineError
	err = s.Put(record("x", "", 1)...)
	if !errors.As(err, &m) || !errors.Is(err, fs.ErrPermission) || !strings.Contains(err.Error(), "rights of the ledger's folder") {
		t.Errorf("Put: %v", err)
	}
}

// TestImports: of go-git only the readers of packs are linked. Its references,
// repacking and transports lost data or cost the whole history when measured.
func TestImports(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", ".").Output()
	must(t, err)
	for _, p := range strings.Fields(string(out)) {
		own := strings.HasPrefix(p, "tapledger/")
		switch {
		case p == "net/http" || strings.HasPrefix(p, "golang.org/x/crypto/ssh"):
			t.Errorf("%s is linked", p)
		case own && p != "tapledger/audit" && p != "tapledger/audit/store":
			t.Errorf("the store knows %s", p)
		case p == "github.com/go-git/go-git/v5" || strings.HasPrefix(p, "github.com/go-git/go-git/v5/storage/"):
			t.Errorf("%s is linked", p)
		}
	}
}
