package store

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// work is what a second process of this test binary does:
//
//	append DIR REF N locked|bare   appends N records, a line for each acknowledged commit
//	hold DIR                       takes the lock, leaves half a lock file of main and a temporary file, then waits to be killed
func work(job []string) error {
	s, err := Open(job[1])
	if err != nil {
		return err
	}
	switch job[0] {
	case "append":
		n, _ := strconv.Atoi(job[3])
		s.wait = time.Minute // for slow machines: being late is no defect
		if job[4] == "bare" {
			s.held.Store(true) // without the writer's lock only the compare-and-set decides
		}
		return appendMany(s, job[2], n)
	case "hold":
		if _, err := s.Lock(); err != nil {
			return err
		}
		if _, err := s.d.temp("objects/00", "tmp_obj_", 0o444); err != nil {
			return err
		}
		if err := os.WriteFile(s.d.full("refs/heads/main.lock"), []byte("0123"), 0o666); err != nil {
			return err
		}
		fmt.Println("ready")
		io.Copy(io.Discard, os.Stdin)
		return nil
	}
	return fmt.Errorf("no such job: %v", job)
}

// appendMany does what the bench does when it loses a race: read again, judge
// again, try again.
func appendMany(s *Store, ref string, n int) error {
	me := os.Getpid() * 1000
	once := func(i int) (string, error) {
		release, err := s.hold()
		if err != nil {
			return "", err
		}
		defer release()
		old, err := s.Ref(ref)
		if err != nil {
			return "", err
		}
		return appendRecord(s, ref, old, me+i)
	}
	for i := 0; i < n; {
		hash, err := once(i)
		switch {
		case err == nil:
			fmt.Println(hash)
			i++
		case !errors.Is(err, ErrMoved):
			return err
		}
	}
	return nil
}

// child starts this binary again for a job.
func child(t *testing.T, job ...string) (*exec.Cmd, *bufio.Scanner, io.Closer) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "TAPLEDGER_STORE_JOB="+strings.Join(job, " "))
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	must(t, err)
	out, err := cmd.StdoutPipe()
	must(t, err)
	must(t, cmd.Start())
	return cmd, bufio.NewScanner(out), in
}

// TestTwoProcesses lets two processes append, on one reference and on two, with
// the writer's lock and with the compare-and-set alone, undisturbed and beside
// what stock git may do to references. Everything acknowledged must be reached.
func TestTwoProcesses(t *testing.T) {
	t.Parallel()
	needGit(t)
	for _, c := range []struct {
		lock, beside string
		same         bool
		n            int
	}{
		{"locked", "", true, some(60, 200)},
		{"locked", "gc under our lock", false, some(25, 200)},
		{"bare", "pack-refs", true, some(60, 200)},
		{"bare", "pack-refs", false, some(60, 200)},
		{"bare", "", true, some(0, 200)},
		{"locked", "pack-refs", false, some(0, 200)},
	} {
		if c.n == 0 {
			continue // in the full sweeps only
		}
		name := fmt.Sprintf("%s, same reference %v, beside %q", c.lock, c.same, c.beside)
		s := freshIn(t, t.TempDir()) // on the disk: what is raced against takes its real time
		refs := []string{"refs/heads/runs/one", "refs/heads/runs/two"}
		if c.same {
			refs[1] = refs[0]
		}
		stop := besides(t, s, c.beside)
		acked := make([][]string, 2)
		done := make(chan error, 2)
		for i, ref := range refs {
			cmd, out, _ := child(t, "append", s.Dir(), ref, strconv.Itoa(c.n), c.lock)
			go func() {
				for out.Scan() {
					acked[i] = append(acked[i], out.Text())
				}
				done <- cmd.Wait()
			}()
		}
		for range refs {
			if err := <-done; err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
		times := stop()
		checkAcked(t, s, name, refs, acked, c.n)
		fsck(t, s.Dir(), name)
		t.Logf("%s (%d times): 2 x %d appends acknowledged, all reached", name, times, c.n)
	}
}

// besides does something to the ledger until stop is called, which says how
// often it was done.
func besides(t *testing.T, s *Store, what string) (stop func() int) {
	quit, ended := make(chan struct{}), make(chan int)
	go func() {
		n := 0
		for {
			select {
			case <-quit:
				ended <- n
				return
			default:
			}
			switch what {
			case "":
				<-quit
				ended <- n
				return
			case "pack-refs": // may be refused while a reference is locked
				if _, err := gitIn(s.Dir(), "pack-refs", "--all"); err == nil {
					n++
				}
			default:
				s.wait = time.Minute
				unlock, err := s.Lock()
				if err != nil {
					t.Error(err)
					<-quit
					ended <- n
					return
				}
				if out, err := gitIn(s.Dir(), "gc", "-q", "--prune=now"); err != nil {
					t.Errorf("gc: %v\n%s", err, out)
				}
				unlock()
				n++
			}
		}
	}()
	return func() int { close(quit); return <-ended }
}

func checkAcked(t *testing.T, s *Store, name string, refs []string, acked [][]string, n int) {
	t.Helper()
	s = reopen(t, s)
	for i, ref := range refs {
		head, err := s.Ref(ref)
		must(t, err)
		list, err := reach(s, head)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		there := map[string]bool{}
		for _, h := range list {
			there[h] = true
		}
		if len(acked[i]) != n {
			t.Fatalf("%s: %d of %d appends were acknowledged", name, len(acked[i]), n)
		}
		for _, h := range acked[i] {
			if !there[h] {
				t.Fatalf("%s: the acknowledged commit %s is not reached from %s", name, h, ref)
			}
		}
		want := n
		if refs[0] == refs[1] {
			want = 2 * n
		}
		if len(list) != want {
			t.Fatalf("%s: %s has %d commits, want %d", name, ref, len(list), want)
		}
	}
}

// TestKilledWriter: a process is killed while it holds the lock and has left
// half of everything. The next one gets the lock at once, knows, tidies, goes on.
func TestKilledWriter(t *testing.T) {
	t.Parallel()
	needGit(t)
	s := fresh(t)
	cmd, out, in := child(t, "hold", s.Dir())
	defer in.Close()
	if !out.Scan() || out.Text() != "ready" {
		t.Fatal("the other process did not get the lock")
	}
	s.wait = 10 * time.Millisecond
	if _, err := s.Lock(); !errors.Is(err, ErrBusy) || !strings.Contains(err.Error(), strconv.Itoa(cmd.Process.Pid)) {
		t.Fatalf("want ErrBusy naming process %d, got %v", cmd.Process.Pid, err)
	}
	if err := s.Put(record("x", "", 1)...); !errors.Is(err, ErrBusy) {
		t.Fatalf("Put beside a writer: %v", err)
	}
	must(t, cmd.Process.Kill())
	cmd.Wait()
	s.wait = usualWait
	unlock, err := s.Lock()
	must(t, err)
	if !s.Unclean() {
		t.Error("nobody noticed that the last writer died")
	}
	unlock()
	s = reopen(t, s)
	old, err := s.Ref("refs/heads/main")
	must(t, err)
	s.wait = 10 * time.Millisecond
	if _, err := appendRecord(s, "refs/heads/main", old, 5); !errors.Is(err, ErrBusy) {
		t.Fatalf("with the lock file of the dead there: %v", err)
	}
	rec, err := s.Recover("refs/heads/main")
	must(t, err)
	if !rec.Deep || len(rec.Lines("refs/heads/main")) != 1 || len(rec.Lines("")) != 1 || len(rec.Damage) != 0 {
		t.Errorf("Recover did %+v", rec)
	}
	if left := leftBehind(t, s.Dir()); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
	if _, err := appendRecord(s, "refs/heads/main", old, 5); err != nil {
		t.Fatal(err)
	}
	fsck(t, s.Dir(), "after a killed writer")
}

// TestWordForTheNextStart: a writer that meets a lock file of the dead or a
// broken object, and has nobody who recovers, leaves word in the lock file.
func TestWordForTheNextStart(t *testing.T) {
	for name, spoil := range map[string]func(s *Store){
		"lock file": func(s *Store) {
			must(t, os.WriteFile(s.d.full("refs/heads/main.lock"), nil, 0o666))
			s.wait = time.Millisecond
			if err := s.SetRef("refs/heads/main", "", record("main", "", 0)[2].Hash); !errors.Is(err, ErrBusy) {
				t.Errorf("SetRef: %v", err)
			}
		},
		"broken object": func(s *Store) {
			breakLoose(t, s.Dir(), record("main", "", 0)[0].Hash, "half", nil)
			if _, _, err := s.Object(record("main", "", 0)[0].Hash); !errors.Is(err, ErrDamaged) {
				t.Errorf("Object: %v", err)
			}
			must(t, s.Put(record("other", "", 1)[0]))
		},
	} {
		s := fresh(t)
		spoil(s)
		s = reopen(t, s)
		unlock, err := s.Lock()
		must(t, err)
		if !s.Unclean() {
			t.Errorf("%s: no word was left", name)
		}
		if rec, err := s.Recover("refs/heads/main"); err != nil || len(rec.Acts) == 0 {
			t.Errorf("%s: Recover did %+v, %v", name, rec, err)
		}
		unlock()
		if unlock, err = reopen(t, s).Lock(); err != nil {
			t.Fatal(err)
		}
		unlock()
	}
}

// TestLiveLockFile: a lock file that its owner is still writing is left alone.
func TestLiveLockFile(t *testing.T) {
	s := fresh(t)
	name := filepath.Join(s.Dir(), "refs", "heads", "main.lock")
	must(t, os.WriteFile(name, nil, 0o644))
	s.grace = time.Hour
	waits := 0
	s.sleep = func(d time.Duration) { // its owner writes while we wait
		waits++
		if d != s.grace {
			t.Errorf("waited %v", d)
		}
		far := time.Now().Add(time.Minute)
		must(t, os.Chtimes(name, far, far))
	}
	rec, err := s.Recover()
	must(t, err)
	if !rec.Empty() {
		t.Errorf("Recover took a living lock file: %+v", rec)
	}
	if waits != 1 {
		t.Errorf("waited %d times", waits)
	}
	must(t, os.Chtimes(name, time.Unix(1, 0), time.Unix(1, 0)))
	if rec, err = s.Recover(); err != nil || len(rec.Acts) != 1 || waits != 1 {
		t.Errorf("and left an old one: %+v %v", rec, err)
	}
}

// TestLockInOneProgram: one handle, and two handles, exclude each other.
func TestLockInOneProgram(t *testing.T) {
	s := fresh(t)
	other := reopen(t, s)
	unlock, err := s.Lock()
	must(t, err)
	for _, h := range []*Store{s, other} {
		h.wait = time.Millisecond
		if _, err := h.Lock(); !errors.Is(err, ErrBusy) {
			t.Errorf("two hold the lock: %v", err)
		}
	}
	must(t, s.Put(record("x", "", 1)...)) // under the lock that is held
	unlock()
	unlock() // twice does nothing
	other.wait = usualWait
	unlock, err = other.Lock()
	must(t, err)
	if other.Unclean() {
		t.Error("a lock that was given back counts as left by the dead")
	}
	unlock()
}
